"""Lines through readings that both carry error: Deming, York; see also ``passing_bablok``.

Ordinary regression takes x as free of error and so bends the slope towards zero; a hand gauge is
not free of error. Deming's line needs the ratio of the two error variances, York's the standard
uncertainty of each reading. Slope 1 and intercept 0 inside their intervals say "no difference
found", not "agreement": see ``agreement``.

Pairs of one lite or one spot are alike: where they repeat, the intervals of Deming's line come
from leaving out whole lites or spots (``jackknife``). With the ratio of the budget the 95 %
intervals of slope and intercept held the truth in 94 to 99 and 93 to 96 % of the simulated surveys
that ``passing_bablok`` tells of.

Sources: Fuller, Measurement Error Models, 1987, section 1.3; Linnet, Clin. Chem. 39 (1993)
424-432 (jackknife); York, Evensen, Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72 (2004)
367-375.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from midchord.statistics.jackknife import Codes, clusters_of, jackknife
from midchord.statistics.pairs import Floats, Labels, finite, paired_readings
from midchord_io.errors import SurveyError

__all__ = ["Line", "deming", "york"]

WHAT = "Deming regression"


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x, with standard errors and two-sided intervals.

    df is that of the slope. chi_square is York's weighted sum of squares on it; None for Deming.
    variance_ratio is Deming's; None for York. An interval end is
    infinite where the data do not bound it.
    """

    slope: float
    slope_error: float
    slope_ci: tuple[float, float]
    intercept: float
    intercept_error: float
    intercept_ci: tuple[float, float]
    df: float
    interval: str
    chi_square: float | None = None
    variance_ratio: float | None = None


def deming(
    x: ArrayLike,
    y: ArrayLike,
    *,
    variance_ratio: float = 1.0,
    interval: Literal["jackknife", "analytic"] = "jackknife",
    lite: Labels | None = None,
    spot: Labels | None = None,
    operator: Labels | None = None,
    confidence: float = 0.95,
) -> Line:
    """Deming's line; with a ratio of 1 the orthogonal one.

    x, y            (pairs,)
    variance_ratio  error variance of y over that of x
    interval        "jackknife" (leaves out pairs, or whole clusters) or "analytic" (Fuller, normal
                    errors, independent pairs)
    lite, spot, operator
                    (pairs,) labels of clusters, see ``jackknife``
    Raises          SurveyError below 3 pairs (or clusters), and where the slope cannot be told: x
                    and y do not vary together
    """
    from scipy.stats import t

    a, b = paired_readings(x, y, what=WHAT)
    if not (variance_ratio > 0 and math.isfinite(variance_ratio)):
        raise SurveyError(
            WHAT,
            found=f"the variance ratio is {variance_ratio!r}",
            needed="a number above zero is needed",
            do="give the error variance of y over that of x",
        )
    if interval == "analytic":
        lite = spot = operator = None
    clusters = clusters_of(a.size, what=WHAT, lite=lite, spot=spot, operator=operator)
    slope, intercept = _deming_line(a, b, variance_ratio)
    if interval == "analytic":
        errors = np.array(_fuller_errors(a, b, slope, intercept, variance_ratio))
        df, named = np.full(2, a.size - 2.0), "analytic, for independent pairs"
    else:
        errors, df = jackknife(
            clusters, lambda groups, m: _lines_without(a, b, groups, m, variance_ratio)
        )
        named = clusters.words
        if clusters.is_independent:
            df = np.full(2, a.size - 2.0)  # Linnet's count
    half = t.ppf((1 + confidence) / 2, df) * errors
    h_slope, h_intercept = (float(reach) for reach in half)
    return Line(
        slope, float(errors[0]), (slope - h_slope, slope + h_slope),
        intercept, float(errors[1]), (intercept - h_intercept, intercept + h_intercept),
        float(df[0]), named, variance_ratio=variance_ratio,
    )  # fmt: skip


def _deming_line(x: Floats, y: Floats, ratio: float) -> tuple[float, float]:
    nothing = np.full(x.size, -1, dtype=np.intp)
    slope, intercept = _lines_without(x, y, nothing, 1, ratio)[0]
    # what is left of equal readings after the subtraction of the mean is rounding, not range
    if not math.isfinite(slope) or not min(np.ptp(x), np.ptp(y)) > 0:
        raise SurveyError(
            WHAT,
            found="the two methods do not vary together, so the slope cannot be told",
            needed="a line needs readings that do",
            do="take spots over a range of depths",
        )
    return float(slope), float(intercept)


