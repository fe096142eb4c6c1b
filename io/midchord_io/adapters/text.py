"""A matrix of heights as text: one row a scan line, as most scanners can export it.

The text itself tells the separator (tab, semicolon, comma or spaces), the decimal mark, and where
the numbers start; header lines before them, blank lines and lines that start with ``#``, ``%`` or
``//`` are passed over. An empty field or a NaN is "not measured". What the numbers mean is not in
the text, so a source description must say it. Rows of different length are refused, never padded:
a file cut short would pass for a narrower lite. (A cut at the end of a row, or within its last
number, cannot be seen in a text: whoever hands over files must wait until they are complete.)
"""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import CorruptScan, MissingMetadata, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts, is_matrix
from midchord_io.ingest.gridded import StoredGrid, scan_from_grid
from midchord_io.ingest.thousands import ThousandsWatch, refuse_thousands
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]

TEXT_KEYS = frozenset(
    {
        "axes",
        "height_offset",
        "height_scale",
        "height_sign",
        "height_units",
        "invalid",
        "lines",
        "pitch",
        "position_units",
    }
)
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
MISSING = {"nan", "-nan", "na", "n/a", "#n/a", "null", "none", "inf", "-inf"}
COMMENTS = ("#", "%", "//")
SPACES = " "
MARKS_OF_OTHERS = re.compile(
    rb"(\xef\xbb\xbf)?([aA](ISO|BCR)-\d\.\d|ply[ \t]*[\r\n]|# \.PCD|VERSION |FIELDS )"
)
"""Formats that are text, too, and say so at their start."""
SEPARATORS = ("\t", ";", ",", SPACES)


