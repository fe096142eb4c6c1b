"""How many lites a chart goes on before it signals: average run lengths (ARL).

By integral equations. A chart holds a state u; a lite with the value z (in standard deviations,
normal about ``shift``) moves it. The mean number of lites until it leaves its interval obeys

    CUSUM  L(u) = 1 + L(0) P(u + z - k <= 0) + int_0^h  L(y) f(y - u + k) dy
    EWMA   L(u) = 1 + 1/w int_-c^c L(y) f((y - (1 - w) u) / w) dy,   c = width sqrt(w / (2 - w))

with f the density of z. Both are solved by Gauss-Legendre quadrature (Nystroem's method), in which
nothing is typed in from a table. The two-sided CUSUM is two one-sided ones, whose rates of signals
add: 1 / ARL = 1 / ARL+ + 1 / ARL-.

Sources: Page, Biometrika 41 (1954) 100; Brook and Evans, Biometrika 59 (1972) 539; Crowder,
Technometrics 29 (1987) 401; Lucas and Saccucci, Technometrics 32 (1990) 1.

All run lengths are zero-state: the chart starts in its middle. Each function takes arrays, so that
a limit can be averaged over what a first phase of lites leaves unknown.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["arl_cusum", "arl_ewma", "arl_individuals", "ewma_sd"]

Floats = npt.NDArray[np.float64]
NODES_PER_SD, LEAST_NODES, MOST_NODES = 3.2, 24, 140
"""Gauss-Legendre nodes a standard deviation of the kernel: relative errors are under 1e-6."""
LONGEST = 1e13
"""Beyond, the equations are too near to singular for double precision."""


def arl_cusum(reference: npt.ArrayLike, interval: npt.ArrayLike, shift: npt.ArrayLike) -> Floats:
    """ARL of the two-sided CUSUM ``S+ = max(0, S+ + z - reference)``, ``S-`` alike, from zero.

    reference  k, in standard deviations, over 0
    interval   h, decision interval, in standard deviations, over 0
    shift      of the mean, in standard deviations
    returns    the broadcast shape
    """
    k, h, mu = (
        np.atleast_1d(a).astype(np.float64) for a in np.broadcast_arrays(reference, interval, shift)
    )
    rate = 1 / one_sided(k, h, mu) + 1 / one_sided(k, h, -mu)
    return np.asarray((1 / rate).reshape(np.broadcast(reference, interval, shift).shape))


def one_sided(k: Floats, h: Floats, mu: Floats) -> Floats:
    """ARL of the upper CUSUM alone, from zero; all of one shape (case,)."""
    count = _nodes(float(h.max()))
    node, weight = np.polynomial.legendre.leggauss(count)
    y = 0.5 * h[:, None] * (node + 1)
    w = 0.5 * h[:, None] * weight
    # state 0 carries probability of its own: it is one more unknown, the first
    state = np.concatenate([np.zeros((len(h), 1)), y], axis=1)
    step = y[:, None, :] - state[:, :, None] + (k - mu)[:, None, None]
    kernel = _density(step) * w[:, None, :]
    to_zero = _below((k - mu)[:, None] - state)
    return _solved(np.concatenate([to_zero[:, :, None], kernel], axis=2), 0)


def ewma_sd(weight: float) -> float:
    """Standard deviation of the EWMA far from its start, for values of unit deviation."""
    return math.sqrt(weight / (2 - weight))


def arl_ewma(
    weight: float, width: npt.ArrayLike, shift: npt.ArrayLike, scale: npt.ArrayLike = 1.0
) -> Floats:
    """ARL of the EWMA ``E = (1 - weight) E + weight z`` with fixed limits, from zero.

    weight  of the newest value, 0 to 1
    width   of the limits, in standard deviations of the EWMA
    shift   of the mean of z; scale: its standard deviation, both as the chart sees them
    """
    shape = np.broadcast(width, shift, scale).shape
    c, mu, sd = (
        np.atleast_1d(a).astype(np.float64) for a in np.broadcast_arrays(width, shift, scale)
    )
    c = c * ewma_sd(weight)
    narrow = weight * float(sd.min())
    count = _nodes(2 * float(c.max()) / narrow)
    count += 1 - count % 2  # an odd number has a node at zero
    node, share = np.polynomial.legendre.leggauss(count)
    y, w = c[:, None] * node, c[:, None] * share
    step = (y[:, None, :] - (1 - weight) * y[:, :, None]) / weight - mu[:, None, None]
    width_z = sd[:, None, None]
    kernel = _density(step / width_z) / (weight * width_z) * w[:, None, :]
    return np.asarray(_solved(kernel, count // 2).reshape(shape))


def arl_individuals(limit: npt.ArrayLike, shift: npt.ArrayLike) -> Floats:
    """ARL of single values against ``+-limit`` standard deviations."""
    c, mu = np.broadcast_arrays(np.asarray(limit, float), np.asarray(shift, float))
    return np.asarray(1 / (_below(-c - mu) + _below(mu - c)))


def _nodes(length: float) -> int:
    return int(np.clip(math.ceil(NODES_PER_SD * length), LEAST_NODES, MOST_NODES))


def _solved(kernel: Floats, at: int) -> Floats:
    """The mean run length from state number ``at``: (I - kernel) L = 1."""
    matrix = np.eye(kernel.shape[1]) - kernel
    one = np.ones((*kernel.shape[:2], 1))
    found = np.linalg.solve(matrix, one)[:, at, 0]
    return np.where((found > 0) & (found < LONGEST), found, LONGEST)


def _density(z: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi))


def _below(z: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(z), dtype=np.float64)
