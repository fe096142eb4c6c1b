"""The roll wave of a lite as one narrow band: its phase along the travel.

All lines of a lite share a wavelength, and its drift, because the same rollers carried them; what
differs from line to line is amplitude and a constant phase (the ridges run slanting). So each
line is shifted down in frequency by the lite's strongest wave, smoothed, and the advance of its
phase from one position to the next is averaged over the lines as a complex number: constant
phases cancel, lines without a wave do not count. Integrated, the advance gives a phase phi(x) in
which the wave is nearly ``A cos phi + B sin phi`` with slowly varying A and B.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre
from scipy import ndimage

__all__ = ["phase_along", "roll_basis", "strongest_wavelength_mm"]

Floats = npt.NDArray[np.float64]

SMOOTHING = 0.6
"""Standard deviation of the smoothing over x, in wavelengths."""
WAVES_PER_TERM = 1.5
LARGEST_AMPLITUDE_ORDER = 8


def strongest_wavelength_mm(
    height: Floats, x_mm: Floats, *, band_mm: tuple[float, float]
) -> float:
    """Wavelength of the largest mean power over the lines within the band, mm.

    height  (x, lines), mm, zero where not measured
    """
    step = (x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    size = 8 * x_mm.size
    window = np.hanning(x_mm.size + 2)[1:-1, np.newaxis]
    power = (np.abs(np.fft.rfft(height * window, size, axis=0)) ** 2).sum(axis=1)
    frequency = np.fft.rfftfreq(size, step)
    inside = (frequency >= 1 / band_mm[1]) & (frequency <= 1 / band_mm[0])
    if not inside.any() or not power[inside].any():
        return float(np.sqrt(band_mm[0] * band_mm[1]))
    return float(1 / frequency[inside][np.argmax(power[inside])])


def phase_along(
    height: Floats,
    known: npt.NDArray[np.bool_],
    x_mm: Floats,
    *,
    band_mm: tuple[float, float],
) -> Floats:
    """Phase phi(x) of the lite's roll wave in radians, zero at the first position.

    height   (x, lines), mm: bow and edge lift taken out as far as known
    known    (x, lines): measured
    x_mm     (x,), mm, even
    band_mm  shortest and longest roll wave
    """
    step = (x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    height = np.where(known, height, 0.0)
    wavelength_mm = strongest_wavelength_mm(height, x_mm, band_mm=band_mm)
    carrier = 2 * np.pi / wavelength_mm
    shifted = height * np.exp(-1j * carrier * x_mm)[:, np.newaxis]
    sigma = SMOOTHING * wavelength_mm / step
    seen = ndimage.gaussian_filter1d(known.astype(float), sigma, axis=0, mode="constant")
    slow = ndimage.gaussian_filter1d(shifted, sigma, axis=0, mode="constant")
    slow = np.divide(slow, seen, out=np.zeros_like(slow), where=seen > 0.05)
    turn = (slow[1:] * slow[:-1].conj()).sum(axis=1)
    turn = ndimage.gaussian_filter1d(turn, sigma, mode="nearest")
    rate = carrier + np.angle(turn) / step
    rate = np.clip(rate, 2 * np.pi / band_mm[1], 2 * np.pi / band_mm[0])
    # the ends are smoothed from one side only and hold what is left of edge lift
    held = min(round(0.75 * wavelength_mm / step), rate.size // 3)
    if held:
        rate[:held], rate[-held:] = rate[held], rate[-held - 1]
    return np.concatenate([[0.0], np.cumsum(rate) * step])


def roll_basis(phase: Floats) -> Floats:
    """Cosine and sine of the phase, each with an amplitude that varies slowly along x; (x, k)."""
    waves = (phase[-1] - phase[0]) / (2 * np.pi)
    order = int(np.clip(waves / WAVES_PER_TERM, 1, LARGEST_AMPLITUDE_ORDER))
    slow = legendre.legvander(np.linspace(-1, 1, phase.size), order)
    return np.hstack([slow * np.cos(phase)[:, np.newaxis], slow * np.sin(phase)[:, np.newaxis]])
