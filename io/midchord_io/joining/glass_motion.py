"""How glass moves on a conveyor while its lines are taken: heave, pitch and roll, line by line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Attitude", "noise_mm", "surrogate"]

Array = npt.NDArray[np.float64]
Heights = npt.NDArray[np.float32]


class Attitude(NamedTuple):
    """How the glass lay while each line was taken, and the rows' own errors."""

    heave_mm: Array
    """(lines,), where the lines are, at the middle of the width."""
    pitch: Array
    """(lines,), slope along x."""
    roll: Array
    """(lines,), slope along y."""
    row_x_mm: Array
    row_offset_mm: Array
    row_tilt: Array
    middle_y_mm: float

    def seen_by(self, row: int, lines: slice, y_mm: Array) -> Array:
        """What the attitude adds to the heights of a row: (lines, columns), mm."""
        alone = self.heave_mm[lines] + self.pitch[lines] * self.row_x_mm[row]
        alone = alone + self.row_offset_mm[row]
        across = self.roll[lines] + self.row_tilt[row]
        return np.asarray(alone[:, None] + across[:, None] * (y_mm - self.middle_y_mm))


def noise_mm(rows: Sequence[Heights]) -> float:
    """Standard deviation of one sample, from second differences across the travel, mm."""
    some = [row[:: max(1, row.shape[0] // 200)].astype(np.float64) for row in rows]
    # heave, pitch and roll are straight across, and so nearly is the glass of three columns
    axis = 1 if some[0].shape[1] >= 5 else 0
    bends = np.concatenate([np.diff(part, 2, axis=axis).ravel() for part in some])
    bends = bends[np.isfinite(bends)]
    return 1.4826 * float(np.median(np.abs(bends))) / np.sqrt(6.0) if bends.size else 0.0


def surrogate(series: Array, rng: np.random.Generator) -> Array:
    """Another series with the spectrum of this one: its phases drawn anew."""
    spectrum = np.fft.rfft(series)
    phases = rng.uniform(0, 2 * np.pi, spectrum.size)
    spectrum[1:] = np.abs(spectrum[1:]) * np.exp(1j * phases[1:])
    return np.fft.irfft(spectrum, series.size)
