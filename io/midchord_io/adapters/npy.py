"""NPY and NPZ: arrays as numpy stores them. They state a type and a shape, and nothing else.

A pickled object is a program, so it is never loaded. A header may declare more than the file
holds; it is compared with the size of the file before any memory is taken. (The format: NEP 1,
and ``numpy.lib.format``.)
"""

from __future__ import annotations

import contextlib
import math
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.hdf5 import MATRIX_KEYS, choose, needs_source
from midchord_io.adapters.zipped import check_members, check_names, damaged, kind_of_zip
from midchord_io.errors import CorruptScan, UnsupportedScan
from midchord_io.ingest.facts import FileFacts, array_facts, is_matrix, series_facts
from midchord_io.ingest.gridded import LARGEST_CELLS, Along, StoredGrid, scan_from_grid
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]

NPY_SIGNATURE = b"\x93NUMPY"
HEADER_BYTES = 2**16
NPY_KEYS = MATRIX_KEYS - {"dataset", "heads", "joining", "positions", "three_rows"}


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is an NPY, or a zip of them."""
    return head.startswith(NPY_SIGNATURE) or kind_of_zip(path, head) == "npy"


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in an array. Raises ScanError."""
    where = str(path)
    if _is_npy(path):
        stored = _npy(path, where)
        if source is None:
            raise needs_source("an NPY file", {}, where)
        return scan_from_grid(stored, source, path, uses=NPY_KEYS)
    with _archive(path, where) as members:
        kinds = dict.fromkeys(members, np.dtype(np.float64))
        if source is None:
            raise needs_source("an NPZ file", kinds, where)

        def other(named: str | None) -> StoredGrid:
            return _npz(members, choose(kinds, named, where))

        stored = other(source.source.first_dataset)
        return scan_from_grid(stored, source, path, uses=MATRIX_KEYS, other=other)


def describe(path: Path) -> FileFacts:
    """What arrays there are. Raises ScanError."""
    where = str(path)
    if _is_npy(path):
        stored = _npy(path, where)
        arrays = (array_facts(stored),) if is_matrix(stored.shape, stored.dtype) else ()
        return FileFacts("an NPY array", "matrix", NPY_KEYS, arrays=arrays)
    with _archive(path, where) as members:
        grids = {name: _npz(members, name) for name in members}
        lines = (
            (name, Along(grid.rows(0, grid.shape[0]), None))
            for name, grid in grids.items()
            if len(grid.shape) == 1
        )
        series = (series_facts(name, along) for name, along in lines)
        return FileFacts(
            "an NPZ archive of arrays",
            "matrix",
            MATRIX_KEYS,
            arrays=tuple(
                array_facts(grid, name)
                for name, grid in grids.items()
                if is_matrix(grid.shape, grid.dtype)
            ),
            series=tuple(found for found in series if found is not None),
        )


def _is_npy(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(NPY_SIGNATURE)) == NPY_SIGNATURE


def _npy(path: Path, where: str) -> StoredGrid:
    with path.open("rb") as file:
        shape, dtype, is_fortran = _header(file, "the array", where)
        data_bytes = path.stat().st_size - file.tell()
        offset = file.tell()
    _check_size(shape, dtype, data_bytes, "the array", where)
    each = dtype.itemsize * math.prod(shape[1:])

    def rows(start: int, stop: int) -> npt.NDArray[Any]:
        if 0 in shape or dtype.itemsize == 0:
            return np.empty((stop - start, *shape[1:]), dtype)
        if is_fortran:
            return np.array(_mapped(path, dtype, offset, shape)[start:stop])
        # read, not mapped: mapped pages would count as memory as long as the file is open
        count = (stop - start) * math.prod(shape[1:])
        some = np.fromfile(path, dtype=dtype, count=count, offset=offset + start * each)
        if some.size != count:
            raise damaged(where, "NPY", "it ends early")
        return some.reshape(stop - start, *shape[1:])

    return StoredGrid(name="the array", shape=shape, dtype=dtype, rows=rows)


def _mapped(
    path: Path, dtype: np.dtype[Any], offset: int, shape: tuple[int, ...]
) -> npt.NDArray[Any]:
    return np.memmap(path, dtype=dtype, mode="r", offset=offset, shape=shape, order="F")


