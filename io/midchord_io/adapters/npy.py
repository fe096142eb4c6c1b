"""NPY and NPZ: arrays as numpy stores them. They state a type and a shape, and nothing else.

A pickled object is a program, so it is never loaded. A header may declare more than the file
holds; it is compared with the size of the file before any memory is taken. (The format: NEP 1,
and ``numpy.lib.format``.)
"""

from __future__ import annotations

import zipfile
import zlib
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.gridded import LARGEST_CELLS, Along, StoredGrid, scan_from_grid
from midchord_io.adapters.hdf5 import MATRIX_KEYS, choose, needs_source
from midchord_io.errors import CorruptScan, UnsupportedScan
from midchord_io.source import SourceDescription

__all__ = ["read", "sniff"]

NPY_SIGNATURE = b"\x93NUMPY"
ZIP_SIGNATURE = b"PK\x03\x04"
NPY_KEYS = MATRIX_KEYS - {"dataset", "positions"}

LARGEST_RATIO = 200
"""Of unpacked to packed size. Noise does not pack: a measured surface stays below 30 even where
nine tenths of it are missing."""
SMALL_BYTES = 16 * 2**20
"""Members up to this size do no harm whatever their ratio."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is an NPY, or a zip whose first member is one."""
    if head.startswith(NPY_SIGNATURE):
        return True
    if not head.startswith(ZIP_SIGNATURE):
        return False
    length = int.from_bytes(head[26:28], "little")
    return head[30 : 30 + length].endswith(b".npy")


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in an array. Raises ScanError."""
    where = str(path)
    with path.open("rb") as file:
        is_npy = file.read(len(NPY_SIGNATURE)) == NPY_SIGNATURE
    if is_npy:
        return _read_npy(path, source, where)
    try:
        with zipfile.ZipFile(path) as archive:
            return _read_npz(archive, path, source, where)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
        raise _damaged(where, str(error)) from error


def _read_npy(path: Path, source: SourceDescription | None, where: str) -> xr.Dataset:
    with path.open("rb") as file:
        shape, dtype, is_fortran = _header(file, "the array", where)
        data_bytes = path.stat().st_size - file.tell()
        offset = file.tell()
    _check_size(shape, dtype, data_bytes, "the array", where)
    if source is None:
        raise needs_source("an NPY file", {}, where)
    array: npt.NDArray[Any]
    if 0 in shape or dtype.itemsize == 0:
        array = np.empty(shape, dtype)
    else:
        array = np.memmap(
            path, dtype=dtype, mode="r", offset=offset, shape=shape, order=_order(is_fortran)
        )
    stored = StoredGrid(
        name="the array",
        shape=shape,
        dtype=dtype,
        rows=lambda start, stop: np.array(array[start:stop]),
    )
    return scan_from_grid(stored, source, path, uses=NPY_KEYS)


def _read_npz(
    archive: zipfile.ZipFile, path: Path, source: SourceDescription | None, where: str
) -> xr.Dataset:
    members = {
        info.filename.removesuffix(".npy"): info
        for info in archive.infolist()
        if info.filename.endswith(".npy")
    }
    kinds = dict.fromkeys(members, np.dtype(np.float64))
    if source is None:
        raise needs_source("an NPZ file", kinds, where)
    name = choose(kinds, source.source.dataset, where)
    array = _member(archive, members[name], where)

    def positions(named: str) -> Along | None:
        if named not in members:
            return None
        return Along(_member(archive, members[named], where), None)

    def attribute(named: str) -> Any:
        if named not in members:
            return None
        value = _member(archive, members[named], where)
        return value.reshape(-1)[0] if value.size == 1 else None

    stored = StoredGrid(
        name=f"array {name!r}",
        shape=array.shape,
        dtype=array.dtype,
        rows=lambda start, stop: array[start:stop],
        positions=positions,
        attribute=attribute,
    )
    return scan_from_grid(stored, source, path, uses=MATRIX_KEYS)


def _member(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, where: str
) -> npt.NDArray[Any]:
    """One array of the archive; its declared size is checked before it is unpacked."""
    name = f"array {info.filename.removesuffix('.npy')!r}"
    if info.file_size > max(SMALL_BYTES, LARGEST_RATIO * info.compress_size):
        raise UnsupportedScan(
            where,
            found=f"{name} of {info.file_size} bytes packed into {info.compress_size}",
            needed="a measured surface, whose noise does not pack so well",
            do="check where the file comes from",
        )
    try:
        with archive.open(info) as file:
            shape, dtype, is_fortran = _header(file, name, where)
            _check_size(shape, dtype, info.file_size - file.tell(), name, where)
            data = file.read()
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError) as error:
        raise _damaged(where, str(error)) from error
    return np.frombuffer(data, dtype).reshape(shape, order=_order(is_fortran))


def _header(file: IO[bytes], name: str, where: str) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Shape, type and order that an NPY header declares."""
    try:
        version = np.lib.format.read_magic(file)
        if version == (1, 0):
            shape, is_fortran, dtype = np.lib.format.read_array_header_1_0(file)
        else:
            shape, is_fortran, dtype = np.lib.format.read_array_header_2_0(file)
    except Exception as error:  # a header is Python text: damage shows in many ways
        raise _damaged(where, " ".join(str(error).split())[:120]) from error
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


def _damaged(where: str, reason: str) -> CorruptScan:
    return CorruptScan(
        where,
        found=f"it is damaged or cut short ({reason})",
        needed="a whole NPY or NPZ file",
        do="copy or save it again",
    )
