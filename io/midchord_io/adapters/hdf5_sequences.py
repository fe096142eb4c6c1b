"""How long texts and sequences of variable length in an HDF5 file say they are, before libhdf5
believes it.

An attribute of variable length holds, for each of its values, a count, the address of a heap, and
a number in that heap. The library makes room for the count first and looks at the heap afterwards,
so that one damaged byte costs gigabytes. It offers no way to ask for the count alone, so the count
is read here, from the bytes: wherever the name of the attribute stands in a message that fits, the
counts behind it must not be of more bytes than the file has.

The numbers of datasets are left out of the search; what is left of a file is small. (HDF5 File
Format Specification 3.0: IV.A.2.m attribute message, IV.A.2.b dataspace message, and VIII.A on
references to the global heap.)
"""

from __future__ import annotations

import functools
import itertools
import math
import os
import struct
from collections.abc import Iterator

import h5py

__all__ = ["counts_fit", "one_value_fits"]

WHOLE_BYTES = 2**20
"""Smaller files are searched as they are."""
SIZES = struct.Struct("<BBHHH")
"""Version, flags, bytes of the name, of the type and of the space."""
DESCRIPTOR = struct.Struct("<IQI")
"""Count, heap, number in it: with addresses of eight bytes, as every writer has them."""
SEQUENCE, SHARED = 9, 1
POINTER_BYTES = 8
"""Of an element in memory, where it is not a byte of a text."""


def counts_fit(item: h5py.Group | h5py.Dataset, key: str) -> bool:
    """Whether an attribute of variable length may be read: its counts are known and in bounds."""
    path = item.file.filename
    about = os.stat(path)
    content = _without_numbers(path, about.st_size, about.st_mtime_ns)
    found = False
    for count in _counts(content, key.encode("utf-8", "surrogateescape") + b"\0"):
        found = True
        if count > about.st_size:
            return False
    return found


def one_value_fits(dataset: h5py.Dataset) -> bool:
    """Whether a dataset of one text of variable length may be read."""
    start = dataset.id.get_offset()
    if start is None or dataset.size != 1:
        return False
    path = dataset.file.filename
    with open(path, "rb") as file:
        file.seek(start)
        some = file.read(DESCRIPTOR.size)
    return len(some) == DESCRIPTOR.size and DESCRIPTOR.unpack(some)[0] <= os.stat(path).st_size


@functools.lru_cache(maxsize=2)
def _without_numbers(path: str, size: int, changed_ns: int) -> bytes:
    """A file without what its datasets store; the size and time tell whether it is still it."""
    taken: list[tuple[int, int]] = []
    with h5py.File(path, "r") as file:

        def note(_: object, item: object) -> None:
            if isinstance(item, h5py.Dataset):
                taken.extend(_numbers(item))

        if size > WHOLE_BYTES:
            file.visititems(note)
    parts, at = [], 0
    with open(path, "rb") as content:
        for start, stop in itertools.chain(sorted(taken), [(size, size)]):
            if start > at:
                content.seek(at)
                parts.append(content.read(start - at))
            at = max(at, stop)
    return b"\xff".join(parts)


def _numbers(dataset: h5py.Dataset) -> Iterator[tuple[int, int]]:
    """Where the numbers of a dataset stand in the file."""
    start = dataset.id.get_offset()
    if start is not None:
        yield start, start + dataset.id.get_storage_size()
    elif dataset.chunks is not None:
        found: list[tuple[int, int]] = []

        def note(chunk: h5py.h5d.StoreInfo) -> None:
            found.append((chunk.byte_offset, chunk.byte_offset + chunk.size))

        dataset.id.chunk_iter(note)
        yield from found


def _counts(content: bytes, name: bytes) -> Iterator[int]:
    """Bytes in memory that every value of the attributes of this name declares."""
    at = content.find(name)
    while at >= 0:
        for before in (8, 9):  # version 3 has the encoding of the name in between
            if at >= before:
                yield from _of_message(content, at - before, at, len(name))
        at = content.find(name, at + 1)


def _of_message(content: bytes, start: int, at: int, length: int) -> Iterator[int]:
    version, flags, name_bytes, type_bytes, space_bytes = SIZES.unpack_from(content, start)
    if name_bytes != length or version not in (1, 2, 3) or (version == 3) != (at - start == 9):
        return
    unit = 8 if version == 1 else 1  # version 1 fills each part up to whole eights
    kind = at + -(-name_bytes // unit) * unit
    space = kind + -(-type_bytes // unit) * unit
    values = space + -(-space_bytes // unit) * unit
    if values > len(content) or space_bytes < 4:
        return
    is_shared = version > 1 and bool(flags & SHARED)
    if not is_shared and content[kind] & 0xF != SEQUENCE:
        return
    each = 1 if not is_shared and content[kind + 1] & 0xF else POINTER_BYTES
    rank, first = content[space + 1], space + (8 if content[space] == 1 else 4)
    if first + 8 * rank > len(content):
        return
    points = math.prod(struct.unpack_from(f"<{rank}Q", content, first))
    for number in range(min(points, (len(content) - values) // DESCRIPTOR.size)):
        yield each * DESCRIPTOR.unpack_from(content, values + number * DESCRIPTOR.size)[0]
