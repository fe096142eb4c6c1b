"""Saturation: heights at the very end of what the sensor can store.

A sensor of limited range, or a file of limited numbers, stores every height beyond its end as the
end itself: crests (or valleys) come out as plateaus of exactly one number. Measured heights hardly
ever repeat their largest value; those of a clipped scan do, many times more often than the value
next to it. Where heights are rounded and the noise does not blur the steps, the uppermost step of
a crest is a plateau, too: it is taken for clipped only if the surface rises towards it so steeply
that it would have gone on for more than a step.

Points at the end are not measurements: only "at least that high" is known of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.placing.region import Heights

__all__ = ["Saturated", "at_level", "find_saturated"]

LEAST_POINTS, LEAST_SHARE = 30, 2e-5
RATIO = 4.0
"""Of points at the end to points at the value next to it: 2.4 for the rounded crests of a sine,
1 or less where noise blurs the steps."""
LARGEST_SHARE = 0.5
"""Of the glass: beyond it the number is no end of a range."""
LONGEST_MM = 300.0
"""Half of the longest roll wave: longer plateaus are no crests."""
OVERSHOOT_STEPS = 2.0


class Saturated(NamedTuple):
    """Points at one end. end: "largest" or "smallest"; level_mm: its value; points: how many."""

    end: str
    level_mm: float
    points: int


def find_saturated(height: Heights, *, step_mm: float, pitch_x_mm: float) -> tuple[Saturated, ...]:
    """The ends at which heights are clipped; none, one or both.

    height   (x, y), mm, NaN where not measured or not glass
    step_mm  that heights are rounded to where noise does not blur it; otherwise 0
    """
    glass, ends = _ends(height)
    found = []
    for end, (level, count, _, count_next) in zip(("largest", "smallest"), ends, strict=True):
        if count < max(LEAST_POINTS, LEAST_SHARE * glass) or count > LARGEST_SHARE * glass:
            continue
        if count < RATIO * max(count_next, 1):
            continue
        if step_mm > 0:
            sign = 1.0 if end == "largest" else -1.0
            longest = int(LONGEST_MM / pitch_x_mm)
            over = _overshoots(height, np.float32(level), sign, longest)
            if not over.size or np.median(over) < OVERSHOOT_STEPS * step_mm:
                continue
        found.append(Saturated(end, float(level), int(count)))
    return tuple(found)


@numba.njit(cache=True, nogil=True)
def _ends(height):  # type: ignore[no-untyped-def]
    """Points measured; for both ends: value, how often, value next to it, how often."""
    ends = np.zeros((2, 4))
    ends[0, 0] = ends[0, 2] = -np.inf
    ends[1, 0] = ends[1, 2] = np.inf
    glass = 0
    for i in range(height.shape[0]):
        for j in range(height.shape[1]):
            z = height[i, j]
            if not np.isfinite(z):
                continue
            glass += 1
            if z >= ends[0, 2]:
                _count(ends[0], z, z > ends[0, 0], z > ends[0, 2])
            if z <= ends[1, 2]:
                _count(ends[1], z, z < ends[1, 0], z < ends[1, 2])
    return glass, ends


@numba.njit(cache=True, nogil=True)
def _count(end, z, is_beyond, is_beyond_next):  # type: ignore[no-untyped-def]
    if is_beyond:
        end[2], end[3] = end[0], end[1]
        end[0], end[1] = z, 1
    elif z == end[0]:
        end[1] += 1
    elif is_beyond_next:
        end[2], end[3] = z, 1
    else:
        end[3] += 1


@numba.njit(cache=True, nogil=True)
def _overshoots(height, level, sign, longest):  # type: ignore[no-untyped-def]
    """How far a parabola with the slopes at both sides of each plateau would rise above it."""
    nx, ny = height.shape
    over = []
    for j in range(ny):
        i = 1
        while i < nx - 1:
            if height[i, j] != level:
                i += 1
                continue
            first = last = i
            while i < nx and (height[i, j] == level or not np.isfinite(height[i, j])):
                if height[i, j] == level:
                    last = i
                i += 1
            run = last - first + 1
            reach = max(2, run // 4)
            before, after = first - reach, last + reach
            if run < 3 or run > longest or before < 0 or after >= nx:
                continue
            rise = sign * (level - height[before, j]) + sign * (level - height[after, j])
            if np.isfinite(rise):
                over.append(rise / (2.0 * reach) * run / 4.0)
    return np.array(over)


def at_level(height: Heights, level_mm: float) -> npt.NDArray[np.bool_]:
    """Where a height is exactly this."""
    return np.asarray(height == np.float32(level_mm))
