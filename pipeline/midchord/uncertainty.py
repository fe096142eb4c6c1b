"""How sure a mapped figure is: standard uncertainties of depth, wavelength and distortion.

Sensor noise is taken from the scan itself. What limits a shallow wave is not the scatter of single
samples but the noise that is left at long wavelengths after pooling and smoothing, so its power
density is read off the gauge lines between the roll wave and the sampling limit and extended to
zero frequency by a model (white, plus a part that is correlated along the line). For white noise
of deviation s and pitch p on n pooled lines that density is ``s^2 p / n``.

Through the smoothing and the three contacts it propagates as a linear filter (JCGM 100): heights
of the two turning points, which share feet, to the swing; slopes there, over the curvature of the
wave, to the places of the turning points and so to the wavelength. Distortion goes with W / L^2.
To the noise are added the correction of the filter and, near the edges, the change of the swing
when the shapes of edge lift are changed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage, optimize

from midchord.lines import fit_kernel, transfer
from midchord.waves import HalfWaves

__all__ = [
    "Budget",
    "LineNoise",
    "budget",
    "detection_swing_mm",
    "expected_largest",
    "line_noise",
]

Floats = npt.NDArray[np.float64]

FILTER_DOUBT = 0.25
"""Standard uncertainty of the smoothing's correction, as a share of the correction."""
DRIFT_DOUBT = 4e-4
"""Standard uncertainty of a wavelength, relative, from the turning points that the smoothing of a
drifting wave moves (seen in simulation at 15 % drift)."""
CLEARLY_BETTER = 0.85
"""Share of the misfit of white noise that noise must be explained by to count as correlated."""
LEAST_LOOKS = 100
"""Independent looks below which the spread of fourth differences is too unsure to use."""
LEAST_PASSED = 0.3
"""Of noise, in what the smoothing leaves: below it the noise is no longer read but guessed."""
LONGEST_NOISE_MM, SHORTEST_NOISE_MM = 80.0, 8.0
"""Where the density of the noise is read: shorter than roll waves and what is left of them."""


class LineNoise(NamedTuple):
    """Noise of gauge lines: power density at long wavelengths, and how far it is correlated.

    density_mm3     two-sided, mm^2 per (1/mm): variance of a mean over length l is density / l
    correlation_mm  decay length of the correlated part; 0 for white noise
    step_mm         that heights are rounded to where noise does not blur it; otherwise 0
    """

    density_mm3: float
    correlation_mm: float
    step_mm: float = 0.0

    def sample_sd_mm(self, pitch_mm: float) -> float:
        """Deviation of white noise at this pitch with the same density."""
        return float(np.sqrt(self.density_mm3 / pitch_mm))


def line_noise(
    lines: npt.NDArray[np.float32],
    smooth: Floats,
    pitch_mm: float,
    half_width: int,
    *,
    apart: int,
) -> LineNoise:
    """Noise density of gauge lines: the larger of two readings of it.

    One from what the smoothing leaves, extended to long wavelengths; one from how smoothed lines
    differ from their neighbours, beyond the slow change of a wave across the lite. The second
    sees noise as long as the waves themselves, as long as it differs from line to line.

    lines       (x, line), mm;  smooth: the same smoothed with this half-width
    apart       lines this far apart share no scan lines
    """
    along = _noise_left(lines, smooth, pitch_mm, half_width)
    across = _noise_across(smooth, pitch_mm, half_width, apart)
    return along if along.density_mm3 >= across else along._replace(density_mm3=across)


def _noise_across(smooth: Floats, pitch_mm: float, half_width: int, apart: int) -> float:
    """Density from fourth differences over lines; 0 where there are too few to tell.

    A change of amplitude or phase over the width leaves next to nothing in a fourth difference.
    """
    if smooth.shape[1] <= 4 * apart:
        return 0.0
    fourth = sum(
        share * smooth[:, k * apart : smooth.shape[1] - (4 - k) * apart]
        for k, share in enumerate((1.0, -4.0, 6.0, -4.0, 1.0))
    )
    fourth = np.asarray(fourth)
    fourth = fourth[np.isfinite(fourth)]
    looks = fourth.size / (2 * half_width) / apart
    if looks < LEAST_LOOKS:
        return 0.0
    variance = (1.4826 * float(np.median(np.abs(fourth)))) ** 2 / 70.0
    kernel = fit_kernel(half_width)
    return variance * pitch_mm / float(kernel @ kernel)