class _Members:
    """The arrays of an archive by name, each read when it is asked for."""

    def __init__(self, archive: zipfile.ZipFile, where: str) -> None:
        self.archive = archive
        self.where = where
        self.infos = {
            info.filename.removesuffix(".npy"): info
            for info in archive.infolist()
            if info.filename.endswith(".npy")
        }

    def __iter__(self) -> Iterator[str]:
        return iter(self.infos)

    def array(self, name: str) -> npt.NDArray[Any] | None:
        info = self.infos.get(name)
        return None if info is None else _member(self.archive, info, self.where)


@contextlib.contextmanager
def _archive(path: Path, where: str) -> Iterator[_Members]:
    try:
        with zipfile.ZipFile(path) as archive:
            check_names(archive, where)
            yield _Members(archive, where)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise damaged(where, "NPY or NPZ", str(error)) from error


def _npz(members: _Members, name: str) -> StoredGrid:
    array = members.array(name)
    assert array is not None

    def positions(named: str) -> Along | None:
        values = members.array(named)
        return None if values is None else Along(values, None)

    def series() -> dict[str, Along]:
        found = {other: positions(other) for other in members if other != name}
        return {n: a for n, a in found.items() if a is not None and a.values.ndim == 1}

    def attribute(named: str) -> Any:
        value = members.array(named)
        return value.reshape(-1)[0] if value is not None and value.size == 1 else None

    return StoredGrid(
        name=f"array {name!r}",
        shape=array.shape,
        dtype=array.dtype,
        rows=lambda start, stop: array[start:stop],
        positions=positions,
        series=series,
        attribute=attribute,
    )


def _member(archive: zipfile.ZipFile, info: zipfile.ZipInfo, where: str) -> npt.NDArray[Any]:
    """One array of the archive; its declared size is checked before it is unpacked."""
    name = f"array {info.filename.removesuffix('.npy')!r}"
    check_members([info], name, where)
    try:
        with archive.open(info) as file:
            shape, dtype, is_fortran = _header(file, name, where)
            _check_size(shape, dtype, info.file_size - file.tell(), name, where)
            data = file.read()
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError) as error:
        raise damaged(where, "NPY or NPZ", str(error)) from error
    return np.frombuffer(data, dtype).reshape(shape, order=_order(is_fortran))


class _Short:
    """A file that is read a little at a time: a header may claim to be of gigabytes."""

    def __init__(self, file: IO[bytes]) -> None:
        self.file = file

    def read(self, size: int) -> bytes:
        return self.file.read(min(size, HEADER_BYTES))


def _header(file: IO[bytes], name: str, where: str) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Shape, type and order that an NPY header declares."""
    short: Any = _Short(file)
    try:
        version = np.lib.format.read_magic(short)
        if version == (1, 0):
            shape, is_fortran, dtype = np.lib.format.read_array_header_1_0(short)
        else:
            shape, is_fortran, dtype = np.lib.format.read_array_header_2_0(short)
    except Exception as error:  # a header is Python text: damage shows in many ways
        raise damaged(where, "NPY or NPZ", " ".join(str(error).split())[:120]) from error
    if dtype.hasobject:
        raise UnsupportedScan(
            where,
            found=f"{name} holds pickled objects",
            needed="heights as real numbers",
            do="save the array with a numeric type; pickled objects are never loaded",
        )
    return shape, dtype, is_fortran


def _order(is_fortran: bool) -> Literal["C", "F"]:
    return "F" if is_fortran else "C"


def _check_size(
    shape: tuple[int, ...], dtype: np.dtype[Any], data_bytes: int, name: str, where: str
) -> None:
    declared = dtype.itemsize
    for count in shape:
        declared *= count
    if declared > LARGEST_CELLS * 8 and declared <= data_bytes:
        raise UnsupportedScan(
            where,
            found=f"{name} of shape {shape}",
            needed=f"at most {LARGEST_CELLS} samples",
            do="scan at a coarser pitch",
        )
    if declared != data_bytes or min(shape, default=0) < 0:
        raise CorruptScan(
            where,
            found=f"{name} declares {declared} bytes (shape {shape}, {dtype}) but there are "
            f"{data_bytes}",
            needed="a whole file",
            do="copy or save it again",
        )
