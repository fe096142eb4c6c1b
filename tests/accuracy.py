"""How near the figures of a simulated lite come to its truth, half wave by half wave.

Truth: the same definitions evaluated on the noise-free analytic surface (truth.py). Errors
are relative, over the line table. The Cramer-Rao bound is that of a sinusoid of unknown
amplitude, phase, frequency, offset and slope in white noise, from the exact Fisher matrix, over
the stretch of glass that the figure is made of (JCGM 100 has no such bound; derived).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord import Settings, process, summary
from midchord.lines import HALF_WIDTH
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves

__all__ = ["FIGURES", "Comparison", "compare", "cramer_rao", "target_recipe"]

FIGURES = (
    "depth_mm",
    "wavelength_mm",
    "gauge_distortion_mdpt",
    "surface_depth_mm",
    "surface_distortion_mdpt",
)


class Comparison(NamedTuple):
    """errors: a row a half wave, relative errors by figure, with zone; ratio: error over stated
    standard uncertainty; summary: of the maps; surface: the truth."""

    errors: pd.DataFrame
    ratio: pd.DataFrame
    summary: dict[str, Any]
    surface: Surface

    def bias_percent(self, figure: str, zone: str = "clear") -> float:
        return float(100 * self.errors.loc[self.errors["zone"] == zone, figure].mean())

    def rms_percent(self, figure: str, zone: str = "clear") -> float:
        own = self.errors.loc[self.errors["zone"] == zone, figure]
        return float(100 * np.sqrt((own**2).mean()))

    def covered(self, figure: str) -> npt.NDArray[np.bool_]:
        """Whether the 95 % interval of each clear half wave holds the truth."""
        own = self.ratio.loc[self.ratio["zone"] == "clear", figure]
        return np.asarray(own.abs() < 1.96)


def target_recipe(**sections: Any) -> Recipe:
    """The recipe of the target lite with some sections replaced; nested keys merged."""
    from midchord.configs import shipped
    from midchord_io.toml_models import load_toml

    values = load_toml(shipped("configs", "recipes", "target.toml"))
    for name, section in sections.items():
        if isinstance(section, dict):
            values[name] = {**values.get(name, {}), **section}
        elif section is None:
            values.pop(name, None)
        else:
            values[name] = section
    return Recipe.of(values)


def compare(recipe: Recipe, settings: Settings | None = None) -> Comparison:
    """Process the recipe's scan and hold its line table against the truth."""
    scan, _ = simulate(recipe)
    maps = process(scan, settings)
    digest, surface = summary(maps), Surface(recipe)
    table = pd.DataFrame(
        {str(n).removeprefix("hw_"): maps[n].values for n in maps if str(n).startswith("hw_")}
    )
    zones = np.array(maps["hw_zone"].attrs["flag_meanings"].split())
    pairs = []
    for y_mm, own in table.groupby("line_y_mm"):
        true = true_half_waves(surface, line_y_mm=float(y_mm), half_span_mm=digest["half_span_mm"])
        middle = 0.5 * (own["x_from_mm"] + own["x_to_mm"]).to_numpy()
        true_middle = 0.5 * (true["x_from_mm"] + true["x_to_mm"]).to_numpy()
        near = np.abs(true_middle[:, np.newaxis] - middle).argmin(axis=0)
        beside = true.iloc[near].reset_index(drop=True).add_prefix("true_")
        # a half wave that the truth has, too, lies within a quarter wave of it
        assert (np.abs(true_middle[near] - middle) < own["wavelength_mm"].to_numpy() / 8).all()
        pairs.append(pd.concat([own.reset_index(drop=True), beside], axis=1))
    both = pd.concat(pairs, ignore_index=True)
    off = {f: both[f] - both[f"true_{f}"] for f in FIGURES}
    zone = zones[both["zone"]]
    errors = pd.DataFrame({f: off[f] / both[f"true_{f}"] for f in FIGURES}).assign(zone=zone)
    ratio = pd.DataFrame({f: off[f] / both[f"u_{f}"] for f in FIGURES}).assign(zone=zone)
    return Comparison(errors, ratio, digest, surface)


def cramer_rao(
    *,
    amplitude_mm: float,
    wavelength_mm: float,
    noise_mm: float,
    samples_per_mm: float,
    waves: float,
) -> dict[str, float]:
    """Smallest relative standard deviation of amplitude and wavelength of a sinusoid seen over so
    many waves; keys depth, wavelength."""
    x = np.arange(0, waves * wavelength_mm, 1 / samples_per_mm)
    x -= x.mean()
    k = 2 * np.pi / wavelength_mm
    worst = {"depth": 0.0, "wavelength": 0.0}
    for phase in np.linspace(0, np.pi, 8, endpoint=False):
        argument = k * x + phase
        design = np.stack(
            [
                np.cos(argument),
                -amplitude_mm * np.sin(argument),
                -amplitude_mm * x * np.sin(argument),
                np.ones_like(x),
                x,
            ],
            axis=1,
        )
        scale = np.sqrt((design**2).sum(axis=0))
        covariance = np.linalg.inv((design / scale).T @ (design / scale)) * noise_mm**2
        sd = np.sqrt(np.diag(covariance)) / scale
        worst["depth"] += sd[0] ** 2 / amplitude_mm**2 / 8
        worst["wavelength"] += (sd[2] / k) ** 2 / 8
    return {name: float(np.sqrt(value)) for name, value in worst.items()}


def waves_used(figure: str) -> float:
    """Stretch of glass that a half wave's figure is made of, in wavelengths."""
    surface = 0.5 + 2 * HALF_WIDTH
    return surface if figure.startswith("surface") else surface + 1.0
