"""Pictures of the nozzle imprint.

``nozzle_grid``  the drawing of the nozzle grid, seen from above, with the odd columns (and rows)
                 marked; below it what each column left, against the usual mark
``nozzle_fold``  the signature folded at the pitch, with the odd columns over it

Nothing hangs on a colour: a sign on the drawing says which kind of oddity it is, and its number
stands beside it. Nozzles that none of the lites passed are dots. The same imprint gives the same
bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from midchord.nozzles.imprint import NozzleImprint
from midchord.nozzles.marks import Marks, TrackFigures
from midchord.report import house_style as house

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["nozzle_fold", "nozzle_grid"]

_DPI = 150
_ODD, _USUAL = "#b0611f", "#366980"
_SIGNS = {
    "weak": ("v", "weak"),
    "not there": ("x", "not there"),
    "opposite": ("^", "opposite"),
    "strong": ("P", "strong"),
    "beside its place": ("D", "beside its place"),
    "stands out": ("s", "stands out"),
    "moves with the glass": ("*", "moves with the glass"),
}
_ROWS_DRAWN = 8
_MOST_COLUMNS_DRAWN = 90
_MOST_FOLDED = 5


def nozzle_grid(imprint: NozzleImprint) -> bytes:
    """The nozzle grid with the odd ones marked, and every column against the usual one."""
    return _png((7.3, 4.6), lambda figure: _grid(figure, imprint))


def nozzle_fold(imprint: NozzleImprint) -> bytes | None:
    """The mark of one nozzle; None where no imprint is seen."""
    if not imprint.columns.registration.is_present:
        return None
    return _png((4.6, 3.2), lambda figure: _fold(figure, imprint.columns))


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _grid(figure: Figure, imprint: NozzleImprint) -> None:
    marks, nozzles = imprint.columns, imprint.machine.nozzles
    assert nozzles is not None
    numbers = [one.judged.track.column for one in marks.tracks]
    first, last = _columns_drawn(imprint, numbers)
    drawing = figure.add_axes((0.1, 0.5, 0.86, 0.36))
    below = figure.add_axes((0.1, 0.115, 0.86, 0.29), sharex=drawing)
    rows = _rows_drawn(imprint)
    stagger = nozzles.stagger_mm / nozzles.pitch_across_mm
    seen = set(numbers)
    for place, row in enumerate(rows):
        columns = np.arange(first, last + 1)
        shift = stagger if row % 2 == 0 else 0.0
        passed = np.array([number in seen for number in columns])
        drawing.scatter(
            columns[passed] + shift, np.full(passed.sum(), place), s=11, facecolors="none",
            edgecolors=_USUAL, linewidths=0.7,
        )  # fmt: skip
        drawing.scatter(
            columns[~passed] + shift, np.full((~passed).sum(), place), s=2, color=house.GREYS[2]
        )
    _mark_columns(drawing, marks, rows, stagger)
    _name_odd(drawing, marks, stagger)
    _mark_rows(drawing, imprint, rows, first, last)
    drawing.set_ylim(len(rows) - 0.4, -0.6)
    drawing.set_xlim(first - 1, last + 1)
    every = max(1, len(rows) // 8)
    drawing.set_yticks(range(0, len(rows), every), [str(row) for row in rows[::every]])
    told = imprint.rows is not None and imprint.rows.tracks
    drawing.set_ylabel("row" if told else "rows, not told\napart")
    drawing.tick_params(labelbottom=False)
    title = "Nozzles from above, leading edge on top"
    drawing.set_title(title if marks.registration.is_absolute or not marks.tracks
                      else title + "; numbers from the left edge of the lites", pad=14)  # fmt: skip
    _signs_used(drawing, imprint)
    _below(below, marks)


def _columns_drawn(imprint: NozzleImprint, numbers: Sequence[int]) -> tuple[int, int]:
    nozzles = imprint.machine.nozzles
    assert nozzles is not None
    low, high = (min(numbers), max(numbers)) if numbers else (1, nozzles.columns or 30)
    if imprint.columns.registration.is_absolute and nozzles.columns is not None:
        low, high = min(low, 1), max(high, nozzles.columns)
    else:
        low, high = low - 1, high + 1
    if high - low >= _MOST_COLUMNS_DRAWN and numbers:
        low, high = min(numbers) - 1, max(numbers) + 1
    return low, min(high, low + 4 * _MOST_COLUMNS_DRAWN)


def _rows_drawn(imprint: NozzleImprint) -> list[int]:
    """Rows that were told apart, or a few that stand for all."""
    if imprint.rows is not None and imprint.rows.tracks:
        found = [one.judged.track.column for one in imprint.rows.tracks]
        return list(range(min(found), max(found) + 1))
    assert imprint.machine.nozzles is not None
    return list(range(1, min(_ROWS_DRAWN, imprint.machine.nozzles.rows or _ROWS_DRAWN) + 1))


def _mark_columns(drawing: Axes, marks: Marks, rows: Sequence[int], stagger: float) -> None:
    for one in marks.tracks:
        kind, track = one.judged.kind, one.judged.track
        if kind == "usual":
            continue
        sign = _SIGNS[kind][0]
        own = [
            (place, row)
            for place, row in enumerate(rows)
            if not track.rows or track.rows == ("even rows" if row % 2 == 0 else "odd rows")
        ]
        places = [place for place, _ in own]
        at = [track.column + (stagger if row % 2 == 0 else 0.0) for _, row in own]
        drawing.scatter(at, places, s=26, marker=sign, color=_ODD, linewidths=1.1, zorder=3)


def _name_odd(drawing: Axes, marks: Marks, stagger: float) -> None:
    """The numbers of odd columns over the drawing, each once."""
    for number in sorted({one.judged.track.column for one in marks.odd}):
        drawing.annotate(
            str(number), (number + stagger / 2, 1.0), xycoords=("data", "axes fraction"),
            xytext=(0, 2), textcoords="offset points", ha="center", va="bottom", fontsize=7.5,
            color=house.INK, fontweight="bold", annotation_clip=False,
        )  # fmt: skip


def _mark_rows(
    drawing: Axes, imprint: NozzleImprint, rows: Sequence[int], first: int, last: int
) -> None:
    for one in imprint.rows.tracks if imprint.rows is not None else []:
        if one.judged.kind == "usual":
            continue
        place = rows.index(one.judged.track.column)
        columns = np.arange(first, last + 1)
        drawing.scatter(
            columns, np.full(columns.size, place), s=26, marker=_SIGNS[one.judged.kind][0],
            color=_ODD, linewidths=1.1, zorder=3,
        )  # fmt: skip
        drawing.annotate(
            str(one.judged.track.column), (last + 1, place), xytext=(2, 0),
            textcoords="offset points", va="center", fontsize=7.5, fontweight="bold",
            annotation_clip=False,
        )  # fmt: skip


def _signs_used(drawing: Axes, imprint: NozzleImprint) -> None:
    tracks = [*imprint.columns.tracks, *(imprint.rows.tracks if imprint.rows else [])]
    kinds = [kind for kind in _SIGNS if any(one.judged.kind == kind for one in tracks)]
    for kind in kinds:
        sign, words = _SIGNS[kind]
        drawing.scatter([], [], s=26, marker=sign, color=_ODD, label=words)
    if kinds:
        drawing.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.13), ncol=4, frameon=False, fontsize=7.2,
            handletextpad=0.2, columnspacing=1.0, borderpad=0,
        )  # fmt: skip


def _below(ax: Axes, marks: Marks) -> None:
    """Every column against the usual one, with its interval."""
    ax.set_xlabel("column, from the left-hand side")
    if not marks.tracks:
        ax.text(
            0.5, 0.5, house.printable(marks.refused, 110), transform=ax.transAxes, ha="center",
            va="center", fontsize=7.5, color=house.GREYS[0], wrap=True,
        )  # fmt: skip
        ax.set_yticks([])
        return
    is_share = marks.usual_mm is not None
    if is_share and marks.usual_mm is not None:
        spread = marks.spread_mm / abs(marks.usual_mm)
        ax.axhspan(1 - 2 * spread, 1 + 2 * spread, color=house.GREYS[3], linewidth=0, zorder=0)
        ax.axhline(0, color=house.GREYS[2], linewidth=0.6, zorder=0)
        ax.set_ylabel("share of the\nusual mark")
    else:
        spread = 1000 * marks.spread_mm
        ax.axhspan(-2 * spread, 2 * spread, color=house.GREYS[3], linewidth=0, zorder=0)
        ax.set_ylabel("off the usual\nheight / µm")
    for one in marks.tracks:
        judged = one.judged
        value = judged.factor if is_share else 1000 * judged.deviation_mm
        ends = judged.factor_interval if is_share else judged.deviation_interval
        if value is None:
            continue
        scale = 1.0 if is_share else 1000.0
        at = judged.track.column + (0.5 if judged.track.rows == "even rows" else 0.0)
        colour = _ODD if judged.is_odd else _USUAL
        if ends is not None:
            ax.plot([at, at], [scale * end for end in ends], color=colour, linewidth=1.0)
        sign = _SIGNS[judged.kind][0] if judged.kind != "usual" else "o"
        ax.plot([at], [value], sign, markersize=3.4 if sign == "o" else 5.0, color=colour)
    ax.spines[["top", "right"]].set_visible(False)


def _fold(figure: Figure, marks: Marks) -> None:
    ax = figure.add_axes((0.15, 0.155, 0.82, 0.74))
    ax.plot(marks.u_mm, 1000 * marks.folded_mm, color=_USUAL, linewidth=1.6, label="folded")
    styles = ("solid", (0, (4, 2)), (0, (1, 1.4)), (0, (6, 2, 1, 2)), (0, (2, 2)))
    for one, style in zip(marks.odd[:_MOST_FOLDED], styles, strict=False):
        _fold_odd(ax, one, marks, style)
    ax.axvline(0, color=house.GREYS[2], linewidth=0.6, zorder=0)
    ax.set_xlabel("across, from the nozzle / mm")
    ax.set_ylabel("height / µm")
    ax.set_title("Mark of a nozzle")
    ax.legend(frameon=False, fontsize=7.2)
    ax.spines[["top", "right"]].set_visible(False)


def _fold_odd(ax: Axes, one: TrackFigures, marks: Marks, style: object) -> None:
    u = np.linspace(-0.5, 0.5, one.profile_mm.size)
    u *= marks.grid.gap_mm if marks.grid.gap_mm < marks.grid.pitch_mm else marks.grid.pitch_mm
    track = one.judged.track
    name = f"column {track.column}" + (f", {track.rows}" if track.rows else "")
    # the signature is about its mean: a column is laid on it by its mean over the cell
    ax.plot(
        u, 1000 * (one.profile_mm - one.profile_mm.mean()), color=_ODD, linewidth=1.2,
        linestyle=style, label=name,
    )  # fmt: skip
