"""What share of depth and of distortion a wave of one period has.

*Depth* goes with the mean square height of the ridge profile, *distortion* with that of its
curvature, in which a wave of length L counts (2 pi / L)^4 times. For lite i

    N_i = points_i x [(a_i^2 + b_i^2) / 2 less what noise adds to it]          of the wave
    D_i = points_i x [mean square of all fitted waves together
                      + integral of the residual's density over the band]      of everything

and the share is sum N_i / sum D_i, for distortion with each wave's and each frequency's factor.
"Everything" is what the ridge profile holds between the shortest and the longest wave analysed,
measured noise included; what differs across the lite has been averaged out before. Shares of waves
that are closer than the resolution overlap and need not add up to less than one.

*Intervals.* With enough lites: of the production that they are a sample of, by a studentised
bootstrap over lites (the error of the ratio over its linearised standard error is resampled;
Davison and Hinkley 1997, 5.2). With fewer: of these lites alone, from the noncentral F distribution
of the fitted power over the background around it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.causes.harmonics import GroupFit, Piece, Weights, powers_of
from midchord.spectra.along import density_along

__all__ = ["Share", "Totals", "share_of", "totals_of"]

Floats = npt.NDArray[np.float64]

SURELY_NORMAL = 50.0
"""Ratio of fitted power to noise beyond which an amplitude is normal to a per cent."""


class Totals(NamedTuple):
    """Everything: (piece,) mean square height (mm^2) and curvature (mm^-2) times points."""

    height: Floats
    curvature: Floats


class Share(NamedTuple):
    """value and interval of a share, 0 to 1; rms_mm: of the wave over all pieces; of: what the
    interval is about, "the production" or "these lites"."""

    depth: float
    depth_interval: tuple[float, float]
    distortion: float
    distortion_interval: tuple[float, float]
    rms_mm: float
    of: str


def totals_of(
    pieces: Sequence[Piece],
    fits: Sequence[GroupFit],
    *,
    pitch_mm: float,
    shortest_mm: float,
    longest_mm: float,
    time_bandwidth: float,
    tapers: int,
) -> Totals:
    """Depth and distortion of everything between two wavelengths."""
    height, curvature = np.zeros(len(pieces)), np.zeros(len(pieces))
    for group in fits:
        angle = 2 * math.pi * np.outer(group.x_mm, group.frequencies)
        waves = np.stack([np.cos(angle), np.sin(angle)], axis=2).reshape(group.x_mm.size, -1)
        bent = waves * np.repeat((2 * math.pi * group.frequencies) ** 2, 2)
        places = np.rint((group.x_mm - group.x_mm[0]) / pitch_mm).astype(np.intp)
        for column, member in enumerate(group.members):
            fitted = group.coefficients[2:, column]
            even = np.full(int(places[-1]) + 1, np.nan)
            even[places] = group.rest[:, column]
            rest = density_along(even, pitch_mm, time_bandwidth=time_bandwidth, tapers=tapers)
            count = group.x_mm.size
            height[member] = float(((waves @ fitted) ** 2).sum())
            height[member] += count * rest.variance(shortest_mm, longest_mm)
            curvature[member] = float(((bent @ fitted) ** 2).sum())
            curvature[member] += count * rest.curvature_variance(shortest_mm, longest_mm)
    return Totals(height, curvature)


def share_of(
    pieces: Sequence[Piece],
    fits: Sequence[GroupFit],
    wave: int,
    totals: Totals,
    weights: Weights,
    *,
    level: float,
    resamples: int,
    bootstrap_lites: int,
    seed: int,
) -> Share:
    """Shares of one fitted wave.

    wave    its number in the fits
    totals  of the same pieces
    level   of the intervals, e.g. 0.95
    seed    of the bootstrap
    """
    raw, noise, dof = powers_of(fits, wave, len(pieces), weights)
    points = np.array([piece.x_mm.size for piece in pieces], dtype=np.float64)
    lites = np.array([piece.lite for piece in pieces])
    bends = np.zeros(len(pieces))
    for group in fits:
        bends[group.members] = (2 * math.pi * group.frequencies[wave]) ** 4
    own = points * (raw - noise)
    rms_mm = math.sqrt(max(0.0, float(own.sum() / points.sum())))
    found: list[tuple[float, tuple[float, float]]] = []
    is_sample = np.unique(lites).size >= bootstrap_lites
    for factor, total in ((np.ones(len(pieces)), totals.height), (bends, totals.curvature)):
        whole = max(float(total.sum()), 1e-300)
        value = float((own * factor).sum()) / whole
        if is_sample:
            _, rows = np.unique(lites, return_inverse=True)
            part, all_of_it = np.zeros(rows.max() + 1), np.zeros(rows.max() + 1)
            np.add.at(part, rows, own * factor)
            np.add.at(all_of_it, rows, total)
            low, high = _bootstrap(part, all_of_it, level, resamples, seed)
        else:
            scale = points * factor
            low, high = _noncentral(raw * scale, noise * scale, dof, level)
            low, high = low / whole, high / whole
        found.append((float(np.clip(value, 0, 1)), (_unit(low), _unit(high))))
    (depth, depth_interval), (distortion, distortion_interval) = found
    return Share(
        depth, depth_interval, distortion, distortion_interval, rms_mm,
        "the production" if is_sample else "these lites",
    )  # fmt: skip


def _unit(value: float) -> float:
    return float(np.clip(value, 0.0, 1.0))


def _bootstrap(
    part: Floats, whole: Floats, level: float, resamples: int, seed: int
) -> tuple[float, float]:
    """Studentised bootstrap interval of sum(part) / sum(whole); (lite,) each."""
    count = part.size

    def estimate(rows: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
        a, b = part[rows], whole[rows]
        ratio = a.sum(axis=-1) / b.sum(axis=-1)
        off = a - ratio[..., None] * b
        spread = np.sqrt((off**2).sum(axis=-1) * count / (count - 1)) / b.sum(axis=-1)
        return ratio, spread

    ratio, spread = estimate(np.arange(count)[None, :])
    rng = np.random.default_rng(seed)
    errors = []
    for start in range(0, resamples, 200):  # bounded memory for thousands of lites
        rows = rng.integers(0, count, (min(200, resamples - start), count))
        again, its_spread = estimate(rows)
        sound = its_spread > 1e-12 * max(float(spread[0]), 1e-300)
        errors.append((again[sound] - ratio[0]) / its_spread[sound])
    ends = np.quantile(np.concatenate(errors), ((1 + level) / 2, (1 - level) / 2))
    low, high = ratio[0] - ends * spread[0]
    return float(low), float(high)


def _noncentral(raw: Floats, noise: Floats, dof: float, level: float) -> tuple[float, float]:
    """Interval of the power behind sum(raw), where noise alone would give sum(noise)."""
    from scipy import optimize, stats

    fitted, alone, count = float(raw.sum()), float(noise.sum()), raw.size
    if alone <= 0:
        return fitted, fitted
    ratio, tail = fitted / alone, (1 - level) / 2
    if ratio > SURELY_NORMAL:
        wide = float(stats.t.ppf(1 - tail, dof * count)) * math.sqrt(alone / count / 2)
        return max(0.0, math.sqrt(fitted) - wide) ** 2, (math.sqrt(fitted) + wide) ** 2

    def end(chance: float) -> float:
        def off(centre: float) -> float:
            return float(stats.ncf.cdf(ratio, 2 * count, dof * count, centre)) - chance

        if off(0.0) <= 0:
            return 0.0
        top = 2 * count * (ratio + 10) * 4
        return float(optimize.brentq(off, 0.0, top, xtol=1e-6 * top))

    scale = alone / count / 2
    return scale * end(1 - tail), scale * end(tail)
