"""From residual heights to the half waves of every gauge line, feet set by the waves themselves.

The lite's strongest wave sets the first half-span; the readings' turning points give the mean
wavelength; the feet go to half of it and the sweep is made again, until they agree. Depth and
wavelength come from the turning points of the readings (what a gauge would show), true
peak-to-valley from those of the residual surface itself: two figures that are never mixed up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from midchord.detrending.gaussian_regression import transmission
from midchord.detrending.rollwave import strongest_wavelength_mm
from midchord.gauge import three_point
from midchord.lines import HALF_WIDTH, local_fit, pooled_lines, ridge_slant, transfer
from midchord.loose_swings import LooseSwings, loose_swings
from midchord.settings import Settings
from midchord.uncertainty import (
    Budget,
    LineNoise,
    budget,
    detection_swing_mm,
    line_noise,
)
from midchord.waves import HalfWaves, TurningPoints, half_waves, turning_points
from midchord_io.errors import LiteTooSmall, ScanError

__all__ = ["ClearRange", "Figures", "Measured", "measure"]

Floats = npt.NDArray[np.float64]
Lines = npt.NDArray[np.float32]

SWEEPS = 5
SETTLED = 1e-3
"""Change of the half-span, relative, below which the feet stay where they are."""
VERTEX_FIT = 0.03
"""Spacing of the three points of a turning point's parabola, in wavelengths."""
COARSE_MM = 10.0
LEAST_KEPT = 0.7
"""Of a wave, by the smoothing: below it a small error in its wavelength is a large one in depth."""
LEAST_SAMPLES_PER_WAVE = 6.25
"""With fewer the fit has too few points to smooth, and the turning points fall between them."""
SMALLEST_SWING_MM = 1e-5
"""However quiet a scan is: rounding of the heights makes swings below it."""


@dataclass(frozen=True)
class ClearRange:
    """Where contacts are outside the edge zones, line by line; mm, (line,)."""

    from_mm: Floats
    to_mm: Floats
    is_clear_line: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Figures:
    """Half waves of one convention with their uncertainties, and what set them."""

    lines: Lines  # (x, line), mm
    smooth: Floats  # the same smoothed
    waves: HalfWaves
    budget: Budget
    detection_mm: float
    loose: LooseSwings  # seen, but without a figure


@dataclass(frozen=True)
class Measured:
    """The waves of a lite. reading: of the gauge; surface: of the residual itself.

    half_span_mm        of the lite: the mean where lines or points have their own
    span_mm             (1, 1), (1, line) or (x, line): the half-span used at each point
    mean_wavelength_mm  of all full waves on clear points; None where there are none
    slant               (line,): slant of the ridges
    """

    x_mm: Floats
    line_y_mm: Floats
    half_span_mm: float
    span_mm: Floats
    mean_wavelength_mm: float | None
    half_width: int
    slant: Floats
    noise: LineNoise
    reading: Figures
    surface: Figures

    @property
    def pitch_mm(self) -> float:
        return float(self.x_mm[-1] - self.x_mm[0]) / (self.x_mm.size - 1)


