"""Pictures of a trace: how much each part of the machine has to answer for, and where it shows.

``shares``    a bar for each candidate: share of depth and of distortion with their intervals; dark
              where it is shown, outlined where not
``spectrum``  density along the travel over the wavelength, with the waves found and the ranges in
              which the machine's periods lie
``areal``     density over the area: which way the waves run

Nothing hangs on a colour: what is shown is filled, what is not is an outline. The same trace gives
the same bytes.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from midchord.causes.attribution import Attributed
from midchord.report import house_style as house
from midchord.trace import Trace

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["areal", "shares", "spectrum"]

_DPI = 150
_DEPTH, _DISTORTION = "#366980", "#b0611f"
_MOST_BARS = 16
_BAR_IN = 0.34


def shares(trace: Trace) -> bytes:
    """Share of depth and of distortion of every candidate."""
    rows = trace.causes[:_MOST_BARS]
    return _png((7.3, 1.1 + _BAR_IN * max(1, len(rows))), lambda figure: _shares(figure, rows))


def spectrum(trace: Trace) -> bytes:
    """Density along the travel, waves and candidates."""
    return _png((7.3, 4.7), lambda figure: _spectrum(figure, trace))


def areal(trace: Trace) -> bytes | None:
    """Density over the area; None where there is none."""
    if trace.areal is None:
        return None
    return _png((4.6, 3.4), lambda figure: _areal(figure, trace))


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _shares(figure: Figure, rows: list[Attributed]) -> None:
    height = figure.get_figheight()
    low, tall = 0.5 / height, (height - 0.95) / height
    names = [house.printable(one.candidate.cause, 44) for one in rows]
    for left, title, colour, pick in (
        (0.345, "Share of the depth / %", _DEPTH, "depth"),
        (0.68, "Share of the distortion / %", _DISTORTION, "distortion"),
    ):
        ax = figure.add_axes((left, low, 0.295, tall))
        for place, one in enumerate(rows):
            value = 100 * getattr(one.share, pick)
            ends = [100 * end for end in getattr(one.share, f"{pick}_interval")]
            shown = one.verdict == "shown"
            ax.barh(
                place, value, 0.55, facecolor=colour if shown else house.PAPER, edgecolor=colour,
                linewidth=0.9, linestyle="dashed" if one.verdict == "agrees" else "solid", zorder=2,
            )  # fmt: skip
            ax.plot(ends, [place, place], color=house.INK, linewidth=1.0, zorder=3)
            for end in ends:
                ax.plot([end, end], [place - 0.14, place + 0.14], color=house.INK, lw=1.0, zorder=3)
        ax.set_ylim(len(rows) - 0.4, -0.6)
        ax.set_xlim(0, max(5.0, min(100.0, 1.06 * ax.get_xlim()[1])))
        ax.set_yticks(range(len(rows)), names if pick == "depth" else [""] * len(rows))
        ax.tick_params(axis="y", length=0)
        ax.set_title(title, fontsize=8.5)
        ax.spines[["top", "right"]].set_visible(False)
        ax.locator_params(axis="x", nbins=5)
    figure.text(
        0.345, 0.09 / height,
        "filled: shown   dashed: agrees   outline: not shown   line: interval",
        fontsize=7.2, color=house.GREYS[0],
    )  # fmt: skip


def _spectrum(figure: Figure, trace: Trace) -> None:
    ax = figure.add_axes((0.095, 0.105, 0.845, 0.52))
    found, search = trace.spectrum, trace.settings.search
    inside = (found.frequency >= 0.8 / search.longest_mm) & (
        found.frequency <= 1 / search.shortest_mm
    )
    length = 1 / found.frequency[inside]
    density = found.density[inside]
    fine = np.interp(found.frequency[inside], trace.fine.frequency, trace.fine.density)
    ax.plot(length, density, color=house.INK, linewidth=1.4, zorder=3)
    ax.plot(length, fine, color=_DISTORTION, linewidth=0.8, zorder=3)
    ax.set(xscale="log", yscale="log", xlim=(search.shortest_mm, 1.15 * search.longest_mm))
    low, high = float(density.min()), float(max(density.max(), fine.max()))
    ax.set_ylim(low / 1.6, high * 2.2)
    for one in trace.causes:
        candidate = one.candidate
        ax.axvspan(
            candidate.low_mm, candidate.high_mm, zorder=1, linewidth=0.4,
            facecolor=_DEPTH if one.verdict == "shown" else house.GREYS[3],
            edgecolor=_DEPTH if one.verdict == "shown" else house.GREYS[2],
            alpha=0.75 if one.verdict == "shown" else 0.55,
        )  # fmt: skip
    for wave in trace.waves:
        at = min(max(wave.period_mm, search.shortest_mm), search.longest_mm)
        ax.plot(
            at, high * 1.5, marker="v", color=house.INK, markersize=5.5, zorder=4, clip_on=False,
            markerfacecolor=house.INK if wave.own is None else house.PAPER, linestyle="none",
        )  # fmt: skip
    _name_periods(ax, trace)
    ticks = [30, 50, 70, 100, 150, 200, 300, 400, 500, 700]
    ticks = [tick for tick in ticks if search.shortest_mm <= tick <= 1.15 * search.longest_mm]
    ax.set_xticks(ticks, [str(tick) for tick in ticks])
    ax.minorticks_off()
    ax.set_xlabel("Wavelength along the travel / mm")
    ax.set_ylabel("Density / mm³")
    ax.spines[["top", "right"]].set_visible(False)


def _name_periods(ax: Axes, trace: Trace) -> None:
    """Names over the picture, moved apart, each with a line to its period."""
    rows = sorted(trace.causes, key=lambda one: one.candidate.period_mm)
    if not rows:
        return
    low, high = (math.log(end) for end in ax.get_xlim())
    where = np.array([(math.log(one.candidate.period_mm) - low) / (high - low) for one in rows])
    apart = min(0.0345, 0.98 / max(1, len(rows)))
    place = where.copy()
    for number in range(1, place.size):
        place[number] = max(place[number], place[number - 1] + apart)
    place -= max(0.0, float(place[-1]) - 1.0)
    for number in range(place.size - 2, -1, -1):
        place[number] = min(place[number], place[number + 1] - apart)
    for one, at, text_at in zip(rows, where, place, strict=True):
        is_shown = one.verdict == "shown"
        name = f"{_short(one)}, {one.candidate.period_mm:.0f}"
        ax.annotate(
            house.printable(name, 40), (at, 1.0), xytext=(text_at, 1.09),
            xycoords="axes fraction", textcoords="axes fraction", rotation=52, fontsize=6.4,
            ha="left", va="bottom", rotation_mode="anchor", annotation_clip=False,
            color=house.INK if is_shown else house.GREYS[1],
            fontweight="bold" if is_shown else "normal",
            arrowprops={"arrowstyle": "-", "linewidth": 0.5, "color": house.GREYS[2],
                        "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def _short(one: Attributed) -> str:
    kinds = {"circumference": "turn", "half the circumference": "half turn"}
    return f"{one.candidate.part} {kinds.get(one.candidate.kind, one.candidate.kind)}"


def _areal(figure: Figure, trace: Trace) -> None:
    density = trace.areal
    assert density is not None
    ax = figure.add_axes((0.155, 0.16, 0.6, 0.74))
    search = trace.settings.search
    top = 1 / search.shortest_mm
    along, across = density.fx <= top, np.abs(density.fy) <= top
    shown = density.density[np.ix_(along, across)]
    levels = np.log10(np.maximum(shown, shown.max() * 1e-6))
    mesh = ax.pcolormesh(
        1000 * density.fx[along], 1000 * density.fy[across], levels.T, shading="nearest",
        cmap=house.colour_map("amount"), rasterized=True,
    )  # fmt: skip
    ax.set_xlabel("along the travel / cycles per m")
    ax.set_ylabel("across / cycles per m")
    ax.set_title("Density over the area")
    bar = figure.colorbar(mesh, cax=figure.add_axes((0.79, 0.16, 0.035, 0.74)))
    bar.set_label("log10 of the density in mm⁴")
