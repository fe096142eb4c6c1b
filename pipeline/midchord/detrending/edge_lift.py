"""Edge lift as a function of the distance from an edge, with a size that varies slowly along it.

A rim of heat-treated glass stands up or hangs down over the last few hundred millimetres. How it
falls off inward is not known beforehand, so it is a sum of cubic splines that end at a stated
reach and of a few exponentials for what goes further::

    lift(d, t) = sum over shapes k, orders m of c_km f_k(d) P_m(t),   t = -1 .. 1 along the edge

Distance is counted along x for the leading and trailing edge and along y for the side edges, from
where the glass begins in that very line: the outline need not be a rectangle.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba as nb
import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre
from scipy.interpolate import BSpline

__all__ = ["ALONG_ORDER", "EDGES", "Rims", "Shapes", "edge_distances", "subtract_lift"]

Floats = npt.NDArray[np.float64]

EDGES = ("leading", "trailing", "left", "right")
ALONG_ORDER = 4
TABLE_STEP_MM = 0.25


class Rims(NamedTuple):
    """Where the glass begins and ends in every column (x ends) and every row (y ends); mm."""

    leading_x: Floats
    trailing_x: Floats
    left_y: Floats
    right_y: Floats

    @property
    def length_mm(self) -> float:
        return float(self.trailing_x.max() - self.leading_x.min())

    @property
    def width_mm(self) -> float:
        return float(self.right_y.max() - self.left_y.min())

    @classmethod
    def of(cls, is_glass: npt.NDArray[np.bool_], x_mm: Floats, y_mm: Floats) -> Rims:
        """Of a mask (x, y) whose cells reach half a pitch beyond their centres."""
        return cls(*_ends(is_glass, x_mm, 0), *_ends(is_glass, y_mm, 1))

    def along_x(self, x_mm: Floats) -> Floats:
        """-1 at the leading edge to 1 at the trailing edge."""
        return np.asarray(2 * (x_mm - self.leading_x.min()) / self.length_mm - 1)

    def along_y(self, y_mm: Floats) -> Floats:
        """-1 at the left-hand edge to 1 at the right-hand edge."""
        return np.asarray(2 * (y_mm - self.left_y.min()) / self.width_mm - 1)


def _ends(is_glass: npt.NDArray[np.bool_], at_mm: Floats, axis: int) -> tuple[Floats, Floats]:
    half = 0.5 * (at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    first = at_mm[np.argmax(is_glass, axis=axis)] - half
    last = at_mm[at_mm.size - 1 - np.argmax(np.flip(is_glass, axis), axis=axis)] + half
    some = is_glass.any(axis=axis)
    if not some.all() and some.any():  # a line without glass borrows its neighbour's ends
        index = np.arange(some.size)
        first = np.interp(index, index[some], first[some])
        last = np.interp(index, index[some], last[some])
    return first, last


def edge_distances(rims: Rims, x_mm: Floats, y_mm: Floats) -> tuple[Floats, ...]:
    """Distance from each of EDGES at every point, four arrays (x, y), mm; the rims must have
    been taken on the same x and y."""
    return (
        x_mm[:, np.newaxis] - rims.leading_x,
        rims.trailing_x - x_mm[:, np.newaxis],
        y_mm - rims.left_y[:, np.newaxis],
        rims.right_y[:, np.newaxis] - y_mm,
    )


class Shapes(NamedTuple):
    """The shapes f_k(d): splines with these knots, exponentials with these decay lengths; mm."""

    knots_mm: tuple[float, ...]
    decay_mm: tuple[float, ...]

    def __call__(self, distance_mm: Floats) -> Floats:
        """Values of all shapes, (..., k); zero outside the glass."""
        d = np.maximum(distance_mm, 0.0)
        values = [np.exp(-d / decay) for decay in self.decay_mm]
        if self.knots_mm:
            # all knots at the edge coincide, so that the shapes are free there; at the reach the
            # splines end with value, slope and bend zero
            knots = np.concatenate([[0.0] * 4, sorted(self.knots_mm)])
            for first in range(knots.size - 4):
                spline = BSpline.basis_element(knots[first : first + 5], extrapolate=False)
                values.append(np.nan_to_num(spline(d)))
        inside = (distance_mm >= 0)[..., np.newaxis]
        if not values:
            return np.zeros((*d.shape, 0))
        return np.where(inside, np.stack(values, axis=-1), 0.0)

    def table(self, coefficients: Floats) -> npt.NDArray[np.float32]:
        """Fall-off of each order along the edge, (order, d) in steps of TABLE_STEP_MM.

        coefficients  (k, order)
        """
        reach = max((0.0, *self.knots_mm, *(14.0 * decay for decay in self.decay_mm)))
        d = np.arange(0.0, reach + 2 * TABLE_STEP_MM, TABLE_STEP_MM)
        table: npt.NDArray[np.float32] = (self(d) @ coefficients).T.astype(np.float32)
        return np.ascontiguousarray(table)


def subtract_lift(
    height: npt.NDArray[np.float32],
    rims: Rims,
    x_mm: Floats,
    y_mm: Floats,
    tables: tuple[npt.NDArray[np.float32], ...],
) -> None:
    """Take edge lift off heights (x, y), mm, in place; tables as of Shapes.table, one an edge."""
    poly_x = legendre.legvander(rims.along_x(x_mm), ALONG_ORDER).astype(np.float32)
    poly_y = legendre.legvander(rims.along_y(y_mm), ALONG_ORDER).astype(np.float32)
    _subtract(
        height,
        x_mm,
        y_mm,
        rims.leading_x,
        rims.trailing_x,
        rims.left_y,
        rims.right_y,
        poly_x,
        poly_y,
        tables,
    )


@nb.njit(cache=True, inline="always")
def _lift(table: Any, distance: float, slow: Any) -> float:
    place = distance / TABLE_STEP_MM
    k = int(place)
    if place < 0 or k + 1 >= table.shape[1]:
        return 0.0
    t = place - k
    total = 0.0
    for m in range(table.shape[0]):
        total += slow[m] * (table[m, k] + t * (table[m, k + 1] - table[m, k]))
    return total


@nb.njit(cache=True, parallel=True)
def _subtract(
    height: Any,
    x: Any,
    y: Any,
    leading: Any,
    trailing: Any,
    left: Any,
    right: Any,
    poly_x: Any,
    poly_y: Any,
    tables: Any,
) -> None:
    for row in nb.prange(x.size):
        i = np.int64(row)
        for j in range(y.size):
            lift = _lift(tables[0], x[i] - leading[j], poly_y[j])
            lift += _lift(tables[1], trailing[j] - x[i], poly_y[j])
            lift += _lift(tables[2], y[j] - left[i], poly_x[i])
            lift += _lift(tables[3], right[i] - y[j], poly_x[i])
            height[i, j] -= lift
