"""How nozzles usually differ: robust spread, tests at their nominal rate."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.robust.scale import qn_scale as reference_qn

from midchord.nozzles.spread import line_through, local_course, outside_spread, qn_scale


def test_qn_is_that_of_a_reference_library() -> None:
    # statsmodels, robust.scale.qn_scale: without the factors for few values, which are
    # n / (n + 3.8) for even and n / (n + 1.4) for odd n (Croux and Rousseeuw 1992, from memory)
    rng = np.random.default_rng(1)
    for count in (40, 41, 200):
        values = rng.standard_normal(count) * 3 + 7
        factor = count / (count + (1.4 if count % 2 else 3.8))
        assert qn_scale(values) == pytest.approx(factor * reference_qn(values), rel=1e-4)


def test_nearly_half_of_the_values_may_be_anything() -> None:
    values = np.random.default_rng(2).standard_normal(101)
    values[:45] = 1e6
    assert qn_scale(values) < 5
    assert np.isnan(qn_scale(np.array([1.0])))


def test_nozzles_that_differ_as_usual_are_rarely_outside() -> None:
    rng = np.random.default_rng(3)
    rates = []
    for _ in range(150):
        own = 0.4 * rng.standard_normal(30)
        values = own + rng.standard_normal((12, 30))
        rates.append(np.mean(outside_spread(values, 0.0).p < 0.05))
    assert 0.02 < np.mean(rates) < 0.065


def test_one_that_differs_by_more_is_outside_and_the_floor_holds_it_back() -> None:
    rng = np.random.default_rng(4)
    values = rng.standard_normal((20, 25))
    values[:, 7] += 4.0
    found = outside_spread(values, 0.0)
    assert int(np.argmin(found.p)) == 7
    assert found.p[7] < 1e-5
    assert outside_spread(values, 3.0).p[7] > 0.05
    assert outside_spread(values, 3.0).spread == 3.0


def test_a_line_takes_no_part_of_an_odd_one() -> None:
    kappas = np.arange(5.0, 30.0)
    moved = np.tile(0.1 + 0.02 * kappas, (3, 1))
    moved[:, 4] += 6.0
    assert line_through(moved, kappas) == pytest.approx(0.1 + 0.02 * kappas, abs=1e-6)


def test_neighbours_follow_a_swell_and_not_an_odd_one() -> None:
    swell = np.sin(np.arange(40) / 12)
    values = np.tile(swell, (4, 1))
    values[:, 20:22] += 5.0
    course = local_course(values)
    assert np.abs(course - swell)[5:-5].max() < 0.12
