"""The machine that made the lites: what its drawing says, as far as it can leave a trace in glass.

A machine file is TOML. Lengths are those of the machine, in mm, on its own frame: *along* is
against the travel from the machine's zero (the x of a scan in the machine frame), *across* is from
the left-hand side (y). Everything may be left out: what is not described is not looked for.

Glass that is marked while it is hot shrinks as it cools: a roller of circumference pi d leaves a
period of pi d (1 - shrinkage) in the cold lite. How much of the cooling lies behind the glass when
it is marked is never known exactly, so the shrinkage has a tolerance; so has every diameter (1 mm
of wear is 3 mm of period) and every pitch. Parts that touch cold glass (those of the scanner) leave
their own length. (Geometry derived; 0.5 % for soda-lime glass from the hot end is common practice,
no source.)

The file must describe a machine that can be built: rollers whose pitch is smaller than their
diameter overlap, a stroke is not negative. Such a file is refused, because every figure that
follows from it would be wrong.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "Disturbance",
    "Encoder",
    "Glass",
    "Machine",
    "Nozzles",
    "Oscillation",
    "PlaceKnown",
    "Rollers",
    "ScannerDescription",
    "Speeds",
]

LARGEST_MM = 100_000.0
"""No machine is longer: a length beyond it is a slip of units."""

Length = Annotated[float, Field(ge=1.0, le=LARGEST_MM, allow_inf_nan=False)]
Tolerance = Annotated[float, Field(ge=0.0, le=LARGEST_MM, allow_inf_nan=False)]
Position = Annotated[float, Field(ge=-LARGEST_MM, le=LARGEST_MM, allow_inf_nan=False)]
# glass that shrinks by more than 2 % is no glass
Percent = Annotated[float, Field(ge=0.0, le=2.0, allow_inf_nan=False)]
Speed = Annotated[float, Field(gt=0.0, le=LARGEST_MM, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=1, le=100_000)]
Name = Annotated[str, Field(min_length=1, max_length=60)]


class Glass(Strict):
    """How much a mark made on hot glass has shrunk when the lite is cold."""

    shrinkage_percent: Percent = 0.5
    shrinkage_tolerance_percent: Percent = 0.2

    @model_validator(mode="after")
    def _never_grows(self) -> Self:
        if self.shrinkage_tolerance_percent > self.shrinkage_percent:
            raise ValueError("shrinkage_tolerance_percent is more than shrinkage_percent itself")
        return self


class Rollers(Strict):
    """One set of rollers of one diameter.

    ``place`` says whether they carry hot glass (furnace, quench) or cold (scanner). ``at_mm`` is
    the position of the first one along the machine, ``count`` how many there are; both may be
    unknown.
    """

    name: Name
    diameter_mm: Length
    pitch_mm: Length
    diameter_tolerance_mm: Tolerance = 0.5
    pitch_tolerance_mm: Tolerance = 0.5
    place: Literal["furnace", "quench", "scanner"] = "furnace"
    at_mm: Position | None = None
    count: Count | None = None

    @model_validator(mode="after")
    def _can_be_built(self) -> Self:
        if self.pitch_mm < self.diameter_mm:
            raise ValueError(
                f"rollers {self.name!r}: pitch_mm is {self.pitch_mm:g} and diameter_mm "
                f"{self.diameter_mm:g}, so neighbouring rollers would overlap"
            )
        for key, size in (("diameter", self.diameter_mm), ("pitch", self.pitch_mm)):
            if getattr(self, f"{key}_tolerance_mm") > size / 5:
                raise ValueError(
                    f"rollers {self.name!r}: {key}_tolerance_mm is over a fifth of {key}_mm"
                )
        return self


class Nozzles(Strict):
    """The nozzle grid of the quench.

    pitch_along_mm, pitch_across_mm   centre to centre
    rows, columns                     rows lie across the travel, columns along it
    stagger_mm                        every second row is shifted across by this much
    first_along_mm, first_across_mm   nozzle of row 1, column 1 on the machine frame
    blow_off                          the face that the nozzles described here blow on
    """

    pitch_along_mm: Length
    pitch_across_mm: Length
    rows: Count | None = None
    columns: Count | None = None
    stagger_mm: Tolerance = 0.0
    first_along_mm: Position = 0.0
    first_across_mm: Position = 0.0
    pitch_tolerance_percent: Percent = 0.3
    diameter_mm: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    blow_off: Literal["upper", "lower", "both"] = "both"

    @model_validator(mode="after")
    def _can_be_built(self) -> Self:
        if self.stagger_mm >= self.pitch_across_mm:
            raise ValueError(
                f"stagger_mm is {self.stagger_mm:g}: it must be less than pitch_across_mm, "
                f"{self.pitch_across_mm:g}"
            )
        smallest = min(self.pitch_along_mm, self.pitch_across_mm)
        if self.diameter_mm is not None and self.diameter_mm >= smallest:
            raise ValueError(
                f"diameter_mm is {self.diameter_mm:g}: nozzles {smallest:g} mm apart would overlap"
            )
        return self


class Oscillation(Strict):
    """The to and fro of the glass in furnace or quench, and where it turns (machine frame)."""

    stroke_mm: Annotated[float, Field(ge=0.0, le=LARGEST_MM, allow_inf_nan=False)]
    stroke_tolerance_mm: Tolerance = 5.0
    reversal_points_mm: tuple[Position, ...] = ()

    @model_validator(mode="after")
    def _turns_at_the_ends_of_its_stroke(self) -> Self:
        points = self.reversal_points_mm
        if points and len(points) != 2:
            raise ValueError("reversal_points_mm must be two, the near and the far one")
        if points and abs(abs(points[1] - points[0]) - self.stroke_mm) > max(
            self.stroke_tolerance_mm, 1.0
        ):
            raise ValueError(
                f"reversal_points_mm are {abs(points[1] - points[0]):g} mm apart, and stroke_mm is "
                f"{self.stroke_mm:g}"
            )
        return self


class ScannerDescription(Strict):
    """How the lite is seen.

    A fixed *line* scanner sees sag between supports as a constant, since every point of the moving
    lite passes the same place; an *area* scanner, or a lite at rest, sees it with the period of the
    supports. Where the kind is not stated the period is looked for, and said to be in doubt.
    """

    kind: Literal["line", "area"] | None = None
    support_pitch_mm: Length | None = None
    support_tolerance_mm: Tolerance = 1.0
    first_support_mm: Position | None = None


class Encoder(Strict):
    """The wheel that measures the travel: its run-out comes back once a turn."""

    wheel_circumference_mm: Length
    wheel_tolerance_mm: Tolerance = 1.0


class Speeds(Strict):
    """Speed of the glass, mm/s."""

    furnace_mm_per_s: Speed | None = None
    quench_mm_per_s: Speed | None = None
    scanner_mm_per_s: Speed | None = None


class Disturbance(Strict):
    """Something fixed in time, such as a vibration of the scanner: its period goes with the
    speed."""

    name: Name
    frequency_hz: Annotated[float, Field(gt=0.0, le=1e5, allow_inf_nan=False)]
    frequency_tolerance_percent: Annotated[float, Field(ge=0, le=20, allow_inf_nan=False)] = 1.0
    at: Literal["furnace", "quench", "scanner"] = "scanner"


class PlaceKnown(Strict):
    """Whether the scans say where a lite lay in the quench, and how well (standard deviations)."""

    along: bool = False
    across: bool = False
    along_sd_mm: Tolerance = 50.0
    across_sd_mm: Tolerance = 5.0
    side_up: Literal["tin", "air"] | None = None


class Machine(Strict):
    """A machine. ``Machine.load(path)`` or ``Machine.of(mapping)``."""

    name: Name = "machine"
    glass: Glass = Glass()
    rollers: Annotated[tuple[Rollers, ...], Field(max_length=40)] = ()
    nozzles: Nozzles | None = None
    oscillation: Oscillation | None = None
    scanner: ScannerDescription = ScannerDescription()
    encoder: Encoder | None = None
    speeds: Speeds = Speeds()
    disturbances: Annotated[tuple[Disturbance, ...], Field(max_length=40)] = ()
    place: PlaceKnown = PlaceKnown()

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        names = Counter([part.name for part in self.rollers])
        names.update(part.name for part in self.disturbances)
        twice = [name for name, count in names.items() if count > 1]
        if twice:
            raise ValueError(f"the name {twice[0]!r} stands twice: every part needs its own")
        for one in self.disturbances:
            if getattr(self.speeds, f"{one.at}_mm_per_s") is None:
                raise ValueError(
                    f"disturbance {one.name!r} needs speeds.{one.at}_mm_per_s: its period is speed "
                    "over frequency"
                )
        return self

    @classmethod
    def load(cls, path: str | Path) -> Machine:
        """The machine of a TOML file, by its file's name where it has none of its own.

        Raises  SettingsError naming every fault
        """
        return cls.of({"name": Path(path).stem[:60], **load_toml(path)}, where=str(path))

    @classmethod
    def of(cls, values: Mapping[str, Any], *, where: str = "machine") -> Machine:
        """The machine of a nested mapping. Raises SettingsError naming every fault."""
        return validated(cls, values, where=where)
