"""Offset, scale and scatter of readings against their twins, robustly."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api

from midchord.surveying.twin_fit import fit_twins, grouped, robust_spread


def _drawn(n: int, *, sd: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    twin = rng.uniform(-0.1, 0.1, n)
    return twin, 0.01 + 1.1 * twin + rng.normal(0, sd, n)


def test_good_readings_are_fitted_by_weighted_least_squares() -> None:
    # statsmodels.WLS is the reference; a loose prior of the scale hardly moves it
    rng = np.random.default_rng(2)
    u = rng.uniform(0.002, 0.01, 400)
    twin = rng.uniform(-0.1, 0.1, 400)
    gauge = 0.01 + 1.1 * twin + rng.normal(0, u)
    fit = fit_twins(gauge, twin, u, scale_sd=100.0)
    reference = statsmodels.api.WLS(
        gauge, statsmodels.api.add_constant(twin), weights=1 / u**2
    ).fit()
    assert fit.offsets[0, 0] == pytest.approx(reference.params[0], abs=reference.bse[0] / 3)
    assert fit.scale[0] == pytest.approx(reference.params[1], abs=reference.bse[1] / 3)
    np.testing.assert_allclose(fit.expected_mm[0], fit.offsets[0, 0] + fit.scale[0] * twin)


def test_blunders_move_nothing() -> None:
    twin, gauge = _drawn(60, sd=0.004)
    clean = fit_twins(gauge, twin, np.full(60, 0.004))
    gauge[:4] *= [25.4, -1.0, 10.0, 2.0]
    fit = fit_twins(gauge, twin, np.full(60, 0.004))
    assert fit.scale[0] == pytest.approx(clean.scale[0], abs=0.03)
    assert fit.offsets[0, 0] == pytest.approx(clean.offsets[0, 0], abs=0.002)
    assert fit.is_good[0, :4].max() < 0.05
    assert np.median(fit.is_good[0, 4:]) > 0.95


@pytest.mark.parametrize(("sd", "stated"), [(0.012, 0.004), (0.004, 0.004), (0.003, 0.005)])
def test_the_scatter_is_that_of_the_readings_not_the_stated_one(sd: float, stated: float) -> None:
    twin, gauge = _drawn(300, sd=sd)
    fit = fit_twins(gauge, twin, np.full(300, stated))
    assert fit.sd_mm[0].mean() == pytest.approx(sd, rel=0.12)


def test_hypotheses_side_by_side_are_fitted_as_each_alone() -> None:
    twin, gauge = _drawn(40, sd=0.005)
    u = np.full(40, 0.004)
    other = twin[::-1].copy()
    both = fit_twins(gauge, np.stack([twin, other]), u)
    for k, one in enumerate((twin, other)):
        alone = fit_twins(gauge, one, u)
        assert both.log_likelihood[k] == pytest.approx(alone.log_likelihood[0], abs=0.01)
    assert both.log_likelihood[0] > both.log_likelihood[1] + 20


def test_the_scale_stays_positive() -> None:
    twin, gauge = _drawn(40, sd=0.005)
    assert fit_twins(-gauge, twin, np.full(40, 0.004)).scale[0] == 0.25


def test_figures_scale_with_the_unit() -> None:
    twin, gauge = _drawn(40, sd=0.005)
    u = np.full(40, 0.004)
    small, large = fit_twins(gauge, twin, u), fit_twins(1000 * gauge, 1000 * twin, 1000 * u)
    np.testing.assert_allclose(large.sd_mm, 1000 * small.sd_mm, rtol=1e-6)
    np.testing.assert_allclose(large.scale, small.scale, rtol=1e-6)


def test_large_groups_get_an_offset_of_their_own() -> None:
    pairs = pd.DataFrame(
        {"operator": ["A"] * 8 + ["B"] * 7 + ["C"] * 2, "lite_id": ["one"] * 17}
    )
    columns = grouped(pairs, ("lite_id", "operator", "line"))
    # C is too small for one and shares the common one; A and B differ from it
    assert columns.design.sum(axis=0).tolist() == [17, 8, 7]
    assert (columns.n_offsets, columns.n_fine) == (3, 2)
    pairs = pairs[:15]
    assert grouped(pairs, ("operator",)).design.sum(axis=0).tolist() == [15, 7]


def test_operators_with_other_zeros_do_not_widen_the_scatter() -> None:
    twin, gauge = _drawn(60, sd=0.003)
    gauge[30:] += 0.02
    pairs = pd.DataFrame({"operator": ["A"] * 30 + ["B"] * 30})
    fit = fit_twins(gauge, twin, np.full(60, 0.002), grouped(pairs, ("operator",)))
    assert fit.offsets[0, 1] == pytest.approx(0.02, abs=0.003)
    assert fit.sd_mm[0].mean() == pytest.approx(0.003, rel=0.25)


def test_offsets_cell_by_cell_are_those_of_the_whole_design() -> None:
    # statsmodels.WLS on the design written out is the reference
    rng = np.random.default_rng(4)
    lite, walk = rng.integers(0, 3, 400), rng.integers(0, 12, 400)
    pairs = pd.DataFrame({"lite_id": lite.astype(str), "operator": walk.astype(str)})
    twin = rng.uniform(-0.1, 0.1, 400)
    u = rng.uniform(0.002, 0.006, 400)
    gauge = 0.01 + twin + 0.004 * lite - 0.002 * walk + rng.normal(0, u)
    groups = grouped(pairs, ("lite_id", "operator"))
    assert groups.design.shape == (400, 1 + 2 + 11)
    fit = fit_twins(gauge, twin, u, groups, scale_sd=100.0)
    design = np.column_stack([groups.design, twin])
    reference = statsmodels.api.WLS(gauge, design, weights=1 / u**2).fit()
    np.testing.assert_allclose(fit.expected_mm[0], reference.fittedvalues, atol=2e-4)
    assert fit.scale[0] == pytest.approx(reference.params[-1], abs=reference.bse[-1] / 3)
    half = groups.of(np.arange(400) < 200)
    np.testing.assert_array_equal(half.design, groups.design[:200])


def test_hundreds_of_walks_inside_lites_are_fitted() -> None:
    # walks nested in lites: their columns add up to those of the lites
    rng = np.random.default_rng(5)
    walk = np.repeat(np.arange(300), 8)
    own = rng.normal(0, 0.01, 300)
    twin = rng.uniform(-0.1, 0.1, walk.size)
    gauge = twin + own[walk] + rng.normal(0, 0.002, walk.size)
    pairs = pd.DataFrame({"lite_id": walk // 60, "line": walk})
    fit = fit_twins(gauge, twin, np.full(walk.size, 0.002), grouped(pairs, ("lite_id", "line")))
    assert fit.sd_mm[0].mean() == pytest.approx(0.002, rel=0.12)
    found = (fit.expected_mm[0] - fit.scale[0] * twin).reshape(300, 8)[:, 0]
    assert np.sqrt(np.mean((found - own) ** 2)) < 0.0012


def test_robust_spread_of_a_normal_sample_is_its_standard_deviation() -> None:
    # 1.4826 = 1 / 0.6745, the quartile of the normal distribution
    values = np.random.default_rng(1).normal(5.0, 2.0, 100_000)
    values[:3000] = 1e6
    assert robust_spread(values) == pytest.approx(2.0, rel=0.05)
