"""What a file says of itself, before anybody has said what its numbers mean.

An adapter's ``describe`` opens a file without a source description and lists what is in it: arrays
with their types, units and coordinates, columns of points, single values. Numbers are as stored;
what they might mean is for ``midchord inspect`` to propose and for a person to decide. A small
preview comes along, thinned, so that a picture can be drawn of a file that cannot be opened yet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from midchord_io.ingest.gridded import Along, StoredGrid, blocks

__all__ = [
    "CODES",
    "ArrayFacts",
    "ColumnFacts",
    "FileFacts",
    "SeriesFacts",
    "Tally",
    "array_facts",
    "is_matrix",
    "series_facts",
]

PREVIEW_CELLS = 512
"""Most rows and columns of a preview."""

MOST_TALLIED = 64
"""Candidates for a code are followed through the file, this many at most."""

CODES = (0.0, -1.0, -99.0, -999.0, -9999.0, -99999.0, -32768.0, 32767.0, 65535.0, -2147483648.0)
"""Numbers that instruments write for "not measured" (common practice, no source)."""


@dataclass(frozen=True)
class SeriesFacts:
    """Numbers along one axis, which may be its positions."""

    name: str
    count: int
    units: str | None
    first: float
    last: float
    pitch: float | None
    """The even step, None where the steps are uneven."""
    low: float
    high: float
    """The ends of all of them, which uneven ones need not begin and end with."""


@dataclass(frozen=True)
class ColumnFacts:
    """One column of a table of points."""

    name: str
    low: float | None = None
    high: float | None = None
    missing: int = 0
    units: str | None = None


@dataclass(frozen=True)
class ArrayFacts:
    """One matrix of numbers, as stored."""

    name: str
    """As ``dataset`` names it; empty where the file holds one only."""
    shape: tuple[int, ...]
    dtype: str
    stated: Mapping[str, Any]
    """What the file states by CF: units, scale_factor, _FillValue, positive ..."""
    along: tuple[SeriesFacts | None, ...]
    low: float | None
    high: float | None
    missing: int
    """Numbers that are not finite."""
    codes: Mapping[float, int]
    """Suspected codes for not measured, and how often each is there."""
    preview: npt.NDArray[np.float64]
    """Every n-th row and column; NaN where not finite."""
    steps: tuple[int, int]
    """Which n, along each axis."""


@dataclass(frozen=True)
class FileFacts:
    """What one file holds."""

    content: str
    """In words, e.g. ``an NPY array``."""
    layout: Literal["matrix", "points", "unknown"]
    uses: frozenset[str]
    """Keys of ``[source]`` that mean something for the format."""
    arrays: tuple[ArrayFacts, ...] = ()
    series: tuple[SeriesFacts, ...] = ()
    columns: tuple[ColumnFacts, ...] = ()
    count: int | None = None
    """Points, where it holds points."""
    position_units: str | None = None
    height_units: str | None = None
    """Of points, where the file states them."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Single values: what ``attr:NAME`` would give."""
    notes: tuple[str, ...] = ()
    """What else a reader should know, one sentence each."""
    points: npt.NDArray[np.float64] | None = None
    """(n, 3) some of the points: x, y, height as stored."""


def is_matrix(shape: tuple[int, ...], dtype: np.dtype[Any]) -> bool:
    """Whether an array can be the heights of a lite."""
    return len(shape) == 2 and min(shape) > 1 and dtype.kind in "iuf"


def array_facts(stored: StoredGrid, name: str = "") -> ArrayFacts:
    """What stands in a stored grid; it is read once, block by block."""
    rows, columns = stored.shape
    steps = (-(-rows // PREVIEW_CELLS), -(-columns // PREVIEW_CELLS))
    preview = np.full((-(-rows // steps[0]), -(-columns // steps[1])), np.nan)
    tally = Tally()
    for start, stop in blocks(stored.shape):
        block = np.asarray(stored.rows(start, stop))
        tally.add(block)
        first = -start % steps[0]
        with np.errstate(invalid="ignore"):  # signalling NaN, as damage makes them
            thin = block[first :: steps[0], :: steps[1]].astype(np.float64)
        at = (start + first) // steps[0]
        preview[at : at + len(thin)] = np.where(np.isfinite(thin), thin, np.nan)
    return ArrayFacts(
        name=name,
        shape=stored.shape,
        dtype=str(stored.dtype),
        stated={key: value for key, value in stored.attrs.items() if _is_plain(value)},
        along=tuple(
            None if along is None else series_facts(f"axis {number}", along)
            for number, along in enumerate(stored.along)
        ),
        low=tally.low,
        high=tally.high,
        missing=tally.missing,
        codes=tally.codes(),
        preview=preview,
        steps=steps,
    )


def series_facts(name: str, along: Along) -> SeriesFacts | None:
    """Positions along an axis in short; None where they are no numbers."""
    values = along.values
    if values.dtype.kind not in "iuf" or values.ndim != 1 or not values.size:
        return None
    numbers = values.astype(np.float64)
    first, last = float(numbers[0]), float(numbers[-1])
    pitch = None
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.diff(numbers)
        mean = (last - first) / steps.size if steps.size else 0.0
        if mean and np.isfinite(mean) and float(np.abs(steps - mean).max()) <= 1e-3 * abs(mean):
            pitch = mean
    known = numbers[np.isfinite(numbers)]
    low, high = (float(known.min()), float(known.max())) if known.size else (first, last)
    return SeriesFacts(name, values.size, along.units, first, last, pitch, low, high)


class Tally:
    """Range, what is missing, and how often suspected codes are there, over many blocks."""

    def __init__(self) -> None:
        self.low: float | None = None
        self.high: float | None = None
        self.missing = 0
        self.count = 0
        self._seen: dict[float, int] = {}

    def add(self, block: npt.NDArray[Any]) -> None:
        """One block of stored numbers, of any shape."""
        is_finite = np.isfinite(block)
        self.missing += int(block.size - is_finite.sum())
        self.count += block.size
        measured = block[is_finite]
        if not measured.size:
            return
        low, high = float(measured.min()), float(measured.max())
        self.low = low if self.low is None else min(self.low, low)
        self.high = high if self.high is None else max(self.high, high)
        for code in _suspects(block.dtype, low, high):
            if code in self._seen or len(self._seen) < MOST_TALLIED:
                seen = int((measured == code).sum())
                self._seen[code] = self._seen.get(code, 0) + seen

    def codes(self) -> dict[float, int]:
        """Codes that are there more often than a height would be by chance."""
        least = max(2.0, 1e-4 * self.count)
        return {code: seen for code, seen in sorted(self._seen.items()) if seen >= least}


def _suspects(dtype: np.dtype[Any], low: float, high: float) -> Iterator[float]:
    known = set(CODES)
    if dtype.kind in "iu":
        known |= {float(np.iinfo(dtype).min), float(np.iinfo(dtype).max)}
    yield from (code for code in known if low <= code <= high)
    # a height repeats exactly only where heights are coarse; a code always does
    yield from {low, high} - known


def _is_plain(value: Any) -> bool:
    return isinstance(value, str | int | float)
