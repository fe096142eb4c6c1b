"""Three sensor rows, one after the other along the travel: the glass free of conveyor bounce.

While a line is taken, the glass as a whole has risen by b (heave), leans by c along the travel
(pitch) and by r across it (roll). Row k looks X_k further along the glass, so at line i it reads

    m_k(i, y) = z(s_i + X_k, y) + b_i + c_i X_k + r_i y + o_k + t_k y + noise

with its own zero o_k and tilt t_k. Every place of the glass is seen three times, each time with
the glass in another attitude: that separates the two. It is the three-probe method of separating
the straightness of a part from the error of the slide that carries it (from memory; no standard is
quoted), here for whole lines at once: the attitude is the same for every y, so b, c and r of a
line are carried by all its samples.

Solved by least squares for all lines together. The best z for given attitudes is the mean of the
rows that see a place; what is left is a sparse system in b, c, r, o, t. Samples that one row did
not measure are left out of that place's mean, so dropouts need no filling.

**What three rows cannot tell.** z and attitude are confounded where every row sees the same:
a constant, a slope along x (pitch) and across (roll), so heave, pitch and roll are given zero
mean. A zero error of the rows looks like a parabola along x: unless the zero points come from a
flat reference, the pitch is given no trend, and bow along the travel is not told. A twist of the
glass looks like tilts of the rows, so roll is given no trend.

**Noise amplification.** A wave of length L is told by the part of (e^(2 pi i X_k / L))_k that no
b + c X_k makes up; h(L), its length over sqrt(3), goes as 1/L^2 for long waves and is zero at blind
wavelengths (d/n for equal spacings d). Noise of the profile is that of the mean of three rows,
divided by h; with M samples across, the bounce that stays is that noise over sqrt(M). Blind
wavelengths are held by a prior: heave and pitch are of a stated size. In the roll-wave band, where
it would decide a figure, a blind wavelength is refused.

At the two ends, over the distance between the first and the last row, fewer rows share a line,
and part of the bounce stays; it dies out inwards, by some two thirds in that distance. How much is
left everywhere is found by passing motions with the spectra of those found, and noise, through the
same solution.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import EmptyScan, UnevenGrid, UnsupportedScan
from midchord_io.joining.glass_motion import Attitude
from midchord_io.joining.row_agreement import check_rows, misfit_findings
from midchord_io.joining.row_solution import RowSystem
from midchord_io.lines.line_interpolation import BLOCK_CELLS, resample_lines

__all__ = ["BAND_MM", "ThreeRowScan", "grid_for_rows", "separate_rows", "separation_gain"]

BAND_MM = (120.0, 600.0)
"""Wavelengths at which the rows must not be blind: the roll-wave band."""

LEAST_GAIN = 0.03
"""Below it the noise of the bounce grows more than thirty times."""

DOUBTFUL_MM = 0.002
"""Bounce left in the glass that is worth a doubt: 3 % of a wave 0.06 mm deep."""

OFF_GRID_MM = 0.05
"""A row may be taken this far from where it is: 0.1 um on the slope of a deep roll wave."""

Array = npt.NDArray[np.float64]


class ThreeRowScan(NamedTuple):
    """The glass, and how the conveyor moved it."""

    height: npt.NDArray[np.float32]
    """(x, y), mm."""
    x_mm: Array
    attitude: Attitude
    u_bounce_mm: Array
    """(x,), standard uncertainty of what bounce is left in a line of the glass."""
    findings: tuple[Finding, ...]


def separation_gain(wavelength_mm: npt.ArrayLike, row_x_mm: Sequence[float]) -> Array:
    """h(L), from 0 (blind) to 1: how well three rows tell a wave of the glass from bounce."""
    lengths = np.atleast_1d(np.asarray(wavelength_mm, dtype=np.float64))
    seen = np.exp(2j * math.pi * np.asarray(row_x_mm) / lengths[:, None])
    motion = np.stack([np.ones(3), np.asarray(row_x_mm)], axis=1)
    orthogonal, _ = np.linalg.qr(motion)
    rest = seen - (seen @ orthogonal) @ orthogonal.T
    return np.asarray(np.linalg.norm(rest, axis=1) / math.sqrt(3))


def grid_for_rows(pitch_mm: float, row_x_mm: Sequence[float]) -> tuple[float, list[int]]:
    """The pitch nearest to the lines' own on which all rows lie, and where they lie, in steps.

    Raises ValueError where there is none from a fifth coarser to four times as fine
    """
    row_x = np.asarray(row_x_mm)
    longest = float(np.abs(row_x).max())
    best: tuple[float, float] | None = None
    lines = longest / pitch_mm
    for steps in range(max(1, math.floor(lines / 1.2)), math.ceil(4 * lines) + 1):
        pitch = longest / steps
        off = float(np.abs(row_x - np.rint(row_x / pitch) * pitch).max())
        change = abs(math.log(pitch / pitch_mm))
        if off <= OFF_GRID_MM and (best is None or change < best[0]):
            best = change, pitch
    if best is None:
        raise ValueError("no pitch on which all rows lie")
    return best[1], [int(step) for step in np.rint(row_x / best[1])]


def separate_rows(
    rows: Sequence[npt.NDArray[np.float32]],
    *,
    row_x_mm: Sequence[float],
    line_x_mm: Array,
    y_mm: Array,
    offset_mm: Sequence[float] | None = None,
    bounce_mm: float = 1.0,
    shortest_wave_mm: float = 40.0,
    where: str,
) -> ThreeRowScan:
    """Height of the glass from three rows.

    rows       three of (lines, columns), mm, NaN where not measured
    row_x_mm   (3,), how much further along x each row looks than the lines' own place
    line_x_mm  (lines,), even
    y_mm       (columns,)
    offset_mm  zero points of the rows on a flat reference; None: not known
    bounce_mm  size of heave, generously; pitch moves the outer rows by as much
    Raises     EmptyScan, SourceConflict, UnevenGrid, UnsupportedScan
    """
    _check(rows, row_x_mm, line_x_mm, y_mm, where)
    pitch = float(line_x_mm[-1] - line_x_mm[0]) / (line_x_mm.size - 1)
    try:
        grid_pitch, steps = grid_for_rows(pitch, row_x_mm)
    except ValueError as error:
        raise UnevenGrid(
            where,
            found=f"rows at {_listed(row_x_mm)} mm and lines {pitch:g} mm apart",
            needed="a pitch near that of the lines on which all three rows lie",
            do="check x_mm of the rows, or scan at a finer pitch",
        ) from error
    sizes = check_rows(rows, row_x_mm=row_x_mm, pitch_mm=pitch, where=where)
    lines_mm = line_x_mm
    if abs(grid_pitch / pitch - 1) > 1e-9:
        # all rows at the same new moments: the attitude at those is one and the same again
        count = int((line_x_mm[-1] - line_x_mm[0]) / grid_pitch) + 1
        lines_mm = line_x_mm[0] + grid_pitch * np.arange(count)
        rows = [
            resample_lines(row, at_mm=line_x_mm, to_mm=lines_mm, longest_gap_mm=2.5 * pitch)
            for row in rows
        ]
    try:
        system = RowSystem(
            rows,
            steps=steps,
            pitch_mm=grid_pitch,
            y_mm=y_mm,
            offset_mm=offset_mm,
            bounce_mm=bounce_mm,
            shortest_wave_mm=shortest_wave_mm,
        )
    except MemoryError as error:
        raise UnsupportedScan(
            where,
            found=f"{line_x_mm.size} lines {pitch:g} mm apart and rows at {_listed(row_x_mm)} mm",
            needed="fewer lines: bounce between them would not fit into the memory",
            do="say lines.grid_pitch_mm = 1 in the source description",
        ) from error
    try:
        attitude = system.solve()
    except ValueError as error:
        raise EmptyScan(
            where,
            found="three rows that hardly see the same glass",
            needed="glass under all three rows at once, over at least the distance between them",
            do="check x_mm of the rows, and which datasets they are",
        ) from error
    first = min(steps)
    x_mm = lines_mm[0] + grid_pitch * np.arange(first, lines_mm.size + max(steps))
    height = _glass(rows, steps, attitude, y_mm)
    left_mm, is_varied = system.scatter(attitude), _varies(height, system.noise_mm)
    agreement = misfit_findings(left_mm, system.noise_mm, is_varied, where)
    u_bounce_mm = system.left_over()
    seen = np.asarray(np.isfinite(height).any(axis=1))
    findings = _findings(row_x_mm, grid_pitch, system, attitude, u_bounce_mm, seen, offset_mm)
    findings = (*findings, *sizes, *agreement)
    return ThreeRowScan(height, x_mm, attitude, u_bounce_mm, findings)


def _check(
    rows: Sequence[npt.NDArray[np.float32]],
    row_x_mm: Sequence[float],
    line_x_mm: Array,
    y_mm: Array,
    where: str,
) -> None:
    shapes = {row.shape for row in rows}
    if len(rows) != 3 or shapes != {(line_x_mm.size, y_mm.size)}:
        raise UnsupportedScan(
            where,
            found=f"rows of shapes {', '.join(str(row.shape) for row in rows)}",
            needed="three rows with the same lines and columns",
            do="check which datasets the rows are",
        )
    reach = max(row_x_mm) - min(row_x_mm)
    length = float(line_x_mm[-1] - line_x_mm[0])
    if length < 3 * reach:
        raise UnsupportedScan(
            where,
            found=f"rows over {reach:g} mm and a scan of {length:.0f} mm",
            needed="a scan at least three times as long as the rows are apart",
            do="check x_mm of the rows and the positions of the lines",
        )
    lengths = np.geomspace(*BAND_MM, 400)
    gain = separation_gain(lengths, row_x_mm)
    if gain.min() < LEAST_GAIN:
        raise UnsupportedScan(
            where,
            found=f"rows at {_listed(row_x_mm)} mm, which cannot tell a wave of "
            f"{lengths[np.argmin(gain)]:.0f} mm from bounce",
            needed=f"rows that see all waves from {BAND_MM[0]:.0f} to {BAND_MM[1]:.0f} mm",
            do="move the rows: unequal distances below the shortest wave see them all",
        )


def _glass(
    rows: Sequence[npt.NDArray[np.float32]],
    steps: Sequence[int],
    attitude: Attitude,
    y_mm: Array,
) -> npt.NDArray[np.float32]:
    """Mean over the rows that see a place, each less its attitude."""
    lines, columns = rows[0].shape
    first, count = min(steps), lines + max(steps) - min(steps)
    out = np.full((count, columns), np.nan, dtype=np.float32)
    block = max(1, BLOCK_CELLS // columns)
    for start in range(0, count, block):
        stop = min(start + block, count)
        total, number = np.zeros((stop - start, columns)), np.zeros((stop - start, columns))
        for k, (row, step) in enumerate(zip(rows, steps, strict=True)):
            low, high = max(0, start + first - step), min(lines, stop + first - step)
            if low >= high:
                continue
            values = row[low:high] - attitude.seen_by(k, slice(low, high), y_mm)
            at = slice(low - first + step - start, high - first + step - start)
            is_seen = np.isfinite(values)
            total[at] += np.where(is_seen, values, 0.0)
            number[at] += is_seen
        np.divide(total, number, out=out[start:stop], where=number > 0, casting="unsafe")
    return out


def _varies(height: npt.NDArray[np.float32], noise_mm: float) -> bool:
    """Whether the glass varies across, a tilt and a common form apart, clearly beyond the noise."""
    some = height[:: max(1, height.shape[0] // 200)].astype(np.float64)
    some = some[np.isfinite(some).mean(axis=1) > 0.8]
    some = some[:, np.isfinite(some).all(axis=0)]
    if some.shape[0] < 10 or some.shape[1] < 5:
        return False
    across = np.linspace(-1, 1, some.shape[1])
    rest = some - some.mean(axis=0)
    rest -= np.polynomial.legendre.legval(
        across, np.polynomial.legendre.legfit(across, rest.T, 1)
    )
    return bool(np.std(rest) > 2 * noise_mm)


def _findings(
    row_x_mm: Sequence[float],
    pitch_mm: float,
    system: RowSystem,
    attitude: Attitude,
    u_bounce_mm: Array,
    is_seen: npt.NDArray[np.bool_],
    offset_mm: Sequence[float] | None,
) -> tuple[Finding, ...]:
    lengths = np.geomspace(*BAND_MM, 400)
    gain = separation_gain(lengths, row_x_mm)
    reach = max(row_x_mm) - min(row_x_mm)
    glass = np.flatnonzero(is_seen)
    u_glass = u_bounce_mm[glass[0] : glass[-1] + 1]
    from_end = pitch_mm * np.minimum(np.arange(u_glass.size), np.arange(u_glass.size)[::-1])
    doubtful = from_end[u_glass > DOUBTFUL_MM]
    end = float(doubtful.max()) if doubtful.size else 0.0
    inside = from_end >= min(2 * reach, float(from_end.max()) / 2)
    left, at_ends = _rms(u_glass[inside]), _rms(u_glass[from_end < reach])
    motion = attitude.heave_mm, attitude.pitch, attitude.roll
    rms = [_wander(series[system.is_told]) for series in motion]
    heave, lean, roll = rms[0], rms[1] * reach, rms[2] * system.half_width_mm
    blind = _blind_mm(row_x_mm, pitch_mm)
    found = [
        Finding(
            "conveyor bounce",
            attitude.heave_mm.size,
            f"Three sensor rows told the glass from the conveyor: it heaved by "
            f"{1000 * heave:.3g} um, pitched by {1000 * lean:.3g} um over the rows and rolled by "
            f"{1000 * roll:.3g} um at the side edges (rms); {1000 * left:.2g} um of it is "
            "left away from the ends.",
            {
                "heave_rms_mm": heave,
                "pitch_rms_mm": lean,
                "roll_rms_mm": roll,
                "left_rms_mm": left,
                "noise_mm": system.noise_mm,
            },
        ),
        Finding(
            "noise of the separation",
            1,
            f"Noise common to a line grows {1 / gain.max():.1f} to {1 / gain.min():.1f} times on "
            f"waves of {BAND_MM[0]:.0f} to {BAND_MM[1]:.0f} mm (most at "
            f"{lengths[np.argmin(gain)]:.0f} mm)"
            + (f"; the rows are blind to waves of {', '.join(f'{b:.3g}' for b in blind)} mm."
               if blind else "."),
            {
                "least_amplification": 1 / float(gain.max()),
                "largest_amplification": 1 / float(gain.min()),
                "largest_at_mm": float(lengths[np.argmin(gain)]),
                "u_line_mm": system.noise_mm / math.sqrt(3 * system.samples_a_line),
            },
        ),
        Finding(
            "ends of a three-row scan",
            2,
            f"Over {reach:.0f} mm at both ends fewer rows share a line, and {1000 * at_ends:.2g} "
            f"um of the bounce is left there; more than {1000 * DOUBTFUL_MM:.0f} um is left up to "
            f"{end:.0f} mm from an end.",
            {"left_rms_mm": at_ends, "reach_mm": reach, "doubtful_up_to_mm": end},
            is_doubt=end > 0,
        ),
    ]
    if offset_mm is None:
        found.append(
            Finding(
                "zero points of the rows",
                1,
                "The zero points of the three rows are not stated, so bow along the travel is not "
                "told: it is set by a conveyor whose pitch has no trend. Roll waves are not "
                "touched by it.",
                {"row_zero_mm": float(attitude.row_offset_mm[1])},
                is_doubt=True,
            )
        )
    return tuple(found)


def _rms(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else 0.0


def _wander(series: Array) -> float:
    """Standard deviation about the trend, which nothing tells."""
    place = np.linspace(-1, 1, series.size)
    fit = np.polynomial.legendre.legfit(place, series, 2)
    return float(np.std(series - np.polynomial.legendre.legval(place, fit)))


def _listed(row_x_mm: Sequence[float]) -> str:
    return ", ".join(f"{x:g}" for x in row_x_mm)


def _blind_mm(row_x_mm: Sequence[float], pitch_mm: float) -> list[float]:
    """Wavelengths from four pitches to the band that the rows hardly tell, longest first."""
    shortest = max(4 * pitch_mm, 20.0)
    lengths = 1 / np.linspace(1 / BAND_MM[0], 1 / shortest, 4000)
    gain = separation_gain(lengths, row_x_mm)
    is_low = (gain[1:-1] < LEAST_GAIN) & (gain[1:-1] <= gain[:-2]) & (gain[1:-1] < gain[2:])
    return [float(length) for length in lengths[1:-1][is_low][:5]]
