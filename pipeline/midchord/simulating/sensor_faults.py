"""What a sensor and its supports do to a scan: faults of known size, for tests and for trials.

Each is a pure function of the place in the scan, so a test can use one alone, and the section
``[sensor]`` of a recipe all of them together::

    seen   = surface + error of the sensor (tilt, drift, profile, sag, bounce) + dust,
             or the second surface of the glass, seen through it      (then noise and spikes)
    stored = seen, rounded, clipped to the range of the sensor, without the lines that it lost

Positions are those of the scan. Under a fixed line sensor an error of its own is a function of y
and one of the travel a function of x; an area sensor has one of x and y.
"""

from __future__ import annotations

import math
from typing import Annotated, NamedTuple, Self

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator

from midchord.simulating.bounds import Count, NotNegative, Number, Positive
from midchord_io.toml_models import Strict

__all__ = [
    "INDEX",
    "Bounce",
    "Drift",
    "Dust",
    "LostLines",
    "ProfileError",
    "Sag",
    "Saturation",
    "SecondSurface",
    "SensorFaults",
    "Spot",
    "Tilt",
    "bounce_mm",
    "clipped",
    "drift_mm",
    "dust_mm",
    "error_mm",
    "in_spots",
    "lost_lines",
    "profile_error_mm",
    "sag_mm",
    "tilt_mm",
]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Range = tuple[Number, Number]

INDEX = 1.52
"""Refractive index of soda-lime glass in the visible (EN 572-1 states 1,50 for design; 1.52 from
memory): a sensor that looks straight down sees the second surface at the thickness over it."""


class Tilt(Strict):
    """The sensor is out of level: a plane."""

    along_mm_per_m: Number = 0.0
    across_mm_per_m: Number = 0.0


class Drift(Strict):
    """The zero creeps while the lite passes; by ``size_mm`` from its first line to its last."""

    size_mm: Number = 0.0
    curved: Annotated[float, Field(ge=-1, le=1)] = 0.0
    """Share of the size by which the middle is ahead of the straight line: 0.25 is warming up."""


class ProfileError(Strict):
    """What the sensor shows on a master flat: size times a fixed shape, a few waves across."""

    across_mm: NotNegative = 0.0
    """Largest deviation, a function of y (line sensor)."""
    over_area_mm: NotNegative = 0.0
    """Largest deviation, a function of x and y (area sensor)."""


class Sag(Strict):
    """The lite hangs between supports: 0 on them, lowest between."""

    depth_mm: NotNegative = 0.0
    pitch_mm: Positive = 300.0
    first_x_mm: Number = 0.0
    """Of a support."""


class Bounce(Strict):
    """The conveyor lifts and drops the whole lite while it passes: the same at all y of a line."""

    amplitude_mm: NotNegative = 0.0
    period_mm: Positive = 180.0


class Dust(Strict):
    """Grains on the glass: Gaussian bumps, round."""

    grains: Count = 0
    height_mm: NotNegative = 0.03
    width_mm: Positive = 1.5
    """Standard deviation; at half height a grain is 2.35 times as wide."""


class SecondSurface(Strict):
    """Round patches where the sensor sees the lower surface through the glass."""

    patches: Count = 0
    patch_mm: Positive = 12.0
    jump_mm: Positive | None = None
    """Left out: thickness / 1.52."""


class Saturation(Strict):
    """Heights beyond the range of the sensor are stored as its end."""

    lowest_mm: Number | None = None
    highest_mm: Number | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if None not in (self.lowest_mm, self.highest_mm) and self.lowest_mm >= self.highest_mm:  # type: ignore[operator]
            raise ValueError("lowest_mm must be below highest_mm")
        return self


class LostLines(Strict):
    """Whole lines (x) or columns (y) that the sensor did not store: from, to."""

    x_mm: tuple[Range, ...] = ()
    y_mm: tuple[Range, ...] = ()


class SensorFaults(Strict):
    """Section ``[sensor]`` of a recipe."""

    tilt: Tilt = Tilt()
    drift: Drift = Drift()
    profile_error: ProfileError = ProfileError()
    sag: Sag = Sag()
    bounce: Bounce = Bounce()
    dust: Dust = Dust()
    second_surface: SecondSurface = SecondSurface()
    saturation: Saturation = Saturation()
    lost_lines: LostLines = LostLines()


class Spot(NamedTuple):
    """A place in the scan and a size; mm."""

    x_mm: float
    y_mm: float
    size_mm: float


