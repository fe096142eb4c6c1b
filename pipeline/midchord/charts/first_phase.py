"""What a figure does while nothing changes: mean, scatter and memory, from a first phase of lites.

    values --clean--> kept, outliers --lag--> AR(1) or none --> baseline

*Robust.* Outliers are left out by limits at which a good first phase loses any lite with at most a
stated small chance, from median and median deviation, then from mean and standard deviation of what
is kept until nothing changes. What is left is taken at full efficiency: a standard deviation from
medians would need twice the lites for limits as close.

*Memory.* A chart takes lites for independent; with a positive autocorrelation it would signal far
too often. The first autocorrelation is tested, of each figure and of all together; where it is
shown, its coefficient (corrected for
the bias of short series) is used to chart the residuals of an AR(1),
``e = (x - mean) - phi (x' - mean)``, x' the lite before. A step then shows in full on its first
lite and with ``1 - phi`` of its size on the next: harder to see, and said.

*Checks.* Whether the first phase is steady itself: the largest difference of means before and after
any lite, against the same for lites in random order (Pettitt's idea with means). Whether values are
normal (Shapiro and Wilk); where they are skewed and their logarithms are less so, logarithms are
charted.

Sources: Alwan and Roberts, J. Bus. Econ. Stat. 6 (1988) 87 (charts of residuals); Kendall,
Biometrika 41 (1954) 403 (bias of the coefficient); Ljung and Box, Biometrika 65 (1978) 297.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.charts.limits import Doubt

__all__ = [
    "Baseline",
    "Lag",
    "Unchartable",
    "baseline_of",
    "chain",
    "clean",
    "lag_of",
    "ljung_box",
    "pooled_lag",
    "steadiness",
]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MOST_ROUNDS = 20
LOOSE = 1.2
"""The median deviation of few lites is itself uncertain: its limits are this much wider."""
LONGEST_LAG = 5
LEAST_SIDE = 5
"""Lites on either side of a possible change in the first phase."""
LARGEST_COEFFICIENT = 0.9
SKEW_LEVEL = 0.01


class Unchartable(ValueError):
    """A figure cannot be charted; the text says why."""


class Lag(NamedTuple):
    """The first autocorrelation; ``coefficient`` is 0 where none was shown.

    found  autocorrelation as it is; p_value: to see as much by chance
    p_rest of what is left at lags 1 to 5, after the AR(1) if one is used
    """

    found: float
    p_value: float
    coefficient: float
    u_coefficient: float
    p_rest: float


@dataclass(frozen=True)
class Baseline:
    """A figure in its first phase.

    mean, sd     of values (of logarithms where ``logarithm``)
    sd_step      standard deviation of what is charted: of residuals where there is a lag
    doubt        what is left unknown
    is_outlier   (lite,) of the first phase
    p_steady     of a steady first phase; change_at: lite with which it would have changed
    p_normal     of normal values
    """

    mean: float
    sd: float
    sd_step: float
    doubt: Doubt
    lag: Lag
    logarithm: bool
    is_outlier: Bools
    p_steady: float
    change_at: int
    p_normal: float

    def scale(self, values: Floats) -> Floats:
        """Values as they are charted: logarithms where the baseline has them."""
        if not self.logarithm:
            return values
        positive = np.where(values > 0, values, np.nan)
        return np.asarray(np.log(positive), dtype=np.float64)

    def standardised(self, values: Floats) -> Floats:
        """Residuals in standard deviations; NaN stays where a lite has no value.

        values  (lite,) in order of scanning, the first phase in front, outliers there as NaN
        """
        off = self.scale(values) - self.mean
        return chain(off, self.lag.coefficient) / self.sd_step


def chain(off: Floats, coefficient: float) -> Floats:
    """``off - coefficient * off'``, off' one lite before; of the same variance where that is none.

    off  (lite,) or (lite, case) with mean zero
    """
    if coefficient == 0:
        return off
    before = np.concatenate([np.full_like(off[:1], np.nan), off[:-1]])
    alone = off * math.sqrt(1 - coefficient**2)
    return np.where(np.isnan(before), alone, off - coefficient * before)


def baseline_of(
    values: Floats,
    *,
    least_values: int,
    outlier_rate: float,
    largest_outlier_share: float,
    logarithm: Literal["auto", "always", "never"],
    lag_level: float,
    permutations: int,
    seed: int,
    lost_dof: int = 0,
) -> Baseline:
    """The baseline of one figure.

    values    (lite,) of the first phase; NaN: no value
    lost_dof  degrees of freedom already spent, e.g. on the means of shifts
    Raises    Unchartable: too few values, all the same, too many outliers, not positive
    """
    have = np.isfinite(values)
    if have.sum() < least_values:
        raise Unchartable(
            f"only {have.sum()} values in the first phase of {values.size} lites, {least_values} "
            "are needed"
        )
    use_log = logarithm == "always"
    if use_log and (values[have] <= 0).any():
        raise Unchartable("a value that is not positive has no logarithm")
    if logarithm == "auto" and (values[have] > 0).all():
        kept = values[have & ~clean(values, outlier_rate)]
        p_raw, p_log = (_normality(v) for v in (kept, np.log(kept)))
        use_log = p_raw < SKEW_LEVEL and p_log > p_raw and _skewness(kept) > 0
    charted = np.log(values) if use_log else values
    is_outlier = clean(charted, outlier_rate)
    if is_outlier.sum() > largest_outlier_share * have.sum():
        raise Unchartable(
            f"{is_outlier.sum()} of {have.sum()} values of the first phase are outliers: it says "
            "nothing about a steady production"
        )
    kept = np.where(is_outlier, np.nan, charted)
    mean, sd = float(np.nanmean(kept)), float(np.nanstd(kept, ddof=1))
    count = int(np.isfinite(kept).sum())
    lag = lag_of(kept - mean, lag_level)
    residual = chain(kept - mean, lag.coefficient)
    dof = count - 1 - lost_dof - (lag.coefficient != 0)
    sd_step = math.sqrt(float(np.nansum(residual**2)) / dof)
    p_steady, change_at = steadiness(residual, permutations, seed)
    return Baseline(
        mean, sd, sd_step, Doubt(count, dof, round(lag.u_coefficient, 3)), lag, use_log,
        is_outlier, p_steady, change_at, _normality(residual[np.isfinite(residual)]),
    )  # fmt: skip


def clean(values: Floats, rate: float) -> Bools:
    """Which values are outliers; a normal sample loses any with at most this chance.

    Raises  Unchartable where the values do not scatter
    """
    from scipy.stats import norm
    from scipy.stats import t as student

    have = np.isfinite(values)
    x = values[have]
    centre = float(np.median(x))
    spread = float(np.median(np.abs(x - centre))) / float(norm.isf(0.25))
    if not spread > 1e-12 * max(abs(centre), 1e-300):
        raise Unchartable("its values do not scatter in the first phase")
    tail = rate / 2 / x.size
    is_out = np.abs(x - centre) > LOOSE * float(norm.isf(tail)) * spread
    for _ in range(MOST_ROUNDS):
        kept = x[~is_out]
        limit = float(student.isf(tail, kept.size - 1)) * math.sqrt(1 + 1 / kept.size)
        again = np.abs(x - kept.mean()) > limit * kept.std(ddof=1)
        if (again == is_out).all():
            break
        is_out = again
    result = np.zeros(values.size, dtype=np.bool_)
    result[have] = is_out
    return result


def lag_of(off: Floats, level: float) -> Lag:
    """Test and coefficient of the first autocorrelation.

    off  (lite,) deviations from their mean, NaN where none
    """
    from scipy.stats import norm

    count = int(np.isfinite(off).sum())
    found = _correlation(off, 1)
    # of independent values it has mean -1/n and variance near 1/n (Kendall)
    p_value = float(2 * norm.sf(abs(found + 1 / count) * math.sqrt(count)))
    coefficient = u_coefficient = 0.0
    if p_value < level:
        unbiased = (found + 1 / count) / (1 - 3 / count)
        coefficient = float(np.clip(unbiased, -LARGEST_COEFFICIENT, LARGEST_COEFFICIENT))
        u_coefficient = math.sqrt((1 - coefficient**2) / count)
    rest = chain(off, coefficient)
    return Lag(found, p_value, coefficient, u_coefficient,
               ljung_box(rest, LONGEST_LAG, int(coefficient != 0))[1])  # fmt: skip


def pooled_lag(values: Floats, permutations: int, seed: int) -> tuple[float, float]:
    """Mean first autocorrelation of several figures, and its two-sided p-value.

    What the furnace remembers, most figures do: together they show a memory that each by itself
    leaves open. The lites are put in random order, all figures of a lite together, so that the
    test minds how the figures depend on each other.

    values  (lite, figure) of the first phase, NaN where none
    """
    have = np.isfinite(values)
    count = have.sum(axis=0)
    off = np.where(have, values - np.nanmean(values, axis=0), 0.0)
    off = off / np.sqrt((off**2).sum(axis=0) / count)

    def mean(order: npt.NDArray[np.intp]) -> float:
        x, known = off[order], have[order]
        both = (known[1:] & known[:-1]).sum(axis=0)
        return float(((x[1:] * x[:-1]).sum(axis=0) / np.maximum(both, 1)).mean())

    rng = np.random.default_rng(seed)
    lites = np.arange(len(values))
    own = mean(lites)
    drawn = np.array([mean(rng.permutation(lites)) for _ in range(permutations)])
    middle = float(drawn.mean())
    reached = int((np.abs(drawn - middle) >= abs(own - middle) * (1 - 1e-12)).sum())
    return own, (1 + reached) / (permutations + 1)


def _correlation(off: Floats, lag: int) -> float:
    first, second = off[:-lag], off[lag:]
    both = np.isfinite(first) & np.isfinite(second)
    if both.sum() < 3:
        return 0.0
    whole = float(np.nansum(off**2)) * both.sum() / (np.isfinite(off).sum() - lag)
    return float((first[both] * second[both]).sum() / whole)


def ljung_box(off: Floats, longest: int, fitted: int = 0) -> tuple[float, float]:
    """Statistic and p-value of Ljung and Box, lags 1 to ``longest``."""
    from scipy.stats import chi2

    count = int(np.isfinite(off).sum())
    total = sum(_correlation(off, k) ** 2 / (count - k) for k in range(1, longest + 1))
    statistic = count * (count + 2) * total
    return statistic, float(chi2.sf(statistic, longest - fitted))


def steadiness(values: Floats, permutations: int, seed: int) -> tuple[float, int]:
    """p-value of a steady mean, and the lite with which it would have changed.

    values  (lite,) NaN where none
    """
    where = np.flatnonzero(np.isfinite(values))
    x = values[where] - values[where].mean()
    n = x.size
    split = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    scale = 1 / np.sqrt(split * (n - split) / n)

    def sizes(order: Floats) -> Floats:
        return np.asarray(np.abs(np.cumsum(order, axis=-1)[..., split - 1]) * scale)

    own = sizes(x)
    rng = np.random.default_rng(seed)
    drawn = sizes(rng.permuted(np.tile(x, (permutations, 1)), axis=1)).max(axis=1)
    p = (1 + int((drawn >= own.max() * (1 - 1e-12)).sum())) / (permutations + 1)
    return p, int(where[split[int(own.argmax())]])


def _normality(values: Floats) -> float:
    from scipy.stats import shapiro

    return float(shapiro(values[:5000]).pvalue)


def _skewness(values: Floats) -> float:
    off = values - values.mean()
    return float((off**3).mean() / (off**2).mean() ** 1.5)
