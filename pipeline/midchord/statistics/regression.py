"""Lines through readings that both carry error: Deming, York, Passing-Bablok.

Ordinary regression takes x as free of error and so bends the slope towards zero; a hand gauge is
not free of error. Deming's line needs the ratio of the two error variances, York's the standard
uncertainty of each reading, Passing and Bablok's neither (it is a median of slopes, so a blunder
does not move it), but a monotone relation and errors in proportion to the slope. Slope 1 and
intercept 0 inside their intervals say "no difference found", not "agreement": see ``agreement``.

Pairs of one lite are alike. Where lites are given, the intervals come from leaving out (Deming) or
resampling (Passing-Bablok, seed stated) whole lites.

Sources: Fuller, Measurement Error Models, 1987, section 1.3; Linnet, Clin. Chem. 39 (1993)
424-432 (jackknife); York, Evensen, Lopez Martinez and De Basabe Delgado, Am. J. Phys. 72 (2004)
367-375; Passing and Bablok, J. Clin. Chem. Clin. Biochem. 21 (1983) 709-720.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord.statistics.pairs import Floats, Labels, codes_of, finite, paired_readings
from midchord_io.errors import SurveyError

__all__ = ["Line", "RankLine", "deming", "passing_bablok", "york"]


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x, with standard errors and two-sided intervals.

    chi_square is York's weighted sum of squares on ``df``; NaN for Deming.
    """

    slope: float
    slope_error: float
    slope_ci: tuple[float, float]
    intercept: float
    intercept_error: float
    intercept_ci: tuple[float, float]
    df: int
    interval: str
    chi_square: float = math.nan


@dataclass(frozen=True)
class RankLine:
    """Passing and Bablok's line. An interval end is infinite where the data do not bound it.

    tau            Kendall's rank correlation: the line means nothing unless it is clearly above 0
    linearity_p    of the cusum test, on means of spots where those are given; small: it bends
    n_slopes       slopes that counted (pairs of pairs, less identical ones and slopes of -1)
    """

    slope: float
    slope_ci: tuple[float, float]
    intercept: float
    intercept_ci: tuple[float, float]
    tau: float
    tau_p: float
    linearity_p: float
    n_slopes: int
    interval: str


def deming(
    x: ArrayLike,
    y: ArrayLike,
    *,
    variance_ratio: float = 1.0,
    interval: Literal["jackknife", "analytic"] = "jackknife",
    lite: Labels | None = None,
    confidence: float = 0.95,
) -> Line:
    """Deming's line; with a ratio of 1 the orthogonal one.

    x, y            (pairs,)
    variance_ratio  error variance of y over that of x
    interval        "jackknife" (leaves out pairs, or lites where given) or "analytic" (Fuller,
                    normal errors, independent pairs)
    Raises          SurveyError below 3 pairs (or lites), and where x and y do not vary together
    """
    from scipy.stats import t

    a, b = paired_readings(x, y, what="Deming regression")
    if not (variance_ratio > 0 and math.isfinite(variance_ratio)):
        raise SurveyError(
            "Deming regression",
            found=f"the variance ratio is {variance_ratio!r}",
            needed="a number above zero is needed",
            do="give the error variance of y over that of x",
        )
    groups, m = codes_of(range(a.size) if lite is None else lite, a.size, what="lites")
    count = a.size if interval == "analytic" else m
    if count < 3:
        raise SurveyError(
            "Deming regression",
            found=f"there are {count} " + ("pairs" if count == a.size else "lites"),
            needed="3 at least are needed",
            do="take more readings",
        )
    slope, intercept = _deming_line(a, b, variance_ratio)
    if interval == "analytic":
        errors = _fuller_errors(a, b, slope, intercept, variance_ratio)
    else:
        left = np.array(
            [_deming_line(a[groups != g], b[groups != g], variance_ratio) for g in range(m)]
        )
        pseudo = m * np.array([slope, intercept]) - (m - 1) * left
        scatter = pseudo.std(axis=0, ddof=1) / math.sqrt(m)
        errors = float(scatter[0]), float(scatter[1])
    df = count - 2 if count == a.size else count - 1
    half = float(t.ppf((1 + confidence) / 2, df))
    return Line(
        slope, errors[0], (slope - half * errors[0], slope + half * errors[0]),
        intercept, errors[1], (intercept - half * errors[1], intercept + half * errors[1]),
        df, interval,
    )  # fmt: skip


