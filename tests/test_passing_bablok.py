"""Passing and Bablok's line against its steps on paper, published lines and simulated truth."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from midchord.statistics.passing_bablok import PUBLISHED, passing_bablok
from midchord.statistics.regression import deming
from midchord_io.errors import SurveyError

DATA = Path(__file__).parent / "data"


def table(name: str) -> Any:
    return np.genfromtxt(DATA / name, delimiter=",", names=True, skip_header=1, encoding="utf-8")


def by_hand(x: Any, y: Any) -> tuple[float, tuple[float, float], float, tuple[float, float]]:
    """Passing and Bablok 1983, step by step as in the paper (for finite slopes)."""
    s = []
    for i, j in itertools.combinations(range(len(x)), 2):
        dx, dy = x[i] - x[j], y[i] - y[j]
        if dx == 0 and dy == 0:
            continue
        slope = math.copysign(math.inf, dy) if dx == 0 else dy / dx
        if slope != -1:
            s.append(slope)
    s.sort()
    big_n, n = len(s), len(x)
    k = sum(v < -1 for v in s)
    if big_n % 2:
        b = s[(big_n + 1) // 2 + k - 1]
    else:
        b = math.sqrt(s[big_n // 2 + k - 1] * s[big_n // 2 + k])
    c = 1.959964 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    m1 = round((big_n - c) / 2)
    m2 = big_n - m1 + 1
    low, high = s[m1 + k - 1], s[m2 + k - 1]

    def a(v: float) -> float:
        return float(np.median([q - v * p for p, q in zip(x, y, strict=True)]))

    return b, (low, high), a(b), (a(high), a(low))


class TestPassingBablok:
    def test_published(self) -> None:
        # slope 1.00, intercept -0.15 by the R packages MethComp and deming, as stated in the tests
        # of SimplyAgree (tests/testthat/test-pb_reg.R)
        t = table("passing_bablok_30.csv")
        found = passing_bablok(t["x"], t["y"])
        assert found.slope == pytest.approx(1.00, abs=0.005)
        assert found.intercept == pytest.approx(-0.15, abs=0.005)
        assert found.linearity_p > 0.05

    @pytest.mark.parametrize("seed", range(12))
    def test_step_by_step(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        n = int(rng.integers(12, 40))
        x = rng.uniform(1, 20, n)
        y = 0.5 + 1.1 * x + rng.normal(0, 1.5, n)
        if seed % 3 == 0:  # ties, as coarse resolution makes them: quarters are exact in binary
            x, y = np.round(4 * x) / 4, np.round(4 * y) / 4
        slope, slope_ci, intercept, intercept_ci = by_hand(x, y)
        found = passing_bablok(x, y)
        assert found.slope == pytest.approx(slope, rel=1e-12)
        assert found.slope_ci == pytest.approx(slope_ci, rel=1e-12)
        assert found.intercept == pytest.approx(intercept, rel=1e-9, abs=1e-12)
        assert found.intercept_ci == pytest.approx(intercept_ci, rel=1e-9, abs=1e-12)
        tau = stats.kendalltau(x, y)
        assert (found.tau, found.tau_p) == pytest.approx((tau.statistic, tau.pvalue))

    def test_slopes_of_minus_one_and_identical_pairs_do_not_count(self) -> None:
        # slopes 1 and 1 from (0,0), 0 to (2,0); left out: -1 twice, and the identical pairs
        found = passing_bablok([0, 1, 1, 2], [0, 1, 1, 0])
        assert found.n_slopes == 3
        assert found.slope == 1.0
        # -1 made of decimals that binary does not hold
        assert passing_bablok([0.1, 0.4, 5], [0.7, 0.4, 6]).n_slopes == 2

    @settings(max_examples=30, deadline=None)
    @given(seed=st.integers(0, 9999), k=st.floats(0.01, 100))
    def test_swap_scale_shift(self, seed: int, k: float) -> None:
        rng = np.random.default_rng(seed)
        t = rng.uniform(0, 10, 23)
        x, y = t + rng.normal(0, 0.4, 23), 1 + 1.2 * t + rng.normal(0, 0.5, 23)
        base = passing_bablok(x, y)
        swapped = passing_bablok(y, x)
        assert swapped.slope == pytest.approx(1 / base.slope, rel=1e-9)
        assert swapped.slope_ci == pytest.approx((1 / base.slope_ci[1], 1 / base.slope_ci[0]))
        moved = passing_bablok(k * x + 3, k * y - 2)
        assert moved.slope == pytest.approx(base.slope, rel=1e-6)
        assert moved.intercept == pytest.approx(
            k * base.intercept - 2 - 3 * base.slope, rel=1e-5, abs=1e-5
        )

    def test_a_blunder_hardly_moves_it(self) -> None:
        x = np.linspace(0.02, 0.12, 40)
        y = x + np.random.default_rng(1).normal(0, 0.002, 40)
        y_bad = y.copy()
        y_bad[3] *= 25.4
        assert passing_bablok(x, y_bad).slope == pytest.approx(passing_bablok(x, y).slope, abs=0.02)
        assert abs(deming(x, y_bad).slope - 1) > 1

    def test_intervals_cover(self) -> None:
        rng = np.random.default_rng(2)
        hits = np.zeros(2)
        for _ in range(300):
            t = rng.uniform(2, 12, 40)
            x, y = t + rng.normal(0, 0.4, 40), 0.3 + t + rng.normal(0, 0.4, 40)
            found = passing_bablok(x, y)
            hits += [
                found.slope_ci[0] <= 1 <= found.slope_ci[1],
                found.intercept_ci[0] <= 0.3 <= found.intercept_ci[1],
            ]
        assert np.all((hits / 300 >= 0.91) & (hits / 300 <= 0.99)), hits / 300

    def test_intervals_of_lites_cover(self) -> None:
        rng = np.random.default_rng(5)
        lite = np.repeat(np.arange(14), 4)
        hits = alone = 0
        for _ in range(300):
            t = rng.uniform(2, 12, 14)[lite] + rng.normal(0, 0.3, 56)
            x = t + rng.normal(0, 0.6, 14)[lite] + rng.normal(0, 0.2, 56)
            y = t + rng.normal(0, 0.6, 14)[lite] + rng.normal(0, 0.2, 56)
            low, high = passing_bablok(x, y, lite=lite).slope_ci
            hits += low <= 1 <= high
            low, high = passing_bablok(x, y).slope_ci
            alone += low <= 1 <= high
        assert 0.91 <= hits / 300 <= 0.99, hits / 300
        assert alone / 300 < 0.8

    def test_interval_is_named(self) -> None:
        t = table("passing_bablok_30.csv")
        assert passing_bablok(t["x"], t["y"]).interval == PUBLISHED
        found = passing_bablok(t["x"], t["y"], lite=np.arange(30) // 5)
        assert found.interval == "jackknife over 6 lites"
        assert found.slope == passing_bablok(t["x"], t["y"]).slope

    @settings(max_examples=15, deadline=None)
    @given(seed=st.integers(0, 9999), k=st.floats(0.01, 100), ratio=st.floats(0, 4))
    def test_interval_of_clusters_swaps_and_scales(
        self, seed: int, k: float, ratio: float
    ) -> None:
        rng = np.random.default_rng(seed)
        spot = np.repeat(np.arange(8), 3)
        t = rng.uniform(0, 10, 8)[spot]
        x, y = t + rng.normal(0, 0.4, 24), 1 + t + rng.normal(0, 0.5, 24)
        base, swapped = passing_bablok(x, y, spot=spot), passing_bablok(y, x, spot=spot)
        assert swapped.slope_ci == pytest.approx((1 / base.slope_ci[1], 1 / base.slope_ci[0]))
        one = passing_bablok(x, y, spot=spot, variance_ratio=ratio)
        other = passing_bablok(k * x + 3, k * y - 2, spot=spot, variance_ratio=ratio)
        assert other.slope_ci == pytest.approx(one.slope_ci, rel=1e-6)
        ends = [k * end - 2 - 3 * one.slope for end in one.intercept_ci]
        # half the width scales; the shift of x carries doubt of the slope along
        assert one.intercept_ci[0] <= one.intercept <= one.intercept_ci[1]
        assert other.intercept == pytest.approx(sum(ends) / 2, rel=1e-5, abs=1e-5)

    def test_errors_of_one_method_only(self) -> None:
        # the published line leans to the axis that errs; told the ratio, it is Theil's of x on y
        rng = np.random.default_rng(11)
        t = rng.uniform(-5, 5, 600)
        x = 0.5 + 0.9 * t + rng.normal(0, 1.2, 600)
        told = passing_bablok(x, t, variance_ratio=0.0)
        assert passing_bablok(x, t).slope < 0.95 / 0.9
        assert told.slope == pytest.approx(1 / 0.9, rel=0.03)
        assert told.published_slope == passing_bablok(x, t).slope
        # second implementation, scipy's
        theil = stats.theilslopes(x, t)
        assert told.slope == pytest.approx(1 / theil.slope, rel=1e-3)

    def test_ratio_of_the_slope_is_the_published_line(self) -> None:
        rng = np.random.default_rng(12)
        x = rng.uniform(0, 10, 41)
        y = x + rng.normal(0, 0.5, 41)
        slope = passing_bablok(x, y).slope
        assert passing_bablok(x, y, variance_ratio=slope).slope == slope

    def test_repeats_of_one_spot_make_no_slope(self) -> None:
        # y is the same at a spot: its slopes of 0 say nothing of the relation
        x = np.array([1.0, 1.3, 1.6, 2.0, 3.0, 4.0])
        y = np.array([1.0, 1.0, 1.0, 2.0, 3.0, 4.0])
        spot = [0, 0, 0, 1, 2, 3]
        assert passing_bablok(x, y, spot=spot, variance_ratio=0.1).n_slopes == 12
        assert passing_bablok(x, y, spot=spot).n_slopes == 15

    def test_unbounded_where_one_cluster_makes_the_range(self) -> None:
        x = np.array([0.0, 0.0, 0.0, 0.0, 1.0, 1.1])
        found = passing_bablok(x, [*x[:4], 1.01, 1.1], lite=list("aabbcc"))
        assert found.slope_ci[1] == math.inf
        assert found.intercept_ci == (-math.inf, math.inf)

    def test_people_from_three_on_are_a_sample(self) -> None:
        rng = np.random.default_rng(13)
        spot, person = np.repeat(np.arange(12), 4), np.tile(np.arange(4), 12)
        t = rng.uniform(-5, 5, 12)[spot]
        x = t + rng.normal(0, 1.0, 4)[person] + rng.normal(0, 0.1, 48)
        of_these = passing_bablok(x, t, spot=spot)
        of_all = passing_bablok(x, t, spot=spot, operator=person)
        assert of_all.interval == "jackknife over 12 spots and over 4 operators"
        width = np.ptp(of_all.intercept_ci)
        assert width > 3 * np.ptp(of_these.intercept_ci)
        assert width == pytest.approx(2 * stats.t.ppf(0.975, 3) * 0.5, rel=0.6)

    def test_cusum_sees_a_bend_and_leaves_lines(self) -> None:
        rng = np.random.default_rng(6)
        bends = lines = 0
        for _ in range(200):
            x = rng.uniform(0, 10, 60)
            noise = rng.normal(0, 0.3, 60)
            bends += passing_bablok(x, x + 0.08 * (x - 5) ** 2 + noise).linearity_p < 0.05
            lines += passing_bablok(x, x + noise).linearity_p < 0.05
        assert bends / 200 > 0.9
        assert lines / 200 < 0.10

    def test_cusum_takes_repeats_at_one_spot_as_one(self) -> None:
        # a spot's own error is shared by its repeats: taken as independent they seem to bend
        rng = np.random.default_rng(8)
        as_one = as_many = 0
        for _ in range(150):
            spot = np.repeat(np.arange(15), 4)
            true = rng.uniform(0, 10, 15)
            x = true[spot] + rng.normal(0, 0.05, 60)
            y = (true + rng.normal(0, 0.4, 15))[spot] + rng.normal(0, 0.05, 60)
            as_one += passing_bablok(x, y, spot=spot.tolist()).linearity_p < 0.05
            as_many += passing_bablok(x, y).linearity_p < 0.05
        assert as_one / 150 < 0.08
        assert as_many / 150 > 0.15

    def test_spots_of_one_pair_each_change_nothing(self) -> None:
        rng = np.random.default_rng(9)
        x = rng.uniform(0, 10, 30)
        y = x + rng.normal(0, 0.3, 30)
        assert passing_bablok(x, y, spot=list(range(30))) == passing_bablok(x, y)

    def test_perfect(self) -> None:
        assert passing_bablok([1, 2, 3, 4], [3, 5, 7, 9]).slope == pytest.approx(2.0)
        found = passing_bablok([1, 2, 3, 4], [3, 5, 7, 9], variance_ratio=0.5)
        assert found.slope_ci == pytest.approx((2.0, 2.0))
        assert found.linearity_p is None
        three = passing_bablok([1, 2, 3], [1, 2, 3])
        assert (three.slope, three.slope_ci) == (1.0, (-math.inf, math.inf))

    @pytest.mark.parametrize(
        ("x", "y", "words"),
        [
            ([1, 2], [1, 2], "there are 2 pairs; 3 at least are needed"),
            ([1], [1], "there is 1 pair; 3 at least are needed"),
            ([0, 0, 0], [0, 0, 0], "one method always reads 0, so the slope cannot be told"),
            ([1, 1, 1, 1], [3, 5, 7, 9], "one method always reads 1, so the slope cannot be told"),
            ([3, 5, 7, 9], [1, 1, 1, 1], "one method always reads 1, so the slope cannot be told"),
            ([0, 1, 2], [2, 1, 0], "no two pairs make a slope that counts, so the slope cannot"),
            ([0, 0, 0, 0, 1], [1, 2, 3, 4, 5], "half of the slopes or more are vertical, so the"),
            ([], [], "there is not one pair"),
        ],
    )
    def test_refusals(self, x: Any, y: Any, words: str) -> None:
        with pytest.raises(SurveyError, match=words):
            passing_bablok(x, y)

    def test_a_ratio_needs_methods_that_rise_together(self) -> None:
        with pytest.raises(SurveyError, match="the methods do not rise together, so the slope"):
            passing_bablok([1, 2, 3, 4], [4, 3.5, 3, 2.5], variance_ratio=0.5)
