"""Corrections for many tests, against a published worked example and two reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from midchord.statistics.false_discovery import benjamini_hochberg, holm

# Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4.1: 15 hypotheses of a trial of
# thrombolysis; at 0.05 their procedure rejects the first four, Bonferroni's the first three
TRIAL = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
         0.5719, 0.6528, 0.7590, 1.0000]  # fmt: skip


def test_the_worked_example_of_the_paper() -> None:
    assert int((benjamini_hochberg(TRIAL) <= 0.05).sum()) == 4
    assert int((np.array(TRIAL) * 15 <= 0.05).sum()) == 3
    assert int((holm(TRIAL) <= 0.05).sum()) == 3
    assert benjamini_hochberg(TRIAL)[3] == pytest.approx(0.0095 * 15 / 4)


@pytest.mark.parametrize("seed", range(5))
def test_reference_libraries_agree_in_any_order(seed: int) -> None:
    p = np.random.default_rng(seed).uniform(size=23) ** 3
    assert benjamini_hochberg(p) == pytest.approx(stats.false_discovery_control(p))
    assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1])
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])


def test_what_was_not_tested_is_not_counted() -> None:
    p = np.array([0.01, np.nan, 0.04])
    assert holm(p)[[0, 2]] == pytest.approx([0.02, 0.04])
    assert np.isnan(benjamini_hochberg(p)[1])
    assert holm([]).size == 0


def test_a_p_value_lies_between_0_and_1() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        holm([0.2, 1.2])
