"""Pictures of a drift: all figures at a glance, and the charts of one figure.

``overview``  a row for each figure, a column for each lite: where its EWMA stands between the
              limits; marks where a chart signals, bars where a change may have begun
``charts``    individuals, moving range, EWMA and CUSUM of one figure over the lites

What is outside is marked by shape as well as by colour. The same drift gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from midchord.charts.figures import name_of, unit_of
from midchord.charts.run_length import ewma_sd
from midchord.drift import Charted, Drift
from midchord.report import house_style as house

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["charts", "overview"]

_DPI = 150
_BLUE, _ORANGE = "#366980", "#b0611f"
_ROW_IN = 0.19
_MOST_ROWS = 40
_BAND = "#eef3f6"


def overview(drift: Drift) -> bytes:
    """Every figure over the lites."""
    rows = drift.charted[:_MOST_ROWS]
    return _png((7.3, 1.0 + _ROW_IN * len(rows)), lambda figure: _overview(figure, drift, rows))


def charts(drift: Drift, one: Charted) -> bytes:
    """The charts of one figure."""
    return _png((7.3, 5.6), lambda figure: _charts(figure, drift, one))


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _overview(figure: Figure, drift: Drift, rows: list[Charted]) -> None:
    height, first = figure.get_figheight(), drift.first_phase
    low, tall = 0.55 / height, (height - 1.0) / height
    ax = figure.add_axes((0.3, low, 0.585, tall))
    own = ewma_sd(drift.settings.charts.ewma_weight)
    share = np.stack([one.tracks.ewma / own / one.limits.ewma_width for one in rows])
    lites = np.arange(first, len(drift.figures)) + 1
    ax.set_facecolor(house.NO_VALUE)
    mesh = ax.imshow(
        share, aspect="auto", cmap=house.colour_map("signed"), vmin=-1.5, vmax=1.5,
        interpolation="nearest", extent=(lites[0] - 0.5, lites[-1] + 0.5, len(rows) - 0.5, -0.5),
    )  # fmt: skip
    for place, one in enumerate(rows):
        marked = [s for s in one.signals if s.chart in ("individuals", "moving_range")]
        for signal in [*one.signals[:1], *marked]:
            up = signal.direction == "up"
            mark = "o" if signal.direction == "scatter" else "^" if up else "v"
            ax.plot(
                signal.first + 1, place, mark, markersize=4.6, markerfacecolor=house.PAPER,
                markeredgecolor=house.INK, markeredgewidth=0.9, zorder=4, clip_on=False,
            )  # fmt: skip
        if one.change is not None:
            ends = [one.change.low + 0.5, one.change.high + 1.5]
            ax.plot(ends, [place + 0.36] * 2, color=house.INK, linewidth=2.0, zorder=3,
                    solid_capstyle="butt")  # fmt: skip
    ax.set_yticks(range(len(rows)), [_short(one) for one in rows])
    ax.tick_params(axis="y", length=0, labelsize=7.2)
    ax.set_yticks(np.arange(0.5, len(rows) - 0.6), minor=True)
    ax.grid(axis="y", which="minor", color=house.PAPER, linewidth=1.2)
    ax.tick_params(axis="y", which="minor", length=0)
    ax.spines[:].set_visible(False)
    ax.set_xlabel("lite, in the order of scanning")
    bar = figure.colorbar(mesh, cax=figure.add_axes((0.905, low, 0.018, tall)))
    bar.set_ticks([-1, 0, 1], labels=["low limit", "mean", "high limit"])
    bar.ax.tick_params(labelsize=7.0)
    figure.text(
        0.02, 1 - 0.28 / height,
        "triangles: first signal, single lites   circles: jumps   "
        "bars: where a change may have begun",
        fontsize=7.2, color=house.GREYS[0],
    )  # fmt: skip


def _short(one: Charted) -> str:
    return house.printable(name_of(one.series).replace("zone ", ""), 36)


def _charts(figure: Figure, drift: Drift, one: Charted) -> None:
    first, count = drift.first_phase, len(drift.figures)
    after = np.arange(first, count) + 1
    unit = "" if one.baseline.logarithm else unit_of(one.series)
    panels = [
        figure.add_axes((0.105, bottom, 0.775, tall))
        for bottom, tall in ((0.62, 0.315), (0.455, 0.125), (0.285, 0.13), (0.085, 0.16))
    ]
    values, jumps, average, sums = panels
    is_used = np.isfinite(one.z)
    everyone = np.arange(count) + 1
    values.plot(everyone[is_used], one.values[is_used], color=house.GREYS[1], linewidth=0.6)
    is_out = np.zeros(count, dtype=bool)
    is_out[first:] = np.abs(one.tracks.individuals) > one.limits.individuals
    _points(values, everyone, one.values, is_used & ~is_out, is_used & is_out)
    left_out = np.flatnonzero(np.isfinite(one.values) & ~is_used)
    values.plot(left_out + 1, one.values[left_out], "x", color=house.GREYS[2], markersize=4)
    if not one.baseline.lag.coefficient:
        for at in (-one.limits.individuals, one.limits.individuals):
            _limit(values, one.level(at))
    values.plot([0.5, count + 0.5], [one.level(0)] * 2, color=house.GREYS[1], linewidth=0.8)
    values.set_ylabel(unit or "value")
    values.set_title(house.printable(name_of(one.series), 70))
    s = drift.settings.charts
    for ax, name, tracks, limits in (
        (jumps, "moving\nrange", [one.tracks.moving_range], [one.limits.moving_range]),
        (average, "EWMA", [one.tracks.ewma],
         [side * one.limits.ewma_width * ewma_sd(s.ewma_weight) for side in (-1, 1)]),
        (sums, "CUSUM", [one.tracks.cusum_up, -one.tracks.cusum_down],
         [-one.limits.cusum_interval, one.limits.cusum_interval]),
    ):  # fmt: skip
        top = max(limits)
        for track in tracks:
            shown = np.clip(track, -1.6 * top, 1.6 * top)
            have = np.isfinite(shown)
            ax.plot(after[have], shown[have], color=house.GREYS[1], linewidth=0.6)
            out = np.abs(np.nan_to_num(shown)) > top
            _points(ax, after, shown, have & ~out, have & out)
        for limit in limits:
            _limit(ax, limit)
        ax.set_ylim(-0.2 if name.startswith("moving") else -1.75 * top, 1.75 * top)
        ax.set_ylabel(f"{name} / σ", fontsize=7.4)
    for ax in panels:
        ax.axvspan(0.5, first + 0.5, color=_BAND, zorder=0, linewidth=0)
        if one.change is not None:
            ax.axvspan(one.change.low + 0.5, one.change.high + 1.5, color="#f3e3cf", zorder=0, lw=0)
            ax.axvline(one.change.first + 0.5, color=_ORANGE, linewidth=0.9, zorder=1)
        ax.set_xlim(0.5, count + 0.5)
        ax.spines[["top", "right"]].set_visible(False)
        ax.locator_params(axis="y", nbins=4)
        if ax is not sums:
            ax.tick_params(labelbottom=False)
    jumps.text(
        first / 2, 0.25, "first phase", transform=jumps.get_xaxis_transform(), ha="center",
        va="center", fontsize=7.2, color=house.GREYS[0],
    )  # fmt: skip
    sums.set_xlabel("lite, in the order of scanning")


def _points(ax: Axes, x: object, y: object, inside: object, outside: object) -> None:
    a, b = np.asarray(x), np.asarray(y, dtype=float)
    i, o = np.asarray(inside), np.asarray(outside)
    size = 2.6 if a.size < 400 else 1.4
    ax.plot(a[i], b[i], "o", markersize=size, color=_BLUE, zorder=3, markeredgewidth=0)
    ax.plot(a[o], b[o], "D", markersize=size + 0.9, color=_ORANGE, zorder=4,
            markeredgecolor=house.INK, markeredgewidth=0.3)  # fmt: skip


def _limit(ax: Axes, at: float) -> None:
    ax.axhline(at, color=house.INK, linewidth=0.8, linestyle=(0, (4, 3)), zorder=2)