@dataclass(frozen=True)
class Layout:
    """How the matrix stands in the text."""

    encoding: str
    first_line: int
    separator: str
    decimal: str
    rows: int
    columns: int
    is_closed: bool
    """Every row ends in a separator, which then closes the row and opens no further field."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is text with a row of at least two numbers near its start."""
    encoding = _encoding(head)
    if (encoding == "utf-8-sig" and b"\0" in head) or MARKS_OF_OTHERS.match(head):
        return False
    lines = head.decode(encoding, errors="replace").splitlines()
    if lines and not _separator(lines[-1]):
        for separator in SEPARATORS:  # the head may end within a number
            lines.append(lines[-1].rpartition(separator)[0])
    return any(_separator(line) for line in lines if not _is_passed_over(line))


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a text matrix. Raises ScanError."""
    where = str(path)
    if source is None or (source.source.axes is None and source.source.columns is None):
        raise MissingMetadata(
            where,
            found="numbers in a text and no word on what they are",
            needed="a source description with axes (a matrix) or columns (points)",
            do="write one as in configs/sources and pass it with --source",
        )
    if source.source.columns is not None:
        raise UnsupportedScan(
            where,
            found="a source description with columns, that is, points, but no row of three numbers",
            needed="x, y and height in every row, or a matrix with axes",
            do="export the points again, or say axes and pitch where it is a matrix",
        )
    layout = _layout(path, where)
    with path.open(encoding=layout.encoding, errors="replace") as file:
        return scan_from_grid(_stored(file, layout, where), source, path, uses=TEXT_KEYS)


def describe(path: Path) -> FileFacts:
    """The table as a matrix. Raises ScanError."""
    layout = _layout(path, str(path))
    with path.open(encoding=layout.encoding, errors="replace") as file:
        stored = _stored(file, layout, str(path))
        separator = {"\t": "tabs", ";": "semicolons", ",": "commas"}.get(layout.separator, "spaces")
        return FileFacts(
            content=f"a text of numbers between {separator}, from line {layout.first_line}",
            layout="matrix",
            uses=TEXT_KEYS,
            arrays=(array_facts(stored),) if is_matrix(stored.shape, stored.dtype) else (),
        )


def _stored(file: io.TextIOBase | Any, layout: Layout, where: str) -> StoredGrid:
    """The matrix, to be read once from its first row to its last."""
    lines = _data_lines(file, layout)
    return StoredGrid(
        name="the matrix",
        shape=(layout.rows, layout.columns),
        dtype=np.dtype(np.float64),
        rows=lambda start, stop: _numbers(
            list(itertools.islice(lines, stop - start)), layout, where
        ),
    )


def _encoding(head: bytes) -> str:
    # numbers are ASCII in every other encoding, so odd bytes in a header do no harm
    return "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"


def _is_passed_over(line: str) -> bool:
    return not line.strip(" \r\n") or line.lstrip().startswith(COMMENTS)


def _fields(line: str, separator: str) -> list[str]:
    line = line.rstrip("\r\n")
    if separator == SPACES:
        return line.split()
    return [field.strip() for field in line.split(separator)]


def _separator(line: str) -> str:
    """The separator by which a line is a row of numbers; empty where it is none."""
    for separator in SEPARATORS:
        fields = _fields(line, separator)
        if fields and not fields[-1]:
            fields.pop()
        is_number = [
            bool(NUMBER.fullmatch(field)) or field.lower() in MISSING for field in fields
        ]
        is_blank = [not field for field in fields]
        if len(fields) > 1 and any(is_number) and all(map(max, is_number, is_blank)):
            return separator
    return ""


def _layout(path: Path, where: str) -> Layout:
    """One pass over the text: separator, decimal mark, size; a ragged row is refused by number."""
    with path.open("rb") as raw:
        encoding = _encoding(raw.read(2))
    with path.open(encoding=encoding, errors="replace") as file:
        numbered = ((n, line) for n, line in enumerate(file, 1) if not _is_passed_over(line))
        first, separator, rows = _start(numbered, where)
        columns = _count(rows[0], separator)
        is_closed = separator != SPACES
        count = 0
        marks = {",": False, ".": False}
        watches = {mark: ThousandsWatch(separator, mark, columns, is_one=True) for mark in marks}
        for number, line in itertools.chain(enumerate(rows, first), numbered):
            found = _count(line, separator)
            if found != columns:
                raise CorruptScan(
                    where,
                    found=f"line {number} has {found} fields, line {first} has {columns}",
                    needed="rows of equal length",
                    do="check that the file is whole, and mark header lines with #",
                )
            count += 1
            is_closed = is_closed and line.rstrip("\r\n ").endswith(separator)
            for mark in marks:
                marks[mark] = marks[mark] or mark in line
                if marks[mark] and mark != separator:
                    watches[mark].add(line.encode())
    decimal = _decimal(separator, marks, where)
    refuse_thousands(watches[decimal].doubtful(), where)
    return Layout(
        encoding=encoding,
        first_line=first,
        separator=separator,
        decimal=decimal,
        rows=count,
        columns=columns - is_closed,
        is_closed=is_closed,
    )


def _start(numbered: Iterator[tuple[int, str]], where: str) -> tuple[int, str, list[str]]:
    """Line number and separator of the first row, and the rows up to the first with numbers.

    Scan lines without a single measured point may come first: rows of separators, as many as in
    the row that follows. They belong to the matrix.
    """
    blank: list[tuple[int, str]] = []
    header: list[tuple[int, str]] = []
    for number, line in numbered:
        separator = _separator(line)
        if separator:
            columns = _count(line, separator)
            for spoilt in header:
                _check_header(spoilt, separator, columns, where)
            while blank and _count(blank[0][1], separator) != columns:
                blank.pop(0)
            first = blank[0][0] if blank else number
            return first, separator, [*(row for _, row in blank), line]
        row = line.strip("\r\n ")
        follows = not blank or blank[-1][0] == number - 1
        is_blank = len(set(row)) == 1 and row[0] in SEPARATORS
        blank = [*(blank if follows else []), (number, line)] if is_blank else []
        header = [*header[-99:], (number, line)]
    raise CorruptScan(
        where,
        found="no row of numbers",
        needed="a matrix of heights, one row a scan line",
        do="export the file again",
    )


def _check_header(
    row: tuple[int, str], separator: str, columns: int, where: str
) -> None:
    """Refuses a spoilt scan line that would pass for a header, and shift the lite by a line."""
    fields = _fields(row[1], separator)
    numbers = [field for field in fields if re.match(r"[+-]?[.,]?\d", field)]
    if len(fields) != columns or 2 * len(numbers) < columns:
        return
    odd = next(field for field in fields if field and not NUMBER.fullmatch(field))
    raise CorruptScan(
        where,
        found=f"{odd[:40]!r} in line {row[0]}, which is otherwise a row of numbers",
        needed="plain numbers without thousands separators, or nothing where not measured",
        do="export the file again, or mark the line with # if it is a header",
    )


def _count(line: str, separator: str) -> int:
    return len(line.split()) if separator == SPACES else line.count(separator) + 1


def _decimal(separator: str, marks: dict[str, bool], where: str) -> str:
    if separator == "," or not marks[","]:
        return "."
    if marks["."]:
        raise CorruptScan(
            where,
            found="numbers with a comma and numbers with a point",
            needed="one decimal mark and no thousands separators",
            do="export the file again",
        )
    return ","


def _data_lines(file: io.TextIOBase | Any, layout: Layout) -> Iterator[tuple[int, str]]:
    """Line number and text of every row."""
    for number, line in enumerate(file, start=1):
        if number >= layout.first_line and not _is_passed_over(line):
            row = line.rstrip("\r\n ")
            yield number, row.removesuffix(layout.separator) if layout.is_closed else row


def _numbers(
    lines: list[tuple[int, str]], layout: Layout, where: str
) -> npt.NDArray[np.float64]:
    import pandas as pd

    text = "\n".join(line for _, line in lines)
    try:
        table = pd.read_csv(
            io.StringIO(text),
            sep=r"\s+" if layout.separator == SPACES else layout.separator,
            decimal=layout.decimal,
            header=None,
            names=range(layout.columns),
            index_col=False,
            dtype=np.float64,
            na_values=sorted(MISSING),
            skipinitialspace=True,
            skip_blank_lines=False,
        )
        return table.to_numpy()
    except ValueError as error:
        raise _not_a_number(lines, layout, where) from error


def _not_a_number(lines: list[tuple[int, str]], layout: Layout, where: str) -> CorruptScan:
    for number, line in lines:
        for column, field in enumerate(_fields(line, layout.separator), start=1):
            if field and not NUMBER.fullmatch(field) and field.lower() not in MISSING:
                found = f"{field[:40]!r} in line {number}, field {column}"
                return CorruptScan(
                    where,
                    found=found,
                    needed="numbers, or nothing where not measured",
                    do="remove the text, or mark the line with #",
                )
    return CorruptScan(
        where,
        found=f"lines {lines[0][0]} to {lines[-1][0]} that cannot be read as numbers",
        needed="numbers, or nothing where not measured",
        do="export the file again",
    )
