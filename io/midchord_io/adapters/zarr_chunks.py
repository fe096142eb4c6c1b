"""The chunks of a Zarr array, checked before any of them is unpacked.

What the metadata declare is held against the bytes that are stored, the codecs against a list of
those that keep numbers and do nothing else, and the chunks that are there against those that ought
to be.
"""

from __future__ import annotations

import itertools
import zipfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from midchord_io.acquisition import Finding
from midchord_io.adapters.zipped import LARGEST_RATIO, SMALL_BYTES, unpacks_within
from midchord_io.errors import CorruptScan, UnsupportedScan
from midchord_io.ingest.gridded import LARGEST_CELLS

__all__ = ["check_array"]

DEFLATING = frozenset({"gzip", "zlib"})
CODECS = DEFLATING | {
    "adler32",
    "astype",
    "bitround",
    "blosc",
    "bytes",
    "crc32",
    "crc32c",
    "delta",
    "fixedscaleoffset",
    "fletcher32",
    "lz4",
    "quantize",
    "sharding_indexed",
    "shuffle",
    "transpose",
    "zstd",
}
MOST_CHUNKS = 1_000_000


def check_array(array: Any, path: Path, where: str) -> tuple[Finding, ...]:
    """Codecs, and what is declared against what is there, before any chunk is unpacked.

    path     of the store, a folder or a zip
    returns  how many chunks read as "not measured" because they are not there
    Raises   UnsupportedScan; CorruptScan, also where a chunk that is not there reads as a height
    """
    codecs = _codecs(array)
    unknown = sorted(codecs - CODECS)
    if unknown:
        raise UnsupportedScan(
            where,
            found=f"numbers written through {', '.join(unknown)[:80]}",
            needed=f"codecs that keep numbers: {', '.join(sorted(CODECS))}",
            do="write it with one of these",
        )
    unit = array.shards or array.chunks
    cells = int(np.prod(array.shape, dtype=object))
    grid = [-(-size // step) for size, step in zip(array.shape, unit, strict=True)]
    count = int(np.prod(grid, dtype=object))
    if cells > LARGEST_CELLS or count > MOST_CHUNKS:
        raise UnsupportedScan(
            where,
            found=f"{cells} samples in {count} chunks declared",
            needed=f"at most {LARGEST_CELLS} in {MOST_CHUNKS}",
            do="check that the store is whole, or scan at a coarser pitch",
        )
    stored = _stored_chunks(array, grid, path)
    chunk_bytes = int(np.prod(unit, dtype=object)) * array.dtype.itemsize
    packed = sum(stored.values())
    declared = max(chunk_bytes, cells * array.dtype.itemsize)
    if declared > max(SMALL_BYTES, LARGEST_RATIO * packed):
        raise UnsupportedScan(
            where,
            found=f"{declared} bytes packed into {packed}",
            needed="a measured surface, whose noise does not pack so well",
            do="check where the store comes from",
        )
    if codecs & DEFLATING:
        for content in _contents(stored, path):
            if not unpacks_within(content, max(SMALL_BYTES, 2 * chunk_bytes)):
                raise CorruptScan(
                    where,
                    found="a chunk that unpacks to more than it declares",
                    needed="a whole Zarr store",
                    do="check where it comes from",
                )
    return _absent_chunks(array, count, count - len(stored), where)


def _codecs(array: Any) -> set[str]:
    """Names of all codecs between the file and the numbers."""
    described = array.metadata.to_dict()
    waiting = [described.get(key) for key in ("codecs", "compressor", "filters")]
    names: set[str] = set()
    while waiting:
        item = waiting.pop()
        if isinstance(item, list | tuple):
            waiting += item
        elif isinstance(item, dict):
            name = item.get("name", item.get("id"))
            if name is not None:
                names.add(str(name).removeprefix("numcodecs."))
            inner = item.get("configuration")
            if isinstance(inner, dict):
                waiting += [inner.get("codecs"), inner.get("index_codecs")]
        elif item is not None:
            names.add(str(getattr(item, "codec_id", item)))
    return names


def _stored_chunks(array: Any, grid: list[int], path: Path) -> dict[str, int]:
    """Names of the chunks that are there, and their bytes. (A store knows it, too, but the library
    does not find the arrays of a zip.)"""
    prefix = f"{array.path}/" if array.path else ""
    keys = (
        prefix + array.metadata.encode_chunk_key(place)
        for place in itertools.product(*(range(count) for count in grid))
    )
    if path.is_dir():
        files = ((key, path / key) for key in keys)
        return {key: file.stat().st_size for key, file in files if file.is_file()}
    with zipfile.ZipFile(path) as archive:
        sizes = {info.filename: info.file_size for info in archive.infolist()}
    return {key: sizes[key] for key in keys if key in sizes}


def _contents(stored: Iterable[str], path: Path) -> Iterator[bytes]:
    if path.is_dir():
        yield from ((path / key).read_bytes() for key in stored)
        return
    with zipfile.ZipFile(path) as archive:
        yield from (archive.read(key) for key in stored)


def _absent_chunks(array: Any, count: int, absent: int, where: str) -> tuple[Finding, ...]:
    if not absent:
        return ()
    if not (array.dtype.kind == "f" and np.isnan(array.fill_value)):
        raise CorruptScan(
            where,
            found=f"{absent} of {count} chunks are not there, and would read as {array.fill_value}",
            needed="a whole Zarr store, or NaN as its fill value",
            do="copy or write it again",
        )
    return (
        Finding(
            what="chunks not there",
            count=absent,
            sentence=f"{absent} of {count} chunks are not in the store: taken as not "
            "measured, which a chunk lost on the way would look like, too.",
            is_doubt=True,
        ),
    )
