"""What the differences depend on: the size of the wave, and the uncertainties stated for them.

Limits of agreement hold for all depths alike only if neither the mean nor the spread of the
differences follows the depth. Both are tested against the mean of the two methods. And
differences ought to be as large as the stated uncertainties say: no larger, and not much smaller.

Repeats of a spot are averaged first and lites are compared with themselves only (one level for
each lite), so that a lite with a bias of its own does not pass for a trend.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord.statistics.pairs import Floats, Labels, codes_of, finite, paired_readings
from midchord_io.errors import SurveyError

__all__ = [
    "CAVEAT",
    "LEAST_RANGE",
    "NormalisedErrors",
    "SpreadTrend",
    "Trend",
    "normalised_errors",
    "proportional_bias",
    "spread_trend",
]

CAVEAT = (
    "a slope of differences on means is also made by unequal precision of the two methods (the "
    "noisier one tilts it), so it is a sign of proportional bias, not its measure: see the Deming "
    "slope"
)


LEAST_RANGE = 3.0
"""Range over scatter below which a trend says little: unequal precision alone makes 0.06 of it."""

TREND_LEVEL = 0.05
"""p from which a spread is said to follow the size."""


class Trend(NamedTuple):
    """Differences on means: slope (1) with its interval, p of no slope; see CAVEAT.

    range_over_scatter  standard deviation of the means of a lite's spots over that of the
                        differences about the trend; NaN where there is no trend
    """

    slope: float
    low: float
    high: float
    p: float
    df: int
    at_centre: float  # fitted difference at the mean of the means
    centre: float
    range_over_scatter: float = math.nan

    @property
    def is_narrow(self) -> bool:
        """The sizes differ too little for the slope to mean much."""
        return self.range_over_scatter < LEAST_RANGE


class SpreadTrend(NamedTuple):
    """Koenker's test that the spread does not follow the size: n R^2 against chi-square."""

    statistic: float
    p: float
    grows: bool | None  # larger differences at larger means; None: no trend at 5 %


class NormalisedErrors(NamedTuple):
    """E_n = difference / expanded uncertainty (k = 2), one a reading, and what they say together.

    share_inside   share with |E_n| <= 1, with its Clopper-Pearson interval; about 0.95 expected
    chi_square     sum of (difference/u)^2 on df, p two-sided: small where uncertainties are stated
                   too small or too large
    birge          sqrt(chi_square/df): the factor by which the uncertainties are short
    """

    e_n: Floats
    share_inside: float
    share_low: float
    share_high: float
    chi_square: float
    df: int
    p: float
    birge: float


def _spot_means(
    scan: ArrayLike, gauge: ArrayLike, lite: Labels | None, spot: Labels | None
) -> tuple[Floats, Floats, NDArray[np.intp]]:
    """Differences and means of the methods by spot, and codes of what has its own level."""
    x, y = paired_readings(scan, gauge, what="differences")
    n = x.size
    lites, m = codes_of([0] * n if lite is None else lite, n, what="lites")
    labels = range(n) if spot is None else spot
    codes_of(labels, n, what="spots")
    spots, s = codes_of(list(zip(lites, labels, strict=True)), n, what="spots")
    count = np.bincount(spots, minlength=s)
    d = np.bincount(spots, x - y, s) / count
    mean = np.bincount(spots, (x + y) / 2, s) / count
    lite_of_spot = np.zeros(s, dtype=np.intp)
    lite_of_spot[spots] = lites
    # a lite with one spot cannot be compared with itself; if all are so, lites are the sample
    return d, mean, lite_of_spot if m < s else np.zeros_like(lite_of_spot)


def _centred(values: Floats, level: NDArray[np.intp]) -> Floats:
    """Values of spots less the mean of their level."""
    centred: Floats = values - (np.bincount(level, values) / np.bincount(level))[level]
    return centred


def _over(sizes: Floats, rest: Floats) -> float:
    """Spread of the sizes over that of the rest; infinite where there is no rest."""
    scatter = float(np.std(rest))
    return float(np.std(sizes)) / scatter if scatter > 0 else math.inf


def _fit(d: Floats, mean: Floats, level: NDArray[np.intp]) -> tuple[float, float, Floats, int]:
    """Within-lite least squares: slope, its standard error, residuals, degrees of freedom."""
    inside_m, inside_d = _centred(mean, level), _centred(d, level)
    sxx = float(inside_m @ inside_m)
    df = d.size - int(level.max()) - 2
    # what is left of equal means after the subtraction is rounding, not range
    flat = sxx <= 1e-24 * d.size * float(np.mean(mean**2))
    if flat or df < 1:
        return math.nan, math.nan, inside_d, df
    slope = float(inside_m @ inside_d) / sxx
    residual = inside_d - slope * inside_m
    return slope, math.sqrt(float(residual @ residual) / df / sxx), residual, df


