"""How much nozzles of one machine usually differ, and which differ by more.

With many lites every nozzle differs from the next by more than the noise; what matters is whether
it differs by more than nozzles usually do. The *spread* between them is that with which all of them
are usual: Qn, a standard deviation that half of the values may spoil (Rousseeuw and Croux, J. Am.
Stat. Assoc. 88 (1993) 1273; its factors for few values from memory), of their means over the lites,
less what these are in doubt by; and not less than a stated floor. Each mean is held against the
spread and its own doubt together, by Student's t with degrees of freedom by Welch and
Satterthwaite; Qn counts for 82 % of its values.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Tested", "line_through", "local_course", "outside_spread", "qn_scale"]

Floats = npt.NDArray[np.float64]

QN_EFFICIENCY = 0.82
NEIGHBOURS = 9
GAUSSIAN = 2.21914
"""1 / (sqrt(2) Phi^-1(5/8)): Qn of a normal distribution is its standard deviation."""


class Tested(NamedTuple):
    """mean (track,) less their median; p (track,) two-sided, NaN not tested; spread."""

    mean: Floats
    p: Floats
    spread: float


def qn_scale(values: Floats) -> float:
    """Qn: a standard deviation that half of the values may spoil; NaN for fewer than two."""
    x = np.sort(values[np.isfinite(values)])
    n = x.size
    if n < 2:
        return math.nan
    apart = np.sort((x[None, :] - x[:, None])[np.triu_indices(n, 1)])
    h = n // 2 + 1
    first = float(apart[h * (h - 1) // 2 - 1])
    small = {2: 0.399, 3: 0.994, 4: 0.512, 5: 0.844, 6: 0.611, 7: 0.857, 8: 0.669, 9: 0.872}
    correction = small.get(n) or (n / (n + 1.4) if n % 2 else n / (n + 3.8))
    return GAUSSIAN * correction * first


def line_through(moved: Floats, kappas: Floats) -> Floats:
    """Line through the means of (lite, track) over the columns, (track,), by the median slope of
    all pairs (Theil, Sen), so that odd ones take no part in it."""
    from scipy.stats import theilslopes

    seen = np.isfinite(moved).any(axis=0)
    if seen.sum() < 5:
        return np.zeros(kappas.size)
    mean = np.nansum(moved[:, seen], axis=0) / np.isfinite(moved[:, seen]).sum(axis=0)
    slope = float(theilslopes(mean, kappas[seen])[0])
    level = float(np.median(mean - slope * kappas[seen]))
    return np.asarray(level + slope * kappas, dtype=np.float64)


def local_course(values: Floats) -> Floats:
    """Median of the means over lites of the ``NEIGHBOURS`` nearest tracks; (track,), for (lite,
    track) in the order of their places."""
    counts = np.isfinite(values).sum(axis=0)
    seen = np.flatnonzero(counts > 0)
    mean = np.nansum(values[:, seen], axis=0) / counts[seen]
    course = np.zeros(counts.size)
    reach = min(NEIGHBOURS, seen.size)
    for number, track in enumerate(seen):
        first = int(np.clip(number - reach // 2, 0, seen.size - reach))
        course[track] = np.median(mean[first : first + reach])
    return course


def outside_spread(values: Floats, floor: float) -> Tested:
    """Means over the lites against the spread of all of them.

    values  (lite, track), NaN not seen
    floor   least spread (standard deviation), in their unit
    """
    from scipy.stats import t as student

    counts = np.isfinite(values).sum(axis=0)
    least = max(1, min(5, values.shape[0] // 4))
    enough = counts >= least
    sums = np.nansum(values, axis=0)
    mean = np.where(enough, sums / np.maximum(counts, 1), np.nan)
    squares = np.nansum((values - mean) ** 2, axis=0)
    doubt = np.where(counts > 1, squares / np.maximum(counts - 1, 1) / np.maximum(counts, 1), 0.0)
    tracks = int(enough.sum())
    if tracks < 3:
        return Tested(mean, np.full(mean.size, np.nan), floor)
    centre = float(np.median(mean[enough]))
    own = _own_spread(mean[enough] - centre, doubt[enough])
    between = max(own, floor) ** 2
    total = between + doubt
    free = total**2 / (
        between**2 / (QN_EFFICIENCY * (tracks - 1))
        + np.where(counts > 1, doubt**2 / np.maximum(counts - 1, 1), 0.0)
        + 1e-300
    )
    ratio = np.abs(mean - centre) / np.sqrt(np.maximum(total, 1e-300))
    p = 2 * student.sf(ratio, np.maximum(free, 1.0))
    return Tested(mean - centre, np.where(enough, p, np.nan), math.sqrt(between))


def _own_spread(off: Floats, doubt: Floats) -> float:
    """Standard deviation between nozzles with which all of them are usual: Qn of what is left, over
    its doubt, is 1."""
    low, high = 0.0, 2 * qn_scale(off) + 1e-12
    root = np.sqrt(np.maximum(doubt, 1e-300))
    if qn_scale(off / root) <= 1 and (doubt > 0).all():
        return 0.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if qn_scale(off / np.sqrt(middle**2 + doubt + 1e-300)) > 1:
            low = middle
        else:
            high = middle
    return high
