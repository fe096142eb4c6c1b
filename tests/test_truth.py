"""True half waves: closed forms of an even wave, and what a drift does to them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from midchord.settings import Settings
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import line_positions_mm, true_half_waves, true_mean_wavelength_mm
from surfaces import distortion_mdpt, gain


def surface(*waves: dict[str, Any], length_mm: float = 2600.0, **sections: Any) -> Surface:
    lite = {"length_mm": length_mm, "width_mm": 800.0}
    return Surface(Recipe.of({"lite": lite, "roll_waves": list(waves), **sections}))


@pytest.mark.parametrize("half_span_mm", [20.0, 75.0, 125.0, 150.0, 190.3])
def test_an_even_wave_by_closed_form(half_span_mm: float) -> None:
    even = surface({"amplitude_mm": 0.05, "wavelength_mm": 250.0, "phase_deg": 77.0})
    table = true_half_waves(even, line_y_mm=310, half_span_mm=half_span_mm)
    swing = 2 * 0.05 * gain(half_span_mm, 250)
    np.testing.assert_allclose(table.depth_mm, swing, rtol=1e-12)
    np.testing.assert_allclose(table.wavelength_mm, 250, rtol=1e-11)
    np.testing.assert_allclose(table.length_mm, 125, rtol=1e-11)
    np.testing.assert_allclose(table.surface_depth_mm, 0.1, rtol=1e-12)
    np.testing.assert_allclose(
        table.gauge_distortion_mdpt, 4e6 * math.pi**2 * swing / 250**2, rtol=1e-10
    )
    np.testing.assert_allclose(
        table.surface_distortion_mdpt, 4e6 * math.pi**2 * 0.1 / 250**2, rtol=1e-10
    )
    assert table.line_y_mm.unique().tolist() == [310]


@pytest.mark.parametrize(
    ("depth_mm", "wavelength_mm", "printed_mdpt"),
    [(0.05, 300, 21.93), (0.1, 250, 63.17), (0.0762, 300, 33.43), (0.3, 300, 131.6)],
)
def test_distortion_table(depth_mm: float, wavelength_mm: float, printed_mdpt: float) -> None:
    """D = 4 pi^2 W / L^2, values to the digits given (common practice, no source)."""
    even = surface({"amplitude_mm": depth_mm / 2, "wavelength_mm": wavelength_mm})
    table = true_half_waves(even, line_y_mm=400, half_span_mm=wavelength_mm / 2)
    assert table.surface_distortion_mdpt.iloc[0] == pytest.approx(printed_mdpt, rel=4e-4)
    # at half the wavelength the dial swings through twice the surface
    assert table.gauge_distortion_mdpt.iloc[0] == pytest.approx(2 * printed_mdpt, rel=4e-4)


@pytest.mark.parametrize(
    ("wavelength_m", "printed_gain"),
    [(6, 0.5), (8, 1.7071), (10, 2.0), (15, 1.5), (20, 1.0), (25, 0.69098), (40, 0.29289)],
)
def test_gain_of_a_chord(wavelength_m: float, printed_gain: float) -> None:
    """Mid-chord offset of railway track, chord 10 m (e.g. Ahmadian, Joint Railroad Conference
    1999; four decimals): a thousandth of it is a gauge with feet 5 mm from the plunger."""
    even = surface(
        {"amplitude_mm": 0.05, "wavelength_mm": wavelength_m}, length_mm=300.0
    )
    table = true_half_waves(even, line_y_mm=1, half_span_mm=5.0)
    np.testing.assert_allclose(table.depth_mm / 0.1, printed_gain, atol=5e-5)


def test_a_gauge_with_feet_a_wavelength_away_is_blind() -> None:
    even = surface({"amplitude_mm": 0.05, "wavelength_mm": 250.0})
    assert true_half_waves(even, line_y_mm=400, half_span_mm=250.0).empty


def test_half_waves_reach_from_foot_to_foot_and_alternate() -> None:
    even = surface({"amplitude_mm": 0.05, "wavelength_mm": 250.0})
    table = true_half_waves(even, line_y_mm=400, half_span_mm=130.0)
    # peaks of the reading at 250 k, valleys between; the plunger goes from 130 to 2470
    np.testing.assert_allclose(table.x_from_mm, np.arange(250, 2375, 125), atol=1e-9)
    assert table.x_to_mm.iloc[-1] == pytest.approx(2375)
    assert table.rising.tolist() == [bool(k % 2) for k in range(len(table))]


@pytest.mark.parametrize("rule", ["centred", "backward", "half"])
def test_wavelength_rules(rule: Any) -> None:
    drifting = surface({"amplitude_mm": 0.05, "wavelength_mm": 250.0, "drift": {"linear": 0.12}})
    table = true_half_waves(drifting, line_y_mm=400, half_span_mm=120.0, wavelength=rule)
    x = [*table.x_from_mm, table.x_to_mm.iloc[-1]]
    middle = 5
    ends, starts = x[middle + 1] - x[middle - 1], x[middle + 2] - x[middle]
    expected = {
        "centred": (ends + starts) / 2,
        "backward": ends,
        "half": 2 * (x[middle + 1] - x[middle]),
    }
    assert table.wavelength_mm.iloc[middle] == pytest.approx(expected[rule], rel=1e-12)
    first = {"centred": x[2] - x[0], "backward": math.nan, "half": 2 * (x[1] - x[0])}
    assert table.wavelength_mm.iloc[0] == pytest.approx(first[rule], rel=1e-12, nan_ok=True)


def test_the_centred_wavelength_follows_a_drift() -> None:
    """At 15 % chirp the centred form is 0.6 % rms off the local wavelength, the backward one 1.7 %
    (derived); swing / gain is 0.25 % off the depth."""
    drifting = surface(
        {
            "amplitude_mm": 0.045,
            "wavelength_mm": 260.0,
            "drift": {"sinusoidal": 0.15, "cycles": 1.25},
        },
        length_mm=3200.0,
    )
    (only,) = drifting.recipe.roll_waves
    off = {}
    for rule in ("centred", "backward"):
        table = true_half_waves(drifting, line_y_mm=400, half_span_mm=130, wavelength=rule)
        table = table.iloc[2:-2]
        local = drifting.local_wavelength_mm(only, (table.x_from_mm + table.x_to_mm) / 2)
        off[rule] = float(np.sqrt(np.mean((table.wavelength_mm / local - 1) ** 2)))
    assert 0.002 < off["centred"] < 0.008
    assert 0.012 < off["backward"] < 0.022
    gains = [gain(130, wavelength) for wavelength in local]
    assert np.abs(table.depth_mm / gains / 0.09 - 1).max() < 0.005
    np.testing.assert_allclose(table.surface_depth_mm, 0.09, rtol=1e-12)


def test_turning_points_are_the_extremes_of_a_fine_sweep() -> None:
    """Oracle: the reading on a grid of 0.01 mm, its largest and smallest samples."""
    varied = surface(
        {
            "amplitude_mm": 0.05,
            "wavelength_mm": 240.0,
            "drift": {"linear": 0.1},
            "amplitude_along": {"sinusoidal": 0.3},
        },
        {"amplitude_mm": 0.01, "wavelength_mm": 410.0, "phase_deg": 70.0},
    )
    a, y = 118.0, 200.0
    table = true_half_waves(varied, line_y_mm=y, half_span_mm=a)
    x = np.arange(a, 2600 - a, 0.01)
    r = varied.roll(x, y) - (varied.roll(x - a, y) + varied.roll(x + a, y)) / 2
    turns = np.flatnonzero((r[1:-1] - r[:-2]) * (r[2:] - r[1:-1]) < 0) + 1
    assert len(table) == len(turns) - 1
    np.testing.assert_allclose(table.x_from_mm, x[turns[:-1]], atol=0.011)
    np.testing.assert_allclose(table.depth_mm, np.abs(np.diff(r[turns])), atol=1e-9)


def test_no_reading_with_a_foot_over_a_hole() -> None:
    holed = surface(
        {"amplitude_mm": 0.05, "wavelength_mm": 240.0},
        outline={"holes": [{"x_mm": 1300, "y_mm": 400, "diameter_mm": 40}]},
    )
    a = 120.0
    table = true_half_waves(holed, line_y_mm=400, half_span_mm=a)
    for contact in (-a, 0.0, a):
        crosses = (table.x_from_mm + contact < 1280) & (table.x_to_mm + contact > 1320)
        assert not crosses.any()
    assert (table.x_to_mm < 1280 - a).any()
    assert (table.x_from_mm > 1320 + a).any()
    np.testing.assert_allclose(table.depth_mm, 0.2, rtol=1e-12)
    beside = true_half_waves(holed, line_y_mm=430, half_span_mm=a)
    assert len(beside) > len(table)


def test_mean_wavelength() -> None:
    even = surface({"amplitude_mm": 0.05, "wavelength_mm": 230.0, "ridge_skew_deg": 3.0})
    assert true_mean_wavelength_mm(even) == pytest.approx(230, rel=1e-10)
    assert true_mean_wavelength_mm(surface()) is None
    short = surface({"amplitude_mm": 0.05, "wavelength_mm": 230.0}, length_mm=800.0)
    assert true_mean_wavelength_mm(short) == pytest.approx(230, rel=1e-10)


def test_mean_wavelength_is_that_of_the_clear_full_waves_at_half_itself() -> None:
    drifting = surface({"amplitude_mm": 0.05, "wavelength_mm": 240.0, "drift": {"linear": 0.1}})
    mean_mm = true_mean_wavelength_mm(drifting)
    assert mean_mm is not None
    full = []
    for line in line_positions_mm(drifting):
        table = true_half_waves(drifting, line_y_mm=line, half_span_mm=mean_mm / 2)
        x = np.array([*table.x_from_mm, table.x_to_mm.iloc[-1]])
        x = x[(x >= 305 + mean_mm / 2) & (x <= 2600 - 305 - mean_mm / 2)]
        full.extend(x[2:] - x[:-2])
    assert mean_mm == pytest.approx(np.mean(full), rel=1e-8)


def test_lines_are_centred_and_clear_of_the_sides() -> None:
    settings = Settings.of({"lines": {"every_mm": 150.0}, "zones": {"edge_y_mm": 60.0}})
    assert line_positions_mm(surface(), settings) == [100, 250, 400, 550, 700]


def test_the_helper_of_the_other_tests_agrees_with_the_table() -> None:
    assert distortion_mdpt(0.1, 250) == pytest.approx(63.17, rel=1e-4)
