"""How the ridges run: their skew against the travel, their bow, and the profile along them.

A ridge of the roll wave crosses the lite, nearly square to the travel, but the lite may have been
turned on the rollers and the rollers may bend. A mean over y of a surface whose ridges slant by s
mm over the width is damped by sinc(s / L). So the lite is cut into strips along the travel, each
strip is moved until it fits its neighbour best, and a straight line and a parabola through the
moves are the course of the ridges,

    shift(y) = skew (y - y0) + bow (4 (y - y0)^2 / width^2 - 1/3)

along which everything is pooled. Moves are those that make the correlation largest, over the waves
of a stated band; a strip counts by how well it fits (r^2 / (1 - r^2)).
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Ridges", "find_ridges", "pool_along_ridges", "shifted"]

Floats = npt.NDArray[np.float64]

STRIPS = 12
ROUNDS = 3
LARGEST_SKEW = 0.04
"""mm of shift per mm across: 2.3 degrees, beyond the skew that a scan may have been placed with."""


class Ridges(NamedTuple):
    """Course of the ridges.

    slope       mm of x per mm of y: positive where the right-hand side trails
    u_slope     its standard uncertainty
    bow_mm      largest less smallest shift of the parabola
    coherence   share of the variance of the strips, in the band, that one moved profile explains
    centre_mm, half_width_mm  of the strips, mm of y
    """

    slope: float
    u_slope: float
    bow_mm: float
    coherence: float
    centre_mm: float
    half_width_mm: float

    @property
    def skew_deg(self) -> float:
        """Of the ridges against the line square to the travel."""
        return math.degrees(math.atan(self.slope))

    def shift_mm(self, y_mm: Floats) -> Floats:
        """How far along x the ridges lie at y, from their mean."""
        t = (y_mm - self.centre_mm) / max(self.half_width_mm, 1e-9)
        return np.asarray(
            self.slope * (y_mm - self.centre_mm) + self.bow_mm * (t**2 - 1 / 3), dtype=np.float64
        )


def find_ridges(
    residual_mm: Floats,
    x_mm: Floats,
    y_mm: Floats,
    *,
    shortest_mm: float = 120.0,
    longest_mm: float = 600.0,
) -> Ridges:
    """Course of the ridges of one lite.

    residual_mm              (x, y) mm, NaN where not measured
    x_mm, y_mm               places, even steps
    shortest_mm, longest_mm  waves that are followed
    returns                  straight, square ridges where no strip fits another
    """
    strips, at_mm = _strips(residual_mm, y_mm)
    pitch = float(x_mm[1] - x_mm[0])

    def laid(shifts_mm: Floats) -> Floats:
        """The strips, each read ``shifts_mm`` further on, in the band."""
        moved = [shifted(strip, shift / pitch)
                 for strip, shift in zip(strips.T, shifts_mm, strict=True)]  # fmt: skip
        return np.array([_band_passed(one, pitch, shortest_mm, longest_mm) for one in moved])

    half = 0.5 * float(y_mm[-1] - y_mm[0])
    centre = 0.5 * float(y_mm[-1] + y_mm[0])
    straight = Ridges(0.0, math.inf, 0.0, 0.0, centre, half)
    if len(at_mm) < 3:
        return straight
    # neighbours first: over one step no ridge can be taken for the next
    step_mm = float(np.max(np.diff(at_mm)))
    reach = min(0.4 * shortest_mm, max(2 * pitch, LARGEST_SKEW * step_mm * 1.5))
    band = laid(np.zeros(len(at_mm)))
    moves = [_move(a, b, pitch, reach) for a, b in itertools.pairwise(band)]
    shifts = np.concatenate([[0.0], np.cumsum([move for move, _ in moves])])
    shifts -= shifts.mean()
    fits = np.zeros(len(at_mm))
    for _ in range(ROUNDS):
        band = laid(shifts)
        profile = band.mean(axis=0)
        fine = [_move(profile, one, pitch, 4 * pitch) for one in band]
        shifts = shifts + np.array([move for move, _ in fine])
        fits = np.array([fit for _, fit in fine])
    r = np.clip(fits, 0.0, 0.999)
    weight = r**2 / (1 - r**2)
    if weight.sum() < 1e-6 or np.count_nonzero(weight > 0.05) < 3:
        return straight
    t = (at_mm - centre) / half
    columns = np.stack([np.ones_like(t), at_mm - centre, t**2 - 1 / 3], axis=1)
    if len(at_mm) < 5:
        columns = columns[:, :2]
    root = np.sqrt(weight)[:, None]
    found, *_ = np.linalg.lstsq(columns * root, shifts * root[:, 0], rcond=None)
    spread = (shifts - columns @ found) * root[:, 0]
    free = max(1, len(at_mm) - columns.shape[1])
    inverse = np.linalg.pinv((columns * root).T @ (columns * root))
    u_slope = math.sqrt(float(inverse[1, 1]) * float(spread @ spread) / free)
    bow = float(found[2]) if columns.shape[1] == 3 else 0.0
    ridges = Ridges(float(found[1]), u_slope, bow, 0.0, centre, half)
    band = laid(ridges.shift_mm(at_mm))
    total = float((band**2).sum())
    pooled = float((band.mean(axis=0) ** 2).sum()) * len(at_mm)
    return ridges._replace(coherence=pooled / total if total > 0 else 0.0)


def pool_along_ridges(
    residual_mm: Floats, x_mm: Floats, y_mm: Floats, ridges: Ridges, *, least_share: float = 0.3
) -> Floats:
    """Profile along the travel: the mean over y of the surface, followed along its ridges.

    residual_mm  (x, y) mm, NaN where not measured
    least_share  of the columns that must have a value; NaN elsewhere
    returns      (x,) mm
    """
    pitch = float(x_mm[1] - x_mm[0])
    shifts = ridges.shift_mm(y_mm)
    laid = np.stack(
        [shifted(residual_mm[:, j], shifts[j] / pitch) for j in range(y_mm.size)], axis=1
    )
    counts = np.isfinite(laid).sum(axis=1)
    mean = np.nansum(laid, axis=1) / np.maximum(counts, 1)
    return np.where(counts >= max(1.0, least_share * y_mm.size), mean, np.nan)


def shifted(column: Floats, points: float) -> Floats:
    """``column`` read ``points`` further on (between points by a cubic through four of them).

    At 30 mm and a pitch of 5 mm the cubic keeps at least 97 % of a wave, at 120 mm 99.98 %.
    """
    whole = math.floor(points)
    t = points - whole
    if t < 1e-9:
        return _rolled(column, whole)
    weights = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    parts = [w * _rolled(column, whole + k) for k, w in zip((-1, 0, 1, 2), weights, strict=True)]
    return np.asarray(sum(parts[1:], parts[0]), dtype=np.float64)


def _rolled(column: Floats, points: int) -> Floats:
    moved = np.full(column.size, np.nan)
    if abs(points) >= column.size:
        return moved
    if points >= 0:
        moved[: column.size - points] = column[points:]
    else:
        moved[-points:] = column[: column.size + points]
    return moved


def _strips(residual_mm: Floats, y_mm: Floats) -> tuple[Floats, Floats]:
    """Means over strips of columns, (x, strip), and where they are; empty ones are out."""
    groups = np.array_split(np.arange(y_mm.size), min(STRIPS, y_mm.size))
    counts = np.stack([np.isfinite(residual_mm[:, g]).sum(axis=1) for g in groups], axis=1)
    sums = np.stack([np.nansum(residual_mm[:, g], axis=1) for g in groups], axis=1)
    strips = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
    kept = np.isfinite(strips).mean(axis=0) > 0.5
    at_mm = np.array([float(y_mm[g].mean()) for g in groups])
    return strips[:, kept], at_mm[kept]


def _band_passed(strip: Floats, pitch_mm: float, shortest_mm: float, longest_mm: float) -> Floats:
    """Under a Hann window, without which what the ends cut off would pull every move to zero."""
    measured = np.isfinite(strip)
    mean = float(strip[measured].mean()) if measured.any() else 0.0
    filled = np.where(measured, strip - mean, 0.0) * np.hanning(strip.size)
    transform = np.fft.rfft(filled)
    f = np.fft.rfftfreq(strip.size, pitch_mm)
    transform[(f < 1 / longest_mm) | (f > 1 / shortest_mm)] = 0
    return np.asarray(np.fft.irfft(transform, strip.size), dtype=np.float64)


def _move(of: Floats, to: Floats, pitch_mm: float, reach_mm: float) -> tuple[float, float]:
    """How far ``of`` must be moved to fit ``to`` best, and the correlation there."""
    size = math.sqrt(float(of @ of) * float(to @ to))
    if size == 0:
        return 0.0, 0.0
    lags = np.linspace(-reach_mm, reach_mm, 41)
    f = np.fft.rfftfreq(of.size, pitch_mm)
    cross = np.conj(np.fft.rfft(of)) * np.fft.rfft(to)
    fits = (np.exp(2j * math.pi * np.outer(lags, f)) @ cross).real * 2 / of.size / size
    top = int(np.argmax(fits))
    if 0 < top < lags.size - 1:
        low, here, high = fits[top - 1 : top + 2]
        bend = low - 2 * here + high
        inner = 0.5 * (low - high) / bend if bend < 0 else 0.0
        return float(lags[top] + inner * (lags[1] - lags[0])), float(here)
    return float(lags[top]), float(fits[top])
