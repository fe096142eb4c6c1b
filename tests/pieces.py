"""Ridge profiles of known truth, one dimension only, for the tests of the causes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from midchord.causes.harmonics import Piece, Weights
from midchord.causes.waves_found import Rules

LENGTH_MM, PITCH_MM = 2300.0, 5.0
RULES = Rules(
    lowest=1 / 700, highest=1 / 30, most_waves=8, false_rate=0.05, least_wander=0.01,
    least_lites=3, claim_rate=0.05, weights=Weights(1 / 910, 0.09),
)  # fmt: skip


def pieces(
    seed: int,
    lites: int,
    *,
    lines: Sequence[tuple[float, float]] = (),
    wander: tuple[float, float, float] | None = None,
    background_mm: float = 0.003,
    corner_mm: float = 400.0,
    spread: float = 0.4,
) -> list[Piece]:
    """lines: (period, amplitude), phases at random; wander: (mean length, amplitude, relative
    scatter from lite to lite); background: a continuous spectrum that falls towards short waves."""
    rng = np.random.default_rng(seed)
    count = round(LENGTH_MM / PITCH_MM)
    x = (np.arange(count) - 0.5 * (count - 1)) * PITCH_MM
    f = np.fft.rfftfreq(4 * count, PITCH_MM)
    shape = 1 / np.sqrt(1 + (f * corner_mm) ** 2)
    shape[0] = 0
    scale = np.sqrt((shape**2).sum()) * np.sqrt(2) / (4 * count) * np.sqrt(2)
    made = []
    for lite in range(lites):
        rough = rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)
        z = background_mm / scale * np.fft.irfft(shape * rough, 4 * count)[:count]
        for period, amplitude in lines:
            size = amplitude * rng.lognormal(0, spread)
            z = z + size * np.cos(2 * np.pi * x / period + rng.uniform(0, 2 * np.pi))
        if wander is not None:
            period = wander[0] * (1 + wander[2] * rng.standard_normal())
            z = z + wander[1] * np.cos(2 * np.pi * x / period + rng.uniform(0, 2 * np.pi))
        made.append(Piece(lite, x, z, LENGTH_MM))
    return made
