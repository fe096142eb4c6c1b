"""Damage that would end the process inside libhdf5 is told before the library follows it."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from midchord_io.adapters import open_scan
from midchord_io.adapters.hdf5_types import check_attributes, check_heaps, is_safe
from midchord_io.errors import CorruptScan
from test_adapters import as_stored, description, write_native

TEXT_TYPE = bytes.fromhex("1901010010000000")
"""Datatype message of a text of variable length in UTF-8, 16 bytes: version 1, class 9, kind 1
(HDF5 File Format Specification 3.0, section IV.A.2.d)."""


def spoilt(path: Path) -> None:
    """Kind 1 (text) of the first such attribute becomes a kind that does not exist."""
    content = path.read_bytes()
    at = content.index(TEXT_TYPE)
    path.write_bytes(content[: at + 1] + b"\x35" + content[at + 2 :])


def test_a_native_file_with_a_text_that_is_none_any_more(tmp_path: Path) -> None:
    path = tmp_path / "a.nc"
    write_native(path, as_stored())
    with h5py.File(path, "r") as file:
        check_attributes(file)
    spoilt(path)
    with h5py.File(path, "r") as file, pytest.raises(ValueError, match="is no text any more"):
        check_attributes(file)
    with pytest.raises(CorruptScan, match="is no text any more"):
        open_scan(path)


def test_a_foreign_file_does_without_such_an_attribute(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("z", data=as_stored()).attrs["note"] = "of some length"
    spoilt(path)
    with h5py.File(path, "r") as file:
        assert not is_safe(file["z"], "note")
    scan = open_scan(path, description())
    np.testing.assert_allclose(scan.height.values, as_stored(), atol=1e-6)


def test_references_are_safe(tmp_path: Path) -> None:
    write_native(tmp_path / "a.nc", as_stored())
    with h5py.File(tmp_path / "a.nc", "r") as file:
        assert is_safe(file["height"], "DIMENSION_LIST")
        assert is_safe(file, "lite_id")


def test_a_heap_whose_objects_do_not_fill_it(tmp_path: Path) -> None:
    """The size of one text too large or too small: the library would look for the next for ever."""
    path = tmp_path / "a.nc"
    write_native(path, as_stored())
    check_heaps(path)
    whole = path.read_bytes()
    heap = whole.index(b"GCOL")
    for place, value in ((24, 80), (24, 255), (28, 1), (8, 1), (16, 0)):
        path.write_bytes(whole[: heap + place] + bytes([value]) + whole[heap + place + 1 :])
        with pytest.raises(CorruptScan, match="the heap of texts at byte"):
            open_scan(path)


def test_a_dataset_that_declares_more_than_is_stored(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset("z", shape=(9000, 9000), dtype="f8", chunks=(100, 100))
    with pytest.raises(CorruptScan, match="648000000 bytes declared"):
        open_scan(tmp_path / "a.h5", description())
