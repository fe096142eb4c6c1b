"""A table that people filled in by hand, CSV or XLSX, as a header and numbered rows of cells.

*CSV* comes with commas, semicolons or tabs, with or without a byte order mark, in UTF-8 or UTF-16;
blank rows and rows that begin with ``#`` are passed over, and so is the ``sep=;`` of spreadsheets.

*XLSX* holds typed cells, and traps: a formula whose value was never stored reads as empty, at the
end of a sheet its whole row vanishes, and an error reads as a word. Each of the three would drop
readings in silence, so the sheet's own XML is looked through for them (``survey_unseen``) and the
file is refused. It is refused, too, where a row, a column or the sheet with something in it is
hidden, by hand or by a filter (what nobody sees would count; a reading that is not to count is
excluded with its reason), and where a cell lies far from the table.

Rows keep the number that they have in the file, because every message must name it. What the cells
mean is not known here.
"""

from __future__ import annotations

import csv
import io
import posixpath
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

from midchord_io.errors import SurveyError, brief, why
from midchord_io.survey_unseen import (
    MAIN,
    Hidden,
    column_letters,
    look_through,
    refuse_far,
    refuse_lost,
)
from midchord_io.whole_file import content_of

__all__ = ["Cell", "Row", "Table", "read_table"]

Cell = str | float | bool | date | datetime | None

ZIP, OLD_OFFICE = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
LARGEST_BYTES = 500_000_000
"""Ten million readings as text."""
SEPARATORS = (";", "\t", ",")
RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
SHEET_NAME = "survey"


