"""The charts themselves, and their signals.

``individuals``   a value against its limits
``moving_range``  the difference of two lites in a row: scatter that grows, single jumps
``ewma``          E = (1 - w) E + w z: small, lasting changes and ramps
``cusum``         S = max(0, S +- z - k): steps of about 2 k

All take values in standard deviations of the first phase, start at zero with the first lite behind
it, and keep their state over a lite without a value. A signal is the first of a run of lites that a
chart has outside its limits; it names that lite. That is not the lite with which the change began:
see ``midchord.charts.change_point``.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.charts.limits import Limits
from midchord.charts.run_length import ewma_sd

__all__ = ["CHARTS", "Chart", "Signal", "Tracks", "run_charts", "signals_of"]

Floats = npt.NDArray[np.float64]
Chart = Literal["individuals", "moving_range", "ewma", "cusum"]
CHARTS: tuple[Chart, ...] = ("individuals", "moving_range", "ewma", "cusum")


class Tracks(NamedTuple):
    """States of the charts, (lite,) behind the first phase; NaN where a lite has no value."""

    individuals: Floats
    moving_range: Floats
    ewma: Floats
    cusum_up: Floats
    cusum_down: Floats


class Signal(NamedTuple):
    """A run of lites outside the limits of one chart.

    first, last  numbers of lites, as counted by whoever ran the chart
    direction    "up", "down"; of the moving range "scatter"
    largest      furthest state of the run, in standard deviations (of the EWMA: its own)
    limit        in the same unit
    """

    chart: Chart
    first: int
    last: int
    direction: str
    largest: float
    limit: float


def run_charts(
    z: Floats,
    *,
    ewma_weight: float,
    cusum_reference: float,
    clip_sd: float = np.inf,
    before: float = np.nan,
) -> Tracks:
    """The states after every lite.

    z       (lite,) or (lite, case), standardised, behind the first phase; NaN: no value
    clip_sd largest deviation that EWMA and CUSUM take of one lite: a single wild one is for the
            individuals, and is no lasting change
    before  value of the lite in front, for the first moving range
    """
    ewma, up, down = (np.full_like(z, np.nan) for _ in range(3))
    e, s, d = (np.zeros(z.shape[1:]) for _ in range(3))
    for number, value in enumerate(z):
        have = np.isfinite(value)
        known = np.clip(np.where(have, value, 0.0), -clip_sd, clip_sd)
        e = np.where(have, (1 - ewma_weight) * e + ewma_weight * known, e)
        s = np.where(have, np.maximum(0.0, s + known - cusum_reference), s)
        d = np.where(have, np.maximum(0.0, d - known - cusum_reference), d)
        for track, state in ((ewma, e), (up, s), (down, d)):
            track[number] = np.where(have, state, np.nan)
    previous = np.concatenate([np.full_like(z[:1], before), z[:-1]])
    return Tracks(z, np.abs(z - previous), ewma, up, down)


def signals_of(
    tracks: Tracks, limits: Limits, *, ewma_weight: float, first_lite: int = 0
) -> list[Signal]:
    """Every signal, in the order of the lites.

    tracks      of one figure, (lite,)
    first_lite  number of the first of these lites
    """
    own_sd = ewma_sd(ewma_weight)
    sides: tuple[tuple[Chart, str, Floats, float], ...] = (
        ("individuals", "up", tracks.individuals, limits.individuals),
        ("individuals", "down", -tracks.individuals, limits.individuals),
        ("moving_range", "scatter", tracks.moving_range, limits.moving_range),
        ("ewma", "up", tracks.ewma / own_sd, limits.ewma_width),
        ("ewma", "down", -tracks.ewma / own_sd, limits.ewma_width),
        ("cusum", "up", tracks.cusum_up, limits.cusum_interval),
        ("cusum", "down", tracks.cusum_down, limits.cusum_interval),
    )
    found = []
    for chart, direction, state, limit in sides:
        have = np.flatnonzero(np.isfinite(state))
        is_out = state[have] > limit
        edges = np.flatnonzero(np.diff(np.concatenate([[False], is_out, [False]]).astype(int)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            run = have[start:end]
            found.append(
                Signal(chart, int(run[0]) + first_lite, int(run[-1]) + first_lite, direction,
                       float(state[run].max()), limit)
            )  # fmt: skip
    return sorted(found, key=lambda signal: (signal.first, CHARTS.index(signal.chart)))
