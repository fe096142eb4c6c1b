"""Trends of the differences and normalised errors, against statsmodels and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.diagnostic import het_breuschpagan

from midchord.statistics.disagreement import normalised_errors, proportional_bias, spread_trend
from midchord_io.errors import SurveyError

RNG = np.random.default_rng(12)
TRUE = RNG.uniform(0.02, 0.12, 50)
GAUGE = TRUE + RNG.normal(0, 0.003, 50)
SCAN = 1.1 * TRUE + RNG.normal(0, 0.04, 50) * TRUE


def test_trend_is_the_regression() -> None:
    found = proportional_bias(SCAN, GAUGE)
    fit = stats.linregress((SCAN + GAUGE) / 2, SCAN - GAUGE)
    assert found.slope == pytest.approx(fit.slope)
    assert found.p == pytest.approx(fit.pvalue)
    half = stats.t.ppf(0.975, 48) * fit.stderr
    assert (found.low, found.high) == pytest.approx((fit.slope - half, fit.slope + half))


def test_trend_within_lites_is_the_dummy_regression() -> None:
    # second implementation: least squares with one level for each lite
    lite = np.arange(50) % 4
    scan = SCAN + 0.05 * lite
    mean = (scan + GAUGE) / 2
    fit = sm.OLS(scan - GAUGE, np.column_stack([mean, np.eye(4)[lite]])).fit()
    found = proportional_bias(scan, GAUGE, lite=lite)
    assert found.slope == pytest.approx(fit.params[0])
    assert found.p == pytest.approx(fit.pvalues[0])
    assert found.df == fit.df_resid


def test_bias_of_a_lite_is_no_trend() -> None:
    rng = np.random.default_rng(2)
    lite = np.repeat(np.arange(5), 10)
    true = 0.03 + 0.02 * lite + rng.normal(0, 0.004, 50)
    scan = true + 0.01 * lite + rng.normal(0, 0.001, 50)
    gauge = true + rng.normal(0, 0.001, 50)
    assert proportional_bias(scan, gauge).p < 1e-6
    assert proportional_bias(scan, gauge, lite=lite).p > 0.05


def test_repeats_are_averaged() -> None:
    twice = np.repeat(np.arange(50), 2)
    found = proportional_bias(SCAN[twice], GAUGE[twice], spot=twice)
    assert found == pytest.approx(proportional_bias(SCAN, GAUGE))


def test_spread_is_koenkers_test() -> None:
    # statsmodels het_breuschpagan (robust: Koenker's form)
    mean, d = (SCAN + GAUGE) / 2, SCAN - GAUGE
    design = sm.add_constant(mean)
    statistic, p, _, _ = het_breuschpagan(sm.OLS(d, design).fit().resid, design)
    found = spread_trend(SCAN, GAUGE)
    assert found[:2] == pytest.approx((statistic, p), rel=1e-6)


def test_spread_that_grows_is_seen_and_even_spread_is_not() -> None:
    rng = np.random.default_rng(5)
    hits, false = 0, 0
    for _ in range(200):
        t = rng.uniform(0.02, 0.12, 100)
        found = spread_trend(t + rng.normal(0, 0.1, 100) * t, t)
        hits += found.p < 0.05 and found.grows
        false += spread_trend(t + rng.normal(0, 0.005, 100), t).p < 0.05
    assert hits / 200 > 0.9
    assert false / 200 < 0.10


def test_a_spread_without_a_trend_goes_no_way() -> None:
    rng = np.random.default_rng(5)
    t = rng.uniform(0.02, 0.12, 100)
    even = spread_trend(t + 0.005 * (-1.0) ** np.arange(100) * np.linspace(0.99, 1.01, 100), t)
    assert even.p > 0.05
    assert even.grows is None
    assert spread_trend(t + rng.normal(0, 0.2, 100) * t, t).grows is True
    assert spread_trend(t + rng.normal(0, 0.2, 100) * (0.13 - t), t).grows is False


def test_nothing_to_test() -> None:
    assert math.isnan(proportional_bias([1, 2, 3], [3, 2, 1]).slope)
    assert math.isnan(spread_trend([1.0], [1.0]).p)


def test_exact_line() -> None:
    x = np.linspace(1, 2, 9)
    found = proportional_bias(1.5 * x, x)
    assert found.slope == pytest.approx(0.5 / 1.25)
    assert found.p < 1e-9


def test_normalised_errors_of_right_uncertainties() -> None:
    rng = np.random.default_rng(1)
    d = np.hypot(3.0, 4.0) * rng.normal(0, 1, 2000)
    found = normalised_errors(d, np.zeros(2000), 3.0, 4.0)
    assert found.share_inside == pytest.approx(0.9545, abs=0.015)
    assert found.birge == pytest.approx(1.0, abs=0.05)
    assert found.e_n[0] == pytest.approx(d[0] / 10)
    short = normalised_errors(2 * d, np.zeros(2000), 3.0, 4.0)
    assert short.birge == pytest.approx(2 * found.birge)
    assert short.p < 1e-6


def test_share_interval_is_clopper_pearson() -> None:
    found = normalised_errors([0, 0, 0, 0, 5.0], np.zeros(5), 1.0, 0.0)
    expected = stats.binomtest(4, 5).proportion_ci(0.95, method="exact")
    assert (found.share_low, found.share_high) == pytest.approx((expected.low, expected.high))


def test_zero_uncertainty_is_refused() -> None:
    with pytest.raises(SurveyError, match="a combined uncertainty is zero"):
        normalised_errors([1, 2], [1, 2], [0, 1], [0, 1])
