"""Empty survey files to fill in, CSV or XLSX, laid out as ``read_survey`` takes them.

The workbook has a sheet ``survey`` with nothing but the header, whose cells refuse what would be
refused on reading, and a sheet that says what each column is. The names are kept as text, so that
no spreadsheet turns lite 3-17 into a date. The CSV says the same in lines that begin with ``#``;
it begins with ``sep=;``, by which spreadsheets of every country find its columns, and is plain
ASCII, which no spreadsheet can misread.
"""

from __future__ import annotations

import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from midchord_io.errors import OutputError, SurveyError
from midchord_io.results import write_bytes, write_text
from midchord_io.survey import COLUMNS, OPTIONAL, SurveyKind
from midchord_io.survey_table import SHEET_NAME

__all__ = ["TEMPLATE_UNITS", "template_columns", "template_text", "write_template"]

TEMPLATE_UNITS: dict[str, tuple[str, str]] = {
    "mm": ("mm", "mm"),
    "um": ("mm", "um"),
    "in": ("in", "in"),
}
"""What may be asked for: the unit of the places and that of the readings."""

LAST_ROW = 2000
TEXTS = ("lite_id", "gauge", "operator", "note", "reason")

MEANINGS = {
    "lite_id": "the lite, by the name that its scan has",
    "gauge": "the gauge, by the name on its gauge card",
    "operator": "who read it",
    "repeat": "1 for the first time, 2 when the same is read again, and so on",
    "x": "from the leading edge to the plunger (or from the edge in datum_edge)",
    "y": "from the left-hand edge to the plunger; left as seen looking along the travel",
    "line_y": "where the line is, from the left-hand edge; left as seen looking along the travel",
    "mark": "1, 2, 3 ... in order from the edge, one on every peak and every valley",
    "distance": "from the edge in datum_edge to the mark",
    "reading": "what the dial shows, with its sign",
    "read_at": "may stay empty: when it was read, as 2026-03-17 or 2026-03-17T08:30",
    "note": "may stay empty: anything worth knowing",
    "excluded": "yes: the reading stays in the table and out of the figures; needs a reason",
    "reason": "why it is excluded",
}
DATUM = {
    "spots": "may stay empty: leading, left; otherwise trailing, right or trailing right",
    "lines": "leading or trailing: the edge that the distances are counted from",
}
UNREAD = ", or empty at every mark of a line that has not been read yet"
RULES = (
    "One row is one reading. Every row is filled in; do not merge cells.",
    "Lengths are in the unit at the end of the column's name: _mm, _um or _in; no unit in a cell.",
    "Decimal comma or decimal point, one of them through the whole file.",
    "Which gauge it was, its feet or its base, and what its dial means go into its gauge card.",
)


class TemplateColumn(NamedTuple):
    """A column as it is written, and what goes into it."""

    header: str
    name: str
    meaning: str


def template_columns(kind: SurveyKind, unit: str = "mm") -> list[TemplateColumn]:
    """Columns of a template in order. Raises SurveyError on an unknown kind or unit."""
    for found, known, what in ((kind, COLUMNS, "kind of survey"), (unit, TEMPLATE_UNITS, "unit")):
        if found not in known:
            raise SurveyError(
                "survey template",
                found=f"no {what} {found!r}",
                needed=f"one of {', '.join(known)}",
                do="choose one of these",
            )
    place, reading = TEMPLATE_UNITS[unit]
    suffixes = dict.fromkeys(("x", "y", "line_y", "distance"), f"_{place}")
    suffixes["reading"] = f"_{reading}"
    meanings = {**MEANINGS, "datum_edge": DATUM[kind]}
    if kind == "lines":
        meanings["reading"] += UNREAD
    return [
        TemplateColumn(f"{name}{suffixes.get(name, '')}", name, meanings[name])
        for name in COLUMNS[kind] + OPTIONAL[kind]
    ]


def write_template(
    path: str | Path, kind: SurveyKind, *, unit: str = "mm", overwrite: bool = False
) -> Path:
    """Write an empty survey; CSV or XLSX by the ending of ``path``, whole or not at all.

    kind     "spots" or "lines"
    unit     of the readings: "mm", "um" (places in mm) or "in" (places, too)
    Raises   SurveyError on an unknown kind or unit; OutputError on another ending, on a file that
             exists, and where the disk or the folder does not allow it
    """
    path = Path(path)
    columns = template_columns(kind, unit)
    ending = path.suffix.lower()
    if ending not in (".csv", ".xlsx"):
        raise OutputError(
            path,
            found=f"a survey template cannot be written as {ending or 'a file without an ending'}",
            needed=".csv or .xlsx",
            do="name the file so",
        )
    if os.path.exists(path) and not overwrite:
        raise OutputError(
            path,
            found="it is already there",
            needed="a template is written to a name that is free",
            do="choose another name, or say --overwrite",
        )
    if ending == ".csv":
        write_text(template_text(kind, unit=unit), path)
    else:
        write_bytes(_workbook(kind, columns), path)
    return path


