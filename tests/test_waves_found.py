"""The search: what is there is found with its period, what is not is not."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.causes.waves_found import find_waves, frequencies_of
from pieces import RULES, pieces


def test_a_line_is_found_with_its_period_and_its_uncertainty() -> None:
    """The stated uncertainty is the scatter: (period - truth) / u has a standard deviation of 1."""
    pulls = []
    for seed in range(16):
        found = find_waves(pieces(seed, 10, lines=[(251.0, 0.008)]), RULES)
        assert found[0].period_mm == pytest.approx(251.0, abs=3.0)
        pulls.append((found[0].period_mm - 251.0) / found[0].u_period_mm)
    assert 0.6 < np.std(pulls) < 1.6
    assert abs(np.mean(pulls)) < 0.6


def test_several_lines_are_found_at_once() -> None:
    made = pieces(3, 30, lines=[(282.0, 0.01), (196.0, 0.004), (141.0, 0.003)])
    found = find_waves(made, RULES)
    assert sorted(round(one.period_mm) for one in found) == [141, 196, 282]
    assert {one.steadiness.state for one in found} == {"steady"}


def test_two_lines_within_a_resolution_are_two_where_there_are_many_lites() -> None:
    """251 and 262 mm on 2.3 m, where a resolution is 27 mm: the fit tells them apart."""
    made = pieces(5, 60, lines=[(251.0, 0.01), (262.0, 0.008)])
    found = sorted(one.period_mm for one in find_waves(made, RULES)[:2])
    assert found == pytest.approx([251.0, 262.0], abs=1.0)


def test_a_wandering_wave_gets_frequencies_of_its_own() -> None:
    found = find_waves(pieces(6, 20, wander=(255.0, 0.01, 0.04)), RULES)
    assert found[0].own is not None
    assert found[0].steadiness.state == "wandering"
    assert found[0].period_mm == pytest.approx(255.0, rel=0.03)
    assert frequencies_of(found, 20).shape == (20, len(found))


def test_a_continuous_background_is_no_wave() -> None:
    """At most false_rate (5 %) of searches find one: at most 4 of 25 (1 in 30 by chance)."""
    found = [len(find_waves(pieces(50 + seed, 5), RULES)) > 0 for seed in range(25)]
    assert sum(found) <= 4
