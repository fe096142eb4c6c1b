"""Maps, line table and centre line agree with each other and with the half waves they come from."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.draw_up import table_lines
from midchord.run import process
from midchord.settings import Settings

COLUMNS = {
    "line_y_mm": "mm",
    "x_from_mm": "mm",
    "x_to_mm": "mm",
    "length_mm": "mm",
    "wavelength_mm": "mm",
    "depth_mm": "mm",
    "surface_depth_mm": "mm",
    "gauge_distortion_mdpt": "mdpt",
    "surface_distortion_mdpt": "mdpt",
    "u_depth_mm": "mm",
    "u_wavelength_mm": "mm",
    "u_gauge_distortion_mdpt": "mdpt",
    "rising": "1",
    "zone": "1",
}


def _maps(settings: dict[str, Any] | None = None, **grid: Any) -> xr.Dataset:
    noise = np.random.default_rng(1)

    def z(x, y):
        wave = (0.03 + 0.00003 * y) * np.cos(2 * np.pi * (x - 0.05 * y) / 230)
        return wave + noise.normal(0, 0.003, (x.size, y.size)) + 2e-6 * (x - 1000) ** 2

    size = {"length_mm": 2000.0, "width_mm": 500.0, "pitch_x_mm": 4.0, "pitch_y_mm": 10.0}
    return process(surfaces.scan(z, **{**size, **grid}), Settings.of(settings or {}))


@pytest.fixture(scope="module")
def maps() -> xr.Dataset:
    return _maps()


def test_the_line_table_has_its_columns_with_units(maps):
    for name, units in COLUMNS.items():
        column = maps[f"hw_{name}"]
        assert column.dims == ("half_wave",)
        assert column.attrs["units"] == units
    assert maps.sizes["half_wave"] > 50
    assert maps.hw_rising.attrs["flag_meanings"] == "falling rising"
    assert maps.hw_zone.attrs["flag_meanings"] == "clear near edge"


def test_lines_are_every_so_often_from_the_middle():
    y = (np.arange(50) + 0.5) * 10.0
    np.testing.assert_array_equal(y[table_lines(y, 100.0)], [45, 145, 245, 345, 445])
    assert table_lines(y, 1e6).size == 1
    assert y[table_lines(y, 1e6)[0]] in (245.0, 255.0)
    np.testing.assert_array_equal(table_lines(y, 1.0), np.arange(50))
    assert table_lines(np.array([10.0, 310.0, 610.0]), 100.0).tolist() == [0, 1, 2]


def test_the_table_says_what_the_maps_show(maps):
    pairs = (
        ("depth", "depth_mm"),
        ("wavelength", "wavelength_mm"),
        ("gauge_distortion", "gauge_distortion_mdpt"),
        ("u_depth", "u_depth_mm"),
        ("u_gauge_distortion", "u_gauge_distortion_mdpt"),
    )
    middle = 0.5 * (maps.hw_x_from_mm + maps.hw_x_to_mm).values
    for field, column in pairs:
        there = maps[field].sel(
            x=xr.DataArray(middle), y=xr.DataArray(maps.hw_line_y_mm.values), method="nearest"
        )
        np.testing.assert_allclose(there.values, maps[f"hw_{column}"].values, rtol=1e-5)


def test_half_waves_alternate_and_touch_along_a_line(maps):
    one = maps.where(maps.hw_line_y_mm == maps.hw_line_y_mm[0], drop=True)
    start, end = one.hw_x_from_mm.values, one.hw_x_to_mm.values
    np.testing.assert_array_equal(start[1:], end[:-1])
    assert (np.diff(one.hw_rising.values) != 0).all()
    np.testing.assert_allclose(one.hw_length_mm.values, end - start)
    np.testing.assert_allclose(end - start, 115, atol=4)


def test_distortion_in_the_table_is_of_its_depth_and_wavelength(maps):
    for depth, distortion in (("depth", "gauge"), ("surface_depth", "surface")):
        expected = 4e6 * np.pi**2 * maps[f"hw_{depth}_mm"] / maps.hw_wavelength_mm**2
        got = maps[f"hw_{distortion}_distortion_mdpt"].values
        known = np.isfinite(got)
        assert known.mean() > 0.7
        # the surface's own wavelength differs from the reading's by noise alone
        tolerance = 1e-9 if depth == "depth" else 0.05
        np.testing.assert_allclose(got[known], expected.values[known], rtol=tolerance)


def test_a_half_wave_is_clear_when_both_its_turning_points_are(maps):
    y = maps.hw_line_y_mm.values
    near = y[np.flatnonzero(maps.hw_zone.values == 0)]
    assert near.min() >= 50
    clear = maps.hw_zone.values == 0
    half_span = 115
    assert maps.hw_x_from_mm.values[clear].min() > 305 + half_span - 6
    assert maps.hw_x_to_mm.values[clear].max() < 2000 - 305 - half_span + 6
    assert (maps.hw_zone.values == 1).any()
    assert (maps.hw_zone.values == 2).any()


def test_the_centre_line_is_at_scan_pitch_with_its_readings(maps):
    assert maps.sizes["centre_x"] == 500
    for name in ("height", "residual", "reading", "reading_smooth"):
        profile = maps[f"centre_{name}"]
        assert profile.attrs["units"] == "mm"
        assert profile.attrs["y_mm"] in (245.0, 255.0)
    assert np.isfinite(maps.centre_height).all()
    x = maps.centre_x.values
    a = 115.0
    has = np.isfinite(maps.centre_reading.values)
    np.testing.assert_array_equal(has, (x - a >= x[0]) & (x + a <= x[-1]))
    residual = maps.centre_residual.values
    k = int(np.flatnonzero(x > 1000)[0])
    left, right = (np.interp(x[k] + s * a, x, residual) for s in (-1, 1))
    expected = residual[k] - 0.5 * (left + right)
    assert maps.centre_reading.values[k] == pytest.approx(expected, abs=0.002)


def test_the_reading_is_swept_over_the_residual(maps):
    # bow of 2 mm would shift every reading by a^2 z'' / 2 = 0.026 mm
    clear = maps.zone.values == 0
    assert abs(float(np.nanmean(maps.reading.values[clear]))) < 0.004
    assert float(np.nanstd(maps.height.values)) > 0.3
    assert float(np.nanstd(maps.residual.values)) < 0.04


@pytest.mark.parametrize("edge", ["leading", "trailing", "left", "right"])
def test_edge_lift_is_mapped_along_its_edge(maps, edge):
    profile = maps[f"edge_lift_{edge}"]
    assert profile.dims == (("y",) if edge in ("leading", "trailing") else ("x",))
    assert profile.attrs["units"] == "mm"
    assert np.abs(profile.values).max() < 0.05  # the lite has none


@pytest.mark.parametrize("feet", ["line", "local"])
def test_feet_that_vary_set_reading_gain_and_zones(feet):
    maps = _maps({"gauge": {"feet": feet}})
    known = np.isfinite(maps.gain.values) & (maps.zone.values == 0)
    assert maps.gain.values[known].min() > 1.9
    assert np.isfinite(maps.reading.values[maps.zone.values == 0]).mean() > 0.99


def test_maps_are_blank_where_nothing_was_measured():
    maps = _maps()
    gap = np.isnan(maps.height.values)
    for name in ("depth", "wavelength", "power_x", "power_y", "u_depth"):
        assert np.isnan(maps[name].values[gap]).all()
