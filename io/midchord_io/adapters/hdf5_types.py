"""Attributes of an HDF5 file whose damage would crash libhdf5 itself, told before they are read.

A text of variable length stands apart from its attribute, and the attribute says how it is laid
out. Where a damaged byte turns the text into a sequence of numbers, the library follows what is
left as if it were one, and the process dies without a word. The type can be asked for without
reading the value: among attributes, sequences of variable length are only ever references
(dimension scales), so any other is refused.

The heap that such texts and references stand in is walked beforehand as well: a damaged size in it
keeps the library busy for ever. (HDF5 File Format Specification 3.0, section III.E, global heap.)
"""

from __future__ import annotations

import mmap
import struct
from pathlib import Path
from typing import Any

import h5py

from midchord_io.adapters.hdf5_sequences import counts_fit, one_value_fits
from midchord_io.adapters.zipped import LARGEST_RATIO, SMALL_BYTES, unpacks_within
from midchord_io.ingest.gridded import LARGEST_CELLS

__all__ = ["check_attributes", "check_heaps", "check_storage", "is_safe", "is_safe_value"]

HEAP = b"GCOL\x01\0\0\0"
"""Signature, version and reserved bytes of a collection of the global heap."""
MOST_HEAPS = 10_000
LARGEST_EXPANSION = 1032
"""Of deflate: 258 bytes from two bits (RFC 1951)."""
OBJECT = struct.Struct("<HHIQ")
"""Index, references, reserved, size: with lengths of eight bytes, as every writer has them."""


def check_heaps(path: Path) -> None:
    """Raises ValueError where the objects of a collection do not fill it one after the other."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        start = content.find(HEAP)
        for _ in range(MOST_HEAPS):
            if start < 0:
                return
            size = int.from_bytes(content[start + 8 : start + 16], "little")
            if start + size > len(content) or not _is_filled(content[start : start + size]):
                raise ValueError(f"the heap of texts at byte {start} is damaged")
            start = content.find(HEAP, start + max(16, size))


def _is_filled(heap: bytes) -> bool:
    seen: set[int] = set()
    at = 16
    while at + OBJECT.size <= len(heap):
        index, _, _, size = OBJECT.unpack_from(heap, at)
        if index == 0:  # what is free, its own header included
            return bool(at + size == len(heap))
        if index in seen:
            return False
        seen.add(index)
        at += OBJECT.size + -(-size // 8) * 8
    return at <= len(heap)


def check_attributes(file: h5py.File) -> None:
    """Raises ValueError where an attribute of the file, its groups or datasets is not safe."""

    def check(name: Any, item: Any) -> None:
        for key in item.attrs:
            if not is_safe(item, key):
                raise ValueError(f"attribute {key!r} of {name or '/'!r} is no text any more")

    check("", file)
    file.visititems(check)


def check_storage(dataset: h5py.Dataset) -> None:
    """Raises ValueError where a dataset declares far more than is stored of it, or a chunk of it
    unpacks to more than it declares."""
    cells = 1
    for count in dataset.shape or ():
        cells *= count
    if cells > LARGEST_CELLS:
        return  # refused as too large by whoever reads it
    declared = cells * dataset.dtype.itemsize
    stored = dataset.id.get_storage_size()
    if declared > max(SMALL_BYTES, LARGEST_RATIO * stored):
        raise ValueError(f"{declared} bytes declared (shape {dataset.shape}), {stored} are stored")
    if dataset.chunks is not None:
        _check_chunks(dataset)


def _check_chunks(dataset: h5py.Dataset) -> None:
    """The library unpacks a deflated chunk to its end, however far that is from what is declared.

    Only a chunk that could take more than four times the file is looked at.
    """
    about = dataset.id.get_create_plist()
    told = [about.get_filter(number) for number in range(about.get_nfilters())]
    filters = [code for code, *_ in told]
    room = dataset.dtype.itemsize
    for count in dataset.chunks or ():
        room *= count
    if filters.count(h5py.h5z.FILTER_DEFLATE) > 1:
        raise ValueError("its chunks are deflated twice")
    if room > max(SMALL_BYTES, LARGEST_RATIO * dataset.id.get_storage_size()):
        raise ValueError(f"chunks of {room} bytes declared (shape {dataset.chunks})")
    for code, _, values, _ in told:  # that filter makes room for what stands in its values
        if code == h5py.h5z.FILTER_LZF and tuple(values[2:3]) != (room,):
            raise ValueError(f"chunks of {room} bytes that lzf is told to be of {values[2:3]}")
    if h5py.h5z.FILTER_DEFLATE not in filters:
        return
    path = dataset.file.filename
    harmless = max(SMALL_BYTES, 4 * Path(path).stat().st_size) // LARGEST_EXPANSION
    doubtful: list[tuple[int, int]] = []

    def note(chunk: h5py.h5d.StoreInfo) -> None:
        if chunk.size > harmless:
            doubtful.append((chunk.byte_offset, chunk.size))

    dataset.id.chunk_iter(note)
    with open(path, "rb") as file:
        for start, size in doubtful:
            file.seek(start)
            if not unpacks_within(file.read(min(size, 2 * room)), room + room // 64 + 1024):
                raise ValueError(f"a chunk at byte {start} unpacks to more than it declares")


def is_safe(item: Any, key: str) -> bool:
    """Whether the value of an attribute can be read; asks for its type and its counts alone."""
    kind = h5py.h5a.open(item.id, key.encode("utf-8", "surrogateescape")).get_type()
    if isinstance(kind, h5py.h5t.TypeVlenID):
        return isinstance(kind.get_super(), h5py.h5t.TypeReferenceID) and counts_fit(item, key)
    if isinstance(kind, h5py.h5t.TypeStringID) and kind.is_variable_str():
        return counts_fit(item, key)
    return True


def is_safe_value(dataset: h5py.Dataset) -> bool:
    """Whether a dataset of one value can be read: a number, or a text that fits the file."""
    kind = dataset.id.get_type()
    if isinstance(kind, h5py.h5t.TypeStringID) and kind.is_variable_str():
        return one_value_fits(dataset)
    return isinstance(
        kind, h5py.h5t.TypeIntegerID | h5py.h5t.TypeFloatID | h5py.h5t.TypeStringID
    )
