"""A flat reference taken off a scan: maps as of a sensor without error, or a refusal."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.cli import main
from midchord.configs import shipped
from midchord.reference import Reference, make_reference
from midchord.reference_use import read_reference, subtract_reference, write_reference
from midchord.run import map_file, process, summary
from midchord.settings import Settings
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord_io.acquisition import findings_of
from midchord_io.adapters.native import write_scan
from midchord_io.errors import CorruptScan, ScanError, UnknownFormat

LINE = {"profile_error": {"across_mm": 0.03}}
AREA = {
    "profile_error": {"over_area_mm": 0.03},
    "sag": {"depth_mm": 0.06, "pitch_mm": 260.0, "first_x_mm": 60.0},
}
POSITION = {"skew_deg": 0.0, "offset_x_mm": 47.0, "offset_y_mm": 31.0, "margin_mm": 25.0}


def lite(sensor: dict[str, Any], kind: str | None, **sections: Any) -> xr.Dataset:
    scanner = {"kind": kind, "scanned_at": "2026-01-11T00:00:00Z", **sections.pop("scanner", {})}
    return surfaces.lite(scanner=scanner, position=POSITION, sensor=sensor, **sections)[0]


def flats(sensor: dict[str, Any], kind: str, count: int = 4, **sections: Any) -> list[xr.Dataset]:
    """Scans of a master flat of the lite's own size and place."""
    values: dict[str, Any] = {
        "lite": {"length_mm": 2200.0, "width_mm": 600.0, "id": "flat"},
        "scanner": {"pitch_x_mm": 2.0, "pitch_y_mm": 10.0, "kind": kind},
        "position": POSITION,
        "noise": {"white_sigma_mm": 0.003},
        "sensor": sensor,
    }
    return [simulate(Recipe.of({**values, "seed": 50 + k, **sections}))[0] for k in range(count)]


@pytest.fixture(scope="module")
def line() -> Reference:
    return make_reference(flats(LINE, "line"))


@pytest.fixture(scope="module")
def area() -> Reference:
    return make_reference(flats(AREA, "area"))


@pytest.fixture(scope="module")
def true_maps() -> xr.Dataset:
    return process(lite({}, None))


def _off(maps: xr.Dataset, true: xr.Dataset, name: str) -> float:
    """RMS difference without a plane, which a reference neither has nor takes."""
    off = maps[name].values - true[name].values
    known = np.isfinite(off)
    i, j = np.nonzero(known)
    basis = np.stack([np.ones(i.size), i, j], axis=1)
    left = off[known] - basis @ np.linalg.lstsq(basis, off[known], rcond=None)[0]
    return float(np.sqrt(np.mean(left**2)))


def test_maps_of_a_line_sensor_are_as_without_its_error(
    line: Reference, true_maps: xr.Dataset
) -> None:
    scan = lite(LINE, "line")
    mended, plain = process(subtract_reference(scan, line)), process(scan)
    # 4 scans of 1100 lines leave 0.045 um of the noise of a column
    assert _off(mended, true_maps, "height") < 0.0001
    assert _off(plain, true_maps, "height") > 0.005
    true, found, spoilt = (summary(m)["bow_mm"] for m in (true_maps, mended, plain))
    assert max(abs(found[key] - true[key]) for key in true) < 0.0002
    assert max(abs(spoilt[key] - true[key]) for key in true) > 0.05
    true, found, spoilt = (
        {edge: detail["mean_at_inset"] for edge, detail in summary(m)["edge_lift_detail"].items()}
        for m in (true_maps, mended, plain)
    )
    assert max(abs(found[key] - true[key]) for key in true) < 0.001
    assert max(abs(spoilt[key] - true[key]) for key in true) > 0.015
    # an error of y alone is no wave along x
    assert summary(mended)["depth_mm"]["max"] == pytest.approx(
        summary(true_maps)["depth_mm"]["max"], abs=2e-5
    )


