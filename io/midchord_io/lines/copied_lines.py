"""Lines that a scanner stored twice, told by their numbers alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.lines.line_interpolation import BLOCK_CELLS

__all__ = ["FEWEST_COPIED", "copied_lines", "frozen"]

FEWEST_COPIED = 20
"""Measured heights in a line before its likeness to another tells anything."""


def copied_lines(height: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """(lines,): which lines are the same, number by number, as the one before.

    Noise makes that impossible by chance. Where even ordinary neighbours share most of their
    numbers (coarse steps, a made-up surface), it tells nothing, and no line is called a copy.
    """
    count = height.shape[0]
    is_same = np.zeros(count, dtype=bool)
    share = np.full(count, np.nan)
    step = max(2, 4 * BLOCK_CELLS // max(1, height.shape[1]))
    for start in range(1, count, step):
        here, before = height[start : start + step], height[start - 1 : start + step - 1]
        here = here[: before.shape[0]]
        before = before[: here.shape[0]]
        equal = np.count_nonzero(here == before, axis=1)
        measured = np.isfinite(here)
        both = np.count_nonzero(measured & np.isfinite(before), axis=1)
        likewise = (measured == np.isfinite(before)).all(axis=1)
        part = slice(start, start + here.shape[0])
        is_same[part] = (equal == both) & likewise & (both >= FEWEST_COPIED)
        enough = both >= FEWEST_COPIED
        share[part][enough] = equal[enough] / both[enough]
    ordinary = share[~is_same & np.isfinite(share)]
    if not ordinary.size or float(np.mean(ordinary)) > 0.5:
        return np.zeros(count, dtype=bool)
    return is_same


def frozen(height: npt.NDArray[Any]) -> tuple[Finding, ...]:
    """A doubt where every line that measured is the same, number by number.

    height  (lines, columns), mm, NaN where not measured
    """
    lines = np.flatnonzero(np.count_nonzero(np.isfinite(height), axis=1) >= FEWEST_COPIED)
    if lines.size < 2:
        return ()
    first = height[lines[0]]
    if not all(np.array_equal(height[line], first, equal_nan=True) for line in lines[1:]):
        return ()
    return (
        Finding(
            "one line over and over",
            int(lines.size),
            f"All {lines.size} lines hold the same heights, number by number: a sensor that stood "
            "still, or one line stored again and again. Noise makes that impossible by chance, and "
            "no wave along the travel can be seen.",
            {"lines": float(lines.size)},
            is_doubt=True,
        ),
    )
