"""The course of the ridges, and the profile along them."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.spectra.ridges import find_ridges, pool_along_ridges, shifted

X = np.arange(2.5, 2000, 5.0)
Y = np.arange(2.5, 1100, 5.0)


def surface(slope: float, bow_mm: float, *, noise_mm: float = 0.003, seed: int = 1) -> np.ndarray:
    t = (Y - Y.mean()) / (0.5 * np.ptp(Y))
    shift = slope * (Y - Y.mean()) + bow_mm * (t**2 - 1 / 3)
    z = 0.03 * np.cos(2 * np.pi * (X[:, None] - shift[None, :]) / 250.0)
    return z + noise_mm * np.random.default_rng(seed).standard_normal(z.shape)


@pytest.mark.parametrize(("slope", "bow_mm"), [(0.0, 0.0), (0.012, 8.0), (-0.03, -5.0)])
def test_skew_and_bow_are_found(slope: float, bow_mm: float) -> None:
    z = surface(slope, bow_mm)
    z[150:170, 40:90] = np.nan
    found = find_ridges(z, X, Y)
    assert found.slope == pytest.approx(slope, abs=2e-4)
    assert found.bow_mm == pytest.approx(bow_mm, abs=0.5)
    assert found.skew_deg == pytest.approx(np.degrees(np.arctan(slope)), abs=0.02)
    assert found.coherence > 0.98
    assert found.u_slope < 3e-4


def test_the_stated_uncertainty_is_the_scatter() -> None:
    found = [find_ridges(surface(0.01, 0.0, noise_mm=0.05, seed=k), X, Y) for k in range(12)]
    scatter = np.std([one.slope for one in found])
    assert 0.3 < scatter / np.mean([one.u_slope for one in found]) < 3


def test_a_slanted_wave_is_pooled_whole() -> None:
    z = surface(-0.03, 6.0, noise_mm=0.0)
    profile = pool_along_ridges(z, X, Y, find_ridges(z, X, Y))
    inner = profile[30:-30]
    straight = z.mean(axis=1)[30:-30]
    truth = 0.03 * np.cos(2 * np.pi * X / 250.0)[30:-30]
    assert inner.std() == pytest.approx(truth.std(), rel=0.005)
    assert straight.std() < 0.985 * inner.std()


def test_noise_alone_has_no_course() -> None:
    z = 0.01 * np.random.default_rng(5).standard_normal((X.size, Y.size))
    found = find_ridges(z, X, Y)
    assert found.coherence < 0.4


def test_a_row_with_too_few_columns_has_no_value() -> None:
    z = surface(0.0, 0.0)
    z[100, : Y.size * 4 // 5] = np.nan
    profile = pool_along_ridges(z, X, Y, find_ridges(z, X, Y))
    assert np.isnan(profile[100])
    assert np.isfinite(profile[98])


def test_a_shift_between_points_keeps_short_waves() -> None:
    short, long = (np.cos(2 * np.pi * X / length) for length in (30.0, 120.0))
    for wave, length, kept in ((short, 30.0, 0.03), (long, 120.0, 2e-4)):
        moved = shifted(wave, 0.5)
        truth = np.cos(2 * np.pi * (X + 2.5) / length)
        assert np.nanmax(np.abs(moved - truth)) < kept
    assert np.isnan(shifted(short, 3.0)[-3:]).all()
    assert shifted(short, -2.0)[2:] == pytest.approx(short[:-2])
