"""Where each lite lay under the nozzles: pitch, place, slant, all from the imprint itself.

A lite is guided to some millimetres only, and glass shrinks by a little more or less. Averaged as
they lie, lites blend neighbouring nozzles; so each is registered first. The imprint is a comb of
harmonics of the nozzle pitch q,

    w_i(y) = Re sum_n S_n exp(2 pi i n kappa_i(y)),    kappa_i(y) = kappa_i + (y - y_c) / q_i

with one signature S for all lites. ``kappa`` counts columns: whole numbers are nozzles.

1. *Is there an imprint?* Power at each harmonic, over all lites, against that at frequencies around
   it. All lites may share one course across that is not of nozzles, so they count as one lite:
   F(2, 2 m) with m frequencies around, corrected for harmonics and for the pitches tried.
2. *Pitch*: where the power of all lites together is largest, within the tolerance.
3. *Slant* of each lite, by its blocks; *pitch of each lite*, held to the pooled one by the
   tolerance of the shrinkage (one standard deviation: half of it).
4. *Place*: the most probable kappa_i, from the signature and from the place that is known, in turns
   with the signature, until both stay.

The comb alone gives a place up to whole pitches. Which column is number 1 follows from the place in
the machine; where that is not known all lites are taken to be guided alike, numbers count from
the left-hand edge, and the absolute number may be off by whole pitches: the result says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.nozzles.comb import CombCache
from midchord.nozzles.crossing import Crossing
from midchord.nozzles.grid import NozzleGrid
from midchord.spectra.ridges import shifted

__all__ = ["Registered", "Registration", "harmonics_of", "register"]

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

MOST_HARMONICS = 4
PITCHES = 81
AROUND = 9
"""Frequencies to either side that make the background, one resolution apart, the two next to the
harmonic left out."""
SLANT_SD = 0.002
"""mm across per mm along: 0.11 degrees, of a lite about the skew that is known (or none)."""
ROUNDS = 6
PLACES = 241
"""Places tried over one pitch."""


class Registered(NamedTuple):
    """One lite on the nozzle grid.

    course_mm   (y,) its blocks laid over each other along the tracks, mm
    kappa       column number (real, from 1) at the middle of its width; u_kappa
    pitch_mm    its own
    slant       mm across per mm along
    prior       kappa by the place that is known, None: not known
    """

    lite_id: str
    y_mm: Floats
    course_mm: Floats
    kappa: float
    u_kappa: float
    pitch_mm: float
    slant: float
    prior: float | None

    def columns(self) -> Floats:
        """Column number (real) at each y."""
        centre = 0.5 * (self.y_mm[0] + self.y_mm[-1])
        return np.asarray(self.kappa + (self.y_mm - centre) / self.pitch_mm, dtype=np.float64)


class Registration(NamedTuple):
    """All lites.

    p_present     of an imprint being there, corrected
    is_present    whether it is taken to be there; without it lites lie as their places say
    pitch_mm, u_pitch_mm   pooled, in the cold lite
    signature     S_n, (harmonic,) complex mm, in columns from the drawing's zero
    scatter_mm    standard deviation of the lites' places about those known (or alike)
    offset_mm     mean of the same: found less known, within half a pitch
    p_alike       chance that lites which lie anywhere under the grid look so much alike (Rayleigh);
                  0 where their places are known, or for one lite alone
    is_absolute   whether column numbers are those of the machine
    """

    lites: list[Registered]
    p_present: float
    is_present: bool
    pitch_mm: float
    u_pitch_mm: float
    signature: Complex
    scatter_mm: float
    p_alike: float
    is_absolute: bool


class _Spectra(NamedTuple):
    """power (lite, pitch, harmonic), coefficient likewise; around (harmonic,) background power of
    one lite; ratio (harmonic,) of the largest pooled power to the background."""

    coefficient: Complex
    power: Floats
    around: Floats
    frequencies_around: int


def harmonics_of(pitch_mm: float, y_pitch_mm: float) -> int:
    """How many harmonics of the pitch the maps can show."""
    return int(np.clip(math.floor(0.45 * pitch_mm / y_pitch_mm + 1e-9), 1, MOST_HARMONICS))


def register(
    crossings: Sequence[Crossing],
    grid: NozzleGrid,
    *,
    baseline_pitches: float,
    presence_rate: float,
    lite_tolerance: float,
) -> Registration:
    """Register lites to the nozzle grid.

    crossings         of the lites, at least one
    grid              tracks of the machine
    baseline_pitches  distance of the knots of the slow course, in pitches
    presence_rate     chance to see an imprint that is not there
    lite_tolerance    share by which the pitch of one lite may differ from the pooled one (sd)
    """
    cache = CombCache(baseline_pitches * grid.pitch_mm)
    coarsest = max(one.pitch_mm for one in crossings)
    count = harmonics_of(grid.pitch_mm, coarsest)
    pitches = grid.pitch_mm * (1 + grid.tolerance * np.linspace(-1, 1, PITCHES))
    courses = [_laid(one, _known_slant(one)) for one in crossings]
    seen = _spectra(crossings, courses, pitches, count, cache)
    p_present = _presence(seen, pitches, count, crossings)
    pooled = (seen.power / seen.around).sum(axis=(0, 2))
    pitch, u_pitch = _peak(pitches, pooled)
    is_present = p_present <= presence_rate
    slants = [
        _slant(one, pitch, count, seen.around, cache) if is_present else _known_slant(one)
        for one in crossings
    ]
    courses = [_laid(one, slant) for one, slant in zip(crossings, slants, strict=True)]
    seen = _spectra(crossings, courses, pitches, count, cache)._replace(around=seen.around)
    priors = [_prior(one, grid, pitch) for one in crossings]
    own, coefficients = _own_pitches(seen, pitches, pitch, lite_tolerance * pitch, is_present)
    start = np.array([value for value, _ in priors])
    sds = np.array([sd for _, sd in priors]) / pitch
    points = np.array([one.y_mm.size for one in crossings])
    # a harmonic that the tracks of one column cancel holds odd nozzles only, and no place
    cancelled = ~grid.visible(np.arange(1, count + 1))
    noise = np.where(cancelled, np.inf, 2 * seen.around / float(np.mean(points)))
    known = all(one.place.across_mm is not None for one in crossings)
    if is_present:
        kappa, u_kappa, signature = _places(
            coefficients, start, sds, noise, is_known=known, period=grid.period
        )
    else:
        kappa, u_kappa = start, sds
        signature = np.zeros(count, dtype=np.complex128)
    lites = [
        Registered(
            one.lite_id, one.y_mm, course, float(kappa[i]), float(u_kappa[i]), float(own[i]),
            slants[i], float(start[i]) if one.place.across_mm is not None else None,
        )
        for i, (one, course) in enumerate(zip(crossings, courses, strict=True))
    ]  # fmt: skip
    off = (kappa - start) * pitch
    return Registration(
        lites, p_present, is_present, pitch, u_pitch, signature,
        float(np.std(off, ddof=1)) if len(lites) > 1 else 0.0,
        0.0 if known or len(lites) == 1 else _rayleigh(off / pitch / grid.period), known,
    )  # fmt: skip


def _rayleigh(turns: Floats) -> float:
    """p-value of Rayleigh's test of phases, in turns (Mardia and Jupp, Directional Statistics,
    2000, eq. 6.3.2: to first order exp(-n R^2))."""
    return float(math.exp(-turns.size * abs(np.exp(2j * math.pi * turns).mean()) ** 2))


def _known_slant(one: Crossing) -> float:
    return math.tan(math.radians(one.place.skew_deg))


def _laid(one: Crossing, slant: float) -> Floats:
    """Mean of the blocks, each moved along the slant; (y,) mm, NaN where under half measured."""
    middle = float(one.at_mm.mean())
    moved = np.stack(
        [
            block if slant == 0 else shifted(block, -slant * (at - middle) / one.pitch_mm)
            for block, at in zip(one.blocks, one.at_mm, strict=True)
        ]
    )
    counts = np.isfinite(moved).sum(axis=0)
    mean = np.nansum(moved, axis=0) / np.maximum(counts, 1)
    return np.where(counts >= 0.5 * moved.shape[0], mean, np.nan)


def _spectra(
    crossings: Sequence[Crossing],
    courses: Sequence[Floats],
    pitches: Floats,
    count: int,
    cache: CombCache,
) -> _Spectra:
    order = np.arange(1, count + 1)
    at_pitches = np.outer(1 / pitches, order).ravel()
    middle = 1 / float(np.median(pitches))
    width = float(np.median([one.y_mm[-1] - one.y_mm[0] for one in crossings]))
    steps = np.concatenate([np.arange(-AROUND, -1), np.arange(2, AROUND + 1)]) / width
    beside = (order[:, None] * middle + steps).ravel()
    # nothing slower than the baseline, and no other harmonic
    usable = (beside > 2 / cache.baseline_mm) & (
        np.abs(beside * (1 / middle) - np.round(beside / middle)) * middle * width > 1.5
    )
    usable &= beside < 0.5 / max(one.pitch_mm for one in crossings)
    belongs = np.repeat(order - 1, steps.size)[usable]
    frequencies = np.concatenate([at_pitches, beside[usable]])
    coefficients = np.zeros((len(courses), frequencies.size), dtype=np.complex128)
    power = np.zeros((len(courses), frequencies.size))
    for i, (one, course) in enumerate(zip(crossings, courses, strict=True)):
        comb = cache.comb(one.y_mm, np.isfinite(course), frequencies)
        if comb is not None:
            coefficients[i], power[i] = comb.coefficients(course)
    shape = (len(courses), pitches.size, count)
    there = power[:, : at_pitches.size].reshape(shape)
    mean_beside = power[:, at_pitches.size :].mean(axis=0)
    floor = 1e-30 + 1e-12 * float(there.max(initial=0.0))
    around = np.array(
        [
            max(floor, float(mean_beside[belongs == n].mean())) if (belongs == n).any()
            else max(floor, float(mean_beside.mean()) if mean_beside.size else math.inf)
            for n in range(count)
        ]
    )  # fmt: skip
    fewest = min((int((belongs == n).sum()) for n in range(count)), default=0)
    return _Spectra(
        coefficients[:, : at_pitches.size].reshape(shape), there, around, max(1, fewest)
    )


def _presence(seen: _Spectra, pitches: Floats, count: int, crossings: Sequence[Crossing]) -> float:
    """p-value of the strongest harmonic, all lites counted as one, corrected."""
    ratio = (seen.power.mean(axis=0) / seen.around).max(axis=0)
    m = seen.frequencies_around
    width = float(np.median([one.y_mm[-1] - one.y_mm[0] for one in crossings]))
    order = np.arange(1, count + 1)
    tried = 1 + 2 * order * width * (1 / pitches[0] - 1 / pitches[-1])
    single = (1 + ratio / m) ** (-m)  # survival function of F(2, 2 m)
    return float(min(1.0, (single * tried).min() * count))


def _peak(places: Floats, heights: Floats) -> tuple[float, float]:
    """Largest of a log-likelihood on even places, and its standard deviation by curvature."""
    top = int(np.clip(np.argmax(heights), 1, places.size - 2))
    low, here, high = heights[top - 1 : top + 2]
    bend = low - 2 * here + high
    step = float(places[1] - places[0])
    if bend >= 0:
        return float(places[int(np.argmax(heights))]), step * places.size / 4
    inner = float(np.clip(0.5 * (low - high) / bend, -1, 1))
    return float(places[top] + inner * step), step / math.sqrt(-bend)


def _slant(one: Crossing, pitch: float, count: int, around: Floats, cache: CombCache) -> float:
    """Slant of one lite by which its blocks fit each other best."""
    frequencies = np.arange(1, count + 1) / pitch
    found = np.zeros((one.at_mm.size, count), dtype=np.complex128)
    for b, block in enumerate(one.blocks):
        comb = cache.comb(one.y_mm, np.isfinite(block), frequencies)
        if comb is not None:
            found[b] = comb.coefficients(block)[0]
    known = _known_slant(one)
    slants = known + SLANT_SD * np.linspace(-4, 4, 161)
    along = one.at_mm - one.at_mm.mean()
    turned = np.exp(-2j * math.pi * slants[:, None, None] * along[None, :, None]
                    * frequencies[None, None, :])  # fmt: skip
    mean = (found[None] * turned).mean(axis=1)
    fit = (np.abs(mean) ** 2 * one.y_mm.size / 2 / around).sum(axis=1)
    fit -= 0.5 * ((slants - known) / SLANT_SD) ** 2
    return _peak(slants, fit)[0]


def _own_pitches(
    seen: _Spectra, pitches: Floats, pitch: float, sd: float, is_present: bool
) -> tuple[Floats, Complex]:
    """Pitch of each lite, and its coefficients there; (lite,), (lite, harmonic)."""
    own = np.full(seen.power.shape[0], pitch)
    if is_present and sd > 0:
        fit = (seen.power / seen.around).sum(axis=2) - 0.5 * ((pitches - pitch) / sd) ** 2
        own = np.array([_peak(pitches, one)[0] for one in fit])
    places = np.clip((own - pitches[0]) / (pitches[1] - pitches[0]), 0, pitches.size - 1.000001)
    low = places.astype(int)
    share = (places - low)[:, None]
    lite = np.arange(own.size)
    found = (1 - share) * seen.coefficient[lite, low] + share * seen.coefficient[lite, low + 1]
    return own, found


def _prior(one: Crossing, grid: NozzleGrid, pitch: float) -> tuple[float, float]:
    """Column number at the middle of a lite by its place, and its standard deviation in mm."""
    hot = one.centre_mm * grid.drawn_mm / pitch
    if one.place.across_mm is None:
        return hot / grid.drawn_mm + 1, grid.drawn_mm / 4
    sd = max(0.5, one.place.across_sd_mm or 0.0)
    return (one.place.across_mm + hot - grid.first_across_mm) / grid.drawn_mm + 1, sd


def _places(
    found: Complex, start: Floats, sds: Floats, noise: Floats, *, is_known: bool, period: float
) -> tuple[Floats, Floats, Complex]:
    """kappa, its standard deviation, and the signature."""
    order = np.arange(1, found.shape[1] + 1)
    steps = np.linspace(-0.5, 0.5, PLACES)
    strongest = int(np.argmax((np.abs(found) ** 2 / noise).sum(axis=1)))
    kappa = start.copy()
    u_kappa = sds.copy()
    signature = found[strongest] * np.exp(-2j * math.pi * order * start[strongest])
    # a signature from one lite carries that lite's place: where places are not known, all others
    # are first laid on it freely
    for number in range(ROUNDS):
        offset = float(np.mean(kappa - start)) if number else 0.0
        for i in range(kappa.size):
            tried = start[i] + offset + steps
            model = signature * np.exp(2j * math.pi * tried[:, None] * order)
            fit = -(np.abs(found[i] - model) ** 2 / noise).sum(axis=1)
            if number or is_known:
                fit = fit - 0.5 * (steps / sds[i]) ** 2
            kappa[i], u_kappa[i] = _peak(tried, fit)
        if number == 0 and not is_known:
            # circular: places within half a period of each other about their mean
            off = (kappa - start) / period
            mean = float(np.angle(np.exp(2j * math.pi * off).mean()) / (2 * math.pi))
            kappa = start + period * (mean + (off - mean + 0.5) % 1 - 0.5)
        turned = np.exp(-2j * math.pi * order * kappa[:, None])
        signature = (found * turned).mean(axis=0)
    # all places together are known better than that of the lite which came first
    offset = float(np.mean(kappa - start))
    signature = signature * np.exp(2j * math.pi * order * offset)
    return kappa - offset, np.minimum(u_kappa, 0.5), signature
