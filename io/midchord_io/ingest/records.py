"""Records of fixed size in a binary file: what binary PLY and PCD share."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.errors import CorruptScan
from midchord_io.ingest.clouds import CHUNK_POINTS

__all__ = ["Records", "corrupt"]


@dataclass(frozen=True)
class Records:
    """Where records stand in a file."""

    path: Path
    start: int
    """Byte of the first."""
    count: int
    dtype: np.dtype[Any]
    """With one field for each column; single numbers only."""
    kind: str
    """Of the file, for an error."""

    def check(self) -> None:
        """Raises CorruptScan where the file is too small to hold what its header declares."""
        there = self.path.stat().st_size - self.start
        declared = self.count * self.dtype.itemsize
        if declared > there:
            raise corrupt(
                self.path,
                f"{self.count} points of {self.dtype.itemsize} bytes are declared but {there} "
                "bytes are there",
                self.kind,
            )

    def chunks(self, numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        """These fields of the records, (n, len(numbers)) float64."""
        names = [list(self.dtype.names or ())[number] for number in numbers]
        with self.path.open("rb") as file:
            file.seek(self.start, os.SEEK_SET)
            left = self.count
            # a record may have hundreds of fields: the bytes of a chunk are bounded, too
            most = max(1, min(CHUNK_POINTS, 64 * 2**20 // self.dtype.itemsize))
            while left:
                some = np.fromfile(file, dtype=self.dtype, count=min(left, most))
                if not some.size:
                    raise corrupt(self.path, f"it ends {left} points early", self.kind)
                left -= some.size
                values = np.empty((some.size, len(names)))
                with np.errstate(invalid="ignore"):  # signalling NaNs
                    for column, name in enumerate(names):
                        values[:, column] = some[name]
                yield values


def corrupt(path: Path, found: str, kind: str) -> CorruptScan:
    """The error for a damaged file of this kind."""
    return CorruptScan(
        path,
        found=f"it is damaged or cut short ({found})",
        needed=f"a whole {kind} file",
        do="copy or export it again",
    )
