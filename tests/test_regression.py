"""Deming, York and Passing-Bablok against published lines and a second computation."""

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

from midchord.statistics.regression import deming, passing_bablok, york
from midchord_io.errors import SurveyError

DATA = Path(__file__).parent / "data"
# ten pairs of a worked Deming example, as in the tests of the R package SimplyAgree
X10 = [7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
Y10 = [7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]


def table(name: str) -> Any:
    return np.genfromtxt(DATA / name, delimiter=",", names=True, skip_header=1, encoding="utf-8")


class TestDeming:
    def test_orthogonal_line_of_pearson(self) -> None:
        # Pearson 1901: slope -0.545561, intercept 5.784044
        t = table("pearson_york.csv")
        found = deming(t["x"], t["y"])
        assert found.slope == pytest.approx(-0.545561, abs=5e-7)
        assert found.intercept == pytest.approx(5.784044, abs=5e-7)

    def test_published_line_with_jackknife(self) -> None:
        # error variance of x four times that of y: slope 1.0012 (0.1872), intercept -0.0897
        # (1.7220); tests of the R package SimplyAgree, tests/testthat/test-dem_reg.R
        found = deming(X10, Y10, variance_ratio=1 / 4)
        assert found.slope == pytest.approx(1.0012, abs=5e-5)
        assert found.slope_error == pytest.approx(0.1872, abs=5e-5)
        assert found.intercept == pytest.approx(-0.0897, abs=5e-5)
        assert found.intercept_error == pytest.approx(1.7220, abs=5e-5)
        assert found.slope_ci[0] < 1 < found.slope_ci[1]

    def test_york_with_even_uncertainties_is_deming(self) -> None:
        rng = np.random.default_rng(4)
        t = rng.uniform(1, 9, 200)
        x, y = t + rng.normal(0, 0.4, 200), 0.5 + 1.2 * t + rng.normal(0, 0.2, 200)
        one, other = deming(x, y, variance_ratio=0.25), york(x, y, 0.4, 0.2)
        assert one.slope == pytest.approx(other.slope, rel=1e-9)
        assert one.intercept == pytest.approx(other.intercept, rel=1e-9)

    @pytest.mark.parametrize("interval", ["jackknife", "analytic"])
    def test_intervals_cover(self, interval: Any) -> None:
        rng = np.random.default_rng(7)
        hits = np.zeros(2)
        for _ in range(300):
            t = rng.uniform(2, 12, 40)
            x, y = t + rng.normal(0, 0.6, 40), 0.3 + 1.1 * t + rng.normal(0, 0.6, 40)
            found = deming(x, y, interval=interval)
            hits += [
                found.slope_ci[0] <= 1.1 <= found.slope_ci[1],
                found.intercept_ci[0] <= 0.3 <= found.intercept_ci[1],
            ]
        assert np.all((hits / 300 >= 0.91) & (hits / 300 <= 0.99))

    def test_lites_are_left_out_whole(self) -> None:
        rng = np.random.default_rng(8)
        lite = np.repeat(np.arange(12), 5)
        hits = alone = 0
        for _ in range(300):
            t = rng.uniform(2, 12, 12)[lite] + rng.normal(0, 0.3, 60)
            x = t + rng.normal(0, 0.2, 60)
            y = 1.1 * t + rng.normal(0, 0.8, 12)[lite] + rng.normal(0, 0.2, 60)
            low, high = deming(x, y, lite=lite).slope_ci
            hits += low <= 1.1 <= high
            low, high = deming(x, y).slope_ci
            alone += low <= 1.1 <= high
        assert 0.91 <= hits / 300 <= 0.99
        assert alone / 300 < 0.8

    @settings(max_examples=30, deadline=None)
    @given(seed=st.integers(0, 9999), kx=st.floats(0.1, 10), ky=st.floats(0.1, 10))
    def test_swap_scale_shift(self, seed: int, kx: float, ky: float) -> None:
        rng = np.random.default_rng(seed)
        t = rng.uniform(0, 10, 25)
        x, y = t + rng.normal(0, 0.5, 25), 2 + 0.8 * t + rng.normal(0, 0.5, 25)
        base = deming(x, y, variance_ratio=1.5)
        swapped = deming(y, x, variance_ratio=1 / 1.5)
        assert swapped.slope == pytest.approx(1 / base.slope, rel=1e-8)
        assert swapped.intercept == pytest.approx(-base.intercept / base.slope, rel=1e-8)
        scaled = deming(kx * x, ky * y + 7, variance_ratio=1.5 * (ky / kx) ** 2)
        assert scaled.slope == pytest.approx(base.slope * ky / kx, rel=1e-7)
        assert scaled.intercept == pytest.approx(ky * base.intercept + 7, rel=1e-6, abs=1e-6)

    @pytest.mark.parametrize(
        ("x", "y", "ratio", "words"),
        [
            ([1, 2], [1, 2], 1.0, "there are 2 pairs; 3 at least are needed"),
            ([1, 2, 3], [2, 2, 2], 1.0, "the two methods do not vary together"),
            ([1, 2, 3], [1, 2, 3], 0.0, "the variance ratio is 0.0"),
            ([], [], 1.0, "there is not one pair"),
        ],
    )
    def test_refusals(self, x: Any, y: Any, ratio: float, words: str) -> None:
        with pytest.raises(SurveyError, match=words):
            deming(x, y, variance_ratio=ratio)


class TestYork:
    def test_pearson_data_with_york_weights(self) -> None:
        # exact weighted line -0.480533407, 5.479910; errors 0.0580, 0.295 and chi-square/df 1.483
        # from memory (York et al. 2004)
        t = table("pearson_york.csv")
        found = york(t["x"], t["y"], t["weight_x"] ** -0.5, t["weight_y"] ** -0.5)
        assert found.slope == pytest.approx(-0.480533407, abs=5e-10)
        assert found.intercept == pytest.approx(5.479910, abs=5e-7)
        assert found.slope_error == pytest.approx(0.0580, abs=5e-5)
        assert found.intercept_error == pytest.approx(0.295, abs=5e-4)
        assert found.chi_square / found.df == pytest.approx(1.483, abs=5e-4)

    def test_minimum_of_chi_square(self) -> None:
        # second implementation: the sum of squares minimised directly
        from scipy.optimize import minimize

        t = table("pearson_york.csv")
        found = york(t["x"], t["y"], t["weight_x"] ** -0.5, t["weight_y"] ** -0.5)

        def chi_square(p: Any) -> float:
            w = 1 / (1 / t["weight_y"] + p[0] ** 2 / t["weight_x"])
            return float(np.sum(w * (t["y"] - p[1] - p[0] * t["x"]) ** 2))

        best = minimize(chi_square, [-0.5, 5.5], method="Nelder-Mead", tol=1e-12)
        assert found.chi_square == pytest.approx(best.fun, rel=1e-9)
        assert (found.slope, found.intercept) == pytest.approx(best.x, rel=1e-5)

    def test_intervals_cover_with_correlated_errors(self) -> None:
        rng = np.random.default_rng(3)
        hits = 0
        for _ in range(300):
            t = rng.uniform(1, 10, 30)
            ux, uy = rng.uniform(0.1, 0.5, 30), rng.uniform(0.1, 0.5, 30)
            e = rng.normal(0, 1, (2, 30))
            x, y = t + ux * e[0], 1 + 0.9 * t + uy * (0.6 * e[0] + 0.8 * e[1])
            low, high = york(x, y, ux, uy, correlation=0.6).slope_ci
            hits += low <= 0.9 <= high
        assert 0.91 <= hits / 300 <= 0.99

    def test_uncertainty_of_zero(self) -> None:
        with pytest.raises(SurveyError, match=r"smallest uncertainty 0\.0; it takes 3 pairs"):
            york([1, 2, 3], [1, 2, 3], 0.0, 0.1)


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
        for i in range(300):
            t = rng.uniform(2, 12, 14)[lite] + rng.normal(0, 0.3, 56)
            x = t + rng.normal(0, 0.6, 14)[lite] + rng.normal(0, 0.2, 56)
            y = t + rng.normal(0, 0.6, 14)[lite] + rng.normal(0, 0.2, 56)
            low, high = passing_bablok(x, y, lite=lite, replicates=199, seed=i).slope_ci
            hits += low <= 1 <= high
            low, high = passing_bablok(x, y).slope_ci
            alone += low <= 1 <= high
        assert 0.91 <= hits / 300 <= 0.99, hits / 300
        assert alone / 300 < 0.8

    def test_resampling_is_repeatable(self) -> None:
        t = table("passing_bablok_30.csv")
        lite = np.arange(30) // 5
        one = passing_bablok(t["x"], t["y"], lite=lite, seed=4)
        assert one == passing_bablok(t["x"], t["y"], lite=lite, seed=4)
        assert one.interval == "999 resamplings of lites, seed 4"

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

    def test_vertical_and_perfect(self) -> None:
        assert passing_bablok([1, 2, 3, 4], [3, 5, 7, 9]).slope == pytest.approx(2.0)
        assert passing_bablok([1, 1, 1, 1], [3, 5, 7, 9]).slope == math.inf

    @pytest.mark.parametrize(
        ("x", "y", "words"),
        [
            ([1, 2], [1, 2], "there are 2 pairs; 3 at least are needed"),
            ([1, 1, 1], [1, 1, 1], "no two pairs make a slope"),
            ([], [], "there is not one pair"),
        ],
    )
    def test_refusals(self, x: Any, y: Any, words: str) -> None:
        with pytest.raises(SurveyError, match=words):
            passing_bablok(x, y)
