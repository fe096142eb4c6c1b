"""Pictures of a trial: where the figure changed, zone by zone, and lite by lite.

``effect``  two maps: the difference of means by cell, cells that show an effect ringed; and the
            reference beside it
``zones``   difference of the whole lite and of every zone with simultaneous intervals
``lites``   the figure of every lite by setting, pairs joined

What is shown is filled or ringed as well as coloured. The same trial gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from midchord.report import house_style as house
from midchord.trial import Contrast, Trial
from midchord.trial_facts import LABELS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["effect", "lites", "zones"]

_DPI = 150
_BLUE, _ORANGE = "#366980", "#b0611f"
_MAP_IN = 3.0
_ROW_IN = 0.24


def effect(trial: Trial, one: Contrast) -> bytes | None:
    """Difference by cell, and the reference; None where no cell has a value."""
    if not one.shown.any():
        return None
    long, wide = trial.grid.x_mm[-1] - trial.grid.x_mm[0], trial.grid.y_mm[-1] - trial.grid.y_mm[0]
    tall = min(5.0, max(0.9, _MAP_IN * wide / long))
    return _png((7.3, tall + 1.3), lambda figure: _effect(figure, trial, one, tall))


def zones(trial: Trial, one: Contrast) -> bytes:
    """Whole lite and zones with their intervals."""
    rows = 1 + len(one.zone_names)
    return _png((5.4, 0.85 + _ROW_IN * rows), lambda figure: _zones(figure, trial, one))


def lites(trial: Trial) -> bytes:
    """Every lite by setting."""
    return _png((4.6, 3.0), lambda figure: _lites(figure, trial))


def _png(size_in: tuple[float, float], draw: Callable[[Figure], None]) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=size_in, dpi=_DPI)
        draw(figure)
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _effect(figure: Figure, trial: Trial, one: Contrast, tall: float) -> None:
    height = figure.get_figheight()
    low, share = 1.0 / height, tall / height
    x, y = trial.grid.x_mm, trial.grid.y_mm
    difference = one.on_grid(one.cells.difference)
    reference = one.on_grid(one.cells.mean_a)
    top = max(1e-12, float(np.nanmax(np.abs(difference))))
    width = _MAP_IN / 7.3
    for left, values, scale, ends, title in (
        (0.075, difference, "signed", (-top, top), f"{one.setting} less {trial.reference}"),
        (0.57, reference, "amount", (0.0, float(np.nanmax(reference))), str(trial.reference)),
    ):
        ax = figure.add_axes((left, low, width, share))
        ax.set_facecolor(house.NO_VALUE)
        mesh = ax.pcolormesh(
            x, y, values.T, cmap=house.colour_map("signed" if scale == "signed" else "amount"),
            vmin=ends[0], vmax=ends[1], rasterized=True,
        )  # fmt: skip
        ax.set_aspect("equal")
        ax.set(xlim=(x[0], x[-1]), ylim=(y[0], y[-1]), xlabel="x / mm")
        ax.locator_params(nbins=5)
        if scale == "signed":
            ax.set_ylabel("y / mm")
            _ring(ax, trial, one)
        ax.set_title(house.printable(title, 44), fontsize=8.5)
        bar = figure.colorbar(
            mesh, cax=figure.add_axes((left, 0.36 / height, width, 0.11 / height)),
            orientation="horizontal",
        )  # fmt: skip
        bar.ax.tick_params(labelsize=7)
        bar.set_label(f"{LABELS[trial.settings.figure.name]} / {trial.unit}", fontsize=7.5)


def _ring(ax: Axes, trial: Trial, one: Contrast) -> None:
    alpha = (1 - trial.settings.test.level) / len(trial.contrasts)
    p = one.on_grid(one.cells.p_adjusted)
    x, y = trial.grid.x_mm, trial.grid.y_mm
    row, column = np.nonzero(np.nan_to_num(p, nan=1.0) <= alpha)
    for colour, size in ((house.PAPER, 4.2), (house.INK, 2.4)):
        ax.plot(
            (x[row] + x[row + 1]) / 2, (y[column] + y[column + 1]) / 2, "o", markersize=size,
            color=colour, markeredgewidth=0, zorder=4,
        )  # fmt: skip


def _zones(figure: Figure, trial: Trial, one: Contrast) -> None:
    height = figure.get_figheight()
    ax = figure.add_axes((0.17, 0.5 / height, 0.79, (height - 0.75) / height))
    alpha = (1 - trial.settings.test.level) / len(trial.contrasts)
    rows = [("whole lite", one.whole, 0)]
    rows += [(f"zone {name}", one.zones, n) for n, name in enumerate(one.zone_names)]
    for place, (_, of, n) in enumerate(rows):
        value, low, high = (float(v[n]) for v in (of.difference, of.low, of.high))
        is_shown = np.nan_to_num(of.p_adjusted[n], nan=1.0) <= alpha
        if np.isfinite(low):
            ax.plot([low, high], [place, place], color=house.INK, linewidth=1.1, zorder=2)
        ax.plot(
            value, place, "s" if place == 0 else "o", markersize=5.4 if place == 0 else 4.6,
            markerfacecolor=_ORANGE if is_shown else house.PAPER, markeredgewidth=1.0,
            markeredgecolor=_ORANGE if is_shown else house.GREYS[1], zorder=3,
        )  # fmt: skip
    ax.axvline(0, color=house.GREYS[1], linewidth=0.8, zorder=1)
    ax.axhline(0.5, color=house.GREYS[3], linewidth=0.8)
    ax.set_ylim(len(rows) - 0.5, -0.6)
    ax.set_yticks(range(len(rows)), [name for name, *_ in rows])
    ax.tick_params(axis="y", length=0)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.set_xlabel(f"{one.setting} less {trial.reference} / {trial.unit}"[:70])


def _lites(figure: Figure, trial: Trial) -> None:
    ax = figure.add_axes((0.14, 0.13, 0.83, 0.83))
    names = [trial.reference, *(one.setting for one in trial.contrasts)]
    at: dict[tuple[str, str], tuple[float, float]] = {}
    for place, name in enumerate(names):
        own = [lite for lite in trial.lites if lite.setting == name]
        values = np.array([lite.whole for lite in own])
        # side by side in the order of scanning, so that a trend within a setting shows
        order = np.argsort([lite.scanned_at for lite in own], kind="stable")
        x = np.empty(len(own))
        x[order] = place + np.linspace(-0.28, 0.28, len(own)) if len(own) > 1 else place
        ax.plot(x, values, "o", markersize=4, markerfacecolor="none", markeredgewidth=0.9,
                markeredgecolor=_BLUE if place == 0 else _ORANGE, zorder=3)  # fmt: skip
        if np.isfinite(values).any():
            ax.plot([place - 0.36, place + 0.36], [np.nanmean(values)] * 2, color=house.INK, lw=1.4)
        at |= {(lite.pair, name): (x[n], lite.whole) for n, lite in enumerate(own)}
    for pair in {lite.pair for lite in trial.lites} if trial.paired else set():
        ends = [at[pair, name] for name in names if (pair, name) in at]
        ax.plot(*zip(*ends, strict=True), color=house.GREYS[2], linewidth=0.7, zorder=1)
    ax.set_xticks(range(len(names)), [house.printable(name, 20) for name in names])
    ax.set_xlim(-0.5, len(names) - 0.5)
    ax.tick_params(axis="x", length=0)
    ax.set_ylabel(
        f"{trial.settings.figure.statistic} {LABELS[trial.settings.figure.name]} / {trial.unit}"
    )
    ax.spines[["top", "right"]].set_visible(False)
