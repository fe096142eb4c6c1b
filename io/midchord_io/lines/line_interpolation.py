"""Lines of heights at uneven places, interpolated to even ones: local cubic, careful with NaN.

Between the lines k and k+1 the cubic through the lines k-1 ... k+2 is taken, in the form of
Lagrange, whose weights hold for any spacing. Its error on a wave A cos(2 pi x / L) sampled at the
pitch h is at most

    (9/16) h^4 / 24 (2 pi / L)^4 A                       (remainder of Lagrange, at the middle)

that is 0.3 nm for A = 0.05 mm, L = 50 mm and h = 1 mm, and 0.2 um at h = 5 mm. Linear interpolation
would be off by h^2/8 (2 pi / L)^2 A: 0.1 um and 2.5 um.

Where one of the four samples is missing, the polynomial through the others takes its place. A
place is measured only where the line next to it is, and where the measured lines on its two sides
are no further apart than the longest gap: nothing wider is bridged, nothing is extrapolated.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["BLOCK_CELLS", "resample_lines"]

BLOCK_CELLS = 500_000
"""Cells interpolated at a time: four float64 samples of each live at once."""

ON_A_LINE = 1e-6
"""Share of a step within which a place is that of a line."""

Array = npt.NDArray[np.float64]


def resample_lines(
    height: npt.NDArray[Any],
    *,
    at_mm: npt.NDArray[np.float64],
    to_mm: npt.NDArray[np.float64],
    longest_gap_mm: float,
) -> npt.NDArray[np.float32]:
    """Heights at other places along the first axis.

    height          (lines, columns), mm, NaN where not measured
    at_mm           (lines,), where they are, strictly ascending, two or more
    to_mm           (n,), where heights are asked for, ascending
    longest_gap_mm  between two measured samples that may be bridged
    returns         (n, columns), mm, NaN beyond the first and last line and in wider gaps
    """
    out = np.empty((to_mm.size, height.shape[1]), dtype=np.float32)
    step = max(1, BLOCK_CELLS // max(1, height.shape[1]))
    for start in range(0, to_mm.size, step):
        part = slice(start, start + step)
        out[part] = _block(height, at_mm, to_mm[part], longest_gap_mm)
    return out


def _block(height: npt.NDArray[Any], at: Array, to: Array, longest_gap: float) -> Array:
    left = np.clip(np.searchsorted(at, to, side="right") - 1, 0, at.size - 2)
    step = at[left + 1] - at[left]
    # a place on a line, up to rounding, is that line's: it needs no neighbours
    snapped = to.copy()
    for side in (left, left + 1):
        is_there = np.abs(to - at[side]) <= ON_A_LINE * step
        snapped[is_there] = at[side][is_there]
    nodes = left[:, None] + np.arange(-1, 3)
    exists = (nodes >= 0) & (nodes < at.size)
    nodes = np.clip(nodes, 0, at.size - 1)
    places = at[nodes]
    exists[:, 0] &= places[:, 1] - places[:, 0] <= longest_gap
    exists[:, 3] &= places[:, 3] - places[:, 2] <= longest_gap
    samples = height[nodes].astype(np.float64)
    np.copyto(samples, 0.0, where=~exists[:, :, None])
    z = np.einsum("ij,ijk->ik", _weights(snapped, places, exists), samples)
    is_off = (snapped < at[0]) | (snapped > at[-1])
    is_off |= (step > longest_gap) & (snapped != at[left]) & (snapped != at[left + 1])
    np.copyto(samples, np.nan, where=~exists[:, :, None])
    _mend(z, samples, snapped, places, longest_gap)
    z[is_off] = np.nan
    return np.asarray(z)


def _weights(to: Array, places: Array, is_used: npt.NDArray[np.bool_]) -> Array:
    """Weights of Lagrange (n, 4) for the samples that are used."""
    weights = is_used.astype(np.float64)
    for i in range(4):
        for j in range(4):
            if i == j:
                continue
            distance = places[:, i] - places[:, j]
            both = is_used[:, i] & is_used[:, j] & (distance != 0)
            factor = (to - places[:, j]) / np.where(both, distance, 1.0)
            weights[:, i] *= np.where(both, factor, 1.0)
    return weights


def _mend(z: Array, samples: Array, to: Array, places: Array, longest_gap: float) -> None:
    """Cells with a missing sample: from the others, where the nearest line is measured."""
    is_measured = np.isfinite(samples)
    nearest = 1 + (to - places[:, 1] > places[:, 2] - to).astype(np.intp)
    next_to = np.take_along_axis(is_measured, nearest[:, None, None], axis=1)[:, 0]
    row, column = np.nonzero(np.isnan(z) & next_to)
    if not row.size:
        return
    used, at, x = is_measured[row, :, column], places[row], to[row]
    low = np.where(used & (at <= x[:, None]), at, -np.inf).max(axis=1)
    high = np.where(used & (at >= x[:, None]), at, np.inf).min(axis=1)
    is_held = high - low <= longest_gap
    row, column, used = row[is_held], column[is_held], used[is_held]
    weights = _weights(x[is_held], at[is_held], used)
    values = np.where(used, samples[row, :, column], 0.0)
    z[row, column] = (weights * values).sum(axis=1)