def measure(
    residual: Lines,
    doubt: Lines,
    x_mm: Floats,
    y_mm: Floats,
    line_y_mm: Floats,
    clear: ClearRange,
    settings: Settings,
    *,
    step_mm: float,
    where: str,
) -> Measured:
    """Half waves of the gauge lines at line_y_mm.

    residual  (x, y), mm, bow and edge lift out
    doubt     (x, line), mm: how much residual changes with the edge model
    step_mm   that heights are rounded to, where noise does not blur it; otherwise 0
    where     named in errors
    Raises    LiteTooSmall where the lite is shorter than two wavelengths or than the feet,
              ScanError where the pitch along x is too coarse for its waves
    """
    pitch = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    length = float(x_mm[-1] - x_mm[0]) + pitch
    waves = settings.waves
    band = (waves.band_min_mm, waves.band_max_mm)
    if length < 2 * band[0]:
        raise _too_short(where, length, f"two roll waves, {2 * band[0]:.0f} mm")

    if band[1] < LEAST_SAMPLES_PER_WAVE * pitch:
        raise _too_coarse(where, pitch, f"a band of roll waves up to {band[1]:.3g} mm")
    lines = pooled_lines(residual, y_mm, line_y_mm, pool_mm=waves.pool_mm, x_pitch_mm=pitch)
    first_mm = _first_wavelength(lines, x_mm, band)
    slant = np.zeros(line_y_mm.size)
    if line_y_mm.size > 1 and waves.pool_mm > 0:
        slant = ridge_slant(lines, line_y_mm, wavelength_mm=first_mm, x_pitch_mm=pitch)
        slant = np.clip(slant, -0.5, 0.5)
        if np.abs(slant).max() * waves.pool_mm > 0.2 * pitch:
            lines = pooled_lines(
                residual, y_mm, line_y_mm, pool_mm=waves.pool_mm, x_pitch_mm=pitch, slant=slant
            )

    sweep = _Sweep(lines, x_mm, line_y_mm, pitch, step_mm, settings)
    span, mean_mm = _feet(sweep, clear, first_mm, length, where)
    smooth_mm = mean_mm if mean_mm is not None else first_mm
    if mean_mm is not None and length < 2 * mean_mm:
        raise _too_short(where, length, f"two of its own waves of {mean_mm:.0f} mm")
    if mean_mm is not None and mean_mm < LEAST_SAMPLES_PER_WAVE * pitch:
        raise _too_coarse(where, pitch, f"waves of {mean_mm:.0f} mm")
    half_width = sweep.half_width(smooth_mm)
    smooth = local_fit(lines, half_width)
    noise = sweep.noise(smooth, half_width)
    readings = three_point(lines, span / pitch)
    doubts = three_point(doubt, span / pitch)
    surface = sweep.figures(lines, smooth, doubt, noise, half_width, None)
    reading = sweep.figures(
        readings, local_fit(readings, half_width), doubts, noise, half_width, span
    )
    return Measured(
        x_mm,
        line_y_mm,
        float(np.nanmean(span)),
        span,
        mean_mm,
        half_width,
        slant,
        noise,
        reading,
        surface,
    )


def _too_short(where: str, length_mm: float, needed: str) -> LiteTooSmall:
    return LiteTooSmall(
        where,
        found=f"a lite {length_mm:.0f} mm long",
        needed=f"more than {needed}",
        do="scan more of the lite, or use shorter feet",
    )


def _too_coarse(where: str, pitch_mm: float, waves: str) -> ScanError:
    return ScanError(
        where,
        found=f"heights {pitch_mm:.3g} mm apart along x and {waves}",
        needed=f"at least {LEAST_SAMPLES_PER_WAVE} heights a wave",
        do="scan with a finer pitch along the travel",
    )


def _first_wavelength(lines: Lines, x_mm: Floats, band: tuple[float, float]) -> float:
    pitch = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    step = max(1, round(COARSE_MM / pitch))
    size = lines.shape[0] // step * step
    known = np.isfinite(lines[:size])
    blocks = np.where(known, lines[:size], 0.0).reshape(-1, step, lines.shape[1]).mean(axis=1)
    centre = x_mm[:size].reshape(-1, step).mean(axis=1)
    return strongest_wavelength_mm(blocks, centre, band_mm=band)


def _feet(
    sweep: _Sweep, clear: ClearRange, first_mm: float, length_mm: float, where: str
) -> tuple[Floats, float | None]:
    """Half-spans for the sweep, and the mean wavelength of the lite."""
    gauge = sweep.settings.gauge
    fixed = gauge.half_span_mm is not None
    half_span = gauge.half_span_mm or first_mm / 2
    wavelength, mean_mm = first_mm, None
    points = None
    for _ in range(SWEEPS):
        if 2 * half_span >= length_mm:
            raise _too_short(where, length_mm, f"the feet span, {2 * half_span:.0f} mm")
        span = np.full((1, 1), half_span)
        points = sweep.points(span, wavelength)
        mean_mm = _mean_full_wave(points, sweep, clear, half_span)
        if mean_mm is None:
            break
        wavelength = mean_mm
        settled = fixed or abs(mean_mm / 2 - half_span) < SETTLED * half_span
        if settled:
            break
        half_span = mean_mm / 2
    if mean_mm is None or points is None:
        half_span = gauge.half_span_mm or gauge.fallback_half_span_mm
        if 2 * half_span >= length_mm:
            raise _too_short(where, length_mm, f"the feet span, {2 * half_span:.0f} mm")
        return np.full((1, 1), half_span), None
    if gauge.feet == "line":
        return _span_of_lines(points, sweep, mean_mm), mean_mm
    if gauge.feet == "local":
        return _span_of_points(points, sweep, mean_mm), mean_mm
    return np.full((1, 1), half_span), mean_mm


