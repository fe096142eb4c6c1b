"""Which measured points are glass: the lite told from belt, rollers, and stray points.

A sensor over a conveyor also sees what is beside and below the lite. Neighbouring points belong
to one *region* where the step between them is small; the largest region is the lite, unless
another large one lies above it by more than the glass range (belt and rollers lie below the
glass). Points further than the glass range from a robust plane through the lite are dropped, so
that the tilt of an area sensor does not count as height.

Regions are linked across missing points up to ``LINK_MM`` along x or y, so that a few missing
scan lines do not cut a lite in two. Two lites closer than that cannot be told from one.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord_io.errors import LiteTooSmall, ScanError

__all__ = [
    "DROPOUT",
    "FILLED",
    "HIDDEN",
    "LINK_MM",
    "MEASURED",
    "NO_GLASS",
    "OUTSIDE",
    "SPIKE",
    "Grid",
    "find_glass",
    "label_regions",
    "region_stats",
    "robust_plane",
]

Heights = npt.NDArray[np.float32]
States = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]

MEASURED, FILLED, SPIKE, DROPOUT, NO_GLASS = 0, 1, 2, 3, 4
OUTSIDE = 5
"""Beyond the outline; only inside the stage, it leaves as NO_GLASS."""
HIDDEN = 6
"""Glass that the sensor saw something else of (its second surface, the end of its range); only
inside the stage: never an opening, it leaves as DROPOUT."""

LINK_MM = 25.0
"""Missing points up to this long do not part a region; what is smaller either way is no region
of its own. The missing line or the drilled hole that it separates is a setting of our own."""
STEP_MM = 3.0
"""Neighbours that differ by more (and SLOPE of their distance) are not the same surface: the
thinnest lite that is heat-treated is about 3 mm (common practice, no source)."""
SLOPE = 0.1
LARGE_SHARE = 0.1
"""A region of this share of the largest could be a lite of its own."""
LEAST_CELLS = 25
LEAST_MM = 50.0


class Grid(NamedTuple):
    """An even grid: centre of the first cell, pitch and number of cells along each axis; mm."""

    x0_mm: float
    y0_mm: float
    pitch_x_mm: float
    pitch_y_mm: float
    nx: int
    ny: int

    @property
    def x_mm(self) -> Floats:
        return np.asarray(self.x0_mm + self.pitch_x_mm * np.arange(self.nx), dtype=np.float64)

    @property
    def y_mm(self) -> Floats:
        return np.asarray(self.y0_mm + self.pitch_y_mm * np.arange(self.ny), dtype=np.float64)


def find_glass(height: Heights, grid: Grid, *, glass_range_mm: float, where: str) -> States:
    """What each point is, before spikes and outline are known.

    height   (x, y), mm, NaN where not measured
    returns  (x, y): MEASURED on the lite; SPIKE for specks with a step all round; NO_GLASS for
             other surfaces; DROPOUT where nothing was measured
    Raises   LiteTooSmall where there is no lite, ScanError where there are two
    """
    pitches = np.array([grid.pitch_x_mm, grid.pitch_y_mm])
    gap_x, gap_y = (int(LINK_MM / pitch + 1e-6) for pitch in pitches)
    labels, parent = label_regions(
        height, gap_x, gap_y, STEP_MM, SLOPE * pitches[0], SLOPE * pitches[1]
    )
    if parent.size == 0:
        raise _no_glass(where, 0.0, 0.0, 0)
    stats = region_stats(height, labels, parent)
    count = stats[:, 0]
    largest = int(count.argmax())
    lite = largest
    plane = _plane_of(height, labels, parent, largest)
    large = np.flatnonzero(count >= LARGE_SHARE * count[largest])
    lift = {int(k): _above(stats[k], plane) for k in large if k != largest}
    for k, above_mm in lift.items():
        if above_mm > max(glass_range_mm, lift.get(lite, 0.0)):
            lite = k
    if lite != largest:
        plane = _plane_of(height, labels, parent, lite)
    _check_size(stats[lite], grid, where)
    beside = [int(k) for k in large if k != lite and abs(_above(stats[k], plane)) <= glass_range_mm]
    if beside:
        areas = [count[k] * pitches.prod() / 1e6 for k in (lite, *beside)]
        raise ScanError(
            where,
            found=f"{len(areas)} separate regions of like height ("
            + ", ".join(f"{area:.3g} m2" for area in sorted(areas, reverse=True))
            + ")",
            needed="one lite in a scan, and no belt within the glass range of it",
            do="split the scan, or lower glass_range_mm if one of them is the belt",
        )
    extent_mm = np.stack(
        [(stats[:, 2] - stats[:, 1] + 1) * pitches[0], (stats[:, 4] - stats[:, 3] + 1) * pitches[1]]
    )
    kind = np.where(extent_mm.min(axis=0) < LINK_MM, SPIKE, NO_GLASS).astype(np.uint8)
    kind[lite] = MEASURED
    state: States = _first_state(height, labels, parent, kind, plane, glass_range_mm)
    return state


def _check_size(stats: Floats, grid: Grid, where: str) -> None:
    length_mm = (stats[2] - stats[1] + 1) * grid.pitch_x_mm
    width_mm = (stats[4] - stats[3] + 1) * grid.pitch_y_mm
    if stats[0] < LEAST_CELLS or min(length_mm, width_mm) < LEAST_MM:
        raise _no_glass(where, length_mm, width_mm, int(stats[0]))


def _no_glass(where: str, length_mm: float, width_mm: float, points: int) -> LiteTooSmall:
    return LiteTooSmall(
        where,
        found=f"no glass: the largest region is {length_mm:.0f} mm by {width_mm:.0f} mm "
        f"with {points} points",
        needed=f"a lite of at least {LEAST_MM:.0f} mm by {LEAST_MM:.0f} mm",
        do="check the codes declared as invalid, the pitches, and that a lite was in view",
    )


def _above(stats: Floats, plane: Floats) -> float:
    """Mean height of a region above a plane at the region's centroid; mm."""
    return float(stats[5] - plane[0] - plane[1] * stats[6] - plane[2] * stats[7])


