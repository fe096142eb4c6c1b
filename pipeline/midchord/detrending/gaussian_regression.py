"""Robust areal Gaussian regression: a mean surface by standard filter.

At every point a second-order polynomial is fitted under Gaussian weights
``exp(-pi (d / (gamma lc))^2)``, so that the filter runs up to the edges and over gaps; its value
there is the mean surface. gamma = 0.7309 at second order makes a wave as long as the cut-off lc
pass by half; away from the edges a wave of wavelength l passes by::

    H(l) = (1 + q) exp(-q),   q = pi (gamma lc / l)^2

Robust: the fit is repeated with biweights of 4.4478 times the median absolute residual.

Source: ISO 16610-31 (profile) and -71 (areal), constants as tabled there; H derived.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.interpolate import make_interp_spline

__all__ = ["areal_mean_surface", "transmission"]

Floats = npt.NDArray[np.float64]

GAMMA = 0.7309
BIWEIGHT = 4.4478
PASSES = 4
CELLS_PER_CUTOFF = 40
REACH = 1.3
"""Of the weights, in cut-offs: they are 5e-5 there."""
POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))


def transmission(wavelength_mm: npt.ArrayLike, cutoff_mm: float) -> Floats:
    """Share of a wave that the mean surface keeps, away from the edges."""
    q = np.pi * (GAMMA * cutoff_mm / np.asarray(wavelength_mm, float)) ** 2
    return np.asarray((1 + q) * np.exp(-q))


def areal_mean_surface(
    height: npt.NDArray[np.float32], x_mm: Floats, y_mm: Floats, *, cutoff_mm: float
) -> npt.NDArray[np.float32]:
    """Mean surface of heights by robust Gaussian regression of second order.

    height     (x, y), mm, NaN where not measured; even pitch
    cutoff_mm  wavelength of which half is transmitted
    returns    (x, y), mm, at every point, measured or not
    """
    cell_mm = cutoff_mm / CELLS_PER_CUTOFF
    starts_x, starts_y = _starts(x_mm, cell_mm), _starts(y_mm, cell_mm)
    good = np.isfinite(height)
    total = _sums(np.where(good, height, 0), starts_x, starts_y)
    weight = _sums(good, starts_x, starts_y)
    cells = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
    weight /= max(float(weight.max()), 1.0)
    centre_x, centre_y = _centres(x_mm, starts_x), _centres(y_mm, starts_y)
    step_x, step_y = (_step(centre, cell_mm) for centre in (centre_x, centre_y))
    robust = np.ones_like(weight)
    for _ in range(PASSES):
        surface = _regression(cells, weight * robust, step_x, step_y, cutoff_mm)
        left = np.where(weight > 0, cells - surface, 0.0)
        scale = BIWEIGHT * float(np.median(np.abs(left[weight > 0])))
        if scale == 0:
            break
        robust = np.where(np.abs(left) < scale, (1 - (left / scale) ** 2) ** 2, 0.0)
    along_x, along_y = _to_points(centre_x, x_mm), _to_points(centre_y, y_mm)
    return np.asarray(along_x @ surface.astype(np.float32) @ along_y.T)


def _starts(at_mm: Floats, cell_mm: float) -> npt.NDArray[np.intp]:
    pitch = (at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    return np.arange(0, at_mm.size, max(1, round(cell_mm / pitch)))


def _sums(
    values: npt.NDArray[np.generic], x: npt.NDArray[np.intp], y: npt.NDArray[np.intp]
) -> Floats:
    lines = np.add.reduceat(values, x, axis=0, dtype=np.float64)
    return np.asarray(np.add.reduceat(lines, y, axis=1))


def _centres(at_mm: Floats, starts: npt.NDArray[np.intp]) -> Floats:
    sizes = np.diff(np.append(starts, at_mm.size))
    return np.asarray(np.add.reduceat(at_mm, starts) / sizes)


def _step(centres: Floats, cell_mm: float) -> float:
    return float(centres[1] - centres[0]) if centres.size > 1 else cell_mm


def _regression(
    cells: Floats, weight: Floats, step_x: float, step_y: float, cutoff_mm: float
) -> Floats:
    """Value of the local second-order fit at every cell."""
    u, kernel_x = _kernel(step_x, cutoff_mm)
    v, kernel_y = _kernel(step_y, cutoff_mm)

    def moment(values: Floats, a: int, b: int) -> Floats:
        lines = ndimage.correlate1d(values, kernel_x * u**a, axis=0, mode="constant")
        return np.asarray(ndimage.correlate1d(lines, kernel_y * v**b, axis=1, mode="constant"))

    moments = {(a, b): moment(weight, a, b) for a in range(5) for b in range(5 - a)}
    size = len(POWERS)
    normal = np.empty((*cells.shape, size, size))
    right = np.empty((*cells.shape, size, 1))
    for row, (a, b) in enumerate(POWERS):
        right[..., row, 0] = moment(weight * cells, a, b)
        for column, (c, d) in enumerate(POWERS):
            normal[..., row, column] = moments[a + c, b + d]
    # a trace of damping keeps points with too few neighbours solvable; it lowers their order
    normal[..., range(1, size), range(1, size)] += 1e-7 * moments[0, 0][..., np.newaxis] + 1e-12
    normal[..., 0, 0] += 1e-12
    return np.asarray(np.linalg.solve(normal, right)[..., 0, 0])


def _kernel(step_mm: float, cutoff_mm: float) -> tuple[Floats, Floats]:
    reach = max(1, int(REACH * cutoff_mm / step_mm))
    # distances in cut-offs: the moments stay near one
    distance = np.arange(-reach, reach + 1, dtype=np.float64) * (step_mm / cutoff_mm)
    return distance, np.exp(-np.pi * (distance / GAMMA) ** 2)


def _to_points(centres_mm: Floats, at_mm: Floats) -> npt.NDArray[np.float32]:
    """Matrix that takes values at the cells to a spline through them at the points."""
    degree = min(3, centres_mm.size - 1)
    if degree < 1:
        return np.ones((at_mm.size, 1), dtype=np.float32)
    spline = make_interp_spline(centres_mm, np.eye(centres_mm.size), k=degree)
    return np.asarray(spline(at_mm), dtype=np.float32)
