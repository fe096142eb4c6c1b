"""From a file and its description to an even scan: times, speeds, encoders, heads, three rows."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pytest
from scipy.io import netcdf_file

from midchord.configs import shipped
from midchord.simulating import acquisition_faults as faults
from midchord_io.acquisition import Finding, findings_of
from midchord_io.adapters import open_scan
from midchord_io.errors import (
    MissingMetadata,
    ScanError,
    SettingsError,
    SourceConflict,
    UnevenGrid,
    UnsupportedScan,
)
from midchord_io.source import SourceDescription, load_source
from midchord_io.source_lines import Head, Joining, Lines, ThreeRows

Array = npt.NDArray[np.float64]
Y_MM = 2.0 * np.arange(40)


def surface(x: Array, y: Array) -> Array:
    return np.asarray(0.03 * np.cos(2 * np.pi * (x - 0.1 * y) / 250) + 0.001 * y)


def rng() -> np.random.Generator:
    return np.random.default_rng(4)


def lines_of(count: int = 700) -> faults.Lines:
    return faults.varying_speed(
        count, line_rate_hz=200.0, speed_mm_per_s=200.0, share=0.3, cycles=2.0
    )


def heights(lines: faults.Lines, noise_mm: float = 0.001) -> npt.NDArray[np.float32]:
    return faults.taken(surface, lines, Y_MM, noise_mm=noise_mm, rng=rng())


def write_hdf5(path: Path, arrays: dict[str, Any], units: dict[str, str] | None = None) -> Path:
    with h5py.File(path, "w") as file:
        for name, values in arrays.items():
            file[name] = values
            if units and name in units:
                file[name].attrs["units"] = units[name]
    return path


def write_netcdf3(path: Path, arrays: dict[str, Any], units: dict[str, str] | None = None) -> Path:
    with netcdf_file(path, "w") as file:
        for name, values in arrays.items():
            dims = tuple(f"{name}_{n}" for n in range(np.ndim(values)))
            for dim, size in zip(dims, np.shape(values), strict=True):
                file.createDimension(dim, size)
            kind = "f4" if np.asarray(values).dtype == np.float32 else "f8"
            file.createVariable(name, kind, dims)[:] = values
            if units and name in units:
                file.variables[name].units = units[name]
    return path


def write_npz(path: Path, arrays: dict[str, Any], units: dict[str, str] | None = None) -> Path:
    np.savez(path, **arrays)
    return path


def write_zarr(path: Path, arrays: dict[str, Any], units: dict[str, str] | None = None) -> Path:
    import zarr

    group = zarr.open_group(path.with_suffix(".zarr"), mode="w", zarr_format=2)
    for name, values in arrays.items():
        group.create_array(name, data=np.ascontiguousarray(values))
    return path.with_suffix(".zarr")


def described(lite: dict[str, Any] | None = None, **source: Any) -> SourceDescription:
    given: dict[str, Any] = {
        "dataset": "z",
        "axes": ("x", "y"),
        "height_units": "mm",
        "position_units": "mm",
        "pitch": {"y": 2.0},
    }
    given |= source
    kept = {key: value for key, value in given.items() if value is not None}
    return SourceDescription.model_validate({"source": kept, "lite": lite or {}})


def found(scan: Any, what: str) -> list[Finding]:
    return [finding for finding in findings_of(scan) if finding.what == what]


def error_mm(scan: Any) -> Array:
    truth = surface(scan.x.values[:, None], scan.y.values[None, :])
    return np.asarray(scan.height.values - truth)


# --- lines -------------------------------------------------------------------------------------


@pytest.mark.parametrize("write", [write_hdf5, write_netcdf3, write_npz, write_zarr])
def test_times_and_speed_from_any_format_of_named_arrays(write: Any, tmp_path: Path) -> None:
    lines = lines_of()
    arrays = {"z": heights(lines), "t": 1000 * lines.times_s, "v": lines.speed_mm_per_s * 0.06}
    path = write(tmp_path / "scan.npz", arrays)
    stated = {"times": "t", "time_units": "ms", "speed": "v", "speed_units": "m/min"}
    scan = open_scan(path, described(lines=stated))
    assert np.std(error_mm(scan)) < 0.0015
    assert found(scan, "uneven lines")[0].count == 700
    assert scan.x.values[-1] == pytest.approx(lines.true_mm[-1], abs=2.0)


def test_units_that_the_file_states(tmp_path: Path) -> None:
    lines = lines_of()
    stamps = 1_767_225_600_000_000_000 + np.round(lines.times_s * 1e9).astype(np.int64)
    arrays = {"z": heights(lines), "t": stamps, "v": lines.speed_mm_per_s / 1000}
    units = {"t": "nanoseconds since 1970-01-01", "v": "m s-1"}
    path = write_hdf5(tmp_path / "a.h5", arrays, units)
    scan = open_scan(path, described(lines={"times": "t", "speed": "v"}))
    assert np.std(error_mm(scan)) < 0.0015
    wrong = described(lines={"times": "t", "time_units": "s", "speed": "v"})
    with pytest.raises(SourceConflict, match=r"lines\.time_units .s. in the source"):
        open_scan(path, wrong)


def test_lines_stored_last_first(tmp_path: Path) -> None:
    lines = lines_of()
    arrays = {"z": heights(lines)[::-1], "t": lines.times_s[::-1], "v": lines.speed_mm_per_s[::-1]}
    path = write_hdf5(tmp_path / "a.h5", arrays, {"t": "s", "v": "mm/s"})
    scan = open_scan(path, described(axes=("-x", "y"), lines={"times": "t", "speed": "v"}))
    assert np.std(error_mm(scan)) < 0.0015
    with pytest.raises(UnevenGrid, match="that are no numbers or go back 699 times"):
        open_scan(path, described(lines={"times": "t", "speed": "v"}))


def test_a_constant_speed_and_line_rate_need_no_dataset(tmp_path: Path) -> None:
    lines = faults.even_lines(300, pitch_mm=0.5, speed_mm_per_s=100.0)
    np.save(tmp_path / "a.npy", heights(lines))
    stated = {"line_rate_hz": 200.0, "speed_mm_per_s": 100.0}
    scan = open_scan(tmp_path / "a.npy", described(dataset=None, lines=stated))
    np.testing.assert_allclose(scan.x.values, lines.true_mm, atol=1e-9)
    np.testing.assert_array_equal(scan.height.values, heights(lines))


@pytest.mark.parametrize("axes", [("x", "y"), ("y", "x"), ("x", "-y"), ("-x", "y")])
def test_an_uneven_encoder_in_every_orientation(axes: tuple[str, str], tmp_path: Path) -> None:
    lines = faults.uneven_ticks(
        faults.even_lines(600, pitch_mm=1.0, speed_mm_per_s=200.0), 0.3, rng()
    )
    stored, places = heights(lines), lines.counted_mm
    if "-x" in axes:
        stored, places = stored[::-1], places[::-1]
    if "-y" in axes:
        stored = stored[:, ::-1]
    path = write_hdf5(
        tmp_path / "a.h5", {"z": stored if axes[1][-1] == "y" else stored.T, "p": places}
    )
    scan = open_scan(path, described(axes=axes, positions={"x": "p"}))
    assert np.std(error_mm(scan)) < 0.0015
    assert "cannot be seen in this file" in found(scan, "encoder slip")[0].sentence


def test_times_beside_an_encoder_show_its_slip(tmp_path: Path) -> None:
    lines = faults.slipping(
        faults.even_lines(900, pitch_mm=1.0, speed_mm_per_s=200.0), [400], lost_mm=5.0, over=8
    )
    arrays = {"z": heights(lines), "p": lines.counted_mm, "t": lines.times_s}
    path = write_hdf5(tmp_path / "a.h5", arrays, {"t": "s"})
    scan = open_scan(path, described(positions={"x": "p"}, lines={"times": "t"}))
    assert found(scan, "encoder slip")[0].figures["total_slip_mm"] == pytest.approx(-5.0, abs=0.05)
    assert np.std(error_mm(scan)) < 0.0015


def test_a_lite_of_known_length_shows_slip_without_times(tmp_path: Path) -> None:
    lines = faults.slipping(
        faults.even_lines(1000, pitch_mm=1.0, speed_mm_per_s=200.0), [400], lost_mm=12.0, over=8
    )
    z = heights(lines)
    z[(lines.true_mm < 100) | (lines.true_mm >= 900)] = np.nan
    path = write_hdf5(tmp_path / "a.h5", {"z": z, "p": lines.counted_mm})
    scan = open_scan(path, described({"length_mm": 800.0}, positions={"x": "p"}))
    length = found(scan, "length")[0]
    assert length.is_doubt
    assert length.figures["measured_mm"] == pytest.approx(788.0, abs=1.5)
    assert "800.0 mm long as stated and 78" in length.sentence
    whole = write_hdf5(tmp_path / "b.h5", {"z": heights(lines), "p": lines.counted_mm})
    scan = open_scan(whole, described({"length_mm": 800.0}, positions={"x": "p"}))
    assert found(scan, "length")[0].count == 0


def test_copies_among_lines_that_are_only_counted_are_a_doubt(tmp_path: Path) -> None:
    lines = faults.even_lines(200, pitch_mm=1.0, speed_mm_per_s=200.0)
    z = heights(faults.sent_twice(lines, 50, 1))
    path = write_hdf5(tmp_path / "a.h5", {"z": z})
    scan = open_scan(path, described(pitch={"x": 1.0, "y": 2.0}))
    twice = found(scan, "lines twice")[0]
    assert (twice.count, twice.is_doubt, twice.figures["largest_shift_mm"]) == (1, True, 1.0)
    assert scan.sizes["x"] == 201  # nothing is moved on a guess


def test_a_copy_at_a_position_of_its_own_is_interpolated_over(tmp_path: Path) -> None:
    lines = faults.even_lines(200, pitch_mm=1.0, speed_mm_per_s=200.0)
    z = heights(lines)
    z[120] = z[119]
    path = write_hdf5(tmp_path / "a.h5", {"z": z, "p": lines.counted_mm})
    scan = open_scan(path, described(positions={"x": "p"}))
    assert [finding.count for finding in found(scan, "lines twice")] == [1]
    np.testing.assert_array_equal(scan.x.values, lines.true_mm)
    assert np.abs(error_mm(scan)[120]).max() < 0.005
    np.testing.assert_array_equal(scan.height.values[121:], z[121:])


@pytest.mark.parametrize(
    ("lines", "units", "words", "kind"),
    [
        ({"times": "q", "speed": "v"}, {}, "no dataset 'q' in the file", MissingMetadata),
        ({"times": "t", "speed": "v"}, {}, "no time units of the lines", MissingMetadata),
        ({"times": "t", "speed": "v"}, {"t": "s"}, "no speed units of the lines", MissingMetadata),
        ({"times": "t", "speed": "v"}, {"t": "days"}, "lines.time_units in 'days'",
         MissingMetadata),
        ({"times": "z", "speed": "v"}, {}, "of shape (700, 40); one number for each of the 700",
         UnevenGrid),
        ({"times": "w", "speed": "v"}, {"w": "s"}, "that holds text", UnsupportedScan),
        ({"times": "t", "speed": "n"}, {"t": "s", "n": "mm/s"}, "with 1 values that are no numbers",
         UnevenGrid),
    ],
)
def test_what_is_wrong_with_times_and_speed(
    lines: dict[str, str], units: dict[str, str], words: str, kind: type[ScanError], tmp_path: Path
) -> None:
    made = lines_of()
    no_number = made.speed_mm_per_s.copy()
    no_number[3] = np.nan
    arrays = {
        "z": heights(made),
        "t": made.times_s,
        "v": made.speed_mm_per_s,
        "n": no_number,
        "w": np.array([b"a"] * 700),
    }
    path = write_hdf5(tmp_path / "a.h5", arrays, units)
    with pytest.raises(kind) as refusal:
        open_scan(path, described(lines=lines))
    assert words in str(refusal.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[source]\nlevel_lines = true", "scan lines are never levelled one by one"),
        ("[source.lines]\nlevelling = 'mean'", "takes out the roll wave itself"),
        ("[source.lines]\nspeed_mm_per_s = 100.0", "a speed needs times or line_rate_hz"),
        ("[source.lines]\ntimes = 't'\nline_rate_hz = 1.0", "both times and line_rate_hz"),
        (
            "[source]\npitch = { x = 1.0 }\n[source.lines]\ntimes = 't'\nspeed = 'v'",
            "both pitch.x and a speed of the lines are given, keep one",
        ),
        ("[source.lines]\nlongest_gap = 3.0", "did you mean 'longest_gap_mm'?"),
        ("[[source.heads]]\nname = 'a'\ndataset = 'a'\ny_mm = 0.0", "heads are two or more"),
        ("[source.joining]\nregister_x = true", "joining without heads"),
        (
            "[source.three_rows]\ndatasets = ['a', 'b', 'c']\nx_mm = [1.0, 2.0, 3.0]",
            "one row is where the lines are, at 0",
        ),
        (
            "[source.three_rows]\ndatasets = ['a', 'b', 'a']\nx_mm = [0.0, 2.0, 3.0]",
            "three rows are three datasets",
        ),
        (
            "[source]\ndataset = 'z'\n[source.three_rows]\ndatasets = ['a', 'b', 'c']\n"
            "x_mm = [0.0, 2.0, 3.0]",
            "three_rows name their own datasets",
        ),
    ],
)
def test_a_description_that_cannot_be_meant(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "source.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as refusal:
        load_source(path)
    assert words in str(refusal.value)


def test_a_format_with_one_array_has_no_use_for_heads(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", np.zeros((5, 4)))
    heads = [{"name": n, "dataset": n, "y_mm": 0.0} for n in "ab"]
    with pytest.raises(SourceConflict, match="with heads, which this format has no use for"):
        open_scan(tmp_path / "a.npy", described(dataset=None, heads=heads))


# --- the shipped descriptions, each on a file made for it ----------------------------------------


def example(name: str) -> Path:
    return shipped("configs", "sources") / f"{name}.toml"


def test_the_time_stamped_example(tmp_path: Path) -> None:
    lines = lines_of()
    counts = np.round(1000 * heights(lines)).astype(np.int16)
    counts[10, 3] = -32768
    arrays = {
        "scan/height": counts,
        "scan/time": 1000 * lines.times_s,
        "drive/speed": lines.speed_mm_per_s * 0.06,
    }
    scan = open_scan(write_hdf5(tmp_path / "lite.h5", arrays), example("time-stamped"))
    assert np.nanstd(error_mm(scan)) < 0.0015
    assert found(scan, "uneven lines")[0].figures["pitch_mm"] == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("write", [write_hdf5, write_npz, write_zarr])
def test_the_example_of_heads(write: Any, tmp_path: Path) -> None:
    x_mm = np.arange(0.0, 1600.0, 2.0)
    source = tomllib.loads(example("heads").read_text(encoding="utf-8"))["source"]
    arrays = {}
    random = rng()
    for head, offset in zip(source["heads"], (0.05, -0.02, 0.1), strict=True):
        y_mm = head["y_mm"] + 2.0 * np.arange(260)
        view = faults.head_view(
            surface,
            x_mm + head.get("x_mm", 0.0),
            y_mm,
            faults.HeadErrors(offset),
            noise_mm=0.003,
            rng=random,
        )
        arrays[head["dataset"]] = 700.0 + (view[:, ::-1] if head.get("reversed") else view)
    scan = open_scan(write(tmp_path / "lite.npz", arrays), example("heads"))
    assert (float(scan.x[0]), float(scan.y[0])) == (0.0, 0.0)
    assert scan.sizes["y"] == 740
    height = scan.height.values + scan.attrs.get("height_datum_mm", 0.0) - 700.0
    error = height - surface(scan.x.values[:, None], scan.y.values[None, :])
    error -= np.nanmean(error)
    assert np.nanstd(error) < 0.0035
    assert [finding.count for finding in found(scan, "heads")] == [3]
    assert len(found(scan, "seam")) == 2


def test_the_example_of_three_rows(tmp_path: Path) -> None:
    line_x = np.arange(-300.0, 2000.0, 2.0)
    y_mm = 10.0 * np.arange(60)
    source = tomllib.loads(example("three-rows").read_text(encoding="utf-8"))["source"]
    motion = faults.bouncing(
        line_x.size,
        heave_mm=0.2,
        pitch_mm_per_m=0.2,
        roll_mm_per_m=0.0,
        correlated_lines=5,
        rng=rng(),
    )

    def glass(x: Array, y: Array) -> Array:
        return np.where((x >= 0) & (x <= 1900), surface(x, y), np.nan)

    rows = source["three_rows"]
    arrays: dict[str, Any] = {"encoder/position": line_x}
    random = rng()
    for name, row_x in zip(rows["datasets"], rows["x_mm"], strict=True):
        arrays[name] = faults.row_view(
            glass, line_x, y_mm, motion, row_x_mm=row_x, noise_mm=0.005, rng=random
        )
    scan = open_scan(write_hdf5(tmp_path / "lite.h5", arrays), example("three-rows"))
    middle = (scan.x.values > 700) & (scan.x.values < 1200)
    x = scan.x.values[middle]
    error = np.nanmean(error_mm(scan)[middle], axis=1)
    assert np.std(error - np.polyval(np.polyfit(x, error, 2), x)) < 0.002
    assert {"conveyor bounce", "noise of the separation"} <= {f.what for f in findings_of(scan)}


def test_every_key_of_these_sections_is_in_the_table_of_keys() -> None:
    table = (Path(__file__).parents[1] / "docs" / "keys.md").read_text(encoding="utf-8")
    for kind in (Lines, Head, Joining, ThreeRows):
        for name in kind.model_fields:
            assert f"`{name}`" in table, f"{kind.__name__}.{name}"
