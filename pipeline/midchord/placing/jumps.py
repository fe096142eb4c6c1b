"""Where the sensor jumps to something else: the second surface of the glass, or a reflection.

Where too little light comes back from the upper surface, a sensor takes the lower one: the height
jumps down by the way through the glass as the sensor sees it, ``thickness / 1.52`` when it looks
straight down, another share of the thickness when it triangulates. The jump is therefore not
assumed but measured: it is the *same* in all patches of one scan, which neither spikes, nor dust,
nor steep places are.

Neighbouring points that belong together are joined to regions (as in region.py, but with a step
that even thin glass exceeds). A region within the lite whose border lies below the lite by what
most others do is the second surface. What may be something else is left alone: a region further
down than the glass is thick is seen through an opening; so is, where the thickness is not known,
one that is as far down as what lies beside the lite, or one as large as a hole.

A small region that lies off the lite by any other step, up or down, is a *speck*: several points
that saw the same reflection. Single points are left to the test for spikes (clean.py), which larger
groups, or groups at the rim, may outvote.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import LINK_MM, Floats, Grid, Heights, label_regions, region_stats

__all__ = ["INDEX", "Jumps", "SecondSurface", "find_jumps"]

Mask = npt.NDArray[np.bool_]

INDEX = 1.52
"""Refractive index of soda-lime glass in the visible (from memory)."""
STEP_MM, SLOPE = 0.4, 0.03
"""Neighbours that differ by more, and more than this slope, are not the same surface. Roll wave
and edge lift stay below a slope of 0.02, the tilt of an area sensor below 0.03."""
LEAST_JUMP_MM = 1.0
"""Half of the thinnest glass."""
TOLERANCE, LEAST_TOLERANCE_MM = 0.04, 0.06
"""Jumps that differ by no more are the same: the thickness of float glass varies by 2 to 6 %
(limits of EN 572-2, from memory)."""
PATCH_POINTS = 4
"""What is smaller may be a spike, and counts only with others that are larger."""
PATCHES = 3
"""With as many the jump is common; one is enough where it fits a known thickness."""
WITHIN = (0.45, 0.92)
"""Share of the thickness that a jump through the glass may be, whatever the sensor."""
SPECK_POINTS, SPECK_MM = 5, 12.0
"""Fewest points of a speck, and how large it may be."""
LARGE = 0.1
LARGEST_SHARE = 0.5


class SecondSurface(NamedTuple):
    """is_second: (x, y); jump_mm: how far below, positive; patches: how many of several points."""

    is_second: Mask
    jump_mm: float
    patches: int


class Jumps(NamedTuple):
    """second: the second surface, None where it is nowhere seen; is_speck: (x, y), None where
    there are none."""

    second: SecondSurface | None
    is_speck: Mask | None


def find_jumps(height: Heights, grid: Grid, *, thickness_mm: float | None) -> Jumps:
    """Where a scan shows the second surface, and specks of reflections.

    height        (x, y), mm, NaN where not measured; everything that the sensor saw
    thickness_mm  of the glass, where known
    """
    if _steps(height, STEP_MM + SLOPE * grid.pitch_x_mm) < PATCH_POINTS:
        return Jumps(None, None)
    gap_x, gap_y = (int(LINK_MM / pitch + 1e-6) for pitch in (grid.pitch_x_mm, grid.pitch_y_mm))
    labels, parent = label_regions(
        height, gap_x, gap_y, STEP_MM, SLOPE * grid.pitch_x_mm, SLOPE * grid.pitch_y_mm
    )
    if parent.size < 2:
        return Jumps(None, None)
    stats = region_stats(height, labels, parent)
    count = stats[:, 0]
    large = np.flatnonzero(count >= LARGE * count.max())
    lite = int(large[stats[large, 5].argmax()])
    borders = _borders(height, labels, parent, lite)
    chosen, jump_mm, patches = _common_jump(stats, borders, lite, grid, thickness_mm)
    if count[chosen].sum() > LARGEST_SHARE * count[lite]:
        chosen = np.zeros_like(chosen)
    second = None
    if chosen.any():
        second = SecondSurface(_marked(labels, parent, chosen), jump_mm, patches)
    extent_mm = _extents_mm(stats, grid)
    specks = (borders[:, 0] > 0) & ~chosen & (count >= SPECK_POINTS)
    specks &= (extent_mm <= SPECK_MM).all(axis=1)
    specks[lite] = False
    return Jumps(second, _marked(labels, parent, specks) if specks.any() else None)


def _extents_mm(stats: Floats, grid: Grid) -> Floats:
    """Of each region along x and y."""
    cells = stats[:, (2, 4)] - stats[:, (1, 3)] + 1
    return np.asarray(cells * np.array([grid.pitch_x_mm, grid.pitch_y_mm]))


def _marked(labels: npt.NDArray[np.int32], parent: npt.NDArray[np.int32], chosen: Mask) -> Mask:
    is_marked = np.zeros(labels.shape, bool)
    _mark(labels, parent, chosen, is_marked)
    return is_marked


def _common_jump(
    stats: Floats, borders: Floats, lite: int, grid: Grid, thickness_mm: float | None
) -> tuple[Mask, float, int]:
    """Which regions are the second surface, how far below they lie, how many are patches."""
    none = np.zeros(len(stats), bool), 0.0, 0
    seen = borders[:, 0] > 0
    seen[lite] = False
    below = np.where(seen, -borders[:, 1] / np.maximum(borders[:, 0], 1), 0.0)
    inside = (stats[:, (1, 3)] >= stats[lite, (1, 3)]) & (stats[:, (2, 4)] <= stats[lite, (2, 4)])
    may_be = seen & inside.all(axis=1) & (below >= LEAST_JUMP_MM)
    if thickness_mm is None:
        may_be &= _extents_mm(stats, grid).min(axis=1) < LINK_MM
    else:
        may_be &= (below >= WITHIN[0] * thickness_mm) & (below <= WITHIN[1] * thickness_mm)
    is_patch = may_be & (stats[:, 0] >= PATCH_POINTS)
    if not is_patch.any():
        return none
    jump_mm = _most_common(below[is_patch], borders[is_patch, 0])
    tolerance = max(LEAST_TOLERANCE_MM, TOLERANCE * jump_mm)
    is_same = np.abs(below - jump_mm) <= tolerance
    patches = int(np.count_nonzero(is_patch & is_same))
    if patches < (PATCHES if thickness_mm is None else 1):
        return none
    beside = seen & ~inside.all(axis=1) & (stats[:, 0] >= PATCH_POINTS)
    if thickness_mm is None and (beside & (np.abs(below - jump_mm) <= 2 * tolerance)).any():
        return none
    own = is_patch & is_same
    mean_mm = float(np.average(below[own], weights=borders[own, 0]))
    return may_be & (np.abs(below - mean_mm) <= 2 * tolerance), mean_mm, patches


def _most_common(jumps: Floats, weights: Floats) -> float:
    """The jump with the most weight within the tolerance of it."""
    order = np.argsort(jumps)
    jumps, total = jumps[order], np.concatenate([[0.0], np.cumsum(weights[order])])
    tolerance = np.maximum(LEAST_TOLERANCE_MM, TOLERANCE * jumps)
    first = np.searchsorted(jumps, jumps - tolerance)
    last = np.searchsorted(jumps, jumps + tolerance, side="right")
    return float(jumps[(total[last] - total[first]).argmax()])


@numba.njit(cache=True, nogil=True)
def _steps(height, least_mm):  # type: ignore[no-untyped-def]
    """Steps along x from one point to the next that are as large as this."""
    count = 0
    for i in range(height.shape[0] - 1):
        for j in range(height.shape[1]):
            if abs(height[i, j] - height[i + 1, j]) >= least_mm:
                count += 1
    return count


@numba.njit(cache=True, nogil=True)
def _borders(height, labels, parent, lite):  # type: ignore[no-untyped-def]
    """For each region: neighbouring pairs with the lite, and the sum of their differences."""
    nx, ny = height.shape
    borders = np.zeros((parent.size, 2))
    for i in range(nx):
        for j in range(ny):
            if labels[i, j] < 0:
                continue
            own = parent[labels[i, j]]
            for k, m in ((i + 1, j), (i, j + 1)):
                if k >= nx or m >= ny or labels[k, m] < 0:
                    continue
                other = parent[labels[k, m]]
                if own == other:
                    continue
                if own == lite:
                    borders[other, 0] += 1
                    borders[other, 1] += height[k, m] - height[i, j]
                elif other == lite:
                    borders[own, 0] += 1
                    borders[own, 1] += height[i, j] - height[k, m]
    return borders


@numba.njit(cache=True, nogil=True)
def _mark(labels, parent, chosen, is_marked):  # type: ignore[no-untyped-def]
    for i in range(labels.shape[0]):
        for j in range(labels.shape[1]):
            if labels[i, j] >= 0 and chosen[parent[labels[i, j]]]:
                is_marked[i, j] = True
