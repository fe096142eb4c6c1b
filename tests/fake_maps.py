"""Maps drawn by construction: a made-up lite with every variable and attribute of a result.

A ridge wave of 250 mm with a little drift, deeper towards one corner, two holes, a band of
dropouts. Nothing here is computed by the program, so a report can be checked against it.
"""

from __future__ import annotations

import itertools
import json
from typing import Any

import numpy as np
import xarray as xr

NO_WAVE_DOUBT = (
    "No wave deeper than the detection bound of 0.0042 mm by the gauge was found; depth and "
    "distortion have no value."
)
FIGURE_KEYS = {
    "wavelength": "wavelength_mm",
    "depth": "depth_mm",
    "surface_depth": "surface_depth_mm",
    "gauge_distortion": "gauge_distortion_mdpt",
    "surface_distortion": "surface_distortion_mdpt",
}
CONVENTIONS = {
    "depth": "gauge",
    "gauge_distortion": "gauge",
    "surface_depth": "surface",
    "surface_distortion": "surface",
}
UNITS = {
    "height": "mm", "residual": "mm", "reading": "mm", "depth": "mm", "surface_depth": "mm",
    "wavelength": "mm", "gauge_distortion": "mdpt", "surface_distortion": "mdpt",
    "power_x": "mdpt", "power_y": "mdpt", "gain": "1", "u_depth": "mm", "u_wavelength": "mm",
    "u_gauge_distortion": "mdpt", "u_surface_depth": "mm", "u_surface_distortion": "mdpt",
}  # fmt: skip


