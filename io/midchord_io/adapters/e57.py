"""E57: one structured or unstructured scan, in metres (ASTM E2807).

The standard fixes the unit. Points that a scan marks invalid are not there, which reads as not
measured; the pose of the scan is applied, so positions are in the frame of the file. A file with
several scans is refused: which of them is the lite, and how they join, is not for a reader to
guess. The description in XML is looked at first (how many scans, how many points, no entities),
and its counts are held against the size of the file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr
from defusedxml import ElementTree

from midchord_io.errors import EmptyScan, UnsupportedScan
from midchord_io.ingest.clouds import CHUNK_POINTS, StoredPoints, scan_from_points
from midchord_io.ingest.extras import optional, reading
from midchord_io.ingest.records import corrupt
from midchord_io.source import SourceDescription

__all__ = ["crc32c", "damaged_page", "points", "read", "sniff"]

NAMESPACE = "{http://www.astm.org/COMMIT/E57/2010-e57-v1.0}"
AXES = (
    ("cartesianX", "cartesianY", "cartesianZ"),
    ("sphericalRange", "sphericalAzimuth", "sphericalElevation"),
)
MOST_POINTS = 100_000_000
"""The reader takes all points at once: 2.4 GB."""
XML_BYTES = 64 * 2**20
HEADER_BYTES = 48
PAGE = 1024
"""Bytes, the last four of them a CRC-32C of the others (ASTM E2807)."""
PAGES_AT_A_TIME = 4096


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file has the signature of E57."""
    return head.startswith(b"ASTM-E57")


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in the one scan of an E57 file. Raises ScanError."""
    return scan_from_points(points(path), source, path)


def points(path: Path) -> StoredPoints:
    """The points of an E57 file. Raises CorruptScan, EmptyScan, UnsupportedScan."""
    library = optional(path, "e57", kind="an E57 file", extra="clouds")
    scan, root = _description(library, path)
    count = _count(scan, path)
    with reading(path, "E57", may_panic=True):
        found = library.read_points(str(path)).points
    if found.ndim != 2 or found.shape[1] != 3 or found.shape[0] > count:
        raise corrupt(path, f"{count} points declared, {found.shape[0]} there", "E57")
    said = {
        name: text.strip()
        for item in (root, scan)
        for name in ("guid", "name", "description", "sensorModel", "sensorSerialNumber")
        if (text := item.findtext(NAMESPACE + name))
    }

    def chunks(numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        for first in range(0, found.shape[0], CHUNK_POINTS):
            yield np.asarray(found[first : first + CHUNK_POINTS, list(numbers)], np.float64)

    return StoredPoints(
        name="an E57 file",
        columns=("x", "y", "z"),
        dtypes=(np.dtype(np.float64),) * 3,
        chunks=chunks,
        count=count,
        units=lambda _: "m",
        attribute=said.get,
    )


def _description(library: Any, path: Path) -> tuple[Any, Any]:
    """The description of the one scan, and the root it stands under."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    pages = [int.from_bytes(head[at : at + 8], "little") for at in (16, 24, 32, 40)]
    is_whole = len(head) == HEADER_BYTES and pages[0] == size and pages[3] == PAGE
    if not is_whole or pages[1] + pages[2] > size:
        raise corrupt(path, f"its header is of a file of {pages[0]} bytes, it has {size}", "E57")
    bad = damaged_page(path)
    if bad is not None:
        raise corrupt(path, f"the checksum of page {bad} is wrong", "E57")
    if pages[2] > XML_BYTES:
        raise corrupt(path, f"a description of {pages[2]} bytes", "E57")
    with reading(path, "E57", may_panic=True):
        xml = library.raw_xml(str(path))
        xml = xml.decode("utf-8") if isinstance(xml, bytes) else str(xml)
        root = ElementTree.fromstring(xml.strip("\0 \r\n"), forbid_dtd=True)
    scans = root.findall(f"{NAMESPACE}data3D/{NAMESPACE}vectorChild")
    if not scans:
        raise EmptyScan(
            path,
            found="an E57 file without a scan (no points)",
            needed="points of a lite",
            do="check what was exported",
        )
    if len(scans) > 1:
        raise UnsupportedScan(
            path,
            found=f"an E57 file with {len(scans)} scans",
            needed="one scan, of one lite",
            do="export each scan to a file of its own, or merge them where they were taken",
        )
    return scans[0], root


