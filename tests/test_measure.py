"""Gauge lines to half waves: the feet, the mean wavelength, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import surfaces
from midchord.measure import ClearRange, Measured, measure
from midchord.settings import Settings
from midchord_io.errors import LiteTooSmall, ScanError

GRID = {"length_mm": 2400.0, "width_mm": 400.0, "pitch_x_mm": 2.0, "pitch_y_mm": 10.0}


def _measure(z_of, *, noise_mm=0.002, grid=None, doubt=None, **sections: Any) -> Measured:
    height = surfaces.field(z_of, **(grid or GRID))
    noise = np.random.default_rng(3).normal(0, noise_mm, height.shape)
    x, y = height.x.values, height.y.values
    lines = np.ones(y.size)
    clear = ClearRange(
        305.0 * lines, (x[-1] - 304.0) * lines, (y > 50) & (y < height.y.values[-1] - 45)
    )
    residual = (height.values + noise).astype(np.float32)
    nothing = np.zeros(residual.shape, dtype=np.float32)
    settings = Settings.of(sections)
    doubt = nothing if doubt is None else doubt
    return measure(residual, doubt, x, y, y, clear, settings, step_mm=0.0, where="K-1.nc")


def _even(x, y):
    return 0.04 * np.cos(2 * np.pi * x / 240) + 0 * y


def _by_line(x, y):
    """Wavelength from 220 to 259 mm over the width."""
    return 0.04 * np.cos(2 * np.pi * x / (220 + y / 10))


def _local_mm(x):
    return 240 * (1 + 0.12 * np.sin(2 * np.pi * x / 2400))


def _chirp(x, y):
    fine = np.arange(0.0, 2500.0, 0.5)
    phase = np.concatenate([[0], np.cumsum(np.pi / _local_mm(fine))[:-1]])
    return 0.04 * np.cos(np.interp(x, fine, phase)) + 0 * y


def test_the_feet_go_to_half_the_mean_wavelength():
    waves = _measure(_even)
    assert waves.mean_wavelength_mm == pytest.approx(240, rel=1e-3)
    assert waves.half_span_mm == pytest.approx(120, rel=1e-3)
    np.testing.assert_allclose(waves.span_mm, [[waves.half_span_mm]])
    # gain two: the swing is twice the peak-to-valley
    assert waves.reading.waves.depth_mm.mean() == pytest.approx(0.16, rel=0.005)
    assert waves.surface.waves.depth_mm.mean() == pytest.approx(0.08, rel=0.005)
    np.testing.assert_allclose(waves.reading.waves.wavelength_mm, 240, rtol=0.02)


def test_the_mean_is_over_the_clear_points_only():
    def z(x, y):
        # 20 mm longer waves where no contact is clear: left of y = 50
        return np.where(y < 50, np.cos(2 * np.pi * x / 280), np.cos(2 * np.pi * x / 240)) * 0.04

    assert _measure(z, waves={"pool_mm": 0.0}).mean_wavelength_mm == pytest.approx(240, rel=2e-3)


@pytest.mark.parametrize("half_span", [60.0, 90.0, 150.0, 200.0])
def test_fixed_feet_stay_where_they_are_put(half_span):
    waves = _measure(_even, gauge={"feet": "fixed", "half_span_mm": half_span})
    assert waves.half_span_mm == half_span
    assert waves.mean_wavelength_mm == pytest.approx(240, rel=2e-3)
    swing = 0.08 * surfaces.gain(half_span, 240)
    assert np.median(waves.reading.waves.depth_mm) == pytest.approx(swing, rel=0.01)
    assert np.median(waves.surface.waves.depth_mm) == pytest.approx(0.08, rel=0.01)


def test_feet_by_line_are_half_of_each_lines_own_wavelength():
    waves = _measure(_by_line, gauge={"feet": "line"}, waves={"pool_mm": 0.0})
    assert waves.span_mm.shape == (1, 40)
    np.testing.assert_allclose(waves.span_mm[0], (220 + waves.line_y_mm / 10) / 2, rtol=0.005)
    assert waves.half_span_mm == pytest.approx(120, rel=0.005)
    assert waves.mean_wavelength_mm == pytest.approx(240, rel=0.005)


def test_local_feet_follow_the_wavelength_along_the_line():
    waves = _measure(_chirp, gauge={"feet": "local"})
    assert waves.span_mm.shape == (1200, 40)
    inner = (waves.x_mm > 400) & (waves.x_mm < 2000)
    expected = _local_mm(waves.x_mm[inner]) / 2
    np.testing.assert_allclose(waves.span_mm[inner, 20], expected, rtol=0.02)


def test_local_feet_read_twice_the_depth_where_mean_feet_do_not():
    depths = {}
    for feet in ("mean", "local"):
        waves = _measure(_chirp, gauge={"feet": feet}, noise_mm=0.0).reading.waves
        inner = (waves.x_from_mm > 500) & (waves.x_to_mm < 1900)
        depths[feet] = waves.depth_mm[inner]
    assert np.abs(depths["local"] / 0.16 - 1).max() < 0.01
    assert np.abs(depths["mean"] / 0.16 - 1).max() > 0.015


def test_without_a_wave_the_feet_fall_back():
    waves = _measure(lambda x, y: 0 * x * y, gauge={"fallback_half_span_mm": 131.0})
    assert waves.mean_wavelength_mm is None
    assert waves.half_span_mm == 131.0
    assert waves.reading.waves.depth_mm.size == 0
    assert waves.surface.waves.depth_mm.size == 0
    assert waves.reading.detection_mm > 0


def test_even_without_noise_rounding_makes_no_waves():
    waves = _measure(lambda x, y: 1e-7 * np.cos(2 * np.pi * x / 240) + 0 * y, noise_mm=0.0)
    assert waves.mean_wavelength_mm is None


def test_the_slant_of_the_ridges_is_used():
    def z(x, y):
        return 0.04 * np.cos(2 * np.pi * (x - 0.4 * y) / 240)

    # over 60 mm either side, straight across, 0.4 x 60 mm of phase would cost 6 % of the depth
    waves = _measure(z, waves={"pool_mm": 60.0})
    np.testing.assert_allclose(waves.slant[12:-12], 0.4, atol=0.01)
    inner = (waves.surface.waves.line > 11) & (waves.surface.waves.line < 28)
    assert waves.surface.waves.depth_mm[inner].mean() == pytest.approx(0.08, rel=0.004)


def test_the_smoothing_is_corrected():
    # white noise aside, the fit keeps 99.8 % of a wave of 240 mm and less of shorter ones
    for length in (150.0, 240.0, 450.0):
        waves = _measure(
            lambda x, y, length=length: 0.04 * np.cos(2 * np.pi * x / length) + 0 * y, noise_mm=0.0
        )
        middle = np.abs(waves.surface.waves.x_from_mm - 1200) < 600
        depth = waves.surface.waves.depth_mm[middle]
        assert depth.mean() == pytest.approx(0.08, rel=0.002)


def test_the_doubt_of_the_edges_goes_into_the_depth():
    bump = np.zeros((1200, 40), dtype=np.float32)
    bump[:150] = np.linspace(0.05, 0, 150, dtype=np.float32)[:, np.newaxis]
    sure, unsure = _measure(_even), _measure(_even, doubt=bump)
    near = unsure.surface.waves.x_to_mm < 270
    more = unsure.surface.budget.depth_mm - sure.surface.budget.depth_mm
    assert more[near].min() > 0.01
    assert np.abs(more[unsure.surface.waves.x_from_mm > 400]).max() < 1e-9


def test_a_gap_takes_its_own_readings_only():
    height = surfaces.field(_even, **GRID)
    height.values[600:660] = np.nan
    clear = ClearRange(np.full(40, 305.0), np.full(40, 2095.0), np.ones(40, bool))
    x, y = height.x.values, height.y.values
    residual = height.values.astype("f4")
    waves = measure(
        residual,
        np.zeros_like(residual),
        x,
        y,
        y,
        clear,
        Settings.load(),
        step_mm=0.0,
        where="K-1.nc",
    )
    missing = np.isnan(waves.reading.lines[:, 20])
    # the plunger or either foot in the gap of 1201 to 1319 mm, or past an end
    a = waves.half_span_mm
    for shift in (-a, 0.0, a):
        assert missing[(x + shift > 1202) & (x + shift < 1318)].all()
    free = (x > a + 2) & (x < 2398 - a)
    for shift in (-a, 0.0, a):
        free &= (x + shift < 1199) | (x + shift > 1321)
    assert not missing[free].any()
    own = waves.surface.waves
    assert not ((own.x_from_mm < 1200) & (own.x_to_mm > 1320)).any()
    assert waves.mean_wavelength_mm == pytest.approx(240, rel=0.002)


def test_imprint_outside_the_band_is_no_roll_wave():
    def z(x, y):
        return 0.008 * np.cos(2 * np.pi * x / 40) + 0 * y

    assert _measure(z).mean_wavelength_mm is None


@pytest.mark.parametrize(
    ("length_mm", "settings", "words"),
    [
        (200.0, {}, "a lite 200 mm long; more than two roll waves, 240 mm;"),
        (
            2400.0,
            {"gauge": {"feet": "fixed", "half_span_mm": 1300.0}},
            "a lite 2400 mm long; more than the feet span, 2600 mm;",
        ),
    ],
)
def test_what_is_too_short_is_refused_in_one_sentence(length_mm, settings, words):
    with pytest.raises(LiteTooSmall) as refused:
        _measure(_even, grid={**GRID, "length_mm": length_mm}, **settings)
    assert str(refused.value) == (f"K-1.nc: {words} scan more of the lite, or use shorter feet.")


def test_a_pitch_too_coarse_for_the_waves_is_refused():
    with pytest.raises(ScanError) as refused:
        _measure(_even, grid={**GRID, "length_mm": 3000.0, "pitch_x_mm": 50.0})
    assert "K-1.nc: heights 50 mm apart along x and waves of 24" in str(refused.value)
    assert "at least 6.25 heights a wave; scan with a finer pitch" in str(refused.value)


@pytest.mark.parametrize("pitch", [0.5, 5.0, 12.0, 30.0])
def test_any_finer_pitch_gives_the_same_wave(pitch):
    waves = _measure(_even, grid={**GRID, "pitch_x_mm": pitch, "length_mm": 2400.0})
    assert waves.mean_wavelength_mm == pytest.approx(240, rel=2e-3)
    rel = 0.003 if pitch < 20 else 0.01  # three points of a parabola 30 mm apart
    assert waves.surface.waves.depth_mm.mean() == pytest.approx(0.08, rel=rel)
