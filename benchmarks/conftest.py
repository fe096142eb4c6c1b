"""Lites to measure speed on. Sizes are those of production, never square."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

LENGTH_MM, WIDTH_MM = 3000.0, 2000.0
MAP_PITCH_MM = 5.0


@pytest.fixture(scope="session")
def height() -> xr.DataArray:
    """A lite of 3 x 2 m scanned at 1 x 2 mm: a wave of 250 mm and some noise, mm."""
    x = np.arange(0.5, LENGTH_MM, 1.0)
    y = np.arange(1.0, WIDTH_MM, 2.0)
    noise = np.random.default_rng(1).standard_normal((x.size, y.size)) * 0.003
    wave = 0.05 * np.cos(2 * np.pi * x / 250.0)[:, np.newaxis]
    return xr.DataArray(
        (wave + noise).astype(np.float32),
        dims=("x", "y"),
        coords={"x": x, "y": y},
        name="height",
        attrs={"units": "mm", "long_name": "height"},
    )


@pytest.fixture(scope="session")
def map_grid() -> xr.Dataset:
    """What the verdict reads of the maps of that lite, at the map pitch."""
    x = np.arange(MAP_PITCH_MM / 2, LENGTH_MM, MAP_PITCH_MM)
    y = np.arange(MAP_PITCH_MM / 2, WIDTH_MM, MAP_PITCH_MM)
    shape = (x.size, y.size)
    random = np.random.default_rng(2)
    fields = {
        "surface_depth": random.uniform(0.02, 0.07, shape),
        "surface_distortion": random.uniform(10.0, 60.0, shape),
        "u_surface_depth": np.full(shape, 0.001),
        "u_surface_distortion": np.full(shape, 1.0),
        "residual": np.zeros(shape),
        "reading": np.zeros(shape),
    }
    maps = xr.Dataset(
        {name: (("x", "y"), values.astype(np.float32)) for name, values in fields.items()},
        coords={"x": x, "y": y},
    )
    zone = np.zeros(shape, np.uint8)
    zone[(x < 430) | (x > LENGTH_MM - 430)] = 2
    maps["zone"] = (
        ("x", "y"),
        zone,
        {
            "flag_values": np.array([0, 1, 2, 255], np.uint8),
            "flag_meanings": "clear near edge no_glass",
        },
    )
    return maps
