"""X3P, the file of surface topography by ISO 25178-72: a zip of XML and binary heights.

The file states metres, its own increments and offsets, and which points were not measured; only
which of its axes runs along the travel stands in a source description. By the standard its axes are
right-handed with z up, x along a row of the matrix and y along its columns. A matrix with positions
of its own for every point, or a list of points, is a point cloud.

Its checksums are kept: where one does not fit, the heights or the increments were changed after the
instrument wrote them (the zip's own checksum already tells damage), and the file is refused. Sizes
are checked against the list of members before anything is unpacked; entities in the XML are refused
by the reader. (ISO 25178-72:2017 and Amd 1:2020, read through x3pio.)
"""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.zipped import check_members, check_names, damaged, kind_of_zip
from midchord_io.errors import CorruptScan, MidchordError, MissingMetadata, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts
from midchord_io.ingest.gridded import LARGEST_CELLS, Along, StoredGrid, scan_from_grid
from midchord_io.source import SourceDescription

__all__ = ["METRE_KEYS", "describe", "read", "sniff"]

METRE_KEYS = frozenset({"axes", "height_sign", "height_units", "pitch", "position_units"})
"""Keys of ``[source]`` for a file that states its lengths: all but ``axes`` may only agree."""

LARGEST_XML_BYTES = 32 * 2**20
"""Heights may stand in the XML as text, where they cost many times their size in memory."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is a zip with a ``main.xml``."""
    return kind_of_zip(path, head) == "x3p"


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in the matrix of an X3P file. Raises ScanError."""
    stored, _ = _stored(path, str(path))
    if source is None:
        raise needs_axes("an X3P file", path)
    return scan_from_grid(stored, source, path, uses=METRE_KEYS)


def describe(path: Path) -> FileFacts:
    """What the file states. Raises ScanError."""
    stored, values = _stored(path, str(path))
    return FileFacts(
        content="an X3P file (ISO 25178-72)",
        layout="matrix",
        uses=METRE_KEYS,
        arrays=(array_facts(stored),),
        values=values,
        notes=("By its standard the file is right-handed with heights up, in metres.",),
    )


def needs_axes(what: str, path: Path) -> MissingMetadata:
    """The error for a file that states everything but how its axes lie on the machine."""
    return MissingMetadata(
        path,
        found=f"{what} and no source description",
        needed='which of its axes runs along the travel, e.g. axes = ["y", "x"] where its rows do',
        do="write a source description as in configs/sources and pass it with --source",
    )


def _stored(path: Path, where: str) -> tuple[StoredGrid, dict[str, str]]:
    try:
        with zipfile.ZipFile(path) as archive:
            check_names(archive, where)
            check_members(archive.infolist(), "an X3P file", where)
            _check_xml(archive, where)
        return _matrix(path, where)
    except MidchordError:
        raise
    except zipfile.BadZipFile as error:
        raise damaged(where, "X3P", str(error)) from error
    except Exception as error:  # whatever the library makes of a damaged file
        raise _not_by_the_standard(error, where) from error


def _check_xml(archive: zipfile.ZipFile, where: str) -> None:
    for info in archive.infolist():
        if info.filename.endswith("main.xml") and info.file_size > LARGEST_XML_BYTES:
            raise UnsupportedScan(
                where,
                found=f"a main.xml of {info.file_size} bytes",
                needed=f"at most {LARGEST_XML_BYTES}: heights as binary data, not as text",
                do="export it again with binary data",
            )


def _matrix(path: Path, where: str) -> tuple[StoredGrid, dict[str, str]]:
    import x3pio

    info = x3pio.info(path)
    feature, header, placement = info.feature_type, info.header, info.placement
    kind = ""
    if feature is x3pio.FeatureType.PROFILE:
        kind = "a single profile"
    elif feature is x3pio.FeatureType.POINT_CLOUD:
        kind = "a list of points"
    elif not (header.x.is_incremental and header.y.is_incremental):
        kind = "a matrix whose points each have positions of their own"
    elif info.layer_count != 1:
        kind = f"{info.layer_count} layers"
    elif placement.has_rotation:
        kind = "a matrix turned in space (element Rotation)"
    if kind:
        raise UnsupportedScan(
            where,
            found=kind,
            needed="one matrix of heights on an even grid along its own axes",
            do="export the surface as such a matrix, or the points as PLY or text",
        )
    rows, columns = info.shape
    _check_cells(rows * columns, where)
    height = _heights(x3pio.read(path))
    values = _metadata(info.metadata)
    offset_x, offset_y, offset_z = (float(number) for number in placement.offset)
    stored = StoredGrid(
        name="the matrix",
        shape=height.shape,
        dtype=height.dtype,
        rows=lambda start, stop: height[start:stop],
        attrs={"units": "m", "scale_factor": 1.0, "add_offset": offset_z, "positive": "up"},
        along=(
            Along(offset_y + np.arange(rows) * header.y.increment, "m"),
            Along(offset_x + np.arange(columns) * header.x.increment, "m"),
        ),
        attribute=values.get,
        is_right_handed=True,
    )
    return stored, values


def _check_cells(cells: int, where: str) -> None:
    """Before the library makes an array of that many."""
    if cells > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"{cells} samples declared",
            needed=f"at most {LARGEST_CELLS}",
            do="check that the file is whole, or scan at a coarser pitch",
        )


def _heights(file: Any) -> npt.NDArray[np.float64]:
    """The one layer, without keeping what else the file holds."""
    height: npt.NDArray[np.float64] = file.layers[0].z
    return height


def _metadata(record: Any) -> dict[str, str]:
    """Record 2, by the names of its elements."""
    if record is None:
        return {}
    values = {
        "Date": record.date.isoformat() if record.date else "",
        "Creator": record.creator,
        "Comment": record.comment,
        "Instrument/Manufacturer": record.instrument.manufacturer,
        "Instrument/Model": record.instrument.model,
        "Instrument/Serial": record.instrument.serial,
    }
    return {name: str(value) for name, value in values.items() if value}


def _not_by_the_standard(error: Exception, where: str) -> CorruptScan:
    reason = " ".join(str(error).split())[:200] or type(error).__name__
    if type(error).__name__ == "X3pChecksumError":
        return CorruptScan(
            where,
            found=f"it was changed after it was written ({reason})",
            needed="a whole X3P file as the instrument wrote it",
            do="export it again, with a program that keeps the checksums if it was edited",
        )
    return CorruptScan(
        where,
        found=f"it is damaged, or not by ISO 25178-72 ({reason})",
        needed="a whole X3P file by that standard",
        do="copy or export it again",
    )
