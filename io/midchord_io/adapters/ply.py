"""PLY: points of the element ``vertex``, as text or binary of either byte order.

The header names the elements, how many of each there are, and their properties; the numbers follow
in that order. Only the vertices are read, and only where all their properties are single numbers;
faces behind them are left alone. What the header declares is held against the size of the file
before any memory is taken. (Format: G. Turk, "The PLY Polygon File Format", 1994.) Read by hand,
because the general readers take the header's counts on trust.

A line ``comment NAME VALUE`` or ``obj_info NAME VALUE`` is what ``attr:NAME`` finds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import xarray as xr

from midchord_io.adapters.text import SPACES
from midchord_io.errors import UnsupportedScan
from midchord_io.ingest.clouds import StoredPoints, scan_from_points
from midchord_io.ingest.records import Records, corrupt
from midchord_io.ingest.text_table import TextTable
from midchord_io.source import SourceDescription

__all__ = ["points", "read", "sniff"]

LONGEST_HEADER = 2**20
TYPES = {
    "char": "i1", "uchar": "u1", "short": "i2", "ushort": "u2", "int": "i4", "uint": "u4",
    "float": "f4", "double": "f8", "int8": "i1", "uint8": "u1", "int16": "i2", "uint16": "u2",
    "int32": "i4", "uint32": "u4", "float32": "f4", "float64": "f8",
}  # fmt: skip
ORDERS = {"binary_little_endian": "<", "binary_big_endian": ">", "ascii": ""}


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file starts with the word ply on a line of its own."""
    return head.startswith((b"ply\n", b"ply\r"))


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in the vertices. Raises ScanError."""
    return scan_from_points(points(path), source, path)


@dataclass
class _Element:
    name: str
    count: int
    properties: list[tuple[str, str]] = field(default_factory=list)
    has_list: bool = False

    def dtype(self, order: str) -> np.dtype[np.void]:
        return np.dtype([(name, order + kind) for name, kind in self.properties])


def points(path: Path) -> StoredPoints:
    """The vertices of a PLY file. Raises CorruptScan, UnsupportedScan."""
    order, elements, said, start = _header(path)
    before = []
    for element in elements:
        if element.name == "vertex":
            break
        before.append(element)
    else:
        raise UnsupportedScan(
            path,
            found="a PLY file without the element vertex",
            needed="points",
            do="export the points of the lite",
        )
    if element.has_list or any(other.has_list for other in before):
        raise UnsupportedScan(
            path,
            found="a PLY file with lists in or before its vertices",
            needed="vertices of single numbers, first in the file",
            do="export the points alone",
        )
    names = tuple(name for name, _ in element.properties)
    if not names or len(set(names)) < len(names):
        raise corrupt(path, "vertices without properties, or with one name twice", "PLY")
    dtypes = tuple(np.dtype(order + kind) for _, kind in element.properties)
    if order:
        start += sum(other.count * other.dtype(order).itemsize for other in before)
        records = Records(path, start, element.count, element.dtype(order), "PLY")
        records.check()
        chunks = records.chunks
    else:
        skipped = sum(other.count for other in before)
        least = (element.count * len(names) + skipped) * 2 - 1
        if least > path.stat().st_size - start:
            raise corrupt(path, f"{element.count} vertices declared, more than fit in it", "PLY")
        table = TextTable(
            path=path, encoding="utf-8-sig", start=skipped, separator=SPACES, decimal=".",
            columns=len(names), first_byte=start, rows=element.count,
        )  # fmt: skip
        chunks = table.chunks
    return StoredPoints(
        name="a PLY file",
        columns=names,
        dtypes=dtypes,
        chunks=chunks,
        count=element.count,
        attribute=said.get,
    )


def _header(path: Path) -> tuple[str, list[_Element], dict[str, str], int]:
    """Byte order, elements, remarks by their first word, and where the numbers start."""
    with path.open("rb") as file:
        head = file.read(LONGEST_HEADER)
    end = head.find(b"\nend_header") + 1 or head.find(b"\rend_header") + 1
    if not end:
        raise corrupt(path, "a header without end_header", "PLY")
    start = end + len(b"end_header")
    start += 2 if head[start : start + 2] == b"\r\n" else 1
    order: str | None = None
    elements: list[_Element] = []
    said: dict[str, str] = {}
    for line in head[:end].decode("latin-1").splitlines()[1:]:
        match line.split():
            case ["format", kind, "1.0"] if kind in ORDERS and order is None:
                order = ORDERS[kind]
            case ["comment" | "obj_info", name, *rest]:
                said.setdefault(name.rstrip(":="), " ".join(rest).strip())
            case ["comment" | "obj_info"] | []:
                pass
            case ["element", name, count] if count.isascii() and count.isdigit():
                elements.append(_Element(name, int(count[:18])))
            case ["property", "list", _, _, _] if elements:
                elements[-1].has_list = True
            case ["property", kind, name] if kind in TYPES and elements:
                elements[-1].properties.append((name, TYPES[kind]))
            case _:
                raise corrupt(path, f"{line[:60]!r} in the header", "PLY")
    if order is None:
        raise corrupt(path, "a header without format", "PLY")
    return order, elements, said, start
