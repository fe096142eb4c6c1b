"""Variance components: textbook mean squares, second implementations, expectation by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from midchord.statistics.variance_components import (
    Term,
    effective_df,
    mls_interval,
    nested_components,
    sum_of,
)


def test_single_mean_square_is_the_chi_square_interval() -> None:
    low, high = mls_interval([Term(1.0, 2.5, 12)])
    assert low == pytest.approx(12 * 2.5 / stats.chi2.ppf(0.975, 12))
    assert high == pytest.approx(12 * 2.5 / stats.chi2.ppf(0.025, 12))


def test_difference_is_exact_where_the_f_test_is_on_its_edge() -> None:
    # the MLS bound of a difference is zero exactly where the F ratio equals its quantile
    # (Ting et al. 1990: the cross term is made so)
    f = stats.f.ppf(0.975, 5, 18)
    low, _ = mls_interval([Term(0.25, f, 5), Term(-0.25, 1.0, 18)])
    assert low == pytest.approx(0.0, abs=1e-12)
    f = stats.f.ppf(0.025, 5, 18)
    _, high = mls_interval([Term(0.25, f, 5), Term(-0.25, 1.0, 18)])
    assert high == pytest.approx(0.0, abs=1e-12)


def test_effective_df_is_welch() -> None:
    # two unequal samples: Satterthwaite is the df of scipy's Welch test
    a, b = [4.1, 5.0, 6.2, 5.5], [3.0, 8.0, 9.5, 2.0, 7.7, 5.1]
    terms = [Term(1 / len(v), float(np.var(v, ddof=1)), len(v) - 1) for v in (a, b)]
    assert effective_df(terms) == pytest.approx(stats.ttest_ind(a, b, equal_var=False).df)


def test_balanced_nested_mean_squares() -> None:
    # textbook nested analysis of variance in plain loops
    rng = np.random.default_rng(1)
    m, s, r = 5, 3, 4
    y = rng.normal(0, 1, (m, 1, 1)) + rng.normal(0, 1, (m, s, 1)) + rng.normal(0, 1, (m, s, r))
    ss_within = ss_spot = ss_lite = 0.0
    for i in range(m):
        ss_lite += s * r * (y[i].mean() - y.mean()) ** 2
        for j in range(s):
            ss_spot += r * (y[i, j].mean() - y[i].mean()) ** 2
            for k in range(r):
                ss_within += (y[i, j, k] - y[i, j].mean()) ** 2
    ms = ss_lite / (m - 1), ss_spot / (m * (s - 1)), ss_within / (m * s * (r - 1))
    i, j, _ = np.indices(y.shape)
    parts = nested_components(y.ravel(), lite=i.ravel(), spot=j.ravel())
    assert parts.within == pytest.approx(ms[2])
    assert parts.spot == pytest.approx((ms[1] - ms[2]) / r)
    assert parts.lite == pytest.approx((ms[0] - ms[1]) / (s * r))
    assert parts.total == pytest.approx(sum(v or 0 for v in (parts.lite, parts.spot, parts.within)))


def test_balanced_against_restricted_likelihood() -> None:
    # second implementation: statsmodels MixedLM (REML equals moments where balanced and positive)
    import pandas as pd
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(3)
    y = rng.normal(0, 1, (8, 1, 1)) + rng.normal(0, 0.8, (8, 4, 1)) + rng.normal(0, 0.5, (8, 4, 3))
    i, j, _ = (v.ravel() for v in np.indices(y.shape))
    frame = pd.DataFrame({"d": y.ravel(), "lite": i, "spot": j})
    fit = smf.mixedlm(
        "d ~ 1", frame, groups="lite", vc_formula={"spot": "0 + C(spot)"}, re_formula="1"
    ).fit(reml=True, method=["lbfgs"])
    parts = nested_components(y.ravel(), lite=i, spot=j)
    assert parts.mean == pytest.approx(fit.params["Intercept"], abs=1e-6)
    assert parts.within == pytest.approx(fit.scale, rel=2e-3)
    assert parts.spot == pytest.approx(float(fit.vcomp[0]), rel=5e-3)
    assert parts.lite == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=5e-3)


@pytest.mark.parametrize("layout", ["all", "spots shared out", "unequal"])
def test_components_are_unbiased(layout: str) -> None:
    rng = np.random.default_rng(6)
    truth = np.array([0.6, 0.4, 0.5, 0.3]) ** 2
    people = 4
    found = []
    for _ in range(600):
        rows = []
        effect = rng.normal(0, 0.3, people)
        for lite in range(8):
            of_lite = rng.normal(0, 0.6)
            for spot in range(4 + (lite % 3 if layout == "unequal" else 0)):
                of_spot = rng.normal(0, 0.4)
                for person in range(people):
                    if layout == "spots shared out" and person != (lite + spot) % people:
                        continue
                    n = 2 if layout != "unequal" else int(1 + (lite + spot + person) % 3)
                    for _ in range(n):
                        d = of_lite + of_spot + effect[person] + rng.normal(0, 0.5)
                        rows.append((d, lite, spot, person))
        d, lite, spot, person = zip(*rows, strict=True)
        parts = nested_components(d, lite=lite, spot=spot, operator=person)
        found.append(sum_of(parts.total_terms))
    error = np.std(found) / math.sqrt(len(found))
    assert np.mean(found) == pytest.approx(truth.sum(), abs=3 * error + 0.01 * truth.sum())


def test_operators_without_common_lites_are_said() -> None:
    parts = nested_components([1, 2, 3, 4, 5, 7], lite=[1, 1, 2, 2, 3, 3], operator=list("AABBCC"))
    assert parts.operator is None
    assert parts.notes[0].startswith("operators and lites cannot be told apart")


def test_one_lite_is_said() -> None:
    parts = nested_components([1.0, 2.0, 4.0], lite=[1, 1, 1], spot=[1, 1, 2])
    assert parts.lite is None
    assert parts.notes[0].startswith("one lite only")
    assert parts.mean == pytest.approx((1.5 + 4.0) / 2)


def test_operator_effects_do_not_enter_the_spots() -> None:
    # a spot read only by the low reader is not a low spot
    d = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 1.0])
    parts = nested_components(
        d, lite=[1, 1, 1, 1, 1, 2, 2, 2, 2], spot=[1, 1, 2, 2, 3, 1, 1, 2, 2],
        operator=list("ABABAABAB"),
    )  # fmt: skip
    assert parts.spot == pytest.approx(0.0, abs=1e-12)
    assert parts.lite == pytest.approx(0.0, abs=1e-12)
    assert parts.operators_fixed
    assert parts.operator == pytest.approx(0.25)  # (0.5^2 + 0.5^2)/2
