"""Shift and day."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from midchord.charts.seasons import days_and_shifts, split

BEGINS = (6.0, 14.0, 22.0)


def test_a_day_of_production_begins_with_its_first_shift() -> None:
    times = ["2026-03-02T05:59:00Z", "2026-03-02T06:00:00Z", "2026-03-02T23:10:00+01:00"]
    assert days_and_shifts(times, BEGINS, 0.0) == (
        ["2026-03-01", "2026-03-02", "2026-03-02"], ["from 22:00", "from 06:00", "from 22:00"],
    )  # fmt: skip
    assert days_and_shifts(times, BEGINS, 2.0) == (
        ["2026-03-02"] * 3, ["from 06:00", "from 06:00", "from 22:00"],
    )  # fmt: skip
    assert days_and_shifts([*times, ""], BEGINS, 0.0) is None


def test_the_tests_are_those_of_statsmodels() -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(4)
    shifts = rng.choice(["a", "b", "c"], 90)
    days = rng.choice(["d1", "d2", "d3", "d4"], 90)
    values = rng.standard_normal(90) + 0.9 * (shifts == "b") + 0.4 * (days == "d3")
    found = split(values, list(days), list(shifts))
    assert found is not None
    table = pd.DataFrame({"x": values, "s": shifts, "d": days})
    other = anova_lm(ols("x ~ C(s) + C(d)", table).fit(), typ=2)
    assert found.shift.p_value == pytest.approx(other.loc["C(s)", "PR(>F)"], rel=1e-8)
    assert found.day.p_value == pytest.approx(other.loc["C(d)", "PR(>F)"], rel=1e-8)
    assert found.means[1].low < found.means[1].mean < found.means[1].high
    assert sum(mean.lites for mean in found.means) == 90


def test_one_day_has_no_test_and_few_lites_no_split() -> None:
    values = np.arange(20.0) % 7
    found = split(values, ["d"] * 20, ["a", "b"] * 10)
    assert found is not None
    assert found.day.p_value is None
    assert split(values[:6], ["d"] * 6, ["a", "b"] * 3) is None
