"""Fields on the map grid: interpolation, states, half waves, power, zones, statistics."""

from __future__ import annotations

import math

import numpy as np
import pytest

import surfaces
from midchord.lines import transfer
from midchord.maps import (
    CLEAR,
    EDGE,
    NEAR,
    NO_GLASS,
    Zoning,
    cell_states,
    half_wave_field,
    interpolated,
    map_positions,
    power_field,
    statistics,
    zone_table,
)


def _centres(count, pitch):
    return (np.arange(count) + 0.5) * pitch


@pytest.mark.parametrize(
    ("count", "pitch", "wanted", "cells", "first"),
    [
        (2400, 1.0, 5.0, 480, 2.5),
        (2403, 1.0, 5.0, 480, 2.5),  # whole cells only
        (1200, 2.0, 5.0, 480, 2.5),  # need not be a multiple of the scan's pitch
        (60, 10.0, 5.0, 60, 5.0),  # never finer than the scan
        (60, 5.0, 5.0, 60, 2.5),
        (60, 5.0, 0.0, 60, 2.5),  # 0: the scan's own
        (60, 5.0, 1000.0, 2, 500.0),  # never fewer than two
    ],
)
def test_maps_tile_the_lite_from_its_rim(count, pitch, wanted, cells, first):
    at = map_positions(_centres(count, pitch), wanted)
    assert at.size == cells
    assert at[0] == pytest.approx(first)
    np.testing.assert_allclose(np.diff(at), max(wanted, pitch))


def test_the_rim_need_not_be_zero():
    at = map_positions(1000.0 + _centres(100, 1.0), 5.0)
    assert at[0] == pytest.approx(1002.5)


def test_interpolation_is_exact_on_planes_and_on_samples():
    x, y = _centres(30, 2.0), _centres(12, 7.0)
    field = (3 + 0.5 * x[:, np.newaxis] - 0.25 * y).astype(np.float32)
    to_x, to_y = np.array([1.0, 2.7, 30.0, 59.0]), np.array([3.5, 20.1, 80.5])
    got = interpolated(field, x, y, to_x, to_y)
    np.testing.assert_allclose(got, 3 + 0.5 * to_x[:, np.newaxis] - 0.25 * to_y, rtol=1e-6)
    np.testing.assert_array_equal(interpolated(field, x, y, x, y), field)


def test_a_missing_height_is_missing_only_where_it_is_used():
    x, y = _centres(8, 1.0), _centres(6, 2.0)
    field = np.ones((8, 6), dtype=np.float32)
    field[3, 2] = np.nan
    to_x, to_y = np.linspace(0.5, 7.5, 15), np.linspace(1.0, 11.0, 11)
    got = np.isnan(interpolated(field, x, y, to_x, to_y))
    # oracle: within one pitch either way of the missing sample, its weight is not nothing
    used = (np.abs(to_x - x[3]) < 1.0 - 1e-9)[:, np.newaxis] & (np.abs(to_y - y[2]) < 2.0 - 1e-9)
    np.testing.assert_array_equal(got, used)
    assert got.sum() == 9


def test_a_weight_of_nothing_does_not_bring_in_what_is_missing():
    x, y = _centres(5, 1.0), _centres(4, 1.0)
    field = np.full((5, 4), np.nan, dtype=np.float32)
    field[2, 1] = 4.0
    got = interpolated(field, x, y, x, y)
    assert got[2, 1] == 4.0
    assert np.isnan(got).sum() == 19


def test_a_cell_has_the_worst_state_of_its_samples():
    rng = np.random.default_rng(1)
    x, y = _centres(60, 1.0), _centres(30, 2.0)
    state = rng.choice([0, 0, 0, 0, 0, 0, 1, 2, 3, 4], (60, 30)).astype(np.uint8)
    to_x, to_y = map_positions(x, 5.0), map_positions(y, 6.0)
    got = cell_states(state, x, y, to_x, to_y)
    for i in range(12):
        for j in range(10):
            cell = state[5 * i : 5 * i + 5, 3 * j : 3 * j + 3]
            middle = state[5 * i + 2, 3 * j + 1]
            expected = 4 if middle == 4 else max((s for s in cell.ravel() if s != 4), default=4)
            assert got[i, j] == expected


def test_at_scan_pitch_states_are_those_of_the_scan():
    rng = np.random.default_rng(2)
    x, y = _centres(20, 1.0), _centres(9, 10.0)
    state = rng.integers(0, 5, (20, 9)).astype(np.uint8)
    np.testing.assert_array_equal(cell_states(state, x, y, x, y), state)


def test_every_point_takes_the_value_of_the_half_wave_it_lies_in():
    rng = np.random.default_rng(3)
    x = _centres(100, 5.0)
    line = np.array([0, 0, 2, 2, 2])
    start = np.array([12.0, 130.0, 0.0, 100.0, 480.0])
    end = np.array([130.0, 260.0, 90.0, 102.0, 600.0])
    values = rng.random(5)
    got = half_wave_field(line, start, end, values, x, 3)
    expected = np.full((100, 3), np.nan, dtype=np.float32)
    for k in range(5):
        for i in range(100):
            if start[k] <= x[i] < end[k]:
                expected[i, line[k]] = values[k]
    np.testing.assert_array_equal(got, expected)
    assert np.isnan(got[:, 1]).all()


