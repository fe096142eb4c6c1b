"""Steady or wandering: both hypotheses at their stated rates."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.causes.harmonics import fit, ramp_of
from midchord.causes.steady import UNTESTED, Steadiness, steadiness
from pieces import RULES, pieces


def judged(seed: int, lites: int, scatter: float, *, tau0: float = 0.01) -> Steadiness:
    made = pieces(seed, lites, wander=(251.0, 0.01, scatter), background_mm=0.002)
    ramp = ramp_of(fit(made, np.full((lites, 1), 1 / 251.0)), 0, lites, RULES.weights)
    return steadiness(ramp, tau0, lites=lites, least_lites=3, claim_rate=0.05)


def test_a_machine_keeps_its_period() -> None:
    found = [judged(seed, 20, 0.0) for seed in range(20)]
    assert [one.state for one in found].count("steady") >= 19
    assert all(one.p_wander is not None and one.p_wander > 1e-4 for one in found)


def test_what_scatters_by_tau0_is_seldom_called_steady() -> None:
    """The claim errs at most as often as its rate, 5 %: 10 of 100 or fewer (1 in 90 by chance)."""
    found = [judged(100 + seed, 12, 0.01).state for seed in range(100)]
    assert found.count("steady") <= 10


@pytest.mark.parametrize("scatter", [0.03, 0.06])
def test_what_scatters_more_is_called_wandering(scatter: float) -> None:
    found = [judged(200 + seed, 20, scatter) for seed in range(10)]
    assert [one.state for one in found] == ["wandering"] * 10


def test_the_scatter_is_measured() -> None:
    found = np.mean([judged(300 + seed, 40, 0.008).scatter or 0.0 for seed in range(8)])
    assert found == pytest.approx(0.008, rel=0.25)


def test_noise_is_neither() -> None:
    made = pieces(5, 30, corner_mm=0.0)
    ramp = ramp_of(fit(made, np.full((30, 1), 1 / 251.0)), 0, 30, RULES.weights)
    assert steadiness(ramp, 0.01, lites=30, least_lites=3, claim_rate=0.05).state == "open"


def test_few_lites_are_not_tested() -> None:
    made = pieces(5, 2, lines=[(251.0, 0.01)])
    ramp = ramp_of(fit(made, np.full((2, 1), 1 / 251.0)), 0, 2, RULES.weights)
    assert steadiness(ramp, 0.01, lites=2, least_lites=3, claim_rate=0.05) == UNTESTED
