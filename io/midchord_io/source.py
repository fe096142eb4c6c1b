"""A source description: what a foreign scan file does not say about itself.

A grid of numbers is a surface only once somebody has said which way its axes run, how far apart
its samples are, in what units, and which numbers mean "not measured". A file that says so itself
is believed; what it leaves unsaid stands in a TOML file, one for each kind of instrument, so that
a new sensor is brought in by configuration. What neither says is refused, never guessed, and a
description never silently overrides the file.

``axes`` names each axis of the stored array in order, ``["x", "y"]`` where a row is a scan line
across the travel. A minus sign says that the index runs against the frame. With ``pitch`` the
smallest coordinate is 0. With ``positions`` an axis with a minus sign may count either way:
descending positions are those of the frame, stored backwards; ascending ones are counted along
the axis, so they change their sign (in the frame "lite", which starts at its own corner, they are
reflected within their own range instead).

``handed`` is about x, y and *up*, that is, after ``height_sign``: a source that is right-handed
with z pointing down is left-handed here. A left-handed source is turned right by reversing y,
because x is fixed by time and z by gravity.

A table or cloud of points has ``columns`` in place of ``axes``, with the same minus sign: that
column counts against the frame. The points are put on a grid of ``grid_pitch``, or of the pitch
that they propose; a cell takes the median (or ``cell = "mean"``) of its points, and empty cells
stay empty unless ``fill_mm`` states how long a hole may be to be bridged.

Lines that lie unevenly along x, several heads, and three sensor rows have sections of their own
(:mod:`midchord_io.source_lines`).

Heights are ``(number * height_scale + height_offset)`` in ``height_units``, then the sign; codes
in ``invalid`` are compared with the numbers as stored. Numbers that are not finite always mean
"not measured".
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from midchord_io.source_lines import Head, Joining, Lines, ThreeRows, refuse_levelling
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "UNITS_MM",
    "Columns",
    "GridPitch",
    "Lite",
    "Pitch",
    "Positions",
    "Source",
    "SourceDescription",
    "known_unit",
    "load_source",
]

UNITS_MM = {"m": 1000.0, "mm": 1.0, "um": 1e-3, "nm": 1e-6, "inch": 25.4}
"""The one table of conversions: mm in one unit. An inch is 25.4 mm exactly (ISO 31-1)."""

SPELLINGS = {
    "metre": "m",
    "meter": "m",
    "millimetre": "mm",
    "millimeter": "mm",
    "µm": "um",
    "μm": "um",
    "micron": "um",
    "micrometre": "um",
    "micrometer": "um",
    "nanometre": "nm",
    "nanometer": "nm",
    "in": "inch",
    "inches": "inch",
}
"""How files spell the same units (UDUNITS names, and both micro signs of Unicode)."""

Unit = Literal["m", "mm", "um", "nm", "inch"]
Axis = Literal["x", "-x", "y", "-y"]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Pitched = Annotated[float, Field(ge=1e-6, le=1e9, allow_inf_nan=False)]
"""1 um in m to 1 m in nm; the scan itself is then held to what a scanner can do."""
Finite = Annotated[float, Field(allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]


def known_unit(text: str) -> str | None:
    """The unit of the table that ``text`` names, None where it names none of them."""
    text = text.strip()
    if text in UNITS_MM:
        return text
    text = text.lower()
    return SPELLINGS.get(text) or SPELLINGS.get(text.removesuffix("s"))


def _says_where(prefixes: tuple[str, ...], plain: str) -> AfterValidator:
    def check(text: str) -> str:
        prefix, colon, rest = text.partition(":")
        if text == plain or (colon and prefix in prefixes and rest):
            return text
        forms = " or ".join(f'"{prefix}:..."' for prefix in prefixes)
        raise ValueError(f'it must be "{plain}" or {forms}')

    return AfterValidator(check)


class Pitch(Strict):
    """Distance between samples along each axis, in ``position_units``."""

    x: Pitched | None = None
    y: Pitched | None = None


class Positions(Strict):
    """Where the positions of the samples stand in the file: a dataset for each axis."""

    x: Text | None = None
    y: Text | None = None


class Columns(Strict):
    """Columns of a table or point cloud: names, or zero-based indices as text.

    A minus sign before that of x or y: its positions run against the frame.
    """

    x: Text
    y: Text
    height: Text
    head: Text | None = None
    """Which of ``source.heads`` took the point: its value is their ``dataset``."""

    @model_validator(mode="after")
    def _signs(self) -> Self:
        if self.height.startswith("-"):
            raise ValueError('height counts up or down: say so as height_sign = "down"')
        return self


class GridPitch(Strict):
    """Pitch of the grid that points are put on, in ``position_units``."""

    x: Pitched
    y: Pitched


class Source(Strict):
    """Section ``[source]``: where the heights are and what the numbers mean."""

    format: Text | None = None
    dataset: Text | None = None
    axes: tuple[Axis, Axis] | None = None
    handed: Literal["right", "left"] = "right"
    height_units: Unit | None = None
    height_sign: Literal["up", "down"] | None = None
    height_scale: Finite | None = None
    height_offset: Finite | None = None
    position_units: Unit | None = None
    pitch: Pitch | None = None
    positions: Positions | None = None
    invalid: tuple[Finite, ...] = ()
    columns: Columns | None = None
    grid_pitch: GridPitch | None = None
    cell: Literal["median", "mean"] | None = None
    """What a cell of the grid takes of its points; the median if nothing is said."""
    fill_mm: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)] | None = None
    """Longest hole between points that is bridged; none if nothing is said."""
    lines: Lines | None = None
    heads: tuple[Head, ...] | None = None
    joining: Joining | None = None
    three_rows: ThreeRows | None = None

    @model_validator(mode="before")
    @classmethod
    def _never_levelled(cls, values: object) -> object:
        return refuse_levelling(values)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.axes and {axis[-1] for axis in self.axes} != {"x", "y"}:
            raise ValueError(f"axes = {list(self.axes)}: one of them is x, the other y")
        if self.height_scale == 0:
            raise ValueError("height_scale = 0 would make every height the same")
        for axis in ("x", "y"):
            if getattr(self.pitch, axis, None) and getattr(self.positions, axis, None):
                raise ValueError(f"both pitch.{axis} and positions.{axis} are given, keep one")
        if self.columns and self.axes:
            raise ValueError("columns (points) and axes (a matrix) exclude each other")
        self._check_lines()
        return self

    @property
    def first_dataset(self) -> str | None:
        """The dataset that is read first: the one, or that of the first head or row."""
        if self.heads:
            return self.heads[0].dataset
        return self.three_rows.datasets[0] if self.three_rows else self.dataset

    def _check_lines(self) -> None:
        for axis in ("pitch.x", "positions.x"):
            key, _, name = axis.partition(".")
            if self.lines and self.lines.has_speed and getattr(getattr(self, key), name, None):
                raise ValueError(f"both {axis} and a speed of the lines are given, keep one")
        several = [key for key in ("heads", "three_rows") if getattr(self, key) is not None]
        if len(several) == 2:
            raise ValueError("heads and three_rows exclude each other")
        is_by_column = self.columns is not None and self.columns.head is not None
        if is_by_column and self.heads is None:
            raise ValueError("columns.head needs heads, each with its value there as dataset")
        if self.heads and self.columns and not is_by_column:
            raise ValueError("heads of points need columns.head, the column that tells them apart")
        if (self.three_rows and self.columns) or (several and self.dataset):
            raise ValueError(f"{several[0]} name their own datasets: no dataset or columns beside")
        if self.joining and not self.heads:
            raise ValueError("joining without heads")
        if self.heads is not None:
            if len(self.heads) < 2 or len({head.name for head in self.heads}) < len(self.heads):
                raise ValueError("heads are two or more, each with a name of its own")
            if not is_by_column and any(head.y_mm is None for head in self.heads):
                raise ValueError("each head needs its y_mm")
            if is_by_column and len({head.dataset for head in self.heads}) < len(self.heads):
                raise ValueError("two heads with the same dataset, their value in columns.head")
            if self.positions and self.positions.y:
                raise ValueError("heads lie at their y_mm and pitch.y, not at positions.y")


class Lite(Strict):
    """Section ``[lite]``: what is known of the lite and of the scan as a whole."""

    frame: Literal["machine", "lite"] = "machine"
    id_from: Annotated[str, _says_where(("attr", "column"), "name")] = "name"
    scanned_at_from: Annotated[str, _says_where(("attr",), "mtime")] = "mtime"
    instrument: Text | None = None
    face: Literal["upper", "lower"] = "upper"
    thickness_mm: Positive | None = None
    coated_face: Literal["upper", "lower", "both", "none"] | None = None
    support: Text | None = None
    temperature_c: Finite | None = None
    scanner: Literal["line", "area"] | None = None
    """A fixed line sensor over moving glass, or one that takes an area at once."""
    support_pitch_mm: Positive | None = None
    """Of the rollers or rests under the lite: what comes at that period is doubtful."""
    length_mm: Positive | None = None
    """Known length of the lite: held against that of the scan, which shows encoder slip."""


class SourceDescription(Strict):
    """One file under configs/sources. ``load_source`` reads it."""

    source: Source = Source()
    lite: Lite = Lite()


def load_source(path: str | Path) -> SourceDescription:
    """The source description in a TOML file.

    Raises  SettingsError where it cannot be read, or a key or value does not exist
    """
    return validated(SourceDescription, load_toml(path), where=str(path))
