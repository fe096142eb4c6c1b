"""A hand survey: readings of a hand gauge, each with its place, its gauge and whoever read it.

Two kinds. *Spots*: the plunger at a place (x, y) of the lite. *Lines*: marks set on the peaks and
valleys along a line, numbered in order from one edge, with their distance from it and the reading
there. A line may leave all its readings empty: the marks are set first, and the feet of the gauge
are set by them.

======  ==========================================================================================
spots   ``lite_id, gauge, operator, repeat, x_mm, y_mm, reading_mm``
lines   ``lite_id, gauge, operator, repeat, line_y_mm, datum_edge, mark, distance_mm, reading_mm``
both    may have ``read_at`` (or ``date``), ``note``, ``excluded`` with ``reason``;
        spots also ``datum_edge``
======  ==========================================================================================

The unit is in the name of a column: ``_mm``, ``_um`` or ``_in``. Inches and metric units in one
survey are refused: that is how a reading gets 25.4 times too large.

Places are on the frame of the lite (x from the leading, y from the left-hand edge) unless
``datum_edge`` says otherwise: ``trailing``, ``right``, ``trailing right``. They are kept as given,
since turning them round takes the size of the lite: ``Survey.on_lite_frame``.

A reading is left out only where a person says ``excluded`` and gives the reason; it stays in the
table. Nothing is guessed: a row that cannot be read for certain refuses the whole file.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from midchord_io.errors import SurveyError, brief
from midchord_io.source import UNITS_MM, known_unit
from midchord_io.survey_cells import Cells
from midchord_io.survey_marks import check_marks
from midchord_io.survey_table import Cell, Table, read_table

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "SLACK_MM", "UNITS", "Survey", "SurveyKind", "datum_of", "read_survey"]

SurveyKind = Literal["spots", "lines"]

UNITS = ("mm", "um", "in")
"""Units that a column's name may end in."""

WHO = ("lite_id", "gauge", "operator", "repeat")
EXTRAS = ("read_at", "note", "excluded", "reason")
COLUMNS: dict[SurveyKind, tuple[str, ...]] = {
    "spots": (*WHO, "x", "y", "reading"),
    "lines": (*WHO, "line_y", "datum_edge", "mark", "distance", "reading"),
}
"""Columns that each kind needs, those of LENGTHS without their unit."""

OPTIONAL: dict[SurveyKind, tuple[str, ...]] = {
    "spots": ("datum_edge", *EXTRAS),
    "lines": EXTRAS,
}
LENGTHS = ("x", "y", "line_y", "distance", "reading")
LARGEST_MM = {**dict.fromkeys(LENGTHS, 100_000.0), "reading": 1000.0}
"""No lite and no dial is larger: beyond it a length is a slip, mostly of the unit."""
SLACK_MM = 1.0
"""How far beyond the far edge a place may be stated: a tape is read to whole millimetres, and the
scan knows the edge to its pitch, so a place on the very edge comes out on either side of it."""
ALIASES = {"date": "read_at"}
ALONG, ACROSS = ("leading", "trailing"), ("left", "right")


@dataclass(frozen=True)
class Survey:
    """A survey as ``read_survey`` gives it.

    where     the file
    kind      "spots" or "lines"
    readings  one row a reading, in the order of the file, lengths in mm: ``row`` (number in the
              file), ``lite_id, gauge, operator, repeat``; then ``x_mm, y_mm`` or ``line_y_mm, mark,
              distance_mm``; ``datum_x`` ("leading", "trailing"), ``datum_y`` ("left", "right"):
              where the lengths are counted from; ``reading_mm`` (NaN: not read yet, lines only),
              ``read_at`` (UTC, NaT where not stated), ``note``, ``excluded`` and ``reason``
    units     unit in which each length was written
    sha256    of the file, "" where the survey was not read from one
    """

    where: str
    kind: SurveyKind
    readings: pd.DataFrame
    units: dict[str, str]
    sha256: str = ""

    @property
    def used(self) -> pd.DataFrame:
        """The readings that nobody excluded."""
        return self.readings[~self.readings["excluded"]]

    def on_lite_frame(
        self, length_mm: float, width_mm: float, *, lite_id: str | None = None
    ) -> pd.DataFrame:
        """The readings with ``x_mm, y_mm`` counted from the leading and the left-hand edge.

        length_mm, width_mm  size of the lite along and across the travel
        lite_id              only the readings of that lite
        returns              all columns of ``readings``; the datum columns say leading, left; a
                             place up to SLACK_MM beyond an edge is on the edge
        Raises  SurveyError where a place is not on a lite of that size
        """
        table = self.readings
        if lite_id is not None:
            table = table[table["lite_id"] == lite_id]
        along, across = ("x_mm", "y_mm") if self.kind == "spots" else ("distance_mm", "line_y_mm")
        for column, size in ((along, length_mm), (across, width_mm)):
            beyond = table[table[column] > size + SLACK_MM]
            if len(beyond):
                first = beyond.iloc[0]
                raise SurveyError(
                    f"{self.where}, row {first['row']}",
                    found=f"{column} is {first[column]:g} mm on lite {first['lite_id']}",
                    needed=f"a place on the lite, which is {length_mm:g} mm long and "
                    f"{width_mm:g} mm wide",
                    do="correct the place, its unit or the lite",
                )
        from_x, from_y = table[along].clip(upper=length_mm), table[across].clip(upper=width_mm)
        x = from_x.where(table["datum_x"] == "leading", length_mm - from_x)
        y = from_y.where(table["datum_y"] == "left", width_mm - from_y)
        return table.assign(x_mm=x, y_mm=y, datum_x="leading", datum_y="left")