def _noise_left(
    lines: npt.NDArray[np.float32], smooth: Floats, pitch_mm: float, half_width: int
) -> LineNoise:
    """Noise from what the smoothing leaves."""
    left = lines - smooth
    left = np.where(np.isfinite(left), left, 0.0)
    used = (left != 0).sum(axis=0) > 0.5 * left.shape[0]
    if not used.any():
        return LineNoise(0.0, 0.0)
    left = left[:, used]
    window = np.hanning(left.shape[0] + 2)[1:-1, np.newaxis] * (left != 0)
    power = np.abs(np.fft.rfft(left * window, axis=0)) ** 2 * pitch_mm / (window**2).sum(axis=0)
    frequency = np.asarray(np.fft.rfftfreq(left.shape[0], pitch_mm), dtype=np.float64)
    low = 1 / LONGEST_NOISE_MM
    high = min(1 / SHORTEST_NOISE_MM, 0.4 / pitch_mm)
    inside = (frequency >= low) & (frequency <= max(high, 2 * low))
    passed = 1 - transfer(1 / (frequency[inside] * pitch_mm), half_width)
    inside[inside] = passed > LEAST_PASSED
    passed = passed[passed > LEAST_PASSED]
    if passed.size < 8:  # too coarse a pitch: noise has to be white then
        kernel = fit_kernel(half_width)
        share = 1 - 2 * kernel[half_width] + float((kernel**2).sum())
        return LineNoise(float((left[left != 0] ** 2).mean() / share * pitch_mm), 0.0)
    # a median over the lines and over neighbouring frequencies is deaf to narrow imprints
    density = np.median(power[inside], axis=1) / np.log(2) / passed**2
    density = ndimage.median_filter(density, min(9, density.size), mode="nearest")
    return _extended(frequency[inside], np.asarray(density, dtype=np.float64))


def _extended(frequency: Floats, density: Floats) -> LineNoise:
    """White plus correlated noise fitted to a density, at zero frequency."""
    weight = 1 / np.maximum(density, 1e-30)
    white = float((density * weight**2).sum() / (weight**2).sum())
    # white unless a correlated part explains clearly more: its extension to zero frequency is large
    best = CLEARLY_BETTER * float(np.linalg.norm((density - white) * weight))
    found = LineNoise(white, 0.0)
    for length in np.geomspace(0.5, 30.0, 40):
        for shape in (_exponential, _gaussian):
            columns = np.stack([shape(frequency, length), np.ones_like(frequency)], 1)
            share, misfit = optimize.nnls(columns * weight[:, np.newaxis], density * weight)
            if misfit < best * (1 - 1e-3):
                best, found = misfit, LineNoise(float(share.sum()), float(length))
    return found


def _exponential(frequency: Floats, length: float) -> Floats:
    """Density of noise with correlation exp(-d / length), one at zero frequency."""
    return np.asarray(1 / (1 + (2 * np.pi * frequency * length) ** 2))


def _gaussian(frequency: Floats, length: float) -> Floats:
    """Density of noise with correlation exp(-(d / length)^2), one at zero frequency."""
    return np.asarray(np.exp(-((np.pi * frequency * length) ** 2)))


def detection_swing_mm(
    noise: LineNoise,
    pitch_mm: float,
    half_width: int,
    *,
    half_span_mm: float | None,
    looks: float,
    false_rate: float,
) -> float:
    """Swing that noise alone exceeds anywhere on a lite only with the stated chance, mm.

    half_span_mm  of the gauge; None for the surface itself
    looks         independent half waves on the lite

    The amplitude of narrow-band noise is Rayleigh distributed: P(swing > w) = exp(-w^2 / 8 s^2).
    """
    lag = _Lags(noise, pitch_mm, half_width)
    offsets, shares = _contacts(half_span_mm)
    variance = lag.covariance(lag.height, offsets, shares, offsets, shares)
    swing = float(np.sqrt(8 * variance[0] * np.log(max(looks, 1.0) / false_rate)))
    # rounding that noise does not blur moves whole stretches of a line by up to a step
    return max(swing, noise.step_mm)


class Budget(NamedTuple):
    """Standard uncertainties of half waves, (n,) each."""

    depth_mm: Floats
    wavelength_mm: Floats
    distortion_relative: Floats


