"""Lin's concordance against a published value, a second computation and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from midchord.statistics.concordance import concordance
from midchord_io.errors import SurveyError

X = [7.83, 7.42, 7.89, 7.12, 6.16, 7.26, 6.71, 4.75, 5.24, 4.86, 4.78, 6.05, 5.42, 4.21, 3.61, 3.72,
     3.87, 3.92]  # fmt: skip
Y = [6.57, 5.62, 6.9, 6.57, 4.06, 4.29, 4.26, 4.71, 5.5, 5.08, 5.02, 6.01, 5.67, 4.14, 4.2, 4.61,
     4.68, 5.04]  # fmt: skip


def test_published() -> None:
    # 0.479: tests of the R package SimplyAgree, data "reps" (18 complete pairs)
    assert concordance(X, Y).coefficient == pytest.approx(0.479, abs=5e-4)


def test_second_computation() -> None:
    # by definition: 1 - E(x - y)^2 / E(x - y)^2 under independence, over all pairs of pairs
    x, y = np.array(X), np.array(Y)
    apart = np.mean([(a - b) ** 2 for a in x for b in y])
    found = concordance(X, Y)
    assert found.coefficient == pytest.approx(1 - np.mean((x - y) ** 2) / apart, rel=1e-12)
    assert found.correlation == pytest.approx(np.corrcoef(x, y)[0, 1])
    assert found.coefficient == pytest.approx(found.correlation * found.accuracy)


@pytest.mark.parametrize("clustered", [False, True])
def test_interval_covers(clustered: bool) -> None:
    rng = np.random.default_rng(9)
    hits = 0
    # x = t + e1, y = t + 0.5 + e2 with var t = 4, var e = 1 each: 2*4/(5 + 5 + 0.25)
    truth = 8 / 10.25
    for _ in range(300):
        lites = np.repeat(np.arange(20), 4)
        if clustered:
            t = rng.normal(0, math.sqrt(3), 20)[lites] + rng.normal(0, 1, 80)
            low, high = concordance(
                t + rng.normal(0, 1, 80), t + 0.5 + rng.normal(0, 1, 80), lite=lites
            )[1:3]
        else:
            t = rng.normal(0, 2, 60)
            low, high = concordance(t + rng.normal(0, 1, 60), t + 0.5 + rng.normal(0, 1, 60))[1:3]
        hits += low <= truth <= high
    assert 0.91 <= hits / 300 <= 0.99


def test_symmetric_and_scale_free() -> None:
    base = concordance(X, Y)
    assert concordance(Y, X)[:3] == pytest.approx(base[:3])
    x, y = 25.4 * np.array(X) + 3, 25.4 * np.array(Y) + 3
    assert concordance(x, y)[:3] == pytest.approx(base[:3])


def test_identity_and_constant() -> None:
    assert concordance(X, X)[:3] == pytest.approx((1.0, 1.0, 1.0))
    assert math.isnan(concordance(X, np.ones(18)).coefficient)


def test_no_pair() -> None:
    with pytest.raises(SurveyError, match="concordance: there is not one pair"):
        concordance([], [])