class _Column(NamedTuple):
    """One column of a file: its name as written, what it is, and mm in its unit."""

    header: str
    name: str
    unit: str
    position: int


def read_survey(path: str | Path) -> Survey:
    """The survey in a CSV or XLSX file. Raises SurveyError, with the row wherever there is one."""
    where = str(path)
    table = read_table(path)
    kind, columns = _columns(table, where)
    cells = Cells(where, table.separator)
    readings = _readings(table, kind, columns, cells)
    cells.raise_faults()
    _check_people(readings, cells)
    _check_twice(readings, kind, cells)
    if kind == "lines":
        check_marks(readings, cells)
    cells.raise_faults()
    units = {column.name: column.unit for column in columns if column.unit}
    return Survey(where, kind, readings, units, hashlib.sha256(Path(path).read_bytes()).hexdigest())


# ---- columns


def _columns(table: Table, where: str) -> tuple[SurveyKind, list[_Column]]:
    where_header = f"{where}, row {table.header.number}"
    names = [Cells.text(cell).lower() for cell in table.header.cells]
    split = [_split(name) for name in names]
    kind = _kind({name for name, _ in split}, where_header)
    allowed = COLUMNS[kind] + OPTIONAL[kind]
    columns: list[_Column] = []
    for position, (header, (name, unit)) in enumerate(zip(names, split, strict=True)):
        if name not in allowed or (name in LENGTHS) != bool(unit):
            raise _unknown_column(header, kind, where_header)
        known = next((column for column in columns if column.name == name), None)
        if known:
            raise SurveyError(
                where_header,
                found=f"columns {known.header!r} and {header!r} say the same thing",
                needed="one of them",
                do="delete the other",
            )
        columns.append(_Column(header, name, unit, position))
    missing = [name for name in COLUMNS[kind] if name not in {column.name for column in columns}]
    if missing:
        raise SurveyError(
            where_header,
            found=f"no column {', '.join(map(_written, missing))}",
            needed=f"{', '.join(map(_written, COLUMNS[kind]))} for a survey of {kind}",
            do="add what is missing, or start from midchord survey-template",
        )
    _check_units(columns, where_header)
    return kind, columns


def _split(name: str) -> tuple[str, str]:
    """Name and unit of a column; the unit is "" for what has none."""
    found = re.fullmatch(rf"({'|'.join(LENGTHS)})_({'|'.join(UNITS)})", name)
    return (found[1], found[2]) if found else (ALIASES.get(name, name), "")


def _written(name: str) -> str:
    return f"{name}_mm" if name in LENGTHS else name


def _kind(names: set[str], where: str) -> SurveyKind:
    of_lines, of_spots = names & {"mark", "distance", "line_y"}, names & {"x", "y"}
    if of_lines and of_spots:
        raise SurveyError(
            where,
            found=f"columns of a line survey ({', '.join(sorted(of_lines))}) beside those of a "
            f"spot survey ({', '.join(sorted(of_spots))})",
            needed="one kind of survey a file",
            do="make two files of it",
        )
    return "lines" if of_lines else "spots"


def _unknown_column(header: str, kind: SurveyKind, where: str) -> SurveyError:
    if header in LENGTHS:
        return SurveyError(
            where,
            found=f"column {header!r} does not say its unit",
            needed=f"one of {', '.join(f'{header}_{unit}' for unit in UNITS)}",
            do="put the unit into the name",
        )
    names = [_written(name) for name in COLUMNS[kind] + OPTIONAL[kind]]
    near = difflib.get_close_matches(header, names, n=1, cutoff=0.5)
    return SurveyError(
        where,
        found=f"there is no column {brief(header)}"
        + (f", did you mean {near[0]!r}?" if near else ""),
        needed=f"only {', '.join(names)} (lengths also as _um or _in)",
        do="rename or delete it",
    )


def _check_units(columns: Sequence[_Column], where: str) -> None:
    lengths = [column for column in columns if column.unit]
    inches = [column.header for column in lengths if column.unit == "in"]
    metric = [column.header for column in lengths if column.unit != "in"]
    places = {column.unit for column in lengths if column.name != "reading"}
    if (inches and metric) or len(places) > 1:
        raise SurveyError(
            where,
            found=f"mixed units: {', '.join(column.header for column in lengths)}",
            needed="all places in one unit, and inches or metric units throughout",
            do="convert the columns to one of them",
        )


# ---- rows


