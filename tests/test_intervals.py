"""Intervals over lites: nominal coverage, seeded, as a reference library's before they are
expanded."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from midchord.nozzles.intervals import Resampling


def test_few_lites_are_covered_at_the_nominal_rate() -> None:
    rng = np.random.default_rng(8)
    draws = Resampling(8, resamples=999, level=0.95, seed=1)
    inside = 0
    for _ in range(600):
        values = 3 + rng.standard_normal(8)
        ends = draws.interval(values, float(values.mean()))
        assert ends is not None
        inside += ends[0] <= 3 <= ends[1]
    assert 0.925 < inside / 600 < 0.975


def test_it_is_the_percentile_interval_moved_out_by_a_stated_factor() -> None:
    # scipy.stats.bootstrap, percentile method; expanded by Student over normal and
    # sqrt(n / (n - 1)) (Hesterberg 2015, from memory)
    values = np.random.default_rng(9).gamma(2.0, size=20)
    plain = stats.bootstrap(
        (values,), np.mean, n_resamples=20_000, method="percentile", rng=np.random.default_rng(1)
    ).confidence_interval
    mean = float(values.mean())
    wider = stats.t.isf(0.025, 19) / stats.norm.isf(0.025) * math.sqrt(20 / 19)
    own = Resampling(20, resamples=20_000, level=0.95, seed=2).interval(values, mean)
    assert own is not None
    assert own[0] == pytest.approx(mean + (plain.low - mean) * wider, abs=0.02)
    assert own[1] == pytest.approx(mean + (plain.high - mean) * wider, abs=0.02)


def test_three_lites_have_none() -> None:
    values = np.array([1.0, 2.0, 3.0, np.nan])
    assert Resampling(4, resamples=199, level=0.95, seed=1).interval(values, 2.0) is None
