"""What a figure does in its first phase: outliers, memory, steadiness."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from midchord.charts.first_phase import (
    Unchartable,
    baseline_of,
    chain,
    clean,
    lag_of,
    ljung_box,
    pooled_lag,
    steadiness,
)

GIVEN: dict[str, Any] = {
    "least_values": 20, "outlier_rate": 0.01, "largest_outlier_share": 0.2, "logarithm": "auto",
    "lag_level": 0.05, "permutations": 199, "seed": 1,
}  # fmt: skip


def drawn(seed: int, size: int = 80) -> Any:
    return np.random.default_rng(seed).standard_normal(size)


def remembered(seed: int, phi: float, size: int) -> Any:
    z = drawn(seed, size)
    for n in range(1, size):
        z[n] += phi * z[n - 1]
    return z


def test_a_good_first_phase_loses_a_lite_no_oftener_than_stated() -> None:
    lost = np.mean([clean(drawn(seed), 0.05).any() for seed in range(800)])
    assert 0.005 < lost <= 0.05


def test_outliers_are_left_out_and_do_not_widen_the_limits() -> None:
    values = drawn(3)
    values[[5, 40, 41]] = [9.0, -12.0, 30.0]
    found = baseline_of(50 + values, **GIVEN)
    assert np.flatnonzero(found.is_outlier).tolist() == [5, 40, 41]
    assert found.sd == pytest.approx(np.delete(values, [5, 40, 41]).std(ddof=1))
    assert (found.doubt.values, found.doubt.dof) == (77, 76)


def test_the_statistic_of_ljung_and_box_is_that_of_statsmodels() -> None:
    from statsmodels.stats.diagnostic import acorr_ljungbox

    values = remembered(5, 0.3, 120)
    off = values - values.mean()
    table = acorr_ljungbox(off, lags=[5])
    # ours takes each lag over its own pairs: (n - k) / n of the usual one
    statistic, p = ljung_box(off, 5)
    assert statistic == pytest.approx(float(table["lb_stat"].iloc[0]), rel=0.1)
    assert p == pytest.approx(float(table["lb_pvalue"].iloc[0]), abs=0.02)


def test_the_coefficient_of_a_memory_is_found_without_bias() -> None:
    found = [lag_of(x - x.mean(), 1.1).coefficient for x in
             (remembered(seed, 0.5, 80) for seed in range(400))]  # fmt: skip
    assert np.mean(found) == pytest.approx(0.5, abs=0.02)
    residual = chain(remembered(7, 0.5, 4000), 0.5)
    assert abs(np.corrcoef(residual[1:-1], residual[2:])[0, 1]) < 0.05
    assert lag_of(drawn(1) - drawn(1).mean(), 0.05).coefficient == 0.0


def test_a_weak_memory_of_many_figures_shows_together() -> None:
    weak = np.stack([remembered(seed, 0.2, 80) for seed in range(20)], axis=1)
    none = np.stack([drawn(seed, 80) for seed in range(20)], axis=1)
    assert pooled_lag(weak, 499, 1)[1] <= 0.01
    assert pooled_lag(none, 499, 1)[1] > 0.05


def test_a_first_phase_that_changes_is_seen_with_its_lite() -> None:
    values = drawn(4)
    assert steadiness(values, 499, 3)[0] > 0.05
    values[50:] += 2
    p, lite = steadiness(values, 499, 3)
    assert p <= 0.004
    assert abs(lite - 50) <= 2


def test_skewed_values_are_charted_as_logarithms() -> None:
    found = baseline_of(np.exp(0.8 * drawn(2)), **GIVEN)
    assert found.logarithm
    assert found.sd == pytest.approx(0.8, rel=0.2)
    assert not baseline_of(20 + drawn(2), **GIVEN).logarithm


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.full(80, 3.0), "do not scatter"),
        (np.where(np.arange(80) < 12, drawn(1), np.nan), "only 12 values in the first phase of 80"),
    ],
)
def test_what_cannot_be_charted_says_why(values: Any, words: str) -> None:
    with pytest.raises(Unchartable, match=words):
        baseline_of(values, **GIVEN)