def _full_waves(points: TurningPoints) -> npt.NDArray[np.intp]:
    """Indices i of turning points with two before them in the same unbroken run."""
    same = (points.line[2:] == points.line[:-2]) & (points.run[2:] == points.run[:-2])
    return np.flatnonzero(same) + 2


def _mean_full_wave(
    points: TurningPoints, sweep: _Sweep, clear: ClearRange, half_span_mm: float
) -> float | None:
    """Mean of all full waves whose contacts are clear; of all waves where none is clear."""
    last = _full_waves(points)
    length = points.x_mm[last] - points.x_mm[last - 2]
    line = points.line[last]
    in_band = (length >= sweep.band[0]) & (length <= sweep.band[1])
    is_clear = (
        clear.is_clear_line[line]
        & (points.x_mm[last - 2] - half_span_mm >= clear.from_mm[line])
        & (points.x_mm[last] + half_span_mm <= clear.to_mm[line])
    )
    chosen = length[in_band & is_clear]
    if chosen.size == 0:
        chosen = length[in_band]
    return float(chosen.mean()) if chosen.size else None


def _span_of_lines(points: TurningPoints, sweep: _Sweep, mean_mm: float) -> Floats:
    last = _full_waves(points)
    length = points.x_mm[last] - points.x_mm[last - 2]
    good = (length >= sweep.band[0]) & (length <= sweep.band[1])
    count = np.bincount(points.line[last][good], minlength=sweep.line_y_mm.size)
    total = np.bincount(points.line[last][good], length[good], minlength=sweep.line_y_mm.size)
    mean = np.divide(total, count, out=np.full(count.size, mean_mm), where=count > 0)
    return np.asarray(mean[np.newaxis, :] / 2)


def _span_of_points(points: TurningPoints, sweep: _Sweep, mean_mm: float) -> Floats:
    """Half the local wavelength, interpolated between the middles of half waves."""
    waves = half_waves(points, wavelength="centred", band_mm=sweep.band)
    span = np.full((sweep.x_mm.size, sweep.line_y_mm.size), mean_mm / 2)
    middle = 0.5 * (waves.x_from_mm + waves.x_to_mm)
    for line in np.unique(waves.line):
        own = waves.line == line
        span[:, line] = np.interp(sweep.x_mm, middle[own], waves.wavelength_mm[own]) / 2
    return span


