"""Permutations against exact published cases, another library, and simulated truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from midchord.trials.permutation import compare_groups, compare_pairs, label_ways, sign_ways

EXACT: dict[str, Any] = {"level": 0.95, "exact_up_to": 40_000, "permutations": 999, "seed": 1}
DRAWN: dict[str, Any] = {"level": 0.95, "exact_up_to": 300, "permutations": 299}
# Darwin's maize, crossed less self-fertilised, eighths of an inch; Fisher, The Design of
# Experiments (1935), section 21 (data from memory; their sum, 314, is Fisher's)
DARWIN = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
# Mice; Efron and Tibshirani, An Introduction to the Bootstrap (1993), table 2.1
TREATED = np.array([94, 197, 16, 38, 99, 141, 23.0])
CONTROL = np.array([52, 104, 146, 10, 51, 30, 40, 27, 46.0])


def test_fishers_exact_test_of_darwins_pairs() -> None:
    d = np.array(DARWIN, dtype=float)[:, None]
    found = compare_pairs(0 * d, d, **EXACT)
    assert found.exact
    assert found.ways == 2**15
    # Fisher counts 863 of 32768 ways at either end
    assert found.p_single[0] == pytest.approx(2 * 863 / 32768, abs=1e-12)
    assert found.p_adjusted[0] == found.p_single[0]
    assert found.t[0] == pytest.approx(2.148, abs=5e-4)  # Fisher's t, 14 degrees of freedom


def test_two_groups_are_as_by_scipy() -> None:
    found = compare_groups(CONTROL[:, None], TREATED[:, None], **EXACT)

    def size(a: Any, b: Any, axis: int) -> Any:
        return np.abs(stats.ttest_ind(a, b, equal_var=False, axis=axis).statistic)

    other = stats.permutation_test((TREATED, CONTROL), size, n_resamples=np.inf, vectorized=True,
                                   alternative="greater")  # fmt: skip
    assert found.ways == 11_440
    assert found.p_single[0] == pytest.approx(other.pvalue, abs=1e-12)
    assert found.difference[0] == pytest.approx(30.63, abs=0.005)  # printed in the book
    welch = stats.ttest_ind(TREATED, CONTROL, equal_var=False)
    assert found.t[0] == pytest.approx(welch.statistic)


def test_a_case_small_enough_to_count() -> None:
    a, b = np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([[11.0], [12.0], [13.0], [14.5]])
    found = compare_groups(a, b, **EXACT)
    assert found.p_single[0] == pytest.approx(2 / 70)
    assert found.least_p == pytest.approx(2 / 70)
    assert 0 < found.low[0] < 10.125 < found.high[0]
    few = compare_groups(a[:3], b[:3], **EXACT)
    assert few.p_single[0] == pytest.approx(2 / 20)
    assert np.isnan(few.low[0])  # no way of six lites has a chance of under 5 %


def test_normal_values_have_the_intervals_of_student() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.standard_normal((40, 1)), rng.standard_normal((40, 1)) + 1
    found = compare_groups(a, b, level=0.95, exact_up_to=0, permutations=9999, seed=2)
    interval = stats.ttest_ind(b[:, 0], a[:, 0], equal_var=False).confidence_interval(0.95)
    assert found.low[0] == pytest.approx(interval.low, abs=0.04)
    assert found.high[0] == pytest.approx(interval.high, abs=0.04)


def test_all_ways_are_there_once_and_the_one_taken_is_the_first() -> None:
    labels, exact = label_ways(2, 3, exact_up_to=10, permutations=9, seed=1)
    assert exact
    assert labels[0].tolist() == [0, 0, 1, 1, 1]
    assert len({tuple(row) for row in labels.tolist()}) == 10
    signs, exact = sign_ways(3, exact_up_to=8, permutations=9, seed=1)
    assert exact
    assert signs[0].tolist() == [1, 1, 1]
    assert len({tuple(row) for row in signs.tolist()}) == 8
    again = [sign_ways(30, exact_up_to=8, permutations=9, seed=5)[0] for _ in range(2)]
    assert np.array_equal(*again)
    assert again[0].shape == (10, 30)


def test_a_missing_lite_leaves_its_cell_to_the_others() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((6, 2)), rng.standard_normal((6, 2))
    b[2, 1] = np.nan
    found = compare_groups(a, b, **EXACT)
    assert found.lites.tolist() == [[6, 6], [6, 5]]
    assert found.difference[1] == pytest.approx(np.nanmean(b[:, 1]) - a[:, 1].mean())


@pytest.mark.parametrize("paired", [False, True])
def test_intervals_cover_together_and_false_effects_stay_rare(paired: bool) -> None:
    rng = np.random.default_rng(9)
    cells, runs = 30, 300
    place = np.arange(cells)
    mix = np.linalg.cholesky(
        np.exp(-0.5 * ((place[:, None] - place) / 3) ** 2) + 1e-6 * np.eye(cells)
    )
    truth = np.where(place < 10, 1.5, 0.0)
    compare = compare_pairs if paired else compare_groups
    count = 8 if paired else 5
    covered = false = 0
    for run in range(runs):
        a, b = (rng.standard_normal((count, cells)) @ mix.T for _ in range(2))
        found = compare(a, b + truth, seed=run, **DRAWN)
        covered += bool(((found.low <= truth) & (truth <= found.high)).all())
        false += bool((found.p_adjusted[truth == 0] <= 0.05).any())
    assert covered / runs >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / runs)
    assert false / runs <= 0.05 + 3 * np.sqrt(0.95 * 0.05 / runs)
