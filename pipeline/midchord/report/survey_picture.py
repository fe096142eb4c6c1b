"""Readings along the lines of a hand survey, as they would be drawn on squared paper.

Peaks are open, valleys filled, as in every other picture. Under a line that stands alone each half
wave has its depth W and its wavelength L; lines of several people or repeats lie over one another,
told apart by dashes and colour, so that it is seen where they disagree.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from midchord.report import house_style as house
from midchord.report.house_style import shown
from midchord.surveying.hand_line import LineWorkUp

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["MOST_NAMED", "as_the_dial", "draw_survey", "survey_picture_bytes", "whole_mm"]

_SIZE_IN = (7.3, 2.75)
_COLOURS = (house.INK, "#b0611f", "#366980", "#762646", house.GREYS[1])
_DASHES = ("solid", "dashed", "dashdot", "dotted")
_MARKERS = {"peak": ("^", house.PAPER), "valley": ("v", None), "neither": ("X", None)}
MOST_NAMED = 8


def as_the_dial(value: float | None, resolution_mm: float | None) -> str:
    """A depth or reading with the decimals of the dial; three digits where it is not known."""
    return shown(value, None if resolution_mm is None else 3 * resolution_mm)


def whole_mm(value: float | None) -> str:
    """A length that was measured by hand."""
    return shown(value, 3.0)


def draw_survey(
    lines: Sequence[LineWorkUp],
    *,
    resolution_mm: float | None,
    edge_x_mm: float,
    length_mm: float | None = None,
    dpi: float = 200.0,
) -> Figure:
    """Readings of lines of one lite and one gauge, all counted from the same edge.

    resolution_mm  of the dial, for the decimals;  length_mm: of the lite, where it is known
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, dpi=dpi)
    is_read = any(line.is_read for line in lines)
    single = len(lines) == 1
    bottom = 0.43 if single else 0.17
    ax = figure.add_axes((0.085, bottom, 0.9, 0.88 - bottom))
    furthest = max(float(line.marks["distance_mm"].max()) for line in lines)
    right = 1.03 * furthest if length_mm is None else length_mm
    ax.set_xlim(0, right)
    for number, line in enumerate(lines):
        _draw_line(ax, line, number, single=single)
    for start in (0.0,) if length_mm is None else (0.0, length_mm - edge_x_mm):
        end = min(start + edge_x_mm, right)
        ax.axvspan(start, end, facecolor=house.GREYS[3], alpha=0.45, zorder=-1)
    ax.axhline(0.0, color=house.GREYS[1], linewidth=0.6, zorder=0)
    ax.spines[["top", "right"]].set_visible(False)
    ax.locator_params(axis="y", nbins=5)
    ax.margins(y=0.12)
    if is_read:
        ax.set_ylabel("reading / mm")
    else:
        ax.set_yticks([])
        ax.set_ylim(-1, 1)
    _legend(ax)
    below = ax
    if single:
        ax.tick_params(labelbottom=False)
        below = figure.add_axes((0.085, 0.17, 0.9, 0.23))
        _strip(below, lines[0], right, resolution_mm)
    edge = lines[0].datum_edge
    below.set_xlabel(f"distance from the {edge} edge / mm  (grey: edge zone)")
    return figure


def _draw_line(ax: Axes, line: LineWorkUp, number: int, *, single: bool) -> None:
    colour = _COLOURS[number % len(_COLOURS)]
    used = line.marks[~line.marks["excluded"]]
    x = used["distance_mm"].to_numpy()
    y = used["reading_mm"].fillna(0.0).to_numpy()
    name = f"{line.operator}, repeat {line.repeat}, y {line.line_y_mm:g}"
    named = not single and number < MOST_NAMED
    if line.is_read:
        ax.plot(
            x, y, linewidth=0.9, color=colour, linestyle=_DASHES[number % len(_DASHES)],
            label=house.printable(name) if named else None, zorder=1,
        )  # fmt: skip
    for kind, (marker, face) in _MARKERS.items():
        is_kind = (used["kind"] == kind).to_numpy()
        if is_kind.any():
            ax.plot(
                x[is_kind], y[is_kind], marker, markersize=5.0 if single else 4.0, zorder=3,
                markerfacecolor=face or colour, markeredgecolor=colour, markeredgewidth=0.9,
                label=kind if single else None,
            )  # fmt: skip
    if not line.is_read:
        ax.plot(x, y, "|", markersize=12, color=colour, label="mark" if single else name)
    out = line.marks[line.marks["excluded"] & line.marks["reading_mm"].notna()]
    if len(out):
        ax.plot(
            out["distance_mm"], out["reading_mm"], "x", color=house.GREYS[1], markersize=5,
            label="excluded" if single else None,
        )  # fmt: skip


def _legend(ax: Axes) -> None:
    _, labels = ax.get_legend_handles_labels()
    if labels:
        ax.legend(
            loc="lower right", bbox_to_anchor=(1, 1.0), ncol=min(4, len(labels)), frameon=False,
            fontsize=7.0, handlelength=2.2, columnspacing=1.3, borderaxespad=0.2,
        )  # fmt: skip


def _strip(ax: Axes, line: LineWorkUp, right: float, resolution_mm: float | None) -> None:
    """Depth and full wavelength of each half wave, under it."""
    ax.set_xlim(0, right)
    ax.set_ylim(0, 2)
    ax.set_yticks([])
    ax.spines[["top", "right", "left"]].set_visible(False)
    waves = line.half_waves
    if not len(waves):
        return
    rows: list[tuple[float, str, list[str]]] = [
        (1.45, "W / mm", [as_the_dial(v, resolution_mm) for v in waves["depth_mm"]]),
        (0.55, "L / mm", [whole_mm(v) for v in waves["full_wave_mm"]]),
    ]
    room_in = float((waves["to_mm"] - waves["from_mm"]).min()) / right * 0.9 * _SIZE_IN[0]
    style: dict[str, Any] = {
        "ha": "center", "va": "center",
        "fontsize": 6.6 if room_in > 0.16 else 5.5, "rotation": 0 if room_in > 0.3 else 90,
    }  # fmt: skip
    for height, name, texts in rows:
        ax.annotate(
            name, (0, height), xytext=(-6, 0), textcoords="offset points", ha="right",
            va="center", fontsize=7.5, annotation_clip=False,
        )  # fmt: skip
        for start, end, text in zip(waves["from_mm"], waves["to_mm"], texts, strict=True):
            ax.text(
                (start + end) / 2, height, "–" if text == house.NO_VALUE_TEXT else text, **style
            )
    for place in np.unique(waves[["from_mm", "to_mm"]].to_numpy()):
        ax.axvline(place, color=house.GREYS[3], linewidth=0.6)


def survey_picture_bytes(
    lines: Sequence[LineWorkUp],
    *,
    resolution_mm: float | None,
    edge_x_mm: float,
    length_mm: float | None = None,
) -> bytes:
    """The picture as PNG; the same survey gives the same bytes."""
    import matplotlib

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = draw_survey(
            lines, resolution_mm=resolution_mm, edge_x_mm=edge_x_mm, length_mm=length_mm
        )
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()