@dataclass(frozen=True)
class _Sweep:
    """What every sweep over the same gauge lines shares."""

    lines: Lines
    x_mm: Floats
    line_y_mm: Floats
    pitch_mm: float
    step_mm: float
    settings: Settings

    @property
    def band(self) -> tuple[float, float]:
        return self.settings.waves.band_min_mm, self.settings.waves.band_max_mm

    def half_width(self, wavelength_mm: float) -> int:
        # with fewer samples the fit would go through all of them and leave no noise to be seen
        return max(3, round(HALF_WIDTH * wavelength_mm / self.pitch_mm))

    @property
    def looks(self) -> float:
        """Independent half waves of the shortest kind that the lite has room for."""
        extent_y = float(np.ptp(self.line_y_mm))
        across = 1 + extent_y / max(2 * self.settings.waves.pool_mm, 1.0)
        across = min(across, self.line_y_mm.size)
        return across * self.x_mm.size * self.pitch_mm / (self.band[0] / 2)

    def noise(self, smooth: Floats, half_width: int) -> LineNoise:
        """Noise of the lines, given what they are when smoothed with this half-width."""
        spacing = np.diff(self.line_y_mm)
        apart = 1
        if spacing.size:
            apart = max(1, math.ceil(2 * self.settings.waves.pool_mm / float(spacing.min())))
        noise = line_noise(self.lines, smooth, self.pitch_mm, half_width, apart=apart)
        return noise._replace(step_mm=self.step_mm)

    def detection(self, noise: LineNoise, half_width: int, half_span_mm: float | None) -> float:
        swing = detection_swing_mm(
            noise,
            self.pitch_mm,
            half_width,
            half_span_mm=half_span_mm,
            looks=self.looks,
            false_rate=self.settings.waves.false_rate,
        )
        return max(swing, SMALLEST_SWING_MM)

    def points(self, span: Floats, wavelength_mm: float) -> TurningPoints:
        """Turning points of the readings with these feet."""
        half_width = self.half_width(wavelength_mm)
        noise = self.noise(local_fit(self.lines, half_width), half_width)
        readings = three_point(self.lines, span / self.pitch_mm)
        return turning_points(
            local_fit(readings, half_width),
            self.x_mm,
            smallest_swing_mm=self.detection(noise, half_width, float(np.nanmean(span))),
            fit_mm=VERTEX_FIT * wavelength_mm,
        )

    def figures(
        self,
        lines: Lines,
        smooth: Floats,
        doubt: Lines,
        noise: LineNoise,
        half_width: int,
        span: Floats | None,
    ) -> Figures:
        """Half waves, their depths corrected for the smoothing, and their uncertainties."""
        rule = self.settings.waves.wavelength
        detection = self.detection(
            noise, half_width, None if span is None else float(np.nanmean(span))
        )
        points = turning_points(
            smooth,
            self.x_mm,
            smallest_swing_mm=detection,
            fit_mm=VERTEX_FIT * half_width * self.pitch_mm / HALF_WIDTH,
        )
        every = half_waves(points, wavelength=rule)
        has_figure = every.is_within(self.band)
        kept = np.zeros(has_figure.size)
        kept[has_figure] = transfer(every.wavelength_mm[has_figure] / self.pitch_mm, half_width)
        has_figure &= kept >= LEAST_KEPT
        waves, kept = every.where(has_figure), kept[has_figure]
        cutoff_mm = self.settings.detrend.filter_cutoff_mm
        if cutoff_mm is not None:
            kept = kept * (1 - transmission(waves.wavelength_mm, cutoff_mm))
        waves = waves._replace(depth_mm=waves.depth_mm / kept)
        own_span = None if span is None else self._at_middle(span, waves)
        low, high = (self._sampled(doubt, waves.line, x) for x in (waves.x_from_mm, waves.x_to_mm))
        terms = budget(
            waves,
            noise,
            self.pitch_mm,
            half_width,
            half_span_mm=own_span,
            wavelength=rule,
            filter_gain=kept,
            model_doubt_mm=np.nan_to_num(np.abs(high - low)),
        )
        loose = loose_swings(every.where(~has_figure), points, smooth, self.x_mm, detection)
        return Figures(lines, smooth, waves, terms, detection, loose)

    def _at_middle(self, span: Floats, waves: HalfWaves) -> Floats:
        middle = 0.5 * (waves.x_from_mm + waves.x_to_mm)
        row = np.clip(self._row(middle), 0, span.shape[0] - 1)
        return np.asarray(span[row, np.minimum(waves.line, span.shape[1] - 1)], dtype=float)

    def _sampled(self, field: Lines, line: npt.NDArray[np.intp], x_mm: Floats) -> Floats:
        return np.asarray(field[self._row(x_mm), line], dtype=float)

    def _row(self, x_mm: Floats) -> npt.NDArray[np.intp]:
        row = np.rint((x_mm - self.x_mm[0]) / self.pitch_mm).astype(np.intp)
        return np.asarray(np.clip(row, 0, self.x_mm.size - 1))
