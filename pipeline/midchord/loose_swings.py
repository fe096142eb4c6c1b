"""Swings that were seen but have no figure of a roll wave.

A half wave has a figure only if a full wave within the roll-wave band contains it. What is left
over is not nothing: waves outside the band, a single trough, a wave that runs into a hole. Where
no swing at all exceeds detection there is nothing to see, which is itself a result; where one was
seen without a figure there is not. A verdict must know the two apart, so the size of such a swing
is kept, with twice its length standing for its wavelength.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.waves import HalfWaves, TurningPoints, distortion_mdpt

__all__ = ["LooseSwings", "loose_swings"]

Floats = npt.NDArray[np.float64]


class LooseSwings(NamedTuple):
    """line (n,); x_from_mm, x_to_mm (n,): where; swing_mm (n,): how large."""

    line: npt.NDArray[np.intp]
    x_from_mm: Floats
    x_to_mm: Floats
    swing_mm: Floats

    @property
    def distortion_mdpt(self) -> Floats:
        """With twice the length for the wavelength."""
        return distortion_mdpt(self.swing_mm, 2 * (self.x_to_mm - self.x_from_mm))


def loose_swings(
    left_over: HalfWaves, points: TurningPoints, smooth: Floats, x_mm: Floats, smallest_mm: float
) -> LooseSwings:
    """The half waves without a figure, and the unfinished swings at the ends of each stretch.

    left_over    half waves that no figure was made of
    points       all turning points of the lines
    smooth       (x, line), mm, NaN where nothing can be seen
    smallest_mm  swing that counts
    """
    found = [
        (int(n), float(a), float(b), float(w))
        for n, a, b, w in zip(
            left_over.line, left_over.x_from_mm, left_over.x_to_mm, left_over.depth_mm, strict=True
        )
    ]
    starts = np.searchsorted(points.line, np.arange(smooth.shape[1] + 1))
    for line in range(smooth.shape[1]):
        own = points.x_mm[starts[line] : starts[line + 1]]
        height = points.height_mm[starts[line] : starts[line + 1]]
        for first, last in _stretches(np.isfinite(smooth[:, line])):
            inside = (own >= x_mm[first]) & (own <= x_mm[last])
            curve = smooth[first : last + 1, line]
            if not inside.any():
                top, bottom = int(curve.argmax()), int(curve.argmin())
                ends = sorted((first + top, first + bottom))
                swing = float(curve[top] - curve[bottom])
                if swing > smallest_mm:
                    found.append((line, x_mm[ends[0]], x_mm[ends[1]], swing))
                continue
            for at, value, part in (
                (own[inside][0], height[inside][0], x_mm[first : last + 1] < own[inside][0]),
                (own[inside][-1], height[inside][-1], x_mm[first : last + 1] > own[inside][-1]),
            ):
                off = np.abs(curve - value) * part
                far = int(off.argmax())
                if off[far] > smallest_mm:
                    low, high = sorted((float(at), float(x_mm[first + far])))
                    found.append((line, low, high, float(off[far])))
    table = np.array(found, dtype=np.float64).reshape(-1, 4)
    return LooseSwings(table[:, 0].astype(np.intp), table[:, 1], table[:, 2], table[:, 3])


def _stretches(known: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every unbroken stretch."""
    edges = np.diff(np.concatenate([[0], known.astype(np.int8), [0]]))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return list(zip(first.tolist(), last.tolist(), strict=True))
