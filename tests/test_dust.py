"""Grains of dust go; roll wave, imprint, worn nozzles, roller marks and edge lift stay."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.place import place
from midchord.placing.dust import find_dust
from midchord.placing.region import Grid
from midchord.run import process, summary
from midchord.settings import Settings
from midchord_io.acquisition import findings_of
from turned import steep, turned

FINE = {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0}


def _grid(scan):
    x, y = scan["x"].values, scan["y"].values
    return Grid(x[0], y[0], x[1] - x[0], y[1] - y[0], x.size, y.size)


def _placed(**sections):
    scan, _ = surfaces.lite(scanner=FINE, **sections)
    return place(scan, **Settings.load().place.model_dump())


PLACES = [(250.0, 120.0), (420.0, 500.0), (700.0, 330.0), (910.0, 610.0), (1100.0, 220.0)]


def _dusty(height_mm, width_mm, pitch_mm=(1.0, 2.0), **options):
    def surface(u, v):
        bumps = [np.exp(-((u - a) ** 2 + (v - b) ** 2) / (2 * width_mm**2)) for a, b in PLACES]
        return steep(u, v) + height_mm * sum(bumps)

    return turned(surface, pitch_mm=pitch_mm, noise_mm=0.003, skew_deg=0.8, **options)


@pytest.mark.parametrize(
    ("height_mm", "width_mm", "pitch_mm"),
    [
        (0.03, 2.0, (1.0, 1.0)),
        (0.03, 2.0, (1.0, 2.0)),
        (0.05, 3.0, (1.0, 1.0)),
        (0.05, 3.0, (2.0, 3.0)),  # cells of one point: noise that is not averaged
        (0.3, 2.0, (1.0, 2.0)),
    ],
)
def test_grains_are_found_and_measured(height_mm, width_mm, pitch_mm):
    case = _dusty(height_mm, width_mm, pitch_mm, dropout_share=0.01)
    height = case.scan["height"].values
    found = find_dust(height, _grid(case.scan), step_mm=0.0, skew_deg=0.8)
    assert (found.grains, found.in_rows) == (len(PLACES), 0)
    # the mean of a cell of 2.5 mm, not of the top
    assert 0.4 * height_mm < found.largest_mm < 1.05 * height_mm
    for along, across in PLACES:
        distance = np.hypot(case.along_mm - along, case.across_mm - across)
        near = (distance < 1.5 * width_mm) & np.isfinite(height)
        assert found.is_dust[near].all()
        assert not found.is_dust[(distance > 5 * width_mm + 8) & (distance < 60)].any()


def test_what_stands_down_is_no_dust_but_of_the_lower_face():
    case = _dusty(-0.05, 2.0)
    height, grid = case.scan["height"].values, _grid(case.scan)
    assert find_dust(height, grid, step_mm=0.0, skew_deg=0.8) is None
    assert find_dust(height, grid, step_mm=0.0, skew_deg=0.8, face="lower").grains == len(PLACES)


@pytest.mark.parametrize("pitch_mm", [(1.0, 1.0), (1.0, 6.0), (0.5, 2.0), (5.0, 5.0)])
@pytest.mark.parametrize("noise_mm", [0.0, 0.003])
def test_a_steep_lite_has_none(pitch_mm, noise_mm):
    scan = turned(steep, pitch_mm=pitch_mm, skew_deg=-1.3, noise_mm=noise_mm).scan
    assert find_dust(scan["height"].values, _grid(scan), step_mm=0.0) is None


def test_a_coarse_pitch_tells_nothing():
    case = _dusty(0.3, 3.0, (1.0, 10.0))
    assert find_dust(case.scan["height"].values, _grid(case.scan), step_mm=0.0) is None


@pytest.mark.parametrize("pitch_mm", [25.0, 40.0])
def test_nozzles_are_left_a_worn_one_too(pitch_mm):
    imprint = {"amplitude_mm": 0.008, "pitch_x_mm": pitch_mm, "pitch_y_mm": pitch_mm}
    worn = [{"y_mm": 300.0, "width_mm": 15.0, "factor": 6.0}]
    for odd in ([], worn):
        lite = _placed(imprint={**imprint, "odd_nozzles": odd})
        assert all(finding.what == "bumps in rows" for finding in findings_of(lite))
        assert lite.attrs["spike_count"] == 0
        assert np.count_nonzero(lite["state"] == 2) == 0


def test_marks_of_a_roller_are_left_and_said():
    marks = {"depth_mm": -0.03, "period_mm": 250.0, "length_mm": 3.0, "y_mm": 250.0}
    lite = _placed(roller_marks=[{**marks, "width_mm": 3.0}])
    (finding,) = findings_of(lite)
    assert (finding.what, finding.count) == ("bumps in rows", 8)
    assert np.count_nonzero(lite["state"] == 2) == 0


def test_a_bump_larger_than_a_grain_is_left():
    bumps = [{"x_mm": 900.0, "y_mm": 300.0, "height_mm": 0.1, "width_mm": 9.0}]
    lite = _placed(bumps=bumps)
    assert findings_of(lite) == ()
    at_bump = lite["state"].sel(x=slice(880, 920), y=slice(280, 320)).values
    assert np.count_nonzero(at_bump == 2) == 0


def test_the_lite_is_measured_as_without_dust():
    plain = process(surfaces.lite(scanner=FINE)[0])
    dust = {"grains": 60, "height_mm": 0.05, "width_mm": 2.5}
    maps = process(surfaces.lite(scanner=FINE, sensor={"dust": dust})[0])
    (finding,) = findings_of(maps)
    assert finding.what == "dust"
    assert not finding.is_doubt
    # some lie within 20 mm of the rim, or side by side
    assert 40 <= finding.count <= 60
    true, found = summary(plain), summary(maps)
    for figure in ("depth_mm", "surface_depth_mm", "wavelength_mm"):
        assert found[figure]["mean"] == pytest.approx(true[figure]["mean"], rel=1e-3)
    u = np.hypot(true["depth_mm"]["u_max"], found["depth_mm"]["u_max"])
    assert abs(found["depth_mm"]["max"] - true["depth_mm"]["max"]) < 2 * u
    # left in, the grains put the depths off by 0.8 um
    clear = plain["zone"].values == 0
    off = maps["depth"].values[clear] - plain["depth"].values[clear]
    assert np.sqrt(np.nanmean(off**2)) < 0.0003
