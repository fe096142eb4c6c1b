"""How far apart points lie: the pitch of a grid that is never finer than the data.

Three kinds of point clouds come from scanners, told apart on a compact sample from their middle:

* a lattice: along each axis the coordinates stand on levels (encoder ticks, pixels), and most
  crossings of levels hold a point. The pitch is the spacing of the levels, each axis its own;
* lines: levels along one axis only. Along the lines the pitch is what nine in ten gaps between
  neighbours keep within;
* neither: points at random, or a lattice turned against the axes. Both pitches are the smallest
  with which 95 % of the cells hold a point; for points at random that is 1.73 mean spacings
  (Poisson: exp(-3) = 5 % of the cells stay empty).

Levels that are only the decimals of the file (most crossings are empty) are no lattice, but the
pitch becomes a multiple of them, so that no cell holds one level more than its neighbour.

A lite is a height field: one height at each place. ``levels_share`` tells a closed body, or a
cloud with the far side of the glass in it, by cells whose points stand on two clearly separate
levels.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Spacing", "in_lines", "levels_share", "spacing_of"]

Array = npt.NDArray[np.float64]

LEVEL_RATIO = 3.0
"""Smallest ratio of the gaps between levels to the gaps within them."""
LATTICE_FILLED = 0.6
"""A lattice may lack this much to dropouts; decimals of random points are emptier."""
LINES_FILLED = 0.75
RANDOM_FILLED = 0.95
GAPS_KEPT = 90
"""Per cent of the gaps along a line that the pitch covers."""
SMALLEST_SPAN_MM = 1e-6
"""What spans less is a line: numbers of damage, whose ratios no float holds."""
TIED = 1e-9
"""Coordinates closer than this share of their range are the same."""
MOST_CELLS_A_POINT = 64
"""Emptier grids need not be looked at."""
APART_MM = 1.0
"""Levels nearer than this are heads or passes that disagree; the far side of the thinnest glass
(2 mm) shows 1.3 mm below the near one."""
CELL_POINTS = 12
"""Points in a cell of the test for levels."""


class Spacing(NamedTuple):
    """How far apart points lie along each axis, and the pitch that suits them, mm."""

    x_mm: float
    """The proposed pitch."""
    y_mm: float
    finest_x_mm: float
    """A pitch below this is finer than the data; 0 where only the area of a cell counts."""
    finest_y_mm: float
    finest_area_mm2: float
    """Area for each point: smaller cells are finer than the data."""

    def is_coarser_than(self, x_mm: float, y_mm: float) -> bool:
        """Whether a grid of this pitch would be finer than the data (2 % are granted)."""
        return (
            x_mm < 0.98 * self.finest_x_mm
            or y_mm < 0.98 * self.finest_y_mm
            or x_mm * y_mm < 0.96 * self.finest_area_mm2
        )


def spacing_of(x_mm: Array, y_mm: Array) -> Spacing | None:
    """The spacing of a compact sample of points; None where they do not span an area.

    x_mm, y_mm   (n,), mm, all finite
    """
    x_mm, y_mm = _without_strays(x_mm, y_mm)
    span_x, span_y = (float(np.ptp(axis)) if axis.size else 0.0 for axis in (x_mm, y_mm))
    if x_mm.size < 4 or min(span_x, span_y) < SMALLEST_SPAN_MM:
        return None
    level_x, level_y = _level_spacing(x_mm), _level_spacing(y_mm)
    if level_x and level_y and _filled(x_mm, y_mm, level_x, level_y) >= LATTICE_FILLED:
        return Spacing(level_x, level_y, level_x, level_y, 0.0)
    if level_y:
        along = _along_lines(x_mm, y_mm, level_y, level_x)
        if along is not None:
            return Spacing(along[0], level_y, along[1], level_y, 0.0)
    if level_x:
        along = _along_lines(y_mm, x_mm, level_x, level_y)
        if along is not None:
            return Spacing(level_x, along[0], level_x, along[1], 0.0)
    return _random(x_mm, y_mm, span_x, span_y, level_x, level_y)


def _without_strays(x: Array, y: Array) -> tuple[Array, Array]:
    """Less the points far outside of where nearly all are: they would stretch every spacing."""
    keep = np.ones(x.size, dtype=bool)
    for axis in (x, y):
        if axis.size < 100:
            continue
        low, high = np.percentile(axis, (1, 99))
        keep &= (axis >= low - (high - low)) & (axis <= high + (high - low))
    return x[keep], y[keep]


def _level_spacing(values: Array) -> float:
    """Spacing of the levels that coordinates stand on; 0 where they stand on none."""
    ordered = np.sort(values)
    gaps = np.diff(ordered)
    if gaps.size < 3:
        return 0.0
    falling = np.sort(gaps)[::-1]
    falling = np.maximum(falling, TIED * (ordered[-1] - ordered[0]))
    most = max(1, gaps.size // 2)  # at least two points on a level, on average
    ratios = falling[:most] / falling[1 : most + 1]
    best = int(np.argmax(ratios))
    if ratios[best] < LEVEL_RATIO:
        return 0.0
    between = np.flatnonzero(gaps >= falling[best])
    starts = np.concatenate([[0], between + 1])
    centres = np.add.reduceat(ordered, starts) / np.diff(np.append(starts, ordered.size))
    return _even_step(np.diff(centres))


def _even_step(steps: Array) -> float:
    """The one step that all are multiples of, else what nine in ten keep within."""
    middle = float(np.median(steps))
    times = np.round(steps / middle)
    if (times >= 1).all() and (np.abs(steps / middle - times) < 0.1).all():
        return _plain(float(steps.sum() / times.sum()), int(times.sum()))
    return float(np.percentile(steps, GAPS_KEPT))


def _plain(step: float, count: int) -> float:
    """The step in four digits, where that is the same within a fiftieth of it over all levels."""
    for digits in (2, 3, 4):
        plain = float(f"{step:.{digits}g}")
        if abs(plain - step) * count < 0.02 * step:
            return plain
    return step


def _filled(x: Array, y: Array, pitch_x: float, pitch_y: float) -> float:
    """Share of the cells of this pitch that hold a point, within the outline of the points."""
    i = np.floor((x - x.min()) / pitch_x + 0.5).astype(np.int64)
    j = np.floor((y - y.min()) / pitch_y + 0.5).astype(np.int64)
    high, wide = int(i.max()) + 1, int(j.max()) + 1
    if high * wide > MOST_CELLS_A_POINT * x.size:
        return 1.0 / MOST_CELLS_A_POINT
    has_point = np.zeros((high, wide), dtype=bool)
    has_point[i, j] = True
    is_within = np.ones_like(has_point)
    for axis in (0, 1):  # from the first to the last point of each row and column
        is_within &= np.logical_or.accumulate(has_point, axis=axis)
        backwards = np.logical_or.accumulate(np.flip(has_point, axis), axis=axis)
        is_within &= np.flip(backwards, axis)
    return float(np.count_nonzero(has_point) / np.count_nonzero(is_within))


def _along_lines(
    along: Array, across: Array, line_step: float, decimals: float
) -> tuple[float, float] | None:
    """Pitch and mean spacing along lines; None where these are not the lines of a scan."""
    line = np.round((across - across.min()) / line_step)
    order = np.lexsort((along, line))
    gaps = np.diff(along[order])[np.diff(line[order]) == 0]
    gaps = gaps[gaps > 0]
    if not gaps.size:
        return None
    pitch = float(np.percentile(gaps, GAPS_KEPT))
    if decimals:
        pitch = max(1.0, round(pitch / decimals)) * decimals
    if pitch > 3 * line_step or _filled(along, across, pitch, line_step) < LINES_FILLED:
        return None
    return pitch, min(pitch, float(gaps.mean()))


def _random(
    x: Array, y: Array, span_x: float, span_y: float, level_x: float, level_y: float
) -> Spacing:
    area = span_x * span_y / x.size
    largest = max(span_x, span_y)
    pitch = max(area**0.5, largest / x.size)
    while True:
        pair = [
            np.ceil(pitch / level - 1e-9) * level if level else float(f"{pitch:.3g}")
            for level in (level_x, level_y)
        ]
        if pitch > largest or _filled(x, y, pair[0], pair[1]) >= RANDOM_FILLED:
            return Spacing(float(pair[0]), float(pair[1]), 0.0, 0.0, area)
        pitch *= 2**0.125


def levels_share(points_mm: Array, *, step_mm: float) -> tuple[float, float]:
    """Share of cells whose points stand on two levels, and the median distance of those, mm.

    points_mm  (n, 3), mm: a compact sample, heights with tilt and bow taken off
    step_mm    the step of the heights where they are quantised: levels nearer than three steps
               are the same

    Two levels: a gap of more than 1 mm and of 0.6 of the range of the heights in the cell, with a
    quarter of the points on either side. Normal noise, were it that large, gives that in less than
    1 % of the cells (by simulation; nearly all of them cells of six or seven points).
    """
    x, y, z = points_mm.T
    area = float(np.ptp(x)) * float(np.ptp(y))
    if z.size < 4 * CELL_POINTS or area <= 0:
        return 0.0, 0.0
    side = max((area * CELL_POINTS / z.size) ** 0.5, float(np.ptp(x)) / z.size)
    side = max(side, float(np.ptp(y)) / z.size)
    i = np.floor((x - x.min()) / side).astype(np.int64)
    j = np.floor((y - y.min()) / side).astype(np.int64)
    cell = i * (int(j.max()) + 1) + j
    order = np.lexsort((z, cell))
    cell, z = cell[order], z[order]
    starts = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    counts = np.diff(np.append(starts, cell.size))
    gaps = []
    tested = 0
    for start, count in zip(starts, counts, strict=True):
        if count < CELL_POINTS // 2:
            continue
        tested += 1
        heights = z[start : start + count]
        steps = np.diff(heights)
        quarter = count // 4
        inner = steps[quarter - 1 : count - quarter]
        gap = float(inner.max())
        if gap > 0.6 * (heights[-1] - heights[0]) and gap > max(APART_MM, 3 * step_mm):
            gaps.append(gap)
    if not tested:
        return 0.0, 0.0
    return len(gaps) / tested, float(np.median(gaps)) if gaps else 0.0


def in_lines(points_mm: Array) -> Array:
    """Heights of a compact sample, each beside its neighbours along x; (n,), mm.

    points_mm   (n, 3), mm
    """
    x, y, z = points_mm.T
    area = float(np.ptp(x)) * float(np.ptp(y))
    step = (area / z.size) ** 0.5
    line = np.round((y - y.min()) / step) if step > 0 else np.zeros_like(y)
    heights: Array = z[np.lexsort((x, line))]
    return heights
