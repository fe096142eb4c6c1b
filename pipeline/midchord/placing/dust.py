"""Dust: small bumps of some mm and some tens of um that are no single bad points.

A grain covers several neighbouring points, so that each of them agrees with the next one and the
test for spikes (clean.py) passes them. It shows against what lies around it: heights are averaged
over cells of about 2.5 mm, and each cell is compared with the cubic through four cells 10 and 20 mm
away, along x and along y. A grain stands *up* from both (down where the lower face was scanned), by
far more than the cells around it usually do, and is small. With a pitch over 6 mm along either
axis nothing is looked for.

It must not eat what belongs to the glass. A roll wave of 120 mm and 0.1 mm depth departs from such
a cubic by 1 um. The imprint of nozzles does depart, but everywhere: the usual departure of its
surroundings is then large. A worn nozzle or a dirty roller leaves bumps in a row, along x or y:
more in a row than chance would put there are left alone, and so is everything larger than a grain.
Within 20 mm of the rim nothing is compared.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import Floats, Grid, Heights

__all__ = ["Grains", "find_dust"]

Mask = npt.NDArray[np.bool_]

CELL_MM = 2.5
AWAY_MM = 10.0
COARSEST_MM = 6.0
"""Pitch above which a grain is a single point, or a part of a line: it cannot be told from a spike
or from imprint."""
SIGMA = 6.5
"""Usual departures (robust standard deviations) that a grain stands off by."""
LEAST_MM = 0.006
"""What is lower does not matter to a figure."""
LARGEST_MM = 12.0
"""Across, at two fifths of the height."""
STEEP = 0.7
"""Least height above cells 10 and 20 mm away, of that above cells 20 and 40 mm away: 0.82 for a
Gaussian bump 12 mm wide at half height, 0.31 for one of 21 mm."""
TILE = 32
"""Cells each way of the surroundings that say what is usual."""
ROW_MM = 6.0
IN_A_ROW = 4
LARGEST_SHARE = 0.01
"""Of the lite: what stands up from more of it is no dust."""


class Grains(NamedTuple):
    """is_dust: (x, y), to be removed; grains: how many; largest_mm: above what lies around it;
    in_rows: bumps that are left."""

    is_dust: Mask
    grains: int
    largest_mm: float
    in_rows: int


def find_dust(
    height: Heights, grid: Grid, *, step_mm: float, skew_deg: float = 0.0, face: str = "upper"
) -> Grains | None:
    """Grains of dust on the glass; None where there are none.

    height   (x, y), mm, NaN where not measured or not glass
    step_mm  that heights are rounded to where noise does not blur it; otherwise 0
    skew_deg  of the lite on the grid: rows are those of the lite
    face     that was scanned
    """
    if max(grid.pitch_x_mm, grid.pitch_y_mm) > COARSEST_MM:
        return None
    size = [max(1, int(CELL_MM / p + 0.5)) for p in (grid.pitch_x_mm, grid.pitch_y_mm)]
    cell_mm = np.array([size[0] * grid.pitch_x_mm, size[1] * grid.pitch_y_mm])
    away = [max(1, int(np.ceil(AWAY_MM / mm - 1e-6))) for mm in cell_mm]
    cells = _cells(height, size[0], size[1], 1.0 if face == "upper" else -1.0)
    if cells.shape[0] <= 4 * away[0] or cells.shape[1] <= 4 * away[1]:
        return None
    excess = _excess(cells, away[0], away[1], TILE, max(LEAST_MM, 2 * step_mm), SIGMA)
    if not (excess > 1.0).any():
        return None
    return _grains(excess, cells, height.shape, size, cell_mm, away, np.deg2rad(skew_deg))


def _grains(
    excess: npt.NDArray[np.float32],
    cells: npt.NDArray[np.float32],
    shape: tuple[int, ...],
    size: list[int],
    cell_mm: Floats,
    away: list[int],
    skew: float,
) -> Grains | None:
    """The grains among the cells that stand up; excess is 1 at the threshold."""
    from scipy import ndimage

    around = np.ones((3, 3), bool)
    labels, count = ndimage.label(excess > 0.4, structure=around)
    peaks = np.asarray(ndimage.maximum(excess, labels, np.arange(1, count + 1)))
    boxes = ndimage.find_objects(labels)
    places, parts = [], []
    for k in np.flatnonzero(peaks > 1.0):
        i, j = np.nonzero(labels[boxes[k]] == k + 1)
        i, j = i + boxes[k][0].start, j + boxes[k][1].start
        best = excess[i, j].argmax()
        top = excess[i, j] > 0.4 * peaks[k]
        places.append((i[best], j[best]))
        parts.append((i[top], j[top]))
    in_row = _in_a_row(np.array(places), np.array(excess.shape), cell_mm, skew)
    is_small = np.array(
        [
            _is_small(part, cell_mm) and _is_steep(cells, place, away)
            for part, place in zip(parts, places, strict=True)
        ]
    )
    is_grain = np.zeros(excess.shape, bool)
    largest = 0.0
    for k in np.flatnonzero(is_small & ~in_row):
        is_grain[parts[k]] = True
        largest = max(largest, _above(cells, places[k], away))
    grains, rows = int((is_small & ~in_row).sum()), int((is_small & in_row).sum())
    if not grains + rows:
        return None
    if is_grain.sum() > LARGEST_SHARE * np.count_nonzero(np.isfinite(cells)):
        return Grains(np.zeros(shape, bool), 0, 0.0, grains + rows)
    is_grain = ndimage.binary_dilation(is_grain, structure=around)
    is_dust = np.zeros(shape, bool)
    blown = np.repeat(np.repeat(is_grain, size[0], axis=0), size[1], axis=1)
    is_dust[: blown.shape[0], : blown.shape[1]] = blown[: shape[0], : shape[1]]
    return Grains(is_dust, grains, largest, rows)


def _is_small(part: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]], cell_mm: Floats) -> np.bool_:
    extent_mm = np.array([np.ptp(part[0]) + 1, np.ptp(part[1]) + 1]) * cell_mm
    return (extent_mm <= np.maximum(LARGEST_MM, 2 * cell_mm)).all()


def _in_a_row(
    places: npt.NDArray[np.intp], cells: npt.NDArray[np.intp], cell_mm: Floats, skew: float
) -> Mask:
    """Which places share a line along the lite's x or y with more than chance would put there."""
    cos, sin = np.cos(skew), np.sin(skew)
    where_mm = (places * cell_mm) @ np.array([[cos, -sin], [sin, cos]])
    in_row = np.zeros(len(places), bool)
    for axis in (0, 1):
        half = max(ROW_MM, float(cell_mm[axis]))
        beside = np.abs(where_mm[:, axis, None] - where_mm[None, :, axis]) <= half
        expected = len(places) * 2 * half / (cells[axis] * cell_mm[axis])
        in_row |= beside.sum(axis=1) > IN_A_ROW + 4 * expected
    return in_row