def budget(
    waves: HalfWaves,
    noise: LineNoise,
    pitch_mm: float,
    half_width: int,
    *,
    half_span_mm: Floats | None,
    wavelength: str,
    filter_gain: Floats,
    model_doubt_mm: Floats,
) -> Budget:
    """Uncertainty of the depth and wavelength of half waves.

    half_span_mm    (n,) of the gauge at each; None for the surface itself
    wavelength      the rule the wavelengths follow
    filter_gain     (n,) of the smoothing, which the depths were divided by
    model_doubt_mm  (n,) change of the depth with the edge model
    """
    lag = _Lags(noise, pitch_mm, half_width)
    size = waves.depth_mm.size
    offsets, shares = _contacts(half_span_mm)
    apart = waves.x_to_mm - waves.x_from_mm
    own = lag.covariance(lag.height, offsets, shares, offsets, shares)
    shared = lag.covariance(lag.height, [o + apart for o in offsets], shares, offsets, shares)
    noise_depth = np.sqrt(np.maximum(2 * (own - shared), 0.0)) / filter_gain
    depth = np.sqrt(
        noise_depth**2
        + (FILTER_DOUBT * (1 - filter_gain) * waves.depth_mm) ** 2
        + model_doubt_mm**2
        + noise.step_mm**2 / 12
    )

    places = np.stack([waves.before_mm, waves.x_from_mm, waves.x_to_mm, waves.after_mm])
    share = np.zeros((4, size))
    has_before, has_after = np.isfinite(places[0]), np.isfinite(places[3])
    if wavelength == "half":
        share[1], share[2] = -2.0, 2.0
    else:
        backward = has_before.astype(float) if wavelength == "centred" else np.ones(size)
        forward = has_after.astype(float) if wavelength == "centred" else np.zeros(size)
        full = np.maximum(backward + forward, 1.0)
        share[0], share[2] = -backward / full, backward / full
        share[1], share[3] = -forward / full, forward / full
    places = np.where(np.isfinite(places), places, waves.x_from_mm)
    turn = np.array([1.0, -1.0, 1.0, -1.0])  # curvature changes sign from one to the next
    variance, together = np.zeros(size), np.zeros(size)
    for p in range(4):
        for sign, at in ((1.0, waves.x_to_mm), (-1.0, waves.x_from_mm)):
            there = [o + places[p] - at for o in offsets]
            together += (sign * share[p] * turn[p]) * lag.covariance(
                lag.steepness, there, shares, offsets, shares, odd=True
            )
        for q in range(4):
            between = places[p] - places[q]
            variance += (share[p] * share[q] * turn[p] * turn[q]) * lag.covariance(
                lag.slope, [o + between for o in offsets], shares, offsets, shares
            )
    curvature = 0.5 * waves.depth_mm * (2 * np.pi / waves.wavelength_mm) ** 2
    length = np.sqrt(np.maximum(variance, 0.0)) / curvature
    length = np.hypot(length, DRIFT_DOUBT * waves.wavelength_mm)
    if wavelength == "centred":
        # at an end only one full wave is there, which lies a quarter wave off the half wave: a
        # drift shows as the difference between it and twice the half wave
        lone = has_before ^ has_after
        drift = np.abs(waves.wavelength_mm - 2 * (waves.x_to_mm - waves.x_from_mm))
        length = np.where(lone, np.hypot(length, drift), length)
    relative = (depth / waves.depth_mm) ** 2 + (2 * length / waves.wavelength_mm) ** 2
    # the contacts of one turning point are those of its neighbours where the feet are not half a
    # wavelength long: then depth and wavelength go together
    relative -= 4 * together / (filter_gain * curvature * waves.depth_mm * waves.wavelength_mm)
    return Budget(depth, length, np.sqrt(np.maximum(relative, 0.0)))


def _contacts(half_span_mm: Floats | float | None) -> tuple[list[Floats], list[float]]:
    """Where a figure takes heights from, and with what shares."""
    if half_span_mm is None:
        return [np.zeros(1)], [1.0]
    a = np.asarray(half_span_mm, float)
    return [np.zeros_like(a), -a, a], [1.0, -0.5, -0.5]


class _Lags:
    """Autocovariance of smoothed noise and of its slope at any lag."""

    def __init__(self, noise: LineNoise, pitch_mm: float, half_width: int) -> None:
        kernel = fit_kernel(half_width)
        slope = np.gradient(np.pad(kernel, 2), pitch_mm)
        white = noise.density_mm3 / pitch_mm
        self.pitch_mm = pitch_mm
        self.height = white * np.correlate(kernel, kernel, "full")[kernel.size - 1 :]
        self.slope = white * np.correlate(slope, slope, "full")[slope.size - 1 :]
        self.steepness = np.gradient(self.height, pitch_mm)  # covariance of slope and height
        self.steepness[0] = 0.0

    def covariance(
        self,
        table: Floats,
        offsets: list[Floats],
        shares: list[float],
        other_offsets: list[Floats],
        other_shares: list[float],
        *,
        odd: bool = False,
    ) -> Floats:
        """Covariance of two sums of the table's process taken at these offsets, mm.

        odd  the table changes its sign with the lag
        """
        total: Floats = np.zeros(1)
        lags = np.arange(table.size) * self.pitch_mm
        for o, c in zip(offsets, shares, strict=True):
            for p, d in zip(other_offsets, other_shares, strict=True):
                value = np.interp(np.abs(o - p), lags, table, right=0.0)
                total = total + c * d * (value * np.sign(o - p) if odd else value)
        return total


def expected_largest(values: Floats, uncertainty: Floats) -> float:
    """Expected largest of independent normal figures about these values.

    Its excess over the largest value is the bias of a maximum of noisy figures.
    """
    sd = np.maximum(uncertainty, 1e-12)
    near = values > values.max() - 8 * sd.max()
    values, sd = values[near], sd[near]
    from scipy.special import log_ndtr

    grid = np.linspace(values.max() - 6 * sd.max(), values.max() + 8 * sd.max(), 600)
    below = np.exp(log_ndtr((grid[:, np.newaxis] - values) / sd).sum(axis=1))
    return float(grid[-1] - np.trapezoid(below, grid))
