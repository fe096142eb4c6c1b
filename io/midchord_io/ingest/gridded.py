"""From a stored grid of numbers to a scan: the part that all matrix formats have in common.

An adapter says how its format stores the grid and what the file states about it (``StoredGrid``);
here that is put together with the source description. Each thing is known once: what the file
states wins over silence, silence is filled by the description, a contradiction is refused, and
what neither says is refused. Units are converted here and nowhere else.

How the numbers come into the frame is in :mod:`midchord_io.ingest.framed`; several grids that
make one scan are put together in :mod:`midchord_io.ingest.composed`.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from midchord_io.acquisition import Finding, with_findings
from midchord_io.errors import SourceConflict, UnsupportedScan
from midchord_io.ingest.along import Along, along_of
from midchord_io.ingest.composed import composed
from midchord_io.ingest.identity import lite_id, scanned_at
from midchord_io.ingest.stored import BLOCK_CELLS, LARGEST_CELLS, StoredGrid, blocks
from midchord_io.lines.line_findings import length_finding
from midchord_io.lines.line_series import place_findings
from midchord_io.lines.scan_lines import measured_length_mm
from midchord_io.scan import make_scan
from midchord_io.source import Lite, SourceDescription

__all__ = [
    "BLOCK_CELLS",
    "LARGEST_CELLS",
    "Along",
    "StoredGrid",
    "along_of",
    "blocks",
    "known_of",
    "refuse_unused",
    "scan_from_grid",
]

RECORDED = {
    "thickness_mm",
    "coated_face",
    "support",
    "temperature_c",
    "scanner",
    "support_pitch_mm",
}
"""Keys of ``[lite]`` that become attributes of the scan."""

OTHERWISE = (
    "; an orientation target tells. Where it is right, write y with the other sign and handed = "
    "'left'."
)


def scan_from_grid(
    stored: StoredGrid,
    source: SourceDescription,
    path: Path,
    *,
    uses: frozenset[str],
    other: Callable[[str], StoredGrid] | None = None,
) -> xr.Dataset:
    """The scan in a stored grid.

    stored  the grid that ``source.source.first_dataset`` names, or the only one
    uses    keys of ``[source]`` that mean something for the format; any other one is refused
    other   another grid of the file by its name, where it may hold several
    Raises  ScanError
    """
    where = str(path)
    refuse_unused(source, uses, where)
    whole = composed(stored, source, where, other=other)
    lite = source.lite
    known = known_of(lite)
    if whole.datum_mm:
        known["height_datum_mm"] = whole.datum_mm
    if lite.scanned_at_from == "mtime":
        known["scanned_at_from"] = "mtime"  # reports say that it is only the file's time
    scan = make_scan(
        whole.height,
        x_mm=whole.x_mm,
        y_mm=whole.y_mm,
        lite_id=lite_id(lite, path, attribute=stored.attribute),
        instrument=lite.instrument or "not stated",
        scanned_at=scanned_at(lite, path, attribute=stored.attribute),
        frame=lite.frame,
        face=lite.face,
        known=known,
        where=where,
    )
    findings = (
        *stored.findings,
        *_mirrored(stored, source),
        *whole.findings,
        *_about_places(stored, source),
    )
    if lite.length_mm is not None:
        measured = measured_length_mm(scan["height"].values, whole.x_mm)
        findings = (*findings, length_finding(measured, lite.length_mm))
    return with_findings(scan, *findings) if findings else scan


def _about_places(stored: StoredGrid, source: SourceDescription) -> tuple[Finding, ...]:
    """Doubts that other numbers of the file raise about where the lines lie."""
    axes = source.source.axes
    if stored.series is None or axes is None:
        return ()
    series = {
        name: (along.values.astype(np.float64), along.units)
        for name, along in stored.series().items()
        if along.values.ndim == 1 and along.values.dtype.kind in "iuf"
    }
    return place_findings(series, source.source, stored.shape[0 if axes[0][-1] == "x" else 1])


def known_of(lite: Lite) -> dict[str, Any]:
    """The attributes of a lite that are recorded where known."""
    named = lite.model_dump(include=RECORDED)
    return {name: value for name, value in named.items() if value is not None}


def refuse_unused(source: SourceDescription, uses: frozenset[str], where: str) -> None:
    """Raises SourceConflict where the description says what means nothing for the format."""
    given = source.source.model_fields_set - uses - {"format", "handed"}
    if {"columns", "grid_pitch"} & given:
        raise UnsupportedScan(
            where,
            found="a source description of points (columns or grid_pitch)",
            needed="a matrix of heights with axes: points cannot be read from this format yet",
            do="write the scan as a matrix, and say axes and pitch instead",
        )
    if given:
        keys = ", ".join(sorted(given))
        raise SourceConflict(
            where,
            found=f"a source description with {keys}, which this format has no use for",
            needed=f"only keys that it uses: {', '.join(sorted(uses))}",
            do="take those keys out, or check that it is the right description",
        )


def _mirrored(stored: StoredGrid, source: SourceDescription) -> tuple[Finding, ...]:
    """Says so where the description mirrors a file whose format fixes its hand.

    Some programs count the rows of such files from the top, so the description may well be right;
    a slip in ``axes`` looks the same.
    """
    axes = source.source.axes
    if not stored.is_right_handed or axes is None:
        return ()
    hand = 1 if axes[1][-1] == "x" else -1
    hand *= -1 if source.source.handed == "left" else 1
    for number, axis in enumerate(axes):
        own = stored.along[number]
        is_descending = own is not None and own.values.size > 1 and own.values[0] > own.values[-1]
        hand *= -1 if axis.startswith("-") != bool(is_descending) else 1
    if hand > 0:
        return ()
    declared = source.source.handed == "left"
    return (
        Finding(
            what="mirrored",
            count=1,
            sentence=f"axes = {list(axes)} with handed = {source.source.handed!r} mirror the file, "
            "whose format is right-handed by its standard: right only if its writer counted the "
            "rows from the other side" + ("." if declared else OTHERWISE),
            is_doubt=not declared,
        ),
    )
