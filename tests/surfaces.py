"""Truth by construction for every test: small, fast surfaces, never square.

``wave``   an even wave, nothing else, no noise
``lite``   a small lite with everything: (scan, truth); sections of the recipe may be replaced
``recipe`` its recipe alone
``field``  any formula z(x, y) on a grid
``scan``   any formula as a scan by the contract

All in mm, x along, y across. Grids start at half a pitch: cell centres of a lite at (0, 0).
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord_io.scan import make_scan

__all__ = ["distortion_mdpt", "field", "gain", "lite", "recipe", "scan", "wave"]

Formula = Callable[[npt.NDArray[np.float64], npt.NDArray[np.float64]], npt.ArrayLike]

SMALL_LITE: dict[str, Any] = {
    "seed": 7,
    "lite": {"length_mm": 2200.0, "width_mm": 600.0, "thickness_mm": 8.0, "id": "small"},
    "scanner": {"pitch_x_mm": 2.0, "pitch_y_mm": 10.0},
    "position": {
        "skew_deg": 0.6,
        "offset_x_mm": 47.0,
        "offset_y_mm": 31.0,
        "margin_mm": 25.0,
    },
    "roll_waves": [
        {
            "amplitude_mm": 0.045,
            "wavelength_mm": 230.0,
            "drift": {"sinusoidal": 0.06, "phase_deg": 40.0},
            "amplitude_across": {"linear": 0.2},
            "ridge_skew_deg": 1.0,
            "phase_deg": 25.0,
        }
    ],
    "form": {"bow_along_mm": 2.5, "bow_across_mm": -0.6, "twist_mm": 0.8},
    "edge_lift": {
        "leading": {"size_mm": 0.25, "decay_mm": 60.0},
        "trailing": {"size_mm": 0.18, "decay_mm": 45.0},
    },
    "noise": {"white_sigma_mm": 0.003},
    "dropouts": {"share": 0.01},
}


def field(
    z_of: Formula,
    *,
    length_mm: float = 1300.0,
    width_mm: float = 240.0,
    pitch_x_mm: float = 1.0,
    pitch_y_mm: float = 20.0,
    name: str = "height",
) -> xr.DataArray:
    """z_of(x, y) on a grid, float64 (x, y), mm."""
    x = (np.arange(round(length_mm / pitch_x_mm), dtype=np.float64) + 0.5) * pitch_x_mm
    y = (np.arange(round(width_mm / pitch_y_mm), dtype=np.float64) + 0.5) * pitch_y_mm
    z = np.broadcast_to(np.asarray(z_of(x[:, None], y[None, :]), dtype=float), (x.size, y.size))
    return xr.DataArray(
        z.copy(),
        dims=("x", "y"),
        coords={"x": ("x", x, {"units": "mm"}), "y": ("y", y, {"units": "mm"})},
        name=name,
        attrs={"units": "mm", "long_name": name},
    )


def wave(
    *,
    amplitude_mm: float = 0.05,
    wavelength_mm: float = 240.0,
    phase_rad: float = 0.0,
    **grid: Any,
) -> xr.DataArray:
    """amplitude cos(2 pi x / wavelength + phase), the same at every y; grid as in ``field``."""
    return field(
        lambda x, y: amplitude_mm * np.cos(2 * math.pi * x / wavelength_mm + phase_rad), **grid
    )


def scan(z_of: Formula, *, frame: str = "lite", **grid: Any) -> xr.Dataset:
    """z_of(x, y) as a scan by the contract."""
    height = field(z_of, **grid)
    return make_scan(
        height.values,
        x_mm=height.x.values,
        y_mm=height.y.values,
        lite_id="constructed",
        instrument="formula",
        scanned_at="2026-01-01T00:00:00Z",
        frame=frame,
    )


def recipe(**sections: Any) -> Recipe:
    """The small lite's recipe; each section given replaces its keys (lists: the whole list), None
    takes it out."""
    values = copy.deepcopy(SMALL_LITE)
    for name, section in sections.items():
        if section is None:
            values.pop(name, None)
        elif isinstance(section, dict):
            values[name] = {**values.get(name, {}), **section}
        else:
            values[name] = section
    if values.get("scanner", {}).get("frame") == "lite":
        values.pop("position", None)
    return Recipe.of(values)


def lite(**sections: Any) -> tuple[xr.Dataset, xr.Dataset]:
    """(scan, truth) of the small lite, sections as in ``recipe``."""
    return simulate(recipe(**sections))


def gain(half_span_mm: float, wavelength_mm: float) -> float:
    """1 - cos(2 pi a / L): gain of a three-point reading on a wave."""
    return 1 - math.cos(2 * math.pi * half_span_mm / wavelength_mm)


def distortion_mdpt(depth_mm: float, wavelength_mm: float) -> float:
    """4 pi^2 W / L^2 x 10^6 (common practice, no source)."""
    return 4 * math.pi**2 * depth_mm / wavelength_mm**2 * 1e6
