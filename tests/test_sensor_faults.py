"""Faults of a simulated sensor: each is what it says, and a recipe puts it into the scan."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.run import process, summary
from midchord.simulating.sensor_faults import (
    Bounce,
    Drift,
    LostLines,
    ProfileError,
    Sag,
    Saturation,
    SensorFaults,
    Spot,
    Tilt,
    bounce_mm,
    clipped,
    drift_mm,
    dust_mm,
    error_mm,
    in_spots,
    lost_lines,
    profile_error_mm,
    sag_mm,
    tilt_mm,
)
from midchord_io.acquisition import findings_of
from midchord_io.errors import ImplausibleScan, SettingsError

X, Y = np.arange(0.0, 2000.0, 2.0)[:, None], np.arange(0.0, 700.0, 5.0)[None, :]
ENDS = (0.0, 1998.0), (0.0, 695.0)


def test_each_error_has_its_size_and_shape():
    assert tilt_mm(Tilt(along_mm_per_m=2.0, across_mm_per_m=-3.0), X, Y)[500, 20] == pytest.approx(
        2.0 - 0.3
    )
    drift = drift_mm(Drift(size_mm=0.4), X, ENDS[0])
    assert (drift[0, 0], drift[-1, 0]) == (0.0, 0.4)
    curved = drift_mm(Drift(size_mm=0.4, curved=0.25), np.array([999.0]), ENDS[0])
    assert curved[0] == pytest.approx(0.2 + 0.1)
    sag = sag_mm(Sag(depth_mm=0.05, pitch_mm=400.0, first_x_mm=100.0), X)
    assert sag[50, 0] == pytest.approx(0.0)
    assert sag[150, 0] == pytest.approx(-0.05)
    assert np.ptp(bounce_mm(Bounce(amplitude_mm=0.01), X)) == pytest.approx(0.02, rel=0.35)
    for error in (ProfileError(across_mm=0.03), ProfileError(over_area_mm=0.03)):
        shape = profile_error_mm(error, X, Y, ENDS)
        assert 0.02 < np.abs(shape).max() <= 0.031
    both = SensorFaults(drift=Drift(size_mm=0.4), sag=Sag(depth_mm=0.05))
    assert np.allclose(error_mm(both, X, Y, ENDS)[:, :1], drift + sag_mm(Sag(depth_mm=0.05), X))
    assert np.all(error_mm(SensorFaults(), X, Y, ENDS) == 0)


def test_grains_patches_ends_and_lost_lines():
    grains = [Spot(500.0, 300.0, 3.0), Spot(-500.0, 300.0, 3.0)]
    dust = dust_mm(X, Y, grains, 0.04)
    assert dust[250, 60] == pytest.approx(0.04)
    assert dust[252, 60] == pytest.approx(0.04 * np.exp(-16 / 18))
    assert np.count_nonzero(dust) < 150
    area_mm2 = np.count_nonzero(in_spots(X, Y, [Spot(800.0, 350.0, 120.0)])) * 10
    assert area_mm2 == pytest.approx(np.pi * 60**2, rel=0.02)
    z = np.array([-2.0, np.nan, 0.5, 3.0])
    assert np.array_equal(
        clipped(z, Saturation(lowest_mm=-1.0, highest_mm=2.0)), [-1.0, np.nan, 0.5, 2.0], True
    )
    gone = lost_lines(LostLines(x_mm=((100.0, 104.0),), y_mm=((300.0, 300.0),)), X, Y)
    assert np.count_nonzero(gone) == 3 * Y.size + X.size - 3


def test_a_recipe_says_what_the_sensor_did():
    clean, _ = surfaces.lite()
    sensor = {
        "second_surface": {"patches": 5, "patch_mm": 30.0, "jump_mm": 4.0},
        "saturation": {"highest_mm": 2.3},
        "lost_lines": {"x_mm": [[900.0, 905.0]]},
    }
    scan, truth = surfaces.lite(sensor=sensor)
    before, after = clean["height"].values, scan["height"].values
    both = np.isfinite(before) & np.isfinite(after)
    jumped = both & (np.abs(before - after - 4.0) < 1e-5)
    assert truth.attrs["second_surface_count"] == np.count_nonzero(jumped) > 100
    is_top = both & (after == np.float32(2.3))
    assert truth.attrs["saturated_count"] == np.count_nonzero(is_top) > 100
    same = both & ~jumped & ~is_top
    assert np.array_equal(before[same], after[same])
    assert np.isnan(after[(scan["x"].values >= 900) & (scan["x"].values <= 905)]).all()
    with pytest.raises(SettingsError, match="lowest_mm must be below highest_mm"):
        surfaces.recipe(sensor={"saturation": {"lowest_mm": 1.0, "highest_mm": 0.0}})
    with pytest.raises(SettingsError, match="patchs"):
        surfaces.recipe(sensor={"second_surface": {"patchs": 2}})


@pytest.fixture(scope="module")
def plain():
    return summary(process(surfaces.lite()[0]))


def test_tilt_changes_no_figure(plain):
    """A plane: neither bow nor edge lift nor any wave."""
    tilt = {"tilt": {"along_mm_per_m": 6.0, "across_mm_per_m": -9.0}}
    maps = process(surfaces.lite(sensor=tilt)[0])
    found = summary(maps)
    assert findings_of(maps) == ()
    for edge, value in plain["bow_mm"].items():
        assert found["bow_mm"][edge] == pytest.approx(value, abs=0.0005)
    for edge, detail in plain["edge_lift_detail"].items():
        at_inset = found["edge_lift_detail"][edge]["mean_at_inset"]
        # the blocks of the fit are cut by a skew edge, where a slope counts: 0.003 mm seen
        assert at_inset == pytest.approx(detail["mean_at_inset"], abs=0.005)
    for figure in ("depth_mm", "surface_depth_mm"):
        assert found[figure]["max"] == pytest.approx(plain[figure]["max"], rel=2e-3)
    assert found["mean_wavelength_mm"] == pytest.approx(plain["mean_wavelength_mm"], rel=5e-4)


@pytest.mark.parametrize("curved", [0.0, 0.25])
def test_drift_goes_with_the_form_and_is_named_where_bow_may_be_drift(plain, curved):
    drift = {"drift": {"size_mm": 0.5, "curved": curved}}
    for kind in ("line", None):
        maps = process(surfaces.lite(scanner={"kind": kind}, sensor=drift)[0])
        found = summary(maps)
        for figure in ("depth_mm", "surface_depth_mm"):
            u = np.hypot(found[figure]["u_max"], plain[figure]["u_max"])
            assert abs(found[figure]["max"] - plain[figure]["max"]) < u
        # 4 curved t (1 - t): its middle above the chord, over the lite's share of the scan
        share = (2200 / 2260) ** 2
        expected = plain["bow_mm"]["left"] + 0.5 * curved * share
        assert found["bow_mm"]["left"] == pytest.approx(expected, abs=0.005)
        named = [finding.what for finding in findings_of(maps)]
        assert named == (["bow or drift"] if kind == "line" else [])


def test_bounce_of_the_conveyor_cannot_be_told_from_roll_wave():
    """The limit that docs/figures.md states: it is in the figures, and nothing shows it."""
    bounce = {"bounce": {"amplitude_mm": 0.02, "period_mm": 210.0}}
    maps = process(surfaces.lite(roll_waves=[], sensor=bounce)[0])
    found = summary(maps)
    assert found["mean_wavelength_mm"] == pytest.approx(210.0, rel=0.05)
    assert findings_of(maps) == ()


def test_heights_in_steps_of_10_mm_are_refused_and_of_10_um_doubted():
    tilt = {"tilt": {"along_mm_per_m": 15.0, "across_mm_per_m": 10.0}}
    with pytest.raises(ImplausibleScan) as refused:
        process(surfaces.lite(noise={"quantum_mm": 10.0}, sensor=tilt)[0])
    assert str(refused.value) == (
        "small: heights rounded to steps of 10 mm; steps finer than roll wave is deep, 0.01 to "
        "0.5 mm: no roll wave can be judged from these; store more digits, or check the height "
        "units."
    )
    rough = {"white_sigma_mm": 0.001, "quantum_mm": 0.01}
    maps = process(surfaces.lite(noise=rough)[0])
    found = summary(maps)
    # step / sqrt(12) of a rectangular distribution: JCGM 100, 4.3.7
    least = 0.01 / np.sqrt(12)
    assert np.nanmin(maps["u_depth"].values) > least
    assert found["detection_depth_mm"] >= 0.01 * (1 - 1e-6)
    assert any(doubt.startswith("Heights are rounded to 0.01 mm") for doubt in found["doubts"])