def _readings(
    table: Table, kind: SurveyKind, columns: Sequence[_Column], cells: Cells
) -> pd.DataFrame:
    import pandas as pd

    by_name = {column.name: column for column in columns}
    rows = []
    for number, row in table.rows:
        given = {name: row[column.position] for name, column in by_name.items()}
        rows.append({"row": number, **_values(given, number, kind, by_name, cells)})
    readings = pd.DataFrame(rows)
    readings["read_at"] = pd.to_datetime(readings["read_at"], utc=True)
    return readings


def _values(
    given: dict[str, Cell],
    row: int,
    kind: SurveyKind,
    columns: dict[str, _Column],
    cells: Cells,
) -> dict[str, object]:
    def length(name: str, *, least: float | None = None) -> float:
        column = columns[name]
        value = cells.number(given[name], row, column.header, least=least)
        value_mm = value * UNITS_MM[known_unit(column.unit) or column.unit]
        if abs(value_mm) > LARGEST_MM[name]:
            cells.fault(
                row,
                f"{column.header} is {value:g}",
                needed=f"at most {LARGEST_MM[name]:g} mm",
                do="correct it, or the unit in the name of the column",
            )
        return value_mm

    values: dict[str, object] = {
        name: cells.name(given[name], row, name) for name in ("lite_id", "gauge", "operator")
    }
    values["repeat"] = cells.whole(given["repeat"], row, "repeat")
    if kind == "spots":
        values |= {"x_mm": length("x", least=0.0), "y_mm": length("y", least=0.0)}
    else:
        values["line_y_mm"] = length("line_y", least=0.0)
        values["mark"] = cells.whole(given["mark"], row, "mark")
        values["distance_mm"] = length("distance", least=0.0)
    values["datum_x"], values["datum_y"] = _datum(given, row, kind, cells)
    is_unread = kind == "lines" and not cells.text(given["reading"])
    values["reading_mm"] = float("nan") if is_unread else length("reading")
    values["read_at"] = cells.moment(given.get("read_at"), row, "read_at")
    values["note"] = cells.text(given.get("note"))
    values["excluded"] = cells.flag(given.get("excluded"), row, "excluded")
    values["reason"] = cells.text(given.get("reason"))
    if values["excluded"] and not values["reason"]:
        cells.fault(
            row,
            "a reading is excluded without a reason",
            needed="a reason for every exclusion",
            do="fill in the column reason",
        )
    if values["reason"] and not values["excluded"]:
        cells.fault(
            row,
            f"a reason ({brief(values['reason'])}) for a reading that is not excluded",
            needed="excluded = yes beside it",
            do="write yes under excluded, or move the words to note",
        )
    return values


def _datum(given: dict[str, Cell], row: int, kind: SurveyKind, cells: Cells) -> tuple[str, str]:
    text = cells.text(given.get("datum_edge"))
    datum = datum_of(text)
    words = text.lower()
    if datum is None or (kind == "lines" and not any(edge in words for edge in ALONG)):
        needed = "leading, trailing, left or right, or one of each pair as 'trailing right'"
        if kind == "lines":
            needed = "leading or trailing, the edge that the marks are counted from"
        found = f"datum_edge is {brief(text)}" if text else "datum_edge is empty"
        cells.fault(row, found, needed=needed, do="write it so")
    return datum or ("leading", "left")


def datum_of(text: str) -> tuple[str, str] | None:
    """Edges that x and y are counted from; leading and left where unsaid, None for nonsense."""
    words = [word for word in re.split(r"[^a-z]+", text.lower()) if word not in ("", "edge", "and")]
    along = [word for word in words if word in ALONG]
    across = [word for word in words if word in ACROSS]
    if len(along) + len(across) < len(words) or len(along) > 1 or len(across) > 1:
        return None
    return (along or ["leading"])[0], (across or ["left"])[0]


def _check_people(readings: pd.DataFrame, cells: Cells) -> None:
    """One person under two names would count as two, and their scatter as that of people."""
    known: dict[str, tuple[str, int]] = {}
    for row, name in zip(readings["row"], readings["operator"], strict=True):
        alike = unicodedata.normalize("NFKC", name).casefold()
        before, first = known.setdefault(alike, (name, int(row)))
        if name != before:
            cells.fault(
                int(row),
                f"operator is {brief(name)}, while row {first} has {brief(before)}",
                needed="each person by one name",
                do="write it alike, or tell two people apart by more than capitals",
            )


def _check_twice(readings: pd.DataFrame, kind: SurveyKind, cells: Cells) -> None:
    """Two readings of one person, repeat and place are a slip, unless one of them is excluded."""
    if kind == "lines":
        return
    key = [*WHO, "x_mm", "y_mm", "datum_x", "datum_y"]
    used = readings[~readings["excluded"]]
    first = used.groupby(key)["row"].transform("first")
    for row, before in zip(used["row"], first, strict=True):
        if row != before:
            cells.fault(
                int(row),
                f"the same lite, gauge, operator, repeat and place as row {before}",
                needed="each reading once, repeated ones told apart by repeat",
                do="delete one of the rows, or number the repeats",
            )
