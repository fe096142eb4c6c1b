"""Limits of a chart for a stated rate of false alarms, the first phase's own doubt allowed for.

A limit from tables holds for a mean and a standard deviation that are known. Here both come from
lites, and a standard deviation that is 10 % too small makes false alarms ten times as
frequent on a chart with a long run length. So the rate is averaged over what the first phase leaves
unknown,

    rate = E[1 / ARL],   mean error ~ N(0, 1 / lites),   s / sigma ~ sqrt(chi2(dof) / dof),

and the limit is the one at which that average is the rate that was asked for. With more lites in
the first phase the limits come closer. Where residuals of an AR(1) are charted, the error of its
coefficient (``u_coefficient``) widens what accumulates: an error e leaves residuals whose sums
scatter by sqrt((1 + e) / (1 - e)) more.

The family: a rate of ``1 / lites`` for all charts together is split over them; rates add at most
(Bonferroni, Boole's inequality), so it holds whatever the dependence between figures and zones.

Sources: Jensen, Jones-Farmer, Champ and Woodall, J. Qual. Technol. 38 (2006) 349, on what estimated
parameters do to charts; the averaged rate is a choice of our own.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.charts.run_length import arl_cusum, arl_ewma, arl_individuals

__all__ = ["Doubt", "Limits", "limits_for", "run_lengths"]

Floats = npt.NDArray[np.float64]

MEAN_NODES, SPREAD_NODES, LAG_NODES = 7, 12, 5
REACH = 5.0
"""Standard deviations of the spread's logarithm that are integrated over."""
LARGEST_LAG_ERROR = 0.9


class Doubt(NamedTuple):
    """What a first phase leaves unknown.

    values         lites behind the mean
    dof            degrees of freedom of the standard deviation
    u_coefficient  standard error of an AR(1) coefficient; 0 where none was taken
    """

    values: int
    dof: int
    u_coefficient: float = 0.0


class Limits(NamedTuple):
    """Limits in standard deviations of the first phase.

    individuals    of a value; moving_range: of the difference of two in a row
    ewma_width     of the EWMA, in its own standard deviations
    cusum_interval of the CUSUM
    """

    individuals: float
    moving_range: float
    ewma_width: float
    cusum_interval: float


class _Cases(NamedTuple):
    """Nodes of what is unknown: mean error, spread s / sigma, and widening of sums."""

    shift: Floats
    spread: Floats
    widening: Floats
    weight: Floats


def limits_for(
    rates: tuple[float, float, float, float],
    doubt: Doubt,
    *,
    ewma_weight: float,
    cusum_reference: float,
) -> Limits:
    """Limits at which each chart's mean rate of false alarms a lite is the one asked for.

    rates  of individuals, moving range, EWMA and CUSUM, each over 0 and below 0.5
    """
    return _limits_for(rates, doubt, ewma_weight, cusum_reference)


@functools.lru_cache(maxsize=512)
def _limits_for(
    rates: tuple[float, float, float, float], doubt: Doubt, weight: float, reference: float
) -> Limits:
    from scipy.special import ndtr
    from scipy.stats import t as student

    cases = _cases(doubt)

    def mean(values: Floats) -> float:
        return float((cases.weight * values).sum())

    # a new value against mean and deviation of the first phase is Student's t, exactly
    single = float(student.isf(rates[0] / 2, doubt.dof)) * math.sqrt(1 + 1 / doubt.values)
    return Limits(
        single,
        _solve(lambda c: mean(2 * ndtr(-c * cases.spread / math.sqrt(2))), rates[1]),
        _solve(lambda c: mean(_ewma_rate(c, cases, weight)), rates[2]),
        _solve(lambda h: mean(_cusum_rate(h, cases, reference)), rates[3]),
    )


def _ewma_rate(width: float, cases: _Cases, weight: float) -> Floats:
    # in units of the true deviation all limits are the chart's times the spread
    c = width * cases.spread / cases.widening
    return np.asarray(1 / arl_ewma(weight, c, cases.shift / cases.widening))


def _cusum_rate(interval: float, cases: _Cases, reference: float) -> Floats:
    scale = cases.spread / cases.widening
    return np.asarray(1 / arl_cusum(reference * scale, interval * scale,
                                    cases.shift / cases.widening))  # fmt: skip


@functools.lru_cache(maxsize=256)
def _cases(doubt: Doubt) -> _Cases:
    from scipy.special import roots_hermitenorm
    from scipy.stats import chi2

    shift, shift_weight = roots_hermitenorm(MEAN_NODES)
    shift, shift_weight = shift / math.sqrt(doubt.values), shift_weight / shift_weight.sum()
    # the rate is the same for both signs of the mean error
    half = shift >= -1e-12
    shift, shift_weight = shift[half], shift_weight[half] * np.where(shift[half] > 1e-12, 2.0, 1.0)
    node, node_weight = np.polynomial.legendre.leggauss(SPREAD_NODES)
    log_spread = REACH * node / math.sqrt(2 * doubt.dof)
    square = doubt.dof * np.exp(2 * log_spread)
    spread_weight = node_weight * chi2.pdf(square, doubt.dof) * square
    spread_weight /= spread_weight.sum()
    lag, lag_weight = np.zeros(1), np.ones(1)
    if doubt.u_coefficient > 0:
        lag, lag_weight = roots_hermitenorm(LAG_NODES)
        lag = np.clip(lag * doubt.u_coefficient, -LARGEST_LAG_ERROR, LARGEST_LAG_ERROR)
        lag_weight = lag_weight / lag_weight.sum()
    widening = np.sqrt((1 + lag) / (1 - lag))
    a, b, c = np.meshgrid(shift, np.exp(log_spread), widening, indexing="ij")
    weight = shift_weight[:, None, None] * spread_weight[:, None] * lag_weight
    return _Cases(a.ravel(), b.ravel(), c.ravel(), weight.ravel())


def _solve(rate_at: Callable[[float], float], rate: float) -> float:
    """The limit at which a rate that falls with it is ``rate``; found in its logarithm."""
    from scipy.optimize import brentq

    high = 2.0
    while rate_at(high) > rate:
        high *= 1.5
    low = high / 1.5
    while rate_at(low) < rate:
        low /= 1.5
    return float(brentq(lambda x: math.log(rate_at(x) / rate), low, high, xtol=1e-5))


def run_lengths(
    limits: Limits, shift: float, *, ewma_weight: float, cusum_reference: float
) -> dict[str, float]:
    """Run lengths of three charts for a steady shift, mean and deviation as the first phase says.

    shift  in standard deviations; 0 gives the run lengths without a change
    """
    return {
        "individuals": float(arl_individuals(limits.individuals, shift)),
        "ewma": float(arl_ewma(ewma_weight, limits.ewma_width, shift)),
        "cusum": float(arl_cusum(cusum_reference, limits.cusum_interval, shift)),
    }
