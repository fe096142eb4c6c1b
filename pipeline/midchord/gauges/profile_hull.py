"""The upper convex hull of a profile that is not complete: what a rigid base would rest on.

A base laid on glass touches it from above, on the hull's segment under its centre of gravity. On
a vertex it may tip either way, so it is taken with the mean slope of the two segments that meet
there: on a smooth dome, the tangent.

Glass that was not measured may carry the base, too. It is taken to lie no higher than the tent
that the flanks on either side span over the dropout, each as steep as over the dropout's own
length before it::

              .^.
            .'   '.      tent
          .'       '.
        .*           *.
      .'  |  dropout  | '.

No glass that bends one way in there and beside it rises above either flank, so one that is known
is enough. A wave that turns its bend at the rim of a dropout of g rises above by
A (2 pi g / L)^3 / 15.6: 0.5 um for A = 0.05 mm, L = 240 mm, g = 20 mm, and less elsewhere. Where
the tent reaches through the base, the contact may be hidden.

Source: monotone chain (Andrew 1979); the tent is ours.
"""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np

__all__ = ["ON_SAMPLE", "hidden_heights", "resting_line", "sticks_out", "upper_hull"]

ON_SAMPLE = 1e-6
"""Samples; an end within this of a sample stands on it, as the feet of the three-point gauge."""

TOUCHES_MM = 1e-9
"""What sticks out of a rule by less is rounding."""


@nb.njit(cache=True)
def hidden_heights(z: Any, largest: float, highest: Any, lowest: Any) -> None:
    """How high glass that was not measured may stand; z or the tent.

    z        (n,), NaN where not measured
    largest  longest dropout, in samples, that is spanned
    highest  (n,), out: z, or the tent; inf where nothing is known
    lowest   (n,), out: z, or inf
    """
    n = z.size
    before = -1  # last measured sample
    for k in range(n + 1):
        if k < n and not np.isfinite(z[k]):
            highest[k] = np.inf
            lowest[k] = np.inf
            continue
        if k < n:
            highest[k] = z[k]
            lowest[k] = z[k]
        missing = k - before - 1
        if missing > 0 and before >= 0 and k < n and missing <= largest + ON_SAMPLE:
            length = k - before
            rise = _flank(z, before, -length)
            fall = _flank(z, k, length)
            for q in range(before + 1, k):
                t = (q - before) / length
                chord = z[before] + t * (z[k] - z[before])
                left = max(chord, z[before] + rise * (q - before))
                right = max(chord, z[k] + fall * (k - q))
                highest[q] = min(left, right)
        before = k


@nb.njit(cache=True)
def _flank(z: Any, end: int, length: int) -> float:
    """Rise per sample towards ``end`` from one dropout's length before it (or, where that was not
    measured, up to twice as far); inf where none was."""
    step = 1 if length > 0 else -1
    for reach in range(abs(length), 2 * abs(length) + 1):
        k = end + step * reach
        if k < 0 or k >= z.size:
            break
        if np.isfinite(z[k]):
            return float((z[end] - z[k]) / reach)
    return np.inf


@nb.njit(cache=True)
def upper_hull(
    z: Any, low: float, z_low: float, high: float, z_high: float, xs: Any, zs: Any
) -> int:
    """Upper convex hull of a profile from ``low`` to ``high`` (in samples), left to right.

    z              (n,), NaN where not measured: passed over
    z_low, z_high  heights at the ends
    xs, zs         out: positions and heights of its vertices, room for high - low + 3
    returns        how many
    """
    count = 0
    first = int(np.ceil(low - ON_SAMPLE))
    last = int(np.floor(high + ON_SAMPLE))
    for k in range(first - 1, last + 2):
        if k < first:
            if first - low <= ON_SAMPLE:
                continue
            x, height = low, z_low
        elif k > last:
            if high - last <= ON_SAMPLE:
                continue
            x, height = high, z_high
        else:
            x, height = float(k), z[k]
            if not np.isfinite(height):
                continue
        while count > 1:
            run, rise = x - xs[count - 2], height - zs[count - 2]
            if (xs[count - 1] - xs[count - 2]) * rise < (zs[count - 1] - zs[count - 2]) * run:
                break
            count -= 1
        xs[count], zs[count] = x, height
        count += 1
    return count


@nb.njit(cache=True)
def resting_line(xs: Any, zs: Any, count: int, centre: float) -> Any:
    """The rule on a hull: a point of it, its slope, and between which places it bridges.

    returns  x, z, slope per sample, contact before, contact after the centre (the same where it
             balances on one vertex)
    """
    k = int(np.searchsorted(xs[:count], centre + ON_SAMPLE)) - 1
    k = min(max(k, 0), count - 2)
    slope = (zs[k + 1] - zs[k]) / (xs[k + 1] - xs[k])
    if k > 0 and centre - xs[k] <= ON_SAMPLE:
        before = (zs[k] - zs[k - 1]) / (xs[k] - xs[k - 1])
        return xs[k], zs[k], 0.5 * (before + slope), xs[k], xs[k]
    return xs[k], zs[k], slope, xs[k], xs[k + 1]


@nb.njit(cache=True)
def sticks_out(highest: Any, first: int, last: int, x: float, z: float, slope: float) -> int:
    """The last sample where the glass may stand above the line; -1 where there is none."""
    for k in range(last, first - 1, -1):
        if highest[k] - (z + slope * (k - x)) > TOUCHES_MM:
            return k
    return -1
