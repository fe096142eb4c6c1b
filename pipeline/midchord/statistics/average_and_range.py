"""Gauge study by averages and ranges: the method of the pocket calculator, still asked for.

Standard deviations from ranges: a mean range over d2, a single range over d2*. It knows no
interaction and gives no intervals; ``gauge_study`` is the better method.

Sources: AIAG, Measurement Systems Analysis, 4th ed., 2010, whose K1, K2, K3 are 1/d2, 1/d2*,
1/d2* to four digits (so they are here, since people check this method by hand with the printed
table); Duncan, Quality Control and Industrial Statistics, 1955 (d2*).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from midchord.statistics.gauge_study import NDC_FACTOR, crossed_cells
from midchord.statistics.pairs import Labels, codes_of, finite
from midchord_io.errors import SurveyError

__all__ = ["RangeStudy", "range_study"]


class RangeStudy(NamedTuple):
    """Average-and-range method: standard deviations in the unit of the readings."""

    repeatability_sd: float
    reproducibility_sd: float
    grr_sd: float
    part_sd: float
    total_sd: float
    grr_share: float
    ndc: float


def range_study(values: ArrayLike, *, part: Labels, operator: Labels) -> RangeStudy:
    """Gauge study by averages and ranges: equal numbers of trials, two at least.

    values, part, operator  as for ``anova_study``
    Raises                  SurveyError as there, and where the numbers of trials differ or are 1
    """
    y = finite(values, what="gauge study")
    means, count, _ = crossed_cells(y, part, operator)
    trials = int(count.flat[0])
    if np.ptp(count) or trials < 2:
        raise SurveyError(
            "gauge study by ranges",
            found=f"cells hold {int(count.min())} to {int(count.max())} readings",
            needed="every operator must read every part equally often, twice at least",
            do="use the analysis of variance",
        )
    p, n_parts = codes_of(part, y.size, what="parts")
    o, n_operators = codes_of(operator, y.size, what="operators")
    high, low = np.full(means.shape, -np.inf), np.full(means.shape, np.inf)
    np.maximum.at(high, (p, o), y)
    np.minimum.at(low, (p, o), y)
    ev = float(np.mean(high - low)) * _range_constant(trials, many=True)
    spread = float(np.ptp(means.mean(axis=0))) * _range_constant(n_operators, many=False)
    av = math.sqrt(max(0.0, spread**2 - ev**2 / (n_parts * trials)))
    pv = float(np.ptp(means.mean(axis=1))) * _range_constant(n_parts, many=False)
    grr = math.hypot(ev, av)
    total = math.hypot(grr, pv)
    return RangeStudy(
        ev, av, grr, pv, total,
        grr / total if total > 0 else math.nan,
        NDC_FACTOR * pv / grr if grr > 0 else math.inf,
    )  # fmt: skip


def _range_constant(n: int, *, many: bool) -> float:
    """1/d2 (mean range of n normal values, ``many`` ranges) or 1/d2* of a single range.

    The range of n has the distribution n int phi(x) [Phi(x + w) - Phi(x)]^(n-1) dx.
    """
    from scipy.special import ndtr

    w = np.linspace(0.0, 14.0, 1401)
    x = np.linspace(-8.0, 8.0, 1601)
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    inside = (ndtr(x[None, :] + w[:, None]) - ndtr(x)[None, :]) ** (n - 1)
    above = 1 - n * np.trapezoid(density * inside, x, axis=1)
    mean = float(np.trapezoid(above, w))
    d2 = mean if many else math.sqrt(2 * float(np.trapezoid(w * above, w)))
    return round(1 / d2, 4)