def error_mm(faults: SensorFaults, x: Array, y: Array, extent_mm: tuple[Range, Range]) -> Array:
    """Error of the sensor and its supports at a place: all but grains, patches and clipping.

    x, y       mm, on the axes of the scan; they broadcast
    extent_mm  first and last x and y of the scan: what drift and profile stretch over
    """
    total: Array = (
        tilt_mm(faults.tilt, x, y)
        + drift_mm(faults.drift, x, extent_mm[0])
        + profile_error_mm(faults.profile_error, x, y, extent_mm)
        + sag_mm(faults.sag, x)
        + bounce_mm(faults.bounce, x)
    )
    return total


def tilt_mm(tilt: Tilt, x: Array, y: Array) -> Array:
    """A plane through the machine's zero."""
    return np.asarray(1e-3 * (tilt.along_mm_per_m * x + tilt.across_mm_per_m * y))


def drift_mm(drift: Drift, x: Array, extent_mm: Range) -> Array:
    """0 at the first line, ``size_mm`` at the last."""
    t = (x - extent_mm[0]) / (extent_mm[1] - extent_mm[0])
    return np.asarray(drift.size_mm * (t + 4 * drift.curved * t * (1 - t)))


def profile_error_mm(
    error: ProfileError, x: Array, y: Array, extent_mm: tuple[Range, Range]
) -> Array:
    """One and a half waves across and a droop at the ends; over an area, two waves along too."""
    s, t = (
        (place - low) / (high - low) for place, (low, high) in zip((x, y), extent_mm, strict=True)
    )
    across = (np.cos(3 * math.pi * t + 0.7) - (2 * t - 1) ** 4) / 2
    area = np.cos(4 * math.pi * s + 0.4) * np.cos(2 * math.pi * t) + (2 * s - 1) ** 2
    return np.asarray(error.across_mm * across + error.over_area_mm * area / 2)


def sag_mm(sag: Sag, x: Array) -> Array:
    """A cosine with the pitch of the supports; not positive."""
    phase = 2 * math.pi * (x - sag.first_x_mm) / sag.pitch_mm
    return np.asarray(-sag.depth_mm * (1 - np.cos(phase)) / 2)


def bounce_mm(bounce: Bounce, x: Array) -> Array:
    """A sine and its third, as an eccentric roller gives; the same at every y."""
    phase = 2 * math.pi * x / bounce.period_mm
    return np.asarray(bounce.amplitude_mm * (np.sin(phase) + np.sin(phase / 3) / 3))


def dust_mm(x: Array, y: Array, grains: list[Spot], height_mm: float) -> Array:
    """Height of the grains; the size of a spot is the standard deviation of its bump.

    x  (rows, 1), y  (1, columns)
    """
    total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
    for grain in grains:
        rows = np.flatnonzero(np.abs(x[:, 0] - grain.x_mm) < 6 * grain.size_mm)
        columns = np.flatnonzero(np.abs(y[0] - grain.y_mm) < 6 * grain.size_mm)
        if not (rows.size and columns.size):
            continue
        part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        square = (x[part[0]] - grain.x_mm) ** 2 + (y[:, part[1]] - grain.y_mm) ** 2
        total[part] += height_mm * np.exp(-square / (2 * grain.size_mm**2))
    return total


def in_spots(x: Array, y: Array, spots: list[Spot]) -> Mask:
    """Where round spots are; their size is the diameter. x  (rows, 1), y  (1, columns)."""
    inside = np.zeros(np.broadcast_shapes(x.shape, y.shape), dtype=bool)
    for spot in spots:
        inside |= (x - spot.x_mm) ** 2 + (y - spot.y_mm) ** 2 < (spot.size_mm / 2) ** 2
    return inside


def clipped(z: Array, saturation: Saturation) -> Array:
    """Heights as a sensor of limited range stores them; NaN stays."""
    low = -math.inf if saturation.lowest_mm is None else saturation.lowest_mm
    high = math.inf if saturation.highest_mm is None else saturation.highest_mm
    return np.clip(z, low, high)


def lost_lines(lost: LostLines, x: Array, y: Array) -> Mask:
    """True where nothing was stored."""
    gone = np.zeros(np.broadcast_shapes(x.shape, y.shape), dtype=bool)
    for place, ranges in ((x, lost.x_mm), (y, lost.y_mm)):
        for low, high in ranges:
            gone |= (place >= low) & (place <= high)
    return gone
