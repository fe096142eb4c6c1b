"""Scan lines as a conveyor delivers them, put on an even grid along x.

A line scanner takes its lines one after the other while the glass goes by, and each line lies
where the glass was at that moment: by an encoder, or by its time and the speed. Encoders miss
ticks, drives slow down and stop, a stopped conveyor creeps back, buffers are sent twice. Nothing
of that is a fault of the glass, so it is taken out here, by what is known of the positions alone;
no height is ever compared with a model of the glass.

In this order:

1. lines without a position take one between their neighbours where those go on at the same rate;
2. lines out of order (a creep backwards, a garbled position) are left out: what remains is the
   longest sequence of lines that never goes back;
3. with times, the slips of the encoder are mended (:mod:`midchord_io.lines.encoder_slip`);
4. a line stored twice is used once; lines taken at a standstill become one, their median;
5. the lines are interpolated to an even pitch (:mod:`midchord_io.lines.line_interpolation`), the
   median step unless another is stated. A gap wider than the longest one stays without heights.

Each case is counted in a :class:`~midchord_io.acquisition.Finding`. Positions that do not support
a grid are refused: one that is wrong shows waves of a wrong length, and nothing later sees it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import SourceConflict, UnevenGrid
from midchord_io.lines.copied_lines import copied_lines
from midchord_io.lines.encoder_slip import mend_slip, no_times
from midchord_io.lines.line_findings import LineCounts, line_findings
from midchord_io.lines.line_interpolation import BLOCK_CELLS, resample_lines
from midchord_io.lines.line_order import (
    FEWEST_LINES,
    median_step,
    never_back,
    with_missing,
    without_stray_ends,
)
from midchord_io.lines.line_speed import check_speed
from midchord_io.scan import EVENNESS, even_pitch_mm

__all__ = [
    "LARGEST_ACCELERATION_MM_PER_S2",
    "LONGEST_GAP_MM",
    "LinePlan",
    "even_lines",
    "is_even",
    "measured_length_mm",
    "plan_lines",
    "travelled_mm",
]

LONGEST_GAP_MM = 5.0
"""Bridged unless stated otherwise: a 120 mm wave is followed to 0.01 %."""

LARGEST_ACCELERATION_MM_PER_S2 = 2000.0
"""A fifth of gravity: glass slides on its rollers before it (common practice, no source)."""

MISSED = 1.75
"""Steps of more pitches than this have a line missing between them."""

ONE_PLACE = (0.25, 0.5)
"""Lines closer than the first, as a share of the pitch, and within the second are of one place."""

LARGEST_SHARE = {"odd": 0.05, "creep": 0.2, "gaps": 0.5}
"""Of lines with garbled positions, of the length gone backwards, of the length without lines:
beyond it the positions are not those of the lines."""

MOST_AT_ONE_PLACE = 101

LARGEST_PLACE_MM = 1e8
"""100 km: an encoder that counts on from lite to lite stays below it. Beyond it no place is known
to a nanometre, and it is garbled."""

LARGEST_GROWTH = 3
"""Lines of the grid for each line that was taken, at most."""

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class LinePlan:
    """Which stored lines make the even grid."""

    x_mm: Array
    """(n,), the even grid."""
    node_mm: Array
    """(nodes,), where there are heights, strictly ascending."""
    lines: Indices
    """(m,), lines that are used, in order of their place."""
    first: Indices
    """(nodes,), where the lines of each node start in ``lines``."""
    longest_gap_mm: float
    findings: tuple[Finding, ...]
    is_as_stored: bool = False
    """Whether the lines already are that grid."""


def is_even(positions_mm: Array) -> bool:
    """Whether positions already are a grid by the scan contract."""
    if positions_mm.size < 2 or not np.isfinite(positions_mm).all():
        return False
    with np.errstate(over="ignore"):
        steps = np.diff(positions_mm)
    pitch = float(steps.mean())
    return pitch > 0 and bool((np.abs(steps - pitch) <= EVENNESS * pitch).all())


def travelled_mm(times_s: Array, speed_mm_per_s: Array | float) -> Array:
    """Way of the glass at each line, mm from the first: the integral of the speed (trapezoids)."""
    speed = np.broadcast_to(np.asarray(speed_mm_per_s, dtype=np.float64), times_s.shape)
    with np.errstate(over="ignore", invalid="ignore"):  # garbled places are refused later
        steps = (speed[1:] + speed[:-1]) / 2 * np.diff(times_s)
        return np.concatenate([[0.0], np.cumsum(steps)])


def plan_lines(
    positions_mm: Array,
    height: npt.NDArray[Any],
    *,
    times_s: Array | None = None,
    is_counted: bool = True,
    longest_gap_mm: float = LONGEST_GAP_MM,
    grid_pitch_mm: float | None = None,
    largest_acceleration_mm_per_s2: float = LARGEST_ACCELERATION_MM_PER_S2,
    where: str,
) -> LinePlan:
    """How stored lines become an even grid.

    positions_mm  (lines,), in the order of scanning; NaN where a line has none
    height        (lines, columns), mm, as stored: only asked which lines are copies
    times_s       (lines,), not descending; they show encoder slip
    is_counted    whether the positions are an encoder's, which may slip
    Raises        UnevenGrid, SourceConflict
    """
    with np.errstate(invalid="ignore"):
        is_place = np.abs(positions_mm) <= LARGEST_PLACE_MM
    positions_mm = np.where(is_place, positions_mm, np.nan)
    _check_usable(positions_mm, where)
    counts = LineCounts(lines=positions_mm.size)
    positions = with_missing(positions_mm, times_s, counts)
    lines = np.flatnonzero(np.isfinite(positions))
    lines = lines[never_back(positions[lines])]
    if lines.size < FEWEST_LINES:
        raise UnevenGrid(
            where,
            found=f"{lines.size} of {positions.size} lines in order along x",
            needed="positions that follow the travel",
            do="check the encoder, and the dataset that positions.x names",
        )
    lines = without_stray_ends(positions, lines)
    if times_s is not None:
        check_speed(positions[lines], times_s[lines], where)
    pitch = median_step(positions[lines], where)
    is_copy = copied_lines(height)
    _count_left_out(positions, lines, height, pitch, counts, where)
    slips: tuple[Finding, ...] = ()
    if is_counted and times_s is not None:
        positions, slip = _without_slip(
            positions, times_s, lines, largest_acceleration_mm_per_s2
        )
        slips = (slip,)
    elif is_counted:
        slips = (no_times(),)
    # a copy tells nothing new, wherever the encoder had got to when it was sent
    keeps = ~is_copy[lines]
    keeps[0] = True
    counts.copied += int(np.count_nonzero(~keeps))
    lines = lines[keeps]
    pitch = median_step(positions[lines], where)
    node_mm, first = _nodes(positions[lines], pitch)
    _count_standstills(node_mm, first, lines.size, counts)
    if grid_pitch_mm is not None and grid_pitch_mm < 0.9 * pitch:
        raise SourceConflict(
            where,
            found=f"lines.grid_pitch_mm = {grid_pitch_mm:g} in the source description, but lines "
            f"{pitch:.3g} mm apart",
            needed="a grid no finer than the lines",
            do="take lines.grid_pitch_mm out, or make it larger",
        )
    if grid_pitch_mm is None and node_mm.size == positions.size and is_even(node_mm):
        mended = line_findings(counts, pitch, 0.0)[1:]  # all but that they were uneven
        return LinePlan(node_mm, node_mm, lines, first, 0.0, (*mended, *slips), is_as_stored=True)
    grid_pitch = grid_pitch_mm or pitch
    gap = max(longest_gap_mm, MISSED * pitch)
    _count_gaps(node_mm, pitch, gap, counts, where)
    count = int((node_mm[-1] - node_mm[0]) / grid_pitch) + 1
    if count > LARGEST_GROWTH * positions.size:
        raise UnevenGrid(
            where,
            found=f"{positions.size} lines over {node_mm[-1] - node_mm[0]:.0f} mm, most of them "
            f"{pitch:.3g} mm apart",
            needed="lines along the whole of the scan",
            do="check the encoder, and the dataset that positions.x names",
        )
    x_mm = node_mm[0] + grid_pitch * np.arange(count)
    even_pitch_mm(x_mm, axis="x", where=where)
    found = line_findings(counts, grid_pitch, gap)
    if grid_pitch_mm is None and is_even(node_mm):  # lines were left out, none was interpolated
        found = found[1:]
    findings = (*found, *slips)
    return LinePlan(x_mm, node_mm, lines, first, gap, findings)


def even_lines(height: npt.NDArray[Any], plan: LinePlan) -> npt.NDArray[np.float32]:
    """Heights on the even grid of a plan.

    height   (lines, columns), mm, in the order of scanning
    returns  (n, columns) at ``plan.x_mm``, mm, NaN in wide gaps
    """
    out = np.empty((plan.x_mm.size, height.shape[1]), dtype=np.float32)
    step = max(1, BLOCK_CELLS // max(1, height.shape[1]))
    for start in range(0, plan.x_mm.size, step):
        x_mm = plan.x_mm[start : start + step]
        low = max(0, int(np.searchsorted(plan.node_mm, x_mm[0], side="right")) - 3)
        high = min(plan.node_mm.size, int(np.searchsorted(plan.node_mm, x_mm[-1])) + 3)
        out[start : start + step] = resample_lines(
            _node_heights(height, plan, low, high),
            at_mm=plan.node_mm[low:high],
            to_mm=x_mm,
            longest_gap_mm=plan.longest_gap_mm,
        )
    return out


def measured_length_mm(height: npt.NDArray[Any], x_mm: Array) -> float | None:
    """Length of the glass along x, the median of its columns; None where it has no end within the
    scan, or what is beside it is seen.

    height  (x, y), mm, NaN where not measured
    x_mm    (x,), even
    """
    some = np.isfinite(height[:, :: max(1, height.shape[1] // 200)])
    some = some[:, 2 * some.sum(axis=0) > some.shape[0] // 2]
    if not some.shape[1]:
        return None
    first = np.argmax(some, axis=0)
    last = some.shape[0] - 1 - np.argmax(some[::-1], axis=0)
    if np.median(first) == 0 or np.median(last) == some.shape[0] - 1:
        return None
    pitch = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    return float(np.median(last - first + 1)) * pitch


def _check_usable(positions: Array, where: str) -> None:
    """Few lines, or lines that run against the axis, are refused as any other positions are."""
    known = positions[np.isfinite(positions)]
    some = max(1, known.size // 10)
    runs_back = known.size and np.median(known[-some:]) < np.median(known[:some])
    if positions.size < FEWEST_LINES or known.size < FEWEST_LINES or runs_back:
        even_pitch_mm(positions, axis="x", where=where)
    if known.size < positions.size / 2:
        raise UnevenGrid(
            where,
            found=f"{positions.size - known.size} of {positions.size} lines without a position",
            needed="positions of most lines along x",
            do="check the encoder, and the dataset that positions.x names",
        )


def _count_left_out(
    positions: Array,
    lines: Indices,
    height: npt.NDArray[Any],
    pitch: float,
    counts: LineCounts,
    where: str,
) -> None:
    """What the lines out of order are: copies, a creep, or garbled. Refuses too many."""
    is_left = np.isfinite(positions)
    is_left[lines] = False
    left = np.flatnonzero(is_left)
    for run in np.split(left, np.flatnonzero(np.diff(left) > 3) + 1) if left.size else []:
        around = positions[max(0, run[0] - 1) : run[-1] + 2]
        around = around[np.isfinite(around)]
        back = float((np.maximum.accumulate(around) - around).max(initial=0.0))
        twins = lines[np.clip(np.searchsorted(positions[lines], positions[run]), 0, lines.size - 1)]
        same = (height[run] == height[twins]) | np.isnan(height[run])
        if (positions[run] == positions[twins]).all() and same.all():
            counts.copied += run.size
        elif np.abs(np.diff(around)).max(initial=0.0) > 5 * pitch:
            counts.odd += run.size
        elif back > 0.5 * pitch:
            counts.crept += run.size
            counts.creeps += 1
            counts.longest_creep_mm = max(counts.longest_creep_mm, back)
            counts.creep_mm += back
        else:
            counts.standing += run.size
    length = float(positions[lines[-1]] - positions[lines[0]])
    is_wild = counts.odd > LARGEST_SHARE["odd"] * positions.size
    if is_wild or counts.creep_mm > LARGEST_SHARE["creep"] * length:
        raise UnevenGrid(
            where,
            found=f"{counts.odd} of {positions.size} lines with positions far out of order along x"
            if is_wild
            else f"lines that go back by {counts.creep_mm:.0f} mm of {length:.0f} mm along x",
            needed="positions that follow the travel",
            do="check the encoder, and the dataset that positions.x names",
        )


def _without_slip(
    positions: Array, times: Array, lines: Indices, largest_acceleration: float
) -> tuple[Array, Finding]:
    later = np.concatenate([[True], np.diff(times[lines]) > 0])
    timed = lines[later]
    slip = mend_slip(
        positions[timed],
        times[timed],
        largest_acceleration_mm_per_s2=largest_acceleration,
    )
    moved = np.interp(lines, timed, slip.positions_mm - positions[timed])
    mended = positions.copy()
    mended[lines] = np.maximum.accumulate(positions[lines] + moved)
    return mended, slip.finding


def _nodes(positions: Array, pitch: float) -> tuple[Array, Indices]:
    """Places of the grid to come: lines that lie at one place are one node."""
    near, within = ONE_PLACE[0] * pitch, ONE_PLACE[1] * pitch
    first = [0]
    for number, (before, here) in enumerate(itertools.pairwise(positions), 1):
        if here - before >= near or here - positions[first[-1]] >= within:
            first.append(number)
    starts = np.array(first, dtype=np.intp)
    sizes = np.diff(np.append(starts, positions.size))
    return np.add.reduceat(positions, starts) / sizes, starts


def _count_standstills(
    node_mm: Array, first: Indices, lines: int, counts: LineCounts
) -> None:
    sizes = np.diff(np.append(first, lines))
    is_stop = sizes >= 5
    counts.stops = int(np.count_nonzero(is_stop[1:] & ~is_stop[:-1])) + int(is_stop[0])
    counts.stopped = int(sizes[is_stop].sum())
    counts.shared = int(sizes[(sizes > 1) & ~is_stop].sum())


def _count_gaps(
    node_mm: Array, pitch: float, gap_mm: float, counts: LineCounts, where: str
) -> None:
    steps = np.diff(node_mm)
    length = float(node_mm[-1] - node_mm[0])
    is_bridged = (steps > MISSED * pitch) & (steps <= gap_mm)
    is_open = steps > gap_mm
    counts.bridged = int(np.rint(steps[is_bridged] / pitch - 1).sum())
    counts.widest_bridge_mm = float(steps[is_bridged].max(initial=0.0))
    counts.gaps = int(np.count_nonzero(is_open))
    counts.gap_share = float((steps[is_open] - pitch).sum()) / length
    counts.smallest_step_mm, counts.largest_step_mm = float(steps.min()), float(steps.max())
    if counts.gap_share > LARGEST_SHARE["gaps"]:
        raise UnevenGrid(
            where,
            found=f"gaps between the lines over {100 * counts.gap_share:.0f} % of the length",
            needed=f"lines no further apart than {gap_mm:.3g} mm over most of it",
            do="check the encoder, or state a longer lines.longest_gap_mm if the pitch is coarse",
        )


def _node_heights(
    height: npt.NDArray[Any], plan: LinePlan, low: int, high: int
) -> npt.NDArray[Any]:
    """Heights of the nodes low to high; of several lines their median, column by column."""
    first = plan.first[low:high]
    sizes = np.diff(np.append(plan.first, plan.lines.size))[low:high]
    nodes = height[plan.lines[first]]
    for number in np.flatnonzero(sizes > 1):
        members = plan.lines[first[number] : first[number] + sizes[number]]
        members = members[:: -(-members.size // MOST_AT_ONE_PLACE)]
        several = height[members]
        is_seen = np.isfinite(several).any(axis=0)
        nodes[number, is_seen] = np.nanmedian(several[:, is_seen], axis=0)
    return nodes
