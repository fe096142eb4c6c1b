"""The charts against worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.charts.limits import Limits
from midchord.charts.run_length import ewma_sd
from midchord.charts.running import run_charts, signals_of

# 6.3.2.4, EWMA: mean 50, deviation 2.0539, weight 0.3 (values from memory)
EWMA_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
             47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
EWMA_STATES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
               49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
# 6.3.2.3, CUSUM: target 325, k 0.3175, h 4.1959 (values from memory)
CUSUM_DATA = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
              324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
              326.875, 328.350]  # fmt: skip
# 6.3.2.2, individuals: flow rates of ten batches (values from memory)
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_ewma_of_the_handbook() -> None:
    z = (np.array(EWMA_DATA) - 50) / 2.0539
    tracks = run_charts(z, ewma_weight=0.3, cusum_reference=1.0)
    np.testing.assert_allclose(50 + 2.0539 * tracks.ewma, EWMA_STATES, atol=0.0101)
    reach = 3 * 2.0539 * ewma_sd(0.3)
    assert (50 + reach, 50 - reach) == pytest.approx((52.5884, 47.4115), abs=2e-4)
    limits = Limits(9.0, 9.0, 3.0, 99.0)
    assert signals_of(tracks, limits, ewma_weight=0.3) == []  # "the process is in control"


def test_the_cusum_of_the_handbook_signals_with_its_fourteenth_group() -> None:
    x = np.array(CUSUM_DATA) - 325
    tracks = run_charts(x, ewma_weight=0.3, cusum_reference=0.3175)
    assert tracks.cusum_up[12:14] == pytest.approx([3.0075, 4.94], abs=1e-9)
    (signal,) = signals_of(tracks, Limits(99.0, 99.0, 99.0, 4.1959), ewma_weight=0.3)
    assert (signal.chart, signal.first + 1, signal.direction) == ("cusum", 14, "up")


def test_individuals_and_moving_range_of_the_handbook() -> None:
    x = np.array(FLOW)
    moving = run_charts(x, ewma_weight=0.3, cusum_reference=1.0).moving_range
    assert np.isnan(moving[0])
    assert float(moving[1:].mean()) == pytest.approx(1.8778, abs=5e-5)
    sd = float(moving[1:].mean()) / 1.128
    assert x.mean() + 3 * sd == pytest.approx(55.8041, abs=5e-4)
    assert x.mean() - 3 * sd == pytest.approx(45.8159, abs=5e-4)


def test_many_cases_at_once_are_as_one_by_one() -> None:
    z = np.random.default_rng(2).standard_normal((40, 3))
    z[7, 1] = np.nan
    every = run_charts(z, ewma_weight=0.2, cusum_reference=0.5)
    for n in range(3):
        one = run_charts(z[:, n], ewma_weight=0.2, cusum_reference=0.5)
        for a, b in zip(every, one, strict=True):
            np.testing.assert_array_equal(a[:, n], b)