def damaged_page(path: Path) -> int | None:
    """The first page whose checksum is wrong; None where there is none.

    Looked for here because the reader stops the hard way, with a page of its own state on the
    standard error.
    """
    table = _crc_table()
    first = 0
    with path.open("rb") as file:
        while some := file.read(PAGE * PAGES_AT_A_TIME):
            bad = _first_damaged(np.frombuffer(some, dtype=np.uint8), table)
            if bad >= 0:
                return first + int(bad)
            first += PAGES_AT_A_TIME
    return None


def crc32c(content: npt.NDArray[np.uint8]) -> int:
    """CRC-32C of bytes (Castagnoli polynomial, reflected; RFC 3720)."""
    return int(_crc32c(content, _crc_table()))


def _crc_table() -> npt.NDArray[np.uint32]:
    """Remainders of CRC-32C (Castagnoli, reflected polynomial 0x82F63B78) by byte."""
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ np.uint32(0x82F63B78), table >> 1)
    return table.astype(np.uint32)


@nb.njit(cache=True, nogil=True)
def _crc32c(content, table):  # type: ignore[no-untyped-def]
    crc = np.uint32(0xFFFFFFFF)
    for byte in content:
        crc = table[(crc ^ byte) & np.uint32(255)] ^ (crc >> np.uint32(8))
    return crc ^ np.uint32(0xFFFFFFFF)


@nb.njit(cache=True, nogil=True)
def _first_damaged(pages, table):  # type: ignore[no-untyped-def]
    for number in range((pages.size + 1023) // 1024):
        page = pages[number * 1024 : (number + 1) * 1024]
        if page.size < 1024:
            return number
        stated = np.uint32(0)
        for k in range(1020, 1024):
            stated = (stated << np.uint32(8)) | np.uint32(page[k])
        if _crc32c(page[:1020], table) != stated:
            return number
    return -1


def _count(scan: Any, path: Path) -> int:
    """Declared points, held against the bits that a record takes."""
    cloud = scan.find(f"{NAMESPACE}points")
    prototype = None if cloud is None else cloud.find(f"{NAMESPACE}prototype")
    if cloud is None or prototype is None:
        raise corrupt(path, "a scan without points in its description", "E57")
    text = cloud.get("recordCount", "0").strip()
    count = int(text) if text.isascii() and text.isdigit() and len(text) < 16 else -1
    named = {child.tag.removeprefix(NAMESPACE): child for child in prototype}
    axes = next((axes for axes in AXES if all(axis in named for axis in axes)), None)
    if axes is None:
        raise UnsupportedScan(
            path,
            found="an E57 scan without Cartesian or spherical coordinates",
            needed="points",
            do="export the points themselves",
        )
    if count == 0:
        raise EmptyScan(
            path,
            found="an E57 scan of no points",
            needed="points of a lite",
            do="check what was exported",
        )
    bits = max(1.0, sum(_bits(named[axis]) for axis in axes))
    if count < 0 or count * bits > 8 * path.stat().st_size:
        raise corrupt(path, f"{text[:20]} points declared, more than fit in it", "E57")
    if count > MOST_POINTS:
        raise UnsupportedScan(
            path,
            found=f"an E57 scan of {count} points",
            needed=f"at most {MOST_POINTS}",
            do="export it as LAS or PLY, which are read piece by piece",
        )
    return count


def _bits(field: Any) -> float:
    """Bits that one value takes: by the precision of a float, by the range of an integer."""
    if field.get("type") == "Float":
        return 32.0 if field.get("precision") == "single" else 64.0
    try:
        span = int(field.get("maximum", "0")) - int(field.get("minimum", "0"))
    except ValueError:
        return 0.0
    return math.ceil(math.log2(span + 1)) if 0 < span < 2**64 else 0.0
