"""The roll wave as one narrow band: its wavelength, its phase and the basis made of it."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.detrending.rollwave import phase_along, roll_basis, strongest_wavelength_mm

BAND = (120.0, 600.0)


def _blocks(length_mm=2400.0, lines=14):
    return (np.arange(round(length_mm / 10)) + 0.5) * 10.0, np.linspace(-0.7, 1.2, lines)


def _chirp(x, drift):
    """Phase of a wave whose wavelength is 240 (1 + drift sin) mm."""
    fine = np.arange(0.0, x[-1] + 10, 0.5)
    local = 240 * (1 + drift * np.sin(2 * np.pi * fine / x[-1]))
    return np.interp(x, fine, np.concatenate([[0], np.cumsum(0.5 * 2 * np.pi / local)[:-1]]))


@pytest.mark.parametrize("length_mm", [130.0, 188.0, 240.0, 315.0, 480.0])
def test_the_strongest_wavelength_of_an_even_wave(length_mm):
    x, shifts = _blocks()
    height = 0.05 * np.cos(2 * np.pi * x[:, np.newaxis] / length_mm + shifts)
    found = strongest_wavelength_mm(height, x, band_mm=BAND)
    assert found == pytest.approx(length_mm, rel=0.015)


def test_only_the_band_counts():
    x, shifts = _blocks()
    height = 0.02 * np.cos(2 * np.pi * x[:, np.newaxis] / 250 + shifts)
    height += 0.5 * np.cos(2 * np.pi * x[:, np.newaxis] / 60)
    assert strongest_wavelength_mm(height, x, band_mm=BAND) == pytest.approx(250, rel=0.02)


def test_without_anything_it_is_the_middle_of_the_band():
    x, _ = _blocks()
    found = strongest_wavelength_mm(np.zeros((x.size, 3)), x, band_mm=BAND)
    assert found == pytest.approx(np.sqrt(120 * 600))


@pytest.mark.parametrize("drift", [0.0, 0.08, 0.15])
def test_the_phase_follows_a_drift_that_all_lines_share(drift):
    rng = np.random.default_rng(5)
    x, shifts = _blocks()
    true = _chirp(x, drift)
    amplitude = np.linspace(0.01, 0.06, shifts.size)
    height = amplitude * np.cos(true[:, np.newaxis] + shifts)
    height += rng.normal(0, 0.002, height.shape)
    phase = phase_along(height, np.ones(height.shape, bool), x, band_mm=BAND)
    assert phase[0] == 0.0
    assert (np.diff(phase) > 0).all()
    off = phase - (true - true[0])
    # what the slowly varying cosine and sine must take up stays below an eighth of a turn
    assert np.ptp(off[25:-25]) < np.pi / 4


def test_lines_without_a_wave_count_for_nothing():
    x, shifts = _blocks()
    height = 0.05 * np.cos(2 * np.pi * x[:, np.newaxis] / 240 + shifts)
    some = height.copy()
    some[:, ::2] = 0
    known = np.ones(height.shape, bool)
    known[:, ::2] = False
    np.testing.assert_allclose(
        phase_along(some, known, x, band_mm=BAND),
        phase_along(height[:, 1::2], known[:, 1::2], x, band_mm=BAND),
        atol=1e-9,
    )


def test_missing_blocks_do_not_break_the_phase():
    rng = np.random.default_rng(6)
    x, shifts = _blocks()
    height = 0.05 * np.cos(2 * np.pi * x[:, np.newaxis] / 240 + shifts)
    known = rng.random(height.shape) > 0.3
    phase = phase_along(np.where(known, height, np.nan), known, x, band_mm=BAND)
    assert np.isfinite(phase).all()
    assert phase[-1] / (2 * np.pi) == pytest.approx((x[-1] - x[0]) / 240, abs=0.1)


def test_the_rate_stays_within_the_band():
    x, _ = _blocks()
    noise = np.random.default_rng(7).normal(0, 1, (x.size, 3))
    phase = phase_along(noise, np.ones(noise.shape, bool), x, band_mm=BAND)
    rate = np.diff(phase) / 10.0
    assert rate.min() >= 2 * np.pi / 600 - 1e-12
    assert rate.max() <= 2 * np.pi / 120 + 1e-12


def test_the_basis_holds_the_wave_with_any_phase_and_a_slow_amplitude():
    x, _ = _blocks()
    phase = 2 * np.pi * (x - x[0]) / 240
    basis = roll_basis(phase)
    u = np.linspace(-1, 1, x.size)
    wave = (0.05 + 0.02 * u - 0.01 * u**2) * np.cos(phase + 1.1)
    left = wave - basis @ np.linalg.lstsq(basis, wave, rcond=None)[0]
    assert np.abs(left).max() < 1e-12


@pytest.mark.parametrize(("waves", "order"), [(0.5, 1), (3, 2), (9, 6), (40, 8)])
def test_the_basis_has_a_term_every_wave_and_a_half(waves, order):
    phase = np.linspace(0, 2 * np.pi * waves * (1 + 1e-9), 300)
    assert roll_basis(phase).shape == (300, 2 * (order + 1))


def test_the_basis_cannot_be_bow_and_leaves_some_of_an_edge_lift():
    x, _ = _blocks()
    basis = roll_basis(2 * np.pi * (x - x[0]) / 240)
    for shape, share in ((np.linspace(-1, 1, x.size) ** 2, 0.75), (np.exp(-x / 60), 0.2)):
        left = shape - basis @ np.linalg.lstsq(basis, shape, rcond=None)[0]
        assert (left**2).sum() > share * (shape**2).sum()
