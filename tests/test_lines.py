"""Gauge lines: the pooled mean, the slant of ridges, the local fit and its known transfer."""

from __future__ import annotations

import math

import numpy as np
import pytest

import surfaces
from midchord.lines import (
    HALF_WIDTH,
    fit_kernel,
    local_fit,
    pooled_lines,
    ridge_slant,
    transfer,
)


def _column(values: np.ndarray) -> np.ndarray:
    return np.asarray(values, dtype=np.float32)[:, np.newaxis]


def _weights(half_width: int) -> np.ndarray:
    u = np.arange(-half_width, half_width + 1) / (half_width + 1)
    return (1 - u**2) ** 2


@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_the_fit_reproduces_quartics_where_it_exists(derivative):
    quartic = np.polynomial.Polynomial([0.3, -0.02, 0.004, 3e-5, -2e-6])
    at = np.arange(60.0)
    line = quartic(at)
    line[20] = line[33] = np.nan
    fitted = local_fit(_column(line), 8, derivative=derivative)[:, 0]
    exact = (quartic.deriv(derivative) if derivative else quartic)(at)
    known = np.isfinite(fitted)
    # heights are float32: their rounding, 1e-6 of 4, over the half-width to the derivative
    assert np.abs(fitted - exact)[known].max() < 2e-5
    # at a gap of one sample there is a fit all the same; at the ends there is not
    assert known[20]
    assert known[33]
    assert not known[0]
    assert not known[-1]


def test_the_fit_is_weighted_least_squares():
    # oracle: numpy.polyfit, weights (1 - u^2)^2, gaps and ends included
    rng = np.random.default_rng(4)
    line = rng.normal(size=80).astype(np.float32)
    line[[5, 18, 19, 20, 47]] = np.nan
    half = 9
    fitted = local_fit(_column(line), half)[:, 0]
    weights = _weights(half)
    checked = 0
    for i in range(80):
        inside = [k for k in range(-half, half + 1) if 0 <= i + k < 80]
        seen = [k for k in inside if np.isfinite(line[i + k])]
        w = np.array([weights[k + half] for k in seen])
        share = w.sum() / weights.sum()
        sides = [
            sum(weights[k + half] for k in seen if k * side > 0) / weights.sum()
            for side in (-1, 1)
        ]
        if share < 0.65 or min(sides) < 0.12:
            assert np.isnan(fitted[i])
            continue
        u = np.array(seen) / (half + 1)
        expected = np.polyfit(u, line[np.array(seen) + i], 4, w=np.sqrt(w))[-1]
        assert fitted[i] == pytest.approx(expected, abs=1e-5)
        checked += 1
    assert checked > 55


@pytest.mark.parametrize(("length", "half_width"), [(240, 96), (150, 96), (37.7, 12), (12.0, 5)])
def test_transfer_is_the_gain_on_a_sampled_wave(length, half_width):
    at = np.arange(8 * half_width)
    wave = np.cos(2 * np.pi * at / length + 0.3)
    middle = slice(2 * half_width, -2 * half_width)
    smooth = local_fit(_column(wave), half_width)[middle, 0]
    gain = float(transfer(length, half_width)[0])
    assert np.abs(smooth - gain * wave[middle]).max() < 1e-6
    bend = local_fit(_column(wave), half_width, derivative=2)[middle, 0]
    true_bend = -((2 * np.pi / length) ** 2) * wave[middle]
    kept = float(transfer(length, half_width, derivative=2)[0])
    assert np.abs(bend - kept * true_bend).max() < 1e-4 * np.abs(true_bend).max() + 1e-7


def test_the_figures_stated_for_the_half_width_hold():
    length = 240
    half_width = round(HALF_WIDTH * length)
    assert 1 - float(transfer(length, half_width)[0]) == pytest.approx(0.0023, abs=5e-5)
    noise_gain = math.sqrt(float((fit_kernel(half_width) ** 2).sum()))
    assert noise_gain * math.sqrt(length) == pytest.approx(2.26, abs=0.01)
    rng = np.random.default_rng(1)
    noise = rng.normal(size=(6000, 20)).astype(np.float32)
    assert np.nanstd(local_fit(noise, half_width)) == pytest.approx(noise_gain, rel=0.05)


def test_second_derivative_of_a_parabola_is_its_own():
    at = np.arange(50.0)
    bend = local_fit(_column(0.02 * (at - 17) ** 2), 6, derivative=2)
    assert np.nanmax(np.abs(bend - 0.04)) < 1e-5


