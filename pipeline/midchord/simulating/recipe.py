"""What a simulated lite is made of: the recipe.

A recipe names every part of the surface and of the sensor with numbers of its own, so that each
figure that midchord later reads off the scan has a known true value. The parts are

    z = form + edge lift + roll waves + imprint        (:mod:`midchord.simulating.surface`, exact)
    scan = z on the scanner's grid + noise, rounded, with spikes and dropouts
                                                       (:mod:`midchord.simulate`, seeded)
           and what else sensor and supports do to it  (:mod:`midchord.simulating.sensor_faults`)

Positions are on the lite: x from the leading, y from the left-hand edge, as in
:mod:`midchord_io.scan`. A recipe file is TOML; a key that does not exist is refused with the
nearest one that does. Everything but the lite's size may be left out: no key, no such part.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from midchord.simulating.bounds import (
    MOST_POINTS,
    Count,
    GlassSize,
    Name,
    NotNegative,
    Number,
    Positive,
    Repeated,
    Seed,
)
from midchord.simulating.sensor_faults import SensorFaults
from midchord_io.survey_cells import YEARS
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "EDGES",
    "Bump",
    "CornerCut",
    "Corners",
    "Dropouts",
    "EdgeLift",
    "EdgeLifts",
    "Form",
    "Hole",
    "Imprint",
    "Lite",
    "Noise",
    "Notch",
    "OddNozzle",
    "Outline",
    "Position",
    "Recipe",
    "RollWave",
    "RollerMark",
    "Scanner",
    "Spikes",
    "Variation",
]

Edge = Literal["leading", "trailing", "left", "right"]
EDGES: tuple[Edge, ...] = ("leading", "trailing", "left", "right")
Corner = Literal["leading_left", "leading_right", "trailing_left", "trailing_right"]
Share = Annotated[float, Field(ge=0, lt=1)]
Point = tuple[Number, Number]


class Variation(Strict):
    """A factor 1 + linear s + sinusoidal sin(2 pi cycles t/T + phase), where t runs from 0 to T
    along the lite (or across it, or along an edge) and s = 2 t/T - 1 from -1 to 1."""

    linear: Number = 0.0
    sinusoidal: Number = 0.0
    cycles: Positive = 1.0
    phase_deg: Number = 0.0

    @model_validator(mode="after")
    def _keeps_its_sign(self) -> Self:
        if abs(self.linear) + abs(self.sinusoidal) >= 1:
            raise ValueError("linear and sinusoidal together must stay below 1")
        return self


class Lite(Strict):
    """The glass; a rectangle unless the outline says otherwise."""

    length_mm: GlassSize
    width_mm: GlassSize
    thickness_mm: Positive | None = None
    id: Name = "simulated"


class Scanner(Strict):
    pitch_x_mm: Positive = 1.0
    pitch_y_mm: Positive = 1.0
    frame: Literal["machine", "lite"] = "machine"
    face: Literal["upper", "lower"] = "upper"
    instrument: Name = "simulated scanner"
    kind: Literal["line", "area"] | None = None
    """A fixed line sensor over moving glass, or one that sees an area at once; left out: not
    known."""
    support_pitch_mm: Positive | None = None
    """Of the rollers or rests under the lite."""
    scanned_at: dt.datetime = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)

    @model_validator(mode="after")
    def _in_universal_time(self) -> Self:
        if self.scanned_at.tzinfo is None:
            raise ValueError("scanned_at needs its zone, e.g. 2026-01-01T00:00:00Z")
        if self.scanned_at.year not in YEARS:
            raise ValueError(f"scanned_at must be from {YEARS[0]} to {YEARS[-1]}")
        return self


class Position(Strict):
    """How the lite lies in the machine: its corner (0, 0) is at the offset, and it is turned about
    that corner from x towards y. Only for frame = "machine"."""

    skew_deg: Annotated[float, Field(gt=-45, lt=45)] = 0.0
    offset_x_mm: Number = 0.0
    offset_y_mm: Number = 0.0
    margin_mm: NotNegative = 20.0
    """Scanned beyond the lite on all sides."""
    belt_mm: Number | None = None
    """Height of what is seen beside the lite and through holes; left out: nothing is seen."""


class RollWave(Strict):
    """A cos(phase); the local wavelength is 2 pi over the slope of the phase along x."""

    amplitude_mm: NotNegative
    """Half the peak-to-valley depth of the surface."""
    wavelength_mm: Repeated
    drift: Variation = Variation()
    """Of the wavelength along x: L(x) = wavelength_mm / (2 - factor), which is wavelength_mm times
    the factor to first order and gives a phase in closed form."""
    amplitude_along: Variation = Variation()
    amplitude_across: Variation = Variation()
    ridge_skew_deg: Annotated[float, Field(gt=-80, lt=80)] = 0.0
    """Angle of the ridges to the y axis where the local wavelength is wavelength_mm; + = further
    along x on the right-hand side."""
    ridge_bow_mm: Number = 0.0
    """How far the ends of a ridge are further along x than its middle."""
    phase_deg: Number = 0.0
    """At x = 0 in the middle of the width; 0 is a peak."""


class Form(Strict):
    bow_along_mm: Number = 0.0
    """Middle above the line between leading and trailing edge."""
    bow_across_mm: Number = 0.0
    twist_mm: Number = 0.0
    """Trailing right corner above the plane of the other three."""
    shape: Literal["parabolic", "circular"] = "parabolic"


class EdgeLift(Strict):
    size_mm: Number
    """At the very edge, mean along it; + = the edge stands up."""
    decay_mm: Positive
    """Distance from the edge where an exponential falls to 0.37, a gaussian to 0.61."""
    shape: Literal["exponential", "gaussian"] = "exponential"
    along: Variation = Variation()
    """Of the size along the edge."""


class EdgeLifts(Strict):
    leading: EdgeLift | None = None
    trailing: EdgeLift | None = None
    left: EdgeLift | None = None
    right: EdgeLift | None = None


class OddNozzle(Strict):
    """The imprint is stronger or weaker near one place across the machine."""

    y_mm: Number
    width_mm: Positive
    """Standard deviation of a Gaussian window."""
    factor: Number
    """Times the imprint of the other nozzles, in the middle of the window."""


class Imprint(Strict):
    """amplitude cos(2 pi (x - first_x)/pitch_x) cos(2 pi (y - first_y)/pitch_y)."""

    amplitude_mm: NotNegative
    pitch_x_mm: Positive
    pitch_y_mm: Positive
    first_x_mm: Number = 0.0
    first_y_mm: Number = 0.0
    odd_nozzles: tuple[OddNozzle, ...] = ()


class RollerMark(Strict):
    """Short dents, one a turn of a roller that has something on it."""

    depth_mm: Number
    period_mm: Repeated
    first_x_mm: Number = 0.0
    length_mm: Positive
    """Along x, standard deviation of a Gaussian."""
    y_mm: Number
    width_mm: Positive
    """Across, standard deviation of a Gaussian."""

    @model_validator(mode="after")
    def _dents_stand_apart(self) -> Self:
        if self.length_mm > self.period_mm / 6:
            raise ValueError("length_mm must be at most a sixth of period_mm")
        return self


class Bump(Strict):
    """A single Gaussian bump, round."""

    x_mm: Number
    y_mm: Number
    height_mm: Number
    width_mm: Positive
    """Standard deviation."""


class Corners(Strict):
    """Corners of a lite that is not a rectangle: (x, y)."""

    leading_left: Point
    leading_right: Point
    trailing_left: Point
    trailing_right: Point


class Hole(Strict):
    x_mm: Number
    y_mm: Number
    diameter_mm: Positive


class Notch(Strict):
    """A rectangle taken out of an edge."""

    edge: Edge
    at_mm: Number
    """Middle of the notch along the edge, from the leading or from the left-hand end."""
    width_mm: Positive
    depth_mm: Positive


class CornerCut(Strict):
    corner: Corner
    along_mm: Positive
    """Taken off the left or right edge."""
    across_mm: Positive
    """Taken off the leading or trailing edge."""


class Outline(Strict):
    corners_mm: Corners | None = None
    holes: tuple[Hole, ...] = ()
    notches: tuple[Notch, ...] = ()
    cuts: tuple[CornerCut, ...] = ()


class Noise(Strict):
    white_sigma_mm: NotNegative = 0.0
    correlated_sigma_mm: NotNegative = 0.0
    """A stationary Gaussian field with correlation exp(-|dx|/correlation_x - |dy|/correlation_y);
    0 is no correlation along that axis."""
    correlation_x_mm: NotNegative = 0.0
    correlation_y_mm: NotNegative = 0.0
    quantum_mm: NotNegative = 0.0
    """Step to which the sensor rounds; 0: none."""


class Spikes(Strict):
    """Single points off by 0.5 to 1.5 times the size, up or down."""

    share: Share = 0.0
    size_mm: NotNegative = 0.5


class Dropouts(Strict):
    """Points of the glass that were not measured. Shares are of the points on the glass."""

    share: Share = 0.0
    """Scattered, each point on its own."""
    patches: Count = 0
    patch_mm: Positive = 30.0
    """Diameter."""
    streaks: Count = 0
    """Along the travel: a blind spot of the sensor."""
    streak_width_mm: Positive = 2.0
    streak_length_mm: Positive = 400.0


class Recipe(Strict):
    """A lite and its scan. ``Recipe.load(path)`` or ``Recipe.of(mapping)``."""

    seed: Seed = 0
    lite: Lite
    scanner: Scanner = Scanner()
    position: Position = Position()
    roll_waves: tuple[RollWave, ...] = ()
    form: Form = Form()
    edge_lift: EdgeLifts = EdgeLifts()
    imprint: Imprint | None = None
    roller_marks: tuple[RollerMark, ...] = ()
    bumps: tuple[Bump, ...] = ()
    outline: Outline = Outline()
    noise: Noise = Noise()
    spikes: Spikes = Spikes()
    dropouts: Dropouts = Dropouts()
    sensor: SensorFaults = SensorFaults()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        lite = self.lite
        for name, across in (("pitch_x_mm", lite.length_mm), ("pitch_y_mm", lite.width_mm)):
            if across < 4 * getattr(self.scanner, name):
                raise ValueError(f"scanner.{name} must be at most a quarter of the lite's size")
        if self._points() > MOST_POINTS:
            raise ValueError(
                f"scanner: {self._points():.2g} points, more than {MOST_POINTS:.1g}; a wider "
                "pitch, or less of a margin"
            )
        if self.scanner.frame == "lite" and self.position != Position():
            raise ValueError("position is only for scanner.frame = 'machine'")
        for bow, chord in (
            (self.form.bow_along_mm, lite.length_mm),
            (self.form.bow_across_mm, lite.width_mm),
        ):
            if abs(bow) > chord / 4:
                raise ValueError("form: bow must be at most a quarter of the lite's size")
        self._check_corners()
        return self

    def _points(self) -> float:
        """About how many the scan has."""
        length, width = self.lite.length_mm, self.lite.width_mm
        if self.scanner.frame == "machine":
            turned = math.sin(abs(self.skew_rad))
            margins = 2 * self.position.margin_mm
            length, width = length + width * turned + margins, width + length * turned + margins
        return length / self.scanner.pitch_x_mm * (width / self.scanner.pitch_y_mm)

    def _check_corners(self) -> None:
        corners = self.outline.corners_mm
        if corners is None:
            return
        ring = (
            corners.leading_left,
            corners.trailing_left,
            corners.trailing_right,
            corners.leading_right,
        )
        for number, here in enumerate(ring):
            before, after = ring[number - 1], ring[(number + 1) % 4]
            came = (here[0] - before[0], here[1] - before[1])
            goes = (after[0] - here[0], after[1] - here[1])
            if came[0] * goes[1] - came[1] * goes[0] <= 0:
                raise ValueError("outline.corners_mm must be a convex shape with no corner swapped")
        for x, y in ring:
            if not (0 <= x <= self.lite.length_mm and 0 <= y <= self.lite.width_mm):
                raise ValueError("outline.corners_mm must lie within length_mm and width_mm")

    @classmethod
    def load(cls, path: str | Path) -> Recipe:
        """The recipe of a TOML file. Raises SettingsError naming every fault."""
        return cls.of(load_toml(path), where=str(path))

    @classmethod
    def of(cls, values: Mapping[str, Any], *, where: str = "recipe") -> Recipe:
        """The recipe of a nested mapping. Raises SettingsError naming every fault."""
        return validated(cls, values, where=where)

    @property
    def skew_rad(self) -> float:
        return math.radians(self.position.skew_deg)