def fake_maps(
    *,
    length_mm: float = 2400.0,
    width_mm: float = 1200.0,
    pitch_x_mm: float = 5.0,
    pitch_y_mm: float = 5.0,
    no_wave: bool = False,
    strip_only: bool = False,
    lite_id: str = "K-0417",
    noise_mm: float = 0.003,
    edge_x_mm: float = 305.0,
    seed: int = 7,
) -> xr.Dataset:
    rng = np.random.default_rng(seed)
    x = np.arange(pitch_x_mm / 2, length_mm, pitch_x_mm)
    y = np.arange(pitch_y_mm / 2, width_mm, pitch_y_mm)
    xx, yy = np.meshgrid(x, y, indexing="ij")
    wavelength = 250.0 * (1 + 0.04 * np.sin(2 * np.pi * xx / length_mm))
    phase = 2 * np.pi * (xx / 250.0 + 0.3 * np.cos(2 * np.pi * xx / length_mm))
    surface_depth = 0.05 * (0.6 + 0.7 * (xx / length_mm) * (0.6 + 0.4 * yy / width_mm))
    surface_depth += 0.012 * np.exp(
        -(((xx - 0.7 * length_mm) / 300) ** 2) - ((yy - 800) / 150) ** 2
    )
    if no_wave:
        surface_depth = np.zeros_like(xx)
    feet = 125.0
    gain = 1 - np.cos(2 * np.pi * feet / wavelength)
    residual = surface_depth / 2 * np.cos(phase) + noise_mm * rng.standard_normal(xx.shape)
    height = residual + 3.0 * ((xx / length_mm - 0.5) ** 2) + 0.2 * np.exp(-xx / 60.0)
    reading = gain * surface_depth / 2 * np.cos(phase)
    reading += noise_mm * rng.standard_normal(xx.shape)
    curvature = 4 * np.pi**2 / wavelength**2 * 1e6
    power_x = -curvature * surface_depth * np.cos(phase) + 2 * rng.standard_normal(xx.shape)
    fields = {
        "height": height,
        "residual": residual,
        "reading": reading,
        "depth": surface_depth * gain,
        "surface_depth": surface_depth,
        "wavelength": wavelength,
        "gauge_distortion": curvature * surface_depth * gain,
        "surface_distortion": curvature * surface_depth,
        "power_x": power_x,
        "power_y": 2 * rng.standard_normal(xx.shape),
        "gain": gain,
        "u_depth": 0.001 + 0 * xx,
        "u_wavelength": 1.2 + 0 * xx,
        "u_gauge_distortion": 1.8 + 0 * xx,
        "u_surface_depth": 0.0006 + 0 * xx,
        "u_surface_distortion": 1.1 + 0 * xx,
    }
    hole = np.hypot(xx - 0.3 * length_mm, yy - 0.25 * width_mm) < 45
    hole |= np.hypot(xx - 0.8 * length_mm, yy - 0.75 * width_mm) < 30
    lost = (np.abs(xx - 0.55 * length_mm) < 12) & (yy < 0.4 * width_mm)
    if strip_only:
        lost |= np.abs(yy - width_mm / 2) > 60
    quality = np.zeros(xx.shape, np.uint8)
    quality[(rng.random(xx.shape) < 0.002)] = 2
    quality[(rng.random(xx.shape) < 0.004)] = 1
    quality[lost] = 3
    quality[hole] = 4
    clear_x = edge_x_mm + feet
    zone = np.full(xx.shape, 2, np.uint8)
    side = (yy >= 50) & (yy <= width_mm - 50)
    zone[(xx >= edge_x_mm) & (xx <= length_mm - edge_x_mm) & side] = 1
    zone[(xx >= clear_x) & (xx <= length_mm - clear_x) & side] = 0
    zone[hole] = 255
    foot_off = (xx < feet) | (xx > length_mm - feet)
    wave_figures = {*FIGURE_KEYS, *(f"u_{name}" for name in FIGURE_KEYS)}
    variables: dict[str, Any] = {}
    for name, values in fields.items():
        values = np.where(hole | lost, np.nan, values)
        if name in {"reading", "gain", *wave_figures}:
            values = np.where(foot_off, np.nan, values)
        if no_wave and name in {"gain", *wave_figures}:
            values = np.full(xx.shape, np.nan)
        attrs = {"units": UNITS[name], "long_name": name.replace("_", " ")}
        if name.removeprefix("u_") in CONVENTIONS:
            attrs["convention"] = CONVENTIONS[name.removeprefix("u_")]
        variables[name] = (("x", "y"), values.astype(np.float32), attrs)
    variables["zone"] = (
        ("x", "y"),
        zone,
        {
            "units": "1",
            "long_name": "zone",
            "flag_values": np.array([0, 1, 2, 255], np.uint8),
            "flag_meanings": "clear near edge no_glass",
        },
    )
    variables["quality"] = (
        ("x", "y"),
        quality,
        {
            "units": "1",
            "long_name": "quality of the scan",
            "flag_values": np.arange(5, dtype=np.uint8),
            "flag_meanings": "measured filled spike dropout no_glass",
        },
    )
    for name in ("gauge", "surface"):
        variables[f"{name}_seen"] = (
            ("x", "y"),
            (~hole & ~lost).astype(np.uint8),
            {
                "units": "1",
                "long_name": "whether a wave would have been seen",
                "flag_values": np.array([0, 1], np.uint8),
                "flag_meanings": "not_seen seen",
            },
        )
    for name in ("depth", "surface_depth", "gauge_distortion", "surface_distortion"):
        variables[f"loose_{name}"] = (
            ("x", "y"),
            np.full(xx.shape, np.nan, np.float32),
            {"units": "mm" if "depth" in name else "mdpt", "long_name": "swing without a figure"},
        )
    half_waves = [] if no_wave else _half_waves(length_mm, edge_x_mm)
    middle = width_mm / 2
    centre_x = np.arange(0.5, length_mm, 1.0)
    at = [np.interp(centre_x, x, fields[k][:, y.size // 2]) for k in ("height", "residual")]
    smooth = _reading(centre_x, length_mm) * (0.0 if no_wave else 1.0)
    smooth[(centre_x < feet) | (centre_x > length_mm - feet)] = np.nan
    noisy = smooth + noise_mm * rng.standard_normal(centre_x.size)
    for name, values in zip(
        ("height", "residual", "reading", "reading_smooth"), (*at, noisy, smooth), strict=True
    ):
        variables[f"centre_{name}"] = (
            "centre_x",
            values.astype(np.float32),
            {"units": "mm", "long_name": name},
        )
    maps = xr.Dataset(
        variables, coords={"x": x, "y": y, "centre_x": ("centre_x", centre_x, {"units": "mm"})}
    )
    for key in ("x_from_mm", "x_to_mm", "wavelength_mm", "depth_mm", "gauge_distortion_mdpt"):
        maps[f"hw_{key}"] = ("half_wave", np.array([wave[key] for wave in half_waves]))
    maps.attrs.update(
        lite_id=lite_id,
        instrument="line sensor 2",
        scanned_at="2026-03-04T05:06:07Z",
        source_file="line-2/K-0417.h5",
        source_sha256="0f" * 32,
        frame="lite",
        face="upper",
        length_mm=length_mm,
        width_mm=width_mm,
        skew_deg=0.21,
        program_version="0.1.0",
        schema_version=1,
        settings=json.dumps(_SETTINGS),
    )
    result = _summary(maps, half_waves=half_waves, no_wave=no_wave, centre_y_mm=middle)
    maps.attrs["summary"] = json.dumps(result, allow_nan=False)
    return maps


def with_summary(maps: xr.Dataset, **changes: Any) -> xr.Dataset:
    """The same maps with some keys of the summary replaced."""
    changed = maps.copy()
    changed.attrs["summary"] = json.dumps({**json.loads(maps.attrs["summary"]), **changes})
    return changed


def judged(maps: xr.Dataset, verdict: str = "outside") -> xr.Dataset:
    """The same maps judged by four limits; the verdict is that on the gauge distortion."""
    figure = json.loads(maps.attrs["summary"])["gauge_distortion_mdpt"]
    reasons = [
        {
            "limit": {
                "figure": "distortion",
                "convention": "gauge",
                "statistic": "max",
                "zone": "clear",
                "limit": 60.0,
                "unit": "mdpt",
                "source": "contract of the example tower",
            },
            "value": figure["max"],
            "uncertainty": figure["u_max"],
            "verdict": verdict,
            "place": figure["worst"],
            "sentence": f"Largest gauge distortion is {verdict} its limit of 60 mdpt.",
        },
        {
            "limit": {
                "figure": "depth",
                "convention": "surface",
                "statistic": "p95",
                "zone": "clear",
                "limit": 0.09,
                "unit": "mm",
                "source": "contract of the example tower",
            },
            "value": 0.0601,
            "uncertainty": 0.0007,
            "verdict": "within",
            "place": None,
            "sentence": "95 % of the surface depth is within its limit of 0.09 mm.",
        },
        {
            "limit": {
                "figure": "distortion",
                "convention": "surface",
                "statistic": "share_over",
                "zone": "clear",
                "limit": 5.0,
                "unit": "percent",
                "threshold": 55.0,
                "source": "contract of the example tower",
            },
            "value": 0.4,
            "uncertainty": 0.1,
            "verdict": "within",
            "place": None,
            "sentence": "The share of area above 55 mdpt is within its limit of 5 %.",
        },
        {
            "limit": {
                "figure": "bow",
                "convention": None,
                "statistic": "max",
                "zone": "all",
                "limit": 3.0,
                "unit": "mm_per_m",
                "threshold": None,
                "source": "house rule",
            },
            "value": 1.43,
            "uncertainty": 0.05,
            "verdict": "within",
            "place": None,
            "sentence": "Bow as supported is within its limit of 3 mm/m.",
        },
    ]
    return with_summary(
        maps,
        verdict=verdict,
        reasons=reasons,
        headline="gauge_distortion",
        limits="example tower",
        coverage_factor=1.645,
        decision_rule="within if value + k u <= limit",
    )


def _reading(x: np.ndarray, length_mm: float) -> np.ndarray:
    phase = 2 * np.pi * (x / 250.0 + 0.3 * np.cos(2 * np.pi * x / length_mm))
    return 0.05 * (0.6 + 0.56 * x / length_mm) * np.cos(phase)


def _half_waves(length_mm: float, edge_x_mm: float) -> list[dict[str, Any]]:
    x = np.arange(130.0, length_mm - 130.0, 0.5)
    reading = _reading(x, length_mm)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(reading)))) + 1
    waves = []
    for number, (i, j) in enumerate(itertools.pairwise(turns)):
        depth = abs(float(reading[j] - reading[i]))
        full = 2 * float(x[j] - x[i]) if number else None
        gauge = None if full is None else 4 * np.pi**2 * depth / full**2 * 1e6
        inside = x[i] >= edge_x_mm and x[j] <= length_mm - edge_x_mm
        waves.append(
            {
                "x_from_mm": float(x[i]),
                "x_to_mm": float(x[j]),
                "length_mm": float(x[j] - x[i]),
                "rising": bool(reading[j] > reading[i]),
                "wavelength_mm": full,
                "depth_mm": depth,
                "surface_depth_mm": depth / 2,
                "gauge_distortion_mdpt": gauge,
                "surface_distortion_mdpt": None if gauge is None else gauge / 2,
                "u_depth_mm": 0.0011,
                "u_wavelength_mm": 1.3,
                "u_gauge_distortion_mdpt": 1.9,
                "zone": "clear" if inside else "edge",
            }
        )
    return waves