def test_no_half_waves_make_an_empty_field():
    none = np.empty(0)
    got = half_wave_field(none.astype(np.intp), none, none, none, _centres(7, 5.0), 3)
    assert got.shape == (7, 3)
    assert np.isnan(got).all()


def _power(z_of, *, axis="x", window_mm=50.0, pool_mm=12.0, map_pitch=5.0, **grid):
    height = surfaces.field(z_of, **grid)
    z, x, y = height.values.astype("f4"), height.x.values, height.y.values
    if axis == "y":
        z, x, y = np.ascontiguousarray(z.T), y, x
    to_x, to_y = map_positions(x, map_pitch), map_positions(y, map_pitch)
    field, passes = power_field(z, x, y, to_x, to_y, window_mm=window_mm, pool_mm=pool_mm)
    return to_x, to_y, field, passes


@pytest.mark.parametrize("axis", ["x", "y"])
def test_power_of_a_parabola_is_twice_its_second_derivative(axis):
    # P = 2 z'', mdpt; concave seen from above (z'' > 0) is positive
    _, _, field, _ = _power(
        lambda x, y: 2e-6 * x**2 - 5e-6 * y**2, axis=axis, pitch_y_mm=4.0, width_mm=500.0
    )
    expected = 8.0 if axis == "x" else -20.0
    known = np.isfinite(field)
    assert known.mean() > 0.7
    np.testing.assert_allclose(field[known], expected, atol=0.1)  # float32 of 1 mm


def test_power_of_a_sphere_is_two_over_its_radius():
    # geometry: z = R - sqrt(R^2 - r^2), power of a concave mirror 2 / R
    radius = 80_000.0
    _, _, field, _ = _power(
        lambda x, y: radius - np.sqrt(radius**2 - (x - 650) ** 2 - (y - 120) ** 2)
    )
    np.testing.assert_allclose(field[np.isfinite(field)], 2e6 / radius, rtol=0.01)


@pytest.mark.parametrize("length_mm", [60.0, 120.0, 240.0])
def test_power_of_a_wave_is_that_of_theory_times_the_stated_transfer(length_mm):
    amplitude = 0.03
    to_x, _, field, passes = _power(
        lambda x, y: amplitude * np.cos(2 * np.pi * x / length_mm) + 0 * y
    )
    gain = float(transfer(length_mm, 50, derivative=2)[0])
    exact = -2e6 * amplitude * (2 * np.pi / length_mm) ** 2 * np.cos(2 * np.pi * to_x / length_mm)
    whole = (to_x > 51) & (to_x < 1249)  # where the fit has its whole window
    np.testing.assert_allclose(
        field[whole, 3], gain * exact[whole], atol=2e-3 * np.abs(exact).max()
    )
    # the wavelength it states is where 90 % passes
    assert float(transfer(passes, 50, derivative=2)[0]) == pytest.approx(0.9, abs=0.005)
    assert (gain > 0.9) == (length_mm > passes)


