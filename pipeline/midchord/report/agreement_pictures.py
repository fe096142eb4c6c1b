"""Pictures of scan against gauge: what a reader of a method comparison looks for.

``differences``  scan less gauge over their mean: bias, limits of agreement with their intervals,
                 and the tolerance. Shows what a correlation hides.
``lines``        scan over gauge: identity, Deming's and Passing-Bablok's line
``people``       the differences by operator and by lite, one dot each
``places``       where on the lite the differences are, over the map of the gauge's twin

People are told apart by shape as well as by colour; a difference is drawn upwards where the scan
reads more and downwards where it reads less, so nothing hangs on a colour. The same pairs give the
same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from midchord.report import house_style as house
from midchord.report.house_style import shown
from midchord.report.map_marks import add_frame
from midchord.statistics.comparison import Comparison
from midchord.surveying.twin_field import TwinField

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["QUANTITY_NAMES", "differences", "lines", "people", "places"]

QUANTITY_NAMES = {
    "singles": "single readings",
    "swings": "swings of the dial",
    "distortion": "distortion of the half waves",
}

_COLOURS = ("#366980", "#b0611f", "#762646", house.INK, house.GREYS[1])
_SHAPES = ("o", "^", "s", "D", "v", "P", "X")
_MOST_NAMED = 6
_MOST_LITES = 24
_BAND = "#c9dbe4"
_DPI = 150
_MAP_IN, _AROUND_MAP_IN, _BELOW_MAP_IN = 4.9, 1.45, 0.72

Floats = npt.NDArray[np.float64]


def differences(comparison: Comparison) -> bytes:
    """Scan less gauge over the mean of both, with bias, limits, their intervals, tolerance."""
    return _png((7.3, 3.0), lambda figure: _differences(figure, comparison))


def lines(comparison: Comparison) -> bytes:
    """Scan over gauge with identity and both regression lines; equal scales on both axes."""
    return _png((4.3, 3.7), lambda figure: _lines(figure, comparison))


def people(comparison: Comparison) -> bytes:
    """Differences by operator; with several lites also by lite."""
    return _png((4.3, 3.7), lambda figure: _people(figure, comparison))


def places(comparison: Comparison, twin: TwinField) -> bytes:
    """Differences at their places on one lite, the readings of the twin behind them."""
    height = _AROUND_MAP_IN + _MAP_IN * twin.width_mm / twin.length_mm
    return _png((7.3, min(height, 7.5)), lambda figure: _places(figure, comparison, twin))


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _columns(comparison: Comparison) -> tuple[Floats, Floats]:
    table = comparison.table
    return table["gauge"].to_numpy(float), table["scan"].to_numpy(float)


def _by_label(labels: Sequence[str]) -> dict[str, npt.NDArray[np.intp]]:
    names = np.asarray(labels, dtype=object)
    return {str(name): np.flatnonzero(names == name) for name in dict.fromkeys(labels)}


def _scatter(ax: Axes, x: Floats, y: Floats, operators: Sequence[str]) -> int:
    """The pairs, a shape and a colour for each person; returns how many are named."""
    groups = _by_label(operators)
    named = len(groups) <= _MOST_NAMED
    for number, (name, rows) in enumerate(groups.items()):
        ax.plot(
            x[rows], y[rows], _SHAPES[number % len(_SHAPES)] if named else "o", markersize=4.2,
            markerfacecolor="none", markeredgewidth=0.9, zorder=3,
            markeredgecolor=_COLOURS[number % len(_COLOURS)] if named else _COLOURS[0],
            label=house.printable(name, 24) if named else None,
        )  # fmt: skip
    return len(groups) if named else 0


def _legend(ax: Axes, columns: int) -> None:
    _, labels = ax.get_legend_handles_labels()
    if labels:
        ax.legend(
            loc="lower left", bbox_to_anchor=(0, 1.0), ncol=columns, frameon=False, fontsize=7.0,
            handlelength=1.8, columnspacing=1.3, handletextpad=0.5, borderaxespad=0.2,
        )  # fmt: skip


def _quiet(ax: Axes) -> None:
    ax.spines[["top", "right"]].set_visible(False)
    ax.locator_params(nbins=6)


def _differences(figure: Figure, comparison: Comparison) -> None:
    gauge, scan = _columns(comparison)
    found, unit = comparison.agreement, comparison.unit
    ax = figure.add_axes((0.115, 0.16, 0.68, 0.74))
    named = _scatter(ax, (scan + gauge) / 2, scan - gauge, comparison.table["operator"].tolist())
    doubt = (found.bias_ci.high - found.bias_ci.low) / 4
    rows: list[tuple[float, tuple[float, float], str, str]] = [
        (found.bias, found.bias_ci, "solid", "bias"),
        (found.limits.high, found.limits.high_ci, "dashed", "upper limit"),
        (found.limits.low, found.limits.low_ci, "dashed", "lower limit"),
    ]
    marks: list[tuple[float, str]] = []
    for value, interval, dashes, name in rows:
        if not math.isfinite(value):
            continue
        if all(map(math.isfinite, interval)):
            ax.axhspan(*interval, facecolor=_BAND, alpha=0.55, linewidth=0, zorder=0)
        ax.axhline(value, color=house.INK, linewidth=1.1, linestyle=dashes, zorder=2)
        marks.append((value, f"{name} {shown(value, doubt)}"))
    ax.axhline(0.0, color=house.GREYS[2], linewidth=0.7, zorder=1)
    reach = float(np.abs([*ax.get_ylim()]).max())
    tolerance = found.tolerance
    beyond = tolerance is not None and tolerance > 6 * reach
    if tolerance is not None and not beyond:
        for sign in (1, -1):
            ax.axhline(sign * tolerance, color="#762646", linewidth=1.4, linestyle="dotted")
            marks.append((sign * tolerance, f"tolerance {sign * tolerance:g}".replace("-", "−")))
    ax.margins(x=0.03, y=0.07)
    ax.autoscale_view()
    _names_beside(ax, marks)
    if beyond:
        ax.annotate(
            f"tolerance ±{tolerance:g} {unit}: beyond this picture", (1, 1), ha="right",
            xytext=(0, 3), xycoords="axes fraction", textcoords="offset points", fontsize=7.0,
        )  # fmt: skip
    ax.set_xlabel(f"mean of scan and gauge / {unit}")
    ax.set_ylabel(f"scan − gauge / {unit}")
    _quiet(ax)
    _legend(ax, max(1, named))


def _names_beside(ax: Axes, marks: Sequence[tuple[float, str]]) -> None:
    """Names of the lines at the right, moved apart where they would lie on one another."""
    low, high = ax.get_ylim()
    step = 0.062 * (high - low)
    ordered = sorted(marks)
    at = [value for value, _ in ordered]
    for _ in range(60):  # pushes neighbours apart, both by half
        for k in range(len(at) - 1):
            short = step - (at[k + 1] - at[k])
            if short > 0:
                at[k] -= short / 2
                at[k + 1] += short / 2
    ax.set_ylim(min(low, at[0] - step / 2), max(high, at[-1] + step / 2))
    for (value, text), place in zip(ordered, at, strict=True):
        ax.annotate(
            text, (1.0, value), xycoords=("axes fraction", "data"), xytext=(1.045, place),
            textcoords=("axes fraction", "data"), va="center", fontsize=7.5, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "linewidth": 0.5, "color": house.GREYS[1],
                        "shrinkA": 1, "shrinkB": 0},
        )  # fmt: skip


def _lines(figure: Figure, comparison: Comparison) -> None:
    gauge, scan = _columns(comparison)
    unit = comparison.unit
    ax = figure.add_axes((0.17, 0.125, 0.8, 0.74))
    low = float(min(gauge.min(), scan.min()))
    high = float(max(gauge.max(), scan.max()))
    room = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    ends = np.array([low - room, high + room])
    ax.plot(ends, ends, color=house.GREYS[1], linewidth=4.5, alpha=0.4, label="identity")
    for line, dashes, colour, name in (
        (comparison.deming, "solid", "#762646", "Deming"),
        (comparison.passing_bablok, "dashed", house.INK, "Passing-Bablok"),
    ):
        if line is not None and math.isfinite(line.slope) and math.isfinite(line.intercept):
            ax.plot(
                ends, line.intercept + line.slope * ends, color=colour, linewidth=1.1,
                linestyle=dashes, label=name,
            )  # fmt: skip
    _scatter(ax, gauge, scan, comparison.table["operator"].tolist())
    ax.set_xlim(*ends)
    ax.set_ylim(*ends)
    ax.set_aspect("equal")
    ax.set_xlabel(f"gauge / {unit}")
    ax.set_ylabel(f"scan / {unit}")
    _quiet(ax)
    _legend(ax, 3)


def _people(figure: Figure, comparison: Comparison) -> None:
    gauge, scan = _columns(comparison)
    difference = scan - gauge
    panels = [("operator", comparison.table["operator"].tolist())]
    lites = comparison.table["lite_id"].tolist()
    if 1 < len(set(lites)) <= _MOST_LITES:
        panels.append(("lite", lites))
    axes = figure.subplots(
        len(panels), 1, sharex=True, squeeze=False,
        gridspec_kw={"height_ratios": [len(set(labels)) + 0.6 for _, labels in panels]},
    )[:, 0]  # fmt: skip
    figure.subplots_adjust(left=0.27, right=0.94, top=0.93, bottom=0.125, hspace=0.22)
    found = comparison.agreement
    for ax, (what, labels) in zip(axes, panels, strict=True):
        groups = _by_label(labels)
        for number, rows in enumerate(groups.values()):
            values = difference[rows]
            shape = _SHAPES[number % len(_SHAPES)] if what == "operator" else "o"
            ax.plot(
                values, number + _spread(values), shape, markersize=3.6, markerfacecolor="none",
                markeredgecolor=_COLOURS[number % len(_COLOURS)], markeredgewidth=0.8, zorder=3,
            )  # fmt: skip
            ax.plot(
                [values.mean()] * 2, [number - 0.36, number + 0.36], color=house.INK,
                linewidth=1.6, zorder=4,
            )  # fmt: skip
        ax.axvline(found.bias, color=house.GREYS[1], linewidth=0.9)
        for limit in (found.limits.low, found.limits.high):
            if math.isfinite(limit):
                ax.axvline(limit, color=house.GREYS[1], linewidth=0.9, linestyle="dashed")
        ax.set_yticks(range(len(groups)), [house.printable(name, 16) for name in groups])
        ax.set_ylim(len(groups) - 0.4, -0.6)
        ax.set_title(f"by {what}", fontsize=8.5)
        ax.spines[["top", "right"]].set_visible(False)
        ax.locator_params(axis="x", nbins=6)
    axes[-1].set_xlabel(f"scan − gauge / {comparison.unit}  (bar: mean)")


def _spread(values: Floats) -> Floats:
    """Places across the row by rank, so that dots do not hide one another; not drawn at random."""
    order = np.argsort(np.argsort(values, kind="stable"), kind="stable")
    return np.asarray(((order * 0.618034) % 1.0 - 0.5) * 0.5, dtype=np.float64)


def _places(figure: Figure, comparison: Comparison, twin: TwinField) -> None:
    table = comparison.table[comparison.table["lite_id"] == twin.lite_id]
    difference = (table["scan"] - table["gauge"]).to_numpy(float)
    x, y = table["x_mm"].to_numpy(float), table["y_mm"].to_numpy(float)
    wide, high = figure.get_size_inches()
    box_w = min(_MAP_IN, (high - _AROUND_MAP_IN) * twin.length_mm / twin.width_mm)
    box_h = box_w * twin.width_mm / twin.length_mm
    ax = figure.add_axes((0.78 / wide, _BELOW_MAP_IN / high, box_w / wide, box_h / high))
    beside = (0.78 + box_w + 0.42) / wide
    bar = figure.add_axes((beside, _BELOW_MAP_IN / high, 0.15 / wide, box_h / high))
    image = _twin_map(ax, twin)
    colours = figure.colorbar(image, cax=bar)
    colours.outline.set_linewidth(0.5)
    bar.set_title("twin / mm", fontsize=7.5, loc="left", pad=6)
    largest = float(np.abs(difference).max(initial=0.0)) or 1.0
    for sign, shape in ((1, "^"), (-1, "v")):
        rows = difference >= 0 if sign > 0 else difference < 0
        area = 12 + 130 * np.abs(difference[rows]) / largest
        ax.scatter(
            x[rows], y[rows], s=area, marker=shape, facecolor=house.PAPER, edgecolor=house.INK,
            linewidth=0.8, zorder=5, alpha=0.9,
        )  # fmt: skip
    add_frame(ax, twin.length_mm, twin.width_mm)
    _size_legend(ax, largest, comparison.unit)
    figure.text(
        0.2 / wide, 1 - 0.2 / high, f"Lite {house.printable(twin.lite_id)}", fontsize=9.5,
        parse_math=False,
    )  # fmt: skip


def _twin_map(ax: Axes, twin: TwinField) -> Any:
    from matplotlib.patches import Rectangle

    ax.add_patch(
        Rectangle(
            (0, 0), twin.length_mm, twin.width_mm, facecolor=house.NO_VALUE,
            edgecolor=house.NO_VALUE_HATCH, hatch="/////", linewidth=0, zorder=0,
        )
    )  # fmt: skip
    x, y = twin.x_mm, twin.y_mm
    half_x, half_y = (x[1] - x[0]) / 2, (y[1] - y[0]) / 2
    step = max(1, -(-max(twin.reading_mm.shape) // 1200))
    low, high = house.scale_ends(twin.reading_mm, house.FIGURES["reading"])
    return ax.imshow(
        np.ma.masked_invalid(twin.reading_mm[::step, ::step].T), origin="lower",
        extent=(x[0] - half_x, x[-1] + half_x, y[0] - half_y, y[-1] + half_y),
        cmap=house.colour_map("signed"), vmin=low, vmax=high, interpolation="nearest", zorder=1,
    )  # fmt: skip


def _size_legend(ax: Axes, largest: float, unit: str) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.transforms import ScaledTranslation

    figure = ax.figure
    entries = []
    for share in (1.0, 0.3):
        size = math.sqrt(12 + 130 * share)
        text = f"{shown(share * largest, largest / 20)} {unit}"
        for shape, sign in (("^", "more"), ("v", "less")):
            entries.append(
                Line2D(
                    [], [], marker=shape, linestyle="none", markersize=size, label=f"{text} {sign}",
                    markerfacecolor=house.PAPER, markeredgecolor=house.INK, markeredgewidth=0.8,
                )
            )  # fmt: skip
    below = ax.transAxes + ScaledTranslation(0, -0.47, figure.dpi_scale_trans)
    ax.legend(
        handles=entries, loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=below, ncol=4,
        frameon=False, fontsize=7.5, columnspacing=1.6, handletextpad=0.4, borderaxespad=0,
        borderpad=0,
    )  # fmt: skip
