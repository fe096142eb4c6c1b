"""NPY and NPZ: no program is loaded from them, and no memory taken on a header's word."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midchord_io.adapters import open_scan
from midchord_io.errors import (
    CorruptScan,
    MissingMetadata,
    ScanError,
    UnevenGrid,
    UnknownFormat,
    UnsupportedScan,
)
from midchord_io.source import SourceDescription

HEIGHT = 1.0 + 0.01 * np.arange(12)[:, None] + 0.003 * np.arange(7)[None, :] ** 2


def described(**source: Any) -> SourceDescription:
    grid = {
        "axes": ("x", "y"),
        "height_units": "mm",
        "position_units": "mm",
        "pitch": {"x": 2.5, "y": 4.0},
    }
    return SourceDescription.model_validate({"source": {**grid, **source}})


class Trap:
    """Pickled, it would touch a file on loading."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Any, ...]:
        return (Path.touch, (self.path,))


@pytest.mark.parametrize("suffix", ["npy", "npz"])
def test_pickled_objects_are_never_loaded(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"a.{suffix}"
    data = np.array([[Trap(tmp_path / "sprung"), 1], [2, 3]], dtype=object)
    (np.save if suffix == "npy" else np.savez)(path, data)
    with pytest.raises(UnsupportedScan, match="holds pickled objects"):
        open_scan(path, described())
    assert not (tmp_path / "sprung").exists()


def header(shape: str, kind: str = "<f4") -> bytes:
    text = f"{{'descr': '{kind}', 'fortran_order': False, 'shape': {shape}, }}"
    text = text.ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + len(text).to_bytes(2, "little") + text.encode()


@pytest.mark.parametrize("shape", ["(100000, 100000)", "(12, 8)", "(-12, -7)"])
def test_a_header_that_declares_what_the_file_does_not_hold(shape: str, tmp_path: Path) -> None:
    content = header(shape) + HEIGHT.astype("<f4").tobytes()
    path = tmp_path / "a.npy"
    path.write_bytes(content)
    with pytest.raises(CorruptScan, match="a whole file"):
        open_scan(path, described())
    with zipfile.ZipFile(tmp_path / "a.npz", "w") as archive:
        archive.writestr("z.npy", content)
    with pytest.raises(CorruptScan, match="a whole file"):
        open_scan(tmp_path / "a.npz", described())


def test_a_zip_that_unpacks_to_far_too_much(tmp_path: Path) -> None:
    content = header("(5000, 4000)") + bytes(5000 * 4000 * 4)
    with zipfile.ZipFile(tmp_path / "a.npz", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("z.npy", content)
    assert (tmp_path / "a.npz").stat().st_size < 200_000
    with pytest.raises(UnsupportedScan) as refusal:
        open_scan(tmp_path / "a.npz", described())
    assert "whose noise does not pack so well" in str(refusal.value)


def test_a_text_in_the_clothes_of_an_npy(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    np.save(path, HEIGHT)
    path.write_bytes(path.read_bytes().decode("utf-8", errors="replace").encode("utf-8"))
    with pytest.raises(UnknownFormat, match="no known format, it starts with"):
        open_scan(path, described())
    path.write_bytes(b"\x93NUMPY and then a letter to a friend, who is fine")
    with pytest.raises(CorruptScan, match="it is damaged or cut short"):
        open_scan(path, described())


@pytest.mark.parametrize("kind", ["<f8", ">f4", "<f2", ">i2", "<u4", "<i8"])
@pytest.mark.parametrize("order", ["C", "F"])
def test_every_real_type_byte_order_and_layout(kind: str, order: Any, tmp_path: Path) -> None:
    counts = np.asarray(np.round(HEIGHT * 100), dtype=kind, order=order)
    np.save(tmp_path / "a.npy", counts)
    scan = open_scan(tmp_path / "a.npy", described(height_scale=0.01))
    np.testing.assert_allclose(scan.height.values, np.round(HEIGHT * 100) / 100, rtol=1e-6)


@pytest.mark.parametrize("data", [np.zeros((3, 0)), np.zeros((0, 3)), np.ones((1, 5))])
def test_no_lines_at_all(data: Any, tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", data)
    with pytest.raises(UnevenGrid, match="at least two lines and two columns"):
        open_scan(tmp_path / "a.npy", described())


@pytest.mark.parametrize(
    "data", [np.zeros((3, 4), bool), np.zeros((3, 4), complex), np.array([["a", "b"]])]
)
def test_what_is_no_number(data: Any, tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", data)
    with pytest.raises(UnsupportedScan, match="heights as real numbers"):
        open_scan(tmp_path / "a.npy", described())


def test_an_archive_names_its_arrays(tmp_path: Path) -> None:
    path = tmp_path / "a.npz"
    steps = 10.0 + 2.5 * np.arange(12)
    np.savez(path, z=HEIGHT, pos=steps, serial=np.array("L 7"))
    source = described(dataset="z", positions={"x": "pos"}, pitch={"y": 4.0})
    scan = open_scan(path, source)
    np.testing.assert_array_equal(scan.x.values, steps)
    np.testing.assert_allclose(scan.height.values, HEIGHT, rtol=1e-6)
    with pytest.raises(MissingMetadata, match="there are: pos, serial, z"):
        open_scan(path, described())
    with pytest.raises(MissingMetadata, match="no positions 'x' along x"):
        open_scan(path, described(dataset="z", positions={"x": "x"}, pitch={"y": 4.0}))
    lite = SourceDescription.model_validate(
        {"source": source.source.model_dump(exclude_unset=True), "lite": {"id_from": "attr:serial"}}
    )
    assert open_scan(path, lite).attrs["lite_id"] == "L 7"


def test_a_damaged_member_is_not_read(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    np.savez(buffer, z=HEIGHT)
    content = bytearray(buffer.getvalue())
    content[400] ^= 0xFF  # within the data: the checksum of the archive tells
    (tmp_path / "a.npz").write_bytes(bytes(content))
    with pytest.raises(ScanError, match="Bad CRC-32"):
        open_scan(tmp_path / "a.npz", described())
