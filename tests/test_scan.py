"""The contract: what a scan must be, and how one that is not is refused."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
import xarray as xr

from midchord_io.errors import (
    EmptyScan,
    ImplausibleScan,
    MidchordError,
    MissingMetadata,
    UnevenGrid,
)
from midchord_io.scan import check_scan, even_pitch_mm, like, make_scan

X = 1.5 * np.arange(400)
Y = 4.0 * np.arange(30)
WAVE_MM = 0.01 * np.sin(2 * np.pi * X / 250.0)[:, None] + 0.0002 * Y[None, :]
"""A wave of 0.02 mm peak to valley on gently sloping glass: about the least that is judged."""


def scan_of(height: Any = WAVE_MM, x: Any = X, y: Any = Y, **given: Any) -> xr.Dataset:
    attrs = {
        "lite_id": "L 7",
        "instrument": "bench",
        "scanned_at": "2026-03-01T08:30:00Z",
        "frame": "machine",
    }
    return make_scan(height, x_mm=x, y_mm=y, **(attrs | given))


def test_a_scan_states_all_that_the_contract_asks_for() -> None:
    scan = scan_of(known={"thickness_mm": 8.0})
    assert scan.height.dims == ("x", "y")
    assert scan.height.dtype == np.float32
    assert (scan.height.attrs["units"], scan.x.attrs["units"]) == ("mm", "mm")
    assert scan.attrs["face"] == "upper"
    assert scan.attrs["thickness_mm"] == 8.0
    assert scan.attrs["Conventions"] == "CF-1.11"
    assert (scan.x.attrs["axis"], scan.y.attrs["axis"]) == ("X", "Y")


def test_times_are_kept_in_utc() -> None:
    zone = dt.timezone(dt.timedelta(hours=2))
    scan = scan_of(scanned_at=dt.datetime(2026, 3, 1, 10, 30, tzinfo=zone))
    assert scan.attrs["scanned_at"] == "2026-03-01T08:30:00Z"


def test_a_transposed_scan_is_turned() -> None:
    turned = check_scan(scan_of().transpose("y", "x"))
    assert turned.height.dims == ("x", "y")
    np.testing.assert_array_equal(turned.height.values, WAVE_MM.astype(np.float32))


@pytest.mark.parametrize(
    ("height", "kind", "words"),
    [
        (np.full_like(WAVE_MM, np.nan), EmptyScan, "no measured height (all are missing)"),
        (np.full_like(WAVE_MM, 2.5), EmptyScan, "the same height, 2.5 mm, everywhere"),
        (WAVE_MM * 1e6, ImplausibleScan, "heights that range over"),
        (WAVE_MM * 1e3, ImplausibleScan, "check the height units: um read as mm look like this"),
    ],
)
def test_heights_that_are_no_lite(height: Any, kind: type[MidchordError], words: str) -> None:
    with pytest.raises(kind) as refusal:
        scan_of(height)
    assert words in str(refusal.value)


def test_what_real_glass_does_is_plausible() -> None:
    # 20 mm of bow over 600 mm, a tilt of 100 mm over the field, 0.2 mm noise, belt beside the glass
    noise = np.random.default_rng(1).normal(0, 0.2, WAVE_MM.shape)
    height = WAVE_MM + noise + 20 * np.sin(np.pi * X / X[-1])[:, None] + (X / 6)[:, None]
    height[:, :2] -= 80.0
    assert float(scan_of(height).height.min()) < -70.0


@pytest.mark.parametrize(
    ("x", "words"),
    [
        (X[::-1], "descending positions along x"),
        (np.where(np.arange(400) == 9, X[8], X), "the position 12 twice along x"),
        (np.where(np.arange(400) == 9, X[3], X), "positions out of order along x"),
        (X + 0.01 * np.arange(400) ** 1.5, "steps between"),
        (np.where(np.arange(400) == 9, np.nan, X), "positions that are not numbers along x"),
    ],
)
def test_positions_that_make_no_grid(x: Any, words: str) -> None:
    with pytest.raises(UnevenGrid) as refusal:
        scan_of(x=x)
    assert words in str(refusal.value)


def test_one_line_is_no_surface() -> None:
    with pytest.raises(UnevenGrid, match="1 position along y; at least two lines and two columns"):
        scan_of(WAVE_MM[:, :1], y=Y[:1])


def test_evenness_is_judged_to_a_thousandth_of_a_step() -> None:
    almost = X.astype(np.float64)
    almost[7] += 0.9e-3 * 1.5
    assert even_pitch_mm(almost, axis="x", where="a") == pytest.approx(1.5)
    almost[7] += 0.2e-3 * 1.5
    with pytest.raises(UnevenGrid, match=r"ascending positions in even steps \(to 0.1 %\)"):
        even_pitch_mm(almost, axis="x", where="a")


@pytest.mark.parametrize("attr", ["lite_id", "instrument", "scanned_at", "frame"])
def test_a_missing_attribute_is_named(attr: str) -> None:
    scan = scan_of()
    del scan.attrs[attr]
    with pytest.raises(MissingMetadata, match=f"no attribute '{attr}'"):
        check_scan(scan)


def test_an_attribute_that_is_no_text_is_named() -> None:
    with pytest.raises(MissingMetadata, match="'lite_id' that is no text"):
        check_scan(scan_of().assign_attrs(lite_id=np.array([1, 2])))


def test_frames_faces_and_units_that_do_not_exist() -> None:
    with pytest.raises(MissingMetadata, match="frame 'moon'; frame is one of machine, lite"):
        scan_of(frame="moon")
    with pytest.raises(MissingMetadata, match="face 'top'; face is one of upper, lower"):
        scan_of(face="top")
    scan = scan_of()
    scan.height.attrs["units"] = "um"
    with pytest.raises(MissingMetadata, match="height units 'um'"):
        check_scan(scan)
    scan = scan_of()
    scan.x.attrs["units"] = "m"
    with pytest.raises(MissingMetadata, match="coordinate 'x' in 'm'"):
        check_scan(scan)
    with pytest.raises(MissingMetadata, match="no variable 'height'"):
        check_scan(scan.rename(height="z"))
    with pytest.raises(MissingMetadata, match="no coordinate 'y'"):
        check_scan(scan_of().drop_vars("y"))


def test_the_place_of_the_fault_is_named_first() -> None:
    with pytest.raises(UnevenGrid) as refusal:
        scan_of(x=X[::-1], where="folder/file.nc")
    assert str(refusal.value).startswith("folder/file.nc: descending positions")


def test_a_field_like_another_has_attributes_of_its_own() -> None:
    template = scan_of().height
    field = like(template, np.ones((400, 30)), name="power", units="mdpt", long_name="power")
    assert field.attrs == {"units": "mdpt", "long_name": "power"}
    assert template.attrs["units"] == "mm"
    np.testing.assert_array_equal(field.x.values, X)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_heights_far_from_zero_are_counted_from_a_datum(dtype: type) -> None:
    # near 50 m a float32 has steps of 0.004 mm (24 bits of mantissa, IEEE 754)
    scan = scan_of((WAVE_MM + 50_000.0).astype(dtype))
    assert scan.height.dtype == np.float32
    assert scan.attrs["height_datum_mm"] == 50_000.0
    step = 1e-9 if dtype is np.float64 else 0.002
    np.testing.assert_allclose(scan.height.values, WAVE_MM, rtol=0, atol=step + 1e-8)
    assert "height_datum_mm" not in scan_of().attrs
    assert "height_datum_mm" not in scan_of(WAVE_MM + 900.0).attrs


def test_a_second_datum_is_added_to_the_first() -> None:
    scan = scan_of()
    far = scan.assign(height=scan.height.astype(np.float64) + 2000.0)
    far.height.attrs["units"] = "mm"
    checked = check_scan(far.assign_attrs(height_datum_mm=50_000.0))
    assert checked.attrs["height_datum_mm"] == 52_000.0
    assert checked.height.dtype == np.float32
    np.testing.assert_allclose(checked.height.values, scan.height.values, rtol=0, atol=1e-8)


def test_heights_beyond_100_m_are_refused() -> None:
    with pytest.raises(ImplausibleScan) as refusal:
        scan_of(WAVE_MM + 1e6)
    assert "a height of 1e+06 mm; heights of a lite, within 100000 mm" in str(refusal.value)


@pytest.mark.parametrize("pitch", [1e-300, 1e-4, 2000.0])
def test_a_pitch_that_no_scanner_has_is_refused(pitch: float) -> None:
    with pytest.raises(UnevenGrid) as refusal:
        scan_of(x=np.arange(400) * pitch)
    assert f"a pitch of {pitch:g} mm along x; between 0.001 and 1000 mm" in str(refusal.value)


def test_positions_too_large_for_a_number_are_refused() -> None:
    with pytest.raises(UnevenGrid, match="positions that are not numbers along x"):
        even_pitch_mm(np.array([-1.7e308, 1.7e308]), axis="x", where="scan")
