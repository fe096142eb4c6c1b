"""Lites under an invented quench whose odd nozzles are known; shared by several tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import xarray as xr

from midchord.machine import Machine
from midchord.simulating.production import Production, residuals

ALONG_MM, ACROSS_MM, FIRST_MM, WIDTH_MM = 50.0, 40.0, 15.0, 8.0
ODD = {9: 0.0, 20: 0.5}
"""Column -> share of the usual mark."""


def quench(**changes: Any) -> Machine:
    """A machine of 40 mm pitch whose scans say where a lite lay, to 5 mm."""
    nozzles = {"pitch_along_mm": ALONG_MM, "pitch_across_mm": ACROSS_MM,
               "first_across_mm": FIRST_MM, "columns": 40, "rows": 60}  # fmt: skip
    base: dict[str, Any] = {"name": "heron", "place": {"across": True, "across_sd_mm": 5.0}}
    nozzles |= changes.pop("nozzles", {})
    return Machine.of({**base, "nozzles": nozzles, **changes})


def production(seed: int, *, odd: dict[int, float] | None = None, **changes: Any) -> Production:
    """Lites of 1200 mm with roll wave, noise, and marks of 10 um, placed to 5 mm."""
    imprint = {
        "depth_mm": changes.pop("depth_mm", 0.01), "pitch_along_mm": ALONG_MM,
        "pitch_across_mm": ACROSS_MM, "first_across_mm": FIRST_MM, "width_mm": WIDTH_MM,
        "stagger_mm": changes.pop("stagger_mm", 0.0),
        "odd": changes.pop("odd_columns", None)
        or [{"column": k, "factor": f} for k, f in (ODD if odd is None else odd).items()],
    }  # fmt: skip
    base: dict[str, Any] = {
        "seed": seed, "lites": 10, "length_mm": 1200.0, "width_mm": 1100.0, "noise_mm": 0.002,
        "lines": [{"period_mm": 282.0, "amplitude_mm": 0.02}],
        "natural": {"wavelength_mm": 220.0, "amplitude_mm": 0.01}, "imprint": imprint,
        "place": {"across_sd_mm": 5.0},
    }  # fmt: skip
    return Production.model_validate(base | changes)


def blown(seed: int, **changes: Any) -> list[xr.Dataset]:
    return list(residuals(production(seed, **changes)))


def true_depth_um(column: int, odd: dict[int, float], depth_mm: float = 0.01) -> float:
    """Closed form: a round Gaussian dimple averaged along the travel is a Gaussian of
    sqrt(2 pi) w / pitch the depth; height at the nozzle less that at the borders of its cell."""
    size = 1e3 * depth_mm * WIDTH_MM * np.sqrt(2 * np.pi) / ALONG_MM

    def height(y: float) -> float:
        return -size * sum(
            odd.get(k, 1.0) * float(np.exp(-0.5 * ((y - ACROSS_MM * k) / WIDTH_MM) ** 2))
            for k in range(column - 3, column + 4)
        )

    at, half = ACROSS_MM * column, ACROSS_MM / 2
    return height(at) - 0.5 * (height(at - half) + height(at + half))


def held_still(
    seed: int,
    factor: Callable[[int, int], float],
    *,
    lites: int = 6,
    stagger_mm: float = 0.0,
    along_sd_mm: float = 3.0,
) -> Iterator[xr.Dataset]:
    """Lites that did not move while they were blown on: every nozzle (row, column) of its own."""
    rng = np.random.default_rng(seed)
    x, y = np.arange(2.5, 1300.0, 5.0), np.arange(2.5, 800.0, 5.0)
    for number in range(lites):
        along, across = 1000 + along_sd_mm * rng.standard_normal(), 100 + 4 * rng.standard_normal()
        z = np.zeros((x.size, y.size))
        for row in range(1, 60):
            off = x + along - ALONG_MM * (row - 1)
            if float(np.abs(off).min()) > 4 * WIDTH_MM:
                continue
            first = FIRST_MM + (stagger_mm if row % 2 == 0 else 0.0)
            profile = sum(
                factor(row, column)
                * np.exp(-0.5 * ((y + across - first - ACROSS_MM * (column - 1)) / WIDTH_MM) ** 2)
                for column in range(1, 28)
            )
            z -= 0.01 * np.outer(np.exp(-0.5 * (off / WIDTH_MM) ** 2), profile)
        z += 0.02 * np.cos(2 * np.pi * x / 270 + rng.uniform(0, 6))[:, None]
        z += 0.002 * rng.standard_normal(z.shape)
        attrs = {
            "lite_id": f"S-{number}", "frame": "lite", "frame_of_scan": "machine",
            "skew_deg": 0.0, "corners_machine_mm": {"leading_left": [along, across]},
        }  # fmt: skip
        field = (("x", "y"), z.astype(np.float32))
        yield xr.Dataset({"residual": field}, coords={"x": x, "y": y}, attrs=attrs)
