"""PCD: fields of several numbers, padding, headers that lie, and the unpacking of LZF."""

from __future__ import annotations

import struct
from pathlib import Path

import lzf
import numpy as np
import pytest
from pypcd4 import PointCloud

from midchord_io.adapters import open_scan, pcd
from midchord_io.errors import CorruptScan
from point_files import described_points, grid_points_of

SOURCE = described_points("pcd")
HEADER = (
    "# .PCD v0.7\nVERSION 0.7\nFIELDS x y z _ normal\nSIZE 4 4 8 1 2\nTYPE F F F U I\n"
    "COUNT 1 1 1 4 3\nWIDTH {n}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {n}\nDATA {data}\n"
)
RECORD = [("x", "<f4"), ("y", "<f4"), ("z", "<f8"), ("_", "u1", 4), ("normal", "<i2", 3)]


def records() -> np.ndarray:
    x, y = np.meshgrid(np.arange(12) * 2.0, np.arange(8) * 3.0, indexing="ij")
    some = np.zeros(96, dtype=RECORD)
    some["x"], some["y"], some["z"] = x.ravel(), y.ravel(), (0.1 * x - 0.2 * y).ravel()
    some["normal"] = [1, 2, 3]
    return some


def test_fields_of_several_numbers_and_padding(tmp_path: Path) -> None:
    path = tmp_path / "a.pcd"
    some = records()
    path.write_bytes(HEADER.format(n=96, data="binary").encode() + some.tobytes())
    scan = open_scan(path, SOURCE)
    np.testing.assert_allclose(scan.height.values.ravel(), some["z"], atol=1e-6)
    assert pcd.points(path).columns[-3:] == ("normal[0]", "normal[1]", "normal[2]")
    columns = b"".join(
        np.ascontiguousarray(np.atleast_2d(some[name].T)[k]).tobytes()
        for name in some.dtype.names or ()
        for k in range(1 if some[name].ndim == 1 else some[name].shape[1])
    )
    packed = lzf.compress(columns)
    data = struct.pack("<II", len(packed), len(columns)) + packed
    path.write_bytes(HEADER.format(n=96, data="binary_compressed").encode() + data)
    np.testing.assert_allclose(open_scan(path, SOURCE).height.values.ravel(), some["z"], atol=1e-6)


def test_an_organised_cloud_as_another_reader_sees_it(tmp_path: Path) -> None:
    height = np.random.default_rng(1).normal(0, 1, (9, 7)).astype(np.float32)
    height[4, 4] = np.nan
    points = grid_points_of(height, (2.0, 3.0)).astype(np.float32)
    PointCloud.from_xyz_points(points).save(tmp_path / "a.pcd")
    scan = open_scan(tmp_path / "a.pcd", SOURCE)
    oracle = PointCloud.from_path(tmp_path / "a.pcd").numpy(("z",)).reshape(9, 7)
    np.testing.assert_allclose(scan.height.values, oracle, atol=1e-6)


@pytest.mark.parametrize("size", [1, 31, 40, 5000, 100_000])
@pytest.mark.parametrize("kind", ["noise", "same", "repeats"])
def test_unpacking_what_liblzf_packed(size: int, kind: str) -> None:
    random = np.random.default_rng(size)
    content = {
        "noise": random.integers(0, 256, size),
        "same": np.full(size, 7),
        "repeats": np.tile(random.integers(0, 256, 17), size // 17 + 1)[:size],
    }[kind].astype(np.uint8)
    packed = lzf.compress(content.tobytes())
    if packed is None:  # it would not get smaller
        assert kind == "noise" or size < 40
        return
    found = pcd.unpacked(np.frombuffer(packed, np.uint8), size)
    assert found is not None
    np.testing.assert_array_equal(found, content)
    assert pcd.unpacked(np.frombuffer(packed, np.uint8), size - 1) is None
    assert pcd.unpacked(np.frombuffer(packed, np.uint8)[:-1], size) is None


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"POINTS 96", b"POINTS 96000000000"),
        (b"POINTS 96", b"POINTS many"),
        (b"SIZE 4 4 8 1 2", b"SIZE 4 4 8 1"),
        (b"SIZE 4 4 8 1 2", b"SIZE 4 4 3 1 2"),
        (b"COUNT 1 1 1 4 3", b"COUNT 1 1 1 4 999999999"),
        (b"DATA binary", b"DATA binari"),
        (b"FIELDS x", b"FILEDS x"),
    ],
)
def test_a_header_that_lies_is_refused(old: bytes, new: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.pcd"
    whole = HEADER.format(n=96, data="binary").encode() + records().tobytes()
    path.write_bytes(whole.replace(old, new))
    with pytest.raises(CorruptScan, match="a whole PCD file; copy or export it again"):
        open_scan(path, SOURCE)


def test_a_small_file_that_claims_to_unpack_to_much(tmp_path: Path) -> None:
    header = HEADER.format(n=10_000_000, data="binary_compressed").encode()
    path = tmp_path / "a.pcd"
    path.write_bytes(header + struct.pack("<II", 100, 260_000_000) + bytes(100))
    with pytest.raises(CorruptScan, match="260000000 bytes packed in 100"):
        open_scan(path, SOURCE)
