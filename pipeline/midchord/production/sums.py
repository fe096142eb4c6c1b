"""What is kept of many maps, point by point, in each frame: sums, never the maps themselves.

For every cell of a frame, by block of lites: how many had a value there, and its sum; over all of
them the sum of squares, the largest, how many were above the limit, and, for the run of lites in
order of time, how often two lites that followed each other there were both above it. Mean and
spread, persistence and its serial correlation, and the mean before and after a change all come from
these, so memory does not grow with the number of lites. Sums are of doubles in a fixed order: the
same lites give the same bits, whether or not the run was killed between.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba
import numpy as np
import numpy.typing as npt

__all__ = ["FrameMaps", "FrameSums"]

Floats = npt.NDArray[np.float64]
Array = npt.NDArray[Any]
NOT_SEEN = 255


class FrameMaps(NamedTuple):
    """Of one frame, (nx, ny) each; NaN where too few lites had a value.

    lites (with a value), mean, sd (n - 1), largest
    above   lites above the limit
    """

    lites: npt.NDArray[np.int64]
    mean: Floats
    sd: Floats
    largest: Floats
    above: npt.NDArray[np.int64]


class FrameSums:
    """``arrays`` is all that changes: a state is these."""

    def __init__(self, shape: tuple[int, int], blocks: int, limit: float | None) -> None:
        # without a limit none is above
        self.limit = np.inf if limit is None else limit
        self.arrays: dict[str, npt.NDArray[np.generic]] = {
            "sum": np.zeros((blocks, *shape)),
            "count": np.zeros((blocks, *shape), np.int32),
            "square": np.zeros(shape),
            "largest": np.full(shape, -np.inf),
            "above": np.zeros(shape, np.int32),
            "last": np.full(shape, NOT_SEEN, np.uint8),
            "pairs": np.zeros(shape, np.int32),
            "both": np.zeros(shape, np.int32),
        }

    def add(
        self, block: int, values: npt.NDArray[np.float32], either_sign: bool,
        first: tuple[int, int] = (0, 0), index: npt.NDArray[np.int32] | None = None,
    ) -> None:  # fmt: skip
        """One lite.

        values       (nx, ny) on its own grid
        either_sign  whether -x is as much above the limit as x
        first, index where it lies, of ``nearest_points``; at the corner of the frame by default
        """
        a = self.arrays
        if index is None:
            index = np.arange(values.size, dtype=np.int32).reshape(values.shape)
        _add(
            np.ascontiguousarray(values).ravel(), index, first[0], first[1], float(self.limit),
            either_sign, a["sum"][block], a["count"][block], a["square"], a["largest"],
            a["above"], a["last"], a["pairs"], a["both"],
        )  # fmt: skip

    def maps(self) -> FrameMaps:
        """Mean and spread of all blocks."""
        a = self.arrays
        count = a["count"].sum(axis=0, dtype=np.int64)
        mean = self.mean_of(0, a["sum"].shape[0])
        few = np.maximum(count - 1, 1)
        square = np.maximum(a["square"] - count * np.where(count > 0, mean, 0.0) ** 2, 0.0)
        sd = np.where(count > 1, np.sqrt(square / few), np.nan)
        largest = np.where(count > 0, a["largest"].astype(np.float64), np.nan)
        return FrameMaps(count, mean, sd, largest, a["above"].astype(np.int64))

    def mean_of(self, first: int, end: int) -> Floats:
        """Mean of the blocks from ``first`` up to and without ``end``; NaN where they saw none."""
        count = self.arrays["count"][first:end].sum(axis=0, dtype=np.int64)
        total = self.arrays["sum"][first:end].sum(axis=0, dtype=np.float64)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    def serial_correlation(self) -> float:
        """Of being above the limit, from one lite to the next at the same place: pooled over the
        places; 0 where it cannot be told."""
        a = self.arrays
        count = a["count"].sum(axis=0, dtype=np.int64)
        share = a["above"] / np.maximum(count, 1)
        pairs = a["pairs"].astype(np.float64)
        spread = float((pairs * share * (1 - share)).sum())
        if spread <= 0:
            return 0.0
        return float((a["both"] - pairs * share**2).sum()) / spread


@numba.njit(cache=True)
def _add(
    values: Array, index: Array, first_i: int, first_j: int, limit: float, either_sign: bool,
    sums: Array, counts: Array, squares: Array, largest: Array, above: Array, last: Array,
    pairs: Array, both: Array,
) -> None:  # fmt: skip
    for i in range(index.shape[0]):
        for j in range(index.shape[1]):
            if index[i, j] < 0:
                continue
            # float() of a single stays a single here, and its square would be one
            value = np.float64(values[index[i, j]])
            if not np.isfinite(value):
                continue
            row, column = first_i + i, first_j + j
            sums[row, column] += value
            counts[row, column] += 1
            squares[row, column] += value * value
            size = abs(value) if either_sign else value
            largest[row, column] = max(largest[row, column], size)
            is_above = 1 if size > limit else 0
            above[row, column] += is_above
            if last[row, column] != 255:
                pairs[row, column] += 1
                both[row, column] += is_above * last[row, column]
            last[row, column] = is_above
