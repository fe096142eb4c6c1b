"""Two settings compared in many places at once, by permutations.

*Why.* A map of differences has hundreds of cells that go up and down together. Testing each by
itself finds "effects" in one of twenty; Bonferroni over all takes neighbours for strangers. The
largest |t| of all cells, over the ways in which the lites could have been given the settings, holds
the chance of any false finding at the level whatever the dependence (Westfall and Young, 1993;
Nichols and Holmes, Hum. Brain Mapp. 15 (2002) 1).

    two groups   t = (mean B - mean A) / sqrt(s_A^2 / n_A + s_B^2 / n_B)      (Welch)
    pairs        t = mean d / (s_d / sqrt(n))

Labels are permuted between the lites of two groups, signs within pairs: all of the ways where they
are few, which makes the test exact, else a seeded sample with the way taken counted in. An adjusted
p-value is the share of ways whose largest |t| reaches that of the cell.

*Intervals.* ``difference +- c * its standard error`` in every cell, all true together with the
level: c is the quantile of the largest |t| with the differences found taken out, and not below that
with them left in, so that an interval leaves zero out only where the test does. Where the lites are
so few that even the most extreme way has a chance above 1 - level, no interval is given.

A cell in which a lite has no value is compared with the lites that have one.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Compared", "compare_groups", "compare_pairs", "label_ways", "sign_ways"]

Floats = npt.NDArray[np.float64]
Ways = npt.NDArray[np.float64]
BLOCK = 4_000_000
"""Numbers of one block of ways and cells, to bound memory."""
TINY = 1e-9
"""Ways that reach a value but for rounding reach it."""


class Compared(NamedTuple):
    """What was found in every cell; NaN where it cannot be compared.

    mean_a, mean_b     (cell,) of the reference and of the other setting; of pairs: over whole pairs
    difference         (cell,) B less A; se: its standard error; t: the ratio
    p_single, p_adjusted  (cell,) two-sided; of the cell alone, and over all cells
    low, high          (cell,) ends of the simultaneous intervals; NaN where none can be given
    critical           c
    ways               number of permutations; exact: whether these are all
    least_p            smallest p-value that these lites could give
    lites              (cell, 2) lites of each setting, or pairs
    """

    mean_a: Floats
    mean_b: Floats
    difference: Floats
    se: Floats
    t: Floats
    p_single: Floats
    p_adjusted: Floats
    low: Floats
    high: Floats
    critical: float
    ways: int
    exact: bool
    least_p: float
    lites: Floats


def label_ways(
    n_a: int, n_b: int, *, exact_up_to: int, permutations: int, seed: int
) -> tuple[Ways, bool]:
    """Ways to give n_b of the lites the setting B, (way, lite) of 0 and 1, the way taken first."""
    n = n_a + n_b
    own = np.concatenate([np.zeros(n_a), np.ones(n_b)])
    if math.comb(n, n_b) <= exact_up_to:
        ways = np.zeros((math.comb(n, n_b), n))
        for number, chosen in enumerate(itertools.combinations(range(n - 1, -1, -1), n_b)):
            ways[number, list(chosen)] = 1.0
        return ways, True
    rng = np.random.default_rng(seed)
    drawn = rng.permuted(np.tile(own, (permutations, 1)), axis=1)
    return np.concatenate([own[None], drawn]), False


def sign_ways(n: int, *, exact_up_to: int, permutations: int, seed: int) -> tuple[Ways, bool]:
    """Ways to turn n pairs round, (way, pair) of 1 and -1, the way taken first."""
    if n < 60 and 2**n <= exact_up_to:
        codes = np.arange(2**n)
        return np.where((codes[:, None] >> np.arange(n)) & 1, -1.0, 1.0), True
    rng = np.random.default_rng(seed)
    drawn = 1.0 - 2.0 * rng.integers(0, 2, (permutations, n))
    return np.concatenate([np.ones((1, n)), drawn]), False


def compare_groups(
    a: Floats, b: Floats, *, level: float, exact_up_to: int, permutations: int, seed: int
) -> Compared:
    """Two groups of lites.

    a, b  (lite, cell), at least two lites each; NaN: no value
    """
    ways, exact = label_ways(
        len(a), len(b), exact_up_to=exact_up_to, permutations=permutations, seed=seed
    )
    values = np.concatenate([a, b])
    mean_a, mean_b = _mean(a), _mean(b)
    difference, se = (part[0] for part in _welch(values, ways[:1]))
    centred = np.concatenate([a - mean_a, b - mean_b])
    count = np.stack([np.isfinite(a).sum(axis=0), np.isfinite(b).sum(axis=0)], axis=1)
    scale = np.sqrt(_mean((values - _mean(values)) ** 2))
    return _compared(
        mean_a, mean_b, difference, se,
        _largest(values, ways, _welch, scale), _largest(centred, ways, _welch, scale),
        level, exact, count.astype(np.float64),
    )  # fmt: skip


def compare_pairs(
    a: Floats, b: Floats, *, level: float, exact_up_to: int, permutations: int, seed: int
) -> Compared:
    """Pairs of lites, at least two.

    a, b  (pair, cell), partners in the same row; NaN: no value, and the pair does not count there
    """
    d = b - a
    ways, exact = sign_ways(len(d), exact_up_to=exact_up_to, permutations=permutations, seed=seed)
    both = np.isfinite(d)
    mean_a, mean_b = _mean(np.where(both, a, np.nan)), _mean(np.where(both, b, np.nan))
    difference, se = (part[0] for part in _paired(d, ways[:1]))
    count = np.repeat(both.sum(axis=0)[:, None], 2, axis=1)
    scale = np.sqrt(_mean(d**2))
    return _compared(
        mean_a, mean_b, difference, se,
        _largest(d, ways, _paired, scale), _largest(d - _mean(d), ways, _paired, scale),
        level, exact, count.astype(np.float64),
    )  # fmt: skip


def _mean(values: Floats) -> Floats:
    count = np.isfinite(values).sum(axis=0)
    return np.where(count > 0, np.nansum(values, axis=0) / np.maximum(count, 1), np.nan)


def _sums(values: Floats) -> tuple[Floats, Floats, Floats]:
    have = np.isfinite(values)
    # about the mean of all, so that sums of squares keep their digits
    centred = np.where(have, values - _mean(values), 0.0)
    return have.astype(np.float64), centred, centred**2


def _welch(values: Floats, ways: Ways) -> tuple[Floats, Floats]:
    """Difference and its standard error, (way, cell)."""
    have, x, square = _sums(values)
    n_b, s_b, q_b = ways @ have, ways @ x, ways @ square
    n_a, s_a, q_a = have.sum(axis=0) - n_b, x.sum(axis=0) - s_b, square.sum(axis=0) - q_b
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_a, mean_b = s_a / n_a, s_b / n_b
        of_a = (q_a / n_a - mean_a**2) / (n_a - 1)
        of_b = (q_b / n_b - mean_b**2) / (n_b - 1)
        se = np.sqrt(np.maximum(of_a, 0.0) + np.maximum(of_b, 0.0))
    return mean_b - mean_a, np.where((n_a > 1) & (n_b > 1), se, np.nan)


def _paired(d: Floats, ways: Ways) -> tuple[Floats, Floats]:
    have = np.isfinite(d)
    known = np.where(have, d, 0.0)
    n = have.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (ways @ known) / n
        se = np.sqrt(np.maximum((known**2).sum(axis=0) / n - mean**2, 0.0) / (n - 1))
    return mean, np.where(n > 1, se, np.nan)


class _Largest(NamedTuple):
    """size: (way,) largest |t| of all cells; reached: (cell,) ways that reach the first way's."""

    size: Floats
    reached: Floats


