"""A height image as TIFF: one page of 16-bit integers or floats, one sample a pixel.

What a pixel is worth is seldom in the file. Believed is only what is said in words: the metadata of
GDAL (scale, offset, unit and code for missing) and the calibration of ImageJ (unit and pixels per
unit; a straight line for the values). The resolution tags alone are dots per inch or centimetre for
a printer, mostly a default of the program that wrote them, so they are shown by ``inspect`` and
never believed. A picture in colours, of 8 bits, or of several pages is no height image.

The tags declare how large the picture is; that is held against the bytes that are there before
anything is unpacked. (TIFF 6.0 and its technical notes; tags read through tifffile.)
"""

from __future__ import annotations

import contextlib
import logging
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.hdf5 import MATRIX_KEYS, needs_source
from midchord_io.adapters.tiff_pixels import DEFLATE, LZW, NONE, OLD_DEFLATE, Pixels
from midchord_io.adapters.tiff_tags import along_of_page, resolution_note, stated_of
from midchord_io.adapters.zipped import LARGEST_RATIO, SMALL_BYTES
from midchord_io.errors import CorruptScan, MidchordError, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts
from midchord_io.ingest.gridded import LARGEST_CELLS, StoredGrid, scan_from_grid
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]

SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""Little and big endian, classic and BigTIFF."""
TIFF_KEYS = MATRIX_KEYS - {"dataset", "positions"}

MIN_IS_WHITE = 0
GREY = 1


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file starts as a TIFF."""
    return head.startswith(SIGNATURES)


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a height image. Raises ScanError."""
    stored, _, _ = _stored(path, str(path))
    if source is None:
        raise needs_source("a TIFF image", {}, str(path))
    return scan_from_grid(stored, source, path, uses=TIFF_KEYS)


def describe(path: Path) -> FileFacts:
    """What the image and its tags say. Raises ScanError."""
    stored, texts, notes = _stored(path, str(path))
    return FileFacts(
        content="a TIFF height image",
        layout="matrix",
        uses=TIFF_KEYS,
        arrays=(array_facts(stored),),
        values=texts,
        notes=notes,
    )


def _stored(path: Path, where: str) -> tuple[StoredGrid, dict[str, str], tuple[str, ...]]:
    import tifffile

    try:
        with _errors_of_tags() as errors, tifffile.TiffFile(path) as file:
            page = _one_page(file, where)
            _check_kind(page, where)
            _check_size(page, path, where)
            pixels = Pixels(page, path)
            attrs, texts = stated_of(file, page, where)
            along = along_of_page(file, page)
            notes = resolution_note(page)
        if errors:
            raise _damaged(where, errors[0])
    except MidchordError:
        raise
    except Exception as error:  # whatever the library makes of a damaged file
        raise _damaged(where, str(error) or type(error).__name__) from error

    def rows(start: int, stop: int) -> npt.NDArray[Any]:
        try:
            return pixels.rows(start, stop)
        except (ValueError, MemoryError) as error:
            raise _damaged(where, str(error)) from error

    stored = StoredGrid(
        name="the image",
        shape=pixels.shape,
        dtype=pixels.dtype,
        rows=rows,
        attrs=attrs,
        along=along,
        attribute=texts.get,
    )
    return stored, texts, notes


@contextlib.contextmanager
def _errors_of_tags() -> Iterator[list[str]]:
    """What the library logs as an error in the tags, instead of on the console."""
    me = threading.get_ident()
    errors: list[str] = []

    def keep(record: logging.LogRecord) -> bool:
        if record.thread != me:
            return True
        if record.levelno >= logging.ERROR:
            errors.append(record.getMessage())
        return False

    log = logging.getLogger("tifffile")
    log.addFilter(keep)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield errors
    finally:
        log.removeFilter(keep)


def _one_page(file: Any, where: str) -> Any:
    """The one page with a picture; a small copy of it for display does not count."""
    pages = [page for page in file.pages if not int(getattr(page, "subfiletype", 0) or 0) & 1]
    images = (file.imagej_metadata or {}).get("images", 1) if file.is_imagej else 1
    count = max(len(pages), int(images))
    if count != 1:
        raise UnsupportedScan(
            where,
            found=f"{count} pages",
            needed="one page, the heights of one lite",
            do="write each lite, and each channel, into a file of its own",
        )
    return pages[0]


def _check_kind(page: Any, where: str) -> None:
    kind = ""
    if page.samplesperpixel != 1 or len(page.shape) != 2:
        kind = f"a picture with {page.samplesperpixel} samples a pixel"
    elif int(page.photometric) == MIN_IS_WHITE:
        kind = "a picture in which small numbers are white"
    elif int(page.photometric) != GREY:
        kind = "a picture in colours"
    elif page.dtype is None or page.dtype.kind not in "iuf" or page.dtype.itemsize < 2:
        kind = f"pixels of {page.bitspersample} bits"
    if kind:
        raise UnsupportedScan(
            where,
            found=kind,
            needed="grey heights, as integers of 16 or 32 bits or as floats",
            do="export the heights themselves, not a picture of them",
        )
    is_float = page.dtype.kind == "f"
    if int(page.compression) not in (NONE, LZW, DEFLATE, OLD_DEFLATE):
        packing = f"the compression {getattr(page.compression, 'name', page.compression)}"
    elif int(page.predictor) not in ((1, 3) if is_float else (1, 2)):
        packing = f"the predictor {int(page.predictor)} of numbers of type {page.dtype}"
    elif int(page.fillorder) != 1:
        packing = "bytes with their bits reversed"
    else:
        return
    raise UnsupportedScan(
        where,
        found=packing,
        needed="no compression, Deflate or LZW; predictor 1, 2 of integers or 3 of floats",
        do="write it so",
    )


def _check_size(page: Any, path: Path, where: str) -> None:
    """What the tags declare, against the bytes that are there."""
    rows, columns = page.shape
    if rows * columns > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"{rows} x {columns} pixels declared",
            needed=f"at most {LARGEST_CELLS}",
            do="check that the file is whole, or scan at a coarser pitch",
        )
    size = path.stat().st_size
    declared = rows * columns * page.dtype.itemsize
    segments = list(zip(page.dataoffsets, page.databytecounts, strict=True))
    stored = sum(count for _, count in segments)
    if any(count <= 0 or offset <= 0 or offset + count > size for offset, count in segments):
        raise _damaged(where, "parts of the picture lie beyond the end of the file")
    is_packed = int(page.compression) != NONE
    if declared > (max(SMALL_BYTES, LARGEST_RATIO * stored) if is_packed else stored):
        raise _damaged(
            where, f"it declares {declared} bytes (shape {rows} x {columns}), {stored} are there"
        )


def _damaged(where: str, reason: str) -> CorruptScan:
    return CorruptScan(
        where,
        found=f"it is damaged or cut short ({' '.join(reason.split())[:200]})",
        needed="a whole TIFF file",
        do="copy or export it again",
    )
