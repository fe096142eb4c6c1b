"""Waves of given frequencies in one course across, beside a slow baseline, by least squares.

A lite is only some tens of nozzle pitches wide, rarely a whole number of them, and has gaps: so
no transform, but for each frequency f the fit of

    w(y) = slow(y) + Re(C exp(2 pi i f (y - y_c)))

to the points that were measured. ``slow`` is a cubic spline whose knots stand several pitches
apart: it takes what bow, edge lift and heating leave, and nothing of the pitch. The power of a wave
is the sum of squares that it takes out; in noise alone it has two degrees of freedom.
(Least-squares spectra with a floating baseline: Zechmeister and Kuerster, Astron. Astrophys. 496
(2009) 577, for a constant one.)
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Comb", "CombCache", "slow_columns"]

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Mask = npt.NDArray[np.bool_]

LEAST_POINTS = 8


class Comb(NamedTuple):
    """Linear operators for one grid, one mask and one list of frequencies.

    read  (frequency, y) complex: read @ w = C, with zeros where nothing was measured
    gram  (frequency, 2, 2) of cosine and sine beside the baseline
    """

    read: Complex
    gram: Floats

    def coefficients(self, course: Floats) -> tuple[Complex, Floats]:
        """C (frequency,) and its power (frequency,) of one course (y,), NaN not measured."""
        found = self.read @ np.where(np.isfinite(course), course, 0.0)
        pair = np.stack([found.real, -found.imag], axis=1)
        return found, np.einsum("fi,fij,fj->f", pair, self.gram, pair)


class CombCache:
    """Operators are made once for all lites of one grid and one mask."""

    def __init__(self, baseline_mm: float) -> None:
        self.baseline_mm = baseline_mm
        self._made: dict[tuple[int, float, bytes, bytes], Comb] = {}

    def comb(self, y_mm: Floats, measured: Mask, frequencies: Floats) -> Comb | None:
        """Operators of one course; None where too little was measured."""
        step = float(y_mm[1] - y_mm[0])
        key = (y_mm.size, round(step, 6), np.packbits(measured).tobytes(), frequencies.tobytes())
        if key not in self._made:
            if len(self._made) > 64:  # lites with gaps of their own: no cache grows without end
                self._made.clear()
            made = self._make(y_mm, measured, frequencies)
            if made is None:
                return None
            self._made[key] = made
        return self._made[key]

    def _make(self, y_mm: Floats, measured: Mask, frequencies: Floats) -> Comb | None:
        slow = slow_columns(y_mm, self.baseline_mm)
        if measured.sum() < slow.shape[1] + LEAST_POINTS:
            return None
        y = y_mm - 0.5 * (y_mm[0] + y_mm[-1])
        left, sizes, _ = np.linalg.svd(slow[measured], full_matrices=False)
        base = left[:, sizes > 1e-9 * sizes[0]]
        phase = 2 * math.pi * np.outer(y[measured], frequencies)
        cosine, sine = np.cos(phase), np.sin(phase)
        cosine -= base @ (base.T @ cosine)
        sine -= base @ (base.T @ sine)
        gram = np.empty((frequencies.size, 2, 2))
        gram[:, 0, 0] = (cosine**2).sum(axis=0)
        gram[:, 1, 1] = (sine**2).sum(axis=0)
        gram[:, 0, 1] = gram[:, 1, 0] = (cosine * sine).sum(axis=0)
        solve = np.linalg.pinv(gram, hermitian=True)
        a = solve[:, 0, 0, None] * cosine.T + solve[:, 0, 1, None] * sine.T
        b = solve[:, 1, 0, None] * cosine.T + solve[:, 1, 1, None] * sine.T
        read = np.zeros((frequencies.size, y_mm.size), dtype=np.complex128)
        read[:, measured] = a - 1j * b  # Re(C e^i) = a cos + b sin
        return Comb(read, gram)


def slow_columns(y_mm: Floats, knots_mm: float) -> Floats:
    """Cubic B-splines over y with knots ``knots_mm`` apart or more; (y, k), a line among them."""
    from scipy.interpolate import BSpline

    low, high = float(y_mm[0]), float(y_mm[-1])
    cells = max(1, int((high - low) // knots_mm))
    knots = np.linspace(low, high, cells + 1)
    padded = np.concatenate([[low] * 3, knots, [high] * 3])
    return np.asarray(BSpline.design_matrix(y_mm, padded, 3).toarray(), dtype=np.float64)