def test_maps_of_an_area_sensor_are_as_without_its_error_and_the_sag(
    area: Reference, true_maps: xr.Dataset
) -> None:
    scan = lite(AREA, "area")
    mended, plain = process(subtract_reference(scan, area)), process(scan)
    # 4 scans leave half of the noise of a point
    assert _off(mended, true_maps, "height") < 0.0016
    assert _off(plain, true_maps, "height") > 0.02
    true, found, spoilt = (summary(m) for m in (true_maps, mended, plain))
    u = np.hypot(true["depth_mm"]["u_max"], found["depth_mm"]["u_max"])
    assert abs(found["depth_mm"]["max"] - true["depth_mm"]["max"]) < 3 * u
    assert abs(spoilt["depth_mm"]["max"] - true["depth_mm"]["max"]) > 10 * u
    assert found["mean_wavelength_mm"] == pytest.approx(true["mean_wavelength_mm"], rel=1e-3)


def test_it_stands_in_the_summary(line: Reference, tmp_path: Path) -> None:
    write_reference(line, tmp_path / "flat.nc")
    stored = read_reference(tmp_path / "flat.nc")
    np.testing.assert_array_equal(stored.data["reference"], line.data["reference"])
    write_scan(lite(LINE, "line"), tmp_path / "lite.nc")
    found = summary(map_file(tmp_path / "lite.nc", reference=stored))
    schema = json.loads(Path(shipped_schema()).read_text(encoding="utf-8"))
    jsonschema.validate(found, schema)
    facts = found["reference"]
    assert (facts["file"], facts["sha256"]) == ("flat.nc", stored.sha256)
    assert (facts["kind"], facts["scans"], facts["age_days"]) == ("line", 4, 10.0)
    assert facts["scanned_to"] == "2026-01-01T00:00:00Z"
    assert facts["noise_floor_mdpt"] == line.data.attrs["noise_floor_mdpt"]
    (finding,) = [f for f in found["acquisition"] if f["what"] == "flat reference"]
    assert finding["sentence"].startswith("A flat reference (line, 4 scans, up to ")
    assert not finding["is_doubt"]
    assert summary(process(lite(LINE, "line")))["reference"] is None


def shipped_schema() -> Path:
    import midchord

    return Path(midchord.__file__).parent / "summary.schema.json"


def test_an_old_reference_is_used_and_doubted(line: Reference) -> None:
    settings = Settings.of({"reference": {"max_age_days": 7.0}})
    scan = subtract_reference(lite(LINE, "line"), line, settings=settings)
    (finding,) = [f for f in findings_of(scan) if f.what == "flat reference"]
    assert finding.is_doubt
    assert "it is 10 days old, more than 7: make a new one" in finding.sentence
    early = lite(LINE, "line", scanner={"scanned_at": "2025-11-22T00:00:00Z"})
    (finding,) = findings_of(subtract_reference(early, line))
    assert finding.is_doubt
    assert "it was made 40 days after the scan" in finding.sentence


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"scanner": {"instrument": "another"}},
            "small: instrument 'another', but 'simulated scanner' in the flat reference; a "
            "reference of the same sensor; name the reference of this sensor, or make one.",
        ),
        (
            {"scanner": {"face": "lower"}},
            "small: face 'lower', but 'upper' in the flat reference; a reference of the same face; "
            "name the reference of this sensor, or make one.",
        ),
        (
            {"scanner": {"pitch_y_mm": 12.0}},
            "small: a pitch of 12 mm along y, but 10 mm in the flat reference; a reference of the "
            "same pitch; make the reference again with this pitch.",
        ),
        (
            {"scanner": {"kind": "area"}},
            "small: a scanner of kind 'area', but the flat reference is of kind 'line'; a "
            "reference of the same kind; make the reference again with the right --kind.",
        ),
        (
            {"lite": {"width_mm": 900.0}},
            "small: 33 % of the glass outside of what the flat reference covers; a reference as "
            "large as the lite; make the reference with a flat that fills the field of the sensor.",
        ),
    ],
)
def test_a_wrong_reference_is_refused(line: Reference, changes, words) -> None:
    kind = changes.get("scanner", {}).pop("kind", "line")
    with pytest.raises(ScanError) as refused:
        subtract_reference(lite({}, kind, **changes), line)
    assert str(refused.value) == words


def test_another_orientation_frame_or_raster_is_refused(line: Reference) -> None:
    scan = lite(LINE, "line")
    with pytest.raises(ScanError, match=r"orientation 'axes x -y', but '' in the flat reference"):
        subtract_reference(scan, line, orientation="axes x -y")
    on_lite = surfaces.lite(scanner={"frame": "lite", "kind": "line"})[0]
    with pytest.raises(ScanError, match="frame 'lite', but 'machine' in the flat reference"):
        subtract_reference(on_lite, line)
    between = scan.assign_coords(y=("y", scan["y"].values + 4.0, scan["y"].attrs))
    with pytest.raises(ScanError, match="positions along y between those of the flat reference"):
        subtract_reference(between, line)


