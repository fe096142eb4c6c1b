"""Pictures of many lites: where the variance is from, and the maps of both frames.

``shares``       a bar for each component with its interval; filled where it is shown
``frame_map``    one figure over a frame, true to scale: mean, spread, share of lites above the
                 limit, a change or a pattern; persistent spots outlined and numbered
``levels``       the level of every lite in order, with the change where one is shown

The same lots give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from midchord.production.frames import Frame
from midchord.production.persistence import Spot
from midchord.production.result import Lots
from midchord.production.sentences import NAMES
from midchord.report import house_style as house

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["frame_map", "levels", "shares"]

Floats = npt.NDArray[np.float64]
_DPI = 150
_FIXED, _OTHER = "#366980", "#b0611f"
_BAR_IN = 0.34
_MOST_POINTS = 700
"""Along one side of a picture: finer maps are thinned by block means."""


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def shares(lots: Lots) -> bytes | None:
    """Share of the variance of every component; None where it is not split."""
    found = lots.split
    if found is None:
        return None
    rows = found.components
    height = 0.85 + _BAR_IN * len(rows)

    def draw(figure: Figure) -> None:
        ax = figure.add_axes((0.37, 0.5 / height, 0.58, (height - 0.6) / height))
        for place, one in enumerate(rows):
            part = one.name.startswith("machine ")
            colour = _FIXED if one.name.split()[0] in ("machine", "lite", "either") else _OTHER
            value = 100 * one.share
            ax.barh(
                place, value, 0.36 if part else 0.6, edgecolor=colour, linewidth=0.9, zorder=2,
                facecolor=colour if one.shown else house.PAPER,
            )  # fmt: skip
            ends = [100 * end for end in one.share_interval]
            ax.plot(ends, [place, place], color=house.INK, linewidth=1.0, zorder=3)
            for end in ends:
                ax.plot([end, end], [place - 0.14, place + 0.14], color=house.INK, lw=1.0, zorder=3)
        ax.axvline(0, color=house.GREYS[1], linewidth=0.7)
        ax.set_ylim(len(rows) - 0.4, -0.6)
        names = [("      " if one.name.startswith("machine ") else "") + NAMES[one.name]
                 for one in rows]  # fmt: skip
        ax.set_yticks(range(len(rows)), names)
        for label in ax.get_yticklabels():
            label.set_horizontalalignment("left")
        ax.tick_params(axis="y", length=0, pad=168)
        ax.set_xlabel("Share of the variance / %")
        ax.spines[["top", "right", "left"]].set_visible(False)

    return _png((7.3, height), draw)


def frame_map(
    values: Floats, frame: Frame, *, title: str, unit: str,
    kind: Literal["amount", "signed", "difference", "share"], on_machine: bool,
    spots: tuple[Spot, ...] = (), ends: tuple[float, float] | None = None,
) -> bytes | None:  # fmt: skip
    """One map; None where it has no value.

    kind   "amount" and "signed" take the range of the map, but for the outermost 0.5 % at either
           end; "difference" the same to either side of zero; "share" 0 to 100 %
    ends   of the scale, instead
    """
    if not np.isfinite(values).any():
        return None
    shown = 100 * values if kind == "share" else values
    used_x, used_y = _extent(values)
    shown = shown[used_x, used_y]
    x, y = frame.x_mm[used_x], frame.y_mm[used_y]
    half = frame.pitch_mm / 2
    box = (x[0] - half, x[-1] + half, y[0] - half, y[-1] + half)
    shown = _thinned(shown)
    low, high = ends or _ends(shown, kind)
    span_x, span_y = box[1] - box[0], box[3] - box[2]
    width = 5.6
    height = min(4.2, max(1.0, width * span_y / span_x))
    width = min(width, height * span_x / span_y)
    size = (width + 1.75, height + 0.85)

    def draw(figure: Figure) -> None:
        ax = figure.add_axes(
            (0.72 / size[0], 0.48 / size[1], width / size[0], height / size[1])
        )
        ax.set_facecolor(house.PAPER)
        scale: house.Scale = "amount" if kind in ("amount", "share") else "signed"
        image = ax.imshow(
            shown.T, origin="lower", extent=box, aspect="equal", interpolation="nearest",
            cmap=house.colour_map(scale), vmin=low, vmax=high,
        )  # fmt: skip
        for number, one in enumerate(spots, start=1):
            _mark(ax, number, one)
        where = ("along the machine", "across the machine") if on_machine else (
            "from the leading edge", "from the left-hand edge"
        )  # fmt: skip
        ax.set_xlabel(f"{where[0]} / mm")
        ax.set_ylabel(f"{where[1] if height > 1.6 else where[1].split()[0]} / mm")
        ax.set_title(title)
        ax.locator_params(axis="y", nbins=max(3, int(height * 2.5)))
        bar = figure.colorbar(
            image, cax=figure.add_axes(
                ((0.72 + width + 0.14) / size[0], 0.48 / size[1], 0.15 / size[0], height / size[1])
            ),
        )  # fmt: skip
        bar.set_label(unit)
        bar.ax.locator_params(nbins=max(3, int(height * 2)))
        bar.outline.set_linewidth(0.7)

    return _png(size, draw)


def _mark(ax: Any, number: int, one: Spot) -> None:
    from matplotlib.patches import Ellipse

    ring = Ellipse(
        (one.x_mm, one.y_mm), one.length_mm * 1.3 + 25, one.width_mm * 1.3 + 25, fill=False,
        edgecolor=house.INK, linewidth=1.0, linestyle="solid" if one.persistent else "dashed",
    )  # fmt: skip
    ax.add_patch(ring)
    if not one.persistent:
        return
    ax.annotate(
        str(number), (one.x_mm, one.y_mm + one.width_mm * 0.65 + 12), xytext=(0, 2),
        textcoords="offset points", ha="center", va="bottom", fontsize=7.5, color=house.INK,
        bbox={"boxstyle": "round,pad=0.12", "facecolor": house.PAPER, "edgecolor": "none",
              "alpha": 0.8},
    )  # fmt: skip


def _extent(values: Floats) -> tuple[slice, slice]:
    """Rows and columns that hold a value, and what lies between."""
    found = np.isfinite(values)
    rows, columns = np.flatnonzero(found.any(axis=1)), np.flatnonzero(found.any(axis=0))
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def _thinned(values: Floats) -> Floats:
    step = max(1, -(-max(values.shape) // _MOST_POINTS))
    if step == 1:
        return values
    nx, ny = (-(-size // step) for size in values.shape)
    padded = np.full((nx * step, ny * step), np.nan)
    padded[: values.shape[0], : values.shape[1]] = values
    blocks = padded.reshape(nx, step, ny, step)
    count = np.isfinite(blocks).sum(axis=(1, 3))
    total = np.nansum(blocks, axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _ends(values: Floats, kind: str) -> tuple[float, float]:
    if kind == "share":
        return 0.0, 100.0
    found = values[np.isfinite(values)]
    low, high = (float(end) for end in np.quantile(found, (0.005, 0.995)))
    if kind == "difference":
        high = max(abs(low), abs(high))
        low = -high
    if high <= low:
        pad = max(abs(high) * 0.01, 1e-9)
        low, high = low - pad, high + pad
    return low, high


def levels(lots: Lots) -> bytes | None:
    """Mean of the field over each lite, in order of time; the change of the whole lite."""
    values = np.array([lite.mean for lite in lots.lites])
    if np.isfinite(values).sum() < 2:
        return None

    def draw(figure: Figure) -> None:
        ax = figure.add_axes((0.1, 0.2, 0.87, 0.68))
        numbers = np.arange(1, values.size + 1)
        ax.plot(
            numbers, values, linestyle="none", marker=".", color=_FIXED,
            markersize=4.5 if values.size < 300 else 2.0,
        )  # fmt: skip
        whole = lots.changes[0] if lots.changes else None
        if whole is not None and whole.shown and whole.first is not None and lots.time_known:
            for start, end, level in (
                (0.5, whole.first + 0.5, whole.before),
                (whole.first + 0.5, values.size + 0.5, whole.after),
            ):
                ax.plot([start, end], [level, level], color=house.INK, linewidth=1.3)
            ax.axvline(whole.first + 0.5, color=_OTHER, linewidth=1.0, linestyle="dashed")
        ax.set_xlim(0.5, values.size + 0.5)
        ax.set_xlabel("Lite, in order of " + ("time" if lots.time_known else "name"))
        ax.set_ylabel(f"Mean / {lots.units}")
        ax.set_title("Level of each lite")
        ax.spines[["top", "right"]].set_visible(False)

    return _png((7.3, 2.5), draw)
