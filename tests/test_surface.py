"""The exact surface: each part against its closed form."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface

LITE = {"length_mm": 1800.0, "width_mm": 700.0}


def surface(**sections: Any) -> Surface:
    return Surface(Recipe.of({"lite": LITE, **sections}))


def wave(**keys: Any) -> Surface:
    return surface(roll_waves=[{"amplitude_mm": 0.05, "wavelength_mm": 250.0, **keys}])


def test_an_even_wave_is_a_cosine() -> None:
    x = np.linspace(-100, 1900, 377)
    z = wave(phase_deg=30).roll(x, 20.0)
    np.testing.assert_allclose(
        z, 0.05 * np.cos(2 * np.pi * x / 250 + np.pi / 6), rtol=0, atol=1e-15
    )


def test_waves_add_up() -> None:
    first = {"amplitude_mm": 0.05, "wavelength_mm": 250.0}
    second = {"amplitude_mm": 0.02, "wavelength_mm": 310.0, "phase_deg": 50.0}
    x, y = np.linspace(0, 1800, 91)[:, None], np.linspace(0, 700, 7)[None, :]
    both = surface(roll_waves=[first, second]).roll(x, y)
    alone = [surface(roll_waves=[one]).roll(x, y) for one in (first, second)]
    np.testing.assert_allclose(both, alone[0] + alone[1], rtol=0, atol=1e-16)


def test_the_slope_is_the_derivative() -> None:
    varied = wave(
        drift={"linear": 0.05, "sinusoidal": 0.1, "cycles": 1.4, "phase_deg": 30},
        amplitude_along={"linear": 0.2, "sinusoidal": 0.3, "cycles": 2},
        amplitude_across={"linear": -0.2, "sinusoidal": 0.1},
        ridge_skew_deg=3,
        ridge_bow_mm=20,
    )
    x, y, h = np.linspace(5, 1795, 301)[:, None], np.array([[50.0, 610.0]]), 0.001
    numeric = (varied.roll(x + h, y) - varied.roll(x - h, y)) / (2 * h)
    np.testing.assert_allclose(varied.roll_slope(x, y), numeric, rtol=0, atol=2e-12)


def test_the_local_wavelength_drifts_as_the_recipe_says() -> None:
    drifting = wave(drift={"linear": 0.1})
    only = drifting.recipe.roll_waves[0]
    ends = drifting.local_wavelength_mm(only, [0.0, 900.0, 1800.0])
    np.testing.assert_allclose(ends, [250 / 1.1, 250, 250 / 0.9], rtol=1e-14)
    # and the phase between two places is the integral of 2 pi / L between them
    x = np.linspace(300, 1300, 200_001)
    turned = np.trapezoid(2 * np.pi / drifting.local_wavelength_mm(only, x), x)
    exact = drifting._phase(only, x[-1], np.array(0.0)) - drifting._phase(only, x[0], np.array(0.0))
    assert exact == pytest.approx(turned, rel=1e-10)


def test_ridges_lean_and_bend() -> None:
    """The ridge at x = 500 in the middle stands at x + shift(y), closed form."""
    leaning = wave(ridge_skew_deg=2.0, ridge_bow_mm=15.0)
    for y, shift in (
        (350.0, 0.0),
        (700.0, 350 * math.tan(math.radians(2)) + 15),
        (0.0, -350 * math.tan(math.radians(2)) + 15),
    ):
        assert leaning.roll(500 + shift, y) == pytest.approx(0.05, abs=1e-15)
        assert leaning.roll_slope(500 + shift, y) == pytest.approx(0, abs=1e-15)


def test_amplitude_varies_across_and_along() -> None:
    varied = wave(amplitude_across={"linear": 0.3}, amplitude_along={"linear": -0.2})
    # peaks of the cosine at whole wavelengths; factors by hand
    assert varied.roll(250.0, 700.0) == pytest.approx(0.05 * 1.3 * (1 - 0.2 * (500 / 1800 - 1)))
    assert varied.roll(1500.0, 0.0) == pytest.approx(0.05 * 0.7 * (1 - 0.2 * (3000 / 1800 - 1)))


@pytest.mark.parametrize("shape", ["parabolic", "circular"])
def test_bow_stands_in_the_middle_and_not_at_the_ends(shape: str) -> None:
    bowed = surface(form={"bow_along_mm": 4.0, "bow_across_mm": -1.5, "shape": shape})
    assert bowed.form(900, 0) == pytest.approx(4.0, abs=1e-9)
    assert bowed.form(900, 350) == pytest.approx(2.5, abs=1e-9)
    assert bowed.form(0, 0) == pytest.approx(0.0, abs=1e-9)
    figures = bowed.bow()
    assert figures["left"].mm == pytest.approx(4.0, rel=1e-6)
    assert figures["left"].mm_per_m == pytest.approx(4.0 / 1.8, rel=1e-6)
    assert figures["trailing"].mm == pytest.approx(1.5, rel=1e-6)
    assert figures["diagonal_1"].mm == pytest.approx(2.5, rel=1e-4)


def test_a_circular_bow_has_one_radius() -> None:
    """Three-point reading on a radius R: a^2 / (2 R) (geometry, small slopes)."""
    bowed = surface(form={"bow_along_mm": 4.0, "shape": "circular"})
    radius = (1800**2 / 4 + 4**2) / 8
    a = 115.0
    for x in (300.0, 900.0, 1500.0):
        reading = bowed.form(x, 0) - (bowed.form(x - a, 0) + bowed.form(x + a, 0)) / 2
        assert reading == pytest.approx(a**2 / (2 * radius), rel=2e-4)


def test_twist_lifts_one_corner_off_the_plane_of_the_others() -> None:
    z = surface(form={"twist_mm": 2.0}).form
    plane = z(1800, 0) + z(0, 700) - z(0, 0)
    assert z(1800, 700) - plane == pytest.approx(2.0)


def test_each_edge_lifts_where_it_is() -> None:
    lifts = {
        "leading": {"size_mm": 0.4, "decay_mm": 60.0},
        "trailing": {"size_mm": 0.3, "decay_mm": 50.0, "shape": "gaussian"},
        "left": {"size_mm": 0.2, "decay_mm": 40.0, "along": {"linear": 0.5}},
        "right": {"size_mm": 0.1, "decay_mm": 30.0},
    }
    z = surface(edge_lift=lifts)
    assert z.lift_of("leading", 60, 300) == pytest.approx(0.4 / math.e)
    assert z.lift_of("trailing", 1750, 300) == pytest.approx(0.3 * math.exp(-0.5))
    assert z.lift_of("left", 1800, 40) == pytest.approx(0.2 * 1.5 / math.e)
    assert z.lift_of("left", 0, 0) == pytest.approx(0.1)
    assert z.lift_of("right", 50, 670) == pytest.approx(0.1 / math.e)
    corner = sum(z.lift_of(edge, 10, 20) for edge in ("leading", "trailing", "left", "right"))
    assert z.edge_lift(10, 20) == pytest.approx(corner)


def test_the_imprint_repeats_at_the_nozzle_pitch_and_one_nozzle_is_odd() -> None:
    z = surface(
        imprint={
            "amplitude_mm": 0.001,
            "pitch_x_mm": 30,
            "pitch_y_mm": 50,
            "first_x_mm": 7,
            "first_y_mm": 10,
            "odd_nozzles": [{"y_mm": 310, "width_mm": 20, "factor": 4}],
        }
    ).imprint
    assert z(7, 10) == pytest.approx(0.001)
    assert z(7 + 15, 10) == pytest.approx(-0.001)
    assert z(7 + 300, 60) == pytest.approx(0.001)
    assert z(7, 310) == pytest.approx(0.004)


def test_roller_marks_come_once_a_turn() -> None:
    z = surface(
        roller_marks=[
            {
                "depth_mm": 0.02,
                "period_mm": 200,
                "first_x_mm": 30,
                "length_mm": 8,
                "y_mm": 90,
                "width_mm": 12,
            }
        ]
    ).imprint
    for turn in (0, 1, 7):
        assert z(30 + 200 * turn, 90) == pytest.approx(-0.02)
    assert z(38, 90) == pytest.approx(-0.02 * math.exp(-0.5))
    assert z(30, 102) == pytest.approx(-0.02 * math.exp(-0.5))
    assert z(130, 90) == pytest.approx(0, abs=1e-12)


def test_height_is_the_sum_of_its_parts() -> None:
    z = surface(
        roll_waves=[{"amplitude_mm": 0.05, "wavelength_mm": 250.0}],
        form={"bow_along_mm": 3.0},
        edge_lift={"leading": {"size_mm": 0.4, "decay_mm": 60.0}},
        bumps=[{"x_mm": 100, "y_mm": 200, "height_mm": 0.3, "width_mm": 15}],
    )
    x, y = np.linspace(0, 1800, 31)[:, None], np.linspace(0, 700, 11)[None, :]
    parts = z.roll(x, y) + z.form(x, y) + z.edge_lift(x, y) + z.imprint(x, y)
    np.testing.assert_allclose(z.height(x, y), parts, rtol=0, atol=1e-15)
    assert z.imprint(100, 200) == pytest.approx(0.3)


def share_of_glass(**outline: Any) -> float:
    """Area of the glass, mm^2, by counting at 1 mm."""
    x, y = np.arange(0.5, 1800)[:, None], np.arange(0.5, 700)[None, :]
    return float(surface(outline=outline).is_glass(x, y).sum())


@pytest.mark.parametrize(
    ("outline", "missing_mm2", "tolerance"),
    [
        ({}, 0, 0),
        ({"holes": [{"x_mm": 600, "y_mm": 200, "diameter_mm": 80}]}, math.pi * 1600, 20),
        ({"notches": [{"edge": "left", "at_mm": 500, "width_mm": 90, "depth_mm": 40}]}, 3600, 0),
        ({"notches": [{"edge": "leading", "at_mm": 99, "width_mm": 40, "depth_mm": 30}]}, 1200, 0),
        ({"cuts": [{"corner": "trailing_right", "along_mm": 90, "across_mm": 50}]}, 2250, 60),
        (
            {
                "corners_mm": {
                    "leading_left": (0, 0),
                    "leading_right": (0, 700),
                    "trailing_left": (1800, 0),
                    "trailing_right": (1800, 640),
                }
            },
            1800 * 60 / 2,
            60,
        ),
    ],
)
def test_what_is_cut_away_has_its_area(
    outline: dict[str, Any], missing_mm2: float, tolerance: float
) -> None:
    assert share_of_glass(**outline) == pytest.approx(1800 * 700 - missing_mm2, abs=tolerance)


def test_what_is_cut_away_is_where_it_should_be() -> None:
    z = surface(
        outline={
            "cuts": [{"corner": "leading_right", "along_mm": 90, "across_mm": 50}],
            "notches": [{"edge": "trailing", "at_mm": 200, "width_mm": 40, "depth_mm": 30}],
        }
    )
    # the cut's own line runs from (90, 700) to (0, 650)
    assert not z.is_glass(20, 690)
    assert z.is_glass(46, 676 - 2)
    assert not z.is_glass(44, 675 + 2)
    assert z.is_glass(20, 10)
    assert not z.is_glass(1775, 200)
    assert z.is_glass(1765, 200)
    assert not z.is_glass(-0.5, 300)
    assert not z.is_glass(900, 700.5)


def test_edge_lift_follows_a_slanted_edge() -> None:
    z = surface(
        outline={
            "corners_mm": {
                "leading_left": (0, 0),
                "leading_right": (100, 700),
                "trailing_left": (1800, 0),
                "trailing_right": (1800, 700),
            }
        },
        edge_lift={"leading": {"size_mm": 0.3, "decay_mm": 50}},
    )
    for y in (0.0, 350.0, 700.0):
        assert z.edge_lift(100 * y / 700, y) == pytest.approx(0.3)
    away = 50 / math.hypot(100, 700)
    assert z.edge_lift(50 + 700 * away, 350 - 100 * away) == pytest.approx(0.3 / math.e)


def test_machine_and_lite_places_are_inverse() -> None:
    z = surface(position={"skew_deg": 1.2, "offset_x_mm": 60, "offset_y_mm": 40})
    # corners of a 2000 x 900 lite turned by 1.2 degrees at (60, 40), worked by hand
    x, y = z.to_machine([0, 0, 2000, 2000], [0, 900, 0, 900])
    np.testing.assert_allclose(x, [60, 41.152, 2059.561, 2040.713], atol=5e-4)
    np.testing.assert_allclose(y, [40, 939.803, 81.885, 981.687], atol=5e-4)
    u, v = z.to_lite(x, y)
    np.testing.assert_allclose(u, [0, 0, 2000, 2000], atol=1e-10)
    np.testing.assert_allclose(v, [0, 900, 0, 900], atol=1e-10)