def _deming_line(x: Floats, y: Floats, ratio: float) -> tuple[float, float]:
    dx, dy = x - x.mean(), y - y.mean()
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0:
        raise SurveyError(
            "Deming regression",
            found="the two methods do not vary together",
            needed="a line needs readings that do",
            do="take spots over a range of depths",
        )
    lead = syy - ratio * sxx
    slope = (lead + math.sqrt(lead**2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return slope, float(y.mean()) - slope * float(x.mean())


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


def passing_bablok(
    x: ArrayLike,
    y: ArrayLike,
    *,
    lite: Labels | None = None,
    spot: Labels | None = None,
    confidence: float = 0.95,
    replicates: int = 999,
    seed: int = 19830,
) -> RankLine:
    """Passing and Bablok's line.

    The slopes of all pairs of pairs are ordered; slopes of exactly -1 and identical pairs do not
    count; slopes below -1 count as steeper than vertical (the shift K of the paper). The slope is
    the median in this order, for an even number the geometric mean of the middle two, so that
    exchanging the methods gives exactly the inverse line.

    x, y        (pairs,)
    lite        (pairs,) labels: the interval is then the percentiles of ``replicates`` resamplings
                of whole lites (``seed``); without it, it comes from the ranks, as in the paper
    spot        (pairs,) labels: repeats at one spot share what is off there, so the test of
                linearity takes the mean of each spot as one pair; the line takes all pairs
    Raises      SurveyError below 3 pairs (or lites) and where no slope counts
    """
    from scipy.stats import kendalltau, norm

    a, b = paired_readings(x, y, what="Passing-Bablok regression")
    groups, m = codes_of(range(a.size) if lite is None else lite, a.size, what="lites")
    if m < 3:
        raise SurveyError(
            "Passing-Bablok regression",
            found=f"there are {m} " + ("pairs" if m == a.size else "lites"),
            needed="3 at least are needed",
            do="take more readings",
        )
    spots, n_spots = codes_of(range(a.size) if spot is None else spot, a.size, what="spots")
    slopes, first, second = _ordered_slopes(a, b)
    n_slopes = slopes.size
    if n_slopes == 0:
        raise SurveyError(
            "Passing-Bablok regression",
            found="no two pairs make a slope",
            needed="readings must differ",
            do="take spots over a range of depths",
        )
    slope = _middle(slopes)
    intercept = float(np.median(b - slope * a)) if math.isfinite(slope) else math.nan
    if m == a.size:
        spread = float(norm.ppf((1 + confidence) / 2)) * math.sqrt(m * (m - 1) * (2 * m + 5) / 18)
        rank = round((n_slopes - spread) / 2)
        low = float(slopes[rank - 1]) if rank >= 1 else -math.inf
        high = float(slopes[n_slopes - rank]) if rank >= 1 else math.inf
        slope_ci = (low, math.inf if high < low else high)  # below: steeper than vertical
        intercept_ci = (-math.inf, math.inf)
        if all(map(math.isfinite, slope_ci)):
            ends = [float(np.median(b - s * a)) for s in slope_ci]
            intercept_ci = (min(ends), max(ends))
        kind = "ranks"
    else:
        slope_ci, intercept_ci = _resampled(
            a, b, groups, m, slopes, first, second, confidence, replicates, seed
        )
        kind = f"{replicates} resamplings of lites, seed {seed}"
    tau, tau_p = (float(v) for v in kendalltau(a, b))
    return RankLine(
        slope, slope_ci, intercept, intercept_ci, tau, tau_p,
        _cusum_p(*_means_of(spots, n_spots, a, b), slope, intercept), n_slopes, kind,
    )  # fmt: skip


def _ordered_slopes(
    x: Floats, y: Floats
) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Slopes in the order of their angle from -45 to 135 degrees, with the two pairs of each."""
    first, second = np.triu_indices(x.size, 1)
    dx, dy = x[second] - x[first], y[second] - y[first]
    # decimals are not exact in binary: -1 is recognised to rounding
    rounding = 1e-12 * (np.abs(dx) + np.abs(dy))
    counts = (np.abs(dx + dy) > rounding) & ((dx != 0) | (dy != 0))
    dx, dy, first, second = dx[counts], dy[counts], first[counts], second[counts]
    with np.errstate(divide="ignore"):
        slope = np.where(dx == 0, np.inf, dy / np.where(dx == 0, 1.0, dx))
    order = np.lexsort((slope, slope < -1))
    return slope[order], first[order], second[order]


def _middle(ordered: Floats) -> float:
    n = ordered.size
    low, high = float(ordered[(n - 1) // 2]), float(ordered[n // 2])
    if low == high:
        return low
    if 0 < low < math.inf and 0 < high < math.inf:
        return math.sqrt(low * high)
    # halfway by angle, which is also the same for exchanged methods
    angles = [math.atan(v) + (math.pi if v < -1 else 0.0) for v in (low, high)]
    return math.tan(sum(angles) / 2)


def _resampled(
    x: Floats, y: Floats, groups: NDArray[np.intp], m: int, slopes: Floats,
    first: NDArray[np.intp], second: NDArray[np.intp],
    confidence: float, replicates: int, seed: int,
) -> tuple[tuple[float, float], tuple[float, float]]:  # fmt: skip
    """Percentile intervals: a lite drawn k times weighs each of its pairs k-fold."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(replicates):
        times = np.bincount(rng.integers(m, size=m), minlength=m)[groups]
        weight = times[first] * times[second]
        below = np.cumsum(weight)
        if below[-1] == 0:
            continue
        slope = float(slopes[np.searchsorted(below, below[-1] / 2)])
        found.append((slope, float(np.median(np.repeat(y - slope * x, times)))))
    tail = (1 - confidence) / 2
    # order statistics, not interpolation: a slope may be infinite
    low, high = np.quantile(np.array(found), [tail, 1 - tail], axis=0, method="nearest")
    return (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))


def _means_of(
    spots: NDArray[np.intp], n_spots: int, x: Floats, y: Floats
) -> tuple[Floats, Floats]:
    """Both readings of each spot, the mean of its repeats."""
    times = np.bincount(spots, minlength=n_spots).astype(float)
    return np.bincount(spots, x) / times, np.bincount(spots, y) / times


def _cusum_p(x: Floats, y: Floats, slope: float, intercept: float) -> float:
    """Cusum test of linearity: residual signs in the order along the line."""
    from scipy.special import kolmogorov

    if not math.isfinite(slope) or slope == 0:
        return math.nan
    rest = y - intercept - slope * x
    # a residual that is only rounding lies on the line
    rest[np.abs(rest) <= 1e-12 * (np.abs(y) + abs(intercept) + np.abs(slope * x))] = 0.0
    above, below = int(np.sum(rest > 0)), int(np.sum(rest < 0))
    if not above or not below:
        return math.nan
    score = np.where(rest > 0, math.sqrt(below / above), 0.0)
    score = np.where(rest < 0, -math.sqrt(above / below), score)
    along = (y + x / slope - intercept) / math.sqrt(1 + 1 / slope**2)
    largest = float(np.max(np.abs(np.cumsum(score[np.argsort(along, kind="stable")]))))
    return float(kolmogorov(largest / math.sqrt(below + 1)))
