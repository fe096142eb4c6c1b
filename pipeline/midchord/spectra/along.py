"""Power spectral density along the travel, in physical units.

The density S(f) of a profile z(x) is one-sided: f > 0 in cycles per mm, S in mm^2 mm, and its
integral over all f is the variance of the profile (Parseval's theorem), so that an area under the
curve is a part of the mean square height. Times (2 pi f)^4 it is the density of the curvature, and
its integral the variance of the curvature, to which distortion goes in proportion.

Three estimates, each with its *resolution* (full width, cycles per mm, within which power is
smeared) and its *degrees of freedom* (of a chi-square that scatters as an ordinate does):

``multitaper``     Slepian tapers: K orthogonal looks at the same profile, averaged. Resolution
                   2 NW / T, degrees of freedom 2 K. The estimate for short profiles.
                   Thomson, Proc. IEEE 70 (1982) 1055; Percival and Walden 1993, ch. 7.
``welch``          mean of the periodograms of overlapping Hann-windowed segments. Resolution 1.5 /
                   segment (equivalent noise bandwidth of the Hann window). Welch 1967.
``least_squares``  a sine and a cosine fitted at each frequency, with a constant, to the points that
                   are there (Lomb 1976, Scargle 1982): for profiles with long gaps. Resolution 1 /
                   T.

Short gaps are bridged by leaving them out of the tapered sums: the estimate stays unbiased where
the density is smooth over the resolution, and leakage grows with what is missing. Beyond
``MOST_MISSING`` the least-squares estimate is taken.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["MOST_MISSING", "Spectrum", "density_along", "least_squares", "multitaper", "welch"]

Floats = npt.NDArray[np.float64]

MOST_MISSING = 0.2
"""Share of the points that may be missing before tapers lose what they are for."""


class Spectrum(NamedTuple):
    """One-sided density.

    frequency       (frequency,) cycles per mm, ascending, even steps, zero left out
    density         (frequency,) mm^2 mm
    dof             degrees of freedom of one ordinate
    resolution      cycles per mm, full width
    method          multitaper, welch or least_squares
    """

    frequency: Floats
    density: Floats
    dof: float
    resolution: float
    method: str

    def resolution_mm(self, wavelength_mm: float) -> float:
        """Smallest difference of wavelengths that can be told apart about one of them."""
        return wavelength_mm**2 * self.resolution

    def variance(self, shortest_mm: float = 0.0, longest_mm: float = math.inf) -> float:
        """Mean square height, mm^2, of the waves between two lengths."""
        return self._integral(0, shortest_mm, longest_mm)

    def curvature_variance(self, shortest_mm: float, longest_mm: float = math.inf) -> float:
        """Mean square curvature, mm^-2, of the waves between two lengths."""
        return self._integral(4, shortest_mm, longest_mm)

    def _integral(self, power: int, shortest_mm: float, longest_mm: float) -> float:
        high = math.inf if shortest_mm <= 0 else 1 / shortest_mm
        inside = (self.frequency >= 1 / longest_mm) & (self.frequency <= high)
        step = self.frequency[1] - self.frequency[0]
        weight = (2 * math.pi * self.frequency[inside]) ** power
        return float((self.density[inside] * weight).sum() * step)


def density_along(
    height_mm: Floats, pitch_mm: float, *, time_bandwidth: float = 2.5, tapers: int = 4
) -> Spectrum:
    """Density of one profile by the estimate that suits it.

    height_mm       (x,) mm, NaN where not measured
    pitch_mm        distance of its points
    time_bandwidth  NW of the tapers: half the resolution in units of 1 / length
    tapers          how many of them, at most 2 NW - 1
    Raises          ValueError: fewer than 16 points measured
    """
    if float(np.mean(~np.isfinite(height_mm))) > MOST_MISSING:
        x_mm = np.arange(float(height_mm.size)) * pitch_mm
        steps = np.arange(1.0, height_mm.size // 2 + 1)
        return least_squares(x_mm, height_mm, steps / (height_mm.size * pitch_mm))
    return multitaper(height_mm, pitch_mm, time_bandwidth=time_bandwidth, tapers=tapers)


def multitaper(
    height_mm: Floats, pitch_mm: float, *, time_bandwidth: float = 2.5, tapers: int = 4
) -> Spectrum:
    """Slepian multitaper estimate; arguments as ``density_along``."""
    count = height_mm.size
    measured, filled = _centred(height_mm)
    windows = _slepian(count, time_bandwidth, tapers) * measured
    # each window keeps its unit energy over the points that are there
    windows /= np.sqrt((windows**2).sum(axis=1, keepdims=True))
    transform = np.fft.rfft(windows * filled, axis=1)
    density = _one_sided((np.abs(transform) ** 2).mean(axis=0), count) * pitch_mm
    return Spectrum(
        _frequencies(count, pitch_mm),
        density[1:],
        2.0 * tapers,
        2 * time_bandwidth / (count * pitch_mm),
        "multitaper",
    )


def welch(
    height_mm: Floats, pitch_mm: float, *, segment_mm: float, overlap: float = 0.5
) -> Spectrum:
    """Welch's estimate with a Hann window; segments with a gap are left out.

    height_mm   (x,) mm, NaN where not measured
    segment_mm  length of a segment; at most the profile's
    overlap     share of a segment that the next one repeats, below 1
    Raises      ValueError: no segment is whole
    Source      Welch, IEEE Trans. AU-15 (1967) 70, for the degrees of freedom
    """
    count = min(height_mm.size, max(8, round(segment_mm / pitch_mm)))
    step = max(1, count - int(overlap * count))
    starts = range(0, height_mm.size - count + 1, step)
    pieces = np.array([height_mm[start : start + count] for start in starts])
    kept = np.isfinite(pieces).all(axis=1)
    if not kept.any():
        raise ValueError("no segment of the profile is without a gap")
    window = np.hanning(count + 1)[:-1]  # the periodic one
    energy = float((window**2).sum())
    whole = pieces[kept] - pieces[kept].mean(axis=1, keepdims=True)
    power = np.abs(np.fft.rfft(whole * window, axis=1)) ** 2
    density = _one_sided(power.mean(axis=0), count) * pitch_mm / energy
    used = int(kept.sum())
    inflation = 1.0
    for lag in range(1, used):
        if lag * step >= count:
            break
        shared = float((window[lag * step :] * window[: count - lag * step]).sum()) / energy
        inflation += 2 * (1 - lag / used) * shared**2
    return Spectrum(
        _frequencies(count, pitch_mm),
        density[1:],
        2 * used / inflation,
        energy / float(window.sum()) ** 2 / pitch_mm,
        "welch",
    )


def least_squares(x_mm: Floats, height_mm: Floats, frequency: Floats) -> Spectrum:
    """Constant, sine and cosine fitted at each frequency to the points that are there.

    x_mm       (x,) mm, any spacing
    height_mm  (x,) mm, NaN where not measured
    frequency  (frequency,) cycles per mm, even steps of 1 / length: then the densities of white
               noise are independent and their integral is the variance
    Raises     ValueError: fewer than 16 points
    Source     Lomb, Astrophys. Space Sci. 39 (1976) 447, with a floating mean
    """
    measured = np.isfinite(height_mm)
    if int(measured.sum()) < 16:
        raise ValueError("fewer than 16 points of the profile were measured")
    x, z = x_mm[measured], height_mm[measured]
    ones, explained = np.ones_like(x), np.empty(frequency.size)
    rest = z - z.mean()
    for number, f in enumerate(frequency):
        angle = 2 * math.pi * f * x
        columns, _ = np.linalg.qr(np.stack([ones, np.cos(angle), np.sin(angle)], axis=1))
        explained[number] = float(((columns[:, 1:].T @ rest) ** 2).sum())
    # the two columns hold the power of one ordinate: that of its step of frequency
    step = float(frequency[1] - frequency[0])
    return Spectrum(frequency, explained / z.size / step, 2.0, step, "least_squares")


@functools.lru_cache(maxsize=64)
def _slepian(count: int, time_bandwidth: float, tapers: int) -> Floats:
    from scipy.signal.windows import dpss

    windows = np.asarray(dpss(count, time_bandwidth, Kmax=tapers), dtype=np.float64)
    windows.setflags(write=False)
    return windows


def _centred(height_mm: Floats) -> tuple[npt.NDArray[np.bool_], Floats]:
    measured = np.isfinite(height_mm)
    if int(measured.sum()) < 16:
        raise ValueError("fewer than 16 points of the profile were measured")
    return measured, np.where(measured, height_mm - height_mm[measured].mean(), 0.0)


def _frequencies(count: int, pitch_mm: float) -> Floats:
    return np.arange(1.0, count // 2 + 1) / (count * pitch_mm)


def _one_sided(power: Floats, count: int) -> Floats:
    """Both signs of a frequency in one ordinate; zero and an even count's last have one sign."""
    doubled = 2 * power
    doubled[0] /= 2
    if count % 2 == 0:
        doubled[-1] /= 2
    return doubled
