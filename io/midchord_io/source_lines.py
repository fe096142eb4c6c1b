"""Sections of a source description that say how the lines of a scan were taken.

``[source.lines]``       where each line lies, if not at an even pitch: times, speed, gaps
``[[source.heads]]``     several heads side by side across the width, one dataset each
``[source.joining]``     how the heads are joined
``[source.three_rows]``  three sensor rows one after the other along the travel, one dataset each

``x_mm`` of a head or row says where on the glass it looks at the moment at which the head or row
with ``x_mm = 0`` looks at its line. x runs against the travel: a row that the glass reaches
earlier has the larger ``x_mm``.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from midchord_io.toml_models import Strict

__all__ = [
    "NO_LEVELLING",
    "SPEED_UNITS_MM_PER_S",
    "TIME_UNITS_S",
    "Head",
    "Joining",
    "Lines",
    "ThreeRows",
    "known_speed_unit",
    "known_time_unit",
    "refuse_levelling",
]

TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
SPEED_UNITS_MM_PER_S = {"mm/s": 1.0, "m/s": 1000.0, "m/min": 1000.0 / 60.0}
TIME_SPELLINGS = {
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "millisecond": "ms",
    "milliseconds": "ms",
    "msec": "ms",
    "microsecond": "us",
    "microseconds": "us",
    "µs": "us",
    "μs": "us",
    "nanosecond": "ns",
    "nanoseconds": "ns",
}
SPEED_SPELLINGS = {"mm s-1": "mm/s", "m s-1": "m/s", "m min-1": "m/min"}

NO_LEVELLING = (
    "scan lines are never levelled one by one: the roll wave is nearly the same all along a line, "
    "so that takes out the roll wave itself; conveyor bounce is cured by a flat reference seen at "
    "the same time, or by three sensor rows (source.three_rows)"
)
"""Why the keys of ``refuse_levelling`` do not exist."""

LEVELLING = ("level_lines", "level", "levelling", "line_levelling", "subtract_line_mean")

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]
TimeUnit = Literal["s", "ms", "us", "ns"]
SpeedUnit = Literal["mm/s", "m/s", "m/min"]


def known_time_unit(text: str) -> str | None:
    """The unit of ``TIME_UNITS_S`` that ``text`` names, with or without a date by CF; else None."""
    spelled = " ".join(text.split(" since ")[0].split())
    return spelled if spelled in TIME_UNITS_S else TIME_SPELLINGS.get(spelled)


def known_speed_unit(text: str) -> str | None:
    """The unit of ``SPEED_UNITS_MM_PER_S`` that ``text`` names, None where it names none."""
    spelled = " ".join(text.split())
    return spelled if spelled in SPEED_UNITS_MM_PER_S else SPEED_SPELLINGS.get(spelled)


def refuse_levelling(values: object) -> object:
    """Raises ValueError, with the reason, where a section asks for levelled lines."""
    for key in LEVELLING:
        if isinstance(values, dict) and key in values:
            raise ValueError(f"{key}: {NO_LEVELLING}")
    return values


class Lines(Strict):
    """Section ``[source.lines]``."""

    times: Text | None = None
    """Dataset with the time of each line."""
    time_units: TimeUnit | None = None
    line_rate_hz: Positive | None = None
    """Lines a second, instead of times."""
    speed: Text | None = None
    """Dataset with the speed of the glass at each line."""
    speed_units: SpeedUnit | None = None
    speed_mm_per_s: Positive | None = None
    """Constant speed, instead of a dataset."""
    grid_pitch_mm: Positive | None = None
    """Pitch along x that uneven lines are put on; the median step if not given."""
    longest_gap_mm: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)] = 5.0
    """Missing lines over more than this stay without heights."""
    largest_acceleration_mm_per_s2: Positive = 2000.0
    """Of the glass: what changes faster is slip of the encoder."""

    @model_validator(mode="before")
    @classmethod
    def _never_levelled(cls, values: object) -> object:
        return refuse_levelling(values)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.times and self.line_rate_hz:
            raise ValueError("both times and line_rate_hz are given, keep one")
        if self.time_units and not self.times:
            raise ValueError("time_units without times")
        if self.speed and self.speed_mm_per_s:
            raise ValueError("both speed and speed_mm_per_s are given, keep one")
        if self.speed_units and not self.speed:
            raise ValueError("speed_units without speed")
        if self.has_speed and not (self.times or self.line_rate_hz):
            raise ValueError("a speed needs times or line_rate_hz to make places of it")
        return self

    @property
    def has_speed(self) -> bool:
        """Whether places are to be made of times and a speed."""
        return bool(self.speed or self.speed_mm_per_s)


class Head(Strict):
    """One ``[[source.heads]]``: a dataset with axes and pitch as in ``[source]``, or the points of
    a cloud with one value in the column ``columns.head``."""

    name: Text
    dataset: Text
    """Of points: the value in that column."""
    y_mm: Finite | None = None
    """Of its sample nearest to the left-hand edge. Of points: added to their y, none if nothing is
    said, because most clouds have the places of all heads in one frame."""
    x_mm: Finite = 0.0
    reversed: bool = False
    """Whether it is mounted the other way round: its y runs against ``axes``."""
    offset_mm: Finite | None = None
    """Calibration on a flat reference: height = scale * measured - offset - tilt * (y - middle)."""
    tilt_mm_per_m: Finite | None = None
    scale: Positive | None = None


class Joining(Strict):
    """Section ``[source.joining]``: what is found from the overlaps of the heads, and applied."""

    estimate: tuple[Literal["offset", "tilt", "drift", "scale"], ...] = (
        "offset",
        "tilt",
        "drift",
        "scale",
    )
    """What a head does not state; left out: taken as none."""
    register_x: bool = False
    """Whether heads are moved along x to where their overlaps agree; else it is only reported."""

    @model_validator(mode="before")
    @classmethod
    def _never_levelled(cls, values: object) -> object:
        return refuse_levelling(values)


class ThreeRows(Strict):
    """Section ``[source.three_rows]``: rows in any order, one of them at ``x_mm`` 0."""

    datasets: tuple[Text, Text, Text]
    x_mm: tuple[Finite, Finite, Finite]
    offset_mm: tuple[Finite, Finite, Finite] | None = None
    """Zero points of the rows on a flat reference; else bow along the travel is not told."""
    bounce_mm: Positive = 1.0
    """Size of the bounce, generously: it decides only what the rows cannot tell."""

    shortest_wave_mm: Positive = 40.0
    """Shorter waves, the same all across the glass, count as bounce where the rows are blind."""

    @model_validator(mode="after")
    def _three_places(self) -> Self:
        if 0.0 not in self.x_mm:
            raise ValueError(f"x_mm = {list(self.x_mm)}: one row is where the lines are, at 0")
        ordered = sorted(self.x_mm)
        if min(ordered[1] - ordered[0], ordered[2] - ordered[1]) <= 0:
            raise ValueError(f"x_mm = {list(self.x_mm)}: three rows at three places")
        if len(set(self.datasets)) < 3:
            raise ValueError("three rows are three datasets")
        return self
