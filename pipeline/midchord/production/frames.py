"""Two frames for many lites: the glass, and the machine; each an even grid.

On the *lite* frame a point is so far from the leading edge (x) and from the left-hand edge (y). On
the *machine* frame it is so far along and across from the machine's zero: a lite whose leading left
corner lies at (a, c), turned by the skew t, has its point (x, y) at

    along  = a + x cos t - y sin t
    across = c + x sin t + y cos t

Maps on another grid than the common one are interpolated to it (linear; a point with a neighbour
that has no value has none). From the lite to the machine every cell takes the point of the lite
nearest to its centre: the move is at most half a cell, and the noise keeps its size. Interpolating
once more would smooth it (to a quarter of its variance half way between points, both ways), and
with it every figure of spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.machine_place import MachinePlace
from midchord.production.stored import Axis, Fields, Head
from midchord_io.errors import ScanError

__all__ = ["Frame", "Frames", "Pose", "frames_of", "nearest_points", "on_lite_grid", "pose_of"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]
NO_GLASS = 255


class Frame(NamedTuple):
    """An even grid of nx by ny square cells; ``x0_mm``, ``y0_mm`` its lower corner."""

    x0_mm: float
    y0_mm: float
    nx: int
    ny: int
    pitch_mm: float

    @property
    def x_mm(self) -> Floats:
        """Centres of the cells."""
        return np.asarray(self.x0_mm + (np.arange(self.nx) + 0.5) * self.pitch_mm)

    @property
    def y_mm(self) -> Floats:
        """Centres of the cells."""
        return np.asarray(self.y0_mm + (np.arange(self.ny) + 0.5) * self.pitch_mm)


class Pose(NamedTuple):
    """Leading left corner of a lite on the machine frame, mm, and its skew, rad."""

    along_mm: float
    across_mm: float
    turn: float


class Frames(NamedTuple):
    """lite: of the longest and widest lite. machine: around all lites whose place is known both
    ways; None where there are none."""

    lite: Frame
    machine: Frame | None


def pose_of(place: MachinePlace) -> Pose | None:
    """The pose of a lite that is known along and across; None for others."""
    if place.along_mm is None or place.across_mm is None:
        return None
    return Pose(place.along_mm, place.across_mm, math.radians(place.skew_deg))


def frames_of(
    heads: Sequence[Head], places: Sequence[MachinePlace], *, pitch_mm: float, most_cells: int
) -> Frames:
    """The grids that hold all lites.

    Raises  ScanError where they would have more than ``most_cells`` cells
    """
    spans = [_span(head) for head in heads]
    nx, ny = (max(1, math.floor(max(ends) / pitch_mm + 0.5)) for ends in zip(*spans, strict=True))
    lite = Frame(0.0, 0.0, nx, ny, pitch_mm)
    corners = [
        corner
        for place, (length, width) in zip(places, spans, strict=True)
        if (pose := pose_of(place)) is not None
        for corner in _corners(pose, length, width)
    ]
    machine = None
    if corners:
        low, high = np.min(corners, axis=0), np.max(corners, axis=0)
        start = np.floor(low / pitch_mm + 1e-6)
        count = np.ceil(high / pitch_mm - 1e-6) - start
        if (
            (math.hypot(*(high - low)) / pitch_mm) > 1e6
            or count[0] * count[1] + nx * ny > most_cells
        ):
            raise ScanError(
                "maps",
                found=f"places of lites over {high[0] - low[0]:.0f} mm along and "
                f"{high[1] - low[1]:.0f} mm across, more cells of {pitch_mm:g} mm than "
                f"{most_cells}",
                needed="places in one machine, from its own zero",
                do="correct the places, state place.along = false in the machine file where the "
                "scanner only counts on, or set a coarser grid.pitch_mm",
            )
        x0, y0 = (float(value) * pitch_mm for value in start)
        machine = Frame(x0, y0, int(count[0]), int(count[1]), pitch_mm)
    elif nx * ny > most_cells:
        raise ScanError(
            "maps",
            found=f"lites of {nx} by {ny} cells of {pitch_mm:g} mm, over {most_cells}",
            needed="a grid that fits into memory",
            do="set a coarser grid.pitch_mm",
        )
    return Frames(lite, machine)


def _span(head: Head) -> tuple[float, float]:
    return head.x.points * head.x.step_mm, head.y.points * head.y.step_mm


def _corners(pose: Pose, length: float, width: float) -> list[tuple[float, float]]:
    cos, sin = math.cos(pose.turn), math.sin(pose.turn)
    return [
        (pose.along_mm + x * cos - y * sin, pose.across_mm + x * sin + y * cos)
        for x in (0.0, length)
        for y in (0.0, width)
    ]


def on_lite_grid(head: Head, fields: Fields, frame: Frame) -> tuple[Singles, Bytes]:
    """Values and zones of one map on the grid of the lite frame, as far as the lite goes.

    returns  values (nx, ny) NaN where there is none, zone (nx, ny) 255 where there is no glass;
             nx and ny those of this lite, not of the frame
    """
    (i, p, own_x), (j, q, own_y) = (
        _neighbours(axis, frame.pitch_mm, most)
        for axis, most in ((head.x, frame.nx), (head.y, frame.ny))
    )
    if own_x and own_y:
        return fields.values[: i.size, : j.size], fields.zone[: i.size, : j.size]
    z = fields.values
    rows = _between(z, i, p, 0)
    values = _between(rows, j, q, 1).astype(np.float32)
    near_x, near_y = np.where(p < 0.5, i, i + 1), np.where(q < 0.5, j, j + 1)
    near_x, near_y = np.minimum(near_x, z.shape[0] - 1), np.minimum(near_y, z.shape[1] - 1)
    return values, fields.zone[np.ix_(near_x, near_y)]


def _neighbours(
    axis: Axis, pitch_mm: float, most: int
) -> tuple[npt.NDArray[np.intp], Floats, bool]:
    """For each centre of the common grid: the point before it, how far it is towards the next
    (0 to 1), and whether the two grids are one."""
    count = min(most, max(1, math.floor(axis.points * axis.step_mm / pitch_mm + 0.5)))
    is_own = abs(axis.step_mm - pitch_mm) * axis.points < 1e-3 * pitch_mm and count == axis.points
    # a map begins half a step before its first centre, wherever its coordinates put it
    at = (np.arange(count) + 0.5) * pitch_mm / axis.step_mm - 0.5
    at = np.clip(at, 0.0, axis.points - 1.0)
    before = np.minimum(np.floor(at + 1e-9).astype(np.intp), max(0, axis.points - 2))
    share = np.clip(at - before, 0.0, 1.0)
    share[share < 1e-6], share[share > 1 - 1e-6] = 0.0, 1.0
    return before, share, is_own


def _between(
    z: npt.NDArray[np.floating], before: npt.NDArray[np.intp], share: Floats, axis: int
) -> Floats:
    one = np.take(z, before, axis=axis).astype(np.float64)
    other = np.take(z, np.minimum(before + 1, z.shape[axis] - 1), axis=axis).astype(np.float64)
    weight = share[:, None] if axis == 0 else share[None, :]
    # a neighbour with no weight may be missing
    mixed = (1 - weight) * np.where(weight < 1, one, 0.0)
    mixed += weight * np.where(weight > 0, other, 0.0)
    return np.asarray(mixed, dtype=np.float64)


@numba.njit(cache=True)
def nearest_points(
    along0: float, across0: float, turn: float, shape: tuple[int, int], pitch: float,
    x0: float, y0: float, nx: int, ny: int,
) -> tuple[int, int, npt.NDArray[np.int32]]:  # fmt: skip
    """Cells of the machine frame around a lite, and the point of the lite nearest to each.

    along0, across0, turn   pose of the lite; shape, pitch  its grid
    x0, y0, nx, ny          the machine's grid, of the same pitch
    returns                 row and column of the first cell, (rows, columns) flat index of the
                            lite's point, -1 where the lite does not reach
    """
    cos, sin = math.cos(turn), math.sin(turn)
    length, width = shape[0] * pitch, shape[1] * pitch
    ends_u = (0.0, length * cos, -width * sin, length * cos - width * sin)
    ends_v = (0.0, length * sin, width * cos, length * sin + width * cos)
    first_i = max(0, math.floor((along0 + min(ends_u) - x0) / pitch))
    last_i = min(nx - 1, math.floor((along0 + max(ends_u) - x0) / pitch))
    first_j = max(0, math.floor((across0 + min(ends_v) - y0) / pitch))
    last_j = min(ny - 1, math.floor((across0 + max(ends_v) - y0) / pitch))
    index = np.full((max(0, last_i - first_i + 1), max(0, last_j - first_j + 1)), -1, np.int32)
    for i in range(index.shape[0]):
        u = x0 + (first_i + i + 0.5) * pitch - along0
        for j in range(index.shape[1]):
            v = y0 + (first_j + j + 0.5) * pitch - across0
            # a hair keeps lites that lie exactly on the grid from falling to either side
            row = math.floor((u * cos + v * sin) / pitch + 1e-7)
            column = math.floor((v * cos - u * sin) / pitch + 1e-7)
            if 0 <= row < shape[0] and 0 <= column < shape[1]:
                index[i, j] = int(row) * shape[1] + int(column)
    return first_i, first_j, index
