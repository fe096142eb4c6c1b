"""The straight edge over an edge: lift by construction, which crests carry it, missing glass."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.detrending.edge_lift import EDGES, Rims
from midchord.gauges.edge_lift_gauge import edge_lift_gauge, sweep_edge_lift
from midchord_io.errors import LiteTooSmall, SettingsError

LENGTH_MM, WIDTH_MM = 1400.0, 900.0
L = 200.0


def lifted(
    size_mm: dict[str, float] | None = None,
    *,
    decay_mm: float = 15.0,
    amplitude_mm: float = 0.0,
    radius_mm: float = math.inf,
    pitch_y_mm: float = 5.0,
) -> xr.DataArray:
    """A rim that lifts by size exp(-d / decay) at each edge, a roll wave with crests on samples,
    a dome of one radius along x."""
    sizes = dict.fromkeys(EDGES, 0.0) | (size_mm or {})

    def z(x, y):
        distance = {
            "leading": x + 0 * y,
            "trailing": LENGTH_MM - x + 0 * y,
            "left": y + 0 * x,
            "right": WIDTH_MM - y + 0 * x,
        }
        lift = sum(sizes[edge] * np.exp(-distance[edge] / decay_mm) for edge in EDGES)
        roll = amplitude_mm * np.cos(2 * math.pi * (x - 0.5) / L)
        return lift + roll - (x - LENGTH_MM / 2) ** 2 / (2 * radius_mm)

    return surfaces.field(z, length_mm=LENGTH_MM, width_mm=WIDTH_MM, pitch_y_mm=pitch_y_mm)


SIZES = {"leading": 0.3, "trailing": -0.2, "left": 0.15, "right": 0.1}


def test_each_edge_on_flat_glass_shows_its_own_lift_with_its_sign() -> None:
    height = lifted(SIZES, pitch_y_mm=2.0)
    profiles = edge_lift_gauge(height, length_mm=500.0, inset_mm=10.0, clear_mm=240.0)
    assert tuple(profiles) == EDGES
    for edge, profile in profiles.items():
        middle = profile.values[profile.size // 2]
        # exp(-240 / 15) of the size is still under the rule
        assert middle == pytest.approx(SIZES[edge] * math.exp(-10 / 15), abs=1e-5)
        assert profile.dims == (("y",) if edge in ("leading", "trailing") else ("x",))
        assert profile.attrs["long_name"] == (
            f"edge lift of the {edge} edge, 10 mm inside it, below a straight edge of 500 mm"
        )
        assert (profile.dtype, profile.attrs["units"]) == (np.float32, "mm")


def test_the_rule_extends_the_line_of_the_crests() -> None:
    # seen from the crests of a wave, an edge in a valley lies 2 A lower, one on a crest not at all
    height = lifted({"leading": 0.3}, amplitude_mm=0.05)
    for inset_mm, wave_mm in ((0.5, 0.05), (50.5, 0.0), (90.5, 0.05 * math.cos(0.9 * math.pi))):
        lift = edge_lift_gauge(height, length_mm=700.0, inset_mm=inset_mm, clear_mm=150.0)
        expected = 0.3 * math.exp(-inset_mm / 15) + wave_mm - 0.05
        # the lift left at 150 mm raises no crest by more than 1e-6
        np.testing.assert_allclose(lift["leading"].values[20:-20], expected, rtol=0, atol=2e-6)


def test_on_a_bowed_lite_it_is_held_on_the_two_crests_next_to_the_edge() -> None:
    # centre at d = 400.5: right on a crest, over which it would rock by 0.14 mm at the edge
    rng = np.random.default_rng(5)
    radius_mm = 281_000.0
    height = lifted({"leading": 0.3}, amplitude_mm=0.05, radius_mm=radius_mm)
    noisy = height + 0.002 * rng.standard_normal(height.shape)
    lift = edge_lift_gauge(noisy, length_mm=801.0, inset_mm=10.5, clear_mm=150.0)["leading"]
    # on a parabola the chord through d = 200.5 and 400.5 passes (200.5 - d)(400.5 - d) / (2 R)
    # above the glass at d; the wave there is A cos(2 pi 10 / L), its crests A
    bow = -(200.5 - 10.5) * (400.5 - 10.5) / (2 * radius_mm)
    true = 0.3 * math.exp(-10.5 / 15) + bow + 0.05 * (math.cos(2 * math.pi * 10 / L) - 1)
    error = lift.values[20:-20] - true
    # the rule rides on the noise of both crests, some 2 sigma up
    assert error.mean() == pytest.approx(-0.004, abs=0.002)
    assert error.std() < 0.004


def test_a_single_crest_carries_it_as_it_falls() -> None:
    # from 150 to 350 one crest, at d = 200.5: the centre at 175 lies before it, so the rule falls
    # on the tangent from where the glass begins to carry to the crest's near flank
    height = lifted(amplitude_mm=0.05, pitch_y_mm=100.0)
    lift = edge_lift_gauge(height, length_mm=350.5, inset_mm=100.5, clear_mm=120.5, bridge_mm=40.0)
    x = np.arange(120, 351)
    z = height.values[x, 0]
    slopes = (z[1:] - z[0]) / (x[1:] - x[0])
    expected = height.values[100, 0] - (z[0] + slopes.max() * (100 - 120))
    assert slopes.argmax() + 1 >= 40
    np.testing.assert_allclose(lift["leading"], expected, rtol=0, atol=2e-8)


def test_on_a_smooth_dome_it_is_the_tangent_at_its_centre() -> None:
    # the edge is S / 2 from the point of contact: S^2 / (8 R) below
    radius_mm, length_mm = 281_000.0, 400.0
    dome = lifted(radius_mm=radius_mm)
    for edge in ("leading", "trailing"):
        lift = edge_lift_gauge(dome, length_mm=length_mm, inset_mm=0.5)[edge]
        sag = (length_mm / 2 - 0.5) ** 2 / (2 * radius_mm)
        np.testing.assert_allclose(lift, -sag, rtol=0, atol=2e-6)


def test_in_a_dish_it_stands_on_its_end_and_where_the_glass_begins_to_carry() -> None:
    radius_mm, length_mm, clear_mm = -281_000.0, 400.0, 100.0
    dish = lifted(radius_mm=radius_mm)
    lift = edge_lift_gauge(dish, length_mm=length_mm, inset_mm=0.5, clear_mm=clear_mm)["leading"]
    # above the chord between d = clear and d = S, (d - clear)(d - S) / (2 |R|)
    expected = (clear_mm - 0.5) * (length_mm - 0.5) / (2 * 281_000.0)
    np.testing.assert_allclose(lift, expected, rtol=0, atol=1e-6)


def test_it_is_a_plain_loop_over_pairs_of_crests() -> None:
    rng = np.random.default_rng(8)
    height = lifted({"leading": 0.2}, amplitude_mm=0.03, pitch_y_mm=100.0)
    height = height + 0.01 * rng.standard_normal(height.shape)
    low, high, inset, bridge = 120, 700, 30, 75
    lift = edge_lift_gauge(
        height, length_mm=high + 0.5, inset_mm=inset + 0.5, clear_mm=low + 0.5, bridge_mm=bridge
    )["leading"]
    x = np.arange(low, high + 1)
    for j in range(height.sizes["y"]):
        z = height.values[:, j]
        p, q = next(
            (p, q)
            for p in x[1:]
            for q in range(p + bridge, high)
            if (z[x] <= z[p] + (z[q] - z[p]) * (x - p) / (q - p) + 1e-12).all()
        )
        expected = z[inset] - (z[p] + (z[q] - z[p]) * (inset - p) / (q - p))
        assert float(lift[j]) == pytest.approx(expected, abs=3e-8)


def test_the_sweep_is_the_gauge_at_every_inset() -> None:
    height = lifted(SIZES, amplitude_mm=0.02)
    for along, edges in (("x", ("leading", "trailing")), ("y", ("left", "right"))):
        swept = sweep_edge_lift(height, length_mm=400.0, along=along, clear_mm=120.0)
        at = height[along].values
        distance = np.minimum(at, (LENGTH_MM if along == "x" else WIDTH_MM) - at)
        near = np.flatnonzero(distance < 120.0)
        seen = np.isfinite(swept.values)
        other = "y" if along == "x" else "x"
        assert set(np.flatnonzero(seen.all(axis=swept.get_axis_num(other)))) == set(near)
        assert set(np.flatnonzero(seen.any(axis=swept.get_axis_num(other)))) == set(near)
        for k, edge in ((3, edges[0]), (-4, edges[1])):
            inset_mm = float(distance[k])
            profile = edge_lift_gauge(height, length_mm=400.0, inset_mm=inset_mm, clear_mm=120.0)
            np.testing.assert_allclose(swept.isel({along: k}), profile[edge], rtol=0, atol=2e-7)


def test_flipped_turned_scaled_and_tilted() -> None:
    height = lifted(SIZES, amplitude_mm=0.02)
    options = {"length_mm": 400.0, "inset_mm": 10.5, "clear_mm": 120.0}
    lift = edge_lift_gauge(height, **options)
    twice = edge_lift_gauge(2 * height, **options)
    tilted = edge_lift_gauge(height + 1e-3 * height.x - 2e-3 * height.y, **options)
    flipped = edge_lift_gauge(height.copy(data=height.values[::-1]), **options)
    turned = edge_lift_gauge(height.rename({"x": "y", "y": "x"}).transpose("x", "y"), **options)
    mirror = {"leading": "trailing", "trailing": "leading"}
    turn = {"leading": "left", "trailing": "right", "left": "leading", "right": "trailing"}
    for edge in EDGES:
        np.testing.assert_array_equal(twice[edge], 2 * lift[edge])
        np.testing.assert_allclose(tilted[edge], lift[edge].values, rtol=0, atol=1e-7)
        np.testing.assert_array_equal(turned[turn[edge]].values, lift[edge].values)
        same = flipped[mirror.get(edge, edge)].values
        same = same if edge in mirror else same[::-1]
        np.testing.assert_allclose(same, lift[edge].values, rtol=0, atol=1e-7)


def test_the_rim_is_followed_in_every_line() -> None:
    # a leading edge that runs out by 40 mm across; the lift goes with it
    out_mm = np.linspace(0.0, 40.0, 180)
    height = surfaces.field(
        lambda x, y: 0.3 * np.exp(-(x - 40 * y / WIDTH_MM) / 15),
        length_mm=800.0,
        width_mm=WIDTH_MM,
        pitch_y_mm=5.0,
    )
    rim_mm = 40 * height.y.values / WIDTH_MM
    height = height.where(height.x > height.y * 40 / WIDTH_MM)
    rims = Rims(rim_mm, np.full(180, 800.0), np.zeros(800), np.full(800, WIDTH_MM))
    lift = edge_lift_gauge(height, length_mm=600.0, inset_mm=12.0, clear_mm=250.0, rims=rims)
    assert out_mm.size == lift["leading"].size
    np.testing.assert_allclose(lift["leading"], 0.3 * math.exp(-12 / 15), rtol=0, atol=2e-5)


def test_missing_glass_takes_its_own_lines() -> None:
    height = lifted(SIZES, amplitude_mm=0.03)
    whole = edge_lift_gauge(height, length_mm=500.0, inset_mm=10.5, clear_mm=120.0)["leading"]
    holed = height.copy()
    holed[:9, 10] = np.nan  # the last millimetres are rarely measured: the inset is
    holed[10, 20] = np.nan  # the inset itself
    holed[295:305, 30] = np.nan  # a valley
    holed[196:206, 40] = np.nan  # a crest that carries the rule
    holed[290:320, 50] = np.nan  # longer than what is spanned
    lift = edge_lift_gauge(holed, length_mm=500.0, inset_mm=10.5, clear_mm=120.0)["leading"]
    lost = np.flatnonzero(np.isnan(lift) & np.isfinite(whole))
    assert set(lost) == {20, 40, 50}
    kept = np.isfinite(lift.values)
    np.testing.assert_allclose(lift.values[kept], whole.values[kept], rtol=0, atol=1e-7)


def test_what_does_not_fit_is_refused_in_one_sentence() -> None:
    height = lifted()
    with pytest.raises(LiteTooSmall) as small:
        edge_lift_gauge(height, length_mm=1500.0, inset_mm=10.0)
    assert str(small.value) == (
        "lite: glass shorter than 1500 mm both ways; at least the length of a straight edge, "
        "1500 mm; use a shorter one or a larger scan."
    )
    with pytest.raises(LiteTooSmall, match="along y"):
        sweep_edge_lift(height, length_mm=1000.0, along="y")
    with pytest.raises(SettingsError) as wrong:
        edge_lift_gauge(height, length_mm=180.0, inset_mm=10.0)
    assert str(wrong.value) == (
        "edge-lift gauge: a straight edge of 180 mm, read 10 mm inside the edge, carried from "
        "100 mm on by crests at least 75 mm apart; inset < clear < half the length, and room for "
        "the crests from clear on; correct length_mm, inset_mm, clear_mm or bridge_mm."
    )
    for options in ({"inset_mm": 100.0}, {"inset_mm": -1.0}, {"inset_mm": 5.0, "bridge_mm": 301.0}):
        with pytest.raises(SettingsError, match="room for the crests"):
            edge_lift_gauge(height, length_mm=400.0, **options)
