"""Spikes and dropouts: single bad points go, short gaps are closed, nothing is smoothed.

A *spike* stands off its neighbourhood by more than a number of noise deviations of the scan. The
neighbourhood predicts the point in three ways, none of which may use the point itself:

* along x and along y, by the quadratic of least absolute distances through the six measured
  points on each side (twelve on one side at a rim);
* from the columns beside it, as their profile along x shifted to fit: exact for any sum
  f(x) + g(y), hence for edge lift however steep, on a grid however coarse.

Only the best predictions count, and a point goes only if it is off all of them. How well one does
is taken from its own residuals: where a model does not follow the surface (edge lift across a
coarse pitch) its residuals say so, and a real steep place is no spike. Up to four bad points in a
row are outvoted by the others of the twelve.

A *dropout* up to ``fill_mm`` long is filled along x from measured points on both sides, or along
y where only that way is short. The fit is a cubic by least squares on a fine pitch and a quintic
on a coarse one; it follows a wave of 120 mm to 0.2 % of its amplitude at pitches up to 10 mm. It
never extrapolates.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import DROPOUT, FILLED, MEASURED, SPIKE, Grid

__all__ = ["fill_gaps", "find_spikes"]

Heights = npt.NDArray[np.float32]
States = npt.NDArray[np.uint8]

FULL_GAIN = 1.3
"""Predictions with more noise of their own than this (at rims) get a wider threshold."""
OUTSIDE_MISFIT = 6.0
"""Misfit of a prediction from one side only, as a multiple of that among its points."""
SPREAD_SEEN = 1.6
"""Residuals of a prediction this many times the noise show that it does not follow the surface."""
QUARTILE = 1.15
"""Upper quartile of the absolute value of a normal variable."""
RIVAL = 1.5
"""Predictions up to this much less certain than the best one have a say, too."""
SIDE = 6
"""Points on each side."""
REACH = 18
"""How far they are looked for, in points."""
COARSE_MM = 2.0
"""Above this pitch a gap is closed by a quintic through three points on each side."""


def find_spikes(height: Heights, *, noise_mm: float, spike_sigma: float) -> npt.NDArray[np.bool_]:
    """Where a point is off its neighbourhood by more than ``spike_sigma`` times the noise.

    height    (x, y), mm, NaN where not measured or not glass
    noise_mm  standard deviation of single points, see scan_noise_mm
    returns   (x, y)
    """
    return np.asarray(_spikes(height, float(noise_mm), float(spike_sigma)))


@numba.njit(cache=True, nogil=True)
def _spikes(height, noise_mm, spike_sigma):  # type: ignore[no-untyped-def]
    nx, ny = height.shape
    is_spike = np.zeros((nx, ny), np.bool_)
    # a screen for speed: means of points beyond the longest spike, on both sides; its threshold
    # is low, so that it lets no spike pass
    least = 0.7 * spike_sigma * noise_mm
    work = np.empty((6, 2 * SIDE))
    place = np.empty(2 * SIDE, np.int64)
    for i in range(nx):
        for j in range(ny):
            z = height[i, j]
            if not np.isfinite(z):
                continue
            seen = False
            suspect = False
            for k in (5, 6):
                if i >= k and i + k < nx:
                    off = abs(z - 0.5 * (height[i - k, j] + height[i + k, j]))
                    if np.isfinite(off):
                        seen = True
                        suspect = suspect or off > least
            if suspect or not seen:
                is_spike[i, j] = _off_all(height, i, j, noise_mm, spike_sigma, work, place)
    return is_spike


@numba.njit(cache=True, nogil=True)
def _off_all(height, i, j, noise_mm, spike_sigma, work, place):  # type: ignore[no-untyped-def]
    """Whether the point is off every prediction that has a say."""
    off = np.full(3, np.inf)
    spread = np.full(3, np.inf)
    off[1], spread[1] = _along(height[i, :], j, noise_mm, work, place)
    off[0], spread[0] = _along(height[:, j], i, noise_mm, work, place)
    off[2], spread[2] = _beside(height, i, j, noise_mm, work, place)
    best = spread.min()
    if best == np.inf:
        return False
    # at the end of a line every prediction has a say: none of them lies between its points
    n = _neighbours(height[:, j], i, place)
    rival = np.inf if _is_one_sided(place[:n], i) else RIVAL
    for k in range(3):
        has_a_say = spread[k] < np.inf and spread[k] <= rival * best
        if has_a_say and abs(off[k]) <= spike_sigma * spread[k]:
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _neighbours(line, i, place):  # type: ignore[no-untyped-def]
    """Indices of the nearest measured points: SIDE on each side, more where one side is short."""
    n = 0
    below, above = i - 1, i + 1
    n_below = n_above = 0
    low, high = max(0, i - REACH), min(line.size - 1, i + REACH)
    for wanted in (SIDE, 2 * SIDE):
        while n_below < wanted and below >= low and n < 2 * SIDE:
            if np.isfinite(line[below]):
                place[n] = below
                n += 1
                n_below += 1
            below -= 1
        while n_above < wanted and above <= high and n < 2 * SIDE:
            if np.isfinite(line[above]):
                place[n] = above
                n += 1
                n_above += 1
            above += 1
    return n


@numba.njit(cache=True, nogil=True)
def _is_one_sided(place, i):  # type: ignore[no-untyped-def]
    below = np.sum(place < i)
    return below < 2 or place.size - below < 2


@numba.njit(cache=True, nogil=True)
def _scale(residual, noise_mm):  # type: ignore[no-untyped-def]
    """The noise, or the spread of the residuals where that is clearly more.

    The upper quartile, because a fit of least absolute distances crowds its misfit into few
    points; three bad points of twelve lie beyond it.
    """
    spread = np.sort(residual)[(3 * residual.size) // 4 - 1] / QUARTILE
    return spread if spread > SPREAD_SEEN * noise_mm else noise_mm


@numba.njit(cache=True, nogil=True)
def _along(line, i, noise_mm, work, place):  # type: ignore[no-untyped-def]
    """(residual, its scale) of a point against the points of its own line."""
    n = _neighbours(line, i, place)
    if n < SIDE:
        return np.inf, np.inf
    t, z, weight, residual = work[0], work[1], work[2], work[3]
    for k in range(n):
        t[k] = (place[k] - i) / SIDE
        z[k] = line[place[k]] - line[i]
        weight[k] = 1.0
    value = 0.0
    gain = 1.0
    for step in range(12):
        s0 = s1 = s2 = s3 = s4 = b0 = b1 = b2 = 0.0
        for k in range(n):
            w, tk = weight[k], t[k]
            s0 += w
            s1 += w * tk
            s2 += w * tk * tk
            s3 += w * tk**3
            s4 += w * tk**4
            b0 += w * z[k]
            b1 += w * tk * z[k]
            b2 += w * tk * tk * z[k]
        c00 = s2 * s4 - s3 * s3
        c01 = s2 * s3 - s1 * s4
        c02 = s1 * s3 - s2 * s2
        det = s0 * c00 + s1 * c01 + s2 * c02
        if det <= 1e-12 * s0 * s2 * s4:
            return np.inf, np.inf
        value = (c00 * b0 + c01 * b1 + c02 * b2) / det
        slope = (c01 * b0 + (s0 * s4 - s2 * s2) * b1 + (s1 * s2 - s0 * s3) * b2) / det
        bend = (c02 * b0 + (s1 * s2 - s0 * s3) * b1 + (s0 * s2 - s1 * s1) * b2) / det
        if step == 0:
            gain = np.sqrt(1.0 + c00 / det)
        for k in range(n):
            residual[k] = abs(z[k] - value - slope * t[k] - bend * t[k] * t[k])
            weight[k] = 1.0 / max(residual[k], 0.5 * noise_mm)
    spread = _scale(residual[:n], noise_mm)
    if gain > FULL_GAIN:
        # outside of its points a polynomial errs more than between them
        spread *= (gain / FULL_GAIN) * (OUTSIDE_MISFIT if spread > noise_mm else 1.0)
    return -value, spread


@numba.njit(cache=True, nogil=True)
def _beside(height, i, j, noise_mm, work, place):  # type: ignore[no-untyped-def]
    """(residual, its scale) of a point against the profiles of the columns beside it."""
    ny = height.shape[1]
    n = _neighbours(height[:, j], i, place)
    is_one_sided = _is_one_sided(place[:n], i)
    off, spread = work[4], work[5]
    used = 0
    for aside in (-1, 1, -2, 2):
        q = j + aside
        if q < 0 or q >= ny or not np.isfinite(height[i, q]):
            continue
        m = 0
        for k in range(n):
            if np.isfinite(height[place[k], q]):
                work[0][m] = height[place[k], j] - height[place[k], q]
                m += 1
        if m < SIDE:
            continue
        middle = np.median(work[0][:m])
        for k in range(m):
            work[1][k] = abs(work[0][k] - middle)
        off[used] = (height[i, j] - height[i, q]) - middle
        # a difference of two points has twice the variance
        spread[used] = _scale(work[1][:m] / np.sqrt(2.0), noise_mm)
        if is_one_sided and spread[used] > noise_mm:
            spread[used] *= OUTSIDE_MISFIT
        used += 1
    if used == 0:
        return np.inf, np.inf
    return np.median(off[:used]), np.median(spread[:used])


def fill_gaps(height: Heights, state: States, grid: Grid, *, fill_mm: float) -> None:
    """Fill, in place, what is DROPOUT or SPIKE in gaps up to ``fill_mm`` long.

    height, state  (x, y); only MEASURED points are read. Filled dropouts become FILLED; spikes
                   stay SPIKE where replaced and become DROPOUT where not

    A gap counts as long as its missing cells, and must have measured points at both ends: what
    reaches the outline, a hole or a notch is not filled in that direction.
    """
    longest = [int(fill_mm / p + 1e-6) for p in (grid.pitch_x_mm, grid.pitch_y_mm)]
    _fill(height, state, longest[0], longest[1], grid.pitch_x_mm, grid.pitch_y_mm)


@numba.njit(cache=True, nogil=True)
def _fill(height, state, longest_x, longest_y, pitch_x_mm, pitch_y_mm):  # type: ignore[no-untyped-def]
    nx, ny = state.shape
    normal = np.empty((6, 7))
    node = np.empty((2, 24))
    # the old states must stay until all gaps are measured out
    done = np.zeros((nx, ny), np.bool_)
    for i in range(nx):
        for j in range(ny):
            if state[i, j] != DROPOUT and state[i, j] != SPIKE:
                continue
            z = np.nan
            if longest_x > 0:
                z = _bridge(height[:, j], state[:, j], i, longest_x, pitch_x_mm, normal, node)
            if not np.isfinite(z) and longest_y > 0:
                z = _bridge(height[i, :], state[i, :], j, longest_y, pitch_y_mm, normal, node)
            height[i, j] = z
            done[i, j] = np.isfinite(z)
    for i in range(nx):
        for j in range(ny):
            if done[i, j] and state[i, j] == DROPOUT:
                state[i, j] = FILLED
            elif not done[i, j] and state[i, j] == SPIKE:
                state[i, j] = DROPOUT


@numba.njit(cache=True, nogil=True)
def _bridge(line, state, i, longest, pitch_mm, normal, node):  # type: ignore[no-untyped-def]
    """Height at i from the measured points either side of its gap; NaN where that is too long."""
    low, high = i - 1, i + 1
    while low >= 0 and (state[low] == DROPOUT or state[low] == SPIKE) and high - low <= longest + 1:
        low -= 1
    while (
        high < line.size
        and (state[high] == DROPOUT or state[high] == SPIKE)
        and high - low <= longest + 1
    ):
        high += 1
    gap = high - low - 1
    if gap > longest or low < 0 or high >= line.size:
        return np.nan
    if state[low] != MEASURED or state[high] != MEASURED:
        return np.nan
    wanted = (
        3 if pitch_mm > COARSE_MM else min(12, max(2, int(3.0 / pitch_mm + 0.5), (2 * gap) // 5))
    )
    n = 0
    sides = 0
    for sign in (-1, 1):
        k = low if sign < 0 else high
        found = 0
        reach = 2 * wanted + 2
        while found < wanted and reach > 0 and 0 <= k < line.size:
            if state[k] == MEASURED:
                node[0, n] = k - i
                node[1, n] = line[k]
                n += 1
                found += 1
            k += sign
            reach -= 1
        if found >= 2:
            sides += 1
    if sides < 2:
        first, last = float(low - i), float(high - i)
        return (line[low] * last - line[high] * first) / (last - first)
    degree = 5 if pitch_mm > COARSE_MM and n >= 6 else 3
    return _polynomial_at_zero(node[0, :n], node[1, :n], degree, normal)


@numba.njit(cache=True, nogil=True)
def _polynomial_at_zero(t, z, degree, normal):  # type: ignore[no-untyped-def]
    """Value at t = 0 of the polynomial of least squares through (t, z)."""
    size = degree + 1
    reach = np.abs(t).max()
    normal[:, :] = 0.0
    for k in range(t.size):
        for a in range(size):
            pa = (t[k] / reach) ** a
            for b in range(size):
                normal[a, b] += pa * (t[k] / reach) ** b
            normal[a, size] += pa * (z[k] - z[0])
    for a in range(size - 1, -1, -1):  # eliminated upwards: only the constant term is wanted
        for b in range(a):
            factor = normal[b, a] / normal[a, a]
            for c in range(size + 1):
                normal[b, c] -= factor * normal[a, c]
    return z[0] + normal[0, size] / normal[0, 0]
