"""Points to an even grid: the median or the mean of the points in each cell.

Cells are centred on whole pitches from the smallest coordinate, so that a cloud which already is
a grid comes back as it was. Points may come in any order and in any number: they are read in
chunks, several times over, and only what a cell needs is kept. One pass finds the extent; one
looks how far apart the points lie, from a compact sample (``grid_pitch``); one counts the points
of each cell; then bands of rows, as many as fit the buffer, are sorted into their cells (a
counting sort) and settled.

A point is seldom in the middle of its cell, and on a slope that is an error of slope times
offset. The slopes that matter are those of the form: 4 mm bow over 3 m rise 5 um in a millimetre,
a tilted sensor more. So a paraboloid fitted to a sample is taken off each point where it lies and
put back where the cell has its centre. What is left comes from the roll wave alone, at most
2 pi A / L of the offset: 1 um a millimetre for 0.05 mm depth at 150 mm, half a pitch at worst.

The spread of a cell is the standard deviation about a mean and 1.4826 times the median absolute
deviation about a median, both about the paraboloid, so that slopes do not count as noise.

Empty cells stay empty unless a length to fill is stated: then a hole that is no longer than that,
along x or along y, is bridged by a straight line from side to side. A filled cell is known by its
count of 0.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import UnevenGrid, UnsupportedScan
from midchord_io.gridding import kernels
from midchord_io.gridding.extent import Extent, extent_of
from midchord_io.gridding.grid_pitch import Spacing, in_lines, levels_share, spacing_of
from midchord_io.gridding.grid_sample import ENOUGH_POINTS, Chunks, Window, compact_sample
from midchord_io.lines.line_findings import LONG_BRIDGE_MM
from midchord_io.quantisation import noise_mm, quantisation, step_mm

__all__ = [
    "LARGEST_CELLS",
    "SORTED_AT_A_TIME",
    "Cell",
    "Chunks",
    "Gridded",
    "grid_points",
    "proposed_pitch_mm",
]

Array = npt.NDArray[np.float64]
Cell = Literal["median", "mean"]

LARGEST_CELLS = 500_000_000
MOST_CELLS_A_POINT = 20
"""A grid with fewer than 5 % of its cells filled is finer than the data, or has stray points."""
SMALL_CELLS = 10_000
SORTED_AT_A_TIME = 32_000_000
"""Points of the buffer that sorts: 128 MB of float32."""
WIDE_SPREAD_MM = 0.2
"""In a typical cell, its slope apart: more than roll wave is deep, whatever the noise."""
WIDE_OF_NOISE, LEAST_WIDE_MM = 5.0, 0.03
"""Times the noise of a point, as the cells show it; less is made by waves in a coarse cell."""
SPREAD_WORTH = 0.01
"""Share of the cells with two points or more below which the spread is not kept."""
WIDER = {1: np.uint16, 2: np.uint32}
"""Types of counters: most grids have a few points in a cell."""
TWO_LEVELS = 0.25
"""Share of cells on two levels beyond which the points are no height field."""


class Gridded(NamedTuple):
    """Heights of points on an even grid, and what they rest on."""

    x_mm: Array
    y_mm: Array
    height_mm: npt.NDArray[np.float32]
    """(x, y); NaN where no point was and none was filled."""
    points: npt.NDArray[np.unsignedinteger]
    """(x, y): measured points in each cell; 0 also where a height was filled."""
    spread_mm: npt.NDArray[np.float32] | None
    """(x, y), NaN below two points; None where hardly any cell has two."""
    findings: tuple[Finding, ...]


class _Frame(NamedTuple):
    x0: float
    y0: float
    pitch_x: float
    pitch_y: float
    nx: int
    ny: int

    @property
    def array(self) -> Array:
        return np.array(self[:4])


def grid_points(
    chunks: Chunks,
    *,
    pitch_mm: tuple[float, float] | None,
    cell: Cell = "median",
    fill_mm: float = 0.0,
    anchor_mm: tuple[float, float] | None = None,
    where: str,
) -> Gridded:
    """Points on an even grid.

    chunks     starts the points anew, in the same order each time
    pitch_mm   of the grid along x and y; None: the one that the data propose
    cell       what a cell takes of its points
    fill_mm    longest hole that is bridged, along x or y
    anchor_mm  a place (x, y) that cells lie whole pitches from, so that clouds share a grid; None:
               the smallest coordinates
    where      named in an error
    Raises    EmptyScan, UnevenGrid (a pitch finer than the data), UnsupportedScan (no height
              field, or too many cells)
    """
    extent = extent_of(chunks, where)
    count_pass: npt.NDArray[np.unsignedinteger] | None = None
    if pitch_mm is None:
        sample = _sample(chunks, extent)
        spacing = _spacing(sample, where)
        pitch = spacing.x_mm, spacing.y_mm
        frame = _frame(extent, pitch, spacing, where, anchor=anchor_mm)
    else:
        frame = _frame(extent, pitch_mm, None, where, chunks, anchor=anchor_mm)
        window = Window(extent.low, extent.high, extent.points)
        count_pass = _counts(window.watch(chunks()), frame)
        sample = window.sample()
        if sample.shape[0] < ENOUGH_POINTS and not window.is_all:
            sample = _sample(chunks, extent)
        found = spacing_of(sample[:, 0], sample[:, 1])
        if found is not None and found.is_coarser_than(*pitch_mm):
            raise _too_fine(pitch_mm, found, where)
    quantised = _check_height_field(sample, extent, where)
    count = _counts(chunks(), frame) if count_pass is None else count_pass
    height, spread = _settled(chunks, frame, count, extent.form, cell)
    noise = noise_mm(height)  # of cells, before any is made up
    holes = kernels.fill(height, count, frame.array, fill_mm)
    findings = _findings(extent, (frame, count, spread), noise, cell, holes, fill_mm)
    return Gridded(
        x_mm=frame.x0 + np.arange(frame.nx, dtype=np.float64) * frame.pitch_x,
        y_mm=frame.y0 + np.arange(frame.ny, dtype=np.float64) * frame.pitch_y,
        height_mm=height,
        points=count,
        spread_mm=spread,
        findings=(*findings, *quantised),
    )


def proposed_pitch_mm(chunks: Chunks, extent: Extent, where: str) -> tuple[float, float]:
    """The pitch along x and y that points propose. Raises UnevenGrid."""
    spacing = _spacing(_sample(chunks, extent), where)
    return spacing.x_mm, spacing.y_mm


def _sample(chunks: Chunks, extent: Extent) -> Array:
    return compact_sample(chunks, extent.low, extent.high, extent.points)


def _spacing(sample: Array, where: str) -> Spacing:
    spacing = spacing_of(sample[:, 0], sample[:, 1])
    if spacing is None:
        raise UnevenGrid(
            where,
            found="points on one line, or fewer than four",
            needed="points that span an area",
            do="check the columns of x and y in the source description",
        )
    return spacing


def _frame(
    extent: Extent,
    pitch: tuple[float, float],
    spacing: Spacing | None,
    where: str,
    chunks: Chunks | None = None,
    *,
    anchor: tuple[float, float] | None = None,
) -> _Frame:
    low = extent.low
    if anchor is not None:
        low = np.floor((low - anchor) / np.array(pitch) + 0.5) * pitch + anchor
    # half a cell is granted, so that rounding at the far end opens no row
    with np.errstate(over="ignore"):
        nx, ny = np.floor((extent.high - low) / np.array(pitch) + 0.5) + 1
    if nx * ny > max(SMALL_CELLS, MOST_CELLS_A_POINT * extent.points):
        if spacing is None and chunks is not None:
            sample = _sample(chunks, extent)
            spacing = spacing_of(sample[:, 0], sample[:, 1])
            if spacing is not None and spacing.is_coarser_than(*pitch):
                raise _too_fine(pitch, spacing, where)
        raise UnevenGrid(
            where,
            found=f"{extent.points} points strewn over {nx:.0f} x {ny:.0f} cells of {pitch[0]:g} x "
            f"{pitch[1]:g} mm",
            needed="points that cover the lite, at least one in twenty cells",
            do="check the position units, leave out points far from the lite, or state a coarser "
            "grid_pitch",
        )
    if nx * ny > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"a grid of {nx:.0f} x {ny:.0f} cells",
            needed=f"at most {LARGEST_CELLS} cells",
            do="state a coarser grid_pitch in the source description",
        )
    if min(nx, ny) < 2:
        axis, step = ("x", pitch[0]) if nx < 2 else ("y", pitch[1])
        raise UnevenGrid(
            where,
            found=f"points that all lie in one cell of {step:g} mm along {axis}",
            needed="at least two lines and two columns",
            do="check the columns, the position units and grid_pitch in the source description",
        )
    x0, y0 = low.tolist()
    return _Frame(x0, y0, float(pitch[0]), float(pitch[1]), int(nx), int(ny))


def _too_fine(pitch: tuple[float, float], found: Spacing, where: str) -> UnevenGrid:
    return UnevenGrid(
        where,
        found=f"a grid_pitch of {pitch[0]:g} x {pitch[1]:g} mm (x, y), finer than the points lie",
        needed=f"not finer than the data, which propose {found.x_mm:.4g} x {found.y_mm:.4g} mm",
        do="state that, or leave grid_pitch out: the data propose it",
    )


def _check_height_field(sample: Array, extent: Extent, where: str) -> tuple[Finding, ...]:
    """Refuses a closed body; tells the step of the heights, which the grid no longer shows."""
    sample = sample[np.isfinite(sample[:, 2])]
    if not sample.shape[0]:
        return ()
    step = step_mm(sample[:, 2])
    level = kernels.levelled(sample, extent.form)
    share, apart = levels_share(level, step_mm=step)
    if share > TWO_LEVELS:
        raise UnsupportedScan(
            where,
            found=f"points that lie on two surfaces, {apart:.3g} mm apart, in {100 * share:.0f} % "
            "of the places: not a height field",
            needed="one height at each place, seen from above",
            do="export one face of the lite; leave out bodies and the far side of the glass",
        )
    noise = noise_mm(in_lines(level)[:, np.newaxis], step=step) if step else 0.0
    found = quantisation(step, noise)
    return () if found is None else (found,)


def _counts(chunks: Iterator[Array], frame: _Frame) -> npt.NDArray[np.unsignedinteger]:
    """Measured points in each cell, in the smallest type that holds them."""
    count: npt.NDArray[np.unsignedinteger] = np.zeros((frame.nx, frame.ny), dtype=np.uint8)
    for chunk in chunks:
        done = 0
        while (done := kernels.count_points(chunk, done, frame.array, count)) < chunk.shape[0]:
            count = count.astype(WIDER[count.dtype.itemsize])
    return count


def _settled(
    chunks: Chunks,
    frame: _Frame,
    count: npt.NDArray[np.unsignedinteger],
    form: Array,
    cell: Cell,
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32] | None]:
    """Height and spread of each cell, a band of rows at a time."""
    height = np.full((frame.nx, frame.ny), np.nan, dtype=np.float32)
    slot = height.view(np.int32)
    totals, occupied, shared = kernels.row_totals(count)
    is_worth = shared > SPREAD_WORTH * occupied
    spread = np.empty((frame.nx, frame.ny) if is_worth else (0, 0), dtype=np.float32)
    for first, last in _bands(totals):
        buffer = np.empty(int(totals[first:last].sum()), dtype=np.float32)
        kernels.slots(count, slot, first, last)
        for chunk in chunks():
            kernels.place(
                chunk, frame.array, form, count, slot, height, buffer, first, last
            )
        kernels.settle(
            frame.array, form, count, slot, height, spread, buffer, cell == "median", first, last
        )
    return height, spread if is_worth else None


def _bands(totals: npt.NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """First and last row of bands whose shared points fit the buffer; a row is never divided."""
    first = 0
    held = 0
    for row, total in enumerate(totals.tolist()):
        if held and held + total > SORTED_AT_A_TIME:
            yield first, row
            first, held = row, 0
        held += total
    yield first, totals.size


def _is_wide(spread_mm: float, cell_noise_mm: float, points_per_cell: float) -> bool:
    """Whether points in a cell differ by more than the noise that their mean still has."""
    usual = WIDE_OF_NOISE * cell_noise_mm * max(1.0, points_per_cell) ** 0.5
    return spread_mm > WIDE_SPREAD_MM or spread_mm > max(usual, LEAST_WIDE_MM)


def _findings(
    extent: Extent,
    gridded: tuple[_Frame, npt.NDArray[np.unsignedinteger], npt.NDArray[np.float32] | None],
    noise: float,
    cell: Cell,
    holes: tuple[int, int],
    fill_mm: float,
) -> Iterator[Finding]:
    frame, count, spread = gridded
    filled, left = holes
    occupied = count.size - filled - left
    each = extent.measured / max(1, occupied)
    figures = {
        "pitch_x_mm": frame.pitch_x,
        "pitch_y_mm": frame.pitch_y,
        "points_per_cell": each,
        "empty_share": (filled + left) / count.size,
    }
    said, is_wide = "", False
    if spread is not None:
        some = spread.reshape(-1)[:: max(1, spread.size // 1_000_000)]
        if np.isfinite(some).any():
            figures["spread_mm"] = float(np.nanmedian(some))
            said = f", typical spread within a cell {figures['spread_mm']:.3g} mm"
            is_wide = _is_wide(figures["spread_mm"], noise, each)
    if is_wide:
        said += ", more than noise or roll wave makes: two surfaces, or two scans, may lie in it"
    yield Finding(
        what="points to grid",
        count=extent.measured,
        sentence=f"{extent.measured} points on a grid of {frame.pitch_x:.4g} x "
        f"{frame.pitch_y:.4g} mm, the {cell} of {each:.2g} points a cell{said}",
        figures=figures,
        is_doubt=is_wide,
    )
    if extent.without_position:
        yield Finding(
            what="points without a position",
            count=extent.without_position,
            sentence=f"{extent.without_position} points without a position were left out",
        )
    missing = extent.points - extent.measured
    if missing:
        yield Finding(
            what="points not measured",
            count=missing,
            sentence=f"{missing} points have a position but no measured height",
        )
    if fill_mm > 0:
        is_long = filled > 0 and fill_mm > LONG_BRIDGE_MM
        yield Finding(
            what="cells filled",
            count=filled,
            sentence=f"{filled} empty cells were bridged (holes up to {fill_mm:g} mm), {left} left"
            + ("; what lies in long holes is made, not measured" if is_long else ""),
            figures={"fill_mm": fill_mm, "left": float(left)},
            is_doubt=is_long,
        )
