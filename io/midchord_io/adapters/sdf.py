"""SDF, the surface data file of ISO 25178-71, as text and as binary, and its forerunner BCR.

A header states the pitch and the scale in metres and how many points there are; then come the
heights, profile after profile, with BAD or the least number of the type where nothing was measured.
Which axis runs along the travel stands in a source description. The counts of the header are held
against the size of the file before memory is taken. (ISO 25178-71:2012 and :2017, read through
sdfio; profiles come one a row, y growing with the row.)
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import xarray as xr

from midchord_io.adapters.x3p import METRE_KEYS, needs_axes
from midchord_io.errors import CorruptScan, MidchordError, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts
from midchord_io.ingest.gridded import LARGEST_CELLS, Along, StoredGrid, scan_from_grid
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]

SIGNATURE = re.compile(rb"(\xef\xbb\xbf)?[abAB](ISO|BCR)-\d\.\d")

LARGEST_TEXT_BYTES = 512 * 2**20
"""As text a height takes some ten bytes in the file and some hundred in memory."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file starts with the mark of SDF."""
    return SIGNATURE.match(head) is not None


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in an SDF file. Raises ScanError."""
    stored, _ = _stored(path, str(path))
    if source is None:
        raise needs_axes("an SDF file", path)
    return scan_from_grid(stored, source, path, uses=METRE_KEYS)


def describe(path: Path) -> FileFacts:
    """What the file states. Raises ScanError."""
    stored, values = _stored(path, str(path))
    return FileFacts(
        content="an SDF file (ISO 25178-71)",
        layout="matrix",
        uses=METRE_KEYS,
        arrays=(array_facts(stored),),
        values=values,
        notes=("By its standard the heights are up, in metres.",),
    )


def _stored(path: Path, where: str) -> tuple[StoredGrid, dict[str, str]]:
    import sdfio

    _check_text(path, where)
    try:
        file = sdfio.read(path)
    except MidchordError:
        raise
    except Exception as error:  # whatever the library makes of a damaged file
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        raise CorruptScan(
            where,
            found=f"it is damaged, cut short, or not by ISO 25178-71 ({reason})",
            needed="a whole SDF file by that standard",
            do="copy or export it again",
        ) from error
    header, height = file.header, file.data
    if not (math.isfinite(header.z_scale) and header.z_scale > 0):
        raise CorruptScan(
            where,
            found=f"Zscale = {header.z_scale:g}",
            needed="a scale of the heights above 0, in metres",
            do="export it again as a whole SDF file",
        )
    values = {
        "CreateDate": header.create_date.isoformat() if header.create_date else "",
        "ModDate": header.mod_date.isoformat() if header.mod_date else "",
        "ManufacID": header.manufacturer_id,
        **file.trailer_fields,
    }
    values = {name: value for name, value in values.items() if value}
    stored = StoredGrid(
        name="the matrix",
        shape=height.shape,
        dtype=height.dtype,
        rows=lambda start, stop: height[start:stop],
        attrs={"units": "m", "positive": "up"},
        along=(
            Along(np.arange(height.shape[0]) * header.y_scale, "m"),
            Along(np.arange(height.shape[1]) * header.x_scale, "m"),
        ),
        attribute=values.get,
    )
    return stored, values


def _check_text(path: Path, where: str) -> None:
    size = path.stat().st_size
    with path.open("rb") as file:
        is_text = file.read(4).removeprefix(b"\xef\xbb\xbf")[:1] in (b"a", b"A")
    most = LARGEST_TEXT_BYTES if is_text else 16 * LARGEST_CELLS
    if size > most:
        raise UnsupportedScan(
            where,
            found=f"{size} bytes of {'text' if is_text else 'binary data'}",
            needed=f"at most {most}",
            do="export it as binary SDF, or at a coarser pitch",
        )