def test_a_little_glass_beside_the_flat_is_lost_and_counted(line: Reference) -> None:
    narrow = Reference(line.data.copy(deep=True))
    covered = np.flatnonzero(np.isfinite(narrow.data["reference"].values))
    narrow.data["reference"][covered[0]] = np.nan
    scan = lite(LINE, "line")
    less = subtract_reference(scan, narrow)
    lost = np.isnan(less["height"].values) & np.isfinite(scan["height"].values)
    assert np.unique(np.nonzero(lost)[1]).tolist() == [covered[0]]
    (finding,) = findings_of(less)
    assert finding.figures["points_lost"] == lost.sum()


def test_files_that_are_no_reference_are_refused(line: Reference, tmp_path: Path) -> None:
    for name, content in (("text.nc", b"no"), ("empty.nc", b"")):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(UnknownFormat, match=f"{name}: no flat reference; a file as"):
            read_reference(tmp_path / name)
    write_scan(lite({}, None), tmp_path / "scan.nc")
    with pytest.raises(UnknownFormat, match="no flat reference"):
        read_reference(tmp_path / "scan.nc")
    with pytest.raises(ScanError, match=r"it cannot be read \(.*\); a flat reference; check"):
        read_reference(tmp_path / "missing.nc")
    write_reference(line, tmp_path / "flat.nc")
    cut = (tmp_path / "flat.nc").read_bytes()
    (tmp_path / "cut.nc").write_bytes(cut[: len(cut) // 2])
    with pytest.raises(CorruptScan, match="damaged or cut short"):
        read_reference(tmp_path / "cut.nc")
    bare = Reference(line.data.drop_attrs().assign_attrs(kind="line"))
    write_reference(bare, tmp_path / "bare.nc")
    with pytest.raises(CorruptScan, match=r"bare\.nc: a flat reference without instrument; one as"):
        read_reference(tmp_path / "bare.nc")
    changed = Reference(line.data.copy(deep=True))
    changed.data["reference"][30] += 0.001
    write_reference(changed, tmp_path / "changed.nc")
    with pytest.raises(CorruptScan, match="heights that are not those it was made with"):
        read_reference(tmp_path / "changed.nc")


def test_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, scan in enumerate(flats(LINE, "line", count=2)):
        write_scan(scan, tmp_path / f"flat-{number}.nc")
    write_scan(lite(LINE, "line"), tmp_path / "lite.nc")
    made = tmp_path / "reference.nc"
    call = ["reference", *(str(tmp_path / f"flat-{k}.nc") for k in (0, 1)), "--out", str(made)]
    assert main(call) == 0
    said = capsys.readouterr().out
    assert "Flat reference of simulated scanner, line, from 2 scans:" in said
    assert " mdpt at a half-span of 150 mm, a wave of 300 mm" in said
    assert main(call) == 2
    assert "already there" in capsys.readouterr().err
    assert main([*call, "--overwrite", "--kind", "round"]) == 2
    out = tmp_path / "out"
    mapped = ["map", str(tmp_path / "lite.nc"), "--reference", str(made), "--out", str(out)]
    assert main(mapped) == 0
    found = json.loads((out / "lite.summary.json").read_text(encoding="utf-8"))
    assert found["reference"]["file"] == "reference.nc"
    shutil.rmtree(out)
    other = shipped("sample-scans", "demo-heron.nc")
    assert main(["map", str(other), "--reference", str(made), "--out", str(out)]) == 3
    assert "a reference of the same sensor" in capsys.readouterr().err


def test_a_scan_is_never_its_own_reference() -> None:
    scan = lite(LINE, "line").assign_attrs(source_file="w.nc", source_sha256="ab" * 32)
    made = make_reference([scan])
    with pytest.raises(ScanError, match=r"w\.nc: a scan that the flat reference was made from"):
        subtract_reference(scan, made)


def test_another_pitch_along_x_is_refused_for_a_line_sensor_too(line: Reference) -> None:
    with pytest.raises(ScanError, match="pitch of 4 mm along x, but 2 mm in the flat reference"):
        subtract_reference(lite(LINE, "line", scanner={"pitch_x_mm": 4.0}), line)
