"""PCD 0.7: points as text, binary, or binary columns packed by LZF.

The header names the fields, their types and how many points there are; what it declares is held
against the size of the file, and the packed size against the unpacked one, before any memory is
taken. (Format: Point Cloud Library, "The PCD file format".) Binary numbers are little-endian, as
every writer known stores them. Points are NaN where nothing was measured.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.text import SPACES
from midchord_io.ingest.clouds import CHUNK_POINTS, StoredPoints, scan_from_points
from midchord_io.ingest.records import Records, corrupt
from midchord_io.ingest.text_table import TextTable
from midchord_io.source import SourceDescription

__all__ = ["points", "read", "sniff", "unpacked"]

LONGEST_HEADER = 65536
TYPES = {("I", 1), ("I", 2), ("I", 4), ("I", 8), ("U", 1), ("U", 2), ("U", 4), ("U", 8)}
TYPES |= {("F", 4), ("F", 8)}
MOST_RATIO = 100
"""LZF gives at most 264 bytes for 3."""
KEYS = ("VERSION", "FIELDS", "SIZE", "TYPE", "COUNT", "WIDTH", "HEIGHT", "VIEWPOINT", "POINTS")


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file starts with the header of a PCD: FIELDS, and a line DATA."""
    head = head[:LONGEST_HEADER]
    first = next(
        (line for line in head.splitlines() if line.strip() and not line.startswith(b"#")), b""
    )
    return first.startswith((b"VERSION ", b"FIELDS ")) and b"\nDATA " in head


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in the points of a PCD file. Raises ScanError."""
    return scan_from_points(points(path), source, path)


@dataclass(frozen=True)
class _Header:
    names: tuple[str, ...]
    dtypes: tuple[np.dtype[np.generic], ...]
    counts: tuple[int, ...]
    points: int
    data: str
    start: int


def points(path: Path) -> StoredPoints:
    """The points of a PCD file. Raises CorruptScan."""
    header = _header(path)
    # a field of several numbers is a column for each
    names = tuple(
        name if count == 1 else f"{name}[{k}]"
        for name, count in zip(header.names, header.counts, strict=True)
        for k in range(count)
    )
    dtypes = tuple(
        dtype
        for dtype, count in zip(header.dtypes, header.counts, strict=True)
        for _ in range(count)
    )
    if len(set(names)) < len(names):  # padding is called _, several times
        names = tuple(
            name if names.count(name) == 1 else f"{name}.{number}"
            for number, name in enumerate(names)
        )
    record = np.dtype([(name, dtype.str) for name, dtype in zip(names, dtypes, strict=True)])
    if header.data == "ascii":
        if 2 * header.points * len(names) - 1 > path.stat().st_size - header.start:
            raise corrupt(path, f"{header.points} points declared, more than fit in it", "PCD")
        chunks = TextTable(
            path=path, encoding="utf-8-sig", start=0, separator=SPACES, decimal=".",
            columns=len(names), first_byte=header.start, rows=header.points,
        ).chunks  # fmt: skip
    elif header.data == "binary":
        records = Records(path, header.start, header.points, record, "PCD")
        records.check()
        chunks = records.chunks
    else:
        chunks = _Packed(path, header.start, header.points, dtypes).chunks
    return StoredPoints(
        name="a PCD file", columns=names, dtypes=dtypes, chunks=chunks, count=header.points
    )


def _header(path: Path) -> _Header:
    said: dict[str, list[str]] = {}
    with path.open("rb") as file:
        while "DATA" not in said:
            line = file.readline(LONGEST_HEADER)
            if not line.endswith(b"\n") or file.tell() > LONGEST_HEADER:
                raise corrupt(path, "a header without DATA", "PCD")
            words = line.decode("latin-1").split()
            if not words or words[0].startswith("#"):
                continue
            if words[0] not in (*KEYS, "DATA") or words[0] in said:
                raise corrupt(path, f"{line[:60]!r} in the header".replace("b'", "'"), "PCD")
            said[words[0]] = words[1:]
        start = file.tell()
    names = tuple(said.get("FIELDS", ()))
    counts = said.get("COUNT", ["1"] * len(names))
    numbers = [
        [int(word) if word.isascii() and word.isdigit() and len(word) < 16 else -1 for word in row]
        for row in (said.get("SIZE", []), counts, said.get("POINTS", []))
    ]
    sizes, repeats, total = numbers
    kinds = said.get("TYPE", [])
    data = " ".join(said["DATA"])
    if not total:
        sides = [said.get(key, ["x"])[0] for key in ("WIDTH", "HEIGHT")]
        if all(side.isascii() and side.isdigit() and len(side) < 10 for side in sides):
            total = [int(sides[0]) * int(sides[1])]
    is_whole = (
        names
        and len(names) == len(sizes) == len(kinds) == len(repeats)
        and all(pair in TYPES for pair in zip(kinds, sizes, strict=True))
        and all(1 <= repeat <= 4096 for repeat in repeats)
        and sum(repeats) <= 4096
        and len(total) == 1
        and total[0] >= 0
        and data in ("ascii", "binary", "binary_compressed")
    )
    if not is_whole:
        raise corrupt(path, "a header whose FIELDS, SIZE, TYPE, COUNT, POINTS do not fit", "PCD")
    dtypes = tuple(
        np.dtype(f"<{kind.lower()}{size}") for kind, size in zip(kinds, sizes, strict=True)
    )
    return _Header(names, dtypes, tuple(repeats), total[0], data, start)


@dataclass(frozen=True)
class _Packed:
    """All of one column, then all of the next, packed together by LZF."""

    path: Path
    start: int
    points: int
    dtypes: tuple[np.dtype[np.generic], ...]

    def chunks(self, numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        """These columns, (n, len(numbers)) float64."""
        sizes = [dtype.itemsize * self.points for dtype in self.dtypes]
        with self.path.open("rb") as file:
            file.seek(self.start)
            head = file.read(8)
            there = self.path.stat().st_size - self.start - 8
            packed, whole = struct.unpack("<II", head) if len(head) == 8 else (1, 0)
            if packed > there or whole != sum(sizes) or whole > MOST_RATIO * packed:
                raise corrupt(
                    self.path,
                    f"{self.points} points are declared as {whole} bytes packed in {packed}, "
                    f"{max(0, there)} bytes are there",
                    "PCD",
                )
            data = unpacked(np.fromfile(file, dtype=np.uint8, count=packed), whole)
        if data is None:
            raise corrupt(self.path, "its packed data do not unpack", "PCD")
        columns = [
            data[sum(sizes[:number]) : sum(sizes[: number + 1])].view(self.dtypes[number])
            for number in numbers
        ]
        for first in range(0, self.points, CHUNK_POINTS):
            some = [column[first : first + CHUNK_POINTS] for column in columns]
            with np.errstate(invalid="ignore"):
                yield np.column_stack(some).astype(np.float64)


def unpacked(packed: npt.NDArray[np.uint8], size: int) -> npt.NDArray[np.uint8] | None:
    """Bytes unpacked by LZF (the format of M. Lehmann's liblzf); None where they do not fit."""
    out = np.empty(size, dtype=np.uint8)
    return out if _unpack(packed, out) else None


@nb.njit(cache=True, nogil=True)
def _unpack(packed, out):  # type: ignore[no-untyped-def]
    read = 0
    written = 0
    while read < packed.size:
        control = int(packed[read])
        read += 1
        if control < 32:  # a run of bytes as they are
            length = control + 1
            if read + length > packed.size or written + length > out.size:
                return False
            for _ in range(length):
                out[written] = packed[read]
                read += 1
                written += 1
            continue
        length = control >> 5
        if length == 7:
            if read >= packed.size:
                return False
            length += int(packed[read])
            read += 1
        length += 2
        if read >= packed.size:
            return False
        back = written - ((control & 31) << 8) - int(packed[read]) - 1
        read += 1
        if back < 0 or written + length > out.size:
            return False
        for _ in range(length):  # may overlap itself: byte by byte
            out[written] = out[back]
            back += 1
            written += 1
    return written == out.size
