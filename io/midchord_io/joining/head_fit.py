"""Offset, tilt, drift and scale of each head, from the strips or as stated.

For a cell of a strip at (x, y), after the scales, the left head minus the right one is

    d = o_a - o_b + t_a (y - y_a) - t_b (y - y_b) + u_a (x - x_a) - u_b (x - x_b) + noise

one linear equation in the heads' offsets o, tilts t and drifts u. All block medians of all strips
are solved together by weighted least squares, with Huber weights against blocks that are off
(glare, an edge); stated values go to the right-hand side. What strips cannot tell, the plane that
all heads share, is fixed by mean values of zero.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.joining.head_overlaps import Strip, difference_blocks, gain_of, shift_of

__all__ = ["LARGEST_SCALE", "MISPLACED", "HeadFit", "HeadScan", "fit_heads"]

HUBER = 1.5
FEWEST_FOR_TILT = 3
MEAN_IS_ZERO = 1e-4
"""Weight of that condition beside the data: it decides only what they leave open."""

Array = npt.NDArray[np.float64]

LARGEST_SCALE = 0.05
"""Off 1: sensors of one kind agree far better as they come (common practice, no source)."""
MISPLACED = "a wrong y_mm, or reversed missing or too much?"


@dataclass(frozen=True)
class HeadScan:
    """One head: heights on its own even grid in the frame, and what is stated of it."""

    name: str
    height: npt.NDArray[np.float32]
    """(x, y), mm, NaN where not measured."""
    x_mm: Array
    y_mm: Array
    datum_mm: float = 0.0
    """Taken off the heights; a stated scale is one of the whole measured height."""
    offset_mm: float | None = None
    tilt_mm_per_m: float | None = None
    scale: float | None = None


class HeadFit(NamedTuple):
    """Corrections of one head, about its middle; heights less their datum."""

    offset_mm: float
    tilt_mm_per_m: float
    drift_mm_per_m: float
    scale: float


def fit_heads(
    heads: Sequence[HeadScan], strips: Sequence[Strip], *, estimate: Collection[str]
) -> tuple[list[HeadFit], Finding]:
    """The corrections of all heads, and what they are in words.

    heads, strips  as placed, uncorrected; strips name heads by their number
    estimate       which of offset, tilt, drift, scale the strips decide where nothing is stated
    """
    scales, u_scale = _scales(heads, strips, estimate)
    stated: dict[str, list[float | None]] = {
        "offset": [
            None if head.offset_mm is None else head.offset_mm + (1 - scale) * head.datum_mm
            for head, scale in zip(heads, scales, strict=True)
        ],
        "tilt": [
            None if head.tilt_mm_per_m is None else head.tilt_mm_per_m / 1000 for head in heads
        ],
        "drift": [None] * len(heads),
    }
    is_narrow = any(strip.y_mm.size < FEWEST_FOR_TILT for strip in strips)
    for key, values in stated.items():
        if key not in estimate or not strips or (key == "tilt" and is_narrow):
            stated[key] = [0.0 if value is None else value for value in values]
    middles = [_middle(head) for head in heads]
    if any(value is None for values in stated.values() for value in values):
        # scaled about the head's own middle, so that offsets stay those of the heights
        fixed, u_mm = _linear(heads, strips, scales, middles, stated)
    else:
        fixed, u_mm = {key: [v or 0.0 for v in values] for key, values in stated.items()}, 0.0
    fits = [
        HeadFit(
            fixed["offset"][number]
            + (0.0 if head.offset_mm is not None else (scales[number] - 1) * middles[number]),
            1000 * fixed["tilt"][number],
            1000 * fixed["drift"][number],
            scales[number],
        )
        for number, head in enumerate(heads)
    ]
    return fits, _finding(heads, fits, middles, u_mm, u_scale, bool(strips), is_narrow)


def _middle(head: HeadScan) -> float:
    some = head.height[:: max(1, head.height.shape[0] // 200)]
    some = some[np.isfinite(some)]
    return float(np.median(some)) if some.size else 0.0


def _scales(
    heads: Sequence[HeadScan], strips: Sequence[Strip], estimate: Collection[str]
) -> tuple[list[float], float]:
    """Scale of each head, and the largest standard uncertainty of a ratio (0: none estimated)."""
    known = [None if head.scale is None else float(np.log(head.scale)) for head in heads]
    rows, right, largest = [], [], 0.0
    for strip in strips if "scale" in estimate else ():
        gain = gain_of(strip, shift_of(strip))
        if gain is None:
            continue
        # the scale undoes the gain: ln s_a - ln s_b = ln (gain of b / gain of a)
        row, value = np.zeros(len(heads)), gain.log_ratio
        for number, sign in ((strip.left, 1.0), (strip.right, -1.0)):
            if (log := known[number]) is None:
                row[number] = sign
            else:
                value -= sign * log
        weight = 1 / max(gain.u, 1e-6)
        if row.any():
            rows.append(weight * row)
            right.append(weight * value)
            largest = max(largest, gain.u)
    free = [log is None for log in known]
    if rows:
        rows.append(MEAN_IS_ZERO * np.array(free, dtype=np.float64))
        right.append(0.0)
        logs = np.linalg.lstsq(np.array(rows), np.array(right), rcond=1e-12)[0]
    else:
        logs = np.zeros(len(heads))
    scales = [float(np.exp(logs[n] if log is None else log)) for n, log in enumerate(known)]
    return scales, largest


def _linear(
    heads: Sequence[HeadScan],
    strips: Sequence[Strip],
    scales: Sequence[float],
    middles: Sequence[float],
    stated: dict[str, list[float | None]],
) -> tuple[dict[str, list[float]], float]:
    """Offsets, tilts (mm/mm) and drifts (mm/mm), and the largest uncertainty of an offset."""
    count = len(heads)
    rows, right, weights = [], [], []
    for strip in strips:
        blocks = difference_blocks(_scaled(strip, heads, scales, middles))
        row = np.zeros((blocks.x_mm.size, 3 * count))
        for number, sign in ((strip.left, 1.0), (strip.right, -1.0)):
            row[:, number] = sign
            row[:, count + number] = sign * (blocks.y_mm - heads[number].y_mm.mean())
            row[:, 2 * count + number] = sign * (blocks.x_mm - heads[number].x_mm.mean())
        rows.append(row)
        right.append(blocks.difference_mm)
        weights.append(blocks.weight)
    matrix, difference = np.concatenate(rows), np.concatenate(right)
    weight = np.sqrt(np.concatenate(weights))
    values = [value for key in ("offset", "tilt", "drift") for value in stated[key]]
    is_free = np.array([value is None for value in values])
    fixed = np.array([value or 0.0 for value in values])
    difference = difference - matrix @ fixed
    scale = np.sqrt((matrix**2).sum(axis=0))  # columns of one size: mm and mm/mm are far apart
    scale = np.where(is_free & (scale > 0), scale, 1.0)
    means = np.zeros((3, 3 * count))
    for kind in range(3):
        part = slice(kind * count, (kind + 1) * count)
        means[kind, part] = is_free[part] * scale[part].max()
    huber = np.ones(difference.size)
    for _ in range(6):
        w = weight * np.sqrt(huber)
        a = np.concatenate([matrix * w[:, None], MEAN_IS_ZERO * means * w.mean()]) / scale
        b = np.concatenate([difference * w, np.zeros(3)])
        found = np.linalg.lstsq(a[:, is_free], b, rcond=1e-12)[0] / scale[is_free]
        rest = difference - matrix[:, is_free] @ found
        sigma = 1.4826 * float(np.median(np.abs(rest))) + 1e-12
        huber = np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(rest), 1e-300))
    # without what nothing tells
    inverse = np.linalg.pinv(a[:, is_free].T @ a[:, is_free], rcond=1e-6)
    noise = float(((rest * w) ** 2).sum()) / max(1, difference.size - found.size)
    u = np.sqrt(np.diag(inverse) * noise) / scale[is_free]
    solved = fixed.copy()
    solved[is_free] = found
    parts = {
        key: solved[kind * count : (kind + 1) * count].tolist()
        for kind, key in enumerate(("offset", "tilt", "drift"))
    }
    offsets = is_free[:count]
    return parts, float(u[: int(offsets.sum())].max()) if offsets.any() else 0.0


def _scaled(
    strip: Strip, heads: Sequence[HeadScan], scales: Sequence[float], middles: Sequence[float]
) -> Strip:
    both = []
    for values, number in ((strip.a, strip.left), (strip.b, strip.right)):
        about = 0.0 if heads[number].offset_mm is not None else middles[number]
        scaled = scales[number] * (values - np.float32(about)) + about
        both.append(scaled.astype(np.float32))
    return strip._replace(a=both[0], b=both[1])


def _finding(
    heads: Sequence[HeadScan],
    fits: Sequence[HeadFit],
    middles: Sequence[float],
    u_mm: float,
    u_scale: float,
    has_strips: bool,
    is_narrow: bool,
) -> Finding:
    figures: dict[str, float] = {}
    offsets = []
    for head, fit, middle in zip(heads, fits, middles, strict=True):
        # as felt at the head's own heights, whatever the scale is counted from
        offset = fit.offset_mm - (fit.scale - 1) * middle
        offsets.append(offset)
        figures |= {
            f"{head.name}_offset_mm": offset,
            f"{head.name}_tilt_mm_per_m": fit.tilt_mm_per_m,
            f"{head.name}_drift_mm_per_m": fit.drift_mm_per_m,
            f"{head.name}_scale": fit.scale,
        }
    figures |= {"u_offset_mm": u_mm, "u_scale": u_scale}
    source = "from their overlaps" if has_strips else "as stated"
    far = max(abs(fit.scale - 1) for fit in fits)
    sentence = (
        f"{len(heads)} heads were joined {source}: offsets up to {max(map(abs, offsets)):.3g} mm, "
        f"tilts up to {max(abs(fit.tilt_mm_per_m) for fit in fits):.3g} mm/m, scales up to "
        f"{100 * far:.2g} % off 1."
    )
    is_far = any(
        head.scale is None and abs(fit.scale - 1) > LARGEST_SCALE
        for head, fit in zip(heads, fits, strict=True)
    )
    if is_far:
        sentence += f" No two heads differ so much: {MISPLACED}"
    if is_narrow:
        sentence += " The overlaps are too narrow to tell tilts."
    if not has_strips:
        sentence += " There is no overlap to check them by."
    is_doubt = is_narrow or is_far or not has_strips
    return Finding("heads", len(heads), sentence, figures, is_doubt)
