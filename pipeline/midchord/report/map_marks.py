"""What stands on and around a map: bar, outline, zones, limit, worst point, edges, legend.

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
from midchord.report.result import CLEAR, MapLimit, size_mm, summary_of, worst_of, zone_boxes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "add_bar",
    "add_cells",
    "add_frame",
    "add_legend",
    "add_limit",
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
    limit: MapLimit | None,
    values: npt.NDArray[np.float64],
) -> None:
    """The colour bar: unit, convention, limit and zero marked; pointed where values exceed it.

    The limit of one zone stands there with the name of the zone, that of a grid cell not at all:
    its outline on the map says it.
    """
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
    at_limit = None if limit is None or not (limit.is_general or limit.ends_mm) else limit.value
    marked = at_limit is not None and low < at_limit < high
    labels = [f"{t:.{digits}f}".replace("-", "−") for t in ticks]
    if marked and at_limit is not None and limit is not None:
        for at in (at_limit, -at_limit) if style.scale == "signed" else (at_limit,):
            ticks = [t for t in ticks if abs(t - at) > 0.13 * (high - low)]
            colours.ax.axhline(at, color=house.PAPER, linewidth=3.2)
            colours.ax.axhline(at, color=house.INK, linewidth=1.6)
        labels = [f"{t:.{digits}f}".replace("-", "−") for t in ticks]
        ticks.append(at_limit)
        where = "" if limit.is_general else f"\n{limit.zone} only"
        labels.append(f"limit {at_limit:g}{where}")
    if style.scale == "signed" and low < 0 < high and style.name != "height":
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
    """Outline of holes and notches, and boundary of the clear zone."""
    zone = maps["zone"].values
    step = max(1, max(zone.shape) // 1500)
    x, y = maps["x"].values[::step], maps["y"].values[::step]
    for mask, dashes in ((zone == CLEAR, "dashed"), (no_glass, "solid")):
        layer = mask[::step, ::step]
        if not layer.any() or layer.all():
            continue
        # a pale line under the dashes: they are seen on light and on dark
        for colour, style in ((house.PAPER, "solid"), (house.INK, dashes)):
            ax.contour(
                x, y, layer.T.astype(float), levels=[0.5], colors=[colour], linestyles=style,
                linewidths=1.0, zorder=3,
            )  # fmt: skip


def add_limit(
    maps: xr.Dataset,
    style: FigureStyle,
    ax: Axes,
    limit: MapLimit,
    *,
    values: npt.NDArray[np.float64],
    extent: tuple[float, float, float, float],
    dense: bool,
) -> bool:
    """Dots and a thin line around where the figure is over its limit; the zone of the limit.

    values   the map as it is drawn, (x, y), over ``extent``
    dense    a small picture, which needs closer dots
    returns  whether anything is over the limit
    """
    from matplotlib.patches import Rectangle

    boxes = [] if limit.is_general else zone_boxes(maps, limit.zone, limit.ends_mm)
    for number, (x0, y0, x1, y1) in enumerate(boxes):
        for colour, wide in ((house.PAPER, 3.0), (house.INK, 1.6)):
            ax.add_patch(
                Rectangle(
                    (x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor=colour, linewidth=wide,
                    zorder=3.5,
                )
            )  # fmt: skip
        if number == 0 and not limit.ends_mm:
            name = f"{house.printable(limit.zone)}: limit {limit.value:g} {style.unit}"
            ax.annotate(
                name, (x0, y1), xytext=(4, -4), textcoords="offset points", ha="left", va="top",
                fontsize=7.5, zorder=5, parse_math=False,
                bbox={"facecolor": house.PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 1.2},
            )  # fmt: skip
    steps = [(extent[2 * k + 1] - extent[2 * k]) / values.shape[k] for k in (0, 1)]
    x, y = (extent[2 * k] + steps[k] * (np.arange(values.shape[k]) + 0.5) for k in (0, 1))
    sizes = np.abs(values) if style.scale == "signed" else values
    if boxes:
        inside = np.zeros(values.shape, dtype=bool)
        for x0, y0, x1, y1 in boxes:
            inside |= ((x >= x0) & (x <= x1))[:, np.newaxis] & ((y >= y0) & (y <= y1))
        sizes = np.where(inside, sizes, np.nan)
    meanings = str(maps["zone"].attrs["flag_meanings"]).split()
    if not boxes and limit.zone in meanings:
        flags = maps["zone"].sel(
            x=xr.DataArray(x, dims="i"), y=xr.DataArray(y, dims="j"), method="nearest"
        )
        wanted = np.ravel(maps["zone"].attrs["flag_values"])[meanings.index(limit.zone)]
        sizes = np.where(flags.transpose("i", "j").values == wanted, sizes, np.nan)
    over = np.isfinite(sizes) & (sizes > limit.value)
    if not over.any() or min(values.shape) < 2:
        return False
    layer = over.T.astype(float)
    ax.contourf(
        x, y, layer, levels=[0.5, 1.5], colors="none", hatches=["....." if dense else "..."],
        zorder=2,
    )  # fmt: skip
    if not over.all():
        ax.contour(x, y, layer, levels=[0.5], colors=[house.INK], linewidths=0.6, zorder=2.5)
    return True


def add_cells(maps: xr.Dataset, ax: Axes) -> None:
    """The cells of the zone table, thin, with their names."""
    for cell in summary_of(maps).get("zones") or []:
        if cell["name"] in ("clear", "near", "edge"):
            continue
        x0, x1, y0, y1 = (cell[f"{k}_mm"] for k in ("x_from", "x_to", "y_from", "y_to"))
        ax.plot([x0, x1, x1], [y1, y1, y0], color=house.GREYS[0], linewidth=0.6, zorder=2)
        ax.text(
            (x0 + x1) / 2, (y0 + y1) / 2, house.printable(str(cell["name"])), ha="center",
            va="center", fontsize=8, parse_math=False, zorder=5,
        )  # fmt: skip


def add_worst(maps: xr.Dataset, style: FigureStyle, ax: Axes, *, ring: float) -> None:
    """A ring at the worst point with its value, where large is bad."""
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
        f"{house.shown_with(worst.value, worst.uncertainty, finest=style.finest)} {style.unit}",
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


def add_legend(
    maps: xr.Dataset,
    style: FigureStyle,
    ax: Axes,
    *,
    limit: MapLimit | None = None,
    is_over: bool = False,
    columns: int = 4,
) -> None:
    """The marks that are on this map; for a map of classes, their shares of the glass."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.transforms import ScaledTranslation

    line: dict[str, Any] = {"color": house.INK, "linewidth": 1.0}
    entries: list[Any] = []
    no_glass = maps["zone"].values == 255
    if style.scale == "classes":
        layer = maps[style.name]
        flags = np.asarray(layer.attrs["flag_values"]).ravel()
        names = str(layer.attrs["flag_meanings"]).split()
        for number, (flag, name) in enumerate(zip(flags[:-1], names[:-1], strict=True)):
            share = float((layer.values[~no_glass] == flag).mean()) if not no_glass.all() else 0.0
            label = f"{name} {100 * share:.1f} %"
            colour = house.CLASS_COLOURS[number]
            entries.append(Patch(facecolor=colour, edgecolor=house.GREYS[1], label=label))
    else:
        worst = worst_of(maps, style)
        if worst is not None:
            label = "worst point" if style.scale == "amount" else "largest point"
            entries.append(
                Line2D(
                    [], [], marker="o", linestyle="none", markersize=8, markerfacecolor="none",
                    markeredgecolor=house.INK, markeredgewidth=1.5,
                    label=f"{label}, {house.printable(worst.zone)}",
                )
            )  # fmt: skip
        if is_over and limit is not None:
            where = "" if limit.is_general else f", {house.printable(limit.zone)}"
            entries.append(
                Patch(
                    facecolor=house.PAPER, edgecolor=house.INK, hatch="....", linewidth=0.6,
                    label=f"over {limit.value:g} {style.unit}{where}",
                )
            )  # fmt: skip
        if limit is not None and not limit.is_general:
            name = f"zone {house.printable(limit.zone)}"
            entries.append(Line2D([], [], color=house.INK, linewidth=1.6, label=name))
        if (~np.isfinite(maps[style.name].values) & ~no_glass).any():
            entries.append(
                Patch(
                    facecolor=house.NO_VALUE, edgecolor=house.NO_VALUE_HATCH, hatch="/////",
                    linewidth=0.4, label=house.NO_VALUE_TEXT,
                )
            )  # fmt: skip
    zone = maps["zone"].values
    if (zone == CLEAR).any() and style.name != "zone":
        entries.append(Line2D([], [], linestyle="dashed", label="clear zone", **line))
    if no_glass.any():
        entries.append(Patch(facecolor=house.PAPER, edgecolor=house.INK, label="no glass"))
    figure = root_figure(ax)
    below = ax.transAxes + ScaledTranslation(0, -0.42, figure.dpi_scale_trans)
    ax.legend(
        handles=entries, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=below,
        borderaxespad=0, frameon=False, ncol=columns, fontsize=7.5, handlelength=1.8,
        columnspacing=1.4, handletextpad=0.5, borderpad=0,
    )  # fmt: skip