def _is_steep(
    cells: npt.NDArray[np.float32], place: tuple[int, int], away: list[int]
) -> np.bool_ | bool:
    """Whether a bump falls off within the cells next to it; near the rim it is taken to."""
    reach = 4 * np.array(away)
    if (np.array(place) < reach).any() or (np.array(place) + reach >= cells.shape).any():
        return True
    near, far = _above(cells, place, away), _above(cells, place, [2 * a for a in away])
    return not near < STEEP * far


def _above(cells: npt.NDArray[np.float32], place: tuple[int, int], away: list[int]) -> float:
    """How far a cell stands above the cubics through the cells around it; mm."""
    i, j = place
    a, b = away
    along = 4 * (cells[i - a, j] + cells[i + a, j]) - cells[i - 2 * a, j] - cells[i + 2 * a, j]
    across = 4 * (cells[i, j - b] + cells[i, j + b]) - cells[i, j - 2 * b] - cells[i, j + 2 * b]
    return float(cells[i, j] - max(along, across) / 6)


@numba.njit(cache=True, nogil=True)
def _cells(height, size_x, size_y, sign):  # type: ignore[no-untyped-def]
    """Means over cells; NaN where less than half of a cell is measured."""
    nx, ny = height.shape[0] // size_x, height.shape[1] // size_y
    cells = np.full((nx, ny), np.nan, np.float32)
    total = np.empty(ny)
    count = np.empty(ny, np.int64)
    for i in range(nx):
        total[:] = 0.0
        count[:] = 0
        for p in range(i * size_x, (i + 1) * size_x):
            for j in range(ny):
                for q in range(j * size_y, (j + 1) * size_y):
                    z = height[p, q]
                    if np.isfinite(z):
                        total[j] += z
                        count[j] += 1
        for j in range(ny):
            if 2 * count[j] >= size_x * size_y:
                cells[i, j] = sign * total[j] / count[j]
    return cells


@numba.njit(cache=True, nogil=True)
def _excess(cells, away_x, away_y, tile, least_mm, sigma):  # type: ignore[no-untyped-def]
    """Departure along x or y, the smaller one, over its threshold; 0 where it is not known."""
    nx, ny = cells.shape
    excess = np.zeros((nx, ny), np.float32)
    off = np.empty((2, tile, tile), np.float32)
    some = np.empty((2, tile * tile), np.float32)
    for first_i in range(0, nx, tile):
        for first_j in range(0, ny, tile):
            off[:] = np.nan
            count = np.zeros(2, np.int64)
            for i in range(first_i, min(nx, first_i + tile)):
                for j in range(first_j, min(ny, first_j + tile)):
                    z = cells[i, j]
                    if not np.isfinite(z):
                        continue
                    if i >= 2 * away_x and i + 2 * away_x < nx:
                        near = cells[i - away_x, j] + cells[i + away_x, j]
                        far = cells[i - 2 * away_x, j] + cells[i + 2 * away_x, j]
                        off[0, i - first_i, j - first_j] = z - (4.0 * near - far) / 6.0
                    if j >= 2 * away_y and j + 2 * away_y < ny:
                        near = cells[i, j - away_y] + cells[i, j + away_y]
                        far = cells[i, j - 2 * away_y] + cells[i, j + 2 * away_y]
                        off[1, i - first_i, j - first_j] = z - (4.0 * near - far) / 6.0
                    for k in range(2):
                        value = off[k, i - first_i, j - first_j]
                        # a quarter of the cells says well enough what is usual
                        if np.isfinite(value) and (i + j) % 4 == 0:
                            some[k, count[k]] = abs(value)
                            count[k] += 1
            if min(count[0], count[1]) < 16:
                continue
            limit = np.empty(2)
            for k in range(2):
                limit[k] = max(least_mm, sigma * 1.4826 * np.median(some[k, : count[k]]))
            for p in range(tile):
                for q in range(tile):
                    a, b = off[0, p, q] / limit[0], off[1, p, q] / limit[1]
                    if np.isfinite(a) and np.isfinite(b) and min(a, b) > 0:
                        excess[first_i + p, first_j + q] = min(a, b)
    return excess
