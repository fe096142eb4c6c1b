"""Limits of agreement, equivalence, verdict: against published comparisons and simulation."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from midchord.statistics.agreement import LEAST_LITES, LEAST_READINGS, agree, limits_of_agreement
from midchord.statistics.variance_components import nested_components
from midchord_io.errors import SurveyError

DATA = Path(__file__).parent / "data"


def table(name: str) -> Any:
    return np.genfromtxt(DATA / name, delimiter=",", names=True, skip_header=1, encoding="utf-8")


@pytest.fixture(scope="module")
def peak_flow() -> tuple[Any, Any]:
    t = table("peak_flow_1986.csv")
    return t["large_meter_1"], t["mini_meter_1"]


def survey(
    rng: np.random.Generator, lites: int, spots: int, repeats: int, people: Any, sd: Any,
    *, uneven: bool = False, mean: float = 0.2,
) -> tuple[Any, ...]:  # fmt: skip
    """Differences with lite, spot, within deviations ``sd`` and the effects ``people``."""
    rows = []
    for lite in range(lites):
        of_lite = rng.normal(0, sd[0])
        for spot in range(int(rng.integers(spots - 2, spots + 3)) if uneven else spots):
            of_spot = rng.normal(0, sd[1])
            for person, effect in enumerate(people):
                for _ in range(int(rng.integers(1, repeats + 2)) if uneven else repeats):
                    d = mean + of_lite + of_spot + effect + rng.normal(0, sd[2])
                    rows.append((d, lite, spot, person))
    d, lite, spot, person = map(np.array, zip(*rows, strict=True))
    return d, lite, spot, person


class TestPublished:
    def test_peak_flow_as_printed(self, peak_flow: tuple[Any, Any]) -> None:
        # Bland and Altman, Lancet 1986; i: 307-310: printed with 2 SD, SD rounded to 38.8 first;
        # tolerance 0.2 is 2 x that rounding and 0.1 of print
        found = agree(*peak_flow, lite=range(17), factor=2.0, method="bland_altman")
        assert found.bias == pytest.approx(-2.1, abs=0.05)
        assert found.sd == pytest.approx(38.8, abs=0.05)
        assert (found.limits.low, found.limits.high) == pytest.approx((-79.7, 75.5), abs=0.2)
        assert found.limits.low_ci == pytest.approx((-114.3, -45.1), abs=0.25)
        assert found.limits.high_ci == pytest.approx((40.9, 110.1), abs=0.25)

    def test_peak_flow_unrounded(self, peak_flow: tuple[Any, Any]) -> None:
        # the same data without the rounding, limits with 1.96 SD
        found = agree(*peak_flow, lite=range(17), factor=1.96)
        assert found.bias == pytest.approx(-2.117647, abs=5e-7)
        assert found.sd == pytest.approx(38.765130, abs=5e-7)
        assert found.limits[:2] == pytest.approx((-78.0973, 73.8620), abs=5e-5)
        assert found.limits.method == "exact"

    def test_one_way_of_bland_and_altman_2007(self) -> None:
        # Bland and Altman, J. Biopharm. Stat. 17 (2007) 571-582, "true value varies": printed
        # mean squares 4.2090856 and 0.170714026, SD 0.99062408, limits -1.3394565 and 2.5437899
        t = table("cardiac_output_1999.csv")
        found = agree(t["rv"], t["ic"], lite=t["subject"], model="one_way", factor=1.96)
        between, within = found.components.total_terms
        assert between.mean_square == pytest.approx(4.2090856, rel=2e-7)
        assert within.mean_square == pytest.approx(0.170714026, abs=5e-8)
        assert found.bias == pytest.approx(0.6021667, abs=1e-7)
        assert found.sd == pytest.approx(0.99062408, abs=1e-7)
        assert found.limits[:2] == pytest.approx((-1.3394565, 2.5437899), abs=1e-6)

    def test_nested_against_published_likelihood_fit(self) -> None:
        # mixed model (lme4) of the same data as printed by the R package BAtrending: bias 0.705,
        # between SD 0.934, within 0.413, total 1.022, limits -1.298 and 2.707. Another estimator,
        # so 1 % of the total SD is allowed
        t = table("cardiac_output_1999.csv")
        found = agree(t["rv"], t["ic"], lite=t["subject"])
        assert found.bias == pytest.approx(0.705, abs=0.01)
        assert math.sqrt(found.components.lite or 0) == pytest.approx(0.934, abs=0.01)
        assert found.sd == pytest.approx(1.022, abs=0.01)
        assert found.limits[:2] == pytest.approx((-1.298, 2.707), abs=0.01)

    def test_variance_recovery_of_zou(self) -> None:
        # Zou, Stat. Methods Med. Res. 22 (2013) 630-642, 4 subjects, as in the tests of the R
        # package SimplyAgree: bias 0.7255, limits -2.14 and 3.59, intervals (-9.83, -0.33) and
        # (1.77, 11.27). Zou takes the normal for the mean where Student's t is taken here, so
        # the mean's share is exchanged before comparing
        x = [7.83, 7.42, 7.89, 7.12, 7.88, 6.16, 7.26, 6.71, 6.54, 4.75, 5.24, 4.86, 4.78, 6.05,
             5.42, 4.21, 3.61, 3.72, 3.87, 3.92]  # fmt: skip
        y = [6.57, 5.62, 6.9, 6.57, 6.35, 4.06, 4.29, 4.26, 4.09, 4.71, 5.5, 5.08, 5.02, 6.01,
             5.67, 4.14, 4.2, 4.61, 4.68, 5.04]  # fmt: skip
        found = agree(x, y, lite=[1] * 5 + [2] * 4 + [3] * 6 + [4] * 5, method="mover")
        assert found.bias == pytest.approx(0.7255, abs=5e-5)
        assert found.limits[:2] == pytest.approx((-2.14, 3.59), abs=0.005)
        half = found.bias_ci.high - found.bias
        normal = half / stats.t.ppf(0.975, 3) * stats.norm.ppf(0.975)

        def as_zou(reach: float) -> float:
            return math.sqrt(reach**2 - half**2 + normal**2)

        limit, ends = found.limits.high, found.limits.high_ci
        assert limit + as_zou(ends.high - limit) == pytest.approx(11.27, abs=0.02)
        assert limit - as_zou(limit - ends.low) == pytest.approx(1.77, abs=0.02)

    @pytest.mark.parametrize(("n", "k"), [(10, 2.911), (20, 2.396), (30, 2.220)])
    def test_exact_bound_is_the_tolerance_factor(self, n: int, k: float) -> None:
        # one-sided factors for 95 % content at 95 % confidence: NIST/SEMATECH e-Handbook 7.2.6.3
        d = np.random.default_rng(n).normal(0, 1, n)
        found = agree(d, np.zeros(n), lite=range(n), coverage=0.90, confidence=0.95)
        assert (found.limits.bounds.high - found.bias) / found.sd == pytest.approx(k, abs=5e-4)

    def test_generalised_is_exact_where_one_mean_square_rules(
        self, peak_flow: tuple[Any, Any]
    ) -> None:
        # then it is the noncentral t, but for the 10 000 draws: 2 % of the SD
        exact, drawn = (
            agree(*peak_flow, lite=range(17), method=m).limits for m in ("exact", "generalised")
        )
        assert drawn.high_ci == pytest.approx(exact.high_ci, abs=0.02 * 38.8)
        assert drawn.bounds == pytest.approx(exact.bounds, abs=0.02 * 38.8)

    def test_exact_bound_of_many_readings(self) -> None:
        # the noncentral t with a large noncentrality tends to the normal approximation
        n = 2000
        d = np.random.default_rng(1).normal(0, 1, n)
        found = agree(d, np.zeros(n), lite=range(n))
        near = 1.959964 + 1.644854 * math.sqrt((1 + 1.959964**2 / 2) / n)
        assert (found.limits.bounds.high - found.bias) / found.sd == pytest.approx(near, abs=2e-3)

    def test_equivalence_against_scipy(self, peak_flow: tuple[Any, Any]) -> None:
        found = agree(*peak_flow, lite=range(17), tolerance=15.0)
        d = peak_flow[0] - peak_flow[1]
        low = stats.ttest_1samp(d, -15.0, alternative="greater").pvalue
        high = stats.ttest_1samp(d, 15.0, alternative="less").pvalue
        assert found.equivalence is not None
        assert found.equivalence[1:4] == pytest.approx((low, high, max(low, high)), rel=1e-10)
        assert not found.equivalence.shown


class TestCoverage:
    """Simulated surveys of known truth: 95 % intervals cover in 91 to 99 % of 300 runs."""

    @pytest.mark.parametrize(
        ("lites", "spots", "repeats", "persons", "uneven"),
        [(6, 6, 2, 1, False), (6, 6, 2, 3, False), (8, 4, 2, 1, True), (12, 4, 1, 4, True)],
    )
    def test_random_operators(
        self, lites: int, spots: int, repeats: int, persons: int, uneven: bool
    ) -> None:
        sd, person_sd = (0.5, 0.5, 0.5), 0.3 if persons > 1 else 0.0
        total = math.sqrt(sum(v**2 for v in sd) + person_sd**2)
        truth = (0.2, 0.2 - 1.959964 * total, 0.2 + 1.959964 * total)
        rng = np.random.default_rng(lites * 100 + persons)
        hits = np.zeros(3)
        for _ in range(300):
            people = rng.normal(0, person_sd, persons)
            d, lite, spot, person = survey(rng, lites, spots, repeats, people, sd, uneven=uneven)
            found = agree(d, 0 * d, lite=lite, spot=spot, operator=person)
            ends = (found.bias_ci, found.limits.low_ci, found.limits.high_ci)
            hits += [e.low <= t <= e.high for e, t in zip(ends, truth, strict=True)]
        assert np.all((hits / 300 >= 0.91) & (hits / 300 <= 0.99)), hits / 300

    def test_two_operators_are_fixed(self) -> None:
        sd, people = (0.3, 0.5, 0.5), (-0.2, 0.3)
        total = math.sqrt(sum(v**2 for v in sd) + np.var(people))
        truth = (0.25, 0.25 - 1.959964 * total, 0.25 + 1.959964 * total)
        rng = np.random.default_rng(22)
        hits = np.zeros(3)
        for _ in range(300):
            d, lite, spot, person = survey(rng, 7, 5, 1, people, sd)
            found = agree(d, 0 * d, lite=lite, spot=spot, operator=person)
            ends = (found.bias_ci, found.limits.low_ci, found.limits.high_ci)
            hits += [e.low <= t <= e.high for e, t in zip(ends, truth, strict=True)]
        assert np.all((hits / 300 >= 0.91) & (hits / 300 <= 0.99)), hits / 300

    def test_taking_readings_as_independent_would_not_cover(self) -> None:
        rng = np.random.default_rng(3)
        naive = clustered = 0
        for _ in range(300):
            d, lite, spot, _ = survey(rng, 5, 8, 2, (0.0,), (0.5, 0.2, 0.3))
            low, high = agree(d, 0 * d, lite=range(d.size)).bias_ci
            naive += low <= 0.2 <= high
            low, high = agree(d, 0 * d, lite=lite, spot=spot).bias_ci
            clustered += low <= 0.2 <= high
        assert naive / 300 < 0.6
        assert 0.91 <= clustered / 300 <= 0.99

    def test_verdict_is_wrong_at_most_as_often_as_stated(self) -> None:
        # the true upper limit sits exactly on the tolerance: "shown" is then an error
        rng = np.random.default_rng(4)
        sd = (0.2, 0.3, 0.3)
        tolerance = 0.2 + 1.959964 * math.sqrt(sum(v**2 for v in sd))
        shown = 0
        for _ in range(300):
            d, lite, spot, _ = survey(rng, 8, 5, 2, (0.0,), sd)
            found = agree(d, 0 * d, lite=lite, spot=spot, tolerance=tolerance)
            shown += found.verdict == "shown"
        assert shown / 300 <= 0.08  # 5 % and 2.4 standard errors of 300 runs


class TestProperties:
    @settings(max_examples=25, deadline=None)
    @given(
        scale=st.floats(1e-3, 1e3), shift=st.floats(-100, 100), seed=st.integers(0, 10_000)
    )
    def test_scale_and_shift(self, scale: float, shift: float, seed: int) -> None:
        d, lite, spot, person = survey(
            np.random.default_rng(seed), 4, 3, 2, (0.0, 0.1, -0.2), (0.5, 0.5, 0.5)
        )
        base = agree(d, 0 * d, lite=lite, spot=spot, operator=person)
        moved = agree(
            scale * d + shift, np.full(d.size, shift), lite=lite, spot=spot, operator=person
        )
        figures = [
            (f.bias, f.sd, f.limits.low, f.limits.high, *f.limits.bounds, *f.bias_ci, *f.sd_ci)
            for f in (base, moved)
        ]
        np.testing.assert_allclose(figures[1], scale * np.array(figures[0]), rtol=1e-6, atol=1e-9)

    def test_swapped_methods_mirror(self, peak_flow: tuple[Any, Any]) -> None:
        lite = [i // 3 for i in range(17)]  # several readings of a lite: not the exact form
        one = agree(*peak_flow, lite=lite, tolerance=150)
        other = agree(*peak_flow[::-1], lite=lite, tolerance=150)
        assert other.bias == pytest.approx(-one.bias)
        assert other.limits.low == pytest.approx(-one.limits.high)
        mirrored = (-one.limits.high_ci[1], -one.limits.high_ci[0])
        assert other.limits.low_ci == pytest.approx(mirrored)
        assert other.verdict == one.verdict

    def test_order_of_rows_does_not_matter(self) -> None:
        rng = np.random.default_rng(8)
        d, lite, spot, person = survey(rng, 5, 4, 2, (0.1, 0.0, -0.3), (0.3, 0.3, 0.3))
        order = rng.permutation(d.size)
        one = agree(d, 0 * d, lite=lite, spot=spot, operator=person)
        other = agree(
            d[order], 0 * d, lite=lite[order], spot=spot[order], operator=person[order]
        )
        assert other.sd == pytest.approx(one.sd, rel=1e-12)
        assert other.limits.bounds == pytest.approx(one.limits.bounds, rel=1e-12)

    def test_more_confidence_is_wider(self, peak_flow: tuple[Any, Any]) -> None:
        at = [
            agree(*peak_flow, lite=range(17), confidence=c).limits.high_ci
            for c in (0.9, 0.95, 0.99)
        ]
        assert at[0].high < at[1].high < at[2].high
        assert at[0].low > at[1].low > at[2].low


class TestVerdict:
    def readings(self, n: int, lites: int, sd: float = 0.005) -> tuple[Any, Any, Any]:
        gauge = np.linspace(0.02, 0.12, n)
        return gauge + np.random.default_rng(1).normal(0, sd, n), gauge, np.arange(n) % lites

    def test_shown(self) -> None:
        scan, gauge, lite = self.readings(96, 6)
        found = agree(scan, gauge, lite=lite, tolerance=0.02, gauge_name="gauge G")
        assert found.verdict == "shown"
        assert found.statement == (
            "the scan may stand in for gauge G within +-0.02 mm at 95 % confidence on 96 readings "
            "of 6 lites"
        )
        assert -0.02 <= found.limits.bounds.low < found.limits.bounds.high <= 0.02

    def test_two_operators_are_named(self) -> None:
        scan, gauge, lite = self.readings(96, 6)
        spot = np.arange(96) // 2
        found = agree(
            scan, gauge, lite=lite[spot], spot=spot, operator=np.arange(96) % 2, tolerance=0.02
        )
        assert found.statement.endswith("96 readings of 6 lites by the 2 operators who took them")
        assert found.notes[0].startswith("the figures hold for the 2 operators")

    @pytest.mark.parametrize(
        ("tolerance", "shift", "reason"),
        [
            (0.02, 0.03, "the bias alone is larger than that"),
            (0.008, 0.0, "the limits of agreement themselves reach beyond it"),
            (None, 0.0, "more lites, more spots or more operators would narrow them"),
        ],
    )
    def test_not_shown_says_why(self, tolerance: float | None, shift: float, reason: str) -> None:
        scan, gauge, lite = self.readings(96, 6)
        if tolerance is None:  # between a limit and its bound
            limits = agree(scan, gauge, lite=lite).limits
            bounds = limits.bounds
            tolerance = (max(-limits.low, limits.high) + max(-bounds.low, bounds.high)) / 2
        found = agree(scan + shift, gauge, lite=lite, tolerance=tolerance)
        assert found.verdict == "not shown"
        assert found.statement.startswith("not shown that the scan may stand in for the gauge")
        assert found.statement.endswith(reason)

    def test_a_bias_that_is_not_surely_larger_is_not_said_to_be(self) -> None:
        # two lites 0.02 and 0.10 off, a third at 0: a mean of 0.04 whose interval holds 0.03
        gauge = np.linspace(0.0, 0.1, 30)
        lite = np.arange(30) // 10
        found = agree(gauge + np.array([0.02, 0.10, 0.0])[lite], gauge, lite=lite, tolerance=0.03)
        assert found.bias_ci.low < 0.03 < found.bias
        assert found.statement.endswith(
            ": the bias found is larger, though its interval reaches inside"
        )

    @pytest.mark.parametrize(
        ("n", "lites"), [(LEAST_READINGS - 1, LEAST_LITES), (40, LEAST_LITES - 1), (1, 1)]
    )
    def test_too_few(self, n: int, lites: int) -> None:
        scan, gauge, lite = self.readings(n, lites, sd=1e-6)
        found = agree(scan, gauge, lite=lite, tolerance=1.0)
        assert found.verdict == "too few readings"
        assert "at least 10 readings of 3 lites" in found.statement
        assert found.bias == pytest.approx(0.0, abs=1e-5)

    def test_one_reading_has_no_interval(self) -> None:
        found = agree([0.11], [0.10], lite=["A"])
        assert found.bias == pytest.approx(0.01)
        assert math.isnan(found.sd)
        assert found.bias_ci == (-math.inf, math.inf)
        assert found.verdict == "not asked"

    def test_correlated_methods_that_disagree_are_refused(self) -> None:
        # a gauge that reads double correlates perfectly
        gauge = np.linspace(0.02, 0.12, 60)
        found = agree(2 * gauge, gauge, lite=np.arange(60) % 6, tolerance=0.02)
        assert np.corrcoef(2 * gauge, gauge)[0, 1] == pytest.approx(1.0)
        assert found.verdict == "not shown"

    def test_no_difference_at_all(self) -> None:
        gauge = np.linspace(0.02, 0.12, 30)
        found = agree(gauge, gauge, lite=np.arange(30) % 5, tolerance=0.001)
        assert found.verdict == "shown"
        assert found.limits.bounds == (0.0, 0.0)
        assert found.equivalence is not None
        assert found.equivalence.p == 0.0


class TestRefusals:
    def test_no_pair(self) -> None:
        with pytest.raises(SurveyError, match="gauge G: there is not one pair; at least one is"):
            agree([], [], lite=[], gauge_name="gauge G")

    def test_unequal_lengths(self) -> None:
        with pytest.raises(SurveyError, match="3 readings stand against 2"):
            agree([1, 2, 3], [1, 2], lite=[1, 1, 1])

    def test_not_a_number(self) -> None:
        with pytest.raises(SurveyError, match="reading 2 of 3 is not a finite number"):
            agree([1, math.nan, 3], [1, 2, 3], lite=[1, 1, 1])

    def test_labels(self) -> None:
        with pytest.raises(SurveyError, match="lites: 2 labels stand against 3 readings"):
            agree([1, 2, 3], [1, 2, 3], lite=[1, 1])

    @pytest.mark.parametrize("tolerance", [0.0, -1.0, math.nan])
    def test_tolerance(self, tolerance: float) -> None:
        with pytest.raises(SurveyError, match=r"tolerance: it is .*; a number above zero"):
            agree([1, 2, 3], [1, 2, 3], lite=[1, 2, 3], tolerance=tolerance)

    def test_exact_where_it_does_not_hold(self) -> None:
        parts = nested_components([1, 2, 3, 4, 6, 9], lite=[1, 1, 2, 2, 3, 3])
        with pytest.raises(SurveyError, match="the scatter has several sources"):
            limits_of_agreement(parts, method="exact")
