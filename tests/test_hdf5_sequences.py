"""Counts of texts of variable length, read from the bytes, against what h5py wrote."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray as xr

from midchord_io.adapters import open_scan
from midchord_io.adapters.hdf5_sequences import counts_fit, one_value_fits
from midchord_io.adapters.hdf5_types import check_attributes, is_safe, is_safe_value
from midchord_io.errors import CorruptScan
from test_adapters import as_stored, description, truth, write_native


def with_count(path: Path, text: bytes, count: int) -> None:
    """Makes every reference to this text in the heap count so many bytes."""
    content = bytearray(path.read_bytes())
    heap = content.index(b"GCOL")
    at = content.index(text, heap)
    number = struct.unpack_from("<H", content, at - 16)[0]
    told = struct.pack("<IQI", len(text), heap, number)
    assert told in content
    path.write_bytes(bytes(content).replace(told, struct.pack("<IQI", count, heap, number)))


def test_a_text_that_declares_gigabytes_is_never_read(tmp_path: Path) -> None:
    write_native(tmp_path / "a.nc", as_stored())
    with_count(tmp_path / "a.nc", b"by hand", 4_000_000_000)
    with h5py.File(tmp_path / "a.nc", "r") as file:
        assert not is_safe(file, "instrument")
        assert is_safe(file, "lite_id")
    with pytest.raises(CorruptScan, match="attribute 'instrument' of '/' is no text any more"):
        open_scan(tmp_path / "a.nc")


def test_a_list_of_dimensions_that_declares_gigabytes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["z"] = as_stored()
        file["x"] = np.arange(30) * 2.0
        file["x"].make_scale("x")
        file["z"].dims[0].attach_scale(file["x"])
    content = path.read_bytes()
    heap = content.index(b"GCOL")
    told = struct.pack("<IQI", 1, heap, 1)
    path.write_bytes(content.replace(told, struct.pack("<IQI", 2**31, heap, 1)))
    with pytest.raises(CorruptScan, match="the list of its dimensions declares more than the file"):
        open_scan(path, description())


@pytest.mark.parametrize("libver", ["earliest", "v110", "latest"])
@pytest.mark.parametrize("is_large", [False, True])
def test_every_layout_of_attributes_is_found(libver: Any, is_large: bool, tmp_path: Path) -> None:
    """Few attributes stand in the header of an object, many in a heap of their own."""
    path = tmp_path / "a.h5"
    names = [f"note {k} in µm" for k in range(40)] + ["n", "units"]
    with h5py.File(path, "w", libver=libver, track_order=True) as file:
        if is_large:  # the numbers of large files are left out of the search
            file["big"] = np.ones((900, 700))
            file.create_dataset("packed", data=np.ones((900, 700)), chunks=(64, 64))
        for holder in (file, file.create_group("g"), file.create_dataset("z", data=truth())):
            for name in names:
                holder.attrs[name] = name * 3
            holder.attrs["several"] = np.array(["a", "bc", ""], dtype=object)
            holder.attrs["number"] = 7.0
    with h5py.File(path, "r") as file:
        check_attributes(file)
        for holder in (file, file["g"], file["z"]):
            assert all(counts_fit(holder, name) for name in [*names, "several"])
            assert not counts_fit(holder, "number")  # not of variable length


def test_files_of_xarray(tmp_path: Path) -> None:
    grid = xr.Dataset({"z": (("a", "b"), truth())}, attrs={str(k): "x" * k for k in range(1, 30)})
    grid = grid.assign_coords(a=2.0 * np.arange(30))
    grid.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    with h5py.File(tmp_path / "a.nc", "r") as file:
        check_attributes(file)
        assert is_safe(file["z"], "DIMENSION_LIST")


@pytest.mark.parametrize(
    ("write", "is_safe_one"),
    [
        (lambda file: file.create_dataset("a", data="text of any length"), True),
        (lambda file: file.create_dataset("a", data=b"fixed"), True),
        (lambda file: file.create_dataset("a", data=3.0), True),
        (lambda file: file.create_dataset("a", data=np.array((1, 2.0), "i4,f8")), False),
    ],
)
def test_a_dataset_of_one_value(
    write: Callable[[h5py.File], h5py.Dataset], is_safe_one: bool, tmp_path: Path
) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        write(file)
    with h5py.File(tmp_path / "a.h5", "r") as file:
        assert is_safe_value(file["a"]) is is_safe_one


def test_one_text_that_declares_gigabytes(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file["serial"] = "of any length"
    with_count(tmp_path / "a.h5", b"of any length", 2**31)
    with h5py.File(tmp_path / "a.h5", "r") as file:
        assert not one_value_fits(file["serial"])
