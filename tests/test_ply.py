"""PLY: headers that lie, lists, other elements, remarks, and integer vertices."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import plyfile
import pytest

from midchord_io.adapters import open_scan, ply
from midchord_io.errors import CorruptScan, MissingMetadata, UnsupportedScan
from midchord_io.source import Lite
from point_files import described_points

SOURCE = described_points("ply")


def vertices() -> np.ndarray:
    vertex = np.zeros(12 * 8, dtype=[("nx", "u1"), ("x", "f4"), ("y", "f4"), ("z", "f8")])
    x, y = np.meshgrid(np.arange(12) * 2.0, np.arange(8) * 3.0, indexing="ij")
    vertex["x"], vertex["y"], vertex["z"] = x.ravel(), y.ravel(), (0.1 * x - 0.2 * y).ravel()
    return vertex


def write(path: Path, *, text: bool = False, order: str = "<") -> Path:
    face = np.array([([0, 1, 2],), ([1, 2, 3],)], dtype=[("vertex_indices", "i4", (3,))])
    plyfile.PlyData(
        [plyfile.PlyElement.describe(vertices(), "vertex"),
         plyfile.PlyElement.describe(face, "face")],
        text=text, byte_order=order, comments=["lite L 0042", "scanned_at 2026-03-01T08:30:00Z"],
    ).write(str(path))  # fmt: skip
    return path


@pytest.mark.parametrize(("text", "order"), [(True, "<"), (False, "<"), (False, ">")])
def test_vertices_before_faces(text: bool, order: str, tmp_path: Path) -> None:
    scan = open_scan(write(tmp_path / "a.ply", text=text, order=order), SOURCE)
    oracle = plyfile.PlyData.read(str(tmp_path / "a.ply"))["vertex"]["z"].reshape(12, 8)
    np.testing.assert_allclose(scan.height.values, oracle, atol=1e-6)


def test_remarks_are_attributes(tmp_path: Path) -> None:
    lite = Lite(id_from="attr:lite", scanned_at_from="attr:scanned_at")
    source = SOURCE.model_copy(update={"lite": lite})
    attrs = open_scan(write(tmp_path / "a.ply"), source).attrs
    assert (attrs["lite_id"], attrs["scanned_at"]) == ("L 0042", "2026-03-01T08:30:00Z")


def test_an_element_before_the_vertices_is_skipped(tmp_path: Path) -> None:
    camera = np.zeros(1, dtype=[("a", "f4"), ("b", "i2")])
    elements = [plyfile.PlyElement.describe(camera, "camera"),
                plyfile.PlyElement.describe(vertices(), "vertex")]  # fmt: skip
    for text in (True, False):
        plyfile.PlyData(elements, text=text).write(str(tmp_path / "a.ply"))
        scan = open_scan(tmp_path / "a.ply", SOURCE)
        np.testing.assert_allclose(scan.height.values.ravel(), vertices()["z"], atol=1e-6)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"element vertex 96", b"element vertex 960000000000", "points of 17 bytes are declared"),
        (b"element vertex 96", b"element vertex -6", "'element vertex -6' in the header"),
        (b"property float x", b"property floatx x", "'property floatx x' in the header"),
        (b"property float x", b"property float y", "with one name twice"),
        (b"end_header", b"end_heater", "a header without end_header"),
        (b"format binary_little_endian 1.0\n", b"", "a header without format"),
    ],
)
def test_a_header_that_lies_is_refused(
    old: bytes, new: bytes, words: str, tmp_path: Path
) -> None:
    path = write(tmp_path / "a.ply")
    path.write_bytes(path.read_bytes().replace(old, new))
    with pytest.raises(CorruptScan) as refusal:
        open_scan(path, SOURCE)
    assert words in str(refusal.value)
    assert str(refusal.value).endswith("a whole PLY file; copy or export it again.")


def test_what_holds_no_points(tmp_path: Path) -> None:
    path = write(tmp_path / "a.ply")
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"element vertex", b"element corner"))
    with pytest.raises(UnsupportedScan, match="a PLY file without the element vertex"):
        open_scan(path, SOURCE)
    path.write_bytes(whole.replace(b"property float x\n", b"property list uchar int x\n"))
    with pytest.raises(UnsupportedScan, match="lists in or before its vertices"):
        open_scan(path, SOURCE)
    with pytest.raises(MissingMetadata, match=r"no word on what its columns are \(there are: nx, "):
        open_scan(write(path))


def test_it_is_known_by_its_first_line(tmp_path: Path) -> None:
    assert ply.sniff(tmp_path, b"ply\r\nformat ascii 1.0\r\n")
    assert not ply.sniff(tmp_path, b"plywood\n")
