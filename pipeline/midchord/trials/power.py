"""How many lites show an effect, and how small an effect the lites at hand could show.

By Student's noncentral t: with the standard deviation s between lites (of pairs: of their
differences) and n lites of each setting (n pairs),

    power = P(|T| > t_crit),   T noncentral with d = effect / (s sqrt(2 / n))   (pairs: s / sqrt(n))

Source: Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988). s comes from
few lites itself: the count at its one-sided 95 % upper bound stands beside.
"""

from __future__ import annotations

import math
from typing import NamedTuple

__all__ = ["Needed", "detectable", "lites_needed", "power_of", "upper_sd"]

MOST_LITES = 1_000_000
NODES = 200


class Needed(NamedTuple):
    """Lites of each setting (or pairs) for an effect; None: more than a million."""

    effect: float
    lites: int | None
    lites_at_upper_sd: int | None


def power_of(effect: float, sd: float, count: int, *, alpha: float, paired: bool) -> float:
    """Chance to show an effect with ``count`` lites of each setting, or pairs."""
    import numpy as np
    from scipy.special import ndtr
    from scipy.stats import chi2
    from scipy.stats import t as student

    dof = count - 1 if paired else 2 * (count - 1)
    if dof < 1:
        return 0.0
    away = abs(effect) / (sd * math.sqrt((1 if paired else 2) / count))
    limit = float(student.isf(alpha / 2, dof))
    # over the scatter of s itself: the library's noncentral t fails for few lites and large effects
    node, weight = np.polynomial.legendre.leggauss(NODES)
    seen = limit * np.sqrt(chi2.ppf(0.5 * (node + 1), dof) / dof)
    return float((0.5 * weight * (ndtr(away - seen) + ndtr(-away - seen))).sum())


def lites_needed(
    effect: float, sd: float, *, alpha: float, power: float, paired: bool
) -> int | None:
    """Smallest number of lites of each setting, or pairs; None: more than a million."""
    low, high = 1, 2

    def enough(count: int) -> bool:
        return power_of(effect, sd, count, alpha=alpha, paired=paired) >= power

    while not enough(high):
        low, high = high, 2 * high
        if high > MOST_LITES:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def detectable(sd: float, count: int, *, alpha: float, power: float, paired: bool) -> float:
    """Smallest effect that ``count`` lites of each setting, or pairs, show with that power."""
    from scipy.optimize import brentq

    unit = sd * math.sqrt((1 if paired else 2) / count)
    top = unit
    while power_of(top, sd, count, alpha=alpha, paired=paired) < power:
        top *= 2
    return float(
        brentq(
            lambda e: power_of(e, sd, count, alpha=alpha, paired=paired) - power, 1e-9 * unit, top
        )
    )


def upper_sd(sd: float, dof: int, *, confidence: float = 0.95) -> float:
    """One-sided upper confidence bound of a standard deviation."""
    from scipy.stats import chi2

    return sd * math.sqrt(dof / float(chi2.isf(confidence, dof)))
