"""How many lites show an effect."""

from __future__ import annotations

import pytest

from midchord.trials.power import detectable, lites_needed, power_of, upper_sd


@pytest.mark.parametrize(("d", "count"), [(0.2, 393), (0.5, 64), (0.8, 26), (1.0, 17)])
def test_cohens_numbers_of_two_groups(d: float, count: int) -> None:
    # Cohen (1988), table 2.4.1, two-sided 0.05, power 0.8 (from memory; 0.2 by the exact t: 394)
    found = lites_needed(d, 1.0, alpha=0.05, power=0.8, paired=False)
    assert found == pytest.approx(count, abs=1)


def test_power_is_that_of_statsmodels() -> None:
    from statsmodels.stats.power import TTestIndPower, TTestPower

    for effect, count in ((0.5, 20), (1.2, 5), (3.0, 3)):
        other = TTestIndPower().power(effect, count, 0.01)
        found = power_of(effect, 1.0, count, alpha=0.01, paired=False)
        assert found == pytest.approx(other, abs=2e-4)
        single = TTestPower().power(effect, count, 0.05)
        assert power_of(effect, 1.0, count, alpha=0.05, paired=True) == pytest.approx(
            single, abs=2e-4
        )


def test_a_larger_effect_never_takes_more_lites() -> None:
    needed = [lites_needed(e, 3.4, alpha=1e-3, power=0.9, paired=True) for e in (1, 2, 5, 10, 50)]
    assert all(isinstance(count, int) for count in needed)
    assert needed == sorted(needed, reverse=True)


def test_what_is_detectable_is_shown_with_the_power() -> None:
    effect = detectable(2.0, 12, alpha=0.05, power=0.9, paired=False)
    assert power_of(effect, 2.0, 12, alpha=0.05, paired=False) == pytest.approx(0.9, abs=1e-6)
    assert upper_sd(1.0, 10) == pytest.approx((10 / 3.940) ** 0.5, abs=5e-4)  # chi-square table
    assert lites_needed(1e-6, 1.0, alpha=0.05, power=0.8, paired=False) is None
