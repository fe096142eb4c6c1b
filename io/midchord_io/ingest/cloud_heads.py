"""Several heads in one cloud of points, told apart by a column.

Points of two heads must not meet in a cell before the heads are joined: the median of both would
be neither. So each head's points are put on a grid of their own, all of one pitch and on the same
lattice, and the grids are joined as heads that a file stores apart (``joining.heads``). The pitch
is the coarsest that one of them proposes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.errors import MissingMetadata, SourceConflict
from midchord_io.gridding.extent import extent_of
from midchord_io.gridding.grid_sample import Chunks
from midchord_io.gridding.points_to_grid import Gridded, grid_points, proposed_pitch_mm
from midchord_io.joining.head_fit import HeadScan
from midchord_io.joining.heads import JoinedHeads, join_heads
from midchord_io.source import Source
from midchord_io.source_lines import Head, Joining

__all__ = ["HeadPoints", "grid_heads"]

Array = npt.NDArray[np.float64]


class HeadPoints(NamedTuple):
    """The points of all heads as the file has them."""

    chunks: Chunks
    """(n, 4) float64: x, y in mm along the frame, the head as stored, the height as stored."""
    to_mm: Callable[[Array], Array]
    """Stored heights to mm, from one datum for all heads."""


def grid_heads(
    points: HeadPoints,
    source: Source,
    *,
    pitch_mm: tuple[float, float] | None,
    datum_mm: Callable[[], float | None],
    where: str,
) -> Gridded:
    """The points of several heads on one grid, joined.

    pitch_mm  of the grid along x and y; None: the one that the data propose
    datum_mm  taken off the heights; known once some were converted
    Raises    SourceConflict (a head that nobody described), MissingMetadata, and what gridding
              and joining raise
    """
    heads = source.heads or ()
    _check_values(points, heads, where)
    clouds = [_cloud_of(points, head) for head in heads]
    named = [f"{where}, head {head.name!r}" for head in heads]
    extents = [extent_of(cloud, name) for cloud, name in zip(clouds, named, strict=True)]
    if pitch_mm is None:
        proposed = [
            proposed_pitch_mm(*one) for one in zip(clouds, extents, named, strict=True)
        ]
        pitch_mm = max(x for x, _ in proposed), max(y for _, y in proposed)
    low = np.min([extent.low for extent in extents], axis=0)
    grids = [
        grid_points(
            cloud,
            pitch_mm=pitch_mm,
            cell=source.cell or "median",
            fill_mm=source.fill_mm or 0.0,
            anchor_mm=(float(low[0]), float(low[1])),
            where=name,
        )
        for cloud, name in zip(clouds, named, strict=True)
    ]
    joining = source.joining or Joining()
    joined = join_heads(
        [
            HeadScan(
                name=head.name,
                height=grid.height_mm,
                x_mm=grid.x_mm,
                y_mm=grid.y_mm,
                datum_mm=datum_mm() or 0.0,
                offset_mm=head.offset_mm,
                tilt_mm_per_m=head.tilt_mm_per_m,
                scale=head.scale,
            )
            for head, grid in zip(heads, grids, strict=True)
        ],
        estimate=joining.estimate,
        register_x=joining.register_x,
        where=where,
    )
    return _together(joined, grids)


def _value(head: Head, where: str) -> float:
    try:
        return float(head.dataset)
    except ValueError as error:
        raise MissingMetadata(
            where,
            found=f"dataset = {head.dataset!r} of head {head.name!r} and points whose heads are "
            "numbers",
            needed="the number of that head in the column columns.head",
            do="correct dataset in the source description",
        ) from error


def _check_values(points: HeadPoints, heads: tuple[Head, ...], where: str) -> None:
    """Every point is of a head that is described: none is left out without a word."""
    known = np.array([_value(head, where) for head in heads])
    for chunk in points.chunks():
        strange = chunk[~np.isin(chunk[:, 2], known), 2]
        if strange.size:
            shown = ", ".join(f"{value:g}" for value in np.unique(strange)[:5])
            raise SourceConflict(
                where,
                found=f"points of head {shown} in the column columns.head",
                needed=f"only heads that are described: {', '.join(f'{v:g}' for v in known)}",
                do="add a [[source.heads]] for it, or leave its points out",
            )


def _cloud_of(points: HeadPoints, head: Head) -> Chunks:
    """The points of one head in the frame of the scan, (n, 3): x, y, height in mm."""
    value, shift = float(head.dataset), np.array([head.x_mm, head.y_mm or 0.0])
    sign = np.array([1.0, -1.0 if head.reversed else 1.0])

    def chunks() -> Iterator[Array]:
        for chunk in points.chunks():
            own = chunk[chunk[:, 2] == value]
            some = np.empty((own.shape[0], 3))
            some[:, :2] = own[:, :2] * sign + shift
            some[:, 2] = points.to_mm(own[:, 3])
            yield some

    return chunks


def _together(joined: JoinedHeads, grids: list[Gridded]) -> Gridded:
    """What the cells rest on, of all heads: points added up, the larger spread of two."""
    shape = joined.height.shape
    count = np.zeros(shape, dtype=np.uint32)
    spread = np.full(shape, np.nan, dtype=np.float32)
    for grid in grids:
        into, out_of = zip(
            _overlap(joined.x_mm, grid.x_mm), _overlap(joined.y_mm, grid.y_mm), strict=True
        )
        count[into] += grid.points[out_of]
        if grid.spread_mm is not None:
            spread[into] = np.fmax(spread[into], grid.spread_mm[out_of])
    return Gridded(
        x_mm=joined.x_mm,
        y_mm=joined.y_mm,
        height_mm=joined.height,
        points=count,
        spread_mm=None if all(grid.spread_mm is None for grid in grids) else spread,
        findings=(*(found for grid in grids for found in grid.findings), *joined.findings),
    )


def _overlap(whole: Array, part: Array) -> tuple[slice, slice]:
    """Where a part lies in the whole along one axis, to the nearest sample, and what of it."""
    step = (whole[-1] - whole[0]) / (whole.size - 1)
    first = round(float((part[0] - whole[0]) / step))
    start, stop = max(0, first), min(whole.size, first + part.size)
    return slice(start, stop), slice(start - first, stop - first)
