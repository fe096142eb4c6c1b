"""Cells of a survey as numbers, names, dates and yes or no; what is none of these is a fault.

Numbers may have a decimal comma or a decimal point, one of them through the whole file: ``1,234``
beside ``0.05`` could be a thousand or one and a bit, and nobody can tell. Spreadsheets turn what
looks like a date into one (``3-17`` for a lite, ``1.5`` for a reading), so a date where a number
or a name is meant is refused, never turned back. They keep a number that is none to them as text:
``1,500`` among cells that are numbers may be a thousand wherever the decimal mark is a point.

Faults are gathered over the whole file; the message is about the first row and lists the others.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from typing import NoReturn

from midchord_io.errors import SurveyError, brief
from midchord_io.survey_table import Cell

__all__ = ["YEARS", "Cells", "Fault", "plain_name"]

NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.IGNORECASE)
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
YES, NO = ("yes", "y", "true", "x", "1"), ("", "no", "n", "false", "0")
SMALLEST, LARGEST = 1e-9, 1e9
SENSIBLE = f"0, or a number from {SMALLEST:g} to {LARGEST:g} in size"
YEARS = range(1970, 2200)
"""A date outside them is a slip, and some libraries know none beyond 2262."""
LONGEST_NAME = 200
ALIKE = str.maketrans({"\N{MINUS SIGN}": "-", "\N{NO-BREAK SPACE}": " "})


def plain_name(text: str) -> str:
    """A name as it is compared: one line, single spaces, a plain minus, composed letters.

    Survey, gauge card and scan write the same name by different programs; what nobody can see on
    paper must not tell two names apart.
    """
    return " ".join(unicodedata.normalize("NFC", text).translate(ALIKE).split())


@dataclass(frozen=True)
class Fault:
    """What is wrong in one row, in the parts of a message."""

    row: int
    found: str
    needed: str
    do: str


@dataclass
class Cells:
    """Turns the cells of one file into values and gathers what is wrong with them.

    separator  of the file's fields; "" where it has none
    """

    where: str
    separator: str = ""
    faults: list[Fault] = field(default_factory=list)
    decimal: tuple[str, int] | None = None
    """Decimal mark of the file, and the row where it was first seen."""

    def fault(self, row: int, found: str, *, needed: str, do: str) -> None:
        self.faults.append(Fault(row, found, needed, do))

    def raise_faults(self) -> None:
        """Raises SurveyError where anything was wrong: the first row, and which others."""
        if self.faults:
            self._refuse()

    def _refuse(self) -> NoReturn:
        first, *others = sorted(self.faults, key=lambda fault: fault.row)
        rows = sorted({fault.row for fault in others} - {first.row})
        more = ""
        if rows:
            listed = ", ".join(map(str, rows[:8])) + (" ..." if len(rows) > 8 else "")
            more = f" (faults, too, in row{'s' if len(rows) > 1 else ''} {listed})"
        raise SurveyError(
            f"{self.where}, row {first.row}",
            found=first.found + more,
            needed=first.needed,
            do=first.do,
        )

    def number(self, cell: Cell, row: int, column: str, *, least: float | None = None) -> float:
        """A finite number, NaN after a fault."""
        value = self._number(cell, row, column)
        if least is not None and value < least:
            self.fault(
                row,
                f"{column} is {value:g}",
                needed=f"a number of at least {least:g}",
                do="count from the edge that datum_edge names, inwards",
            )
        return value

    def whole(self, cell: Cell, row: int, column: str) -> int:
        """A whole number from 1 on, 0 after a fault."""
        value = self._number(cell, row, column)
        if math.isnan(value):
            return 0
        if value < 1 or value != int(value):
            self.fault(
                row,
                f"{column} is {_as_written(cell) if isinstance(cell, str) else f'{value:g}'}",
                needed="a whole number: 1, 2, 3 ...",
                do="number them from 1 on",
            )
            return 0
        return int(value)

    def _number(self, cell: Cell, row: int, column: str) -> float:
        needed, do = f"a number in {column}", "write the number alone, without its unit"
        if isinstance(cell, float):
            if not _is_sensible(cell):  # NaN and infinity, too: a workbook may hold them
                self.fault(row, f"{column} is {cell:g}", needed=SENSIBLE, do="correct it")
                return math.nan
            return cell
        if isinstance(cell, date):
            do = "format the column as numbers and type it again: the spreadsheet made it a date"
            self.fault(row, f"{column} is the date {cell.isoformat()}", needed=needed, do=do)
            return math.nan
        text = "" if cell is None else str(cell).translate(ALIKE).strip()
        if not text:
            self.fault(row, f"{column} is empty", needed=needed, do="fill it in, or delete the row")
            return math.nan
        if not NUMBER.fullmatch(text):
            self.fault(row, f"{column} is {brief(text)}", needed=needed, do=do)
            return math.nan
        self._check_decimal(text, row, column)
        value = float(text.replace(",", "."))
        if _is_sensible(value):
            return value
        self.fault(row, f"{column} is {_as_written(text)}", needed=SENSIBLE, do="correct it")
        return math.nan

    def _check_decimal(self, text: str, row: int, column: str) -> None:
        mark = next((character for character in text if character in ",."), None)
        if mark is None:
            return
        if self.decimal is None:
            self.decimal = mark, row
        known, first = self.decimal
        if mark != known:
            names = {",": "comma", ".": "point"}
            self.fault(
                row,
                f"{column} is {brief(text)} with a decimal {names[mark]}, while row {first} has "
                f"a {names[known]}",
                needed="one decimal mark through the whole file",
                do="write them all alike",
            )
        elif self.separator in (",", "") and THOUSANDS.fullmatch(text):
            self.fault(
                row,
                f"{column} is {brief(text)}, which may be a thousand",
                needed="a number that can be read one way only",
                do="separate the fields by semicolons, or write a decimal point"
                if self.separator
                else "format the column as numbers and type it again: the spreadsheet took it for "
                "text",
            )

    def name(self, cell: Cell, row: int, column: str) -> str:
        """A name as text, "" after a fault; the number 7 is the name "7"."""
        if isinstance(cell, date):
            self.fault(
                row,
                f"{column} is the date {cell.isoformat()}",
                needed="a name",
                do="format the column as text and type it again: the spreadsheet made it a date",
            )
            return ""
        text = self.text(cell)
        if not text:
            self.fault(
                row,
                f"{column} is empty",
                needed="every row filled in (of merged cells only the first holds the value)",
                do="fill it in",
            )
        if len(text) > LONGEST_NAME:
            self.fault(
                row,
                f"{column} has {len(text)} characters",
                needed=f"a name of at most {LONGEST_NAME}",
                do="shorten it",
            )
        return text

    @staticmethod
    def text(cell: Cell) -> str:
        """Whatever stands there, as one line of text."""
        if isinstance(cell, float) and abs(cell) <= LARGEST and cell == int(cell):
            cell = str(int(cell))
        return "" if cell is None else plain_name(str(cell))

    def moment(self, cell: Cell, row: int, column: str) -> datetime | None:
        """A date, or date and time, in UTC; one without a zone is taken as UTC."""
        if isinstance(cell, str):
            text = cell.strip()
            if not text:
                return None
            try:
                cell = datetime.fromisoformat(text)
            except ValueError:
                cell = text
        if isinstance(cell, date) and cell.year in YEARS:
            if not isinstance(cell, datetime):
                return datetime(cell.year, cell.month, cell.day, tzinfo=UTC)
            moment = cell.replace(tzinfo=UTC) if cell.tzinfo is None else cell.astimezone(UTC)
            if moment.year in YEARS:
                return moment
            cell = moment
        if cell is not None:
            self._refuse_moment(cell, row, column)
        return None

    def _refuse_moment(self, cell: Cell, row: int, column: str) -> None:
        found = f"{column} is {brief(str(cell))}"
        needed = "a date as 2026-03-17, with the time as 2026-03-17T08:30 if known"
        do = "write it so"
        if isinstance(cell, date):
            found = f"{column} is in the year {cell.year} (UTC)"
            needed = f"a date from {YEARS[0]} to {YEARS[-1]}"
            do = "correct it"
        elif isinstance(cell, str) and _is_time(cell):
            found += ", a time of day without its date"
        self.fault(row, found, needed=needed, do=do)

    def flag(self, cell: Cell, row: int, column: str) -> bool:
        """yes or no; empty is no."""
        text = self.text(cell).lower()
        if text not in YES + NO:
            self.fault(
                row, f"{column} is {brief(text)}", needed="yes or no", do="write one of them"
            )
        return text in YES


def _as_written(number: str) -> str:
    """A number that was typed, cut where its digits go on and on."""
    return brief(number).replace("'", "")


def _is_sensible(value: float) -> bool:
    """Whether a person can have meant it: 0, or of a size that something measured has."""
    return value == 0 or SMALLEST <= abs(value) <= LARGEST


def _is_time(text: str) -> bool:
    try:
        time.fromisoformat(text)
    except ValueError:
        return False
    return True
