"""One stored grid, in the frame of the scan: heights in mm, lines at an even pitch.

The grid is read in blocks of lines and written straight to its place in the frame, so that a file
of float64 or packed integers never costs more than one float32 grid and one block; a second grid
only where its lines must be interpolated to an even pitch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import MissingMetadata, UnevenGrid
from midchord_io.ingest.along import positions_mm
from midchord_io.ingest.heights import Conversion
from midchord_io.ingest.line_places import LinePlaces, line_places
from midchord_io.ingest.stored import StoredGrid, blocks, check_kind
from midchord_io.lines.copied_lines import copied_lines, frozen
from midchord_io.lines.encoder_slip import no_times
from midchord_io.lines.line_findings import copies_of_unknown_place
from midchord_io.lines.line_order import FEWEST_LINES
from midchord_io.lines.scan_lines import (
    LinePlan,
    even_lines,
    is_even,
    plan_lines,
)
from midchord_io.source import SourceDescription
from midchord_io.source_lines import Lines

__all__ = ["Framed", "framed"]


@dataclass(frozen=True)
class Framed:
    """Heights in the frame of the scan."""

    height: npt.NDArray[np.float32]
    """(x, y), mm from the datum, NaN where not measured."""
    x_mm: npt.NDArray[np.float64]
    y_mm: npt.NDArray[np.float64]
    datum_mm: float
    findings: tuple[Finding, ...]
    places: LinePlaces
    plan: LinePlan | None
    """How uneven lines were put on the grid; None where they were even."""


def framed(
    stored: StoredGrid,
    source: SourceDescription,
    where: str,
    *,
    is_turned: bool = False,
    beside: Framed | None = None,
) -> Framed:
    """A stored grid in the frame.

    is_turned  whether its axis along y runs the other way than declared
    beside     another grid of the same lines, whose places along x hold for this one, too
    Raises     ScanError
    """
    check_kind(stored, where)
    axes = source.source.axes
    if axes is None:
        raise MissingMetadata(
            where,
            found=f"{stored.name} of shape {stored.shape} and no word on what its axes are",
            needed='which axis is x (along the travel) and which is y, e.g. axes = ["x", "y"]',
            do="add axes to the source description",
        )
    conversion = Conversion.of(stored.attrs, source.source, stored.dtype, where)
    x_number = 0 if axes[0][-1] == "x" else 1
    lines = stored.shape[x_number]
    if beside is None:
        places = line_places(
            stored.along[x_number],
            stored.positions,
            lines,
            is_reversed=axes[x_number].startswith("-"),
            source=source,
            where=where,
        )
    else:
        places = beside.places
        if lines != places.positions_mm.size:
            raise UnevenGrid(
                where,
                found=f"{stored.name} with {lines} lines beside {places.positions_mm.size}",
                needed="the same lines in all of them",
                do="check which datasets the source description names",
            )
    y_number = 1 - x_number
    is_reversed = axes[y_number].startswith("-") != (source.source.handed == "left")
    y_mm, is_y_backwards = positions_mm(
        stored.along[y_number],
        stored.positions,
        stored.shape[y_number],
        "y",
        is_reversed != is_turned,
        source,
        where,
    )
    height = np.empty((lines, y_mm.size), dtype=np.float32)
    # a view of the result in the order of the file: the flips and the transpose cost no copy
    in_file_order = height if x_number == 0 else height.T
    backwards = {x_number: places.is_backwards, y_number: is_y_backwards}
    in_file_order = in_file_order[
        :: -1 if backwards[0] else 1,
        :: -1 if backwards[1] else 1,
    ]
    for start, stop in blocks(stored.shape):
        in_file_order[start:stop] = conversion.to_mm(stored.rows(start, stop))
    plan, findings = (beside.plan, ()) if beside else _plan(places, height, source, where)
    findings = (*findings, *frozen(height))
    x_mm = places.positions_mm
    if plan is not None:
        x_mm = plan.x_mm
        height = height if plan.is_as_stored else even_lines(height, plan)
    return Framed(height, x_mm, y_mm, conversion.datum_mm or 0.0, findings, places, plan)


def _plan(
    places: LinePlaces, height: npt.NDArray[np.float32], source: SourceDescription, where: str
) -> tuple[LinePlan | None, tuple[Finding, ...]]:
    """How the lines become even, None where they are; and what was found about them."""
    stated = source.source.lines or Lines()
    positions = places.positions_mm
    is_timed = places.times_s is not None and positions.size >= FEWEST_LINES
    if is_even(positions) and not is_timed and stated.grid_pitch_mm is None:
        copies = int(np.count_nonzero(copied_lines(height)))
        if not copies or positions.size < FEWEST_LINES:
            is_named = source.source.positions is not None and source.source.positions.x
            return None, (no_times(),) if is_named else ()
        if not places.is_read:
            pitch = float(positions[1] - positions[0])
            return None, (copies_of_unknown_place(copies, positions.size, pitch),)
    plan = plan_lines(
        positions,
        height,
        times_s=places.times_s,
        is_counted=places.is_counted,
        longest_gap_mm=stated.longest_gap_mm,
        grid_pitch_mm=stated.grid_pitch_mm,
        largest_acceleration_mm_per_s2=stated.largest_acceleration_mm_per_s2,
        where=where,
    )
    return plan, plan.findings
