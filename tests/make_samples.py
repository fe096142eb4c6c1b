"""Make the scans of sample-scans/ and their expected figures: ``python tests/make_samples.py``.

Everything comes from the recipes below and their seeds, so a run on the same versions of the
libraries gives the same heights. The expected figures are those of the exact surface
(``truth.py``), never of the pipeline. Run it only where a sample is meant to change, and say
so in the changelog on a line that starts with NUMBERS:.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from midchord.configs import shipped
from midchord.settings import Settings
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord_io.adapters.native import write_scan
from midchord_io.results import write_json, write_text
from midchord_io.toml_models import load_toml

NOT_MEASURED_UM = -9999
STEP_MM = 1 / 1024
"""Of the sensor: a power of two leaves most bits of a float32 zero, so that the files are small."""
SHARES_OF_WIDTH = (0.25, 0.5, 0.75)

EVEN: dict[str, Any] = {
    "seed": 11,
    "lite": {"length_mm": 2400.0, "width_mm": 900.0, "thickness_mm": 6.0, "id": "even"},
    "scanner": {
        "pitch_x_mm": 2.0,
        "pitch_y_mm": 12.0,
        "frame": "lite",
        "instrument": "simulated line sensor",
    },
    "roll_waves": [
        {
            "amplitude_mm": 0.04,
            "wavelength_mm": 240.0,
            "amplitude_across": {"linear": 0.3},
            "ridge_skew_deg": 1.2,
        }
    ],
    "form": {"bow_along_mm": 2.0, "bow_across_mm": 0.5},
    "edge_lift": {
        "leading": {"size_mm": 0.2, "decay_mm": 55.0},
        "trailing": {"size_mm": 0.2, "decay_mm": 55.0},
    },
    "noise": {"white_sigma_mm": 0.002, "quantum_mm": STEP_MM},
    "dropouts": {"share": 0.01},
}
DRIFTING: dict[str, Any] = {
    **EVEN,
    "seed": 12,
    "lite": {"length_mm": 3000.0, "width_mm": 700.0, "thickness_mm": 8.0, "id": "drifting"},
    "roll_waves": [
        {
            "amplitude_mm": 0.045,
            "wavelength_mm": 260.0,
            "drift": {"sinusoidal": 0.15, "cycles": 1.3},
            "ridge_bow_mm": 12.0,
            "phase_deg": 40.0,
        }
    ],
}


def main(folder: Path) -> None:
    """Write every sample into ``folder``."""
    for name, pitch_x_mm, pitch_y_mm in (
        ("demo-heron", 2.0, 5.0),
        ("no-wave", 2.0, 20.0),
        ("shaped", 2.0, 10.0),
    ):
        values = load_toml(shipped("configs", "recipes", f"{name}.toml"))
        values["scanner"] |= {"pitch_x_mm": pitch_x_mm, "pitch_y_mm": pitch_y_mm}
        values["noise"] |= {"quantum_mm": STEP_MM}
        _native(name, Recipe.of(values, where=name), folder)
    _native("even", Recipe.of(EVEN), folder)
    _native("drifting", Recipe.of(DRIFTING), folder)
    values = load_toml(shipped("configs", "recipes", "coarse.toml"))
    values["scanner"] |= {"pitch_x_mm": 2.0}
    _foreign("coarse", Recipe.of(values, where="coarse"), folder)


def _native(name: str, recipe: Recipe, folder: Path) -> None:
    scan, truth = simulate(recipe)
    write_scan(scan, folder / f"{name}.nc")
    write_json(expected(recipe, scan, truth), folder / f"{name}.expected.json")


def _foreign(name: str, recipe: Recipe, folder: Path) -> None:
    """As a text matrix of distances from a sensor above: whole um, columns from right to left."""
    scan, truth = simulate(recipe)
    down_um = -1000 * scan.height.values[:, ::-1].astype(np.float64)
    whole = np.where(np.isnan(down_um), NOT_MEASURED_UM, np.rint(down_um)).astype(int)
    rows = [",".join(str(number) for number in row) for row in whole]
    write_text("\n".join(rows) + "\n", folder / f"{name}.csv")
    figures = expected(recipe, scan, truth)
    # a file of heights alone starts at 0, wherever the machine's own zero is
    start = np.array([scan.x.values[0], scan.y.values[0]])
    figures["corners_machine_mm"] = {
        corner: list(np.array(place) - start)
        for corner, place in figures["corners_machine_mm"].items()
    }
    write_json(figures, folder / f"{name}.expected.json")


def expected(recipe: Recipe, scan: xr.Dataset, truth: xr.Dataset) -> dict[str, Any]:
    """True figures of one sample, and all half waves of three lines."""
    surface, zones = Surface(recipe), Settings.load().zones
    half_span_mm = truth.attrs["half_span_mm"]
    clear = (zones.edge_x_mm + half_span_mm, surface.length_mm - zones.edge_x_mm - half_span_mm)
    half_waves: list[list[Any]] = []
    columns: list[str] = []
    for share in SHARES_OF_WIDTH:
        table = true_half_waves(
            surface, line_y_mm=share * surface.width_mm, half_span_mm=half_span_mm
        )
        table["clear"] = (table["x_from_mm"] >= clear[0]) & (table["x_to_mm"] <= clear[1])
        columns = list(table.columns)
        half_waves += [[_number(value) for value in row] for row in table.to_numpy().tolist()]
    kept = (
        "length_mm",
        "width_mm",
        "skew_deg",
        "corners_machine_mm",
        "bow_mm",
        "edge_lift_mm",
        "no_wave",
        "mean_wavelength_mm",
        "half_span_mm",
        "spike_count",
        "dropout_share",
        "seed",
    )
    return {
        "lite_id": recipe.lite.id,
        "frame": scan.attrs["frame"],
        **{name: truth.attrs[name] for name in kept},
        "noise_mm": recipe.noise.white_sigma_mm,
        "columns": columns,
        "half_waves": half_waves,
    }


def _number(value: Any) -> Any:
    """Nine digits: the last ones differ from one machine to the next."""
    if isinstance(value, float):
        return None if np.isnan(value) else float(f"{value:.9g}")
    return value


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else shipped("sample-scans"))
