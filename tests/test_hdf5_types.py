"""Damage that would end the process inside libhdf5 is told before the library follows it."""

from __future__ import annotations

import struct
import zlib
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


def test_a_chunk_that_unpacks_to_more_than_it_declares(tmp_path: Path) -> None:
    """A gigabyte of zeros deflated to one megabyte, in the place of 20 MB of heights."""
    path = tmp_path / "a.h5"
    packer = zlib.compressobj(9)
    packed = b"".join(packer.compress(bytes(2**24)) for _ in range(64)) + packer.flush()
    shape = (3000, 1700)
    with h5py.File(path, "w") as file:
        data = file.create_dataset("z", shape=shape, dtype="f4", chunks=shape, compression="gzip")
        data.id.write_direct_chunk((0, 0), packed)
    with pytest.raises(CorruptScan, match=r"a chunk at byte \d+ unpacks to more than it declares"):
        open_scan(path, description())
    with h5py.File(path, "w") as file:
        about = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        about.set_chunk((30, 17))
        about.set_deflate(9)
        about.set_deflate(9)
        space = h5py.h5s.create_simple((30, 17))
        h5py.h5d.create(file.id, b"z", h5py.h5t.IEEE_F32LE, space, about)
        file["z"][:] = as_stored()
    with pytest.raises(CorruptScan, match="its chunks are deflated twice"):
        open_scan(path, description())


def test_room_for_lzf_that_no_chunk_needs(tmp_path: Path) -> None:
    """The filter takes its room from a value beside it, here 4 GB for a chunk of 2040 bytes."""
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        shape = as_stored().shape
        file.create_dataset("z", data=as_stored(), chunks=shape, compression="lzf")
    assert open_scan(path, description()).sizes == {"x": 30, "y": 17}
    content = path.read_bytes()
    at = content.index(b"lzf\0")
    told = content.index(struct.pack("<I", 2040), at)
    path.write_bytes(content[:told] + struct.pack("<I", 2**32 - 1) + content[told + 4 :])
    with pytest.raises(CorruptScan, match="chunks of 2040 bytes that lzf is told to be of"):
        open_scan(path, description())
