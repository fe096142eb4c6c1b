"""The centre line with its peaks and valleys, and the histogram of a figure.

The centre line is what a person with a hand gauge would have walked: the reading, its turning
points, and under each half wave its depth W and its wavelength L, as they would be noted by hand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from midchord.report import house_style as house
from midchord.report.house_style import FigureStyle
from midchord.report.map_marks import travel_arrow
from midchord.report.result import clear_values, edge_zone_x_mm, size_mm, summary_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_centre_line", "draw_histogram", "turning_points"]

_WIDTH_IN = 8.6
BINS = 60


def turning_points(summary: dict[str, Any]) -> list[tuple[float, bool]]:
    """Positions along the centre line in mm, and whether each is a peak."""
    points: dict[float, bool] = {}
    for wave in (summary.get("centre_line") or {}).get("half_waves") or []:
        points.setdefault(wave["x_from_mm"], not wave["rising"])
        points[wave["x_to_mm"]] = bool(wave["rising"])
    return sorted(points.items())


def draw_centre_line(maps: xr.Dataset, *, dpi: float = 200.0) -> Figure:
    """Reading and height residual along the centre line; W and L of each half wave between."""
    from matplotlib.figure import Figure

    summary = summary_of(maps)
    length, _ = size_mm(maps)
    waves = (summary.get("centre_line") or {}).get("half_waves") or []
    figure = Figure(figsize=(_WIDTH_IN, 4.9), dpi=dpi)
    reading = figure.add_axes((0.095, 0.565, 0.88, 0.285))
    table = figure.add_axes((0.095, 0.355, 0.88, 0.195))
    residual = figure.add_axes((0.095, 0.105, 0.88, 0.235))
    y_mm = (summary.get("centre_line") or {}).get("y_mm")
    where = f", y = {y_mm:.0f} mm" if y_mm is not None else ""
    figure.text(0.022, 0.95, f"Centre line{where}", fontsize=11)
    x = maps["centre_x"].values
    thin: dict[str, Any] = {"linewidth": 0.7, "color": house.GREYS[2], "zorder": 1}
    reading.plot(x, maps["centre_reading"].values, label="as swept", **thin)
    smooth = maps["centre_reading_smooth"].values.astype(np.float64)
    reading.plot(x, smooth, color=house.INK, linewidth=1.2, label="pooled and smoothed", zorder=2)
    residual.plot(x, maps["centre_residual"].values, color=house.GREYS[0], linewidth=0.8)
    _mark_turns(reading, summary, x, smooth)
    edge = edge_zone_x_mm(maps)
    for ax, name in ((reading, "reading / mm"), (residual, "residual / mm")):
        ax.axhline(0.0, color=house.GREYS[1], linewidth=0.6, zorder=0)
        ax.set_ylabel(name)
        ax.set_xlim(0, length)
        ax.spines[["top", "right"]].set_visible(False)
        ax.locator_params(axis="y", nbins=5)
        for start in (0.0, length - edge):
            if edge > 0:
                ax.axvspan(start, start + edge, facecolor=house.GREYS[3], alpha=0.45, zorder=-1)
    reading.tick_params(labelbottom=False)
    residual.set_xlabel("x from the leading edge / mm  (grey: edge zones)")
    if waves:
        # the handles and the marks sit above the axes, clear of the curve
        reading.legend(
            loc="lower right", bbox_to_anchor=(1, 1.0), ncol=4, frameon=False, fontsize=7.5,
            handlelength=1.6, columnspacing=1.3, borderaxespad=0.3,
        )  # fmt: skip
    travel_arrow(reading)
    _half_wave_strip(table, waves, length)
    return figure


def _mark_turns(ax: Axes, summary: dict[str, Any], x: Any, smooth: Any) -> None:
    points = turning_points(summary)
    known = np.isfinite(smooth)
    if not points or not known.any():
        return
    for is_peak, marker, label in ((True, "^", "peak"), (False, "v", "valley")):
        at = np.array([position for position, peak in points if peak == is_peak])
        heights = np.interp(at, x[known], smooth[known])
        ax.plot(
            at, heights, marker, markersize=5.5, label=label, zorder=3,
            markerfacecolor=house.PAPER if is_peak else house.INK, markeredgecolor=house.INK,
            markeredgewidth=0.9,
        )  # fmt: skip


def _half_wave_strip(ax: Axes, waves: list[dict[str, Any]], length: float) -> None:
    """Two rows of numbers, each under its half wave."""
    ax.set_xlim(0, length)
    ax.set_ylim(0, 2)
    ax.set_axis_off()
    if not waves:
        ax.text(
            0.5, 0.5, "no half wave above the detection bound", ha="center", va="center",
            transform=ax.transAxes, fontsize=8, color=house.GREYS[0],
        )  # fmt: skip
        return
    room_in = min(w["x_to_mm"] - w["x_from_mm"] for w in waves) / length * 0.88 * _WIDTH_IN
    turn = 0 if room_in > 0.34 else 90
    for row, key, doubt, name in (
        (1.5, "depth_mm", "u_depth_mm", "W / mm"),
        (0.5, "wavelength_mm", "u_wavelength_mm", "L / mm"),
    ):
        ax.annotate(
            name, (0, row), xytext=(-6, 0), textcoords="offset points", ha="right", va="center",
            fontsize=7.5, annotation_clip=False,
        )  # fmt: skip
        for wave in waves:
            value = wave.get(key)
            text = "–" if value is None else house.shown(value, wave.get(doubt))
            middle = (wave["x_from_mm"] + wave["x_to_mm"]) / 2
            ax.text(
                middle, row, text, ha="center", va="center", rotation=turn,
                fontsize=6.8 if room_in > 0.1 else 5.5,
            )  # fmt: skip
    for position, _ in turning_points({"centre_line": {"half_waves": waves}}):
        ax.axvline(position, ymin=0.02, ymax=0.98, color=house.GREYS[3], linewidth=0.6)


def draw_histogram(
    maps: xr.Dataset, style: FigureStyle, *, limit: float | None = None, dpi: float = 200.0
) -> Figure:
    """Share of the clear area by value, with the 95th percentile, the largest and the limit."""
    from matplotlib.figure import Figure

    summary = summary_of(maps).get(style.summary or "") or {}
    clear = clear_values(maps, style.name)
    values = clear[np.isfinite(clear)]
    figure = Figure(figsize=(_WIDTH_IN * 0.75, 2.7), dpi=dpi)
    ax = figure.add_axes((0.105, 0.19, 0.865, 0.575))
    figure.text(0.03, 0.92, style.title, fontsize=11)
    ax.spines[["top", "right"]].set_visible(False)
    unit = f" / {style.unit}" if style.unit else ""
    ax.set_xlabel(f"{style.title}{unit}")
    ax.set_ylabel("share of clear area / %")
    total = int((maps["zone"].values == 0).sum())
    if values.size == 0:
        ax.set_xlim(0, 1)
        ax.set_xticks([])
        ax.set_yticks([])
        ax.text(0.5, 0.5, "no value anywhere", ha="center", va="center", transform=ax.transAxes)
        return figure
    marks = [("95 %", summary.get("p95"), summary.get("u_max"), "dashed")]
    marks.append(("largest", summary.get("max"), summary.get("u_max"), "dotted"))
    if limit is not None:
        marks.append(("limit", limit, None, "solid"))
    known = [value for _, value, _, _ in marks if value is not None]
    low = 0.0 if style.scale == "amount" else float(values.min())
    high = max([float(values.max()), *known])
    high += 0.04 * (high - low) if high > low else 1.0
    weights = np.full(values.size, 100.0 / max(total, 1))
    ax.hist(values, bins=BINS, range=(low, high), weights=weights, color=house.GREYS[2])
    ax.set_xlim(low, high)
    for name, value, doubt, dashes in marks:
        if value is None:
            continue
        solid = dashes == "solid"
        text = f"{value:g}" if solid else house.shown(value, doubt, finest=style.finest)
        ax.axvline(
            value, color=house.INK, linestyle=dashes, linewidth=1.8 if solid else 1.1,
            label=f"{name} {text}",
        )  # fmt: skip
    # the names stand above the axes, where no line can strike them through
    ax.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncol=3, frameon=False, fontsize=8,
        handlelength=2.2, columnspacing=1.6, borderaxespad=0.4,
    )  # fmt: skip
    if values.size < total:
        figure.text(
            0.97, 0.92, f"{100 * (1 - values.size / total):.1f} % of the clear area: no value",
            ha="right", fontsize=7.5, color=house.GREYS[1],
        )  # fmt: skip
    return figure