def _ratio(difference: Floats, se: Floats, scale: Floats) -> Floats:
    """|t|; a difference without any scatter counts by its size, none at all is zero."""
    floor = 1e-7 * np.where(scale > 0, scale, 1.0)
    found = np.abs(difference) / np.maximum(se, floor)
    return np.where(np.isfinite(found), found, 0.0)


def _largest(values: Floats, ways: Ways, statistic: object, scale: Floats) -> _Largest:
    kernel = _welch if statistic is _welch else _paired
    own = _ratio(*kernel(values, ways[:1]), scale)[0]
    size, reached = np.zeros(len(ways)), np.zeros(values.shape[1])
    step = max(1, BLOCK // max(1, values.shape[1]))
    for start in range(0, len(ways), step):
        found = _ratio(*kernel(values, ways[start : start + step]), scale)
        size[start : start + step] = found.max(axis=1, initial=0.0)
        reached += (found >= own * (1 - TINY)).sum(axis=0)
    return _Largest(size, reached)


def _compared(
    mean_a: Floats,
    mean_b: Floats,
    difference: Floats,
    se: Floats,
    raw: _Largest,
    centred: _Largest,
    level: float,
    exact: bool,
    count: Floats,
) -> Compared:
    ways = raw.size.size
    valid = np.isfinite(difference) & np.isfinite(se) & (se > 0)
    t = np.where(valid, difference / np.where(valid, se, 1.0), np.nan)
    above = np.searchsorted(np.sort(raw.size), np.abs(np.nan_to_num(t)) * (1 - TINY), side="left")
    p_adjusted = np.where(valid, (ways - above) / ways, np.nan)
    p_single = np.where(valid, raw.reached / ways, np.nan)
    beyond = math.floor((1 - level) * ways * (1 + TINY))
    # the way taken and, with equal groups or signs, its mirror image are always among the ways
    least = 1 / ways if not exact else float((raw.size >= raw.size.max() * (1 - TINY)).mean())
    critical = math.nan
    if beyond >= 1 and least <= 1 - level + TINY:
        critical = max(float(np.sort(of.size)[::-1][beyond]) for of in (raw, centred))
    return Compared(
        mean_a, mean_b, difference, np.where(valid, se, np.nan), t, p_single, p_adjusted,
        difference - critical * se, difference + critical * se, critical, ways, exact, least, count,
    )  # fmt: skip
