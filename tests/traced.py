"""A small production of known causes, and what is traced of it; shared by several tests."""

from __future__ import annotations

import functools
import math
from typing import Any

import xarray as xr

from fake_maps import fake_maps
from midchord.causes.trace_settings import TraceSettings
from midchord.configs import shipped
from midchord.machine import Machine
from midchord.simulating.production import Production, residuals
from midchord.trace import Trace, trace

FURNACE, ENCODER = "furnace rollers: circumference", "encoder wheel: circumference"


def bittern() -> Machine:
    return Machine.load(shipped("configs", "machines", "bittern.toml"))


def production(seed: int = 3, lites: int = 10, **changes: Any) -> Production:
    """Run-out of the furnace rollers (75 % of the depth), a little of the encoder wheel, a natural
    wave of no part."""
    base: dict[str, Any] = {
        "seed": seed, "lites": lites, "length_mm": 2400.0, "width_mm": 200.0, "noise_mm": 0.001,
        "lines": [
            {"period_mm": math.pi * 90.0 * 0.995, "amplitude_mm": 0.012},
            {"period_mm": 333.3, "amplitude_mm": 0.004},
        ],
        "natural": {"wavelength_mm": 220.0, "amplitude_mm": 0.004},
    }  # fmt: skip
    return Production.model_validate(base | changes)


@functools.cache
def small_trace() -> Trace:
    settings = TraceSettings.of({"intervals": {"resamples": 299}})
    return trace(residuals(production()), bittern(), settings)


def stored_maps(lite: xr.Dataset) -> xr.Dataset:
    """Whole maps, as a command reads them, with the residual of a simulated lite."""
    width = float(lite.attrs["width_mm"])
    maps = fake_maps(lite_id=str(lite.attrs["lite_id"]), width_mm=width)
    maps["residual"] = lite["residual"]
    return maps.assign_attrs(
        frame_of_scan=lite.attrs["frame_of_scan"],
        corners_machine_mm=lite.attrs["corners_machine_mm"],
    )
