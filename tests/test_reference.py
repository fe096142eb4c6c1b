"""The flat reference: made from scans of a master flat, and of what it is made."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.reference import Reference, make_reference, orientation_of
from midchord.settings import Settings
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord.simulating.sensor_faults import ProfileError, Sag, profile_error_mm, sag_mm
from midchord_io.errors import MidchordError
from midchord_io.source import SourceDescription

NOISE_MM = 0.003
SENSOR = {"profile_error": {"across_mm": 0.03}}


def flat(seed: int, *, scanner: dict[str, Any] | None = None, **sections: Any) -> xr.Dataset:
    """A scan of a master flat as wide as the lite of ``surfaces``, in the same place."""
    recipe: dict[str, Any] = {
        "seed": seed,
        "lite": {"length_mm": 1500.0, "width_mm": 600.0, "id": f"flat {seed}"},
        "scanner": {"pitch_x_mm": 2.0, "pitch_y_mm": 10.0, "kind": "line", **(scanner or {})},
        "position": {"offset_x_mm": 47.0, "offset_y_mm": 31.0, "margin_mm": 25.0},
        "noise": {"white_sigma_mm": NOISE_MM},
        "dropouts": {"share": 0.01},
        "sensor": SENSOR,
        **sections,
    }
    return simulate(Recipe.of(recipe))[0]


def _line_truth(scan: xr.Dataset) -> np.ndarray:
    y = scan["y"].values
    ends = (0.0, 1.0), (float(y[0]), float(y[-1]))
    return profile_error_mm(ProfileError(across_mm=0.03), np.zeros(1), y, ends)


def _without_line(y: np.ndarray, values: np.ndarray) -> np.ndarray:
    known = np.isfinite(values)
    return values - np.polyval(np.polyfit(y[known], values[known], 1), y)


@pytest.fixture(scope="module")
def line() -> Reference:
    return make_reference([flat(seed) for seed in (1, 2, 3)])


def test_a_line_sensor_shows_its_profile(line: Reference) -> None:
    scan = flat(1)
    values = line.data["reference"]
    assert values.dims == ("y",)
    y, found = scan["y"].values, values.values.astype(float)
    known = np.isfinite(found)
    assert known.sum() == 60  # the columns over the flat, not those beside it
    truth = _line_truth(scan)
    truth[~known] = np.nan
    # the plane of the flat is no error of the sensor, and not known
    off = (_without_line(y, found) - _without_line(y, truth))[known]
    # three scans of 750 lines: 3 um / sqrt(2250) = 0.063 um
    assert np.std(off) < 2 * NOISE_MM / np.sqrt(2250)
    assert np.abs(off).max() < 4 * NOISE_MM / np.sqrt(2250)


def test_the_reference_says_what_it_is(line: Reference) -> None:
    attrs = line.data.attrs
    assert (attrs["kind"], attrs["instrument"], attrs["scans"]) == ("line", "simulated scanner", 3)
    assert (attrs["half_span_mm"], attrs["wavelength_mm"]) == (150.0, 300.0)
    # of one scan of 750 lines
    assert attrs["repeatability_mm"] == pytest.approx(NOISE_MM / np.sqrt(750), rel=0.3)
    assert list(attrs["made_from"]) == ["flat 1", "flat 2", "flat 3"]
    assert len(attrs["content_sha256"]) == 64


def test_the_noise_floor_is_that_of_white_noise_through_the_gauge(line: Reference) -> None:
    # pooled over 3 columns (12 mm either side of 10 mm pitch); the smoothing leaves of white noise
    # 2.26 s / sqrt(L / pitch) (docstring of midchord.lines), the three contacts sqrt(1.5) of it
    s = NOISE_MM / np.sqrt(3) * 2.26 / np.sqrt(300 / 2) * np.sqrt(1.5)
    expected = 4 * np.pi**2 * 2 * np.sqrt(2) * s / 300**2 * 1e6
    assert line.data.attrs["noise_floor_mdpt"] == pytest.approx(expected, rel=0.12)


def test_the_noise_floor_goes_with_the_settings_and_the_bounce() -> None:
    scans = [flat(seed) for seed in (1, 2)]
    fixed = Settings.of({"gauge": {"feet": "fixed", "half_span_mm": 110.0}})
    nearer = make_reference(scans, settings=fixed).data.attrs
    usual = make_reference(scans).data.attrs["noise_floor_mdpt"]
    # white noise: the deviation goes with L^-1/2, the distortion with L^-5/2
    assert nearer["wavelength_mm"] == 220.0
    assert nearer["noise_floor_mdpt"] / usual == pytest.approx((300 / 220) ** 2.5, rel=0.15)
    shaken = {**SENSOR, "bounce": {"amplitude_mm": 0.01, "period_mm": 240.0}}
    bouncing = make_reference([flat(seed, sensor=shaken) for seed in (1, 2)])
    assert bouncing.data.attrs["noise_floor_mdpt"] > 4 * usual


def test_bounce_does_not_reach_the_profile(line: Reference) -> None:
    shaken = {**SENSOR, "bounce": {"amplitude_mm": 0.05, "period_mm": 180.0}}
    bouncing = make_reference([flat(seed, sensor=shaken) for seed in (1, 2, 3)])
    off = bouncing.data["reference"].values - line.data["reference"].values
    y = bouncing.data["y"].values
    assert np.nanstd(_without_line(y, off.astype(float))) < 2 * NOISE_MM / np.sqrt(2250)


def test_an_area_sensor_shows_its_error_and_the_sag() -> None:
    sensor = {
        "profile_error": {"over_area_mm": 0.04},
        "sag": {"depth_mm": 0.05, "pitch_mm": 260.0, "first_x_mm": 60.0},
    }
    scans = [flat(seed, scanner={"kind": "area"}, sensor=sensor) for seed in (1, 2, 3, 4)]
    made = make_reference(scans)
    assert made.kind == "area"
    x, y = scans[0]["x"].values[:, None], scans[0]["y"].values[None, :]
    ends = (x[0, 0], x[-1, 0]), (y[0, 0], y[0, -1])
    truth = profile_error_mm(ProfileError(over_area_mm=0.04), x, y, ends)
    truth = truth + sag_mm(Sag(depth_mm=0.05, pitch_mm=260.0, first_x_mm=60.0), x)
    off = made.data["reference"].values - truth
    known = np.isfinite(off)
    rows, columns = np.nonzero(known)
    basis = np.stack([np.ones(rows.size), rows, columns], axis=1)
    plane = np.linalg.lstsq(basis, off[known], rcond=None)[0]
    left = off[known] - basis @ plane
    assert np.std(left) == pytest.approx(NOISE_MM / 2, rel=0.05)


def test_one_scan_has_no_repeatability_and_a_short_flat_no_floor() -> None:
    one = make_reference([flat(1)]).data.attrs
    assert one["repeatability_mm"] is None
    assert one["noise_floor_mdpt"] > 0
    lite = {"length_mm": 500.0, "width_mm": 600.0, "id": "short"}
    assert make_reference([flat(1, lite=lite)]).data.attrs["noise_floor_mdpt"] is None


def test_orientation_names_what_turns_the_axes() -> None:
    described = SourceDescription.model_validate(
        {"source": {"axes": ["x", "-y"], "height_sign": "down", "handed": "left"}}
    )
    assert orientation_of(described) == "axes x -y, handed left, height down"
    assert orientation_of(None) == orientation_of(SourceDescription()) == ""


@pytest.mark.parametrize(
    ("scans", "kind", "words"),
    [
        (
            lambda: [flat(1, scanner={"kind": None})],
            None,
            "flat 1: no attribute 'scanner' that says what kind of sensor it is; \"line\" for a "
            'fixed line over moving glass, "area" for one that sees it at once; say --kind line or '
            "--kind area.",
        ),
        (
            lambda: [flat(1)],
            "area",
            "flat 1: a scan of a scanner of kind line; one of kind area; leave --kind out, or "
            "correct 'scanner' in the source description.",
        ),
        (
            lambda: [flat(1), flat(2, scanner={"instrument": "another"})],
            None,
            "flat 2: instrument 'another', but 'simulated scanner' in flat 1; scans of one sensor; "
            "make a reference for each.",
        ),
        (
            lambda: [flat(1), flat(2, scanner={"pitch_y_mm": 12.0})],
            None,
            "flat 2: other positions along y than flat 1 has; scans of the flat on one raster; "
            "scan the flat again with the same pitch and field.",
        ),
        (
            lambda: [surfaces.lite(scanner={"frame": "lite", "kind": "line"})[0]],
            None,
            'small: a scan in the frame "lite", which has lost where the sensor saw what; scans of '
            'the flat in the frame "machine"; store the scan as the sensor has it.',
        ),
    ],
)
def test_scans_that_do_not_belong_together_are_refused(scans, kind, words) -> None:
    with pytest.raises(MidchordError) as refused:
        make_reference(scans(), kind=kind)
    assert str(refused.value) == words


def test_copies_of_a_scan_and_one_scan_of_an_area_sensor_claim_no_noise() -> None:
    one, other = flat(1, scanner={"kind": "area"}), flat(2, scanner={"kind": "area"})
    with pytest.raises(MidchordError, match="the very heights of flat 1; separate scans"):
        make_reference([one, other, one.assign_attrs(lite_id="copy")])
    assert make_reference([one]).data.attrs["noise_floor_mdpt"] is None
    assert make_reference([one, other]).data.attrs["noise_floor_mdpt"] > 0