def test_power_shifts_with_nothing_and_scales():
    def z(x, y):
        return 0.02 * np.cos(2 * np.pi * x / 200) + 0.01 * np.sin(y / 30)

    one = _power(z)[2]
    tilted = _power(lambda x, y: z(x, y) + 0.01 * x - 0.02 * y)[2]
    double = _power(lambda x, y: 2 * z(x, y))[2]
    np.testing.assert_allclose(tilted, one, atol=1.0)  # rounding of 13 mm in float32
    np.testing.assert_allclose(double, 2 * one, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize(("pitch", "map_pitch"), [(0.5, 5.0), (1.5, 5.0), (30.0, 5.0), (2.0, 0.0)])
def test_power_of_any_pitch(pitch, map_pitch):
    to_x, to_y, field, passes = _power(
        lambda x, y: 3e-6 * x**2 + 0 * y,
        pitch_x_mm=pitch,
        map_pitch=map_pitch,
        length_mm=1200.0,
        window_mm=0.5 if pitch == 0.5 else 50.0,
    )
    assert field.shape == (to_x.size, to_y.size)
    known = field[np.isfinite(field)]
    assert known.size
    np.testing.assert_allclose(np.median(known), 12.0, atol=0.1 if pitch > 0.5 else 400)
    assert passes > 2 * pitch


ZONING = Zoning(
    np.full(20, 0.0), np.full(20, 2400.0), np.full(240, 0.0), np.full(240, 800.0), 305.0, 50.0
)
MAP_X, MAP_Y = _centres(240, 10.0), _centres(20, 40.0)


def _slow_zones(span, is_glass, edge_x=305.0, edge_y=50.0):
    zone = np.empty(is_glass.shape, np.uint8)
    for i, x in enumerate(MAP_X):
        for j, y in enumerate(MAP_Y):
            a = span[min(i, span.shape[0] - 1), min(j, span.shape[1] - 1)]
            clear = [
                edge_x <= at <= 2400 - edge_x and edge_y <= y <= 800 - edge_y
                for at in (x, x - a, x + a)
            ]
            zone[i, j] = CLEAR if all(clear) else NEAR if clear[0] else EDGE
            if not is_glass[i, j]:
                zone[i, j] = NO_GLASS
    return zone


@pytest.mark.parametrize("shape", [(1, 1), (1, 20), (240, 20)])
def test_zones_are_by_the_contacts(shape):
    rng = np.random.default_rng(4)
    is_glass = rng.random((240, 20)) > 0.05
    span = rng.uniform(80, 180, shape)
    zone = ZONING.zones(MAP_X, MAP_Y, span, is_glass)
    np.testing.assert_array_equal(zone, _slow_zones(span, is_glass))
    assert set(np.unique(zone)) == {CLEAR, NEAR, EDGE, NO_GLASS}


def test_zones_follow_a_slanting_edge():
    slanting = ZONING._replace(leading_x=np.linspace(0, 200, 20))
    zone = slanting.zones(MAP_X, MAP_Y, np.full((1, 1), 120.0), np.ones((240, 20), bool))
    first_clear = MAP_X[(zone == CLEAR).argmax(axis=0)[2:-2]]
    np.testing.assert_allclose(first_clear, slanting.leading_x[2:-2] + 425.0, atol=10.0)


def test_statistics_by_hand():
    values = np.array([[1.0, 5.0, np.nan], [2.0, 9.0, 4.0]], dtype=np.float32)
    u = np.array([[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]], dtype=np.float32)
    mask = np.array([[True, True, True], [True, False, True]])
    x, y = np.array([10.0, 20.0]), np.array([1.0, 2.0, 3.0])
    got = statistics(values, u, x, y, mask, half_wave_cells=1.0)
    assert got["min"] == 1.0
    assert got["mean"] == 3.0
    assert got["max"] == 5.0
    assert got["p95"] == pytest.approx(float(np.percentile([1, 2, 4, 5], 95)))
    assert got["worst"] == {"x_mm": 10.0, "y_mm": 2.0}
    assert got["u_max"] == pytest.approx(0.2)
    mean_square = (0.01 + 0.04 + 0.16 + 0.36) / 4
    assert got["u_mean"] == pytest.approx(math.sqrt(mean_square / 4), rel=1e-6)
    # fewer than one independent half wave is one
    alone = statistics(values, u, x, y, mask, half_wave_cells=40.0)
    assert alone["u_mean"] == pytest.approx(math.sqrt(mean_square), rel=1e-6)
    assert statistics(values, None, x, y, mask)["u_max"] is None


def test_statistics_of_nothing_are_null():
    values = np.full((2, 3), np.nan, dtype=np.float32)
    got = statistics(values, None, np.arange(2.0), np.arange(3.0), np.ones((2, 3), bool))
    assert set(got.values()) == {None}
    assert {"min", "mean", "p95", "max", "u_mean", "u_max", "worst"} == set(got)


@pytest.mark.parametrize("grid", [(3, 3), (1, 1), (7, 2)])
def test_the_areas_of_the_zone_table_add_up(grid):
    rng = np.random.default_rng(5)
    is_glass = rng.random((240, 20)) > 0.05
    zone = ZONING.zones(MAP_X, MAP_Y, np.full((1, 1), 120.0), is_glass)
    values = rng.random((240, 20)).astype(np.float32)
    table = zone_table(
        {"depth_mm": (values, 0.1 * values)},
        MAP_X,
        MAP_Y,
        zone,
        length_mm=2400.0,
        width_mm=800.0,
        grid=grid,
        half_wave_mm2=120.0 * 40.0,
    )
    rows = {row["name"]: row for row in table}
    assert len(table) == 3 + grid[0] * grid[1]
    kinds = sum(rows[name]["area_mm2"] for name in ("clear", "near", "edge"))
    assert kinds == pytest.approx(400.0 * is_glass.sum())
    cells = [row for name, row in rows.items() if name.startswith("r")]
    assert sum(row["area_mm2"] for row in cells) == pytest.approx(rows["clear"]["area_mm2"])
    largest = [row["figures"]["depth_mm"]["max"] for row in cells]
    assert max(v for v in largest if v is not None) == rows["clear"]["figures"]["depth_mm"]["max"]
    last = rows[f"r{grid[0]}c{grid[1]}"]
    assert (last["x_to_mm"], last["y_to_mm"]) == pytest.approx((2400.0, 800.0))
    one = rows["r1c1"]
    inside = (2400 / grid[0] > MAP_X)[:, None] & (800 / grid[1] > MAP_Y) & (zone == CLEAR)
    assert one["figures"]["depth_mm"]["mean"] == (
        pytest.approx(float(values[inside].astype(float).mean())) if inside.any() else None
    )
