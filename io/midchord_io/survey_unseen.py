"""What the values of a sheet do not tell, found in the XML of the sheet before they are read.

A formula whose value was never stored reads as empty, an error as a word, and what is hidden reads
like all else. A stray cell far from the table, often a space that nobody sees, makes the sheet up
to there one block of cells, more than the memory of any machine holds.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple
from xml.etree import ElementTree

from midchord_io.errors import SurveyError, brief

__all__ = [
    "MAIN",
    "Hidden",
    "Look",
    "column_letters",
    "look_through",
    "refuse_far",
    "refuse_lost",
]

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
YES = ("1", "true")
LAST_COLUMN = 16_384
"""Of a sheet; a hidden column often reaches there."""
ADDRESS = re.compile(r"([A-Z]{1,3})([1-9]\d{0,6})")
WIDEST, MOST_BLANK_ROWS = 256, 1000
"""Columns, and rows with nothing in them on end: beyond them a cell is none of the table."""
MOST_CELLS = 5_000_000


class Hidden(NamedTuple):
    """Numbers of the rows and columns that are not shown, from 1; and whether the sheet is not."""

    rows: set[int]
    columns: set[int]
    sheet: bool


class Look(NamedTuple):
    """What the values of a sheet do not tell.

    faults  cells whose value is not in the file, and errors: address, and what it is
    hidden  what is not shown
    rows    number of each row with something in it -> address of the first cell that has
    widest  number of the last column with something in it, and the address of a cell there
    """

    faults: list[tuple[str, str]]
    hidden: Hidden
    rows: dict[int, str]
    widest: tuple[int, str]


def look_through(content: bytes, name: str, part: str) -> Look:
    """The XML of a sheet, element by element, before its values are read."""
    faults: list[tuple[str, str]] = []
    rows: dict[int, str] = {}
    widest = 0, ""
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        book = ElementTree.fromstring(package.read("xl/workbook.xml"))
        hidden = Hidden(
            set(),
            set(),
            sheet=any(
                sheet.get("name") == name and sheet.get("state") in ("hidden", "veryHidden")
                for sheet in book.iter(f"{MAIN}sheet")
            ),
        )
        settings = book.find(f"{MAIN}calcPr")
        # so marked by programs that write formulas without computing them, as 0
        is_stale = settings is not None and settings.get("fullCalcOnLoad") in YES
        row = column = 0
        with package.open(part) as sheet:
            for event, element in ElementTree.iterparse(sheet, ("start", "end")):
                if event == "start":
                    if element.tag == f"{MAIN}row":
                        row, column = int(element.get("r", row + 1)), 0
                elif element.tag == f"{MAIN}c":
                    row, column = _place(element.get("r"), row, column)
                    address = f"{column_letters(column)}{row}"
                    if _holds_something(element):
                        rows.setdefault(row, address)
                        widest = max(widest, (column, address))
                    faults += _lost_value(element, address, is_stale=is_stale)
                    element.clear()
                elif element.tag == f"{MAIN}row":
                    if element.get("hidden") in YES or _is_nothing(element.get("ht")):
                        hidden.rows.add(row)
                    element.clear()
                elif element.tag == f"{MAIN}col":
                    if element.get("hidden") in YES or _is_nothing(element.get("width")):
                        last = min(int(element.get("max", 0)), LAST_COLUMN)
                        first = max(int(element.get("min", 1)), 1)
                        hidden.columns.update(range(first, last + 1))
                    element.clear()
    return Look(faults, hidden, rows, widest)


def _place(address: str | None, row: int, column: int) -> tuple[int, int]:
    """Row and column of a cell; one without an address follows the cell before it."""
    if address is None:
        return row, column + 1
    found = ADDRESS.fullmatch(address)
    if not found:
        raise ValueError(f"{brief(address)} is no cell")
    number = 0
    for letter in found[1]:
        number = 26 * number + ord(letter) - ord("A") + 1
    return int(found[2]), number


def _holds_something(cell: ElementTree.Element) -> bool:
    return any(cell.find(f"{MAIN}{part}") is not None for part in ("v", "is", "f"))


def _lost_value(
    cell: ElementTree.Element, address: str, *, is_stale: bool
) -> Iterator[tuple[str, str]]:
    value = cell.findtext(f"{MAIN}v")
    if cell.get("t") == "e":
        yield address, f"an error ({value})"
    elif cell.find(f"{MAIN}f") is not None and (is_stale or not value):
        yield address, "a formula whose value is not in the file"


def _is_nothing(size: str | None) -> bool:
    return size is not None and float(size) == 0


def refuse_lost(faults: Sequence[tuple[str, str]], where: str) -> None:
    """Raises SurveyError where the value of a cell is not in the file, or is an error."""
    if faults:
        cell, what = faults[0]
        more = f" ({len(faults) - 1} more like it)" if len(faults) > 1 else ""
        raise SurveyError(
            where,
            found=f"cell {cell} is {what}{more}",
            needed="values",
            do="open and save it in a spreadsheet, or paste the values over the formulas",
        )


def refuse_far(rows: Mapping[int, str], widest: tuple[int, str], where: str) -> None:
    """Raises SurveyError where a cell lies far from the others, or there are too many.

    rows    number of each row with something in it -> address of the first cell that has
    widest  number of the last column with something in it, and the address of a cell there
    """
    columns, far = widest
    last = 0
    for row in sorted(rows) if columns <= WIDEST else ():
        if row - last > MOST_BLANK_ROWS:
            columns, far = WIDEST + 1, rows[row]
            break
        last = row
    if columns > WIDEST:
        raise SurveyError(
            where,
            found=f"cell {far} holds something and lies far from the table",
            needed="one table with nothing around it",
            do="delete that row and that column: a space or an old entry may be left there",
        )
    if last * columns > MOST_CELLS:
        raise SurveyError(
            where,
            found=f"{last} rows of {columns} columns",
            needed=f"a table of at most {MOST_CELLS} cells",
            do="make several surveys of it, or delete what is none of it",
        )


def column_letters(number: int) -> str:
    """Name of a column: 1 is A, 27 is AA."""
    name = ""
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(ord("A") + rest) + name
    return name
