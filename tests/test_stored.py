"""The head of a stored map and one field of it: the same as of the whole, or the same refusal."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest

from fake_maps import fake_maps
from midchord.machine import Machine
from midchord.production.inventory import files_of, take_inventory
from midchord.production.stored import file_hash, read_fields, read_head
from midchord_io.errors import MidchordError, ScanError
from midchord_io.results import read_maps, write_maps


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("one") / "K.maps.nc"
    maps = fake_maps(length_mm=600.0, width_mm=400.0, pitch_y_mm=8.0)
    maps = maps.assign_attrs(frame_of_scan="lite", scanned_at="2026-03-04T05:06:07+02:00")
    write_maps(maps, path)
    return path


def test_head_and_field_are_those_of_the_whole(stored: Path) -> None:
    head, maps = read_head(stored, "surface_depth"), read_maps(stored)
    assert head.lite_id == maps.attrs["lite_id"]
    assert head.scanned_at is not None
    assert head.scanned_at.isoformat() == "2026-03-04T03:06:07+00:00"
    assert (head.x.points, head.y.points) == maps["height"].shape
    assert (head.x.step_mm, head.y.step_mm) == pytest.approx((5.0, 8.0))
    assert (head.units, head.convention) == ("mm", "surface")
    summary = json.loads(maps.attrs["summary"])
    assert head.summary["depth_mm"] == summary["depth_mm"]
    assert "zones" not in head.summary
    fields = read_fields(head, "surface_depth")
    assert fields.values.tobytes() == maps["surface_depth"].values.tobytes()
    assert fields.zone.tobytes() == maps["zone"].values.tobytes()
    assert fields.sha256 == hashlib.sha256(stored.read_bytes()).hexdigest() == file_hash(stored)
    assert fields.mean_square_u == pytest.approx(0.0006**2, rel=1e-6)
    assert read_fields(head, "power_x").mean_square_u is None


@pytest.mark.parametrize("kept", [0, 7, 3000, 60_000])
def test_a_cut_file_is_refused_in_the_words_of_the_reader_of_maps(
    stored: Path, tmp_path: Path, kept: int
) -> None:
    cut = tmp_path / "cut.maps.nc"
    cut.write_bytes(stored.read_bytes()[:kept])
    with pytest.raises(MidchordError) as own:
        read_head(cut, "depth")
    with pytest.raises(MidchordError) as whole:
        read_maps(cut)
    assert str(own.value) == str(whole.value)
    assert file_hash(tmp_path / "none") == ""


def test_other_units_than_those_of_the_rest_are_refused(stored: Path, tmp_path: Path) -> None:
    files = [stored]
    for number in range(2):
        maps = read_maps(stored).assign_attrs(lite_id=f"O-{number}")
        if number:
            maps["depth"].attrs["units"] = "um"
        files.append(tmp_path / f"{number}.maps.nc")
        write_maps(maps, files[-1])
    with pytest.raises(ScanError, match=r"1\.maps\.nc: depth in um, convention gauge, unlike"):
        take_inventory(files, "depth", Machine())


def test_folders_give_their_maps_in_order(tmp_path: Path) -> None:
    for name in ("b.maps.nc", "a.maps.nc", "a.html"):
        (tmp_path / name).write_bytes(b"")
    assert [file.name for file in files_of([tmp_path, "c.maps.nc"])] == [
        "a.maps.nc", "b.maps.nc", "c.maps.nc"
    ]  # fmt: skip
    assert np.size(files_of([])) == 0