def _lines_without(x: Floats, y: Floats, groups: Codes, m: int, ratio: float) -> Floats:
    """Slope and intercept without each group, (m, 2), infinite where there is none.

    By sums over the groups: the work goes with the pairs, not with pairs times groups.
    """
    mean_x, mean_y = float(x.mean()), float(y.mean())
    dx, dy = x - mean_x, y - mean_y
    terms = (np.ones_like(dx), dx, dy, dx * dx, dy * dy, dx * dy)
    own = groups >= 0  # -1: in no group
    n, sx, sy, sxx, syy, sxy = (
        float(term.sum()) - np.bincount(groups[own], term[own], m) for term in terms
    )
    rounding = 1e-12 * math.sqrt(float(terms[3].sum()) * float(terms[4].sum()))
    sxx, syy, sxy = sxx - sx**2 / n, syy - sy**2 / n, sxy - sx * sy / n
    lead = syy - ratio * sxx
    top = lead + np.sqrt(lead**2 + 4 * ratio * sxy**2)
    told = np.abs(sxy) > rounding
    slope = np.divide(top, 2 * sxy, out=np.full(m, np.inf), where=told)
    kept_x, kept_y = mean_x + sx / n, mean_y + sy / n
    at_zero = np.subtract(kept_y, slope * np.where(told, kept_x, 1.0), where=told,
                          out=np.full(m, np.inf))  # fmt: skip
    return np.column_stack([slope, at_zero])


def _fuller_errors(
    x: Floats, y: Floats, slope: float, intercept: float, ratio: float
) -> tuple[float, float]:
    n = x.size
    rest = y - intercept - slope * x
    across = float(rest @ rest) / (n - 2)
    noise_x = across / (ratio + slope**2)
    true_x = float(np.cov(x, y)[0, 1]) / slope
    variance = (true_x * across + noise_x * across - (slope * noise_x) ** 2) / (n - 1) / true_x**2
    at_zero = across / n + float(x.mean()) ** 2 * variance
    return math.sqrt(max(variance, 0.0)), math.sqrt(max(at_zero, 0.0))


def york(
    x: ArrayLike,
    y: ArrayLike,
    u_x: ArrayLike,
    u_y: ArrayLike,
    *,
    correlation: ArrayLike = 0.0,
    confidence: float = 0.95,
) -> Line:
    """York's line: least squares with a standard uncertainty for each x and each y.

    x, y, u_x, u_y  (pairs,); the uncertainties may be one number
    correlation     of the errors of a pair, (pairs,) or one number
    returns         Line; errors follow from the uncertainties given (they are not inflated by the
                    scatter: chi_square/df says whether they should be)
    Raises          SurveyError below 3 pairs, on an uncertainty that is not above zero, and where
                    the iteration finds no line
    """
    from scipy.stats import norm

    a, b = paired_readings(x, y, what="York regression")
    r = np.broadcast_to(np.asarray(correlation, float), a.shape)
    u = [finite(np.broadcast_to(np.asarray(v, float), a.shape), what="York regression")
         for v in (u_x, u_y)]  # fmt: skip
    if a.size < 3 or np.any(u[0] <= 0) or np.any(u[1] <= 0):
        raise SurveyError(
            "York regression",
            found=f"there are {a.size} pairs, smallest uncertainty {float(min(map(np.min, u)))!r}",
            needed="it takes 3 pairs and uncertainties above zero",
            do="give each reading its standard uncertainty",
        )
    weight_x, weight_y = u[0] ** -2.0, u[1] ** -2.0
    alpha = np.sqrt(weight_x * weight_y)
    slope = _deming_line(a, b, float(np.mean(u[1] ** 2) / np.mean(u[0] ** 2)))[0]
    for _ in range(500):
        w = weight_x * weight_y / (weight_x + slope**2 * weight_y - 2 * slope * r * alpha)
        mean_x, mean_y = float(w @ a / w.sum()), float(w @ b / w.sum())
        dx, dy = a - mean_x, b - mean_y
        beta = w * (dx / weight_y + slope * dy / weight_x - (slope * dx + dy) * r / alpha)
        previous, slope = slope, float((w * beta) @ dy / ((w * beta) @ dx))
        if abs(slope - previous) <= 1e-14 * max(abs(slope), 1e-300):
            break
    if not math.isfinite(slope) or abs(slope - previous) > 1e-9 * max(abs(slope), 1e-300):
        raise SurveyError(
            "York regression",
            found="the iteration finds no line",
            needed="readings must span more than their uncertainties",
            do="take spots over a range of depths",
        )
    intercept = mean_y - slope * mean_x
    adjusted = mean_x + beta
    centre = float(w @ adjusted / w.sum())
    slope_error = float(w @ (adjusted - centre) ** 2) ** -0.5
    at_zero = math.sqrt(1 / float(w.sum()) + (centre * slope_error) ** 2)
    half = float(norm.ppf((1 + confidence) / 2))
    return Line(
        slope, slope_error, (slope - half * slope_error, slope + half * slope_error),
        intercept, at_zero, (intercept - half * at_zero, intercept + half * at_zero),
        a.size - 2, "york", float(w @ (b - slope * a - intercept) ** 2),
    )  # fmt: skip