def test_every_takes_the_same_values_at_fewer_places():
    rng = np.random.default_rng(2)
    lines = rng.normal(size=(83, 3)).astype(np.float32)
    lines[30:34, 1] = np.nan
    some = local_fit(lines, 7, every=5)
    assert some.shape == (17, 3)
    np.testing.assert_array_equal(some, local_fit(lines, 7)[::5])
    later = local_fit(lines, 7, first=3, every=5)
    np.testing.assert_array_equal(later, local_fit(lines, 7)[3::5])


def test_a_short_half_width_lowers_the_degree():
    line = _column(np.arange(12.0) ** 2)
    fitted = local_fit(line, 1)
    assert np.abs(fitted[1:-1] - line[1:-1]).max() < 1e-5
    assert fit_kernel(1).size == 3


def test_lines_are_means_of_the_columns_round_about():
    rng = np.random.default_rng(3)
    height = rng.normal(size=(9, 7)).astype(np.float32)
    y = np.arange(7) * 5.0
    lines = pooled_lines(height, y, np.array([10.0, 22.0]), pool_mm=5.0, x_pitch_mm=1.0)
    np.testing.assert_allclose(lines[:, 0], height[:, 1:4].mean(axis=1), rtol=1e-6, atol=1e-7)
    np.testing.assert_allclose(lines[:, 1], height[:, 4:6].mean(axis=1), rtol=1e-6, atol=1e-7)


def test_without_pooling_a_line_is_the_nearest_column():
    height = np.arange(15, dtype=np.float32).reshape(3, 5)
    lines = pooled_lines(
        height, np.arange(5) * 25.0, np.array([24.0, 80.0]), pool_mm=0.0, x_pitch_mm=1.0
    )
    np.testing.assert_array_equal(lines, height[:, [1, 3]])


def test_a_line_needs_half_of_its_columns():
    height = np.ones((4, 5), dtype=np.float32)
    height[1, :2] = np.nan
    height[2, :3] = np.nan
    height[3] = np.nan
    y = np.arange(5) * 1.0
    line = pooled_lines(height, y, np.array([2.0]), pool_mm=2.0, x_pitch_mm=1.0)[:, 0]
    np.testing.assert_array_equal(line, [1.0, 1.0, np.nan, np.nan])


def test_lines_shifted_by_the_slant_keep_an_oblique_wave_whole():
    slant, length = 0.4, 120.0
    wave = surfaces.field(
        lambda x, y: np.cos(2 * np.pi * (x - slant * y) / length), pitch_y_mm=2.0, width_mm=200.0
    )
    height, y = wave.values.astype(np.float32), wave.y.values
    line_y = np.array([60.0, 140.0])
    options = {"pool_mm": 30.0, "x_pitch_mm": 1.0}
    plain = pooled_lines(height, y, line_y, **options)
    along = pooled_lines(height, y, line_y, slant=np.full(2, slant), **options)
    exact = np.cos(2 * np.pi * (wave.x.values[:, None] - slant * line_y) / length)
    middle = slice(50, -50)
    assert np.abs(along - exact)[middle].max() < 4e-4  # linear between samples 1 mm apart
    # and straight across it is the mean over 2 x 31 mm of phase: sinc
    phase = 2 * np.pi * slant * 30.0 / length
    assert np.abs(plain[middle]).max() == pytest.approx(np.sin(phase) / phase, rel=0.02)


@pytest.mark.parametrize("slant", [-0.3, 0.0, 0.02, 0.3])
def test_the_slant_of_ridges_is_found(slant):
    rng = np.random.default_rng(8)
    lines = surfaces.field(
        lambda x, y: 0.05 * np.cos(2 * np.pi * (x - slant * y) / 230), pitch_y_mm=5.0
    )
    noisy = (lines.values + rng.normal(0, 0.003, lines.shape)).astype(np.float32)
    found = ridge_slant(noisy, lines.y.values, wavelength_mm=230.0, x_pitch_mm=1.0)
    assert found.shape == (48,)
    assert np.abs(found - slant).max() < 0.005


def test_the_slant_of_bowed_ridges_follows_them():
    lines = surfaces.field(
        lambda x, y: np.cos(2 * np.pi * (x - 30 * ((y - 400) / 400) ** 2) / 230),
        pitch_y_mm=5.0,
        width_mm=800.0,
    )
    y = lines.y.values
    found = ridge_slant(lines.values.astype("f4"), y, wavelength_mm=230.0, x_pitch_mm=1.0)
    inner = (y > 100) & (y < 700)
    assert np.abs(found - 60 * (y - 400) / 400**2)[inner].max() < 0.005


def test_where_lines_are_missing_the_slant_is_still_finite():
    lines = np.full((300, 4), np.nan, dtype=np.float32)
    found = ridge_slant(lines, np.arange(4) * 5.0, wavelength_mm=100.0, x_pitch_mm=1.0)
    np.testing.assert_array_equal(found, np.zeros(4))
