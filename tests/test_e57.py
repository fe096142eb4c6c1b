"""E57: checksums, several scans, poses, and what is no height field."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pye57
import pytest

from midchord_io.adapters import e57, open_scan
from midchord_io.errors import CorruptScan, EmptyScan, SourceConflict, UnsupportedScan
from midchord_io.source import Lite
from point_files import Points, described_points, write_e57

SOURCE = described_points("e57")


def plate() -> Points:
    x, y = np.meshgrid(np.arange(40) * 2.0, np.arange(30) * 3.0, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel(), (0.1 * x - 0.02 * y).ravel()])


def raw(points: Points) -> dict[str, Points]:
    return {f"cartesian{axis}": points[:, k] / 1000.0 for k, axis in enumerate("XYZ")}


def test_metres_by_the_standard(tmp_path: Path) -> None:
    write_e57(tmp_path / "a.e57", plate())
    scan = open_scan(tmp_path / "a.e57", SOURCE)
    np.testing.assert_allclose(scan.height.values.ravel(), plate()[:, 2], atol=1e-6)
    with pytest.raises(SourceConflict, match="position_units 'mm' in the source description, but"):
        open_scan(tmp_path / "a.e57", described_points("e57", position_units="mm"))


def test_the_points_are_those_of_the_other_reader(tmp_path: Path) -> None:
    write_e57(tmp_path / "a.e57", plate())
    stored = e57.points(tmp_path / "a.e57")
    found = np.concatenate(list(stored.chunks((0, 1, 2))))
    with pye57.E57(str(tmp_path / "a.e57")) as file:
        other = file.read_scan_raw(0)
    np.testing.assert_array_equal(found, np.column_stack([other[f"cartesian{a}"] for a in "XYZ"]))


def test_a_pose_is_applied(tmp_path: Path) -> None:
    """A scan stored turned by 90 degrees about z and shifted: the pose brings it back."""
    points = plate()
    turned = np.column_stack([points[:, 1], -points[:, 0], points[:, 2]])
    half = np.sqrt(0.5)
    with pye57.E57(str(tmp_path / "a.e57"), mode="w") as file:
        file.write_scan_raw(
            raw(turned), rotation=np.array([half, 0, 0, half]), translation=np.array([1.0, 2.0, 0])
        )
    scan = open_scan(tmp_path / "a.e57", SOURCE)
    assert (float(scan.x[0]), float(scan.y[0])) == pytest.approx((1000.0, 2000.0))
    np.testing.assert_allclose(scan.height.values.ravel(), points[:, 2], atol=1e-6)


def test_several_scans_are_refused_and_none_too(tmp_path: Path) -> None:
    with pye57.E57(str(tmp_path / "a.e57"), mode="w") as file:
        file.write_scan_raw(raw(plate()), name="one")
        file.write_scan_raw(raw(plate()), name="two")
    with pytest.raises(UnsupportedScan, match="an E57 file with 2 scans; one scan, of one lite"):
        open_scan(tmp_path / "a.e57", SOURCE)
    with pye57.E57(str(tmp_path / "b.e57"), mode="w"):
        pass
    with pytest.raises(EmptyScan, match=r"an E57 file without a scan \(no points\)"):
        open_scan(tmp_path / "b.e57", SOURCE)


def test_the_id_from_the_name_of_the_scan(tmp_path: Path) -> None:
    with pye57.E57(str(tmp_path / "a.e57"), mode="w") as file:
        file.write_scan_raw(raw(plate()), name="L 0042")
    source = SOURCE.model_copy(update={"lite": Lite(id_from="attr:name")})
    assert open_scan(tmp_path / "a.e57", source).attrs["lite_id"] == "L 0042"


def test_a_closed_body_is_refused(tmp_path: Path) -> None:
    way = np.random.default_rng(2).normal(size=(12_000, 3))
    write_e57(tmp_path / "ball.e57", 60.0 * way / np.linalg.norm(way, axis=1)[:, None])
    with pytest.raises(UnsupportedScan, match="not a height field; one height at each place"):
        open_scan(tmp_path / "ball.e57", SOURCE)


def test_every_damaged_byte_is_told_by_its_page(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    write_e57(tmp_path / "a.e57", plate())
    whole = (tmp_path / "a.e57").read_bytes()
    assert e57.damaged_page(tmp_path / "a.e57") is None
    for page in (1, 5, len(whole) // 1024 - 1):
        content = bytearray(whole)
        content[page * 1024 + 500] ^= 4
        (tmp_path / "a.e57").write_bytes(bytes(content))
        with pytest.raises(CorruptScan, match=f"the checksum of page {page} is wrong"):
            open_scan(tmp_path / "a.e57", SOURCE)
    assert capfd.readouterr().err == ""  # the reader itself is not reached


def test_the_checksum_by_its_published_check_value() -> None:
    """CRC-32C of the digits 1 to 9 is E3069283 (the catalogue of parametrised CRC algorithms)."""
    digits = np.frombuffer(b"123456789", dtype=np.uint8)
    assert int(e57.crc32c(digits)) == 0xE3069283
