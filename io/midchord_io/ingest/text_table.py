"""Tables of numbers in text, read in blocks: what XYZ, CSV, ASCII PLY and ASCII PCD share.

A text is cut into blocks at line ends. In each block the fields of every row are counted first, by
a compiled loop over the bytes: a row that is short would otherwise be padded, and a cut file pass
for one with points not measured. Blank lines and comments are passed over. Then pandas turns the
block into numbers.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt

from midchord_io.adapters.text import MISSING as WORDS
from midchord_io.adapters.text import NUMBER, SPACES
from midchord_io.errors import CorruptScan, MissingMetadata
from midchord_io.ingest.thousands import ThousandsWatch, refuse_thousands

__all__ = ["MISSING", "TextTable", "encoding_of", "fields_of"]

MISSING = WORDS | {"", "+nan"}
BLOCK_BYTES = 8 * 2**20
LONGEST_LINE = 2**20
NA_VALUES = ["NAN", "Nan", "none", "NONE", "Null", "na", "N/a", "#n/a", "+nan", "-NAN"]
"""Beside those that pandas knows."""


def encoding_of(head: bytes) -> str:
    """UTF-16 by its mark, else UTF-8: numbers are ASCII in every other encoding."""
    return "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"


def fields_of(line: str, separator: str) -> list[str]:
    """The fields of a row, without the spaces around them."""
    line = line.strip("\r\n")
    if separator == SPACES:
        return line.split()
    return [field.strip(' "') for field in line.split(separator)]


@dataclass(frozen=True)
class TextTable:
    """Where a table stands in a text, and how its rows are written."""

    path: Path
    encoding: str
    start: int
    """Lines before the first row."""
    separator: str
    decimal: str
    columns: int
    is_closed: bool = False
    """Every row ends in a separator, which opens no further field."""
    first_byte: int = 0
    """Of the text, where a header of another kind stands before it."""
    rows: int | None = None
    """Rows to be read; to the end of the text where that is not known."""

    def chunks(self, numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        """These columns, (n, len(numbers)) float64, NaN where a field is missing.

        Raises  CorruptScan: a row of other length, text where a number should be, too few rows
        """
        import pandas as pd

        read = 0
        watch = ThousandsWatch(self.separator, self.decimal, self.columns, is_one=False)
        for line, block, rows in self._blocks():
            if self.rows is not None and read >= self.rows:
                break
            if not rows:
                continue
            if self.rows is None and not watch.has_told(numbers):
                watch.add(block)
            try:
                table = pd.read_csv(
                    io.BytesIO(block),
                    usecols=sorted(set(numbers)),
                    dtype=np.float64,
                    decimal=self.decimal,
                    na_values=NA_VALUES,
                    **self._layout(),
                )
            except (ValueError, OverflowError) as error:
                raise self._not_a_number(line, block, numbers) from error
            order = [sorted(set(numbers)).index(number) for number in numbers]
            values = table.to_numpy()[:, order]
            if self.rows is not None:
                values = values[: self.rows - read]
            read += values.shape[0]
            yield values
        refuse_thousands(watch.doubtful(numbers), self.path)
        if self.rows is not None and read < self.rows:
            raise self._corrupt(f"{read} rows where {self.rows} are declared", "a whole file")

    def one_value(self, column: int) -> str | None:
        """The text that stands in every row of a column. Raises MissingMetadata: several do."""
        import pandas as pd

        value: str | None = None
        for _, block, rows in self._blocks():
            if not rows:
                continue
            table = pd.read_csv(
                io.BytesIO(block), usecols=[column], dtype=str, na_filter=False, **self._layout()
            )
            for found in table[column].str.strip().unique()[:2]:
                if value is not None and found != value:
                    raise MissingMetadata(
                        self.path,
                        found=f"{value!r} and {found!r} in the column that names the lite",
                        needed="the points of one lite",
                        do="write one lite a file, or correct id_from in the source description",
                    )
                value = str(found)
        return value

    def _layout(self) -> dict[str, Any]:
        return {
            "sep": r"\s+" if self.separator == SPACES else self.separator,
            "header": None,
            "names": range(self.columns + self.is_closed),
            "index_col": False,
            "skipinitialspace": True,
            "encoding_errors": "replace",
        }

    def _blocks(self) -> Iterator[tuple[int, bytes, int]]:
        """Line number of the first line, whole lines as UTF-8, rows in them."""
        separator = ord(self.separator) if self.separator != SPACES else 0
        line, skip = 1, self.start
        for text in self._texts():
            block = np.frombuffer(bytearray(text), dtype=np.uint8)
            rows, lines, bad, found, skip = _check_rows(
                block, separator, self.columns + self.is_closed, skip
            )
            if bad >= 0:
                found -= self.is_closed
                raise self._corrupt(
                    f"line {line + bad} has {found} fields where the first row has {self.columns}",
                    "rows of equal length and a whole file",
                )
            yield line, block.tobytes(), rows
            line += lines

    def _texts(self) -> Iterator[bytes]:
        """The text in UTF-8, cut at line ends."""
        rest = b""
        with self.path.open("rb") as raw:
            raw.seek(self.first_byte)
            file: Any = raw
            if self.encoding == "utf-16":
                file = io.TextIOWrapper(raw, encoding="utf-16", errors="replace", newline="")
            elif raw.read(3) != b"\xef\xbb\xbf":
                raw.seek(self.first_byte)
            while True:
                part = file.read(BLOCK_BYTES)
                if not part:
                    break
                text = rest + (part.encode() if isinstance(part, str) else part)
                cut = max(text.rfind(b"\n"), text.rfind(b"\r", 0, len(text) - 1)) + 1
                if not cut and len(text) > LONGEST_LINE + BLOCK_BYTES:
                    raise self._corrupt("a line of more than 1 MB", "a table of points")
                rest = text[cut:]
                if cut:
                    yield text[:cut]
        if rest:
            yield rest

    def _not_a_number(self, line: int, block: bytes, wanted: tuple[int, ...]) -> CorruptScan:
        other = "." if self.decimal == "," else ","
        for number, row in enumerate(re.split(r"\r\n|\n|\r", block.decode("utf-8", "replace"))):
            fields = fields_of(row, self.separator)
            for column in wanted:
                field = fields[column] if column < len(fields) else ""
                is_number = NUMBER.fullmatch(field) and other not in field
                if not is_number and field.lower() not in MISSING:
                    return self._corrupt(
                        f"{field[:40]!r} in line {line + number}, field {column + 1}",
                        "numbers, or nothing where not measured",
                    )
        return self._corrupt("rows that cannot be read as numbers", "numbers in every row")

    def _corrupt(self, found: str, needed: str) -> CorruptScan:
        return CorruptScan(self.path, found=found, needed=needed, do="export or copy it again")


@nb.njit(cache=True, nogil=True)
def _check_rows(text, separator, columns, skip):  # type: ignore[no-untyped-def]
    """Counts the fields of each row; header lines and comments become lines of spaces, which
    pandas passes over, so that lines keep their numbers.

    text        (n,) uint8 of whole lines; changed
    separator   its byte, 0 for any run of blanks
    skip        lines to pass over at the start
    returns     rows, lines, the first row of another length (-1: none) and its fields, lines still
                to be passed over
    """
    rows = 0
    lines = 0
    start = 0
    n = text.size
    while start < n:
        end = start
        while end < n and text[end] != 10 and text[end] != 13:
            end += 1
        first = start
        while first < end and (text[first] == 32 or (text[first] == 9 and separator != 9)):
            first += 1
        is_comment = False
        if first < end:
            is_comment = text[first] == 35 or text[first] == 37
            is_comment |= first + 1 < end and text[first] == 47 and text[first + 1] == 47
        if skip > 0 or is_comment:
            text[start:end] = 32
            skip -= skip > 0  # comments among the rows leave it at 0
        elif first < end:
            fields = 1
            if separator:
                is_quoted = False
                for k in range(first, end):
                    if text[k] == 34:
                        is_quoted = not is_quoted
                    elif text[k] == separator and not is_quoted:
                        fields += 1
            else:
                was_blank = False
                for k in range(first, end):
                    is_blank = text[k] == 32 or text[k] == 9
                    if was_blank and not is_blank:
                        fields += 1
                    was_blank = is_blank
            if fields != columns:
                return rows, lines, lines, fields, skip
            rows += 1
        if end < n and text[end] == 13 and end + 1 < n and text[end + 1] == 10:
            end += 1
        lines += 1
        start = end + 1
    return rows, lines, -1, 0, skip