class Row(NamedTuple):
    """A row with its number in the file, counted from 1."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Table:
    """Header and rows, each row as long as the header.

    separator  of a CSV; "" for XLSX
    sheet      name of the sheet; "" for CSV
    """

    header: Row
    rows: tuple[Row, ...]
    separator: str = ""
    sheet: str = ""


def read_table(path: str | Path) -> Table:
    """The table in a CSV or XLSX file; which of the two it is, its content says.

    Raises  SurveyError where it cannot be read, is empty, or would lose values in silence
    """
    try:
        content = content_of(path, most_bytes=LARGEST_BYTES)
    except OSError as error:
        raise SurveyError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a survey as CSV or XLSX",
            do="check the path",
        ) from error
    where = str(path)
    if content.startswith(ZIP):
        return _from_workbook(content, where)
    if content.startswith(OLD_OFFICE):
        raise SurveyError(
            where,
            found="a workbook of the old kind (XLS), or one with a password",
            needed="XLSX without a password, or CSV",
            do="save it as XLSX or as CSV UTF-8",
        )
    return _from_text(content, where)


def _is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _is_passed_over(cells: Sequence[Cell]) -> bool:
    first = cells[0] if cells else None
    return all(map(_is_blank, cells)) or (isinstance(first, str) and first.lstrip()[:1] == "#")


def _table(rows: Iterator[Row], where: str, *, separator: str = "", sheet: str = "") -> Table:
    kept = [row for row in rows if not _is_passed_over(row.cells)]
    if not kept:
        raise _no_readings(where, "nothing in it")
    header, *body = kept
    width = max(i + 1 for i, cell in enumerate(header.cells) if not _is_blank(cell))
    for row in body:
        for number, cell in enumerate(row.cells):
            is_beyond = number >= width
            if not _is_blank(cell) and (is_beyond or _is_blank(header.cells[number])):
                raise _no_column(where, row, number, width, separator)
    if not body:
        raise _no_readings(where, "a header and no row below it")
    named = [i for i in range(width) if not _is_blank(header.cells[i])]
    body = [
        Row(row.number, tuple(row.cells[i] if i < len(row.cells) else None for i in named))
        for row in body
    ]
    return Table(
        Row(header.number, tuple(header.cells[i] for i in named)), tuple(body), separator, sheet
    )


def _no_readings(where: str, found: str) -> SurveyError:
    return SurveyError(
        where,
        found=found,
        needed="a header and at least one reading below it",
        do="fill it in as midchord survey-template lays it out",
    )


def _no_column(where: str, row: Row, number: int, width: int, separator: str) -> SurveyError:
    do = "give the column a name, or empty the cell"
    if separator == ",":
        do = "if numbers have a decimal comma, separate the fields by semicolons instead"
    return SurveyError(
        f"{where}, row {row.number}",
        found=f"field {number + 1} holds {brief(row.cells[number])} under no column name",
        needed=f"at most the {width} fields that the header names",
        do=do,
    )


# ---- text


def _from_text(content: bytes, where: str) -> Table:
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise SurveyError(
            where,
            found=f"byte {error.start + 1} is not {encoding.removesuffix('-sig').upper()}",
            needed="text in UTF-8",
            do="save it as CSV UTF-8, or as XLSX",
        ) from error
    if "\0" in text:
        raise SurveyError(
            where, found="not text", needed="a survey as CSV or XLSX", do="check the file"
        )
    separator = _separator(text)
    return _table(_records(text, separator, where), where, separator=separator)


def _separator(text: str) -> str:
    """The separator that cuts the header into most fields."""
    for line in io.StringIO(text):
        plain = line.strip().strip('"')
        if plain and not plain.startswith("#") and not _is_sep_line(plain):
            return max(SEPARATORS, key=line.count)
    return ","


def _is_sep_line(line: str) -> bool:
    """The line by which spreadsheets tell each other the separator."""
    return line.lower().startswith("sep=") and len(line.rstrip(";,\t")) <= 5


def _records(text: str, separator: str, where: str) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    before = 0
    try:
        for cells in reader:
            first = before + 1  # a quoted field may go over several lines
            before = reader.line_num
            if not (first == 1 and cells and _is_sep_line("".join(cells[:2]))):
                yield Row(first, tuple(cells))
    except csv.Error as error:
        longest = csv.field_size_limit()
        is_long = "field limit" in str(error)
        raise SurveyError(
            f"{where}, row {before + 1}",
            found=f"a field of more than {longest} characters" if is_long else f"not CSV ({error})",
            needed="short fields" if is_long else "quotes that open and close",
            do="shorten it, or close the quote that opens in that row"
            if is_long
            else "mend that row",
        ) from error


# ---- workbooks


def _from_workbook(content: bytes, where: str) -> Table:
    import python_calamine

    try:
        sheets = _sheet_parts(content)
        name = _sheet_of(list(sheets), where)
        where_sheet = f"{where}, sheet {brief(name)}"
        look = look_through(content, name, sheets[name])
        refuse_lost(look.faults, where_sheet)
        refuse_far(look.rows, look.widest, where_sheet)
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        grid = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
    except SurveyError:
        raise
    except Exception as error:  # whatever the libraries make of a damaged file
        raise SurveyError(
            where,
            found=f"no workbook that can be read ({error})",
            needed="a survey as XLSX or CSV",
            do="open it in a spreadsheet and save it as XLSX",
        ) from error
    rows = [Row(number, tuple(map(_cell, cells))) for number, cells in enumerate(grid, start=1)]
    _refuse_hidden(rows, look.hidden, where_sheet)
    return _table(iter(rows), where, sheet=name)


def _cell(value: object) -> Cell:
    if value == "":
        return None
    if isinstance(value, str | bool | float | date | datetime):
        return value
    return float(value) if isinstance(value, int) else str(value)


def _sheet_parts(content: bytes) -> dict[str, str]:
    """Names of the sheets, in order, and where each stands in the package."""
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        book = ElementTree.fromstring(package.read("xl/workbook.xml"))
        links = ElementTree.fromstring(package.read("xl/_rels/workbook.xml.rels"))
    targets = {link.attrib["Id"]: link.attrib["Target"] for link in links}
    return {
        sheet.attrib["name"]: posixpath.join("/xl", targets[sheet.attrib[RELATION]]).lstrip("/")
        for sheet in book.iter(f"{MAIN}sheet")
    }


def _sheet_of(names: list[str], where: str) -> str:
    if len(names) == 1:
        return names[0]
    called = [name for name in names if name.strip().lower() == SHEET_NAME]
    if len(called) == 1:
        return called[0]
    if called:
        raise SurveyError(
            where,
            found=f"{len(called)} sheets called {SHEET_NAME!r}: {', '.join(map(repr, called))}",
            needed="one, as capitals and spaces do not tell names apart",
            do="give the other another name",
        )
    raise SurveyError(
        where,
        found=f"{len(names)} sheets, none called {SHEET_NAME!r}: {', '.join(names)}",
        needed="one sheet, or one of that name",
        do=f"call the sheet with the readings {SHEET_NAME!r}",
    )


def _refuse_hidden(rows: Sequence[Row], hidden: Hidden, where: str) -> None:
    """Raises SurveyError where a hidden row or column holds something, or the sheet is hidden."""
    kept = [row for row in rows if not _is_passed_over(row.cells)]
    unseen = [f"row {row.number}" for row in kept if row.number in hidden.rows]
    for number in sorted(hidden.columns):
        cells = [row.cells[number - 1] for row in kept if number <= len(row.cells)]
        if not all(map(_is_blank, cells)):
            unseen.append(f"column {column_letters(number)}")
    if hidden.sheet:
        unseen = ["the sheet"]
    if unseen:
        more = f", and {len(unseen) - 1} more rows or columns" if len(unseen) > 1 else ""
        raise SurveyError(
            where,
            found=f"{unseen[0]} is hidden{more}",
            needed="all that counts must be seen",
            do="show it (clear the filter, too), and say excluded with a reason where a reading is "
            "not to count",
        )
