"""Readings of a hand gauge as an offset and a scale of what its twin reads, robustly.

    reading_i = offset(group of i) + scale x twin_i + error_i
    error_i ~ 0.95 Normal(0, k^2 u_i^2 + s^2) + 0.05 Cauchy(spread of the readings)

u_i is the stated uncertainty of a pair. Surveys scatter by more than anyone states, so s is found
from the readings themselves; where they scatter by less, k is (between 0.5 and 1). The second
part stands for blunders: one more of them costs a fixed price, however large it is. The scale
has a normal prior about 1 and stays positive: the sign of a gauge is another question.

Several hypotheses, sets of readings that the twin might give, are fitted side by side and alike,
so that their likelihoods may be compared. The fit is by expectation and maximisation (Dempster,
Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1-38), with a scoring step for s.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["BLUNDERS", "LARGEST_SCALE", "TwinFit", "fit_twins", "grouped", "robust_spread"]

Floats = npt.NDArray[np.float64]

BLUNDERS = 0.05
"""Share of blunders that is expected."""
SCALE_SD = 0.5
SMALLEST_SCALE, LARGEST_SCALE = 0.25, 4.0
SMALLEST_K2 = 0.25
LEAST_IN_GROUP = 6
"""Readings that earn a group (an operator, a lite, a walk) an offset of its own."""
ROUNDS = 80
SETTLED = 1e-4


class TwinFit(NamedTuple):
    """Fits of all hypotheses; m of them, n readings, p groups.

    log_likelihood  (m,), with the prior of the scale
    offsets         (m, p), mm: the common one, then what each group adds
    scale           (m,)
    expected_mm     (m, n), what the gauge should have read
    sd_mm           (m, n), scatter of a good reading
    is_good         (m, n), probability that a reading is no blunder
    extra_sd_mm     (m,), s of the module's head
    """

    log_likelihood: Floats
    offsets: Floats
    scale: Floats
    expected_mm: Floats
    sd_mm: Floats
    is_good: Floats
    extra_sd_mm: Floats


def robust_spread(values: Floats) -> float:
    """Standard deviation by the median absolute deviation, right for a normal distribution."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def grouped(pairs: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    """Columns for the offsets: ones, then one a group but the first of each kind; (n, p).

    A group of fewer than LEAST_IN_GROUP readings shares the offset of the first.
    """
    columns = [np.ones(len(pairs))]
    for name in names:
        if name not in pairs:
            continue
        labels = pairs[name].astype(str).to_numpy()
        counted = pd.Series(labels).value_counts(sort=False)
        large = [label for label, count in counted.items() if count >= LEAST_IN_GROUP]
        spare = large[1:] if len(large) == len(counted) else large
        columns += [(labels == label).astype(float) for label in spare]
    return np.stack(columns, axis=1)


def fit_twins(
    gauge_mm: Floats,
    twin_mm: Floats,
    u_mm: Floats,
    groups: Floats | None = None,
    *,
    scale_sd: float = SCALE_SD,
    u_is_least: bool = False,
) -> TwinFit:
    """Fit every hypothesis.

    gauge_mm    (n,) readings
    twin_mm     (m, n) what the twin reads under each hypothesis, finite
    u_mm        (m, n) or (n,) standard uncertainties
    groups      (n, p) as of ``grouped``; a common offset if not given
    scale_sd    standard deviation of the scale's prior about 1
    u_is_least  readings are never taken to scatter by less than stated: k = 1
    """
    twin = np.atleast_2d(twin_mm)
    m, n = twin.shape
    u2 = np.broadcast_to(np.asarray(u_mm, float) ** 2, (m, n))
    design = np.ones((n, 1)) if groups is None else groups
    spread = max(robust_spread(gauge_mm), float(np.sqrt(np.median(u2))), 1e-9)
    far = (gauge_mm - np.median(gauge_mm)) / spread
    log_blunder = math.log(BLUNDERS) - np.log(math.pi * spread * (1 + far**2))
    # differences of groups hardly held, only so that groups that name the same do no harm
    held = np.full(design.shape[1], 1 / (100 * spread) ** 2)

    scale = np.ones(m)
    offsets = np.zeros((m, design.shape[1]))
    residual = gauge_mm - twin
    offsets[:, 0] = np.median(residual, axis=1)
    residual = residual - offsets[:, :1]
    extra = (1.4826 * np.median(np.abs(residual), axis=1)) ** 2
    k2 = np.ones(m)
    before = np.full(m, -np.inf)
    for _ in range(ROUNDS):
        variance = k2[:, None] * u2 + extra[:, None]
        total, good = _likelihood(residual, variance, log_blunder)
        likelihood = total.sum(axis=1) - 0.5 * ((scale - 1) / scale_sd) ** 2
        if np.all(np.abs(likelihood - before) < SETTLED):
            break
        before = likelihood
        scale, offsets = _lines(gauge_mm, twin, good / variance, design, held, scale_sd)
        residual = gauge_mm - offsets @ design.T - scale[:, None] * twin
        extra, k2 = _scatter(residual, good, u2, extra, 1.0 if u_is_least else SMALLEST_K2)
    variance = k2[:, None] * u2 + extra[:, None]
    total, good = _likelihood(residual, variance, log_blunder)
    likelihood = total.sum(axis=1) - 0.5 * ((scale - 1) / scale_sd) ** 2
    return TwinFit(
        likelihood, offsets, scale, gauge_mm - residual, np.sqrt(variance), good, np.sqrt(extra)
    )


def _likelihood(residual: Floats, variance: Floats, log_blunder: Floats) -> tuple[Floats, Floats]:
    """Log-likelihood of each reading, and the probability that it is no blunder."""
    log_good = math.log(1 - BLUNDERS) - 0.5 * (
        np.log(2 * math.pi * variance) + residual**2 / variance
    )
    total = np.logaddexp(log_good, log_blunder)
    return total, np.exp(log_good - total)


def _lines(
    gauge: Floats, twin: Floats, weight: Floats, design: Floats, held: Floats, scale_sd: float
) -> tuple[Floats, Floats]:
    """Scale and offsets of the weighted straight line, the scale within its bounds."""
    p = design.shape[1]
    square = np.einsum("mn,np,nq->mpq", weight, design, design) + np.diag(held)
    with_twin = np.einsum("mn,mn,np->mp", weight, twin, design)
    with_gauge = np.einsum("mn,n,np->mp", weight, gauge, design)
    solved = np.linalg.solve(square, np.stack([with_twin, with_gauge], axis=2))
    of_twin, of_gauge = solved[:, :, 0], solved[:, :, 1]
    # the offsets eliminated, one equation is left for the scale
    own = np.einsum("mn,mn,mn->m", weight, twin, twin) - (with_twin * of_twin).sum(axis=1)
    cross = np.einsum("mn,mn,n->m", weight, twin, gauge) - (with_twin * of_gauge).sum(axis=1)
    scale = np.clip(
        (cross + 1 / scale_sd**2) / (own + 1 / scale_sd**2), SMALLEST_SCALE, LARGEST_SCALE
    )
    offsets = of_gauge - scale[:, None] * of_twin
    assert offsets.shape[1] == p
    return scale, offsets


def _scatter(
    residual: Floats, good: Floats, u2: Floats, extra: Floats, smallest_k2: float
) -> tuple[Floats, Floats]:
    """s^2 by a scoring step from k = 1; where it comes to nothing, k^2."""
    variance = u2 + extra[:, None]
    step = (good * (residual**2 - variance) / variance**2).sum(axis=1)
    step = step / np.maximum((good / variance**2).sum(axis=1), 1e-300)
    extra = np.maximum(extra + step, 0.0)
    small = (good * residual**2 / u2).sum(axis=1) / np.maximum(good.sum(axis=1), 1e-9)
    k2 = np.where(extra > 0, 1.0, np.clip(small, smallest_k2, 1.0))
    return extra, k2
