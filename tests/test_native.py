"""The native file, and foreign HDF5, netCDF and NPY files with all that they may state or hide."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pytest
import xarray as xr
from scipy.io import netcdf_file

from midchord_io import open_scan, write_scan
from midchord_io.errors import (
    ImplausibleScan,
    MissingMetadata,
    OutputError,
    SourceConflict,
    UnevenGrid,
    UnsupportedScan,
)
from midchord_io.results import write_maps
from midchord_io.scan import make_scan
from midchord_io.source import SourceDescription


def surface(nx: int = 12, ny: int = 7) -> npt.NDArray[np.float32]:
    height = 1.0 + 0.01 * np.arange(nx)[:, None] + 0.003 * np.arange(ny)[None, :] ** 2
    height[2, 5] = np.nan
    return height.astype(np.float32)


def a_scan() -> xr.Dataset:
    return make_scan(
        surface(),
        x_mm=np.arange(12) * 2.5 + 40.0,
        y_mm=np.arange(7) * 4.0 - 8.0,
        lite_id="L 7",
        instrument="bench",
        scanned_at="2026-03-01T08:30:00Z",
        frame="machine",
        face="lower",
        known={"thickness_mm": 8.0, "corners": {"leading_left": [1.0, 2.0]}},
    )


def described(lite: dict[str, Any] | None = None, **source: Any) -> SourceDescription:
    return SourceDescription.model_validate({"source": source, "lite": lite or {}})


GRID: dict[str, Any] = {
    "axes": ("x", "y"),
    "height_units": "mm",
    "position_units": "mm",
    "pitch": {"x": 2.5, "y": 4.0},
}


def refusal_words(path: Path, source: SourceDescription | None, kind: type[Exception]) -> str:
    with pytest.raises(kind) as refusal:
        open_scan(path, source)
    assert str(path) in str(refusal.value)
    return str(refusal.value)


def test_a_scan_comes_back_as_it_was(tmp_path: Path) -> None:
    scan = a_scan()
    write_scan(scan, tmp_path / "lite.nc")
    back = open_scan(tmp_path / "lite.nc")
    xr.testing.assert_equal(back, scan)
    assert back.attrs["corners"] == {"leading_left": [1.0, 2.0]}
    added = {"source_file", "source_sha256", "adapter"}
    assert {k: v for k, v in back.attrs.items() if k not in added} == scan.attrs
    assert back.height.attrs["units"] == "mm"
    with h5py.File(tmp_path / "lite.nc") as file:
        assert file["height"].dtype == np.float32
        assert (file["height"].compression_opts, file["height"].shuffle) == (1, True)


def test_nothing_is_written_of_a_scan_that_breaks_the_contract(tmp_path: Path) -> None:
    scan = a_scan()
    del scan.attrs["frame"]
    with pytest.raises(MissingMetadata, match="no attribute 'frame'"):
        write_scan(scan, tmp_path / "lite.nc")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OutputError, match="it cannot be written"):
        write_scan(a_scan(), tmp_path / "none" / "lite.nc")


def test_heights_packed_to_integers_are_unpacked(tmp_path: Path) -> None:
    packing = {"dtype": "int32", "scale_factor": 1e-6, "_FillValue": -(2**31)}
    a_scan().drop_attrs(deep=False).assign_attrs(
        lite_id="L", instrument="i", scanned_at="2026-03-01T08:30:00Z", frame="machine"
    ).transpose("y", "x").to_netcdf(
        tmp_path / "p.nc", engine="h5netcdf", encoding={"height": packing}
    )
    back = open_scan(tmp_path / "p.nc")
    assert back.height.dims == ("x", "y")
    assert back.height.dtype == np.float32
    np.testing.assert_allclose(back.height.values, surface(), atol=6e-7)  # half a step of 1 nm


@pytest.mark.parametrize("attr", ["lite_id", "instrument", "scanned_at", "frame"])
def test_an_attribute_that_is_missing_is_named(attr: str, tmp_path: Path) -> None:
    write_scan(a_scan(), tmp_path / "lite.nc")
    with h5py.File(tmp_path / "lite.nc", "a") as file:
        del file.attrs[attr]
    assert f"no attribute '{attr}'" in refusal_words(tmp_path / "lite.nc", None, MissingMetadata)


def test_a_description_fills_in_what_a_native_file_leaves_out(tmp_path: Path) -> None:
    path = tmp_path / "lite.nc"
    write_scan(a_scan(), path)
    with h5py.File(path, "a") as file:
        del file.attrs["instrument"]
    assert open_scan(path, described({"instrument": "b"})).attrs["instrument"] == "b"
    source = described({"instrument": "b", "frame": "lite"})
    said = refusal_words(path, source, SourceConflict)
    assert "frame = 'lite' in the source description, but 'machine' in the file" in said
    said = refusal_words(path, described(**GRID), SourceConflict)
    assert "a native file, which says all that itself" in said


def test_maps_are_not_a_scan(tmp_path: Path) -> None:
    write_maps(a_scan(), tmp_path / "maps.nc")
    said = refusal_words(tmp_path / "maps.nc", None, UnsupportedScan)
    assert "the maps of a lite, not its scan" in said


def foreign(path: Path, data: Any = None, **attrs: Any) -> Path:
    with h5py.File(path, "w") as file:
        dataset = file.create_dataset("scan/z", data=surface() if data is None else data)
        dataset.attrs.update(attrs)
    return path


def test_what_the_file_states_by_cf_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "cf.nc"
    counts = xr.DataArray(
        np.array([[100, 200, 300], [400, -1, 9000]], np.int16),
        dims=("time", "track"),
        coords={"time": ("time", [0.0, 0.5], {"units": "m"}), "track": ("track", [-20, 0, 20])},
        attrs={
            "units": "micrometers",
            "scale_factor": 0.5,
            "add_offset": 7.0,
            "missing_value": np.int16(-1),
            "valid_max": np.int16(5000),
            "positive": "down",
        },
        name="z",
    )
    counts.track.attrs["units"] = "mm"
    counts.to_netcdf(path, engine="h5netcdf")
    scan = open_scan(path, described(axes=("x", "y")))
    expected = -(np.array([[100, 200, 300], [400, np.nan, np.nan]]) * 0.5 + 7.0) / 1000
    np.testing.assert_allclose(scan.height.values, expected, rtol=1e-6)
    assert scan.x.values.tolist() == [0.0, 500.0]
    assert scan.y.values.tolist() == [-20.0, 0.0, 20.0]


@pytest.mark.parametrize(
    ("attrs", "source", "words"),
    [
        ({"units": "um"}, {"height_units": "mm"}, "height_units 'mm' in the source description"),
        ({"scale_factor": 2.0}, {"height_scale": 3.0}, "height_scale = 3 in the source"),
        ({"add_offset": 2.0}, {"height_offset": 3.0}, "add_offset = 2 in the file"),
        ({"units": "mm"}, {"height_scale": 3.0}, "its numbers are 'mm' as they are"),
        ({"positive": "up"}, {"height_sign": "down"}, "positive = 'up' in the file"),
    ],
)
def test_the_file_is_not_silently_overridden(
    attrs: dict[str, Any], source: dict[str, Any], words: str, tmp_path: Path
) -> None:
    path = foreign(tmp_path / "a.h5", **attrs)
    assert words in refusal_words(path, described(**{**GRID, **source}), SourceConflict)


def test_the_same_said_twice_is_no_conflict(tmp_path: Path) -> None:
    path = foreign(tmp_path / "a.h5", units="millimeter", scale_factor=1.0, positive="up")
    source = described(**GRID, height_scale=1.0, height_sign="up")
    np.testing.assert_array_equal(open_scan(path, source).height.values, surface())


def test_volts_need_a_scale(tmp_path: Path) -> None:
    path = foreign(tmp_path / "a.h5", units="V")
    said = refusal_words(path, described(**GRID), MissingMetadata)
    assert "height units 'V'; one of m, mm, um, nm, inch" in said
    scan = open_scan(path, described(**GRID, height_scale=2.0))
    np.testing.assert_allclose(scan.height.values, 2.0 * surface())


def with_positions(path: Path, x: Any, units: str | None = "mm") -> Path:
    foreign(path)
    with h5py.File(path, "a") as file:
        file["encoder/x"] = x
        if units:
            file["encoder/x"].attrs["units"] = units
    return path


ENCODER: dict[str, Any] = {
    "dataset": "scan/z",
    "height_units": "mm",
    "positions": {"x": "encoder/x"},
    "pitch": {"y": 4.0},
    "position_units": "mm",
}
STEPS = 100.0 + 2.5 * np.arange(12)


def test_positions_from_a_dataset_run_either_way(tmp_path: Path) -> None:
    up = with_positions(tmp_path / "up.h5", STEPS)
    down = with_positions(tmp_path / "down.h5", STEPS[::-1])
    scan = open_scan(up, described(**ENCODER, axes=("x", "y")))
    np.testing.assert_array_equal(scan.x.values, STEPS)
    np.testing.assert_array_equal(scan.height.values, surface())
    scan = open_scan(down, described(**ENCODER, axes=("-x", "y")))  # the frame's, stored backwards
    np.testing.assert_array_equal(scan.x.values, STEPS)
    np.testing.assert_array_equal(scan.height.values, surface()[::-1])
    scan = open_scan(up, described(**ENCODER, axes=("-x", "y")))  # counted against the frame
    np.testing.assert_array_equal(scan.x.values, -STEPS[::-1])
    np.testing.assert_array_equal(scan.height.values, surface()[::-1])
    scan = open_scan(up, described({"frame": "lite"}, **ENCODER, axes=("-x", "y")))
    np.testing.assert_array_equal(scan.x.values, STEPS)


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (STEPS[::-1], "descending positions along x"),
        (np.where(np.arange(12) == 4, STEPS[3], STEPS), "the position 107.5 twice along x"),
        (STEPS**1.1, "steps between"),
        (np.where(np.arange(12) == 4, np.nan, STEPS), "positions that are not numbers along x"),
        (STEPS[:11], "positions 'encoder/x' of shape (11,)"),
        (np.zeros((12, 7)), "one position for each of the 12 samples along x"),
    ],
)
def test_positions_that_make_no_grid(x: Any, words: str, tmp_path: Path) -> None:
    path = with_positions(tmp_path / "a.h5", x)
    assert words in refusal_words(path, described(**ENCODER, axes=("x", "y")), UnevenGrid)


def test_position_units(tmp_path: Path) -> None:
    source = described(**{**ENCODER, "axes": ("x", "y"), "position_units": None, "pitch": {}})
    path = with_positions(tmp_path / "a.h5", STEPS, units="px")
    assert "positions along x in 'px'" in refusal_words(path, source, MissingMetadata)
    path = with_positions(tmp_path / "b.h5", STEPS, units=None)
    assert "no units of the positions along x" in refusal_words(path, source, MissingMetadata)
    path = with_positions(tmp_path / "c.h5", STEPS, units="m")
    said = refusal_words(path, described(**ENCODER, axes=("x", "y")), SourceConflict)
    assert "position_units 'mm' in the source description, but 'm' in the file along x" in said
    path = with_positions(tmp_path / "d.h5", STEPS)
    wrong = described(**{**ENCODER, "axes": ("x", "y"), "positions": {"x": "encoder/y"}})
    assert "no positions 'encoder/y' along x" in refusal_words(path, wrong, MissingMetadata)


def test_a_pitch_against_the_files_own_coordinates(tmp_path: Path) -> None:
    path = tmp_path / "a.nc"
    field = xr.DataArray(surface(), dims=("a", "b"), coords={"a": STEPS}, name="z")
    field.a.attrs["units"] = "mm"
    field.to_netcdf(path, engine="h5netcdf")
    np.testing.assert_array_equal(open_scan(path, described(**GRID)).x.values, STEPS)
    source = described(**{**GRID, "pitch": {"x": 2.0, "y": 4.0}})
    said = refusal_words(path, source, SourceConflict)
    assert "a pitch of 2 mm along x in the source description, but 2.5 mm by the file" in said
    # sample numbers are no positions
    field.assign_coords(a=np.arange(12)).to_netcdf(path, engine="h5netcdf")
    assert open_scan(path, source).x.values[1] == 2.0


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (surface() > 1, "holds truth values"),
        (surface() + 1j, "holds complex numbers"),
        (np.array([[b"a", b"b"], [b"c", b"d"]]), "holds text"),
        (np.array([["a", "b"], ["c", "d"]], dtype=object), "holds text"),
        (np.zeros((3, 2), dtype=[("z", "f4")]), "holds records"),
        (np.arange(12.0), "has 1 axes (shape (12,))"),
        (np.zeros((3, 4, 5)), "has 3 axes (shape (3, 4, 5))"),
        (np.float32(3), "has 0 axes"),
    ],
)
def test_what_is_no_matrix_of_heights(data: Any, words: str, tmp_path: Path) -> None:
    said = refusal_words(foreign(tmp_path / "a.h5", data), described(**GRID), UnsupportedScan)
    assert "dataset 'scan/z'" in said
    assert words in said


def test_one_line_is_no_surface(tmp_path: Path) -> None:
    path = foreign(tmp_path / "a.h5", surface()[:1])
    assert "1 position along x; at least two lines" in refusal_words(
        path, described(**GRID), UnevenGrid
    )


def test_a_wrong_dataset_lists_those_that_exist(tmp_path: Path) -> None:
    path = with_positions(tmp_path / "a.h5", STEPS)
    said = refusal_words(path, described(**GRID, dataset="scan/height"), MissingMetadata)
    assert "no dataset 'scan/height' (there are: encoder/x, scan/z)" in said
    said = refusal_words(path, described(**GRID), MissingMetadata)
    assert "no word on which dataset holds the heights (there are: encoder/x, scan/z)" in said
    said = refusal_words(path, None, MissingMetadata)
    assert "a foreign HDF5 file and no source description (there are: encoder/x" in said


def test_a_small_file_that_declares_a_giant_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("z", shape=(10**6, 10**6), dtype="f4", chunks=(64, 64))
    said = refusal_words(path, described(**GRID), UnsupportedScan)
    assert "declares 1000000 x 1000000 samples" in said


def test_id_and_time_from_attributes(tmp_path: Path) -> None:
    path = foreign(tmp_path / "a.h5", serial=42, started="2026-03-01T09:30:00+01:00", naive="2026")
    with h5py.File(path, "a") as file:
        file.attrs["id"] = "root"
        file["scan/one"] = b"alone"
    grid = {**GRID, "dataset": "scan/z"}
    lite = {"id_from": "attr:scan/z/serial", "scanned_at_from": "attr:scan/z/started"}
    attrs = open_scan(path, described(lite, **grid)).attrs
    assert (attrs["lite_id"], attrs["scanned_at"]) == ("42", "2026-03-01T08:30:00Z")
    assert open_scan(path, described({"id_from": "attr:id"}, **grid)).attrs["lite_id"] == "root"
    attrs = open_scan(path, described({"id_from": "attr:scan/one"}, **grid)).attrs
    assert attrs["lite_id"] == "alone"
    source = described({"id_from": "attr:scan/none"}, **grid)
    assert "nothing at id_from = 'attr:scan/none'" in refusal_words(path, source, MissingMetadata)
    source = described({"scanned_at_from": "attr:id"}, **grid)
    assert "scanned_at 'root'; a time by ISO 8601 with its offset from UTC" in refusal_words(
        path, source, MissingMetadata
    )


def test_netcdf3_states_units_and_coordinates_too(tmp_path: Path) -> None:
    path = tmp_path / "a.nc"
    with netcdf_file(path, "w") as file:
        for name, count in (("b", 7), ("a", 12)):
            file.createDimension(name, count)
        file.createVariable("a", "f8", ("a",))[:] = STEPS / 25.4
        file.variables["a"].units = "inch"
        z = file.createVariable("z", "f4", ("b", "a"))
        z[:] = np.nan_to_num(surface(), nan=-1.0).T * 1000
        z.units = "um"
        z._FillValue = np.float32(-1000.0)
        file.serial = "L 9"
    source = described(
        {"id_from": "attr:serial"}, axes=("y", "x"), pitch={"y": 4.0}, position_units=None
    )
    said = refusal_words(path, source, MissingMetadata)
    assert "no units of the positions along y" in said
    source = described(
        {"id_from": "attr:serial"}, axes=("y", "x"), pitch={"y": 4.0}, position_units="inch"
    )
    scan = open_scan(path, source)
    np.testing.assert_allclose(scan.height.values, surface(), rtol=1e-6)
    np.testing.assert_allclose(scan.x.values, STEPS)
    assert scan.y.values[1] == pytest.approx(4.0 * 25.4)
    assert scan.attrs["lite_id"] == "L 9"
    assert scan.attrs["adapter"] == "netcdf3"


def test_heights_far_from_zero_keep_their_waves(tmp_path: Path) -> None:
    scan = a_scan()
    far = scan.assign(height=(("x", "y"), scan.height.values.astype(np.float64) + 50_000.0))
    far.height.attrs["units"] = "mm"
    far.attrs.pop("corners")
    far.to_netcdf(tmp_path / "far.nc", engine="h5netcdf")
    back = open_scan(tmp_path / "far.nc")
    datum_mm = back.attrs["height_datum_mm"]
    assert datum_mm == pytest.approx(50_001, abs=1)
    expected = scan.height.values.astype(np.float64) + 50_000.0 - datum_mm
    np.testing.assert_allclose(back.height.values, expected, rtol=0, atol=1e-7)
    (far + 1e6).assign_attrs(far.attrs).to_netcdf(tmp_path / "too.nc", engine="h5netcdf")
    assert "within 100000 mm" in refusal_words(tmp_path / "too.nc", None, ImplausibleScan)


def test_a_written_scan_far_from_zero_comes_back_with_its_datum(tmp_path: Path) -> None:
    scan = a_scan()
    far = scan.assign(height=(("x", "y"), scan.height.values.astype(np.float64) + 9000.0))
    far.height.attrs["units"] = "mm"
    write_scan(far, tmp_path / "far.nc")
    back = open_scan(tmp_path / "far.nc")
    whole = back.height.values.astype(np.float64) + back.attrs["height_datum_mm"]
    np.testing.assert_allclose(whole, far.height.values, rtol=0, atol=1e-6)


def test_attributes_that_are_not_utf8_are_read_with_marks_in_their_place(tmp_path: Path) -> None:
    path = tmp_path / "lite.nc"
    write_scan(a_scan(), path)
    text = h5py.h5t.C_S1.copy()
    text.set_size(6)
    text.set_cset(h5py.h5t.CSET_UTF8)
    with h5py.File(path, "r+") as file:
        for holder in (file, file["height"]):
            scalar = h5py.h5s.create(h5py.h5s.SCALAR)
            attribute = h5py.h5a.create(holder.id, b"support", text, scalar)
            attribute.write(np.array(b"Gr\xf6\xdfe", dtype="S6"), mtype=text)
        file.attrs["coated_face"] = np.bytes_(b"gr\xf6ber")
    back = open_scan(path)
    assert back.attrs["support"] == "Gr\ufffd\ufffde"
    assert back.attrs["coated_face"].encode("utf-8").startswith(b"gr")
    write_scan(back, tmp_path / "again.nc")
    assert open_scan(tmp_path / "again.nc").attrs["support"] == "Gr\ufffd\ufffde"
