"""The hot loops of gridding, compiled by numba; ``gridding`` says what they are for.

Points are (n, 3) float64: x, y, height in mm. A point without a finite position is nowhere, one
without a finite height is in no cell. A cell is named by its whole pitches from the frame's zero.
Counting sort: ``slots`` gives each cell its stretch of the buffer, ``place`` fills the stretches,
``settle`` takes the median or mean of each. The stretch of a cell is noted in the very memory that
will hold its height, so that the sort costs no second grid.
"""

from __future__ import annotations

import numba as nb
import numpy as np

__all__ = [
    "count_points",
    "extent",
    "fill",
    "inside",
    "levelled",
    "place",
    "row_totals",
    "settle",
    "slots",
]


@nb.njit(cache=True, nogil=True)
def extent(points):  # type: ignore[no-untyped-def]
    """Lowest x and y, highest x and y, points with a position, points with a height too."""
    ends = np.array([np.inf, np.inf, -np.inf, -np.inf, 0.0, 0.0])
    for n in range(points.shape[0]):
        x, y = points[n, 0], points[n, 1]
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        ends[0] = min(ends[0], x)
        ends[1] = min(ends[1], y)
        ends[2] = max(ends[2], x)
        ends[3] = max(ends[3], y)
        ends[4] += 1.0
        if np.isfinite(points[n, 2]):
            ends[5] += 1.0
    return ends


@nb.njit(cache=True, nogil=True)
def inside(points, box):  # type: ignore[no-untyped-def]
    """Whether each point lies in the box (low x, low y, high x, high y)."""
    is_inside = np.zeros(points.shape[0], dtype=np.bool_)
    for n in range(points.shape[0]):
        x, y = points[n, 0], points[n, 1]
        if np.isfinite(x) and np.isfinite(y):
            is_inside[n] = box[0] <= x <= box[2] and box[1] <= y <= box[3]
    return is_inside


@nb.njit(cache=True, inline="always")
def _form(x, y, form):  # type: ignore[no-untyped-def]
    """Height of the paraboloid at a place, mm."""
    u = (x - form[0]) / 1000.0
    v = (y - form[1]) / 1000.0
    return form[2] + u * (form[3] + u * form[5] + v * form[6]) + v * (form[4] + v * form[7])


@nb.njit(cache=True, nogil=True)
def levelled(points, form):  # type: ignore[no-untyped-def]
    """The points with the paraboloid taken off their heights."""
    level = points.copy()
    for n in range(points.shape[0]):
        level[n, 2] -= _form(points[n, 0], points[n, 1], form)
    return level


@nb.njit(cache=True, nogil=True)
def count_points(points, start, frame, count):  # type: ignore[no-untyped-def]
    """Counts points from number ``start`` on; the number where a counter was full, else n.

    frame   x0, y0, pitch along x and y
    """
    nx, ny = count.shape
    full = 2 ** (8 * count.itemsize) - 1
    over_x, over_y = 1.0 / frame[2], 1.0 / frame[3]
    for n in range(start, points.shape[0]):
        x, y = points[n, 0], points[n, 1]
        if not (np.isfinite(x) and np.isfinite(y) and np.isfinite(points[n, 2])):
            continue
        u, v = (x - frame[0]) * over_x + 0.5, (y - frame[1]) * over_y + 0.5
        # compared before they are integers: what no integer holds would become any cell
        if not (-1.0 < u < nx and -1.0 < v < ny):  # rounding at the far end
            continue
        i, j = int(u), int(v)
        if count[i, j] == full:
            return n
        count[i, j] += 1
    return points.shape[0]


@nb.njit(cache=True, nogil=True)
def row_totals(count):  # type: ignore[no-untyped-def]
    """Points of each row that must be sorted, since they share their cell; cells with points;
    cells with several."""
    totals = np.zeros(count.shape[0], dtype=np.int64)
    occupied = 0
    shared = 0
    for i in range(count.shape[0]):
        for j in range(count.shape[1]):
            occupied += count[i, j] > 0
            if count[i, j] > 1:
                totals[i] += count[i, j]
                shared += 1
    return totals, occupied, shared


@nb.njit(cache=True, nogil=True)
def slots(count, slot, first, last):  # type: ignore[no-untyped-def]
    """Where the stretch of each shared cell of rows first to last starts in the buffer."""
    start = 0
    for i in range(first, last):
        for j in range(count.shape[1]):
            slot[i, j] = start
            if count[i, j] > 1:
                start += count[i, j]


