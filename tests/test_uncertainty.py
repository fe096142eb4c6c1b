"""Standard uncertainties against simulation, noise densities against their closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from midchord.gauge import three_point
from midchord.lines import HALF_WIDTH, local_fit, transfer
from midchord.uncertainty import (
    LineNoise,
    budget,
    detection_swing_mm,
    expected_largest,
    line_noise,
)
from midchord.waves import HalfWaves, half_waves, turning_points

BAND = (120.0, 600.0)
LENGTH, AMPLITUDE = 240.0, 0.02


def _density(lines, pitch, wavelength=LENGTH):
    half_width = round(HALF_WIDTH * wavelength / pitch)
    lines = lines.astype(np.float32)
    return line_noise(lines, local_fit(lines, half_width), pitch, half_width, apart=1)


@pytest.mark.parametrize(("pitch", "pooled"), [(1.0, 1), (1.0, 5), (2.0, 3), (5.0, 1)])
def test_white_noise_has_the_density_s2_p_over_n(pitch, pooled):
    rng = np.random.default_rng(1)
    sigma = 0.004
    lines = rng.normal(0, sigma, (round(2400 / pitch), 40, pooled)).mean(axis=2)
    noise = _density(lines, pitch)
    exact = sigma**2 * pitch / pooled
    assert noise.density_mm3 == pytest.approx(exact, rel=0.12)
    assert noise.sample_sd_mm(pitch) == pytest.approx(sigma / np.sqrt(pooled), rel=0.06)


@pytest.mark.parametrize("correlation_mm", [3.0, 6.0])
def test_correlated_noise_has_the_density_of_its_integral(correlation_mm):
    # correlation exp(-d / c): the integral over all lags is 2 c
    rng = np.random.default_rng(2)
    sigma, pitch = 0.004, 1.0
    rho = np.exp(-pitch / correlation_mm)
    white = rng.normal(0, sigma * np.sqrt(1 - rho**2), (3600, 60))
    lines = signal.lfilter([1], [1, -rho], white, axis=0)[1200:]
    noise = _density(lines, pitch)
    assert noise.density_mm3 == pytest.approx(2 * correlation_mm * sigma**2, rel=0.2)
    assert noise.correlation_mm == pytest.approx(correlation_mm, rel=0.5)


@pytest.mark.parametrize("seed", range(6))
def test_white_noise_is_never_taken_for_correlated(seed):
    lines = np.random.default_rng(seed).normal(0, 0.004, (2400, 200))
    noise = _density(lines, 1.0)
    assert noise.correlation_mm == 0.0
    assert noise.density_mm3 == pytest.approx(1.6e-5, rel=0.06)


def test_a_wave_and_a_narrow_imprint_do_not_pass_for_noise():
    rng = np.random.default_rng(3)
    x = np.arange(2400.0)[:, np.newaxis]
    noise = rng.normal(0, 0.004, (2400, 40))
    wave = 0.05 * np.cos(2 * np.pi * x / 240) + 0.01 * np.cos(2 * np.pi * x / 30)
    assert _density(wave + noise, 1.0).density_mm3 == pytest.approx(1.6e-5, rel=0.2)


def test_missing_samples_and_lines_do_not_count():
    rng = np.random.default_rng(4)
    lines = rng.normal(0, 0.004, (2400, 60))
    lines[400:700] = np.nan
    lines[:, :5] = np.nan
    assert _density(lines, 1.0).density_mm3 == pytest.approx(1.6e-5, rel=0.15)
    assert _density(np.full((300, 4), np.nan), 1.0) == LineNoise(0.0, 0.0)


@pytest.mark.parametrize("half_span", [None, 120.0])
def test_noise_alone_exceeds_detection_as_rarely_as_stated(half_span):
    # one "lite" is ten independent lines of 2400 mm; 300 of them
    rng = np.random.default_rng(5)
    pitch, sigma, rate, lites, lines_each = 4.0, 0.004, 0.05, 300, 10
    lines = rng.normal(0, sigma, (600, lites * lines_each)).astype(np.float32)
    half_width = round(HALF_WIDTH * LENGTH / pitch)
    threshold = detection_swing_mm(
        LineNoise(sigma**2 * pitch, 0.0),
        pitch,
        half_width,
        half_span_mm=half_span,
        looks=lines_each * 2400.0 / (BAND[0] / 2),
        false_rate=rate,
    )
    read = lines if half_span is None else three_point(lines, np.full((1, 1), half_span / pitch))
    points = turning_points(
        local_fit(read, half_width),
        np.arange(600) * pitch,
        smallest_swing_mm=threshold,
        fit_mm=7.0,
    )
    waves = half_waves(points, wavelength="centred", band_mm=BAND)
    share = np.unique(waves.line // lines_each).size / lites
    assert share <= rate + 2 * np.sqrt(rate / lites)
    # and it is no more than 8.5 deviations of the smoothed line (lines.py: 2.26 s / sqrt(L / p))
    gain = 1.0 if half_span is None else np.sqrt(1.5)
    assert threshold < 8.5 * 2.26 * sigma / np.sqrt(LENGTH / pitch) * gain


def test_detection_rises_with_noise_and_with_looks():
    def swing(density=1e-5, looks=100.0, rate=0.01):
        return detection_swing_mm(
            LineNoise(density, 0.0), 1.0, 96, half_span_mm=120.0, looks=looks, false_rate=rate
        )

    assert swing(4e-5) == pytest.approx(2 * swing())
    assert swing(looks=1000.0) == pytest.approx(
        swing() * np.sqrt(np.log(1e5) / np.log(1e4)), rel=1e-9
    )
    assert swing(density=0.0) == 0.0


def _simulated(half_span, rule, *, sigma=0.004, pitch=2.0, count=600):
    """Half waves of many noisy copies of one line, and their budget."""
    rng = np.random.default_rng(6)
    x = np.arange(0.0, 1500.0, pitch)
    lines = AMPLITUDE * np.cos(2 * np.pi * x / LENGTH)[:, np.newaxis]
    lines = (lines + rng.normal(0, sigma, (x.size, count))).astype(np.float32)
    half_width = round(HALF_WIDTH * LENGTH / pitch)
    read = lines if half_span is None else three_point(lines, np.full((1, 1), half_span / pitch))
    points = turning_points(
        local_fit(read, half_width), x, smallest_swing_mm=0.015, fit_mm=0.03 * LENGTH
    )
    waves = half_waves(points, wavelength=rule, band_mm=BAND)
    terms = budget(
        waves,
        LineNoise(sigma**2 * pitch, 0.0),
        pitch,
        half_width,
        half_span_mm=None if half_span is None else np.full(waves.line.size, half_span),
        wavelength=rule,
        filter_gain=transfer(waves.wavelength_mm / pitch, half_width),
        model_doubt_mm=np.zeros(waves.line.size),
    )
    return waves, terms


@pytest.mark.parametrize("half_span", [None, 120.0, 90.0])
@pytest.mark.parametrize("rule", ["centred", "backward", "half"])
def test_the_budget_is_the_scatter(half_span, rule):
    waves, terms = _simulated(half_span, rule)
    # one half wave in the middle of every line, all of its neighbours there
    inside = (waves.x_from_mm > 550) & (waves.x_from_mm < 650)
    own = waves.where(inside)
    assert own.line.size == 600
    for values, stated in (
        (own.depth_mm, terms.depth_mm[inside]),
        (own.wavelength_mm, terms.wavelength_mm[inside]),
        (
            own.depth_mm / own.wavelength_mm**2,
            (terms.distortion_relative * waves.depth_mm / waves.wavelength_mm**2)[inside],
        ),
    ):
        assert values.std() == pytest.approx(np.sqrt((stated**2).mean()), rel=0.15)


def _one_wave(depth=0.1, **columns):
    default = {
        "line": np.array([0]),
        "x_from_mm": np.array([500.0]),
        "x_to_mm": np.array([620.0]),
        "before_mm": np.array([380.0]),
        "after_mm": np.array([740.0]),
        "depth_mm": np.array([depth]),
        "wavelength_mm": np.array([240.0]),
        "is_rising": np.array([True]),
    }
    return HalfWaves(**{**default, **columns})


def _terms(waves, *, density=0.0, gain=1.0, doubt=0.0, rule="centred"):
    return budget(
        waves,
        LineNoise(density, 0.0),
        1.0,
        96,
        half_span_mm=np.array([120.0]),
        wavelength=rule,
        filter_gain=np.array([gain]),
        model_doubt_mm=np.array([doubt]),
    )


def test_the_terms_add_as_squares():
    noise = float(_terms(_one_wave(), density=1e-5).depth_mm[0])
    both = float(_terms(_one_wave(), density=1e-5, doubt=0.003).depth_mm[0])
    assert both == pytest.approx(np.hypot(noise, 0.003))
    assert float(_terms(_one_wave(), gain=0.9).depth_mm[0]) == pytest.approx(0.25 * 0.1 * 0.1)
    assert float(_terms(_one_wave()).depth_mm[0]) == 0.0


def test_distortion_takes_depth_once_and_wavelength_twice():
    terms = _terms(_one_wave(), density=1e-5, doubt=0.001)
    expected = np.hypot(terms.depth_mm / 0.1, 2 * terms.wavelength_mm / 240)
    # with feet of half a wavelength the noise of the two is nearly independent
    np.testing.assert_allclose(terms.distortion_relative, expected, rtol=0.03)


def test_a_shallow_wave_is_less_sure_of_its_wavelength():
    deep, shallow = (_terms(_one_wave(w), density=1e-5).wavelength_mm[0] for w in (0.1, 0.02))
    assert shallow == pytest.approx(5 * deep, rel=0.02)  # but for the doubt of a drift


def test_a_wave_at_the_end_is_less_sure_than_one_inside():
    inside = _terms(_one_wave(), density=1e-5)
    end = _terms(_one_wave(after_mm=np.array([np.nan])), density=1e-5)
    assert end.wavelength_mm[0] > inside.wavelength_mm[0]
    assert np.isfinite(end.wavelength_mm[0])


def test_no_waves_have_an_empty_budget():
    none = _one_wave().where(np.array([False]))
    terms = budget(
        none,
        LineNoise(1e-5, 0.0),
        1.0,
        96,
        half_span_mm=np.empty(0),
        wavelength="centred",
        filter_gain=np.empty(0),
        model_doubt_mm=np.empty(0),
    )
    assert [column.size for column in terms] == [0, 0, 0]


@pytest.mark.parametrize("spread", [0.0, 0.5, 5.0])
def test_the_expected_largest_is_that_of_simulation(spread):
    rng = np.random.default_rng(7)
    values = rng.uniform(10 - spread, 10, 60)
    sd = rng.uniform(0.2, 0.6, 60)
    simulated = rng.normal(values, sd, (40_000, 60)).max(axis=1).mean()
    assert expected_largest(values, sd) == pytest.approx(simulated, abs=0.01)


def test_one_figure_has_no_upward_bias_and_sure_figures_have_none():
    assert expected_largest(np.array([3.0]), np.array([0.4])) == pytest.approx(3.0, abs=1e-3)
    values = np.array([1.0, 2.0, 5.0])
    assert expected_largest(values, np.zeros(3)) == pytest.approx(5.0, abs=1e-6)
