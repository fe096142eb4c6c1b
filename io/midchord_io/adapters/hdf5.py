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
from midchord_io.adapters.hdf5_types import check_heaps, check_storage, is_safe, is_safe_value
from midchord_io.errors import CorruptScan, MidchordError, MissingMetadata, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts, is_matrix, series_facts
from midchord_io.ingest.gridded import Along, StoredGrid, along_of, scan_from_grid
from midchord_io.ingest.heights import plain_attribute
from midchord_io.source import SourceDescription

__all__ = ["MATRIX_KEYS", "choose", "describe", "needs_source", "read", "sniff"]

MATRIX_KEYS = frozenset(
    {
        "axes",
        "dataset",
        "heads",
        "height_offset",
        "height_scale",
        "height_sign",
        "height_units",
        "invalid",
        "joining",
        "lines",
        "pitch",
        "position_units",
        "positions",
        "three_rows",
    }
)
"""Keys of ``[source]`` that a file with named arrays has a use for."""

NOT_A_SCALE = "This is a netCDF dimension but not a netCDF variable"
"""What netCDF-4 writes as the NAME of a dimension without coordinates."""

MOST_POSITIONS = 10_000_000
MOST_VALUES = 50


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is HDF5 but does not speak of a lite."""
    return native.is_hdf5(head) and not native.sniff(path, head)


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a dataset of a foreign HDF5 file. Raises ScanError."""
    where = str(path)
    with _library(where):
        check_heaps(path)
        file = h5py.File(path, "r")
    with file:
        with _library(where):
            arrays = _arrays(file)
            is_truth = {"recipe", "schema_version"} <= set(file.attrs)
        if is_truth:
            raise UnsupportedScan(
                where,
                found="the true surface and figures of a simulated lite, not its scan",
                needed="a scan",
                do="name the scan beside it, the file without .truth in its name",
            )
        if source is None:
            raise needs_source("a foreign HDF5 file", arrays, where)

        def other(named: str | None) -> StoredGrid:
            return _stored(file, choose(arrays, named, where), where)

        stored = other(source.source.first_dataset)
        return scan_from_grid(stored, source, path, uses=MATRIX_KEYS, other=other)


def describe(path: Path) -> FileFacts:
    """What datasets there are, and what their attributes state. Raises ScanError."""
    where = str(path)
    with _library(where):
        check_heaps(path)
        file = h5py.File(path, "r")
    with file, _library(where):
        grids, series = [], []
        for name in _arrays(file, with_scales=True):
            dataset = file[name]
            along = _positions(file, name) if len(dataset.shape or ()) == 1 else None
            found = series_facts(name, along) if along is not None else None
            if found is not None:
                series.append(found)
            elif is_matrix(dataset.shape or (), _dtype(dataset)):
                grids.append(array_facts(_stored(file, name, where), name))
        return FileFacts(
            content="an HDF5 file",
            layout="matrix",
            uses=MATRIX_KEYS,
            arrays=tuple(grids),
            series=tuple(series),
            values=_values(file),
        )


def _stored(file: h5py.File, name: str, where: str) -> StoredGrid:
    def rows(start: int, stop: int) -> npt.NDArray[Any]:
        with _library(where):
            return np.asarray(dataset[start:stop])

    def positions(named: str) -> Along | None:
        with _library(where):
            return _positions(file, named)

    def series() -> dict[str, Along]:
        with _library(where):
            lines = [n for n in _arrays(file) if len(file[n].shape or ()) == 1]
            found = {name: _positions(file, name) for name in lines}
        return {name: along for name, along in found.items() if along is not None}

    def attribute(named: str) -> Any:
        with _library(where):
            return _value(file, named)

    with _library(where):
        dataset = file[name]
        check_storage(dataset)
        shape = dataset.shape or ()
        return StoredGrid(
            name=f"dataset {name!r}",
            shape=shape,
            dtype=_dtype(dataset),
            rows=rows,
            attrs=_attributes(dataset),
            along=tuple(_scale(dataset, number) for number in range(len(shape))),
            positions=positions,
            series=series,
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


def _arrays(file: h5py.File, *, with_scales: bool = False) -> dict[str, np.dtype[Any]]:
    """Every dataset, without those that are only the coordinate of another one."""
    arrays: dict[str, np.dtype[Any]] = {}

    def note(name: Any, item: Any) -> None:
        if isinstance(name, bytes):  # a name that is not UTF-8
            return
        if isinstance(item, h5py.Dataset) and (with_scales or not item.is_scale):
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
    names = [name for name in item.attrs if name not in skipped and is_safe(item, name)]
    return {name: plain_attribute(item.attrs[name]) for name in names}


def _scale(dataset: h5py.Dataset, number: int) -> Along | None:
    """The coordinates attached to an axis, None where there are none."""
    if "DIMENSION_LIST" in dataset.attrs and not is_safe(dataset, "DIMENSION_LIST"):
        raise ValueError("the list of its dimensions declares more than the file holds")
    dimension = dataset.dims[number]
    if not len(dimension):
        return None
    scale = dimension[0]
    has_name = "NAME" in scale.attrs and is_safe(scale, "NAME")
    name = plain_attribute(scale.attrs["NAME"] if has_name else b"")
    if str(name).startswith(NOT_A_SCALE) or scale.shape != (dataset.shape[number],):
        return None
    check_storage(scale)
    return along_of(np.asarray(scale[()]), _attributes(scale))


def _positions(file: h5py.File, named: str) -> Along | None:
    item = file.get(named)
    if not isinstance(item, h5py.Dataset) or item.size is None or item.size > MOST_POSITIONS:
        return None
    if _dtype(item).kind not in "iuf":  # refused by their type, without reading them
        return Along(np.broadcast_to(np.zeros((), _dtype(item)), item.shape), None)
    check_storage(item)
    return along_of(np.asarray(item[()]), _attributes(item))


def _values(file: h5py.File) -> dict[str, str]:
    """Attributes of the file and its groups, by the path that ``attr:PATH`` takes."""
    values: dict[str, str] = {}

    def note(name: Any, item: Any) -> None:
        if isinstance(name, str) and not isinstance(item, h5py.Dataset):
            for key in [key for key in item.attrs if is_safe(item, key)][:MOST_VALUES]:
                value = plain_attribute(item.attrs[key])
                if isinstance(value, str | int | float) and len(values) < MOST_VALUES:
                    values[f"{name}/{key}".strip("/")] = str(value)[:80]

    note("", file)
    file.visititems(note)
    return values


def _value(file: h5py.File, named: str) -> Any:
    """An attribute, or a dataset with one value."""
    parent, _, name = named.strip("/").rpartition("/")
    holder = file.get(parent or "/")
    if holder is not None and name in holder.attrs and is_safe(holder, name):
        return plain_attribute(holder.attrs[name])
    item = file.get(named)
    if isinstance(item, h5py.Dataset) and item.size == 1 and is_safe_value(item):
        return plain_attribute(np.asarray(item[()]))
    return None
