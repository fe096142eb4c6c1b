"""What changed, and when: one step in the level of each zone of the glass, if there is one.

The figures of a zone, one a lite in order of time, are held against "no change" by the largest
excursion of their cumulative sum about the mean. Without a change that, over sd sqrt(n), is the
largest excursion of a Brownian bridge, whose distribution is Kolmogorov's (Ploberger and Kraemer
1992). Lites that follow each other are correlated, which makes excursions larger: the spread is
that of the long run, sd^2 (1 + r) / (1 - r) with r from lite to lite, after the step itself is
taken out. p-values are corrected for the number of zones (Holm).

The step is put where it leaves the least sum of squares. A slow drift has no step: it is reported
as a change about its middle, and the table of the lites shows what it was. One change a zone is
looked for; control charts see more.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.statistics.false_discovery import holm

__all__ = ["WHOLE", "ZONES", "Change", "find_changes", "zone_means"]

Floats = npt.NDArray[np.float64]
WHOLE = "whole"
ZONES = (WHOLE, *(f"r{row}c{column}" for row in (1, 2, 3) for column in (1, 2, 3)))
"""The lite, and its thirds each way: row 1 at the leading edge, column 1 at the left-hand side."""


class Change(NamedTuple):
    """The most likely step of one zone.

    first          number (from 0) of the first lite after it, None where too few lites have a value
    before, after  means; step, interval: after less before
    p_value        corrected; shown: whether it is below the false rate
    correlation    from one lite to the next
    """

    zone: str
    lites: int
    first: int | None
    before: float
    after: float
    step: float
    interval: tuple[float, float]
    p_value: float
    shown: bool
    correlation: float


def zone_means(values: npt.NDArray[np.float32], use: npt.NDArray[np.bool_]) -> Floats:
    """Means by ZONES of one lite; NaN where a zone has no point that counts."""
    picked = np.where(use & np.isfinite(values), values.astype(np.float64), 0.0)
    counted = (use & np.isfinite(values)).astype(np.float64)
    if min(values.shape) < 3:  # no thirds
        total = counted.sum()
        return np.array([picked.sum() / total if total else np.nan, *[np.nan] * 9])
    starts = [np.array([0, size // 3, 2 * size // 3]) for size in values.shape]
    found = []
    for table in (picked, counted):
        by_row = np.add.reduceat(table, starts[0], axis=0)
        by_zone = np.add.reduceat(by_row, starts[1], axis=1)
        found.append(np.concatenate([[table.sum()], by_zone.ravel()]))
    return np.where(found[1] > 0, found[0] / np.maximum(found[1], 1.0), np.nan)


def find_changes(
    table: Floats, *, least_lites: int, false_rate: float, level: float
) -> list[Change]:
    """The most likely change of each zone.

    table        (lites, zones) in order of time, NaN where a lite has no figure
    least_lites  on either side of a change
    """
    found = [_step(table[:, zone], least_lites) for zone in range(table.shape[1])]
    single = {number: one[-1] for number, one in enumerate(found) if one is not None}
    corrected = holm(list(single.values())) if single else ()
    p_of = dict(zip(single, (float(p) for p in corrected), strict=True))
    changes = []
    for number, one in enumerate(found):
        lites = int(np.isfinite(table[:, number]).sum())
        if one is None:
            nan = math.nan
            changes.append(
                Change(ZONES[number], lites, None, nan, nan, nan, (nan, nan), 1.0, False, nan)
            )
            continue
        first, before, after, error, r, _ = one
        reach = _quantile(lites, r, level) * error
        step, p = after - before, p_of[number]
        changes.append(
            Change(ZONES[number], lites, first, before, after, step, (step - reach, step + reach),
                   p, p < false_rate, r)
        )  # fmt: skip
    return changes


def _quantile(lites: int, r: float, level: float) -> float:
    from scipy.special import stdtrit

    free = max(2.0, lites * (1 - max(0.0, r)) / (1 + max(0.0, r)) - 2)
    return float(stdtrit(free, 0.5 + level / 2))


def _step(
    series: Floats, least: int
) -> tuple[int, float, float, float, float, float] | None:
    from scipy.special import kolmogorov

    where = np.flatnonzero(np.isfinite(series))
    values = series[where]
    n = values.size
    if n < 2 * least or np.ptp(values) == 0:
        return None
    sums = np.cumsum(values - values.mean())[:-1]
    before = np.arange(1, n)
    gain = sums**2 * n / (before * (n - before))  # of the sum of squares, by a step there
    inside = (before >= least) & (n - before >= least)
    at = int(before[inside][np.argmax(gain[inside])])
    one, other = float(values[:at].mean()), float(values[at:].mean())
    rest = values - np.where(np.arange(n) < at, one, other)
    variance = float((rest**2).sum()) / (n - 2)
    if variance <= 0:
        return int(where[at]), one, other, 0.0, 0.0, 0.0
    r = float((rest[1:] * rest[:-1]).sum() / (rest**2).sum()) + 1 / n
    # the correlation found is too low by about 1/n (Kendall 1954); beyond 0.95 nothing is known
    held = min(max(r, 0.0), 0.95)
    long_run = variance * (1 + held) / (1 - held)
    excursion = float(np.abs(sums).max()) / math.sqrt(long_run * n)
    error = math.sqrt(long_run * (1 / at + 1 / (n - at)))
    return int(where[at]), one, other, error, r, float(kolmogorov(excursion))
