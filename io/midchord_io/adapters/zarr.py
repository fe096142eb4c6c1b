"""Zarr, versions 2 and 3: a folder of chunks, or the same as a zip.

Arrays have names and attributes as in HDF5, so what is stated by the CF conventions is believed,
and coordinates are found by the names of the dimensions (``_ARRAY_DIMENSIONS`` in version 2,
``dimension_names`` in version 3, both as xarray writes them).

A chunk that is not there reads as the fill value, which is how an archive leaves out what was never
written and also what a lost chunk looks like: it passes as "not measured" only where the fill value
is NaN, with a doubt, and is refused anywhere else. Only codecs that keep numbers are run, because
one of those in use unpickles, that is, runs what the file says. (The Zarr specifications 2 and 3,
read through the zarr library.)
"""

from __future__ import annotations

import base64
import contextlib
import struct
import warnings
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.acquisition import Finding
from midchord_io.adapters.hdf5 import MATRIX_KEYS, choose, needs_source
from midchord_io.adapters.zarr_chunks import check_array
from midchord_io.adapters.zipped import ZARR_NAMES, check_members, check_names, kind_of_zip
from midchord_io.errors import CorruptScan, MidchordError, UnsupportedScan
from midchord_io.ingest.extras import optional
from midchord_io.ingest.facts import (
    FileFacts,
    SeriesFacts,
    array_facts,
    is_matrix,
    series_facts,
)
from midchord_io.ingest.gridded import (
    BLOCK_CELLS,
    Along,
    StoredGrid,
    along_of,
    scan_from_grid,
)
from midchord_io.ingest.heights import plain_attribute
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]

MOST_POSITIONS = 10_000_000
MOST_ARRAYS = 1000


def sniff(path: Path, head: bytes) -> bool:
    """Whether it is a folder, or a zip, with the metadata of Zarr."""
    if head:
        return kind_of_zip(path, head) == "zarr"
    with contextlib.suppress(OSError):
        return path.is_dir() and any((path / name).is_file() for name in ZARR_NAMES)
    return False


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in an array of a Zarr store. Raises ScanError."""
    where = str(path)
    with _opened(path, where) as (arrays, root):
        kinds = {name: array.dtype for name, array in arrays.items() if not _is_axis(name, array)}
        if source is None:
            raise needs_source("a Zarr store", kinds, where)

        def other(named: str | None) -> StoredGrid:
            name = choose(kinds, named, where)
            with _library(where):
                return _stored(arrays, name, root, path, where)

        stored = other(source.source.first_dataset)
        return scan_from_grid(stored, source, path, uses=MATRIX_KEYS, other=other)


def describe(path: Path) -> FileFacts:
    """What arrays there are, and what their attributes state. Raises ScanError."""
    where = str(path)
    with _opened(path, where) as (arrays, root), _library(where):
        series: list[SeriesFacts] = []
        for name in arrays:
            along = _positions(arrays, name, path, where)
            found = series_facts(name, along) if along is not None else None
            if found is not None:
                series.append(found)
        return FileFacts(
            content=f"a Zarr store, version {_version(root)}",
            layout="matrix",
            uses=MATRIX_KEYS,
            arrays=tuple(
                array_facts(_stored(arrays, name, root, path, where), name)
                for name, array in arrays.items()
                if is_matrix(array.shape, array.dtype)
            ),
            series=tuple(series),
            values={str(key): str(value) for key, value in root.attrs.items()},
        )


@contextlib.contextmanager
def _opened(path: Path, where: str) -> Iterator[tuple[dict[str, Any], Any]]:
    """Every array by its path, and the root."""
    zarr = optional(path, "zarr", kind="a Zarr store", extra="archive")
    storage = optional(path, "zarr.storage", kind="a Zarr store", extra="archive")
    with contextlib.ExitStack() as stack:
        with _library(where):
            store: Any = path
            if path.is_file():
                with zipfile.ZipFile(path) as archive:
                    check_names(archive, where)
                    check_members(archive.infolist(), "a Zarr store", where)
                store = storage.ZipStore(path, mode="r")
                stack.callback(store.close)
            root = zarr.open(store, mode="r")
            if isinstance(root, zarr.Array):
                arrays = {"": root}
            else:
                members = dict(root.members(max_depth=None))
                arrays = {
                    name: item for name, item in members.items() if isinstance(item, zarr.Array)
                }
            if len(arrays) > MOST_ARRAYS:
                raise UnsupportedScan(
                    where,
                    found=f"{len(arrays)} arrays",
                    needed=f"at most {MOST_ARRAYS}",
                    do="write each lite into a store of its own",
                )
        yield arrays, root


@contextlib.contextmanager
def _library(where: str) -> Iterator[None]:
    """Damage shows as almost any exception of the library."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except MidchordError:
        raise
    except Exception as error:
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        raise CorruptScan(
            where,
            found=f"it is damaged or cut short ({reason})",
            needed="a whole Zarr store",
            do="copy or write it again",
        ) from error


