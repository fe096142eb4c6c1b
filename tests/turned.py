"""Scans of turned lites with known outline and surface, for the tests of placing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.scan import make_scan

Floats = npt.NDArray[np.float64]
Field = Callable[[Floats, Floats], Any]


class Turned(NamedTuple):
    """A scan, and the truth: corners on the machine's axes, lite coordinates of every cell."""

    scan: xr.Dataset
    corners_mm: dict[str, tuple[float, float]]
    along_mm: Floats
    across_mm: Floats


def turned(
    surface: Field,
    *,
    length_mm: float = 1200.0,
    width_mm: float = 700.0,
    skew_deg: float = 0.0,
    zero_mm: tuple[float, float] = (60.37, 40.71),
    pitch_mm: tuple[float, float] = (1.0, 6.0),
    noise_mm: float = 0.0,
    dropout_share: float = 0.0,
    glass: Field | None = None,
    spoil: Callable[[Floats, Floats, Floats], None] | None = None,
    seed: int = 7,
    margin_mm: float = 35.0,
) -> Turned:
    """Heights surface(along, across) where the lite is and ``glass`` says so, else NaN."""
    cos, sin = np.cos(np.deg2rad(skew_deg)), np.sin(np.deg2rad(skew_deg))
    names = ("leading_left", "trailing_left", "leading_right", "trailing_right")
    own = [(0.0, 0.0), (length_mm, 0.0), (0.0, width_mm), (length_mm, width_mm)]
    corners = {
        name: (zero_mm[0] + u * cos - v * sin, zero_mm[1] + u * sin + v * cos)
        for name, (u, v) in zip(names, own, strict=True)
    }
    axes = []
    for k in (0, 1):
        ends = [corner[k] for corner in corners.values()]
        first = np.floor((min(ends) - margin_mm) / pitch_mm[k]) * pitch_mm[k]
        count = int(np.ceil((max(ends) + margin_mm - first) / pitch_mm[k]))
        axes.append(first + pitch_mm[k] * np.arange(count))
    x, y = axes[0][:, None] - zero_mm[0], axes[1][None, :] - zero_mm[1]
    u, v = x * cos + y * sin, -x * sin + y * cos
    rng = np.random.default_rng(seed)
    height = surface(u, v) + noise_mm * rng.standard_normal(u.shape)
    is_glass = (u >= 0) & (u <= length_mm) & (v >= 0) & (v <= width_mm)
    if glass is not None:
        is_glass &= glass(u, v)
    height[~is_glass] = np.nan
    height[rng.random(u.shape) < dropout_share] = np.nan
    if spoil is not None:
        spoil(height, u, v)
    scan = make_scan(
        height,
        x_mm=axes[0],
        y_mm=axes[1],
        lite_id="lite 7",
        instrument="made up",
        scanned_at="2026-01-01T00:00:00Z",
        frame="machine",
    )
    return Turned(scan, corners, u, v)


def steep(u: Floats, v: Floats, length_mm: float = 1200.0, width_mm: float = 700.0) -> Any:
    """Roll wave, bow, edge lift on all sides and a bump: everything that is no spike."""
    lift = 0.35 * (np.exp(-u / 30.0) + np.exp(-(length_mm - u) / 45.0))
    lift = lift + 0.30 * (np.exp(-v / 30.0) + np.exp(-(width_mm - v) / 60.0))
    bump = 0.5 * np.exp(-((u - 420.0) ** 2 + (v - 150.0) ** 2) / (2.0 * 25.0**2))
    wave = 0.04 * np.cos(2.0 * np.pi * (u + 0.02 * v) / 230.0)
    return 5.0 + lift + bump + wave + 3.0 * np.cos(np.pi * (u / length_mm - 0.5))


def worst_corner_mm(lite: xr.Dataset, case: Turned) -> float:
    found = lite.attrs["corners_machine_mm"]
    return max(float(np.hypot(*np.subtract(found[k], case.corners_mm[k]))) for k in found)
