"""What stands on and around a map: bar, outline, zones, worst point, names of the edges, legend.

None of it may hide what it explains: the marks are thin, dark on a pale line so that they show on
every colour, and the legend names exactly the marks that are there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.report import house_style as house
from midchord.report.house_style import FigureStyle
from midchord.report.result import CLEAR, EDGE, size_mm, worst_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "add_bar",
    "add_frame",
    "add_legend",
    "add_lines",
    "add_paper",
    "add_worst",
    "root_figure",
    "travel_arrow",
]


def root_figure(ax: Axes) -> Figure:
    """The figure that the axes stand in."""
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the axes belong to no figure")
    return figure


def travel_arrow(ax: Axes) -> None:
    """An arrow to the left above the axes: the leading edge goes first."""
    from matplotlib.transforms import ScaledTranslation

    figure = root_figure(ax)
    tip, tail = (
        ax.transAxes + ScaledTranslation(right / 72, 21 / 72, figure.dpi_scale_trans)
        for right in (0, 28)
    )
    ax.annotate(
        "", (0, 1), xytext=(0, 1), xycoords=tip, textcoords=tail, annotation_clip=False,
        arrowprops={"arrowstyle": "-|>", "color": house.INK, "linewidth": 1.1, "shrinkA": 0,
                    "shrinkB": 0, "mutation_scale": 9},
    )  # fmt: skip
    ax.annotate(
        "travel", (0, 1), xytext=(32, 21), xycoords="axes fraction", textcoords="offset points",
        ha="left", va="center", fontsize=8, color=house.INK,
    )  # fmt: skip


def add_bar(
    image: Any,
    ax: Axes,
    bar: Axes | None,
    style: FigureStyle,
    *,
    limit: float | None,
    values: npt.NDArray[np.float64],
) -> None:
    """The colour bar: unit, convention, limit and zero marked; pointed where values exceed it."""
    from matplotlib.ticker import MaxNLocator

    low, high = image.get_clim()
    finite = values[np.isfinite(values)]
    over, under = bool((finite > high).any()), bool((finite < low).any())
    extend = {(0, 0): "neither", (1, 0): "max", (0, 1): "min", (1, 1): "both"}[(over, under)]
    figure = root_figure(ax)
    colours = (
        figure.colorbar(image, cax=bar, extend=extend)
        if bar is not None
        else figure.colorbar(image, ax=ax, extend=extend, shrink=0.8)
    )
    colours.outline.set_linewidth(0.5)
    if colours.solids is not None:
        colours.solids.set_edgecolor("face")
    ticks = [t for t in MaxNLocator(5).tick_values(low, high) if low <= t <= high]
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = max(0, -int(np.floor(np.log10(step) + 1e-9)))
    marked = limit is not None and low < limit < high
    labels = [f"{t:.{digits}f}".replace("-", "−") for t in ticks]
    if marked and limit is not None:
        for at in (limit, -limit) if style.scale == "signed" else (limit,):
            ticks = [t for t in ticks if abs(t - at) > 0.07 * (high - low)]
            colours.ax.axhline(at, color=house.PAPER, linewidth=3.2)
            colours.ax.axhline(at, color=house.INK, linewidth=1.6)
        labels = [f"{t:.{digits}f}".replace("-", "−") for t in ticks]
        ticks.append(limit)
        labels.append(f"limit {limit:g}")
    if style.scale == "signed":
        colours.ax.axhline(0.0, color=house.PAPER, linewidth=2.2)
        colours.ax.axhline(0.0, color=house.INK, linewidth=0.9)
    colours.set_ticks(ticks, labels=labels)
    if marked:
        colours.ax.get_yticklabels()[-1].set_fontweight("bold")
    named = house.CONVENTION_NAMES.get(style.convention or "", "").replace(" ", "\n")
    heading = "\n".join(part for part in (named, style.unit or "ratio") if part)
    colours.ax.set_title(heading, fontsize=8, pad=9, loc="left", linespacing=1.15)


def add_paper(
    no_glass: npt.NDArray[np.bool_], ax: Axes, extent: tuple[float, float, float, float]
) -> None:
    """Paper where there is no glass."""
    from matplotlib.colors import to_rgb

    sheet = np.ones((*no_glass.T.shape, 4))
    sheet[..., :3] = to_rgb(house.PAPER)
    sheet[..., 3] = no_glass.T
    if no_glass.any():
        ax.imshow(sheet, origin="lower", extent=extent, interpolation="nearest", zorder=1.5)


def add_lines(maps: xr.Dataset, ax: Axes, no_glass: npt.NDArray[np.bool_]) -> None:
    """Outline of holes and notches, boundary of the clear zone and of the edge zone."""
    zone = maps["zone"].values
    step = max(1, max(zone.shape) // 1500)
    x, y = maps["x"].values[::step], maps["y"].values[::step]
    for mask, dashes in (
        (zone == CLEAR, "dashed"),
        ((zone == EDGE) & ~no_glass, "dotted"),
        (no_glass, "solid"),
    ):
        layer = mask[::step, ::step]
        if not layer.any() or layer.all():
            continue
        # a pale line under the dashes: they are seen on light and on dark
        for colour, style in ((house.PAPER, "solid"), (house.INK, dashes)):
            ax.contour(
                x, y, layer.T.astype(float), levels=[0.5], colors=[colour], linestyles=style,
                linewidths=1.0, zorder=3,
            )  # fmt: skip


def add_worst(maps: xr.Dataset, style: FigureStyle, ax: Axes, *, ring: float) -> None:
    """A ring at the worst clear point with its value, where large is bad."""
    worst = worst_of(maps, style)
    if worst is None:
        return
    length, width = size_mm(maps)
    at = (worst.x_mm, worst.y_mm)
    for colour, wide in ((house.PAPER, 3.4), (house.INK, 1.5)):
        ax.plot(
            *at, marker="o", markersize=ring, markerfacecolor="none", markeredgecolor=colour,
            markeredgewidth=wide, zorder=5,
        )  # fmt: skip
    right, high = worst.x_mm > 0.6 * length, worst.y_mm > 0.8 * width
    ax.annotate(
        f"{house.shown_with(worst.value, worst.uncertainty)} {style.unit}",
        at,
        xytext=(-11 if right else 11, -13 if high else 9),
        textcoords="offset points",
        ha="right" if right else "left",
        fontsize=8,
        bbox={"facecolor": house.PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.6},
        zorder=5,
    )


def add_frame(ax: Axes, length: float, width: float) -> None:
    """Outline, leading edge drawn heavier, edges named, travel."""
    from matplotlib.patches import Rectangle

    ax.add_patch(
        Rectangle((0, 0), length, width, fill=False, edgecolor=house.INK, linewidth=1.0, zorder=4)
    )
    ax.plot([0, 0], [0, width], color=house.INK, linewidth=3.0, solid_capstyle="butt", zorder=4)
    ax.set_aspect("equal")
    ax.set_xlim(-0.002 * length, 1.002 * length)
    ax.set_ylim(-0.002 * width, 1.002 * width)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.tick_params(length=3, pad=2)
    ax.locator_params(axis="x", nbins=7)
    ax.locator_params(axis="y", nbins=5)
    quiet: dict[str, Any] = {"fontsize": 8, "color": house.GREYS[0], "textcoords": "offset points"}
    for text, at, offset, ha, va, turn in (
        ("leading edge", (0, 0.5), (-36, 0), "right", "center", 90),
        ("trailing edge", (1, 0.5), (5, 0), "left", "center", 90),
        ("right-hand edge", (0.5, 1), (0, 4), "center", "bottom", 0),
        ("left-hand edge", (0, 0), (0, -17), "left", "top", 0),
        ("x / mm", (1, 0), (0, -17), "right", "top", 0),
        ("y / mm", (0, 1), (-6, 4), "right", "bottom", 0),
    ):
        ax.annotate(
            text, at, xytext=offset, xycoords="axes fraction", ha=ha, va=va, rotation=turn, **quiet
        )
    travel_arrow(ax)


def add_legend(maps: xr.Dataset, style: FigureStyle, ax: Axes) -> None:
    """The marks that are on this map; for a map of classes, their shares."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.transforms import ScaledTranslation

    line: dict[str, Any] = {"color": house.INK, "linewidth": 1.0}
    entries: list[Any] = []
    if style.scale == "classes":
        layer = maps[style.name]
        flags = np.asarray(layer.attrs["flag_values"]).ravel()
        names = str(layer.attrs["flag_meanings"]).split()
        for number, (flag, name) in enumerate(zip(flags[:-1], names[:-1], strict=True)):
            share = float((layer.values == flag).mean())
            label = f"{name} {100 * share:.1f} %"
            colour = house.CLASS_COLOURS[number]
            entries.append(Patch(facecolor=colour, edgecolor=house.GREYS[1], label=label))
    else:
        if worst_of(maps, style) is not None:
            entries.append(
                Line2D(
                    [], [], marker="o", linestyle="none", markersize=8, markerfacecolor="none",
                    markeredgecolor=house.INK, markeredgewidth=1.5,
                    label="worst clear point" if style.scale == "amount" else "largest clear point",
                )
            )  # fmt: skip
        entries.append(
            Patch(
                facecolor=house.NO_VALUE, edgecolor=house.NO_VALUE_HATCH, hatch="/////",
                linewidth=0.4, label=house.NO_VALUE_TEXT,
            )
        )  # fmt: skip
    zone = maps["zone"].values
    if (zone == CLEAR).any():
        entries.append(Line2D([], [], linestyle="dashed", label="clear zone", **line))
    if (zone == EDGE).any():
        entries.append(Line2D([], [], linestyle="dotted", label="edge zone", **line))
    figure = root_figure(ax)
    below = ax.transAxes + ScaledTranslation(0, -0.44, figure.dpi_scale_trans)
    ax.legend(
        handles=entries, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=below,
        borderaxespad=0, frameon=False, ncol=3 if style.scale == "classes" else 4, fontsize=7.5,
        handlelength=1.8, columnspacing=1.4, handletextpad=0.5, borderpad=0,
    )  # fmt: skip
