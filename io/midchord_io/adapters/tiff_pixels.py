"""The strips and tiles of a TIFF unpacked, one after the other, within the room that they have.

The reader of the tags (tifffile) unpacks a strip to whatever comes out of it and knows no LZW, and
other libraries speak of damage on the console; so the few ways of packing that keep numbers are
unpacked here: none, Deflate and LZW, with the predictor of integers (differences along a row) or
of floats (differences of bytes, most significant first). Rows are unpacked as they are asked for.

Sources: TIFF 6.0 (Adobe 1992), sections 13 (LZW) and 14 (differencing predictor); Adobe Photoshop
TIFF Technical Note 3 (2005), floating point predictor. tifffile and Pillow are the oracles.
"""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numba as nb
import numpy as np
import numpy.typing as npt

__all__ = ["DEFLATE", "LZW", "NONE", "OLD_DEFLATE", "Pixels", "unlzw"]

NONE, LZW, DEFLATE, OLD_DEFLATE = 1, 5, 8, 32946
DIFFERENCES, FLOAT_DIFFERENCES = 2, 3
CLEAR, END, FIRST = 256, 257, 258
LARGEST_TABLE = 4096


class _Layout(NamedTuple):
    """How the picture is cut: size of a segment, and how many stand side by side."""

    rows: int
    columns: int
    across: int
    is_tiled: bool


