"""Positions of scan lines in order: missing ones filled in, those that go back left out.

A conveyor carries the glass one way, so lines that are taken later lie further on. The longest
sequence of lines that never goes back is what the positions agree on; a creep backwards, a garbled
number, or a buffer sent twice are what is left over.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right

import numpy as np
import numpy.typing as npt

from midchord_io.errors import UnevenGrid
from midchord_io.lines.line_findings import LineCounts

__all__ = ["FEWEST_LINES", "median_step", "never_back", "with_missing", "without_stray_ends"]

FEWEST_LINES = 20
"""Fewer uneven lines tell no pitch."""

SHORTEST_TIME = 1e-12
"""s (or lines): no two lines are taken within it, and nothing is divided by less."""

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


def with_missing(positions: Array, times: Array | None, counts: LineCounts) -> Array:
    """Positions with the missing ones put between their neighbours, where the rate goes on."""
    is_missing = ~np.isfinite(positions)
    if not is_missing.any():
        return positions
    clock = np.arange(positions.size, dtype=np.float64) if times is None else times
    known = np.flatnonzero(~is_missing)
    filled = positions.copy()
    for before, after in itertools.pairwise(known):
        if after == before + 1:
            continue
        if clock[after] - clock[before] < SHORTEST_TIME:
            continue
        rate = (positions[after] - positions[before]) / (clock[after] - clock[before])
        number = int(np.searchsorted(known, before))
        sides = (known[max(0, number - 5) : number + 1], known[number + 1 : number + 7])
        rates = [
            (positions[side[-1]] - positions[side[0]]) / (clock[side[-1]] - clock[side[0]])
            for side in sides
            if side.size > 2 and clock[side[-1]] - clock[side[0]] >= SHORTEST_TIME
        ]
        if len(rates) == 2 and all(abs(rate - r) <= 0.2 * abs(r) for r in rates):
            run = slice(before + 1, after)
            filled[run] = positions[before] + rate * (clock[run] - clock[before])
    counts.filled = int(np.count_nonzero(is_missing & np.isfinite(filled)))
    counts.without = int(np.count_nonzero(~np.isfinite(filled)))
    return filled


def never_back(positions: Array) -> Indices:
    """Indices of the longest sequence that never descends (patience sorting)."""
    tails: list[float] = []
    at: list[int] = []
    before = np.full(positions.size, -1, dtype=np.intp)
    for number, position in enumerate(positions.tolist()):
        length = bisect_right(tails, position)
        before[number] = at[length - 1] if length else -1
        if length == len(tails):
            tails.append(position)
            at.append(number)
        else:
            tails[length], at[length] = position, number
    chain = [at[-1]]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    return np.array(chain[::-1], dtype=np.intp)


def without_stray_ends(positions: Array, lines: Indices) -> Indices:
    """A garbled position at an end is in order, but far from all others."""
    steps = np.diff(positions[lines])
    far = 20 * float(np.median(steps[steps > 0])) if (steps > 0).any() else np.inf
    low, high = 0, lines.size
    for end in range(min(3, steps.size)):
        if steps[end] > max(far, (positions[lines[-4]] - positions[lines[end + 1]]) / 2):
            low = end + 1
        if steps[-1 - end] > max(far, (positions[lines[-2 - end]] - positions[lines[3]]) / 2):
            high = lines.size - 1 - end
    return lines[low:high]


def median_step(positions: Array, where: str) -> float:
    """The median step, standstills apart: of the steps that are no small part of the way.

    Raises  UnevenGrid where there are too few
    """
    steps = np.sort(np.diff(positions))
    steps = steps[steps > 0]
    if steps.size < FEWEST_LINES - 1:
        raise UnevenGrid(
            where,
            found=f"{steps.size + 1} lines at places of their own along x",
            needed=f"at least {FEWEST_LINES}",
            do="check the encoder, and the dataset that positions.x names",
        )
    way = np.cumsum(steps[: -max(1, steps.size // 100)])  # a gap is no step
    typical = float(steps[np.searchsorted(way, way[-1] / 2)])
    return float(np.median(steps[steps > typical / 10]))
