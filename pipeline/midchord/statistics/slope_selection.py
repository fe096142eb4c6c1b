"""The k-th of all slopes between pairs of points, without making all of them.

n points make n(n-1)/2 slopes: 2e8 for 20,000. They are ordered by angle, from a slope of -cut
upwards through the vertical round to it again; Passing and Bablok's cut is 1. With axes turned so
that the cut stands upright,

    u = cut x + y,  v = cut y - x,

this is the order of the slopes t = v/u, and the slopes of exactly -cut, which do not count, are
the pairs with equal u. How many slopes lie at or below some t is then the number of pairs that
change places when the points, sorted by u, are sorted by v - t u: n log n steps. Halving the angle,
counting each time, closes in on the k-th; what few slopes are left between the ends are the pairs
that stand in another order at either end, which an insertion sort finds one by one. Memory goes
with n; every slope that comes out is exact.

Sources: Cole, Salowe, Steiger and Szemeredi, SIAM J. Comput. 18 (1989) 792-810 (selection by
counting); Dillencourt, Mount and Netanyahu, Int. J. Comput. Geom. Appl. 2 (1992) 1-27 (halving
with enumeration at the end).
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
from numpy.typing import NDArray

from midchord.statistics.pairs import Floats

__all__ = ["Slopes", "angle_of"]

MOST_AT_ONCE = 200_000
"""Slopes that are made and sorted at a time: 10 MB."""
ROUNDING = 1e-12
"""Decimals are not exact in binary: equal u are recognised to this share of the range."""


def angle_of(slope: float, cut: float = 1.0) -> float:
    """Angle of a slope in rad, over a half turn from that of -cut on."""
    return math.atan(slope) + (math.pi if slope < -cut else 0.0)


class Slopes:
    """Slopes between all pairs of points x, y (points,), in order of their angle.

    Slopes of exactly -cut (0 or more) and identical points do not count; slopes below -cut stand
    after the vertical. ``len`` says how many count, ``slopes[k]`` gives the k-th from 0, infinite
    for a vertical one. Points with the same code in ``spot`` (points,) make no slope either.
    """

    def __init__(
        self, x: Floats, y: Floats, cut: float = 1.0, spot: NDArray[np.intp] | None = None
    ) -> None:
        self._cut = cut
        u, v = _turned(x, y, cut)
        order = np.lexsort((v, u))
        self._x, self._y = x[order], y[order]
        self._u, self._v = u[order], v[order]
        self._spot = None if spot is None else spot[order]
        place = np.arange(x.size)
        if self._spot is not None:  # numbered spot by spot
            place[np.argsort(self._spot, kind="stable")] = np.arange(x.size)
        self._by_spot = place
        self._made: tuple[float, float, Floats] | None = None
        last = np.lexsort((np.arange(x.size), -self._u))
        self._count = self._changed(last)
        # orders of the points at an angle, with the number of slopes at or below it
        self._at: dict[float, tuple[int, NDArray[np.int64]]] = {
            -math.pi / 2: (0, np.arange(x.size)),
            math.pi / 2: (self._count, last),
        }

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, k: int) -> float:
        if not 0 <= k < self._count:
            raise IndexError(k)
        low, high = -math.pi / 2, math.pi / 2
        while True:
            below, upto = self._order_at(low)[0], self._order_at(high)[0]
            if upto - below <= MOST_AT_ONCE:
                some = self._between(low, high)
                # where points lie on one line to rounding, counts may differ by a few
                return float(some[min(max(k - below, 0), some.size - 1)])
            middle = (low + high) / 2
            if not low + 1e-15 < middle < high - 1e-15:  # all the same slope
                return _slope_at(middle, self._cut)
            if self._order_at(middle)[0] <= k:
                low = middle
            else:
                high = middle

    def middle(self) -> float:
        """The median; for an even number the geometric mean of the middle two.

        Where that is not to be had, halfway by angle, which is also the same for exchanged axes.
        """
        low, high = self[(self._count - 1) // 2], self[self._count // 2]
        if low == high:
            return low
        if 0 < low < math.inf and 0 < high < math.inf:
            return math.sqrt(low * high)
        return math.tan((angle_of(low, self._cut) + angle_of(high, self._cut)) / 2)

    def _order_at(self, angle: float) -> tuple[int, NDArray[np.int64]]:
        found = self._at.get(angle)
        if found is None:
            rest = self._v - math.tan(angle) * self._u
            # a slope of exactly this counts as below: its points have changed places
            order = np.lexsort((-self._u, rest))
            found = self._at[angle] = self._changed(order), order
        return found

    def _changed(self, order: NDArray[np.int64]) -> int:
        """Pairs of points that have changed places, those of one spot left out."""
        every = int(_inversions(order))
        if self._spot is None:
            return every
        in_turn = order[np.argsort(self._spot[order], kind="stable")]
        return every - int(_inversions(self._by_spot[in_turn]))

    def _between(self, low: float, high: float) -> Floats:
        """Slopes of the pairs that change places from one angle to the other, in order."""
        if self._made is not None and self._made[:2] == (low, high):
            return self._made[2]
        first, last = self._order_at(low)[1], self._order_at(high)[1]
        place = np.empty_like(last)
        place[last] = np.arange(last.size)
        changed = place[first]
        a, b = _changed_places(changed, _inversions(changed))
        i, j = last[a], last[b]
        if self._spot is not None:
            apart = self._spot[i] != self._spot[j]
            i, j = i[apart], j[apart]
        dx, dy = self._x[i] - self._x[j], self._y[i] - self._y[j]
        slope = np.full(dx.size, np.inf)
        np.divide(dy, dx, out=slope, where=dx != 0)
        ordered: Floats = slope[np.lexsort((slope, slope < -self._cut))]
        self._made = low, high, ordered
        return ordered


def _turned(x: Floats, y: Floats, cut: float) -> tuple[Floats, Floats]:
    """u = cut x + y with what differs by rounding made equal, and v = cut y - x."""
    u = cut * x + y
    order = np.argsort(u, kind="stable")
    range_ = float(cut * np.ptp(x) + np.ptp(y))
    size = float(cut * np.abs(x).max() + np.abs(y).max())
    same = np.diff(u[order]) <= max(ROUNDING * range_, 4 * np.finfo(float).eps * size)
    starts = np.concatenate([[True], ~same])
    u[order] = u[order][np.flatnonzero(starts)][np.cumsum(starts) - 1]
    return u, cut * y - x


def _slope_at(angle: float, cut: float) -> float:
    """Slope in x and y at an angle in the turned axes."""
    dx, dy = cut * math.cos(angle) - math.sin(angle), math.cos(angle) + cut * math.sin(angle)
    return math.inf if abs(dx) < ROUNDING * abs(dy) else dy / dx


@nb.njit(cache=True)
def _inversions(order: Any) -> Any:
    """How many pairs of 0 .. n-1 stand the wrong way round; by a tree of partial sums."""
    n = order.size
    tree = np.zeros(n + 1, dtype=np.int64)
    count = 0
    for seen in range(n):
        at = order[seen] + 1
        upto = 0
        k = at
        while k > 0:
            upto += tree[k]
            k -= k & -k
        count += seen - upto
        k = at
        while k <= n:
            tree[k] += 1
            k += k & -k
    return count


@nb.njit(cache=True)
def _changed_places(order: Any, count: Any) -> Any:
    """The pairs (smaller, larger) that stand the wrong way round in 0 .. n-1."""
    small, large = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    row = order.copy()
    found = 0
    for k in range(1, row.size):
        own = row[k]
        at = k
        while at > 0 and row[at - 1] > own:
            small[found], large[found] = own, row[at - 1]
            found += 1
            row[at] = row[at - 1]
            at -= 1
        row[at] = own
    return small, large
