"""Which sweep a card's kind names; the dial's steps; the other face."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.gauge import sweep_gauge
from midchord.gauges.edge_lift_gauge import sweep_edge_lift
from midchord.gauges.hull_gauges import sweep_flat_base, sweep_straight_edge
from midchord.twins import KINDS, quantised, short_feet_power_mdpt, sweep_twin
from midchord_io.errors import LiteTooSmall, SettingsError


@pytest.fixture
def height() -> xr.DataArray:
    """Not the same along x as along y, nor upside down."""
    return surfaces.field(
        lambda x, y: 0.05 * np.cos(x / 40) ** 3 + 0.02 * np.cos(y / 30) + 1e-6 * x * y,
        length_mm=500.0,
        width_mm=400.0,
        pitch_y_mm=2.0,
    )


LENGTH = {kind: {"base_mm": 240.0} for kind in KINDS} | {
    "three-point": {"half_span_mm": 120.0},
    "short-feet": {"half_span_mm": 20.0},
}


def test_every_kind_is_swept_by_its_own_gauge(height: xr.DataArray) -> None:
    expected = {
        "three-point": sweep_gauge(height, half_span_mm=120.0),
        "short-feet": sweep_gauge(height, half_span_mm=20.0),
        "flat-base": sweep_flat_base(height, base_mm=240.0),
        "straight-edge": sweep_straight_edge(height, length_mm=240.0),
        "edge-lift": sweep_edge_lift(height, length_mm=240.0),
    }
    assert set(expected) == set(KINDS)
    for kind, reading in expected.items():
        twin = sweep_twin(height, kind=kind, **LENGTH[kind])
        np.testing.assert_array_equal(twin.values, reading.values)
        assert np.isfinite(twin.values).any()
        assert (twin.dims, twin.name, twin.attrs["units"]) == (("x", "y"), "reading", "mm")


@pytest.mark.parametrize("kind", KINDS)
def test_across_is_along_of_the_turned_lite(height: xr.DataArray, kind: str) -> None:
    turned = height.rename({"x": "y", "y": "x"}).transpose("x", "y")
    across = sweep_twin(height, kind=kind, along="y", **LENGTH[kind])
    along = sweep_twin(turned, kind=kind, **LENGTH[kind])
    np.testing.assert_array_equal(across.values, along.values.T)
    np.testing.assert_array_equal(across.x, height.x)


def test_on_the_lower_face_the_crests_are_the_valleys(height: xr.DataArray) -> None:
    for kind in KINDS:
        below = sweep_twin(height, kind=kind, face="lower", **LENGTH[kind])
        upside_down = sweep_twin(-height, kind=kind, **LENGTH[kind])
        np.testing.assert_array_equal(below.values, upside_down.values)
    # a three-point gauge just changes its sign; one that rides on peaks has other peaks to ride on
    upper, lower = (
        sweep_twin(height, kind="three-point", half_span_mm=60.0, face=face)
        for face in ("upper", "lower")
    )
    np.testing.assert_array_equal(lower.values, -upper.values)
    flat = sweep_twin(height, kind="flat-base", base_mm=240.0, face="lower")
    assert float(flat.max()) <= 0.0
    other = sweep_twin(height, kind="flat-base", base_mm=240.0)
    assert float(np.abs(flat - other).max()) > 0.01


def test_short_feet_are_a_curvature_meter() -> None:
    # P = 2 z'' = -4 r / a^2; 2 (1 - cos q) / q^2 of it at q = 2 pi a / L (derived)
    height = surfaces.wave(amplitude_mm=0.05, wavelength_mm=300.0, phase_rad=-math.pi / 300)
    reading = sweep_twin(height, kind="short-feet", half_span_mm=30.0)
    power = short_feet_power_mdpt(reading, half_span_mm=30.0)
    largest = 1e6 * 2 * 0.05 * (2 * math.pi / 300) ** 2
    assert largest == pytest.approx(surfaces.distortion_mdpt(0.1, 300.0))
    assert float(power.max()) == pytest.approx(0.967 * largest, rel=1e-3)
    assert power.attrs["units"] == "mdpt"
    assert reading.attrs["units"] == "mm"


def test_quantised_is_the_nearest_step_of_the_dial() -> None:
    reading = np.array([0.0124, 0.0126, -0.0126, 0.0, math.nan])
    np.testing.assert_array_equal(quantised(reading, 0.001), [0.012, 0.013, -0.013, 0.0, math.nan])
    np.testing.assert_allclose(quantised(reading, 0.0254), [0, 0, 0, 0, math.nan], atol=0)
    np.testing.assert_allclose(quantised(np.array([0.04]), 0.0254), [0.0508], rtol=1e-15)
    np.testing.assert_array_equal(quantised(np.array([2.6, 4.4]), 2.5), [2.5, 5.0])
    swept = sweep_twin(surfaces.wave(), kind="three-point", half_span_mm=120.0)
    shown = quantised(swept, 0.005)
    assert shown.attrs == swept.attrs
    assert shown.dtype == np.float32
    assert float(np.abs(shown - swept).max()) <= 0.0025 + 1e-8
    assert len(np.unique(shown.values[np.isfinite(shown.values)])) == 41


@pytest.mark.parametrize("resolution_mm", [0.0, -0.01, math.nan, math.inf])
def test_a_dial_without_steps_is_refused(resolution_mm: float) -> None:
    with pytest.raises(SettingsError, match="a positive step of the dial; correct resolution_mm"):
        quantised(np.zeros(3), resolution_mm)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            {"kind": "two-point", "base_mm": 100.0},
            "gauge: the kind 'two-point'; one of three-point, short-feet, flat-base, "
            "straight-edge, edge-lift; correct the kind.",
        ),
        (
            {"kind": "three-point"},
            "gauge: the kind 'three-point' with no length; half_span_mm alone; give half_span_mm.",
        ),
        (
            {"kind": "flat-base", "base_mm": 300.0, "half_span_mm": 150.0},
            "gauge: the kind 'flat-base' with half_span_mm and base_mm; base_mm alone; "
            "give base_mm.",
        ),
        (
            {"kind": "straight-edge", "half_span_mm": 150.0},
            "gauge: the kind 'straight-edge' with half_span_mm; base_mm alone; give base_mm.",
        ),
        (
            {"kind": "three-point", "half_span_mm": 60.0, "face": "front"},
            "gauge: the face 'front'; one of upper, lower; correct the face.",
        ),
    ],
)
def test_a_card_that_does_not_fit_its_kind_is_refused(height, options, sentence) -> None:
    with pytest.raises(SettingsError) as refused:
        sweep_twin(height, **options)
    assert str(refused.value) == sentence


@pytest.mark.parametrize("kind", KINDS)
def test_a_gauge_longer_than_the_lite_is_refused(height: xr.DataArray, kind: str) -> None:
    longer = {"half_span_mm": 225.0} if "half_span_mm" in LENGTH[kind] else {"base_mm": 450.0}
    with pytest.raises(LiteTooSmall, match="398 mm of glass along y"):
        sweep_twin(height, kind=kind, along="y", **longer)