def template_text(
    kind: SurveyKind, *, unit: str = "mm", rows: Sequence[Mapping[str, object]] = ()
) -> str:
    """The CSV of an empty survey, or of one whose places are known and whose readings are not.

    rows    name of a column as in COLUMNS (lengths without their unit, in that of the places) ->
            what stands there; what is not named stays empty
    Raises  SurveyError on an unknown kind or unit
    """
    columns = template_columns(kind, unit)
    lines = [f"# Hand survey: {kind}. Fill in below the names of the columns.", *RULES]
    lines += [f"{column.header}: {column.meaning}" for column in columns]
    told = [f"# {line.removeprefix('# ').replace(';', ',')}" for line in lines]
    header = ";".join(column.header for column in columns)
    body = [";".join(_cell(row.get(column.name, "")) for column in columns) for row in rows]
    return "\r\n".join(["sep=;", *told, header, *body, ""])


def _cell(value: object) -> str:
    """In quotes where it would break the columns."""
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ';"\r\n') else text


def _workbook(kind: SurveyKind, columns: list[TemplateColumn]) -> bytes:
    import xlsxwriter

    content = io.BytesIO()  # a full disk is then met by write_bytes, which knows how to tell
    with xlsxwriter.Workbook(content, {"in_memory": True}) as book:
        sheet = book.add_worksheet(SHEET_NAME)
        head = book.add_format(
            {"bold": True, "bottom": 1, "bg_color": "#e8ecef", "text_wrap": True, "valign": "top"}
        )
        as_text = book.add_format({"num_format": "@"})
        for index, column in enumerate(columns):
            width = max(12, len(column.header) + 3)
            is_text = column.name in TEXTS
            sheet.set_column(index, index, width, as_text if is_text else None)
            sheet.write_string(0, index, column.header, head)
            rule = _rule(column.name, kind)
            if rule:
                sheet.data_validation(1, index, LAST_ROW, index, _told(rule, column))
        sheet.freeze_panes(1, 0)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        _write_explanation(book, kind, columns)
    return content.getvalue()


def _write_explanation(book: Any, kind: SurveyKind, columns: list[TemplateColumn]) -> None:
    sheet = book.add_worksheet("explanation")
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True})
    sheet.set_column(0, 0, 16)
    sheet.set_column(1, 1, 88, wrapped)
    sheet.write_string(0, 0, f"Hand survey: {kind}", bold)
    for row, rule in enumerate(RULES, start=2):
        sheet.write_string(row, 1, rule)
    start = len(RULES) + 3
    sheet.write_row(start, 0, ("column", "what goes into it"), bold)
    for row, column in enumerate(columns, start=start + 1):
        sheet.write_string(row, 0, column.header)
        sheet.write_string(row, 1, column.meaning)
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _rule(name: str, kind: SurveyKind) -> dict[str, Any] | None:
    """What the spreadsheet lets into a column."""
    if name in ("repeat", "mark"):
        return {"validate": "integer", "criteria": ">=", "value": 1}
    if name in ("x", "y", "line_y", "distance"):
        return {"validate": "decimal", "criteria": ">=", "value": 0}
    if name == "reading":
        # any number at all, but a number
        return {"validate": "decimal", "criteria": "between", "minimum": -1e6, "maximum": 1e6}
    if name == "excluded":
        return {"validate": "list", "source": ["yes", "no"]}
    if name == "datum_edge":
        edges: dict[str, list[str]] = {
            "lines": ["leading", "trailing"],
            "spots": ["leading", "trailing", "left", "right", "trailing right"],
        }
        return {"validate": "list", "source": edges[kind]}
    return None


LONGEST_HINT: Literal[255] = 255
"""Spreadsheets take no longer message beside a cell."""


def _told(rule: dict[str, Any], column: TemplateColumn) -> dict[str, Any]:
    hint = column.meaning[:LONGEST_HINT]
    return {
        **rule,
        "input_title": column.header,
        "input_message": hint,
        "error_title": column.header,
        "error_message": hint,
    }
