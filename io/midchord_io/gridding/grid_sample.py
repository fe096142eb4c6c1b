"""A compact sample of points: those of a rectangle in the middle of the cloud.

How far apart points lie shows only where neighbours are kept together, so every n-th point of a
file would not do. The rectangle is sized for some 60 000 points and grows where the middle is
empty.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from midchord_io.gridding import kernels

__all__ = ["ENOUGH_POINTS", "SAMPLE_POINTS", "Chunks", "Window", "compact_sample"]

Array = npt.NDArray[np.float64]
Chunks = Callable[[], Iterator[Array]]
"""Starts the points anew: (n, 3) float64 x, y, height in mm; a point without height has NaN."""

SAMPLE_POINTS = 60_000
ENOUGH_POINTS = 1000


class Window:
    """Collects the points of a rectangle in the middle of the extent.

    low, high   (2,), mm: smallest and largest x and y
    points      in the whole cloud
    wider       times the side that holds some 60 000 points of an even cloud
    """

    def __init__(self, low: Array, high: Array, points: int, wider: float = 1.0) -> None:
        share = wider * (SAMPLE_POINTS / points) ** 0.5
        self.is_all = share >= 1.0
        middle, reach = (low + high) / 2, (high - low) / 2 * share
        if self.is_all:
            reach = np.full(2, np.inf)
        self.box = np.concatenate([middle - reach, middle + reach])
        self.found: list[Array] = []
        self.kept = 0

    def watch(self, chunks: Iterator[Array]) -> Iterator[Array]:
        """The chunks, unchanged; points of the window are kept as they pass."""
        for chunk in chunks:
            if self.kept < 4 * SAMPLE_POINTS:  # enough of a very uneven cloud
                inside = chunk[kernels.inside(chunk, self.box)]
                self.found.append(inside)
                self.kept += inside.shape[0]
            yield chunk

    def sample(self) -> Array:
        """(n, 3), mm; all with a position, some perhaps without a height."""
        return np.concatenate(self.found) if self.found else np.empty((0, 3))


def compact_sample(chunks: Chunks, low: Array, high: Array, points: int) -> Array:
    """Points of a compact region, from a wider one where the middle is empty; (n, 3), mm."""
    wider = 1.0
    while True:
        window = Window(low, high, points, wider)
        for _ in window.watch(chunks()):
            pass
        sample = window.sample()
        if sample.shape[0] >= ENOUGH_POINTS or window.is_all:
            return sample
        wider *= 4
