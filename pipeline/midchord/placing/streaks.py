"""Dropouts that are not scattered: streaks along a line or a column, and whole lines lost.

Scattered dropouts are chance: each point fails on its own, and a run of them is as rare as its
length says. A *streak* is a run that chance does not make, far longer than wide: along x one
element of a line sensor that is dirty or blind, along y lines that were lost on the way. Whole
lines lost inside the lite are counted as such.

Lines lost at the rim of the glass look like no glass at all, and the lite comes out shorter. They
are recognised where something shows that there was glass: the belt is seen further out and nothing
between, or the lite is turned, and yet its edge follows one line of the scan instead of crossing
many. Of a lite that lies straight on a belt that is not seen they cannot be told.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import DROPOUT, MEASURED, NO_GLASS, Grid, Heights, States

__all__ = ["LostAtRim", "Streaks", "find_streaks", "lost_at_rim"]

LEAST_POINTS, LEAST_MM = 5, 30.0
"""Slivers along openings are shorter: what is longer than 25 mm there is no glass (missing.py)."""
CHANCE = 1e-3
"""Streaks that scattered dropouts may make in a whole scan."""
SLIM = 5.0
"""Length over width of a streak; what is less slim is a patch."""
FLAT_SHARE = 0.3
"""Of an edge on one line of the scan, where a turned edge would have crossed lines all along."""
FLAT_EXCESS = 4.0
LEAST_CROSSED = 5.0
SQUARE_DEG = 0.25
"""Edges that agree to this are parallel, as in outline.py."""
BESIDE_LINES = 10
SQUARE_TO = (("left", "right"), ("leading", "trailing"))
INNER = 0.05
"""Of an edge, not looked at, at each end."""


class Streaks(NamedTuple):
    """Counts along each axis; longest, mm; points in them, and points of all other dropouts."""

    along_x: int
    along_y: int
    longest_x_mm: float
    longest_y_mm: float
    lost_lines: int
    points: int
    scattered: int


class LostAtRim(NamedTuple):
    """Lines (leading, trailing) or columns (left, right) lost at an edge: at least this many."""

    side: str
    lines: int
    lost_mm: float


def find_streaks(state: States, grid: Grid) -> Streaks:
    """Streaks among the points that are DROPOUT, before gaps are filled."""
    glass = int(np.count_nonzero(state < NO_GLASS))
    lost = int(np.count_nonzero(state == DROPOUT))
    if not lost:
        return Streaks(0, 0, 0.0, 0.0, 0, 0, 0)
    share = min(0.9, lost / glass)
    by_chance = int(np.ceil(np.log(glass / CHANCE) / -np.log(share)))
    least = [
        max(LEAST_POINTS, by_chance, int(np.ceil(LEAST_MM / pitch)))
        for pitch in (grid.pitch_x_mm, grid.pitch_y_mm)
    ]
    slim = grid.pitch_x_mm / grid.pitch_y_mm / SLIM
    in_streak = np.zeros(state.shape, np.bool_)
    along_x, longest_x = _runs(state, in_streak, least[0], slim)
    slim = grid.pitch_y_mm / grid.pitch_x_mm / SLIM
    along_y, longest_y = _runs(state.T, in_streak.T, least[1], slim)
    points = int(np.count_nonzero(in_streak))
    return Streaks(
        along_x,
        along_y,
        longest_x * grid.pitch_x_mm,
        longest_y * grid.pitch_y_mm,
        int(_lost_lines(state)),
        points,
        lost - points,
    )


def lost_at_rim(
    height: Heights, state: States, grid: Grid, skews_deg: dict[str, tuple[float, float]]
) -> tuple[LostAtRim, ...]:
    """Lines and columns lost at the edges of a lite in the frame of the machine.

    height     (x, y), mm: everything that the sensor saw, the belt too
    state      (x, y); the lite is what is MEASURED
    skews_deg  of the edges that are straight and seen: the least and the largest likely
    """
    is_glass = state == MEASURED
    is_seen = np.isfinite(height)
    found = []
    for axis, sides in ((0, ("leading", "trailing")), (1, ("left", "right"))):
        skew = _skew_of([skews_deg.get(s) for s in SQUARE_TO[axis]])
        pitch, across = (grid.pitch_x_mm, grid.pitch_y_mm)[:: 1 - 2 * axis]
        glass, seen = (is_glass, is_seen) if axis == 0 else (is_glass.T, is_seen.T)
        for side, step in zip(sides, (1, -1), strict=True):
            lines = _lost_before(seen[::step], glass[::step])
            lines = lines or _cut_off(glass[::step], np.tan(np.deg2rad(skew)) * across / pitch)
            if lines:
                found.append(LostAtRim(side, lines, lines * pitch))
    return tuple(found)


def _skew_of(ranges: list[tuple[float, float] | None]) -> float:
    """Least turn, degrees, that both edges allow; 0 where one is not seen or they disagree."""
    known = [ends for ends in ranges if ends is not None]
    if len(known) < 2 or abs(sum(known[0]) - sum(known[1])) > 2 * SQUARE_DEG:
        return 0.0
    low, high = min(ends[0] for ends in known), max(ends[1] for ends in known)
    return 0.0 if low * high <= 0 else min(abs(low), abs(high))


def _lost_before(is_seen: npt.NDArray[np.bool_], is_glass: npt.NDArray[np.bool_]) -> int:
    """Lines in which nothing was seen, between the first with glass and the belt before it.

    Only where the belt is seen beside the glass: between rollers there is nothing to be seen.
    """
    first = int(is_glass.any(axis=1).argmax())
    before = np.flatnonzero(is_seen[:first].any(axis=1))
    lines = first - 1 - int(before[-1]) if before.size else 0
    if lines:
        near = np.s_[first : first + BESIDE_LINES]
        beside = is_seen[near][~is_glass[near]]
        lines = lines if beside.size and beside.mean() > 0.5 else 0
    return lines


def _cut_off(is_glass: npt.NDArray[np.bool_], lines_per_column: float) -> int:
    """Lines that the edge of a turned lite would have reached beyond the one that it ends on."""
    columns = np.flatnonzero(is_glass.any(axis=0))
    inner = int(INNER * columns.size)
    columns = columns[inner : columns.size - inner]
    crossed = lines_per_column * columns.size
    if columns.size < 20 or crossed < LEAST_CROSSED:
        return 0
    first = is_glass[:, columns].argmax(axis=0)
    if first.min() == 0:  # the border of the scan
        return 0
    share = float(np.mean(first == first.min()))
    if share < max(FLAT_SHARE, FLAT_EXCESS / crossed):
        return 0
    return max(1, round(share * crossed))


@numba.njit(cache=True, nogil=True)
def _runs(state, in_streak, least, slim):  # type: ignore[no-untyped-def]
    """Streaks along the first axis: how many, points of the longest. Marks their points.

    slim  cells across for each cell along that a streak may be wide
    """
    nx, ny = state.shape
    streaks = 0
    longest = 0
    for j in range(ny):
        i = 0
        while i < nx:
            if state[i, j] != DROPOUT:
                i += 1
                continue
            first = i
            while i < nx and state[i, j] == DROPOUT:
                i += 1
            run = i - first
            if run < least:
                continue
            # the width where it is narrowest: scattered dropouts may touch it here and there
            width = ny
            is_new = True
            for k in (first + run // 4, first + run // 2, first + (3 * run) // 4):
                low = j
                while low > 0 and state[k, low - 1] == DROPOUT:
                    low -= 1
                high = j
                while high < ny - 1 and state[k, high + 1] == DROPOUT:
                    high += 1
                width = min(width, high - low + 1)
                is_new = is_new and not (j > 0 and in_streak[k, j - 1])
            if width > 1 and width > slim * run:
                continue
            in_streak[first:i, j] = True
            longest = max(longest, run)
            if is_new:
                streaks += 1
    return streaks, longest


@numba.njit(cache=True, nogil=True)
def _lost_lines(state):  # type: ignore[no-untyped-def]
    """Lines within the glass without a single measured point."""
    count = 0
    for i in range(state.shape[0]):
        glass = lost = 0
        for j in range(state.shape[1]):
            glass += state[i, j] < NO_GLASS
            lost += state[i, j] == DROPOUT
        if glass > 1 and lost == glass:
            count += 1
    return count