@nb.njit(cache=True, nogil=True)
def place(points, frame, form, count, slot, height, buffer, first, last):  # type: ignore[no-untyped-def]
    """Heights above the paraboloid: lone points to their cell, others to its stretch."""
    ny = count.shape[1]
    over_x, over_y = 1.0 / frame[2], 1.0 / frame[3]
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        if not (np.isfinite(x) and np.isfinite(y) and np.isfinite(z)):
            continue
        u, v = (x - frame[0]) * over_x + 0.5, (y - frame[1]) * over_y + 0.5
        if not (-1.0 < u < last and -1.0 < v < ny):
            continue
        i, j = int(u), int(v)
        if i < first:
            continue
        above = z - _form(x, y, form)
        if count[i, j] == 1:
            height[i, j] = above
        else:
            buffer[slot[i, j]] = above
            slot[i, j] += 1


@nb.njit(cache=True, nogil=True)
def _sort(values):  # type: ignore[no-untyped-def]
    """In place; by insertion where there are few, as in most cells."""
    if values.size > 48:
        values.sort()
        return
    for n in range(1, values.size):
        value = values[n]
        k = n - 1
        while k >= 0 and values[k] > value:
            values[k + 1] = values[k]
            k -= 1
        values[k + 1] = value


@nb.njit(cache=True, inline="always")
def _middle(values):  # type: ignore[no-untyped-def]
    half = values.size // 2
    if values.size % 2:
        return float(values[half])
    return 0.5 * (float(values[half - 1]) + float(values[half]))


@nb.njit(cache=True, nogil=True)
def settle(  # type: ignore[no-untyped-def]
    frame, form, count, slot, height, spread, buffer, is_median, first, last
):
    """Heights and spreads of rows first to last; the paraboloid put back at the cell centres.

    spread   (0, 0) where it is not kept
    """
    keeps_spread = spread.size > 0
    for i in range(first, last):
        x = frame[0] + i * frame[2]
        for j in range(count.shape[1]):
            number = int(count[i, j])
            value = np.nan
            scatter = np.nan
            if number == 1:
                value = float(height[i, j])
            elif number > 1:
                end = slot[i, j]
                some = buffer[end - number : end]
                if is_median:
                    _sort(some)
                    value = _middle(some)
                    if keeps_spread:
                        for n in range(number):
                            some[n] = abs(some[n] - value)
                        _sort(some)
                        scatter = 1.4826 * _middle(some)
                else:
                    total = 0.0
                    for n in range(number):
                        total += some[n]
                    value = total / number
                    squares = 0.0
                    for n in range(number):
                        squares += (some[n] - value) ** 2
                    scatter = np.sqrt(squares / (number - 1))
            if number:
                value += _form(x, frame[1] + j * frame[3], form)
            height[i, j] = value
            if keeps_spread:
                spread[i, j] = scatter


@nb.njit(cache=True, inline="always")
def _bridge(height, count, i, j, step_i, step_j, longest):  # type: ignore[no-untyped-def]
    """Height on the straight line over a hole through a cell, and its length in cells, else 0."""
    nx, ny = count.shape
    before = 1
    while before <= longest:
        k, m = i - before * step_i, j - before * step_j
        if k < 0 or m < 0:
            return 0.0, 0
        if count[k, m]:
            break
        before += 1
    after = 1
    while before + after - 1 <= longest:
        k, m = i + after * step_i, j + after * step_j
        if k >= nx or m >= ny:
            return 0.0, 0
        if count[k, m]:
            break
        after += 1
    length = before + after - 1
    if length > longest:
        return 0.0, 0
    low = float(height[i - before * step_i, j - before * step_j])
    high = float(height[i + after * step_i, j + after * step_j])
    return (low * after + high * before) / (before + after), length


@nb.njit(cache=True, nogil=True)
def fill(height, count, frame, fill_mm):  # type: ignore[no-untyped-def]
    """Bridges holes no longer than ``fill_mm``; cells filled, and cells left empty.

    Only measured cells are held on to, so the order of filling does not matter. Where both axes
    can bridge a hole, the shorter bridge counts for more.
    """
    longest_x = int(fill_mm / frame[2] + 1e-9)
    longest_y = int(fill_mm / frame[3] + 1e-9)
    filled = 0
    left = 0
    for i in range(count.shape[0]):
        for j in range(count.shape[1]):
            if count[i, j]:
                continue
            along, length_x = _bridge(height, count, i, j, 1, 0, longest_x)
            across, length_y = _bridge(height, count, i, j, 0, 1, longest_y)
            weight_x = 1.0 / (length_x * frame[2]) if length_x else 0.0
            weight_y = 1.0 / (length_y * frame[3]) if length_y else 0.0
            if weight_x + weight_y > 0.0:
                height[i, j] = (along * weight_x + across * weight_y) / (weight_x + weight_y)
                filled += 1
            else:
                left += 1
    return filled, left