def proportional_bias(
    scan: ArrayLike,
    gauge: ArrayLike,
    *,
    lite: Labels | None = None,
    spot: Labels | None = None,
    confidence: float = 0.95,
) -> Trend:
    """Regression of differences (scan - gauge) on means, within lites. See CAVEAT.

    scan, gauge  (pairs,), one unit; lite, spot  (pairs,) labels
    returns      Trend; NaN where the means do not vary or readings are too few
    Raises       SurveyError without pairs, on NaN, on lengths that differ
    Source       Bland and Altman, Stat. Methods Med. Res. 8 (1999) 135-160, section 3.2
    """
    from scipy.stats import t

    d, mean, level = _spot_means(scan, gauge, lite, spot)
    slope, error, residual, df = _fit(d, mean, level)
    centre, at_centre = float(mean.mean()), float(d.mean())
    if not math.isfinite(slope):
        return Trend(math.nan, math.nan, math.nan, math.nan, max(df, 0), at_centre, centre)
    half = float(t.ppf((1 + confidence) / 2, df)) * error
    exact = 0.0 if slope else 1.0  # every difference on the line
    p = float(2 * t.sf(abs(slope) / error, df)) if error > 0 else exact
    reach = _over(_centred(mean, level), residual)
    return Trend(slope, slope - half, slope + half, p, df, at_centre, centre, reach)


def spread_trend(
    scan: ArrayLike,
    gauge: ArrayLike,
    *,
    lite: Labels | None = None,
    spot: Labels | None = None,
) -> SpreadTrend:
    """Koenker's studentised Breusch-Pagan test of the residuals of ``proportional_bias``.

    returns  SpreadTrend; NaN where there is too little to test
    Raises   SurveyError without pairs, on NaN, on lengths that differ
    Source   Koenker, J. Econometrics 17 (1981) 107-112
    """
    from scipy.stats import chi2

    d, mean, level = _spot_means(scan, gauge, lite, spot)
    slope, _, residual, _ = _fit(d, mean, level)
    square = residual**2
    if not math.isfinite(slope) or np.ptp(square) == 0:
        return SpreadTrend(math.nan, math.nan, None)
    r = float(np.corrcoef(square, mean)[0, 1])
    statistic = d.size * r**2
    p = float(chi2.sf(statistic, 1))
    return SpreadTrend(statistic, p, r > 0 if p < TREND_LEVEL else None)


def normalised_errors(
    scan: ArrayLike,
    gauge: ArrayLike,
    u_scan: ArrayLike,
    u_gauge: ArrayLike,
    *,
    coverage_factor: float = 2.0,
    confidence: float = 0.95,
) -> NormalisedErrors:
    """Are the differences as large as the combined standard uncertainties say?

    scan, gauge      (pairs,), one unit
    u_scan, u_gauge  standard uncertainties, (pairs,) or one number, same unit
    returns          NormalisedErrors. A part of the uncertainty that readings share (one
                     calibration, one lite) makes chi-square vary more than its table says.
    Raises           SurveyError without pairs, on NaN, on a combined uncertainty of zero
    Source           ISO 13528:2015, 9.7 (E_n); Birge, Phys. Rev. 40 (1932) 207-227
    """
    from scipy.stats import beta, chi2

    x, y = paired_readings(scan, gauge, what="normalised errors")
    n = x.size
    u = [finite(np.broadcast_to(np.asarray(v, float), x.shape), what="uncertainties")
         for v in (u_scan, u_gauge)]  # fmt: skip
    combined = np.hypot(u[0], u[1])
    if not np.all(combined > 0):
        raise SurveyError(
            "uncertainties",
            found="a combined uncertainty is zero",
            needed="each pair needs one above zero",
            do="give the gauge its resolution at least",
        )
    e_n = (x - y) / (coverage_factor * combined)
    inside = int(np.sum(np.abs(e_n) <= 1))
    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, inside, n - inside + 1)) if inside else 0.0
    high = float(beta.ppf(1 - tail, inside + 1, n - inside)) if inside < n else 1.0
    total = float(np.sum(((x - y) / combined) ** 2))
    p = 2 * min(float(chi2.sf(total, n)), float(chi2.cdf(total, n)))
    return NormalisedErrors(e_n, inside / n, low, high, total, n, p, math.sqrt(total / n))
