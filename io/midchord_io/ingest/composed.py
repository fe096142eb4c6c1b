"""Several stored grids that make one scan: heads side by side, or three rows one after the other.

Each is read as any other grid; which they are and where they look is in the source description.
What they have in common (axes, pitch, units, the places of the lines) is said once for all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from midchord_io.errors import UnevenGrid
from midchord_io.ingest.framed import Framed, framed
from midchord_io.ingest.stored import StoredGrid
from midchord_io.joining.head_fit import HeadScan
from midchord_io.joining.heads import join_heads
from midchord_io.joining.three_rows import separate_rows
from midchord_io.source import SourceDescription
from midchord_io.source_lines import Joining, ThreeRows

__all__ = ["composed"]

Other = Callable[[str], StoredGrid]


def composed(
    stored: StoredGrid, source: SourceDescription, where: str, *, other: Other | None
) -> Framed:
    """The whole scan in the frame, of one grid or of several.

    stored  the first one, or the only one
    other   another grid of the file by its name; None where the format holds one only, and then
            no description with several of them gets here
    Raises  ScanError
    """
    if source.source.heads is not None and other is not None:
        return _heads(stored, source, where, other)
    if source.source.three_rows is not None and other is not None:
        return _rows(stored, source, where, source.source.three_rows, other)
    return framed(stored, source, where)


def _aligned(parts: Iterator[Framed]) -> list[Framed]:
    """Heights of all parts from the datum of the first."""
    aligned: list[Framed] = []
    for part in parts:
        if aligned and part.datum_mm != aligned[0].datum_mm:
            part.height[...] += np.float32(part.datum_mm - aligned[0].datum_mm)
            part = replace(part, datum_mm=aligned[0].datum_mm)
        aligned.append(part)
    return aligned


def _heads(
    stored: StoredGrid, source: SourceDescription, where: str, other: Other
) -> Framed:
    heads = source.source.heads or ()
    joining = source.source.joining or Joining()

    def read() -> Iterator[Framed]:
        first: Framed | None = None
        for head in heads:
            grid = stored if first is None else other(head.dataset)
            part = framed(grid, source, where, is_turned=head.reversed, beside=first)
            first = first or part
            yield part

    parts = _aligned(read())
    joined = join_heads(
        [
            HeadScan(
                name=head.name,
                height=part.height,
                x_mm=part.x_mm + head.x_mm,
                y_mm=part.y_mm - part.y_mm[0] + (head.y_mm or 0.0),
                datum_mm=part.datum_mm,
                offset_mm=head.offset_mm,
                tilt_mm_per_m=head.tilt_mm_per_m,
                scale=head.scale,
            )
            for head, part in zip(heads, parts, strict=True)
        ],
        estimate=joining.estimate,
        register_x=joining.register_x,
        where=where,
    )
    return replace(
        parts[0],
        height=joined.height,
        x_mm=joined.x_mm,
        y_mm=joined.y_mm,
        findings=(*parts[0].findings, *joined.findings),
    )


def _rows(
    stored: StoredGrid,
    source: SourceDescription,
    where: str,
    rows: ThreeRows,
    other: Other,
) -> Framed:
    first = framed(stored, source, where)
    others = (framed(other(name), source, where, beside=first) for name in rows.datasets[1:])
    parts = _aligned(iter((first, *others)))
    if any(part.y_mm.shape != first.y_mm.shape or not np.allclose(part.y_mm, first.y_mm)
           for part in parts):
        raise UnevenGrid(
            where,
            found="three rows with different places along y",
            needed="the same columns in all three",
            do="check which datasets the rows are",
        )
    scan = separate_rows(
        [part.height for part in parts],
        row_x_mm=rows.x_mm,
        line_x_mm=first.x_mm,
        y_mm=first.y_mm,
        offset_mm=rows.offset_mm,
        bounce_mm=rows.bounce_mm,
        shortest_wave_mm=rows.shortest_wave_mm,
        where=where,
    )
    return replace(
        first,
        height=scan.height,
        x_mm=scan.x_mm,
        findings=(*first.findings, *scan.findings),
    )
