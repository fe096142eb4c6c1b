"""Stored maps of a made-up production, cheaply: one lite's file for each, one field drawn anew.

The value of lite k at its place (x, y), which lay at (u, v) in the machine, is

    level + machine(u, v) + glass(x, y) + level_k + wave_k(x) + noise

with known sizes, so the split and the maps can be held against the truth.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from fake_maps import fake_maps
from midchord.machine import Machine
from midchord_io.results import write_maps

Floats = npt.NDArray[np.float64]
Pattern = Callable[[Floats, Floats], Floats]
PLACED = Machine.of({
    "name": "heron",
    "place": {"along": True, "across": True, "along_sd_mm": 0.0, "across_sd_mm": 0.0},
})  # fmt: skip


def streaks(u: Floats, v: Floats) -> Floats:
    """Across only, mean square 9; period 150 mm."""
    return 3 * np.sqrt(2) * np.sin(2 * np.pi * v / 150.0) + 0 * u


def bands(u: Floats, v: Floats) -> Floats:
    """Along only, mean square 4; period 180 mm."""
    return 2 * np.sqrt(2) * np.sin(2 * np.pi * u / 180.0) + 0 * v


def on_glass(x: Floats, y: Floats) -> Floats:
    """Mean square 6.25; period 200 mm along."""
    return 2.5 * np.sqrt(2) * np.cos(2 * np.pi * x / 200.0) + 0 * y


def nothing(u: Floats, v: Floats) -> Floats:
    return 0 * u + 0 * v


class Truth(NamedTuple):
    """Mean squares: lite_sd between lites, wave_sd and noise_sd within one."""

    machine: Pattern = nothing
    glass: Pattern = nothing
    level: float = 40.0
    lite_sd: float = 0.0
    wave_sd: float = 0.0
    noise_sd: float = 0.5
    step_from: int = 10**9
    step: float = 0.0


def lite_field(
    truth: Truth, rng: np.random.Generator, number: int, x: Floats, y: Floats,
    place: tuple[float, float], skew_deg: float = 0.0,
) -> npt.NDArray[np.float32]:  # fmt: skip
    turn = np.deg2rad(skew_deg)
    xx, yy = np.meshgrid(x, y, indexing="ij")
    u = place[0] + xx * np.cos(turn) - yy * np.sin(turn)
    v = place[1] + xx * np.sin(turn) + yy * np.cos(turn)
    z = truth.level + truth.machine(u, v) + truth.glass(xx, yy)
    z += truth.lite_sd * rng.standard_normal()
    phase = rng.uniform(0, 2 * np.pi)
    z += truth.wave_sd * np.sqrt(2) * np.cos(2 * np.pi * xx / 260.0 + phase)
    z += truth.noise_sd * rng.standard_normal(xx.shape)
    z += truth.step * (number >= truth.step_from)
    return z.astype(np.float32)


def placed(
    maps: xr.Dataset, lite_id: str, scanned_at: str, place: tuple[float, float] | None,
    skew_deg: float = 0.0,
) -> xr.Dataset:  # fmt: skip
    """The same maps as of another lite, lying elsewhere; ``place`` None: scanned on its own."""
    length, width = float(maps.attrs["length_mm"]), float(maps.attrs["width_mm"])
    a, c = place or (0.0, 0.0)
    turn = np.deg2rad(skew_deg)
    corners = {
        f"{end}_{side}": [
            float(a + x * np.cos(turn) - y * np.sin(turn)),
            float(c + x * np.sin(turn) + y * np.cos(turn)),
        ]
        for end, x in (("leading", 0.0), ("trailing", length))
        for side, y in (("left", 0.0), ("right", width))
    }
    summary = {**json.loads(maps.attrs["summary"]), "lite_id": lite_id, "scanned_at": scanned_at}
    return maps.assign_attrs(
        lite_id=lite_id,
        scanned_at=scanned_at,
        frame_of_scan="lite" if place is None else "machine",
        corners_machine_mm=corners,
        skew_deg=skew_deg,
        summary=json.dumps(summary),
    )


def moment(number: int) -> str:
    return f"2026-03-{1 + number // 1440 % 28:02d}T{number // 60 % 24:02d}:{number % 60:02d}:00Z"


def thin_maps(field: str = "gauge_distortion", **sizes: float) -> xr.Dataset:
    """Maps that hold only what makes them maps, nothing in most of it, and the field."""
    base = fake_maps(edge_x_mm=100.0, **sizes)  # type: ignore[arg-type]
    needed = ("height", "reading", "depth", "wavelength")
    kept = {*needed, "zone", field, f"u_{field}"}
    base = base[[name for name in base.data_vars if name in kept]]
    for name in needed:
        if name != field:
            base[name] = base[name] * np.float32(0)
    return base


def drawn_place(rng: np.random.Generator, scatter_mm: Sequence[float]) -> tuple[float, float]:
    """On whole cells of 5 mm; the first thing that is drawn of a lite."""
    along, across = (5.0 * np.round(sd * rng.standard_normal() / 5.0) for sd in scatter_mm)
    return 2000.0 + float(along), 300.0 + float(across)


def write_lots(
    folder: Path, count: int, truth: Truth, *, seed: int = 11, length_mm: float = 1000.0,
    width_mm: float = 400.0, pitch_y_mm: float = 5.0, field: str = "gauge_distortion",
    scatter_mm: Sequence[float] = (60.0, 40.0), skew_deg: float = 0.0, first: int = 0,
    has_place: bool = True, thin: bool = True,
) -> list[Path]:  # fmt: skip
    """``count`` files; thin ones hold only what a map needs to be one, and the field."""
    sizes = {"length_mm": length_mm, "width_mm": width_mm, "pitch_y_mm": pitch_y_mm}
    base = thin_maps(field, **sizes) if thin else fake_maps(edge_x_mm=100.0, **sizes)
    x, y = base["x"].values, base["y"].values
    glass = base["zone"].values != 255
    files = []
    for number in range(first, first + count):
        rng = np.random.default_rng([seed, number])
        place = drawn_place(rng, scatter_mm)
        maps = placed(base, f"L-{number:05d}", moment(number), place if has_place else None,
                      skew_deg)  # fmt: skip
        values = lite_field(truth, rng, number, x, y, place, skew_deg)
        attrs: dict[str, Any] = dict(base[field].attrs)
        maps[field] = (("x", "y"), np.where(glass, values, np.float32(np.nan)), attrs)
        path = folder / f"L-{number:05d}.maps.nc"
        write_maps(maps, path)
        files.append(path)
    return files