def _figures(values: np.ndarray, name: str, worst: dict[str, float] | None) -> dict[str, Any]:
    finite = values[np.isfinite(values)]
    unit_u = {"wavelength": 1.2, "depth": 0.001, "surface_depth": 0.0006}.get(name, 1.8)
    empty = finite.size == 0
    return {
        "min": None if empty else float(finite.min()),
        "mean": None if empty else float(finite.mean()),
        "p95": None if empty else float(np.percentile(finite, 95)),
        "max": None if empty else float(finite.max()),
        "u_max": None if empty else unit_u,
        "u_mean": None if empty else unit_u / 5,
        "max_bias": None if empty else unit_u / 2,
        "worst": worst,
        "convention": CONVENTIONS.get(name),
    }


def _summary(
    maps: xr.Dataset, *, half_waves: list[dict[str, Any]], no_wave: bool, centre_y_mm: float
) -> dict[str, Any]:
    clear = maps["zone"].values == 0
    figures = {}
    for name, key in FIGURE_KEYS.items():
        values = np.where(clear, maps[name].values.astype(np.float64), np.nan)
        worst = None
        if np.isfinite(values).any():
            i, j = np.unravel_index(np.nanargmax(values), values.shape)
            worst = {"x_mm": float(maps.x[i]), "y_mm": float(maps.y[j])}
        figures[key] = _figures(values, name, worst)
    length_mm, width_mm = maps.attrs["length_mm"], maps.attrs["width_mm"]
    zones = []
    for row in range(3):
        for column in range(3):
            x0, x1 = row * length_mm / 3, (row + 1) * length_mm / 3
            y0, y1 = column * width_mm / 3, (column + 1) * width_mm / 3
            part = maps.sel(x=slice(x0, x1), y=slice(y0, y1))
            zones.append(
                {
                    "name": f"r{row + 1}c{column + 1}",
                    "x_from_mm": x0,
                    "x_to_mm": x1,
                    "y_from_mm": y0,
                    "y_to_mm": y1,
                    "area_mm2": (x1 - x0) * (y1 - y0),
                    "figures": {
                        key: _figures(part[name].values, name, None)
                        for name, key in FIGURE_KEYS.items()
                    },
                }
            )
    depths = [wave["depth_mm"] for wave in half_waves]
    return {
        "schema_version": 1,
        "lite_id": maps.attrs["lite_id"],
        "instrument": "line sensor 2",
        "scanned_at": "2026-03-04T05:06:07Z",
        "source_file": "line-2/K-0417.h5",
        "source_sha256": "0f" * 32,
        "program_version": "0.1.0",
        "half_span_mm": 150.0 if no_wave else 125.0,
        "feet": "mean",
        "no_wave": no_wave,
        "length_mm": length_mm,
        "width_mm": width_mm,
        "skew_deg": 0.21,
        "mean_wavelength_mm": None if no_wave else 250.4,
        **figures,
        "bow_mm": {edge: 2.94 + 0.1 * k for k, edge in enumerate(_CHORDS)},
        "bow_mm_per_m": {edge: 1.23 + 0.04 * k for k, edge in enumerate(_CHORDS)},
        "edge_lift_mm": {"leading": 0.212, "trailing": 0.11, "left": 0.03, "right": None},
        "edge_lift_detail": {
            edge: {"mean": mean, "max": top, "at_mm": at, "inset_mm": 10.0, "mean_at_inset": mean}
            for edge, mean, top, at in (
                ("leading", 0.151, 0.212, 400.0),
                ("trailing", 0.083, 0.11, 90.0),
                ("left", 0.012, 0.03, 1210.0),
                ("right", None, None, None),
            )
        },
        "coverage": 0.982,
        "noise_mm": 0.0031,
        "detection_depth_mm": 0.0042,
        "detection_surface_depth_mm": 0.0021,
        "wave_share": 0.0 if no_wave else 0.996,
        "zones": zones,
        "centre_line": {
            "y_mm": centre_y_mm,
            "half_waves": half_waves,
            "depth_mm": {
                "min": min(depths, default=None),
                "mean": float(np.mean(depths)) if depths else None,
                "max": max(depths, default=None),
            },
        },
        "verdict": "not judged",
        "reasons": [],
        "conventions": {"gauge": "swing of the reading", "surface": "true peak-to-valley"},
        "settings": _SETTINGS,
        "versions": {"midchord": "0.1.0", "numpy": "2.1.0"},
        "acquisition": [],
        "doubts": [] if not no_wave else [NO_WAVE_DOUBT],
    }


_CHORDS = ("leading", "trailing", "left", "right", "diagonal_1", "diagonal_2")

_SETTINGS = {
    "gauge": {"feet": "mean", "half_span_mm": 150.0, "fallback_half_span_mm": 150.0},
    "zones": {"edge_x_mm": 305.0, "edge_y_mm": 50.0, "grid_x": 3, "grid_y": 3},
    "waves": {"band_min_mm": 120.0, "band_max_mm": 600.0, "wavelength": "centred"},
    "detrend": {"largest_order": 4, "edge_lift_decay_mm": [60.0, 120.0]},
}