def _stored(arrays: dict[str, Any], name: str, root: Any, path: Path, where: str) -> StoredGrid:
    array = arrays[name]
    findings: tuple[Finding, ...] = ()
    if is_matrix(array.shape, array.dtype):  # any other is refused before its chunks are read
        findings = check_array(array, path, where)
    dimensions = _dimensions(array)
    folder = name.rpartition("/")[0]
    along = []
    for number, count in enumerate(array.shape):
        axis = dimensions[number] if number < len(dimensions) else None
        own = _positions(arrays, f"{folder}/{axis}".strip("/"), path, where) if axis else None
        along.append(own if own is not None and own.values.shape == (count,) else None)
    slabs = _Slabs(array, where)
    return StoredGrid(
        name=f"array {name!r}" if name else "the array",
        shape=array.shape,
        dtype=array.dtype,
        rows=slabs.rows,
        attrs=_attributes(array),
        along=tuple(along),
        positions=lambda named: _positions(arrays, named.strip("/"), path, where),
        series=lambda: {
            name: along
            for name in arrays
            if (along := _positions(arrays, name, path, where)) is not None
        },
        attribute=lambda named: _value(arrays, root, named),
        findings=findings,
    )


class _Slabs:
    """Rows by whole chunks, so that each chunk is unpacked once."""

    def __init__(self, array: Any, where: str) -> None:
        self.array = array
        self.where = where
        chunk = (array.shards or array.chunks or (1,))[0]
        cells = max(1, chunk * (array.shape[1] if len(array.shape) > 1 else 1))
        self.step = chunk * max(1, BLOCK_CELLS // cells)
        self.held: tuple[int, npt.NDArray[Any]] | None = None

    def rows(self, start: int, stop: int) -> npt.NDArray[Any]:
        parts = []
        while start < stop:
            number = start // self.step
            first = number * self.step
            if self.held is None or self.held[0] != number:
                self.held = None
                with _library(self.where):
                    last = min(first + self.step, self.array.shape[0])
                    slab = np.asarray(self.array[first:last])
                self.held = (number, slab)
            part = self.held[1][start - first : stop - first]
            parts.append(part)
            start += len(part)
        return np.concatenate(parts)


def _version(root: Any) -> int:
    return int(root.metadata.zarr_format)


def _dimensions(array: Any) -> tuple[str, ...]:
    named = getattr(array.metadata, "dimension_names", None) or array.attrs.get("_ARRAY_DIMENSIONS")
    return tuple(str(name) for name in named or ())


def _is_axis(name: str, array: Any) -> bool:
    """Whether an array only holds the coordinates of a dimension."""
    return len(array.shape) == 1 and _dimensions(array) == (name.rpartition("/")[2],)


def _attributes(array: Any) -> dict[str, Any]:
    attrs = {str(key): plain_attribute(value) for key, value in array.attrs.items()}
    is_of_xarray = "_ARRAY_DIMENSIONS" in attrs
    attrs.pop("_ARRAY_DIMENSIONS", None)
    fill = attrs.get("_FillValue")
    if isinstance(fill, str):  # as xarray writes a float in JSON: base64 of eight bytes
        attrs["_FillValue"] = struct.unpack("<d", base64.b64decode(fill, validate=True))[0]
    elif is_of_xarray and array.fill_value is not None:
        attrs.setdefault("_FillValue", plain_attribute(array.fill_value))
    return attrs


def _positions(arrays: dict[str, Any], named: str, path: Path, where: str) -> Along | None:
    array = arrays.get(named)
    if array is None or len(array.shape) != 1 or array.dtype.kind not in "iuf":
        return None
    if array.shape[0] > MOST_POSITIONS:
        return None
    check_array(array, path, where)
    return along_of(np.asarray(array[:]), _attributes(array))


def _value(arrays: dict[str, Any], root: Any, named: str) -> Any:
    """An attribute of the store or of an array in it."""
    parent, _, key = named.strip("/").rpartition("/")
    holder = arrays.get(parent) if parent else root
    if holder is None:
        with contextlib.suppress(KeyError, ValueError):
            holder = root[parent]
    value = None if holder is None else holder.attrs.get(key)
    return plain_attribute(value) if isinstance(value, str | int | float) else None