class Pixels:
    """The numbers of one page, read by rows.

    Raises ValueError, here or while reading, where the segments do not hold what they declare.
    """

    def __init__(self, page: Any, path: Path) -> None:
        self.path = path
        self.shape: tuple[int, int] = (int(page.shape[0]), int(page.shape[1]))
        self.dtype: np.dtype[Any] = np.dtype(page.dtype).newbyteorder("=")
        self.compression = int(page.compression)
        self.predictor = int(page.predictor)
        self.byteorder: Literal["<", ">"] = ">" if page.parent.byteorder == ">" else "<"
        rows, columns = self.shape
        if page.is_tiled:
            size = int(page.tilelength), int(page.tilewidth)
            self.layout = _Layout(*size, -(-columns // max(1, size[1])), True)
        else:
            self.layout = _Layout(min(int(page.rowsperstrip), rows), columns, 1, False)
        self.segments = list(zip(page.dataoffsets, page.databytecounts, strict=True))
        needed = -(-rows // max(1, self.layout.rows)) * self.layout.across
        if min(self.layout[:3]) < 1 or len(self.segments) != needed:
            raise ValueError(f"{len(self.segments)} strips or tiles where {needed} are needed")
        self._held: tuple[int, npt.NDArray[Any]] | None = None

    def rows(self, start: int, stop: int) -> npt.NDArray[Any]:
        """Rows start to stop. A band of strips or tiles is kept until the next one is needed."""
        parts = []
        while start < stop:
            band, first = divmod(start, self.layout.rows)
            last = min(self.layout.rows, first + stop - start)
            if self.compression == NONE and not self.layout.is_tiled:
                parts.append(self._plain_rows(band, first, last))
            else:
                if self._held is None or self._held[0] != band:
                    self._held = None
                    self._held = (band, self._band(band))
                parts.append(self._held[1][first:last])
            start += last - first
        return np.concatenate(parts)

    def _plain_rows(self, band: int, first: int, last: int) -> npt.NDArray[Any]:
        """Rows of a strip that is not packed, without the rest of it."""
        offset, count = self.segments[band]
        width = self.shape[1] * self.dtype.itemsize
        with self.path.open("rb") as file:
            file.seek(offset + first * width)
            there = file.read(min(count - first * width, (last - first) * width))
        return self._numbers(self._whole(there, last - first), (last - first, self.shape[1]))

    def _band(self, band: int) -> npt.NDArray[Any]:
        """All strips or tiles side by side, cut to the picture."""
        height, width, across, is_tiled = self.layout
        rows = min(height, self.shape[0] - band * height)
        numbers = np.empty((rows, self.shape[1]), self.dtype)
        with self.path.open("rb") as file:
            for place in range(across):
                offset, count = self.segments[band * across + place]
                file.seek(offset)
                block = self._unpacked(file.read(count), height if is_tiled else rows)
                left = place * width
                numbers[:, left : left + width] = block[:rows, : self.shape[1] - left]
        return numbers

    def _whole(self, unpacked: bytes, rows: int) -> npt.NDArray[np.uint8]:
        room = rows * self.layout.columns * self.dtype.itemsize
        if len(unpacked) < room:
            raise ValueError(f"a strip or tile of {len(unpacked)} bytes where {room} are needed")
        return np.frombuffer(unpacked, np.uint8, room)

    def _unpacked(self, packed: bytes, rows: int) -> npt.NDArray[Any]:
        """One segment of so many rows, as numbers."""
        shape = (rows, self.layout.columns)
        room = shape[0] * shape[1] * self.dtype.itemsize
        if self.compression == LZW:
            packed = unlzw(np.frombuffer(packed, np.uint8), room).tobytes()
        elif self.compression != NONE:
            try:
                packed = zlib.decompressobj().decompress(packed, room)
            except zlib.error as error:
                raise ValueError(f"a strip or tile cannot be unpacked ({error})") from error
        return self._numbers(self._whole(packed, rows), shape)

    def _numbers(self, unpacked: npt.NDArray[np.uint8], shape: tuple[int, int]) -> npt.NDArray[Any]:
        size = self.dtype.itemsize
        if self.predictor == FLOAT_DIFFERENCES:
            by_row = np.cumsum(unpacked.reshape(shape[0], -1), axis=1, dtype=np.uint8)
            planes = by_row.reshape(shape[0], size, shape[1])
            whole = np.ascontiguousarray(planes.transpose(0, 2, 1))
            return whole.view(self.dtype.newbyteorder(">"))[..., 0]
        numbers = unpacked.view(self.dtype.newbyteorder(self.byteorder)).reshape(shape)
        if self.predictor == DIFFERENCES:
            return np.cumsum(numbers, axis=1, dtype=self.dtype)
        return numbers


@nb.njit(cache=True)
def unlzw(packed: npt.NDArray[np.uint8], room: int) -> npt.NDArray[np.uint8]:
    """Bytes packed by LZW as TIFF has it: codes of 9 to 12 bits, the highest bit first.

    room     most bytes to unpack
    returns  what was unpacked up to there, or up to a code that makes no sense
    """
    before = np.zeros(LARGEST_TABLE, np.int32)
    last = np.zeros(LARGEST_TABLE, np.uint8)
    length = np.ones(LARGEST_TABLE, np.int32)
    for byte in range(256):
        last[byte] = byte
    unpacked = np.empty(room, np.uint8)
    done, table, width, held = 0, FIRST, 9, -1
    bits, filled, at = 0, 0, 0
    while done < room:
        while filled < width and at < packed.size:
            bits = ((bits << 8) | int(packed[at])) & 0xFFFFFF
            filled += 8
            at += 1
        if filled < width:
            break
        code = (bits >> (filled - width)) & ((1 << width) - 1)
        filled -= width
        if code == END:
            break
        if code == CLEAR:
            table, width, held = FIRST, 9, -1
            continue
        if code > table or (code == table and held < 0) or (held < 0 and code > 255):
            break
        # a code that is about to be made is the one before it and its own first byte
        size = length[code] if code < table else length[held] + 1
        source = code if code < table else held
        stop = done + size
        place = stop - 1 if code < table else stop - 2
        while place >= done:
            if place < room:
                unpacked[place] = last[source]
            source = before[source]
            place -= 1
        if code == table and stop - 1 < room:
            unpacked[stop - 1] = unpacked[done]
        if held >= 0 and table < LARGEST_TABLE:
            before[table] = held
            last[table] = unpacked[done]
            length[table] = length[held] + 1
            table += 1
        held = code
        done = stop
        if table + 1 >= (1 << width) and width < 12:  # it widens one code early
            width += 1
    return unpacked[: min(done, room)]
