"""What a file of points says of itself: its columns, their ranges, and some of the points."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from midchord_io.ingest.clouds import CLOUD_KEYS, StoredPoints
from midchord_io.ingest.facts import ColumnFacts, FileFacts, Tally

__all__ = ["describing", "points_facts"]

MOST_COLUMNS = 24
MOST_POINTS = 200_000
"""Of those that come along for a picture."""


def describing(points: Callable[[Path], StoredPoints]) -> Callable[[Path], FileFacts]:
    """``describe`` of an adapter, from its function that opens the points."""
    return lambda path: points_facts(points(path))


def points_facts(stored: StoredPoints) -> FileFacts:
    """Columns of numbers with their ranges; the points are read once for every three columns."""
    numeric = [k for k, dtype in enumerate(stored.dtypes) if dtype.kind in "iuf"][:MOST_COLUMNS]
    tallies: dict[int, Tally] = {}
    some = _Some()
    for three in _threes(numeric):
        fresh = [k for k in dict.fromkeys(three) if k not in tallies]
        tallies.update((k, Tally()) for k in fresh)
        for chunk in stored.chunks(three):
            for place, k in enumerate(three):
                if k in fresh and three.index(k) == place:
                    tallies[k].add(chunk[:, place])
            if three == _threes(numeric)[0]:
                some.add(chunk)
    count = stored.count
    if count is None and tallies:
        count = next(iter(tallies.values())).count
    return FileFacts(
        content=stored.name,
        layout="points",
        uses=CLOUD_KEYS,
        columns=tuple(
            ColumnFacts(
                name,
                low=tallies[k].low if k in tallies else None,
                high=tallies[k].high if k in tallies else None,
                missing=tallies[k].missing if k in tallies else 0,
                units=stored.units(k),
            )
            for k, name in enumerate(stored.columns)
        ),
        count=count,
        points=some.points(),
        notes=tuple(finding.sentence for finding in stored.findings),
    )


class _Some:
    """Points from all of a file, as many as come along: drawn, because every n-th one of a regular
    grid lies in few of its columns."""

    def __init__(self) -> None:
        self._kept: list[npt.NDArray[np.float64]] = []
        self._share = 1.0
        self._rng = np.random.default_rng(0)

    def add(self, chunk: npt.NDArray[np.float64]) -> None:
        self._kept.append(self._drawn(chunk, self._share))
        while sum(map(len, self._kept)) > MOST_POINTS:
            self._share /= 2
            self._kept = [self._drawn(kept, 0.5) for kept in self._kept]

    def points(self) -> npt.NDArray[np.float64] | None:
        return np.concatenate(self._kept) if self._kept else None

    def _drawn(
        self, points: npt.NDArray[np.float64], share: float
    ) -> npt.NDArray[np.float64]:
        if share == 1.0:
            return points
        return points[self._rng.random(len(points)) < share]


def _threes(numbers: list[int]) -> list[tuple[int, int, int]]:
    """All numbers in groups of three; the last one is repeated where they do not go round."""
    padded = numbers + numbers[-1:] * (-len(numbers) % 3)
    return [(padded[k], padded[k + 1], padded[k + 2]) for k in range(0, len(padded), 3)]
