"""Power spectral density over the area, and the content of waves by zone.

The areal density S(fx, fy), mm^4, says which way waves run: ridges square to the travel lie on
fy = 0, ridges turned by an angle on a line turned by it, the imprint of a nozzle grid on the points
of the inverse grid. fx runs from 0 up, fy through both signs (of a real surface S(-fx, -fy) is
S(fx, fy), so half of the plane holds everything, doubled). The surface is weighted by a Hann window
along both axes; the integral over the plane is the variance so weighted (Parseval's theorem).

By zone, every column of the lite is parted into bands of wavelengths along the travel, over its
whole length, and the mean square of each part taken zone by zone: the bands are as sharp as the
lite is long, and what is told of a zone is where along and across the lite a band is strong. The
column is mirrored at its end, since a jump from its last point to its first would spill into every
band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Areal", "areal_density", "content_by_zone"]

Floats = npt.NDArray[np.float64]

class Areal(NamedTuple):
    """One-sided in fx.

    fx        (fx,) cycles per mm, 0 and up
    fy        (fy,) cycles per mm, ascending through zero
    density   (fx, fy) mm^4
    """

    fx: Floats
    fy: Floats
    density: Floats

    def variance(self) -> float:
        """Mean square height, mm^2."""
        return float(self.density.sum() * (self.fx[1] - self.fx[0]) * (self.fy[1] - self.fy[0]))

    def direction_deg(self, shortest_mm: float, longest_mm: float) -> float:
        """Direction in which the waves of a band run, from x towards y: the axis of largest second
        moment of their density. The ridges stand square to it."""
        fx, fy = self.fx[:, None], self.fy[None, :]
        size = np.hypot(fx, fy)
        inside = np.where((size >= 1 / longest_mm) & (size <= 1 / shortest_mm), self.density, 0.0)
        twist = float((inside * 2 * fx * fy).sum())
        stretch = float((inside * (fx**2 - fy**2)).sum())
        return math.degrees(0.5 * math.atan2(twist, stretch))


def areal_density(residual_mm: Floats, pitch_x_mm: float, pitch_y_mm: float) -> Areal:
    """Areal density of one surface.

    residual_mm  (x, y) mm, NaN where not measured: left out of the sums
    Raises       ValueError: nothing measured
    """
    measured = np.isfinite(residual_mm)
    if not measured.any():
        raise ValueError("nothing of the surface was measured")
    count_x, count_y = residual_mm.shape
    window = np.outer(np.hanning(count_x + 2)[1:-1], np.hanning(count_y + 2)[1:-1]) * measured
    mean = float((np.where(measured, residual_mm, 0.0) * window).sum() / window.sum())
    weighted = np.where(measured, residual_mm - mean, 0.0) * window
    power = np.abs(np.fft.fft2(weighted)) ** 2 * pitch_x_mm * pitch_y_mm / (window**2).sum()
    half = power[: count_x // 2 + 1]
    doubled = np.where(np.arange(half.shape[0])[:, None] == 0, half, 2 * half)
    if count_x % 2 == 0:
        doubled[-1] = half[-1]
    return Areal(
        np.arange(half.shape[0]) / (count_x * pitch_x_mm),
        np.fft.fftshift(np.fft.fftfreq(count_y, pitch_y_mm)),
        np.fft.fftshift(doubled, axes=1),
    )


def content_by_zone(
    residual_mm: Floats,
    pitch_x_mm: float,
    bands_mm: Sequence[tuple[float, float]],
    *,
    rows: int = 3,
    columns: int = 3,
) -> Floats:
    """Mean square height of the waves of each band in each zone.

    residual_mm    (x, y) mm, NaN where not measured: nothing is taken to be there
    bands_mm       (shortest, longest) of each; the longest is out, the shortest is in
    rows, columns  zones along and across
    returns        (row, column, band) mm^2; NaN where fewer than half of the points were measured
    """
    count = residual_mm.shape[0]
    measured = np.isfinite(residual_mm)
    means = np.where(measured, residual_mm, 0.0).sum(axis=0) / np.maximum(measured.sum(axis=0), 1)
    filled = np.where(measured, residual_mm - means, 0.0)
    transform = np.fft.rfft(np.concatenate([filled, filled[::-1]]), axis=0)
    f = np.arange(transform.shape[0]) / (2 * count * pitch_x_mm)
    found = np.full((rows, columns, len(bands_mm)), np.nan)
    for b, (shortest, longest) in enumerate(bands_mm):
        inside = (f > 1 / longest) & (f <= 1 / shortest)
        if not inside.any():
            continue
        part = np.fft.irfft(transform * inside[:, None], 2 * count, axis=0)[:count]
        for r, along in enumerate(np.array_split(np.arange(count), rows)):
            for c, across in enumerate(np.array_split(np.arange(residual_mm.shape[1]), columns)):
                seen = measured[np.ix_(along, across)]
                if seen.mean() >= 0.5:
                    found[r, c, b] = float((part[np.ix_(along, across)][seen] ** 2).mean())
    return found
