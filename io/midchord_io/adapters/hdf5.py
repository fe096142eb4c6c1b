"""Any HDF5 or netCDF-4 file that is not a native one: a dataset and what a description says of it.

What the file states by the CF conventions is believed: units, scale and offset, fill value, valid
range, direction, and the coordinates attached to the dataset as dimension scales. The rest stands
in a source description. The heights are read in blocks, so that compressed or packed data cost no
second grid.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters import native
from midchord_io.adapters.gridded import Along, StoredGrid, along_of, scan_from_grid
from midchord_io.adapters.heights import plain_attribute
from midchord_io.errors import CorruptScan, MidchordError, MissingMetadata
from midchord_io.source import SourceDescription

__all__ = ["MATRIX_KEYS", "choose", "needs_source", "read", "sniff"]

MATRIX_KEYS = frozenset(
    {
        "axes",
        "dataset",
        "height_offset",
        "height_scale",
        "height_sign",
        "height_units",
        "invalid",
        "pitch",
        "position_units",
        "positions",
    }
)
"""Keys of ``[source]`` that a file with named arrays has a use for."""

NOT_A_SCALE = "This is a netCDF dimension but not a netCDF variable"
"""What netCDF-4 writes as the NAME of a dimension without coordinates."""

MOST_POSITIONS = 10_000_000


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is HDF5 but does not speak of a lite."""
    return native.is_hdf5(head) and not native.sniff(path, head)


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a dataset of a foreign HDF5 file. Raises ScanError."""
    where = str(path)
    with _library(where):
        file = h5py.File(path, "r")
    with file:
        with _library(where):
            arrays = _arrays(file)
        if source is None:
            raise needs_source("a foreign HDF5 file", arrays, where)
        stored = _stored(file, choose(arrays, source.source.dataset, where), where)
        return scan_from_grid(stored, source, path, uses=MATRIX_KEYS)


def _stored(file: h5py.File, name: str, where: str) -> StoredGrid:
    def rows(start: int, stop: int) -> npt.NDArray[Any]:
        with _library(where):
            return np.asarray(dataset[start:stop])

    def positions(named: str) -> Along | None:
        with _library(where):
            return _positions(file, named)

    def attribute(named: str) -> Any:
        with _library(where):
            return _value(file, named)

    with _library(where):
        dataset = file[name]
        shape = dataset.shape or ()
        return StoredGrid(
            name=f"dataset {name!r}",
            shape=shape,
            dtype=_dtype(dataset),
            rows=rows,
            attrs=_attributes(dataset),
            along=tuple(_scale(dataset, number) for number in range(len(shape))),
            positions=positions,
            attribute=attribute,
        )


def needs_source(what: str, arrays: dict[str, np.dtype[Any]], where: str) -> MissingMetadata:
    """The error for a foreign file that comes without a source description."""
    return MissingMetadata(
        where,
        found=f"{what} and no source description" + (f" ({_listed(arrays)})" if arrays else ""),
        needed="which array holds the heights, what its axes are, its pitch and its units",
        do="write a source description as in configs/sources and pass it with --source",
    )


def choose(arrays: dict[str, np.dtype[Any]], wanted: str | None, where: str) -> str:
    """The array that a description names, or the only one there is.

    arrays  path in the file: type, of every array (``_listed`` shows them to the user)
    """
    if wanted is not None:
        name = wanted.strip("/")
        if name in arrays:
            return name
        found = f"no dataset {wanted!r} ({_listed(arrays)})"
    elif len(arrays) == 1:
        return next(iter(arrays))
    else:
        found = f"no word on which dataset holds the heights ({_listed(arrays)})"
    raise MissingMetadata(
        where,
        found=found,
        needed="the dataset of the heights",
        do="correct dataset in the source description",
    )


def _listed(arrays: dict[str, np.dtype[Any]]) -> str:
    if not arrays:
        return "the file has none"
    names = sorted(arrays)
    more = f" and {len(names) - 12} more" if len(names) > 12 else ""
    return f"there are: {', '.join(names[:12])}{more}"


@contextlib.contextmanager
def _library(where: str) -> Iterator[None]:
    """Damage shows as almost any exception of the library, at opening or in mid-read."""
    try:
        yield
    except MidchordError:
        raise
    except Exception as error:
        raise CorruptScan(
            where,
            found=f"it is damaged or cut short ({error})",
            needed="a whole HDF5 file",
            do="copy or scan it again",
        ) from error


def _arrays(file: h5py.File) -> dict[str, np.dtype[Any]]:
    """Every dataset that is not the coordinate of another one."""
    arrays: dict[str, np.dtype[Any]] = {}

    def note(name: Any, item: Any) -> None:
        if isinstance(name, bytes):  # a name that is not UTF-8
            return
        if isinstance(item, h5py.Dataset) and not item.is_scale:
            arrays[name] = item.dtype

    file.visititems(note)
    return arrays


def _dtype(dataset: h5py.Dataset) -> np.dtype[Any]:
    if h5py.check_string_dtype(dataset.dtype) is not None:
        return np.dtype("S1")
    dtype: np.dtype[Any] = dataset.dtype
    return dtype


def _attributes(item: Any) -> dict[str, Any]:
    skipped = {"CLASS", "DIMENSION_LIST", "NAME", "REFERENCE_LIST"}
    return {name: plain_attribute(item.attrs[name]) for name in item.attrs if name not in skipped}


def _scale(dataset: h5py.Dataset, number: int) -> Along | None:
    """The coordinates attached to an axis, None where there are none."""
    dimension = dataset.dims[number]
    if not len(dimension):
        return None
    scale = dimension[0]
    name = plain_attribute(scale.attrs.get("NAME", b""))
    if str(name).startswith(NOT_A_SCALE) or scale.shape != (dataset.shape[number],):
        return None
    return along_of(np.asarray(scale[()]), _attributes(scale))


def _positions(file: h5py.File, named: str) -> Along | None:
    item = file.get(named)
    if not isinstance(item, h5py.Dataset) or item.size is None or item.size > MOST_POSITIONS:
        return None
    return along_of(np.asarray(item[()]), _attributes(item))


def _value(file: h5py.File, named: str) -> Any:
    """An attribute, or a dataset with one value."""
    parent, _, name = named.strip("/").rpartition("/")
    holder = file.get(parent or "/")
    if holder is not None and name in holder.attrs:
        return plain_attribute(holder.attrs[name])
    item = file.get(named)
    if isinstance(item, h5py.Dataset) and item.size == 1:
        return plain_attribute(np.asarray(item[()]))
    return None
