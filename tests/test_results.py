"""Results on disk: whole or not there, and read back as they were."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from midchord_io.errors import CorruptScan, OutputError, ScanError, UnknownFormat, UnsupportedScan
from midchord_io.results import (
    MAPS_SCHEMA,
    read_maps,
    write_atomic,
    write_csv,
    write_json,
    write_maps,
    write_text,
)


def some_maps() -> xr.Dataset:
    depth = np.linspace(0.01, 0.09, 7 * 4).reshape(7, 4)
    depth[2, 1] = np.nan
    return xr.Dataset(
        {
            "depth": (("x", "y"), depth, {"units": "mm", "convention": "gauge"}),
            "height": (("x", "y"), 10 * depth, {"units": "mm"}),
            "reading": (("x", "y"), depth / 2, {"units": "mm"}),
            "wavelength": (("x", "y"), 5e3 * depth, {"units": "mm"}),
            "zone": (
                ("x", "y"),
                np.full((7, 4), 255, np.uint8),
                {"flag_values": np.array([0, 255], np.uint8), "flag_meanings": "clear no_glass"},
            ),
            "hw_depth_mm": ("half_wave", np.array([0.05, 0.06, 0.07])),
            "hw_rising": ("half_wave", np.array([True, False, True])),
        },
        coords={
            "x": ("x", np.arange(7) * 5.0, {"units": "mm"}),
            "y": ("y", np.arange(4) * 5.0, {"units": "mm"}),
        },
        attrs={
            "lite_id": "L 7",
            "settings": '{"gauge": {"feet": "mean"}}',
            "summary": '{"scanned_at": "2026-03-17T08:41:20Z", "length_mm": 35, "width_mm": 20, '
            '"half_span_mm": 120, "mean_wavelength_mm": null}',
            "corners_machine_mm": {"leading_left": [1.5, 2.25]},
            "rectangular": True,
            "skew_deg": 0.25,
        },
    )


def test_maps_come_back_as_they_were(tmp_path: Path) -> None:
    maps = some_maps()
    write_maps(maps, tmp_path / "maps.nc")
    back = read_maps(tmp_path / "maps.nc")
    np.testing.assert_array_equal(back.depth.values, maps.depth.values.astype(np.float32))
    np.testing.assert_array_equal(back.zone.values, maps.zone.values)
    assert back.depth.dtype == np.float32
    assert back.zone.dtype == np.uint8
    assert back.x.dtype == np.float64
    assert back.hw_rising.values.tolist() == [True, False, True]
    assert back.depth.attrs == {"units": "mm", "convention": "gauge"}
    assert back.attrs["corners_machine_mm"] == {"leading_left": [1.5, 2.25]}
    assert back.attrs["rectangular"] is True
    assert back.attrs["settings"] == '{"gauge": {"feet": "mean"}}'
    assert back.attrs["schema_version"] == MAPS_SCHEMA
    assert "schema_version" not in maps.attrs  # the argument is left alone
    assert "json_attrs" not in back.attrs
    os.replace(tmp_path / "maps.nc", tmp_path / "moved.nc")  # fails on Windows while open


def test_any_netcdf_tool_opens_the_maps(tmp_path: Path) -> None:
    write_maps(some_maps(), tmp_path / "maps.nc")
    with h5py.File(tmp_path / "maps.nc") as file:
        assert file["depth"].compression == "gzip"
        assert file["depth"].compression_opts == 1
        assert file["depth"].shuffle
        assert file.attrs["Conventions"] == "CF-1.11"
        assert [dim[0].name for dim in file["depth"].dims] == ["/x", "/y"]
    with xr.open_dataset(tmp_path / "maps.nc", engine="h5netcdf") as plain:
        assert float(plain.depth.max()) == pytest.approx(0.09, abs=1e-8)


def test_maps_of_a_newer_version_are_refused(tmp_path: Path) -> None:
    write_maps(some_maps().assign_attrs(schema_version=MAPS_SCHEMA + 1), tmp_path / "new.nc")
    with pytest.raises(UnsupportedScan) as refusal:
        read_maps(tmp_path / "new.nc")
    assert f"maps of schema_version {MAPS_SCHEMA + 1}" in str(refusal.value)
    assert "newer midchord" in str(refusal.value)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda maps: maps.drop_vars("wavelength"), "maps without wavelength"),
        (lambda maps: maps.assign_attrs(summary="{"), "maps without a summary that is JSON"),
        (lambda maps: maps.assign_attrs(summary="{}"), "maps without scanned_at in the summary"),
        (lambda maps: maps.assign_attrs(lite_id=""), "maps without attribute lite_id"),
        (lambda maps: maps.isel(y=[0]), "maps without more than one line and one column"),
    ],
)
def test_maps_that_are_not_whole_are_refused(spoil, words, tmp_path: Path) -> None:
    write_maps(spoil(some_maps()), tmp_path / "part.nc")
    with pytest.raises(CorruptScan, match=words):
        read_maps(tmp_path / "part.nc")


def test_what_is_not_maps_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match="it cannot be read"):
        read_maps(tmp_path / "none.nc")
    (tmp_path / "text.nc").write_text("not maps", encoding="utf-8")
    with pytest.raises(UnknownFormat, match="not a netCDF-4 file"):
        read_maps(tmp_path / "text.nc")
    some_maps().drop_attrs().to_netcdf(tmp_path / "plain.nc", engine="h5netcdf")
    with pytest.raises(UnknownFormat, match="no maps"):
        read_maps(tmp_path / "plain.nc")
    write_maps(some_maps(), tmp_path / "maps.nc")
    whole = (tmp_path / "maps.nc").read_bytes()
    (tmp_path / "cut.nc").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(CorruptScan, match="damaged or cut short"):
        read_maps(tmp_path / "cut.nc")


def test_a_failure_leaves_the_older_result_and_nothing_else(tmp_path: Path) -> None:
    target = tmp_path / "result.txt"
    write_text("old", target)

    def fails() -> None:
        with write_atomic(target) as part:
            part.write_text("half", encoding="utf-8")
            raise RuntimeError("stopped")

    with pytest.raises(RuntimeError, match="stopped"):
        fails()
    assert target.read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["result.txt"]


def test_the_final_name_appears_only_when_the_file_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "result.txt"
    with write_atomic(target) as part:
        part.write_text("whole", encoding="utf-8")
        assert not target.exists()
        assert part.parent == tmp_path
    assert target.read_text(encoding="utf-8") == "whole"


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as refusal:
        write_text("x", tmp_path / "none" / "result.txt")
    assert "it cannot be written" in str(refusal.value)
    assert "a folder that exists, may be written to and has room" in str(refusal.value)
    with pytest.raises(OutputError, match="it cannot be written"):
        write_maps(some_maps(), tmp_path / "none" / "maps.nc")


def test_json_is_strict(tmp_path: Path) -> None:
    data = {
        "depth_mm": np.float32(0.5),
        "count": np.int64(3),
        "no_wave": np.bool_(False),
        "line": np.array([1.0, 2.0]),
        "mean": None,
        "name": "µ",
    }
    write_json(data, tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8")) == {
        "depth_mm": 0.5,
        "count": 3,
        "no_wave": False,
        "line": [1.0, 2.0],
        "mean": None,
        "name": "µ",
    }
    with pytest.raises(ValueError, match=r"a\.b\[1\] is nan: JSON has no such number"):
        write_json({"a": {"b": [1.0, np.nan]}}, tmp_path / "b.json")
    with pytest.raises(ValueError, match="when is a Path"):
        write_json({"when": object.__new__(type("Path", (), {}))}, tmp_path / "b.json")
    assert not (tmp_path / "b.json").exists()


def test_csv_has_one_header_and_empty_fields_for_missing(tmp_path: Path) -> None:
    table = pd.DataFrame({"x_mm": [0.0, 2.5], "depth_mm": [np.nan, 0.125]})
    write_csv(table, tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_bytes() == b"x_mm,depth_mm\n0.0,\n2.5,0.125\n"


def test_a_disk_that_is_full_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> int:
        path.touch()
        raise OSError(28, "write failed\n  file = 0x7f\n  No space left")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as refusal:
        write_maps(some_maps(), tmp_path / "maps.nc")
    assert f"maps.nc: it cannot be written ({os.strerror(28)}); " in str(refusal.value)
    assert "\n" not in str(refusal.value)
    assert list(tmp_path.iterdir()) == []


def test_hdf5_never_meets_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # on a full disk the library crashes the process instead of raising
    seen: list[bytes] = []
    monkeypatch.setattr(Path, "write_bytes", lambda path, data: seen.append(data))
    with pytest.raises(OutputError):  # nothing was written for write_atomic to move
        write_maps(some_maps(), tmp_path / "maps.nc")
    assert seen[0].startswith(b"\x89HDF\r\n\x1a\n")
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_run_left_is_removed_once_it_is_old(tmp_path: Path) -> None:
    def left(name: str, age_s: float, *, inside: float | None = None) -> Path:
        path = tmp_path / name
        if inside is None:
            path.write_text("half", encoding="utf-8")
        else:
            path.mkdir()
            (path / "x.nc").write_text("half", encoding="utf-8")
            os.utime(path / "x.nc", (time.time() - inside,) * 2)
        os.utime(path, (time.time() - age_s,) * 2)
        return path

    old = [left(".a.nc.0f1e.part", 3600), left(".a.nc.7c.part", 3600, inside=3600)]
    kept = [
        left(".a.nc.5d.part", 60),
        left(".a.nc.9b.part", 3600, inside=60),  # still being written
        left(".b.nc.0f1e.part", 3600),  # of another result
        left(".a.nc.notes", 3600),
    ]
    write_text("whole", tmp_path / "a.nc")
    assert not any(path.exists() for path in old)
    assert all(path.exists() for path in kept)
