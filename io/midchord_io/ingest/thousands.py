"""Points or commas that may part thousands: ``1.024`` beside ``512`` in one column.

A program that writes 1024 as ``1.024`` writes 512 as ``512``, so a column of whole numbers then
looks like one in which some numbers have exactly three decimals and the others none. A program
that writes decimals writes them in every number, or leaves zeros out at the end and so has numbers
with one or two decimals, too. A column that mixes only those two forms cannot be read by anybody
who does not know its writer, and is refused: the heights would be wrong by a thousand where they
are largest.
"""

from __future__ import annotations

from pathlib import Path

import numba as nb
import numpy as np

from midchord_io.errors import CorruptScan

__all__ = ["ThousandsWatch", "refuse_thousands"]

FEWEST_WHOLE = 3
"""Different whole numbers that are no codes for "not measured" or a zero any more."""


class ThousandsWatch:
    """Follows the columns of a text through its rows.

    separator  between fields; a blank for any run of blanks
    decimal    the mark that is taken for the decimal one
    columns    fields in a row; all are held against each other where ``is_one`` (a matrix)
    """

    def __init__(self, separator: str, decimal: str, columns: int, *, is_one: bool) -> None:
        self._separator = ord(separator) if separator.strip(" ") else 32
        self._decimal = ord(decimal)
        self._is_one = is_one
        count = 1 if is_one else columns
        self._is_clear = np.zeros(count, dtype=np.bool_)
        self._whole = np.full((count, FEWEST_WHOLE), -1, dtype=np.int64)
        self._parted = np.full(count, -1, dtype=np.int64)

    def has_told(self, columns: tuple[int, ...] = (0,)) -> bool:
        """Whether these columns have shown numbers that tell."""
        return bool(self._is_clear[list(columns)].all())

    def add(self, text: bytes) -> None:
        """Whole rows of the text, as UTF-8."""
        if text and not self._is_clear.all():
            _watch(
                np.frombuffer(text, dtype=np.uint8), self._separator, self._decimal,
                self._is_one, self._is_clear, self._whole, self._parted,
            )  # fmt: skip

    def doubtful(self, columns: tuple[int, ...] = (0,)) -> tuple[str, str] | None:
        """A number that may be thousands, and a whole one beside it; None where none is.

        columns  that count
        """
        mark = chr(self._decimal)
        for column in columns:
            if not self._is_clear[column] and self._parted[column] >= 0:
                whole = self._whole[column]
                if (whole >= 0).all():
                    thousands, rest = divmod(int(self._parted[column]), 1000)
                    return f"{thousands}{mark}{rest:03d}", str(int(whole.max()))
        return None


def refuse_thousands(doubtful: tuple[str, str] | None, where: str | Path) -> None:
    """Raises CorruptScan where a watch has found such numbers."""
    if doubtful is not None:
        parted, whole = doubtful
        raise CorruptScan(
            where,
            found=f"{parted!r} and {whole!r}: every number is whole or has exactly three digits "
            f"behind its {'point' if '.' in parted else 'comma'}, which may part thousands",
            needed="numbers without thousands separators",
            do="export the file again without them, or with the same decimals in every number",
        )


@nb.njit(cache=True, nogil=True)
def _watch(text, separator, decimal, is_one, is_clear, whole, parted):  # type: ignore[no-untyped-def]
    """One pass over the bytes of whole rows.

    is_clear  (columns,), set where a number is of neither form
    whole     (columns, few), different whole numbers of up to three digits, -1 where none yet
    parted    (columns,), the first number with three decimals as one whole number, -1 where none
    """
    column = 0
    before = 0  # digits before the mark
    after = -1  # digits behind it, -1 without one
    value = 0
    leading_zero = False
    odd = False  # anything else in the field
    n = text.size
    for k in range(n + 1):
        byte = text[k] if k < n else 10
        is_end = byte == 10 or byte == 13
        is_gap = byte == separator or (separator == 32 and byte == 9)
        if 48 <= byte <= 57:
            if after < 0:
                if before == 0 and byte == 48:
                    leading_zero = True
                before += 1
            else:
                after += 1
            if before + max(after, 0) <= 7:
                value = 10 * value + (byte - 48)
        elif byte == decimal and not is_gap and after < 0:
            after = 0
        elif not (is_end or is_gap) and byte not in (32, 34, 43, 45):
            odd = True
        if not (is_end or is_gap):
            continue
        at = 0 if is_one else column
        has_field = before > 0 or after >= 0 or odd
        if has_field and at < is_clear.size and not odd:
            if after < 0 and before <= 3:
                for place in range(whole.shape[1]):
                    if whole[at, place] == value:
                        break
                    if whole[at, place] < 0:
                        whole[at, place] = value
                        break
            elif after == 3 and 1 <= before <= 3 and not leading_zero:
                if parted[at] < 0:
                    parted[at] = value
            else:
                is_clear[at] = True
        elif has_field and at < is_clear.size and before > 0:
            is_clear[at] = is_clear[at] or after >= 0  # with an exponent: decimals are written out
        if is_end:
            column = 0
        elif separator != 32 or has_field:
            column += 1
        before, after, value = 0, -1, 0
        leading_zero = odd = False