def _plane_of(
    height: Heights, labels: npt.NDArray[np.int32], parent: npt.NDArray[np.int32], region: int
) -> Floats:
    step = max(1, int(np.sqrt(height.size / 60_000)))
    some = labels[::step, ::step]
    i, j = np.nonzero((some >= 0) & (parent[some] == region))
    if i.size < 3:
        i, j = np.nonzero((labels >= 0) & (parent[labels] == region))
    else:
        i, j = i * step, j * step
    return robust_plane(i.astype(float), j.astype(float), height[i, j].astype(float))


def robust_plane(x: Floats, y: Floats, z: Floats) -> Floats:
    """Plane z = p[0] + p[1] x + p[2] y of least absolute distances.

    Iteratively reweighted least squares; half of the points may lie anywhere along z.
    """
    basis = np.stack([np.ones_like(x), x - x.mean(), y - y.mean()], axis=1)
    plane = np.array([np.median(z), 0.0, 0.0])
    for _ in range(20):
        residual = np.abs(z - basis @ plane)
        weight = 1.0 / np.maximum(residual, max(1e-3, 0.1 * float(np.median(residual))))
        scaled = basis * weight[:, None]
        plane = np.linalg.lstsq(scaled.T @ basis, scaled.T @ z, rcond=None)[0]
    plane[0] -= plane[1] * x.mean() + plane[2] * y.mean()
    return plane


@numba.njit(cache=True, nogil=True)
def _root(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@numba.njit(cache=True, nogil=True)
def label_regions(  # type: ignore[no-untyped-def]
    height, gap_x, gap_y, step_mm, slope_x_mm, slope_y_mm
):
    """Union-find over the grid: (labels, -1 where missing; root of each label, flattened).

    Two points of a line or column with at most ``gap`` missing cells between them are linked
    where they differ by at most ``step_mm`` and ``slope`` a cell.
    """
    nx, ny = height.shape
    labels = np.full((nx, ny), -1, np.int32)
    parent = np.empty(1 << 12, np.int32)
    used = 0
    last_i = np.full(ny, -1_000_000_000, np.int64)
    for i in range(nx):
        last_j = -1_000_000_000
        for j in range(ny):
            z = height[i, j]
            if not np.isfinite(z):
                continue
            label = -1
            if j - last_j - 1 <= gap_y and abs(z - height[i, last_j]) <= step_mm + slope_y_mm * (
                j - last_j
            ):
                label = labels[i, last_j]
            k = last_i[j]
            if i - k - 1 <= gap_x and abs(z - height[k, j]) <= step_mm + slope_x_mm * (i - k):
                other = labels[k, j]
                if label < 0:
                    label = other
                elif other != label:
                    a = _root(parent, label)
                    b = _root(parent, other)
                    if a < b:
                        parent[b] = a
                    else:
                        parent[a] = b
            if label < 0:
                if used == parent.size:
                    grown = np.empty(2 * used, np.int32)
                    grown[:used] = parent
                    parent = grown
                label = used
                parent[used] = used
                used += 1
            labels[i, j] = label
            last_j = j
            last_i[j] = i
    for k in range(used):
        parent[k] = parent[parent[k]]  # roots come first, so one look is enough
    return labels, parent[:used].copy()


@numba.njit(cache=True, nogil=True)
def region_stats(height, labels, parent):  # type: ignore[no-untyped-def]
    """For each root: count, first and last i, first and last j, mean z, mean i, mean j."""
    nx, ny = height.shape
    stats = np.zeros((parent.size, 8))
    stats[:, 1] = nx
    stats[:, 2] = -1
    stats[:, 3] = ny
    stats[:, 4] = -1
    for i in range(nx):
        for j in range(ny):
            if labels[i, j] < 0:
                continue
            row = stats[parent[labels[i, j]]]
            row[0] += 1
            row[1] = min(row[1], i)
            row[2] = max(row[2], i)
            row[3] = min(row[3], j)
            row[4] = max(row[4], j)
            row[5] += height[i, j]
            row[6] += i
            row[7] += j
    for k in range(parent.size):
        if stats[k, 0] > 0:
            stats[k, 5:] /= stats[k, 0]
    return stats


@numba.njit(cache=True, nogil=True)
def _first_state(height, labels, parent, kind, plane, glass_range_mm):  # type: ignore[no-untyped-def]
    nx, ny = height.shape
    state = np.empty((nx, ny), np.uint8)
    for i in range(nx):
        for j in range(ny):
            if labels[i, j] < 0:
                state[i, j] = DROPOUT
                continue
            state[i, j] = kind[parent[labels[i, j]]]
            level = plane[0] + plane[1] * i + plane[2] * j
            if state[i, j] == MEASURED and abs(height[i, j] - level) > glass_range_mm:
                state[i, j] = NO_GLASS
    return state
