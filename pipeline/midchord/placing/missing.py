"""What missing points inside the outline are: dropouts of the sensor, or no glass.

Connected missing points (along x and y) are one patch. Nothing but its shape tells a patch of
dropouts from a hole, so the rule is stated:

* *notch, cut or rounded corner* (no glass): a patch that reaches the outline, without measured
  points scattered in it, and either longer than ``HOLE_MM`` one way or solid over ``SOLID_MM``
  both ways;
* *hole* (no glass): a patch inside, longer than ``HOLE_MM`` both ways, solid over half of that
  both ways, without measured points scattered in it;
* a patch that runs across the whole lite, and is more than a sliver along an edge, is a dropout
  however solid: nothing would hold the lite together over it;
* everything else is a dropout. So a drilled hole of less than 25 mm counts as one, and is filled
  where it is no longer than the fill limit; a large solid dropout counts as a hole. Neither is
  ever given heights when it is longer than the fill limit.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import (
    DROPOUT,
    MEASURED,
    NO_GLASS,
    OUTSIDE,
    SPIKE,
    Floats,
    Grid,
    States,
)

__all__ = ["Openings", "mark_openings", "mark_outside"]

HOLE_MM = 25.0
SOLID_MM = 5.0
WHOLE = 0.95
"""Of the lite's length or width: a patch this long runs across it."""
SCATTERED = 1e-3
"""Measured points enclosed by a patch, as a share of its cells, that make it a dropout."""


class Openings(NamedTuple):
    """holes, notches: how many; share: of the area inside the outline that they take."""

    holes: int
    notches: int
    share: float


def mark_outside(state: States, grid: Grid, inward: Floats) -> None:
    """Turn what is not measured and beyond an edge into OUTSIDE, in place.

    inward  (edges, 3): a, b, c with a x + b y + c the distance inward; mm
    """
    _mark_outside(state, grid.x_mm, grid.y_mm, inward)


@numba.njit(cache=True, nogil=True)
def _mark_outside(state, x_mm, y_mm, inward):  # type: ignore[no-untyped-def]
    for i in range(x_mm.size):
        for j in range(y_mm.size):
            if state[i, j] == MEASURED:
                continue
            for k in range(inward.shape[0]):
                if inward[k, 0] * x_mm[i] + inward[k, 1] * y_mm[j] + inward[k, 2] < 0.0:
                    state[i, j] = OUTSIDE
                    break


def mark_openings(state: States, grid: Grid) -> Openings:
    """Turn holes, notches and missing corners from DROPOUT into NO_GLASS, in place.

    Other surfaces seen through an opening are NO_GLASS already and count as missing here.
    """
    from scipy import ndimage

    is_missing = (state == DROPOUT) | (state == SPIKE) | (state == NO_GLASS)
    labels = np.empty(state.shape, np.int32)
    count = ndimage.label(is_missing, output=labels)
    boxes = _boxes(labels, state, count)
    pitches = np.array([grid.pitch_x_mm, grid.pitch_y_mm])
    size_mm = (boxes[:, 1:4:2] - boxes[:, 0:4:2] + 1) * pitches
    is_open = boxes[:, 4] > 0
    worth = np.where(
        is_open,
        (size_mm.max(axis=1) > HOLE_MM) | (size_mm.min(axis=1) >= SOLID_MM),
        size_mm.min(axis=1) > HOLE_MM,
    )
    inside = state != OUTSIDE
    extent_mm = np.array([inside.any(axis=1).sum(), inside.any(axis=0).sum()]) * pitches
    ends = [(int(a[0]), int(a[-1])) for a in map(np.flatnonzero, (inside.any(1), inside.any(0)))]
    runs_across = (size_mm > WHOLE * extent_mm).any(axis=1)
    holes = notches = cells = 0
    for k in np.flatnonzero(worth):
        part = tuple(slice(boxes[k, a], boxes[k, a + 1] + 1) for a in (0, 2))
        patch = labels[part] == k + 1
        is_long = size_mm[k].max() > HOLE_MM
        if is_open[k]:
            is_opening = is_long or _is_solid(patch, pitches, SOLID_MM)
        else:
            is_opening = _is_solid(patch, pitches, HOLE_MM / 2)
        if not is_opening or _is_scattered(patch, state[part]):
            continue
        if runs_across[k] and (
            _is_solid(patch, pitches, SOLID_MM) or not _is_at_rim(boxes[k], ends)
        ):
            continue
        state[part][patch] = NO_GLASS
        cells += int(np.count_nonzero(patch))
        holes += not is_open[k]
        # a sliver along a bowed edge is no glass, but no notch either
        notches += bool(is_open[k]) and _is_solid(patch, pitches, SOLID_MM)
    return Openings(int(holes), int(notches), cells / max(int(np.count_nonzero(inside)), 1))


def _is_at_rim(box: npt.NDArray[np.int64], ends: list[tuple[int, int]]) -> bool:
    """Whether a patch that runs across the lite lies along one of its edges."""
    narrow = int(box[1] - box[0] > box[3] - box[2])  # the axis along which it is short
    first, last = box[2 * narrow], box[2 * narrow + 1]
    return bool(first <= ends[narrow][0] + 1 or last >= ends[narrow][1] - 1)


def _is_solid(patch: npt.NDArray[np.bool_], pitches: Floats, side_mm: float) -> bool:
    """Whether a block of at least side_mm, and two cells, fits both ways into a patch."""
    block = np.maximum(2, np.ceil(side_mm / pitches - 1e-6)).astype(int)
    if (block > patch.shape).any():
        return False
    # a cumulative sum is quicker than an erosion by a large block
    total = np.zeros((patch.shape[0] + 1, patch.shape[1] + 1), np.int64)
    total[1:, 1:] = patch.cumsum(axis=0).cumsum(axis=1)
    bx, by = block
    inside = total[bx:, by:] - total[:-bx, by:] - total[bx:, :-by] + total[:-bx, :-by]
    return bool((inside == bx * by).any())


def _is_scattered(patch: npt.NDArray[np.bool_], state: States) -> bool:
    """Whether measured points lie enclosed in a patch."""
    from scipy import ndimage

    enclosed = ndimage.binary_fill_holes(patch) & (state == MEASURED)
    return bool(np.count_nonzero(enclosed) > SCATTERED * np.count_nonzero(patch))


@numba.njit(cache=True, nogil=True)
def _boxes(labels, state, count):  # type: ignore[no-untyped-def]
    """For each patch: first and last i, first and last j, whether it reaches the outline."""
    nx, ny = labels.shape
    boxes = np.zeros((count, 5), np.int64)
    boxes[:, 0] = nx
    boxes[:, 2] = ny
    for i in range(nx):
        for j in range(ny):
            if labels[i, j] == 0:
                continue
            box = boxes[labels[i, j] - 1]
            box[0] = min(box[0], i)
            box[1] = max(box[1], i)
            box[2] = min(box[2], j)
            box[3] = max(box[3], j)
            if (
                i == 0
                or j == 0
                or i == nx - 1
                or j == ny - 1
                or state[i - 1, j] == OUTSIDE
                or state[i + 1, j] == OUTSIDE
                or state[i, j - 1] == OUTSIDE
                or state[i, j + 1] == OUTSIDE
            ):
                box[4] = 1
    return boxes
