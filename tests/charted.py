"""Figures of many lites with a known change, and lites of a trial with a known effect."""

from __future__ import annotations

import datetime as dt
import functools
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from fake_maps import fake_maps
from midchord.charts.figures import Figures

WHOLE = ("gauge_distortion_mdpt.mean", "gauge_distortion_mdpt.p95", "depth_mm.mean",
         "mean_wavelength_mm")  # fmt: skip
ZONES = tuple(
    f"{figure}@r{row}c{column}"
    for row in (1, 2, 3)
    for column in (1, 2, 3)
    for figure in (WHOLE[0], WHOLE[2])
)
Floats = npt.NDArray[np.float64]


def figures(values: Floats, names: tuple[str, ...], **changes: Any) -> Figures:
    """A table of figures, (lite, figure), a lite every 20 minutes."""
    start = dt.datetime(2026, 3, 2, 6)
    times = [start + dt.timedelta(minutes=20 * n) for n in range(len(values))]
    given: dict[str, Any] = {
        "lite_ids": tuple(f"C-{n + 1:04d}" for n in range(len(values))),
        "scanned_at": tuple(f"{time.isoformat()}Z" for time in times),
        "series": {name: values[:, n].copy() for n, name in enumerate(names)},
    }
    return Figures(**(given | changes))


def production(
    seed: int,
    *,
    lites: int = 200,
    names: tuple[str, ...] = WHOLE + ZONES,
    begin: int | None = None,
    step: float = 0.0,
    ramp: float = 0.0,
    lag: float = 0.0,
) -> Figures:
    """Independent figures of mean 40 and deviation 2; the first changes with lite ``begin``."""
    rng = np.random.default_rng(seed)
    z = rng.standard_normal((lites, len(names)))
    for n in range(1, lites if lag else 0):
        z[n] = lag * z[n - 1] + np.sqrt(1 - lag**2) * z[n]
    if begin is not None:
        z[begin:, 0] += step + ramp * np.arange(1, lites - begin + 1)
    return figures(40 + 2 * z, names)


def trial_lite(lite_id: str, scanned_at: str, factor: Floats | float) -> xr.Dataset:
    """Maps with the distortion times a factor, (x, y) or one number; the summary follows."""
    maps = _made().copy(deep=True)
    maps["gauge_distortion"] = maps["gauge_distortion"] * np.asarray(factor, dtype=np.float32)
    facts = json.loads(maps.attrs["summary"])
    values = maps["gauge_distortion"].values
    clear = maps["zone"].values == 0
    x, y = maps["x"].values[:, None], maps["y"].values[None]
    facts |= {"lite_id": lite_id, "scanned_at": scanned_at}
    facts["gauge_distortion_mdpt"]["mean"] = float(np.nanmean(values[clear]))
    for zone in facts["zones"]:
        own = clear & (x >= zone["x_from_mm"]) & (x < zone["x_to_mm"])
        own &= (y >= zone["y_from_mm"]) & (y < zone["y_to_mm"])
        mean = float(np.nanmean(values[own])) if own.any() else None
        zone["figures"]["gauge_distortion_mdpt"]["mean"] = mean
    return maps.assign_attrs(
        lite_id=lite_id, scanned_at=scanned_at, summary=json.dumps(facts),
        frame_of_scan="machine", corners_machine_mm={"leading_left": [500.0, 250.0]}, skew_deg=0.0,
    )  # fmt: skip


@functools.cache
def _made() -> xr.Dataset:
    return fake_maps(pitch_x_mm=20.0, pitch_y_mm=20.0)


def trial_lites(seed: int = 4, pairs: int = 8, effect: float = 0.15) -> list[xr.Dataset]:
    """Pairs of "slow" and "fast", in turn; "fast" adds its effect in the rear right quarter."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(_made()["x"].values, _made()["y"].values, indexing="ij")
    place = effect * ((x > 1200) & (y > 600))
    lites = []
    for n in range(2 * pairs):
        base = 1 + 0.04 * rng.standard_normal() + 0.02 * rng.standard_normal() * np.sin(x / 300)
        when = f"2026-03-04T06:{2 * n:02d}:00Z"
        lites.append(trial_lite(f"T-{n + 1:02d}", when, base + (place if n % 2 else 0.0)))
    return lites


def write_plan(path: Path, pairs: int = 8, *, paired: bool = True) -> Path:
    rows = ["lite_id,setting,pair,pressure_kpa,who" if paired else "lite_id,setting,pressure_kpa"]
    for n in range(2 * pairs):
        setting, pressure = ("fast", 3.3) if n % 2 else ("slow", 3.1)
        pressure += 0.01 * (n % 5)
        end = f"{n // 2 + 1},{pressure:.2f},anna" if paired else f"{pressure:.2f}"
        rows.append(f"T-{n + 1:02d},{setting},{end}")
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path
