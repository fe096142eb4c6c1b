"""Lin's concordance coefficient: how far pairs are from the line of identity.

    rho_c = 2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2)

the correlation times a factor below 1 for bias and for a difference in scale. It is reported
since readers ask for it, with the caveat that it grows with the range of the lites chosen:
agreement is judged by limits (``agreement``), never by this.

Interval by Fisher's z. For independent pairs Lin's variance is used; where several pairs belong to
a lite, the delete-one-lite jackknife of z, on Student's t.

Sources: Lin, Biometrics 45 (1989) 255-268, variance as corrected in Biometrics 56 (2000) 324-325.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from midchord.statistics.pairs import Floats, Labels, codes_of, paired_readings

__all__ = ["Concordance", "concordance"]


class Concordance(NamedTuple):
    """Coefficient with its interval, and its factors: correlation x accuracy."""

    coefficient: float
    low: float
    high: float
    correlation: float
    accuracy: float


def concordance(
    scan: ArrayLike, gauge: ArrayLike, *, lite: Labels | None = None, confidence: float = 0.95
) -> Concordance:
    """Lin's coefficient of paired readings, (pairs,) each in the same unit.

    lite     (pairs,) labels: pairs of one lite are then taken as alike
    returns  Concordance; NaN where a method does not vary, ends NaN below 4 pairs or 3 lites
    Raises   SurveyError without pairs, on NaN, on lengths that differ
    """
    from scipy.stats import norm, t

    x, y = paired_readings(scan, gauge, what="concordance")
    value, r = _coefficient(x, y)
    if not math.isfinite(value):
        return Concordance(*[math.nan] * 5)
    accuracy = value / r if r else math.nan
    groups, m = codes_of(range(x.size) if lite is None else lite, x.size, what="lites")
    nothing = Concordance(value, math.nan, math.nan, r, accuracy)
    if abs(value) >= 1 - 1e-15:
        return Concordance(value, value, value, r, accuracy)
    z = math.atanh(value)
    if m == x.size:
        if m < 4 or r == 0:
            return nothing
        shift = (x.mean() - y.mean()) ** 2 / (x.std() * y.std())
        c2, r2 = value**2, r**2
        variance = (
            (1 - r2) * c2 / ((1 - c2) * r2)
            + 2 * value**3 * (1 - value) * shift / (r * (1 - c2) ** 2)
            - value**4 * shift**2 / (2 * r2 * (1 - c2) ** 2)
        ) / (m - 2)
        half = float(norm.ppf((1 + confidence) / 2)) * math.sqrt(max(variance, 0.0))
    else:
        if m < 3:
            return nothing
        parts = [_coefficient(x[groups != g], y[groups != g])[0] for g in range(m)]
        left_out = np.arctanh(np.clip(parts, -1 + 1e-15, 1 - 1e-15))
        error = math.sqrt((m - 1) / m * float(np.sum((left_out - left_out.mean()) ** 2)))
        half = float(t.ppf((1 + confidence) / 2, m - 1)) * error
    return Concordance(value, math.tanh(z - half), math.tanh(z + half), r, accuracy)


def _coefficient(x: Floats, y: Floats) -> tuple[float, float]:
    sxx, syy = float(np.var(x)), float(np.var(y))
    if sxx == 0 or syy == 0:
        return math.nan, math.nan
    sxy = float(np.mean((x - x.mean()) * (y - y.mean())))
    value = 2 * sxy / (sxx + syy + float(x.mean() - y.mean()) ** 2)
    return value, sxy / math.sqrt(sxx * syy)
