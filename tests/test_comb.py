"""Waves beside a slow course, by least squares."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.nozzles.comb import CombCache, slow_columns


def test_a_wave_is_read_beside_any_slow_course_and_over_gaps() -> None:
    y = np.arange(33.0, 1033.0, 5.0)
    course = 0.003 * np.cos(2 * np.pi * (y - y.mean()) / 40 + 0.7) + 1e-6 * (y - 300) ** 2 - 0.1
    measured = np.ones(y.size, dtype=bool)
    measured[40:55] = False
    seen = np.where(measured, course, np.nan)
    comb = CombCache(160.0).comb(y, measured, np.array([1 / 40]))
    assert comb is not None
    found, power = comb.coefficients(seen)
    assert abs(found[0]) == pytest.approx(0.003, rel=1e-6)
    assert np.angle(found[0]) == pytest.approx(0.7, abs=1e-6)
    # the sum of squares that the wave takes out, by two plain fits (numpy.linalg.lstsq)
    slow = slow_columns(y, 160.0)[measured]
    wave = np.exp(2j * np.pi * y[measured] / 40)
    sums = [
        np.linalg.lstsq(columns, course[measured], rcond=None)
        for columns in (slow, np.column_stack([slow, wave.real, wave.imag]))
    ]
    left = [
        float(((columns @ fit[0] - course[measured]) ** 2).sum())
        for columns, fit in zip(
            (slow, np.column_stack([slow, wave.real, wave.imag])), sums, strict=True
        )
    ]
    assert power[0] == pytest.approx(left[0] - left[1], rel=1e-6)


def test_power_of_noise_has_two_degrees_of_freedom() -> None:
    y = np.arange(0.0, 1000.0, 5.0)
    comb = CombCache(160.0).comb(y, np.ones(y.size, dtype=bool), np.array([1 / 40, 1 / 31]))
    assert comb is not None
    rng = np.random.default_rng(5)
    powers = np.array([comb.coefficients(rng.standard_normal(y.size))[1] for _ in range(800)])
    assert powers.mean() == pytest.approx(2.0, abs=0.2)


def test_a_course_with_next_to_nothing_measured_has_no_wave() -> None:
    y = np.arange(0.0, 1000.0, 5.0)
    assert CombCache(160.0).comb(y, y < 40, np.array([1 / 40])) is None
