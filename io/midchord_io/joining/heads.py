"""Several heads across the width, joined into one scan.

Each head of a wide scanner has a zero, a tilt about the travel, a gain and a drift of its own:

    height = scale * measured - offset - tilt (y - y0) - drift (x - x0)        mm

with (x0, y0) the middle of the head. They are found from the strips that two heads both see, all
heads together by weighted, robust least squares, or taken from the description where a flat
reference gave them. Differences are all that a strip can tell, so the heads' mean offset, mean
tilt, mean drift and mean (logarithmic) scale are left as they are: with them goes a plane and a
common factor, nothing else.

Corrections are these four numbers for each head. Nothing is ever done to one line: all heads sit
on one frame, so the bounce that they see is the same and stays, and so does the roll wave. A step
that varies along the seam is measured, said, and left. Gauge lines run along x and cross no seam;
what they feel of a join is a gain, or a head out of place along x: both are stated as a share of
the strongest wave, and in mdpt.

In a strip the heads are blended by their distance from their own edges.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import MissingMetadata, SourceConflict, UnevenGrid
from midchord_io.joining.head_fit import (
    LARGEST_SCALE,
    MISPLACED,
    HeadFit,
    HeadScan,
    fit_heads,
)
from midchord_io.joining.head_overlaps import FEWEST_COLUMNS, Shift, Strip, seam_of, shift_of
from midchord_io.lines.line_findings import counted
from midchord_io.lines.line_interpolation import BLOCK_CELLS, resample_lines
from midchord_io.scan import EVENNESS

__all__ = ["ESTIMATED", "HeadScan", "JoinedHeads", "join_heads"]

ESTIMATED = ("offset", "tilt", "drift", "scale")
LARGEST_FACTOR = 1.5
"""Between estimated scales: beyond it something other than a gain is wrong."""

LARGEST_OVERLAP = 0.95
"""Of the narrower of two heads: what is left has no glass of its own."""

LARGEST_STEP_MM = 0.02
"""Left at a seam without a doubt: a third of a roll wave 0.06 mm deep."""

ON_THE_GRID = 0.02
"""Share of a pitch within which a head already lies on the common grid."""

Array = npt.NDArray[np.float64]


class JoinedHeads(NamedTuple):
    """One grid of all heads."""

    height: npt.NDArray[np.float32]
    x_mm: Array
    y_mm: Array
    findings: tuple[Finding, ...]


class _Placed(NamedTuple):
    """A head on the common grid, from this line and column on."""

    x: int
    y: int
    height: npt.NDArray[np.float32]


def join_heads(
    heads: Sequence[HeadScan],
    *,
    estimate: Collection[str] = ESTIMATED,
    register_x: bool = False,
    where: str,
) -> JoinedHeads:
    """One scan of several heads.

    heads       two or more, of one pitch along each axis; in any order
    estimate    which of offset, tilt, drift, scale are found from the strips; others are stated
                or none
    register_x  whether heads are moved along x to where the strips agree
    returns     heights (x, y), mm, NaN where no head measured, and findings
    Raises      UnevenGrid, MissingMetadata, SourceConflict
    """
    heads = sorted(heads, key=lambda head: float(head.y_mm[0]))
    _check_pitches(heads, where)
    _check_beside(heads, where)
    x_mm, y_mm = _common_grid(heads)
    placed = [_place(head, x_mm, y_mm) for head in heads]
    strips = _strips(placed, x_mm, y_mm)
    _check_told(heads, strips, estimate, where)
    shifts = [shift_of(strip) for strip in strips]
    if register_x:
        heads = _moved(heads, strips, shifts)
        x_mm, y_mm = _common_grid(heads)
        placed = [_place(head, x_mm, y_mm) for head in heads]
        strips = _strips(placed, x_mm, y_mm)
    fits, told = fit_heads(heads, strips, estimate=estimate)
    _check_scales(heads, fits, where)
    findings = [told, *_registration(heads, strips, shifts, register_x)]
    findings += [_seam(heads, _corrected_strip(strip, heads, fits)) for strip in strips]
    findings += _gaps(placed, y_mm)
    height = _blend(placed, heads, fits, x_mm, y_mm)
    return JoinedHeads(height, x_mm, y_mm, tuple(findings))


def _check_beside(heads: Sequence[HeadScan], where: str) -> None:
    """Heads that look at one and the same strip are not side by side: a y_mm in another unit."""
    for left, right in itertools.pairwise(heads):
        low = max(float(left.y_mm[0]), float(right.y_mm[0]))
        high = min(float(left.y_mm[-1]), float(right.y_mm[-1]))
        narrower = min(float(np.ptp(head.y_mm)) for head in (left, right))
        if high - low > LARGEST_OVERLAP * narrower:
            raise SourceConflict(
                where,
                found=f"heads {left.name!r} and {right.name!r} that both look at {low:.4g} to "
                f"{high:.4g} mm along y, all of the narrower one",
                needed="heads side by side, each with glass of its own",
                do="check y_mm of the heads and its unit, which is mm",
            )


def _check_scales(heads: Sequence[HeadScan], fits: Sequence[HeadFit], where: str) -> None:
    """A head that a factor sets right is no head of the same unit; none is guessed away."""
    free = [fit.scale for head, fit in zip(heads, fits, strict=True) if head.scale is None]
    ratio = max(free, default=1.0) / min(free, default=1.0)
    stated = [abs(np.log(scale)) for scale in free if len(free) < len(heads)]
    if max(ratio, float(np.exp(max(stated, default=0.0)))) > LARGEST_FACTOR:
        factors = ", ".join(
            f"{head.name!r} {fit.scale:.3g}" for head, fit in zip(heads, fits, strict=True)
        )
        raise SourceConflict(
            where,
            found=f"heads whose heights agree in the overlaps only with factors: {factors}",
            needed="heads in one unit, each where y_mm says",
            do="check the units of the heads and y_mm, or state the scale of each",
        )


def _pitch(places: Array) -> float:
    return float(places[-1] - places[0]) / (places.size - 1)


def _check_pitches(heads: Sequence[HeadScan], where: str) -> None:
    for axis in ("x", "y"):
        pitches = [_pitch(head.x_mm if axis == "x" else head.y_mm) for head in heads]
        if max(pitches) - min(pitches) > EVENNESS * min(pitches):
            raise UnevenGrid(
                where,
                found=f"heads with pitches from {min(pitches):g} to {max(pitches):g} mm along "
                f"{axis}",
                needed="one pitch of all heads",
                do="export the heads at one pitch",
            )


def _common_grid(heads: Sequence[HeadScan]) -> tuple[Array, Array]:
    """Lines and columns that hold all heads; on the samples of the leftmost one."""
    grids = []
    for axis in ("x_mm", "y_mm"):
        own: Array = getattr(heads[0], axis)
        pitch = _pitch(own)
        low = min(float(getattr(head, axis)[0]) for head in heads)
        high = max(float(getattr(head, axis)[-1]) for head in heads)
        before = int((own[0] - low) / pitch + ON_THE_GRID)
        after = int((high - own[0]) / pitch + ON_THE_GRID)
        grids.append(own[0] + pitch * np.arange(-before, after + 1))
    return grids[0], grids[1]


def _place(head: HeadScan, x_mm: Array, y_mm: Array) -> _Placed:
    """A head on the common grid: by whole steps, and by interpolation where those do not do."""
    height, starts = head.height, []
    for axis, (own, grid) in enumerate(((head.x_mm, x_mm), (head.y_mm, y_mm))):
        pitch = _pitch(grid)
        steps = (own[0] - grid[0]) / pitch
        start = round(float(steps))
        if abs(steps - start) > ON_THE_GRID:
            start = int(np.ceil(steps))
            to = grid[start : start + own.size - 1]
            along = resample_lines(
                height if axis == 0 else height.T,
                at_mm=own,
                to_mm=to,
                longest_gap_mm=2.5 * pitch,
            )
            height = along if axis == 0 else np.ascontiguousarray(along.T)
        starts.append(start)
    return _Placed(starts[0], starts[1], height)


def _strips(placed: Sequence[_Placed], x_mm: Array, y_mm: Array) -> list[Strip]:
    """What neighbours both see, uncorrected."""
    strips = []
    for left, (a, b) in enumerate(itertools.pairwise(placed)):
        cuts = []
        for axis in (0, 1):
            low = max(a[axis], b[axis])
            high = min(a[axis] + a.height.shape[axis], b[axis] + b.height.shape[axis])
            cuts.append((low, high))
        (x0, x1), (y0, y1) = cuts
        if x1 - x0 < 2 or y1 - y0 < FEWEST_COLUMNS:
            continue
        of_a, of_b = (p.height[x0 - p.x : x1 - p.x, y0 - p.y : y1 - p.y] for p in (a, b))
        if (np.isfinite(of_a) & np.isfinite(of_b)).any():
            strips.append(Strip(left, left + 1, of_a, of_b, x_mm[x0:x1], y_mm[y0:y1]))
    return strips


def _check_told(
    heads: Sequence[HeadScan], strips: Sequence[Strip], estimate: Collection[str], where: str
) -> None:
    """Without a strip, or where none is to be used, the offsets must be stated."""
    joined = {strip.left for strip in strips} if "offset" in estimate else set()
    for left in range(len(heads) - 1):
        pair = heads[left], heads[left + 1]
        if left in joined or all(
            head.offset_mm is not None and head.tilt_mm_per_m is not None for head in pair
        ):
            continue
        why = "see no glass in common" if "offset" in estimate else "are not to be compared"
        raise MissingMetadata(
            where,
            found=f"heads {pair[0].name!r} and {pair[1].name!r} that {why}",
            needed="an overlap, or offset_mm and tilt_mm_per_m of both from a flat reference",
            do="correct y_mm of the heads, or state their calibration in the source description",
        )


def _moved(
    heads: Sequence[HeadScan], strips: Sequence[Strip], shifts: Sequence[Shift | None]
) -> list[HeadScan]:
    """Heads moved along x, each against the one to its left; the leftmost stays."""
    moved = list(heads)
    for strip, shift in zip(strips, shifts, strict=True):
        if shift is None:
            continue
        for number in range(strip.right, len(heads)):
            moved[number] = replace(moved[number], x_mm=moved[number].x_mm + shift.x_mm)
    return moved


def _corrected(
    values: npt.NDArray[np.float32], x_mm: Array, y_mm: Array, head: HeadScan, fit: HeadFit
) -> npt.NDArray[np.float32]:
    """Heights of a head at (x, y), corrected."""
    across = fit.offset_mm + fit.tilt_mm_per_m / 1000 * (y_mm - head.y_mm.mean())
    along = fit.drift_mm_per_m / 1000 * (x_mm - head.x_mm.mean())
    return np.asarray(fit.scale * values - (across + along[:, None]), dtype=np.float32)


def _corrected_strip(strip: Strip, heads: Sequence[HeadScan], fits: Sequence[HeadFit]) -> Strip:
    both = (
        _corrected(values, strip.x_mm, strip.y_mm, heads[number], fits[number])
        for values, number in ((strip.a, strip.left), (strip.b, strip.right))
    )
    return strip._replace(a=next(both), b=next(both))


def _blend(
    placed: Sequence[_Placed],
    heads: Sequence[HeadScan],
    fits: Sequence[HeadFit],
    x_mm: Array,
    y_mm: Array,
) -> npt.NDArray[np.float32]:
    """All heads on one grid, corrected block by block: no second copy of them is made."""
    shape = x_mm.size, y_mm.size
    out = np.full(shape, np.nan, dtype=np.float32)
    step = max(1, BLOCK_CELLS // shape[1])
    for start in range(0, shape[0], step):
        stop = min(start + step, shape[0])
        total, weight = np.zeros((stop - start, shape[1])), np.zeros((stop - start, shape[1]))
        for part, head, fit in zip(placed, heads, fits, strict=True):
            rows, columns = part.height.shape
            low, high = max(start, part.x), min(stop, part.x + rows)
            if low >= high:
                continue
            values = _corrected(
                part.height[low - part.x : high - part.x],
                x_mm[low:high],
                y_mm[part.y : part.y + columns],
                head,
                fit,
            )
            from_edge = 0.5 + np.minimum(np.arange(columns), np.arange(columns)[::-1])
            is_seen = np.isfinite(values)
            at = slice(low - start, high - start), slice(part.y, part.y + columns)
            total[at] += np.where(is_seen, values * from_edge, 0.0)
            weight[at] += is_seen * from_edge
        np.divide(total, weight, out=out[start:stop], where=weight > 0, casting="unsafe")
    return out


def _pair(heads: Sequence[HeadScan], strip: Strip) -> str:
    return f"heads {heads[strip.left].name!r} and {heads[strip.right].name!r}"


def _registration(
    heads: Sequence[HeadScan],
    strips: Sequence[Strip],
    shifts: Sequence[Shift | None],
    is_applied: bool,
) -> list[Finding]:
    found = []
    for strip, shift in zip(strips, shifts, strict=True):
        pair = _pair(heads, strip)
        if shift is None:
            sentence = f"Whether {pair} are in place along x cannot be told: no wave in common."
            found.append(Finding("heads out of place", 0, sentence))
            continue
        across = "" if shift.y_mm is None else f" and by {shift.y_mm:+.2g} mm along y"
        is_off = abs(shift.x_mm) > max(3 * shift.u_x_mm, 0.1)
        done = "; so moved along x." if is_applied else "; left as stated." if is_off else "."
        is_across = shift.y_mm is not None and abs(shift.y_mm) > _pitch(strip.y_mm)
        if is_across:
            done += " Heads are never moved along y: correct y_mm in the source description."
        figures = {"shift_x_mm": shift.x_mm, "u_shift_x_mm": shift.u_x_mm}
        if shift.y_mm is not None:
            figures["shift_y_mm"] = shift.y_mm
        found.append(
            Finding(
                "heads out of place",
                int(is_off or is_across),
                f"By their overlap, the right one of {pair} agrees best when it is moved by "
                f"{shift.x_mm:+.2g} mm along x{across}{done}",
                figures,
                is_doubt=(is_off and not is_applied) or is_across,
            )
        )
    return found


def _seam(heads: Sequence[HeadScan], strip: Strip) -> Finding:
    seam = seam_of(strip)
    is_step = abs(seam.largest_step_mm) > LARGEST_STEP_MM
    is_doubt = seam.share > 0.02 or is_step
    why = f" {MISPLACED[0].upper()}{MISPLACED[1:]}" if seam.share > LARGEST_SCALE else ""
    if is_step:
        why += " No glass has such a step: check offset_mm and tilt_mm_per_m, or estimate them."
    return Finding(
        "seam",
        1,
        f"Between {_pair(heads, strip)} a step of {_plain(1000 * seam.largest_step_mm)} um at most "
        f"is left along the seam; on the {seam.wavelength_mm:.0f} mm wave the two differ by "
        f"{100 * seam.share:.2g} %, {seam.effect_mdpt:.2g} mdpt (surface convention).{why}",
        {
            "step_mm": seam.step_mm,
            "slope_step_mm_per_m": seam.slope_step_mm_per_m,
            "largest_step_mm": seam.largest_step_mm,
            "wavelength_mm": seam.wavelength_mm,
            "share_of_wave": seam.share,
            "effect_mdpt": seam.effect_mdpt,
        },
        is_doubt=is_doubt,
    )


def _plain(number: float) -> str:
    """Two digits, never as a power of ten."""
    return f"{number:+.0f}" if abs(number) >= 10 else f"{number:+.2g}"


def _gaps(placed: Sequence[_Placed], y_mm: Array) -> list[Finding]:
    seen = np.zeros(y_mm.size, dtype=bool)
    for part in placed:
        seen[part.y : part.y + part.height.shape[1]] = True
    missing = int(np.count_nonzero(~seen))
    if not missing:
        return []
    return [
        Finding(
            "gap between heads",
            missing,
            f"No head looks at {counted(missing, 'column')} between the heads; no heights there.",
            {"columns": float(missing), "width_mm": missing * _pitch(y_mm)},
            is_doubt=True,
        )
    ]
