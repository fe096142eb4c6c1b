"""LAS and LAZ: points as scaled integers, plain or packed (ASPRS LAS 1.2 to 1.4, LASzip).

Coordinates are integers times a scale plus an offset, all in the header, so there is no "not
measured": a point that was not measured is not there, or is marked withheld, which reads as not
measured. Units stand in the records of the coordinate system where a writer put them (GeoTIFF keys
3076 and 4099, or WKT); a description says the rest. Counts and offsets of the header are held
against the size of the file before the reader sees it.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.laz_layers import check_layers
from midchord_io.ingest.clouds import CHUNK_POINTS, StoredPoints, scan_from_points
from midchord_io.ingest.extras import each, optional, reading
from midchord_io.ingest.records import corrupt
from midchord_io.source import SourceDescription

__all__ = ["points", "read", "sniff", "stated_units"]

EPSG_UNITS = {1025: "mm", 1033: "cm", 9001: "m", 9002: "foot", 9003: "US survey foot"}
"""Of the EPSG registry, as GeoTIFF keys name them."""
HORIZONTAL_KEY, VERTICAL_KEY, MODEL_KEY = 3076, 4099, 1024
GEOGRAPHIC = 2
GEO_KEYS, WKT, LASZIP = 34735, 2112, 22204
SMALLEST_HEADER = 227
VLR_BYTES = 54
SMALLEST_POINT = 20
"""Bytes; each chunk of a LAZ file starts with a point as it is."""
PACKED = 0x80
HEAD_DIMENSIONS = ("point_source_id", "user_data")
"""Where scanners of several heads note which of them took a point."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file has the signature of LAS."""
    return head.startswith(b"LASF")


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in the points of a LAS or LAZ file. Raises ScanError."""
    return scan_from_points(points(path), source, path)


def points(path: Path) -> StoredPoints:
    """The points of a LAS or LAZ file. Raises CorruptScan, UnsupportedScan."""
    laspy = optional(path, "laspy", kind="a LAS file", extra="clouds")
    _check_header(path)
    with reading(path, "LAS", may_panic=True), laspy.open(path, read_evlrs=False) as file:
        header = file.header
        dimensions = list(header.point_format.dimension_names)
        extra = tuple(header.point_format.extra_dimension_names)
        units = stated_units(header.vlrs)
        count = int(header.point_count)
        said = {
            "system_identifier": _text(header.system_identifier),
            "generating_software": _text(header.generating_software),
        }
        packing = next((r.record_data for r in header.vlrs if r.record_id == LASZIP), None)
        start, record_bytes = int(header.offset_to_point_data), int(header.point_format.size)
    is_packed = _is_packed(path)
    if packing is not None and is_packed:
        check_layers(path, packing, start=start, record_bytes=record_bytes)
    has_withheld = "withheld" in dimensions
    columns = ("x", "y", "z", *(name for name in HEAD_DIMENSIONS if name in dimensions), *extra)

    def stored(names: list[str]) -> Iterator[npt.NDArray[np.float64]]:
        with laspy.open(path, read_evlrs=False) as file:
            for some in file.chunk_iterator(CHUNK_POINTS):
                values = np.column_stack([np.asarray(some[name], np.float64) for name in names])
                if has_withheld:
                    values[np.asarray(some["withheld"], bool), -1] = np.nan
                yield values

    def chunks(numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        names = [columns[number] for number in numbers]
        there = 0
        for values in each(path, "LAS", lambda: stored(names), may_panic=is_packed):
            there += values.shape[0]
            yield values
        if there != count:
            raise corrupt(path, f"{count} points declared, {there} there", "LAS")

    return StoredPoints(
        name="a LAS file",
        columns=columns,
        dtypes=(np.dtype(np.float64),) * len(columns),
        chunks=chunks,
        count=count,
        units=lambda number: (units[0], units[0], units[1])[number] if number < 3 else None,
        attribute=said.get,
    )


def stated_units(records: Any) -> tuple[str | None, str | None]:
    """Units of the positions and of the heights by the coordinate system; None where unsaid.

    records   variable length records, as laspy gives them
    """
    for record in records:
        if record.record_id == WKT and hasattr(record, "string"):
            return _units_of_wkt(record.string)
        if record.record_id == GEO_KEYS and hasattr(record, "geo_keys"):
            own = [key for key in record.geo_keys if not key.tiff_tag_location]
            keys = {key.id: key.value_offset for key in own}
            position = _epsg(keys.get(HORIZONTAL_KEY))
            if keys.get(MODEL_KEY) == GEOGRAPHIC:
                position = "degree"
            return position, _epsg(keys.get(VERTICAL_KEY))
    return None, None


def _epsg(code: int | None) -> str | None:
    return None if code in (None, 0) else EPSG_UNITS.get(int(code or 0), f"EPSG unit {code}")


def _units_of_wkt(wkt: str) -> tuple[str | None, str | None]:
    """Of WKT 1 and 2: the last unit of the horizontal part, the last of the vertical one."""
    at = re.search(r"VERT_?CRS\[|VERT_CS\[", wkt)
    horizontal, vertical = (wkt[: at.start()], wkt[at.start() :]) if at else (wkt, "")
    if not re.search(r"PROJ_?CRS\[|PROJCS\[", horizontal) and re.search(r"GEOG", horizontal):
        return "degree", _unit_of_wkt(vertical)
    return _unit_of_wkt(horizontal), _unit_of_wkt(vertical)


def _unit_of_wkt(part: str) -> str | None:
    units = re.findall(r'\b(?:LENGTH)?UNIT\["([^"]{1,60})"', part)
    return units[-1] if units else None


def _text(value: Any) -> str:
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    return text.strip("\0 ")


def _is_packed(path: Path) -> bool:
    with path.open("rb") as file:
        return bool(file.read(105)[104] & PACKED)


def _check_header(path: Path) -> None:
    """Raises CorruptScan where the header declares more than the file holds."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(375)
        if len(head) < SMALLEST_HEADER:
            raise corrupt(path, f"a header of {len(head)} bytes", "LAS")
        header_size, start, records, form, record_bytes, count = struct.unpack_from(
            "<HIIBHI", head, 94
        )
        if head[25] >= 4 and len(head) >= 255:
            count = max(count, struct.unpack_from("<Q", head, 247)[0])
        if not SMALLEST_HEADER <= header_size <= start <= size:
            raise corrupt(path, f"points from byte {start} of {size}", "LAS")
        if records * VLR_BYTES > start - header_size:
            raise corrupt(path, f"{records} records declared before the points", "LAS")
        there = size - start
        if not form & PACKED:
            if record_bytes < SMALLEST_POINT or count * record_bytes > there:
                raise corrupt(
                    path,
                    f"{count} points of {record_bytes} bytes are declared but {there} bytes are "
                    "there",
                    "LAS",
                )
            return
        file.seek(start)
        table = int.from_bytes(file.read(8), "little", signed=True)
        if table == -1:  # written as a stream: the place of the table stands at the end
            file.seek(size - 8)
            table = int.from_bytes(file.read(8), "little", signed=True)
        if not start < table <= size - 8:
            raise corrupt(path, f"a table of its chunks at byte {table} of {size}", "LAZ")
        file.seek(table + 4)
        packs = int.from_bytes(file.read(4), "little")
    if packs * SMALLEST_POINT > there or packs > count:
        raise corrupt(path, f"{packs} chunks declared for {count} points", "LAZ")
