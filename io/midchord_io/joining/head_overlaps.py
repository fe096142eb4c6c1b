"""What two heads say of the same glass: the strip that both of them see.

All figures are of a pair, the left head minus the right one:

difference     block medians over BLOCK_MM along x, column by column: offset, tilt and drift
gain           how much more the right head makes of a wave than the left one: the slope of a line
               fitted with errors on both sides (Deming, equal noise), because an ordinary
               regression would take the noise of one head for a smaller gain
shift          how far the right head must be moved along x, and y, to agree best
seam           what is left after joining

Profiles along x are means over the strip; polynomials of the third order are taken out of them,
so that drift and bow decide neither gain nor shift.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "BLOCK_MM",
    "FEWEST_COLUMNS",
    "Blocks",
    "Gain",
    "Seam",
    "Shift",
    "Strip",
    "difference_blocks",
    "gain_of",
    "seam_of",
    "shift_of",
]

BLOCK_MM = 50.0
FEWEST_COLUMNS = 2
FARTHEST_MM = 20.0
"""Heads further out of place along x are not looked for: that is a wrong number, not a mount."""

BAND_MM = (120.0, 600.0)
"""Waves by which the effect of a seam is stated: the roll-wave band."""

SMOOTHED_MM = 5.0
PARTS = 10

Array = npt.NDArray[np.float64]


class Strip(NamedTuple):
    """The same cells of the glass as two heads measured them; mm, NaN where not measured."""

    left: int
    right: int
    a: npt.NDArray[np.float32]
    """(x, y) of the left head."""
    b: npt.NDArray[np.float32]
    x_mm: Array
    y_mm: Array


class Blocks(NamedTuple):
    """Block medians of a - b."""

    x_mm: Array
    y_mm: Array
    difference_mm: Array
    weight: Array


class Gain(NamedTuple):
    """ln (gain of b / gain of a) and its standard uncertainty."""

    log_ratio: float
    u: float


class Shift(NamedTuple):
    """How far b must be moved to agree with a; y is None where the glass shows nothing across."""

    x_mm: float
    u_x_mm: float
    y_mm: float | None


class Seam(NamedTuple):
    """What is left between two joined heads."""

    step_mm: float
    slope_step_mm_per_m: float
    largest_step_mm: float
    """Of any BLOCK_MM along the seam."""
    wavelength_mm: float
    share: float
    """Difference of the two heads on the strongest wave, as a share of it."""
    effect_mdpt: float


def difference_blocks(strip: Strip) -> Blocks:
    """Block medians of the difference, column by column."""
    pitch = float(strip.x_mm[1] - strip.x_mm[0])
    length = max(1, round(BLOCK_MM / pitch))
    rows = []
    for start in range(0, strip.x_mm.size, length):
        part = slice(start, start + length)
        difference = strip.a[part].astype(np.float64) - strip.b[part]
        count = np.isfinite(difference).sum(axis=0)
        seen = count > 0
        if not seen.any():
            continue
        middle = np.nanmedian(difference[:, seen], axis=0)
        x_mm = np.full(middle.size, float(strip.x_mm[part].mean()))
        rows.append(np.stack([x_mm, strip.y_mm[seen], middle, count[seen]]))
    table = np.concatenate(rows, axis=1) if rows else np.zeros((4, 0))
    return Blocks(*table)


def gain_of(strip: Strip, shift: Shift | None) -> Gain | None:
    """The ratio of the gains; None where the strip shows no wave to tell it by.

    shift  by which b is moved first: an edge lift out of place would pass for a gain
    """
    a, b = _profiles(strip)
    if shift is not None:
        known = np.isfinite(b)
        moved = np.interp(strip.x_mm - shift.x_mm, strip.x_mm[known], b[known], np.nan, np.nan)
        b = np.where(known, moved, np.nan)
    is_seen = np.isfinite(a) & np.isfinite(b)
    if is_seen.sum() < 20 * PARTS:
        return None
    a, b = a[is_seen], b[is_seen]
    for _ in range(2):
        slope = _deming(a, b)
        apart = np.abs(b - slope * a)
        kept = apart <= 5 * 1.4826 * np.median(apart) + 1e-12
        a, b = a[kept], b[kept]
    noise = float(np.std(b - slope * a)) / math.sqrt(1 + slope**2)
    if not slope > 0 or float(np.std(a)) < 2 * noise:
        return None
    total = math.log(_deming(a, b))
    part_of = np.arange(a.size) * PARTS // a.size
    left_out = [_deming(a[part_of != part], b[part_of != part]) for part in range(PARTS)]
    if min(left_out) <= 0:
        return None
    spread = np.log(left_out) - total
    u = math.sqrt((PARTS - 1) / PARTS * float((spread**2).sum()))
    return Gain(total, u)


def shift_of(strip: Strip) -> Shift | None:
    """Misregistration of the pair; None where no wave along x tells it."""
    from scipy.ndimage import gaussian_filter1d

    pitch = float(strip.x_mm[1] - strip.x_mm[0])
    a, b = (_gapless(profile) for profile in _profiles(strip))
    if a.size < 200 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        return None
    sigma = max(1.0, SMOOTHED_MM / pitch)
    a, b = gaussian_filter1d(a, sigma), gaussian_filter1d(b, sigma)
    reach = min(round(FARTHEST_MM / pitch), a.size // 8)
    inner = slice(reach, a.size - reach)
    misfits = [
        float(np.mean((a[inner] - b[reach - lag : b.size - reach - lag]) ** 2))
        for lag in range(-reach, reach + 1)
    ]
    places = np.arange(a.size, dtype=np.float64)
    shift = float(np.argmin(misfits) - reach)
    from scipy.interpolate import CubicSpline

    # from here on with the form: out of each head on its own it would shift by too little
    a, b = (
        gaussian_filter1d(_gapless(profile), sigma) for profile in _profiles(strip, is_whole=True)
    )
    spline = CubicSpline(places, b)
    x = np.linspace(-1, 1, places.size)[inner]
    drift = np.stack([np.ones_like(x), x, x**2], axis=1)
    for _ in range(8):
        moved, slope = spline(places - shift)[inner], spline(places - shift, 1)[inner]
        energy = float((slope**2).sum())
        if energy == 0.0:
            return None
        # with a gain of its own: a = gain (b moved on), to first order
        base = np.column_stack([moved, slope, drift])
        found = np.linalg.lstsq(base, a[inner], rcond=None)[0]
        rest = a[inner] - base @ found
        shift -= float(found[1] / found[0]) if found[0] > 0 else 0.0
    shift = float(np.clip(shift, -reach, reach))
    told = slope - drift @ np.linalg.lstsq(drift, slope, rcond=None)[0]
    energy = float((told**2).sum())
    if energy == 0.0 or float(np.std(rest)) > 0.5 * pitch * float(np.std(told)) * reach:
        return None
    alike = 2 * math.sqrt(math.pi) * sigma  # samples that one smoothed value stands for
    u = float(np.std(rest)) * math.sqrt(alike / energy)
    return Shift(shift * pitch, u * pitch, _shift_across(strip))


def seam_of(strip: Strip) -> Seam:
    """What is left of the difference after both heads were corrected."""
    blocks = difference_blocks(strip)
    difference = blocks.difference_mm
    y = blocks.y_mm - strip.y_mm.mean()
    spread = float((y**2).sum())
    step = float(np.median(difference)) if difference.size else 0.0
    slope = float((y * (difference - step)).sum()) / spread if spread > 0 else 0.0
    places, block = np.unique(blocks.x_mm, return_inverse=True)
    samples = np.bincount(block, blocks.weight, minlength=places.size)
    steps = np.bincount(block, blocks.weight * difference, minlength=places.size) / samples
    # the few samples of a block at the end of the glass would show their noise
    steps = steps[2 * samples >= np.median(samples)] if places.size else steps
    largest = max(steps.tolist(), key=abs, default=0.0)
    wavelength, share, effect = _on_the_wave(strip)
    return Seam(step, 1000 * slope, float(largest), wavelength, share, effect)


def _profiles(strip: Strip, *, is_whole: bool = False) -> tuple[Array, Array]:
    """Mean of each head over the strip, where half of it is seen by both; polynomials out, unless
    it is the whole that is asked for."""
    is_both = np.isfinite(strip.a) & np.isfinite(strip.b)
    count = is_both.sum(axis=1)
    is_enough = 2 * count >= max(2, int(count.max(initial=0)))
    profiles = []
    for values in (strip.a, strip.b):
        total = np.where(is_both, values, 0.0).sum(axis=1, dtype=np.float64)
        profile = np.where(is_enough, total / np.maximum(count, 1), np.nan)
        if is_enough.sum() > 4 and not is_whole:
            x = np.linspace(-1, 1, profile.size)
            form = np.polynomial.legendre.legfit(x[is_enough], profile[is_enough], 3)
            profile = profile - np.polynomial.legendre.legval(x, form)
        profiles.append(profile)
    return profiles[0], profiles[1]


def _gapless(profile: Array) -> Array:
    seen = np.flatnonzero(np.isfinite(profile))
    if seen.size < 2:
        return profile
    profile = profile[seen[0] : seen[-1] + 1]
    places = np.arange(profile.size)
    known = np.isfinite(profile)
    return np.interp(places, places[known], profile[known])


def _deming(a: Array, b: Array) -> float:
    """Slope of b on a, the noise of both being equal."""
    a, b = a - a.mean(), b - b.mean()
    saa, sbb, sab = float(a @ a), float(b @ b), float(a @ b)
    if sab == 0.0:
        return 0.0
    return (sbb - saa + math.sqrt((sbb - saa) ** 2 + 4 * sab**2)) / (2 * sab)


ALIKE = 0.9
"""Two heads that see the same structure across, noise and all."""


def _shift_across(strip: Strip) -> float | None:
    """Shift along y, by structure that varies across; None where there is none."""
    columns = strip.y_mm.size
    if columns < 8:
        return None
    length = max(1, round(BLOCK_MM / 2 / float(strip.x_mm[1] - strip.x_mm[0])))
    rows = strip.x_mm.size // length
    both = []
    for values in (strip.a, strip.b):
        blocks = values[: rows * length].astype(np.float64).reshape(rows, length, columns)
        seen = np.isfinite(blocks)  # single dropouts do not hide what varies across
        count = seen.sum(axis=1)
        means = np.where(2 * count > length, np.where(seen, blocks, 0.0).sum(axis=1), np.nan)
        means /= np.maximum(count, 1)
        # what varies across, each mean row for itself: nothing of this is applied to a height
        means = means[np.isfinite(means).all(axis=1)]
        both.append(means)
    if min(part.shape[0] for part in both) < 4 or both[0].shape != both[1].shape:
        return None
    pitch = float(strip.y_mm[1] - strip.y_mm[0])
    a, b = (_levelled_across(part) for part in both)
    slope = np.gradient((a + b) / 2, axis=1)
    energy = float((slope**2).sum())
    if energy == 0.0:
        return None
    if _alike(a, b) < ALIKE:  # by some columns, or nothing varies across but noise
        shares = {}
        reach = columns // 3
        for steps in range(-reach, reach + 1):
            of_a = both[0][:, max(steps, 0) : columns + min(steps, 0)]
            of_b = both[1][:, max(-steps, 0) : columns - max(steps, 0)]
            shares[steps] = _alike(_levelled_across(of_a), _levelled_across(of_b))
        best = max(shares, key=lambda steps: shares[steps])
        return best * pitch if shares[best] >= ALIKE and abs(best) < reach else None
    return -float((slope * (a - b)).sum()) / energy * pitch


def _levelled_across(means: Array) -> Array:
    """(rows, columns), each row less its own straight line."""
    y = np.linspace(-1, 1, means.shape[1])
    line = np.polynomial.polynomial.polyfit(y, means.T, 1)
    return np.asarray(means - np.polynomial.polynomial.polyval(y, line))


def _alike(a: Array, b: Array) -> float:
    """1 where both vary alike."""
    return float((a * b).sum()) / max(math.sqrt(float((a**2).sum() * (b**2).sum())), 1e-300)


def _on_the_wave(strip: Strip) -> tuple[float, float, float]:
    """Wavelength of the strongest wave in the band, the heads' difference on it as a share, and
    in mdpt (surface convention, 4 pi^2 W / L^2)."""
    a, b = (_gapless(profile) for profile in _profiles(strip))
    if a.size != b.size or a.size < 3 or not np.isfinite(a).all():
        return 0.0, 0.0, 0.0
    pitch = float(strip.x_mm[1] - strip.x_mm[0])
    window = np.hanning(a.size + 2)[1:-1]
    x = np.arange(a.size) * pitch
    lengths = 1 / np.linspace(1 / BAND_MM[1], 1 / BAND_MM[0], 400)
    lengths = lengths[lengths < x[-1] / 2]
    if not lengths.size:
        return 0.0, 0.0, 0.0
    waves = np.exp(-2j * math.pi * x / lengths[:, None]) * window
    size_of = np.abs(waves @ ((a + b) / 2)) * 2 / window.sum()
    best = int(np.argmax(size_of))
    left = float(np.abs(waves[best] @ (a - b)) * 2 / window.sum())
    length = float(lengths[best])
    share = left / float(size_of[best]) if size_of[best] > 0 else 0.0
    return length, share, 4 * math.pi**2 * 2 * left / length**2 * 1e6
