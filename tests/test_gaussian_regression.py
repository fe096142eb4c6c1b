"""Mean surface by areal Gaussian regression: published constants, closed forms, reference code."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, optimize

from midchord.detrending import gaussian_regression
from midchord.detrending.gaussian_regression import areal_mean_surface, transmission

X = (np.arange(600) + 0.5) * 5.0
Y = (np.arange(90) + 0.5) * 20.0
CUTOFF = 800.0
MIDDLE = (X > 1100) & (X < 1900)


def _wave(wavelength_mm):
    return np.cos(2 * np.pi * X / wavelength_mm)[:, np.newaxis] + 0 * Y


def _surface(z, **kwargs):
    return areal_mean_surface(np.asarray(z, "f4"), X, Y, cutoff_mm=CUTOFF, **kwargs)


def _second_order():
    u, v = X[:, np.newaxis] / 3000, Y / 1800
    return 3 * u**2 - u * v + 0.5 * v + 2 * v**2 - 1


def test_half_of_a_wave_as_long_as_the_cutoff_passes():
    # definition of the cut-off, ISO 16610-21 and -31
    assert float(transmission(CUTOFF, CUTOFF)) == pytest.approx(0.5, abs=1e-4)


def test_the_kernel_width_is_the_published_one():
    # ISO 16610-31: 0.7309 lc at order 2, the root of (1 + q) exp(-q) = 1/2 with q = pi gamma^2
    q = optimize.brentq(lambda q: (1 + q) * math.exp(-q) - 0.5, 0.1, 5)
    assert math.sqrt(q / math.pi) == pytest.approx(0.7309, abs=5e-5)
    assert pytest.approx(0.7309) == gaussian_regression.GAMMA
    # biweight constant of ISO 16610-31: 4.4478 = 3 x 1.4826, three deviations by the median
    assert pytest.approx(3 * 1.4826, abs=1e-12) == gaussian_regression.BIWEIGHT


def test_second_order_is_flatter_than_the_plain_filter():
    # ISO 16610-21: the plain filter passes exp(-pi (alpha lc / l)^2), alpha = sqrt(ln 2 / pi):
    # 0.5 at lc, 0.7349 at 1.5 lc, 0.8409 at 2 lc, 0.9931 at 10 lc
    alpha = math.sqrt(math.log(2) / math.pi)
    ratio = np.array([1.0, 1.5, 2.0, 10.0])
    plain = np.exp(-np.pi * (alpha / ratio) ** 2)
    np.testing.assert_allclose(plain, [0.5, 0.7349, 0.8409, 0.9931], atol=5e-5)
    second = transmission(ratio * CUTOFF, CUTOFF)
    np.testing.assert_array_less(plain[1:], second[1:])
    assert 1 - second[-1] < 2e-4


@pytest.mark.parametrize("wavelength_mm", [400.0, 600.0, 800.0, 1200.0, 2500.0])
def test_a_wave_is_passed_by_the_transmission(wavelength_mm, monkeypatch):
    monkeypatch.setattr(gaussian_regression, "PASSES", 1)
    mean = _surface(_wave(wavelength_mm))[MIDDLE, 45]
    k = 2 * np.pi * X[MIDDLE] / wavelength_mm
    passed = np.linalg.lstsq(np.stack([np.cos(k), np.sin(k)], 1), mean, rcond=None)[0]
    assert passed[0] == pytest.approx(float(transmission(wavelength_mm, CUTOFF)), abs=5e-4)
    assert abs(passed[1]) < 1e-4


def test_a_surface_of_second_order_passes_unchanged_to_its_edges():
    z = _second_order()
    off = np.abs(_surface(z) - z)
    assert off[60:-60, 10:-10].max() < 3e-5
    assert off.max() < 1e-3  # of 5.5 from valley to peak
    z[100:180, 20:50] = np.nan
    filled = _surface(z)
    assert np.isfinite(filled).all()
    assert np.abs(filled - _second_order()).max() < 1e-3


def test_the_linear_filter_is_weighted_least_squares(monkeypatch):
    # oracle: numpy.linalg.lstsq at single points, one of them in the corner
    monkeypatch.setattr(gaussian_regression, "PASSES", 1)
    rng = np.random.default_rng(1)
    x, y = (np.arange(80) + 0.5) * 20.0, (np.arange(45) + 0.5) * 20.0
    z = rng.normal(size=(80, 45)).astype(np.float32)
    z[30:36, 20:24] = np.nan
    mean = areal_mean_surface(z, x, y, cutoff_mm=CUTOFF)
    for i, j in ((40, 20), (0, 0), (33, 22), (79, 30)):
        dx, dy = np.meshgrid((x - x[i]) / CUTOFF, (y - y[j]) / CUTOFF, indexing="ij")
        weight = np.exp(-np.pi * (dx**2 + dy**2) / 0.7309**2) * np.isfinite(z)
        weight[(np.abs(dx) > 1.3) | (np.abs(dy) > 1.3)] = 0
        root = np.sqrt(weight).ravel()
        design = np.stack([dx**a * dy**b for a in range(3) for b in range(3 - a)], axis=-1)
        right = np.nan_to_num(z).ravel() * root
        fit = np.linalg.lstsq(design.reshape(-1, 6) * root[:, np.newaxis], right, rcond=None)[0]
        assert mean[i, j] == pytest.approx(fit[0], abs=2e-4)


def test_weights_of_order_zero_are_those_of_the_reference_filter():
    # scipy.ndimage.gaussian_filter1d (BSD): exp(-pi (d / w)^2) is a Gaussian of
    # sigma w / sqrt(2 pi)
    distance, weights = gaussian_regression._kernel(20.0, CUTOFF)
    middle = distance.size // 2
    impulse = np.zeros(distance.size)
    impulse[middle] = 1
    sigma = 0.7309 * CUTOFF / 20.0 / math.sqrt(2 * math.pi)
    reference = ndimage.gaussian_filter1d(impulse, sigma, truncate=8)
    inner = slice(5, -5)  # the reference folds its tails in at the ends
    np.testing.assert_allclose((weights / weights.sum())[inner], reference[inner], rtol=0.03)
    np.testing.assert_allclose(weights / weights.sum(), reference, atol=2e-6)


def test_a_patch_of_spikes_does_not_pull_the_surface():
    rng = np.random.default_rng(0)
    z = _second_order() + rng.normal(0, 0.003, (X.size, Y.size))
    z[100:140, 30:40] += 5.0
    assert np.abs(_surface(z) - _second_order()).max() < 1.5e-3


def test_without_robustness_it_would(monkeypatch):
    monkeypatch.setattr(gaussian_regression, "PASSES", 1)
    z = _second_order()
    z[100:140, 30:40] += 5.0
    assert np.abs(_surface(z) - _second_order()).max() > 0.5


def test_a_cell_wider_than_the_lite_still_gives_a_surface():
    z = np.full((6, 4), 2.5, dtype=np.float32)
    mean = areal_mean_surface(z, np.arange(6.0), np.arange(4) * 2.0, cutoff_mm=1e5)
    np.testing.assert_allclose(mean, 2.5, rtol=1e-6)
