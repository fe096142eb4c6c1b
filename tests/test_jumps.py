"""The second surface of the glass is found by its common jump; openings and spikes are not it."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.placing.jumps import INDEX, find_jumps
from midchord.placing.region import Grid
from midchord.run import process, summary
from midchord_io.acquisition import findings_of
from turned import steep, turned

LITE = {"length_mm": 2200.0, "width_mm": 600.0, "id": "small"}
FINE = {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0}


def _grid(scan):
    x, y = scan["x"].values, scan["y"].values
    return Grid(x[0], y[0], x[1] - x[0], y[1] - y[0], x.size, y.size)


def _spoilt(patches, jump_mm, *, pitch_mm=(1.0, 2.0), **options):
    """A turned lite with patches (along, across, diameter) that lie below it; and where."""
    is_second = []

    def spoil(height, u, v):
        inside = np.zeros(height.shape, bool)
        for along, across, size in patches:
            inside |= (u - along) ** 2 + (v - across) ** 2 < (size / 2) ** 2
        inside &= np.isfinite(height)
        height[inside] -= jump_mm
        is_second.append(inside)

    case = turned(steep, pitch_mm=pitch_mm, noise_mm=0.003, spoil=spoil, skew_deg=0.7, **options)
    return case.scan, is_second[0]


PATCHES = [(200.0, 300.0, 12.0), (500.0, 90.0, 8.0), (640.0, 640.0, 20.0), (1195.0, 350.0, 14.0)]


@pytest.mark.parametrize("pitch_mm", [(1.0, 2.0), (2.0, 5.0)])
@pytest.mark.parametrize(
    ("thickness_mm", "share"),
    [
        (3.0, 1 / INDEX),
        (8.0, 1 / INDEX),
        (19.0, 1 / INDEX),
        # a sensor that looks at 45 degrees: the ray goes on at asin(sin 45 / 1.52) = 27.7 degrees
        # (Snell), so the lower surface shows at tan 27.7 / tan 45 of the depth
        (6.0, 0.5256),
        (None, 0.7),
    ],
)
def test_every_point_of_it_is_found_and_the_jump_measured(thickness_mm, share, pitch_mm):
    jump_mm = (thickness_mm or 5.0) * share
    scan, is_second = _spoilt(PATCHES, jump_mm, pitch_mm=pitch_mm, dropout_share=0.01)
    found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=thickness_mm)
    assert np.array_equal(found.second.is_second, is_second)
    # means of some ten pairs of neighbours on a steep lite
    assert found.second.jump_mm == pytest.approx(jump_mm, abs=0.05)
    assert found.second.patches == 4
    assert found.is_speck is None


@pytest.mark.parametrize("pitch_mm", [(1.0, 1.0), (1.0, 6.0), (0.5, 25.0), (5.0, 5.0)])
def test_a_steep_lite_has_none(pitch_mm):
    scan = turned(steep, pitch_mm=pitch_mm, skew_deg=-1.3, noise_mm=0.003).scan
    found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=6.0)
    assert found == (None, None)


def test_openings_with_the_belt_below_are_none_of_it():
    belt = {"belt_mm": -80.0, "margin_mm": 25.0}
    holes = [{"x_mm": 500.0 + 300 * k, "y_mm": 300.0, "diameter_mm": 20.0} for k in range(4)]
    for thickness_mm in (8.0, None):
        lite = {**LITE, "thickness_mm": thickness_mm}
        scan, _ = surfaces.lite(lite=lite, position=belt, outline={"holes": holes})
        found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=thickness_mm)
        assert found.second is None


def test_a_roller_as_far_down_as_glass_is_thick_is_seen_through_a_hole():
    scan, _ = _spoilt(PATCHES, 8.0)
    found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=8.0)
    assert found.second is None


def test_one_patch_needs_a_known_thickness():
    scan, is_second = _spoilt(PATCHES[:1], 3.95)
    grid, height = _grid(scan), scan["height"].values
    assert find_jumps(height, grid, thickness_mm=None).second is None
    assert np.array_equal(find_jumps(height, grid, thickness_mm=6.0).second.is_second, is_second)


def test_spikes_of_any_size_are_none_of_it():
    scan, truth = surfaces.lite(spikes={"share": 0.002, "size_mm": 4.0})
    found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=8.0)
    assert truth.attrs["spike_count"] > 100
    assert found.second is None


@pytest.mark.parametrize("off_mm", [0.6, -0.6, 2.0])
def test_groups_of_points_of_one_reflection_are_specks(off_mm):
    cells = []

    def spoil(height, u, v):
        for along, across in ((300.0, 200.0), (700.0, 3.0), (1198.0, 400.0), (2.0, 350.0)):
            i, j = np.unravel_index(np.argmin((u - along) ** 2 + (v - across) ** 2), u.shape)
            part = np.zeros(height.shape, bool)
            part[i - 1 : i + 1, j - 2 : j + 3] = True  # two lines, wide across
            part &= np.isfinite(height)
            height[part] += off_mm
            cells.append(part)

    scan = turned(steep, pitch_mm=(1.0, 1.0), noise_mm=0.003, skew_deg=0.7, spoil=spoil).scan
    found = find_jumps(scan["height"].values, _grid(scan), thickness_mm=6.0)
    assert np.array_equal(found.is_speck, np.logical_or.reduce(cells))
    assert found.second is None


@pytest.mark.parametrize(("patches", "size_mm", "is_doubt"), [(10, 20.0, False), (3, 300.0, True)])
def test_the_lite_is_measured_as_without_it(patches, size_mm, is_doubt):
    options = {"lite": {**LITE, "thickness_mm": 8.0}, "scanner": FINE}
    plain = summary(process(surfaces.lite(**options)[0]))
    second = {"second_surface": {"patches": patches, "patch_mm": size_mm}}
    scan, truth = surfaces.lite(**options, sensor=second)
    maps = process(scan)
    found = summary(maps)
    (finding,) = findings_of(maps)
    assert (finding.what, finding.is_doubt) == ("second surface", is_doubt)
    assert finding.count == truth.attrs["second_surface_count"]
    assert finding.figures["jump_mm"] == pytest.approx(8 / 1.52, abs=0.01)
    assert "that fits the 5.26 mm of glass 8 mm thick" in finding.sentence
    assert found["hole_count"] == 0  # however large
    assert (finding.sentence in found["doubts"]) == is_doubt
    for figure in ("depth_mm", "wavelength_mm"):
        u = np.hypot(found[figure]["u_max"], plain[figure]["u_max"])
        assert abs(found[figure]["max"] - plain[figure]["max"]) < 3 * u
    for edge in ("left", "leading", "diagonal_1"):
        assert found["bow_mm"][edge] == pytest.approx(plain["bow_mm"][edge], abs=0.002)
    is_missing = maps["quality"].values > 0
    assert np.nanmin(maps["height"].values[~is_missing]) > -1.5
