"""Whether lines can have been taken as fast, or as slowly, as their places and times say.

A clock in microseconds that is read as nanoseconds makes every speed a thousand times too large;
encoder slip is then judged by accelerations that are wrong by as much, and none is ever found. Or
the places are wrong instead. Both show in the mean speed over the whole scan, which no fault of
single lines moves far.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from midchord_io.errors import UnevenGrid

__all__ = ["FASTEST_MM_PER_S", "SLOWEST_MM_PER_S", "check_speed"]

FASTEST_MM_PER_S = 20_000.0
"""No conveyor carries glass at 20 m/s: one at 2 m/s is fast (common practice, no source)."""

SLOWEST_MM_PER_S = 1e-3
"""A lite of one metre would take eleven days."""

Array = npt.NDArray[np.float64]


def check_speed(positions_mm: Array, times_s: Array, where: str) -> None:
    """Refuse lines whose clock stands still, or whose mean speed no scanner has.

    positions_mm  (lines,), never descending
    times_s       (lines,), never descending
    Raises        UnevenGrid
    """
    lasted = float(times_s[-1] - times_s[0])
    if lasted <= 0:
        raise UnevenGrid(
            where,
            found=f"one and the same time for all {times_s.size} lines",
            needed="times that go on from line to line",
            do="check the dataset that lines.times names",
        )
    way = float(positions_mm[-1] - positions_mm[0])
    with np.errstate(over="ignore"):
        speed = float(np.float64(way) / lasted)
    if way > 0 and not SLOWEST_MM_PER_S <= speed <= FASTEST_MM_PER_S:
        raise UnevenGrid(
            where,
            found=f"lines over {way:.4g} mm in {lasted:.3g} s, a speed of {speed:.3g} mm/s",
            needed=f"a speed from {SLOWEST_MM_PER_S:g} to {FASTEST_MM_PER_S:g} mm/s",
            do="check the units of the times, of the positions and of the speed",
        )
