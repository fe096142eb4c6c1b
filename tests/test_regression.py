"""Deming and York against published lines and a second computation."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midchord.statistics.regression import deming, york
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
