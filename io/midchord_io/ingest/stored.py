"""A grid as a file stores it: what every adapter of matrices hands over."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import UnsupportedScan
from midchord_io.ingest.along import Along, kind_of

__all__ = ["BLOCK_CELLS", "LARGEST_CELLS", "StoredGrid", "blocks", "check_kind"]

LARGEST_CELLS = 500_000_000
"""2 GB of float32: a lite of 6 x 3.2 m scanned at 0.2 mm. Beyond it a header is damaged, or a
small file is made to fill the memory."""

BLOCK_CELLS = 1_000_000


@dataclass(frozen=True)
class StoredGrid:
    """A grid as a file stores it, and what the file says about it."""

    name: str
    """What the user calls it, e.g. ``dataset 'scan/height'``."""
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    rows: Callable[[int, int], npt.NDArray[Any]]
    """Rows start to stop along the first stored axis."""
    attrs: Mapping[str, Any] = field(default_factory=dict)
    """Attributes by CF: units, scale_factor, add_offset, _FillValue, positive ..."""
    along: tuple[Along | None, ...] = (None, None)
    """The file's own coordinates of each stored axis."""
    positions: Callable[[str], Along | None] | None = None
    """Positions that a description names; None where there are none of that name."""
    series: Callable[[], Mapping[str, Along]] | None = None
    """All that ``positions`` could give, by name, where the file holds several arrays."""
    attribute: Callable[[str], Any] | None = None
    """The value that ``attr:PATH`` names; None where there is none."""
    is_right_handed: bool = False
    """Whether the format itself says that columns, rows and up make a right-handed frame."""
    findings: tuple[Finding, ...] = ()
    """What the adapter found and handled."""


def blocks(shape: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    """Start and stop of the blocks of rows that a grid is read in."""
    step = max(1, BLOCK_CELLS // max(1, shape[1]))
    for start in range(0, shape[0], step):
        yield start, min(start + step, shape[0])


def check_kind(stored: StoredGrid, where: str) -> None:
    """Raises UnsupportedScan where it is no matrix of numbers, or one too large."""
    if stored.dtype.kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"{stored.name} holds {kind_of(stored.dtype)}",
            needed="heights as real numbers",
            do="name the dataset of the heights in the source description",
        )
    if len(stored.shape) != 2:
        raise UnsupportedScan(
            where,
            found=f"{stored.name} has {len(stored.shape)} axes (shape {stored.shape})",
            needed="a matrix with two axes, x and y",
            do="name another dataset, or write one lite a file as a matrix",
        )
    if stored.shape[0] * stored.shape[1] > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"{stored.name} declares {stored.shape[0]} x {stored.shape[1]} samples",
            needed=f"at most {LARGEST_CELLS} samples",
            do="check that the file is whole, or scan at a coarser pitch",
        )
