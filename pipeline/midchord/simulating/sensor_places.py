"""Where on a simulated lite the faults of a sensor fall: drawn once, from the recipe's seed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from midchord.simulating.sensor_faults import INDEX, Spot, dust_mm, error_mm, in_spots
from midchord.simulating.surface import Surface
from midchord_io.errors import SettingsError

__all__ = ["BlindPlaces", "SensorOnLite"]

MOST_TRIES = 10_000
"""To hit the glass; more are needed only where there is next to none."""

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STANDARD_THICKNESS_MM = 6.0
"""Where the recipe does not say it."""


class SensorOnLite:
    """Faults of the sensor that a recipe asks for, their places drawn once."""

    def __init__(
        self, surface: Surface, x_mm: Array, y_mm: Array, rng: np.random.Generator
    ) -> None:
        self.faults = surface.recipe.sensor
        self.extent_mm = (float(x_mm[0]), float(x_mm[-1])), (float(y_mm[0]), float(y_mm[-1]))
        dust, second = self.faults.dust, self.faults.second_surface
        self.grains = [Spot(*_on_glass(surface, rng), dust.width_mm) for _ in range(dust.grains)]
        self.patches = [
            Spot(*_on_glass(surface, rng), second.patch_mm) for _ in range(second.patches)
        ]
        thickness_mm = surface.recipe.lite.thickness_mm or STANDARD_THICKNESS_MM
        self.jump_mm = second.jump_mm or thickness_mm / INDEX

    def add_to(self, z: Array, x: Array, y: Array, glass: Mask) -> Mask:
        """Add what the sensor does to the heights; returns where it sees the second surface."""
        z += error_mm(self.faults, x, y, self.extent_mm)
        z += np.where(glass, dust_mm(x, y, self.grains, self.faults.dust.height_mm), 0.0)
        is_second = glass & in_spots(x, y, self.patches)
        z[is_second] -= self.jump_mm
        return is_second


def _on_glass(surface: Surface, rng: np.random.Generator) -> tuple[float, float]:
    """A place on the glass, in the frame of the scan."""
    for _ in range(MOST_TRIES):
        u, v = rng.uniform(0, surface.length_mm), rng.uniform(0, surface.width_mm)
        if surface.is_glass(u, v):
            break
    else:
        raise SettingsError(
            "recipe",
            found="hardly any glass is left for dropouts, dust and patches to lie on",
            needed="glass between the holes, notches and cuts of the outline",
            do="make those smaller",
        )
    if surface.recipe.scanner.frame == "lite":
        return u, v
    x, y = surface.to_machine(u, v)
    return float(x), float(y)


class BlindPlaces:
    """Patches (round) and streaks (along the travel) that the sensor does not see."""

    def __init__(
        self, surface: Surface, x_mm: Array, y_mm: Array, rng: np.random.Generator
    ) -> None:
        self.dropouts = surface.recipe.dropouts
        self.patches = [_on_glass(surface, rng) for _ in range(self.dropouts.patches)]
        last_start_mm = max(x_mm[0], x_mm[-1] - self.dropouts.streak_length_mm)
        self.streaks = [
            (rng.uniform(x_mm[0], last_start_mm), y)
            for _, y in (_on_glass(surface, rng) for _ in range(self.dropouts.streaks))
        ]

    def at(self, x: Array, y: Array) -> Mask:
        """x (rows, 1), y (1, columns), mm; True where nothing is seen."""
        blind = np.zeros((x.size, y.size), dtype=bool)
        for x0, y0 in self.patches:
            blind |= (x - x0) ** 2 + (y - y0) ** 2 < (self.dropouts.patch_mm / 2) ** 2
        for x0, y0 in self.streaks:
            along = (x >= x0) & (x < x0 + self.dropouts.streak_length_mm)
            blind |= along & (np.abs(y - y0) <= self.dropouts.streak_width_mm / 2)
        return blind
