"""Points as text: XYZ and CSV, one point a row, with or without a row of names.

The text tells the separator (tab, semicolon, comma or spaces), the decimal mark and the names of
the columns, if it has any; which of them are x, y and height is for a source description to say,
and that it does so is what makes the text points and no matrix. Lines before the first row of
three numbers (a count of points, a remark) are passed over. An empty field or a NaN is "not
measured".
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from midchord_io.adapters.text import COMMENTS, MARKS_OF_OTHERS, NUMBER, SEPARATORS
from midchord_io.errors import CorruptScan
from midchord_io.ingest.clouds import StoredPoints, scan_from_points
from midchord_io.ingest.text_table import MISSING, TextTable, encoding_of, fields_of
from midchord_io.source import SourceDescription

__all__ = ["points", "read", "sniff", "wants"]

HEAD_LINES = 200
LONGEST_HEAD = 2**20


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is text with a row of at least three numbers near its start."""
    encoding = encoding_of(head)
    if (encoding == "utf-8-sig" and b"\0" in head) or MARKS_OF_OTHERS.match(head):
        return False
    lines = head.decode(encoding, errors="replace").splitlines()
    return any(_separator(line) for line in lines if not _is_passed_over(line))


def wants(source: SourceDescription | None) -> bool:
    """Whether a description makes a text a table of points."""
    return source is not None and source.source.columns is not None


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a table of points. Raises ScanError."""
    return scan_from_points(points(path), source, path)


def points(path: Path) -> StoredPoints:
    """The points in a text. Raises CorruptScan."""
    start = _start(path)
    names = start.names
    table = start.table

    def column(name: str) -> str | None:
        if name in names:
            return table.one_value(names.index(name))
        is_number = name.isascii() and name.isdigit() and int(name) < table.columns
        return table.one_value(int(name)) if is_number else None

    return StoredPoints(
        name="a text table",
        columns=names,
        dtypes=(np.dtype(np.float64),) * table.columns,
        chunks=table.chunks,
        column=column,
    )


@dataclass(frozen=True)
class _Start:
    table: TextTable
    names: tuple[str, ...]


def _is_passed_over(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith(COMMENTS)


def _separator(line: str) -> str:
    """The separator that gives a row the most numbers, three or more; empty where none does."""
    best, most = "", 2
    for separator in SEPARATORS:
        fields = fields_of(line, separator)
        numbers = sum(bool(NUMBER.fullmatch(field)) for field in fields)
        numbers += sum(field.lower() in MISSING and bool(field) for field in fields)
        if numbers > most and sum(bool(NUMBER.fullmatch(field)) for field in fields) > 1:
            best, most = separator, numbers
    return best


def _start(path: Path) -> _Start:
    with path.open("rb") as raw:
        encoding = encoding_of(raw.read(2))
    with path.open(encoding=encoding, errors="replace") as file:
        lines = list(itertools.islice(iter(lambda: file.readline(LONGEST_HEAD), ""), HEAD_LINES))
    first = next(
        (n for n, line in enumerate(lines) if not _is_passed_over(line) and _separator(line)), None
    )
    if first is None:
        raise CorruptScan(
            path,
            found=f"no row of three numbers in its first {len(lines)} lines",
            needed="a table of points: x, y and height in every row",
            do="export the file again",
        )
    separator = _separator(lines[first])
    fields = fields_of(lines[first].rstrip("\r\n "), separator)
    rows = [text for text in lines[first:] if not _is_passed_over(text)]
    is_closed = separator.strip() != "" and all(
        text.rstrip("\r\n ").endswith(separator) for text in rows
    )
    count = len(fields) - is_closed
    table = TextTable(
        path=path,
        encoding=encoding,
        start=first,
        separator=separator,
        decimal=_decimal(rows, separator, path),
        columns=count,
        is_closed=is_closed,
    )
    return _Start(table, _names(lines[:first], separator, count))


def _decimal(rows: list[str], separator: str, path: Path) -> str:
    numbers = "".join(
        field for row in rows for field in fields_of(row, separator) if NUMBER.fullmatch(field)
    )
    if separator == "," or "," not in numbers:
        return "."
    if "." in numbers:
        raise CorruptScan(
            path,
            found="numbers with a comma and numbers with a point",
            needed="one decimal mark and no thousands separators",
            do="export the file again",
        )
    return ","


def _names(before: list[str], separator: str, count: int) -> tuple[str, ...]:
    """Names from the line before the first row, if it has as many; else numbers from 0."""
    last = next((line for line in reversed(before) if line.strip()), "")
    last = last.strip().removeprefix("\ufeff")
    for comment in COMMENTS:
        last = last.removeprefix(comment)
    names = fields_of(last.strip(), separator)
    if len(names) == count + 1 and not names[-1]:
        names.pop()
    if len(names) == count and len(set(names)) == count and all(names):
        return tuple(names)
    return tuple(str(number) for number in range(count))
