"""The noise of single points of a scan, and the step that its heights are rounded to.

Noise: median absolute deviation of third differences along x, blind to anything quadratic, never
below half a rounding step.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["scan_noise_mm", "undithered_step_mm"]

Heights = npt.NDArray[np.float32]

LEAST_NOISE_MM = 5e-4
"""A spike of six times this is of no account; keeps noise-free data from being picked apart."""
LEAST_STEP_MM = 1e-3
"""Finer rounding is of no account, and is not told from heights that are not rounded at all."""


def scan_noise_mm(height: Heights, *, pitch_x_mm: float) -> float:
    """Standard deviation of the noise of single points; mm.

    height  (x, y), mm, NaN where not glass

    The larger of two estimates, at the closest lag and at about 6 mm (four points at most): noise
    that is correlated along x shows in full only at the wider lag.
    """
    some = _some_lines(height)
    seen = _seen_noise_mm(some, pitch_x_mm)
    return max(seen, 0.5 * _quantisation_mm(some), LEAST_NOISE_MM)


def undithered_step_mm(height: Heights, *, pitch_x_mm: float) -> float:
    """Step that heights are rounded to, where the noise is too small to blur it; otherwise 0; mm.

    height  (x, y), mm, NaN where not glass

    Noise of half a step or more turns rounding into a little more noise (dither). Below that the
    rounding follows the surface, and no averaging takes it out.
    """
    some = _some_lines(height)
    step_mm = _quantisation_mm(some)
    is_seen = step_mm > LEAST_STEP_MM and _seen_noise_mm(some, pitch_x_mm) < 0.5 * step_mm
    return step_mm if is_seen else 0.0


def _some_lines(height: Heights) -> npt.NDArray[np.float64]:
    step = max(1, int(np.ceil(height.size / 1_000_000)))
    return height[:, ::step].astype(np.float64)


def _seen_noise_mm(some: npt.NDArray[np.float64], pitch_x_mm: float) -> float:
    estimates = [_third_difference_noise(some, 1)]
    wide = min(4, int(6.0 / pitch_x_mm))
    if wide > 1:
        estimates.append(_third_difference_noise(some, wide))
    return max(estimates)


def _third_difference_noise(height: npt.NDArray[np.float64], lag: int) -> float:
    if height.shape[0] <= 3 * lag:
        return 0.0
    third = (
        height[3 * lag :]
        - 3.0 * height[2 * lag : -lag]
        + 3.0 * height[lag : -2 * lag]
        - height[: -3 * lag]
    )
    third = third[np.isfinite(third)]
    if third.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))


def _quantisation_mm(height: npt.NDArray[np.float64]) -> float:
    """Smallest step between heights that occur; a rounding error of float32 where there is none."""
    finite = height[np.isfinite(height)]
    finite = finite[:: max(1, finite.size // 50_000)]
    steps = np.diff(np.unique(finite))
    rounding = 4.0 * float(np.spacing(np.float32(np.abs(finite).max()))) if finite.size else 0.0
    steps = steps[steps > rounding]
    return float(steps.min()) if steps.size else 0.0
