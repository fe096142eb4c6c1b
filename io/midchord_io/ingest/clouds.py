"""From stored points to a scan: the part that all point formats have in common.

An adapter says which columns its file has and gives their numbers in chunks (``StoredPoints``);
here that is put together with the source description. No format says which of its axes runs along
the travel, so ``columns`` always stands in the description, and a minus sign there means that the
column counts against the frame: its positions change their sign (in the frame "lite", which starts
at its own corner, they are reflected within their own range instead).

The points are never held as a whole: ``gridding`` reads them several times, a chunk at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.acquisition import Finding, with_findings
from midchord_io.errors import MissingMetadata, SourceConflict, UnsupportedScan
from midchord_io.gridding.points_to_grid import Gridded, grid_points
from midchord_io.ingest.cloud_heads import HeadPoints, grid_heads
from midchord_io.ingest.gridded import known_of, refuse_unused
from midchord_io.ingest.heights import Conversion
from midchord_io.ingest.identity import Lookup, lite_id, scanned_at
from midchord_io.scan import make_scan
from midchord_io.source import UNITS_MM, SourceDescription, known_unit

__all__ = ["CHUNK_POINTS", "CLOUD_KEYS", "StoredPoints", "needs_columns", "scan_from_points"]

CHUNK_POINTS = 250_000
"""6 MB of three float64 columns."""

CLOUD_KEYS = frozenset(
    {
        "cell",
        "columns",
        "fill_mm",
        "grid_pitch",
        "heads",
        "height_offset",
        "height_scale",
        "height_sign",
        "height_units",
        "invalid",
        "joining",
        "position_units",
    }
)
"""Keys of ``[source]`` that a point cloud has a use for."""

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StoredPoints:
    """Points as a file stores them, and what the file says about them."""

    name: str
    """What the user calls it, e.g. ``a PLY file``."""
    columns: tuple[str, ...]
    """Names, in the order of the file; numbers as text where it names none."""
    dtypes: tuple[np.dtype[Any], ...]
    """Of each column, as stored: codes for not measured are compared in it."""
    chunks: Callable[[tuple[int, ...]], Iterator[Array]]
    """The columns of these numbers from the first point on, that of the heights last: (n, 3) or
    (n, 4) float64, as stored."""
    count: int | None = None
    """Points, where the file says so."""
    units: Callable[[int], str | None] = lambda _: None
    """Of a column, where the file states them."""
    attribute: Lookup = None
    """The value that ``attr:PATH`` names; None where there is none."""
    column: Lookup = None
    """The text or number that stands in every row of a column; None where there is none."""
    findings: tuple[Finding, ...] = ()
    """What the adapter found and handled."""


def scan_from_points(
    stored: StoredPoints, source: SourceDescription | None, path: Path
) -> xr.Dataset:
    """The scan in stored points, on an even grid. Raises ScanError."""
    where = str(path)
    if source is None:
        raise needs_columns(stored, where)
    refuse_unused(source, CLOUD_KEYS, where)
    said = source.source
    if said.columns is None:
        raise needs_columns(stored, where)
    names = (said.columns.x, said.columns.y, said.columns.height)
    columns = {"x": names[0].removeprefix("-"), "y": names[1].removeprefix("-")}
    if said.columns.head is not None:
        columns["head"] = said.columns.head
    columns["height"] = names[2]
    numbers = tuple(_number(stored, name, axis, where) for axis, name in columns.items())
    if len(set(numbers)) < len(numbers):
        raise SourceConflict(
            where,
            found=f"columns {list(names)} that name one column twice",
            needed="three columns: x, y and height",
            do="correct columns in the source description",
        )
    is_reversed = (names[0].startswith("-"), names[1].startswith("-") != (said.handed == "left"))
    in_mm = tuple(
        UNITS_MM[_position_unit(stored.units(number), source, axis, where)]
        for axis, number in zip(("x", "y"), numbers[:2], strict=True)
    )
    height_units = stored.units(numbers[-1])
    conversion = Conversion.of(
        {} if height_units is None else {"units": height_units},
        said,
        stored.dtypes[numbers[-1]],
        where,
    )
    scale = np.array([-mm if back else mm for mm, back in zip(in_mm, is_reversed, strict=True)])

    def placed() -> Iterator[Array]:
        for chunk in stored.chunks(numbers):
            points = chunk.copy()
            with np.errstate(over="ignore", invalid="ignore"):  # not finite: no position
                points[:, :2] *= scale
            yield points

    def chunks() -> Iterator[Array]:
        for points in placed():
            points[:, 2] = conversion.to_mm(points[:, 2])
            yield points

    pitch = said.grid_pitch
    pitch_mm = None if pitch is None else (pitch.x * in_mm[0], pitch.y * in_mm[1])
    if said.columns.head is not None:
        heads = HeadPoints(placed, conversion.to_mm)
        gridded = grid_heads(
            heads, said, pitch_mm=pitch_mm, datum_mm=lambda: conversion.datum_mm, where=where
        )
    else:
        gridded = grid_points(
            chunks,
            pitch_mm=pitch_mm,
            cell=said.cell or "median",
            fill_mm=said.fill_mm or 0.0,
            where=where,
        )
    return _scan(stored, gridded, is_reversed, conversion.datum_mm, source, path)


def needs_columns(stored: StoredPoints, where: str) -> MissingMetadata:
    """The error for points without a word on what their columns are."""
    shown = ", ".join(stored.columns[:20]) + (" ..." if len(stored.columns) > 20 else "")
    return MissingMetadata(
        where,
        found=f"{stored.name} and no word on what its columns are (there are: {shown})",
        needed="which columns are x (along the travel), y and height, e.g. "
        'columns = { x = "X", y = "Y", height = "Z" }',
        do="write a source description as in configs/sources and pass it with --source",
    )


def _scan(
    stored: StoredPoints,
    gridded: Gridded,
    is_reversed: tuple[bool, bool],
    datum_mm: float | None,
    source: SourceDescription,
    path: Path,
) -> xr.Dataset:
    lite = source.lite
    known = known_of(lite)
    if datum_mm:
        known["height_datum_mm"] = datum_mm
    if lite.scanned_at_from == "mtime":
        known["scanned_at_from"] = "mtime"  # reports say that it is only the file's time
    ends = []
    for positions, is_back in zip((gridded.x_mm, gridded.y_mm), is_reversed, strict=True):
        shift = positions[0] + positions[-1] if is_back and lite.frame == "lite" else 0.0
        ends.append(positions - shift + 0.0)  # no minus zero
    scan = make_scan(
        gridded.height_mm,
        x_mm=ends[0],
        y_mm=ends[1],
        lite_id=lite_id(lite, path, attribute=stored.attribute, column=stored.column),
        instrument=lite.instrument or "not stated",
        scanned_at=scanned_at(lite, path, attribute=stored.attribute),
        frame=lite.frame,
        face=lite.face,
        known=known,
        where=str(path),
    )
    scan["point_count"] = (("x", "y"), gridded.points, {"units": "1", "long_name": POINT_COUNT})
    if gridded.spread_mm is not None:
        about = {"units": "mm", "long_name": f"{SPREADS[source.source.cell or 'median']} of a cell"}
        scan["point_spread"] = (("x", "y"), gridded.spread_mm, about)
    return with_findings(scan, *stored.findings, *gridded.findings)


POINT_COUNT = "measured points in the cell"
SPREADS = {
    "median": "1.4826 times the median absolute deviation of the points",
    "mean": "standard deviation of the points",
}


def _number(stored: StoredPoints, wanted: str, axis: str, where: str) -> int:
    """Number of a column by its name, by its name in other case, or by its number as text."""
    if stored.columns.count(wanted) == 1:
        number = stored.columns.index(wanted)
    else:
        lower = [name.lower() for name in stored.columns]
        if lower.count(wanted.lower()) == 1:
            number = lower.index(wanted.lower())
        elif wanted.isascii() and wanted.isdigit() and int(wanted) < len(stored.columns):
            number = int(wanted)
        else:
            number = -1
    if number < 0:
        shown = ", ".join(stored.columns[:20]) + (" ..." if len(stored.columns) > 20 else "")
        raise MissingMetadata(
            where,
            found=f"no column {wanted!r} (there are: {shown})",
            needed=f"the column of {axis}: a name, or a number counted from 0",
            do=f"correct columns.{axis} in the source description",
        )
    if stored.dtypes[number].kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"column {stored.columns[number]!r} that holds no numbers",
            needed=f"numbers for {axis}",
            do=f"correct columns.{axis} in the source description",
        )
    return number


def _position_unit(
    stated: str | None, source: SourceDescription, axis: str, where: str
) -> str:
    declared = source.source.position_units
    unit = None if stated is None else known_unit(stated)
    if stated is not None and unit is None:
        raise UnsupportedScan(
            where,
            found=f"positions along {axis} in {stated!r}",
            needed=f"one of {', '.join(UNITS_MM)}",
            do="convert the file",
        )
    if unit is None and declared is None:
        raise MissingMetadata(
            where,
            found=f"no units of the positions along {axis}",
            needed=f"one of {', '.join(UNITS_MM)}",
            do="add position_units to the source description",
        )
    if None not in (unit, declared) and unit != declared:
        raise SourceConflict(
            where,
            found=f"position_units {declared!r} in the source description, but {stated!r} in the "
            f"file along {axis}",
            needed="one unit",
            do="take position_units out of the source description, or check that it is the right "
            "one",
        )
    return str(unit or declared)
