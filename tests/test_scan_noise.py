"""The noise of single points, and rounding that it does not blur."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.placing.scan_noise import scan_noise_mm, undithered_step_mm


@pytest.mark.parametrize("correlated", [False, True])
def test_noise_is_that_put_in(correlated):
    rng = np.random.default_rng(1)
    noise = rng.standard_normal((1501, 90))
    if correlated:  # a sensor that averages two neighbours
        noise = (noise[1:] + noise[:-1]) / np.sqrt(2.0)
    x = np.arange(noise.shape[0])[:, None]
    height = (0.05 * np.cos(2 * np.pi * x / 200.0) + 0.004 * noise).astype(np.float32)
    assert scan_noise_mm(height, pitch_x_mm=1.0) == pytest.approx(0.004, rel=0.03)


def test_noise_of_quantised_heights_is_at_least_half_a_step():
    x = np.arange(900)[:, None] + np.zeros((1, 40))
    height = (np.round(0.05 * np.cos(2 * np.pi * x / 400.0) / 0.01) * 0.01).astype(np.float32)
    assert scan_noise_mm(height, pitch_x_mm=1.0) == pytest.approx(0.005, rel=1e-4)


@pytest.mark.parametrize(
    ("noise_mm", "step_mm", "left_mm"), [(0.0, 0.01, 0.01), (0.01, 0.01, 0.0), (0.003, 0.0, 0.0)]
)
def test_a_rounding_step_counts_only_where_noise_does_not_blur_it(noise_mm, step_mm, left_mm):
    x = np.arange(900)[:, None] + np.zeros((1, 40))
    noise = np.random.default_rng(2).normal(0, noise_mm, x.shape)
    height = 0.05 * np.cos(2 * np.pi * x / 400.0) + noise
    if step_mm:
        height = np.round(height / step_mm) * step_mm
    found = undithered_step_mm(height.astype(np.float32), pitch_x_mm=1.0)
    assert found == pytest.approx(left_mm, rel=1e-4)
