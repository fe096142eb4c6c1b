"""What changed when: found where it is, and seldom where it is not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstwobign

from midchord.production.changes import WHOLE, ZONES, find_changes, zone_means

RULES = {"least_lites": 10, "false_rate": 0.05, "level": 0.95}


def ar(rng: np.random.Generator, shape: tuple[int, int], r: float) -> np.ndarray:
    z = rng.standard_normal(shape)
    for k in range(1, shape[0]):
        z[k] = r * z[k - 1] + np.sqrt(1 - r**2) * z[k]
    return z


def test_a_step_is_found_where_it_is() -> None:
    hits, covered = [], []
    for seed in range(40):
        z = np.random.default_rng(seed).standard_normal((200, len(ZONES)))
        z[140:, 3] += 2.0
        found = {one.zone: one for one in find_changes(z, **RULES)}
        one = found[ZONES[3]]
        assert one.shown
        assert one.first is not None
        hits.append(abs(one.first - 140) <= 5)
        covered.append(one.interval[0] <= 2.0 <= one.interval[1])
        assert sum(other.shown for other in found.values()) <= 2
    assert np.mean(hits) >= 0.95
    assert np.mean(covered) >= 0.85


@pytest.mark.parametrize(("r", "most"), [(0.0, 0.075), (0.5, 0.12)])
def test_no_more_false_changes_than_stated(r: float, most: float) -> None:
    """Of 400 productions of 150 lites without a change, over all ten zones together."""
    rng = np.random.default_rng(9)
    wrong = [
        any(one.shown for one in find_changes(ar(rng, (150, len(ZONES)), r), **RULES))
        for _ in range(400)
    ]
    assert np.mean(wrong) <= most


def test_the_p_value_is_kolmogorovs() -> None:
    z = np.random.default_rng(4).standard_normal((400, 1))
    one = find_changes(z, **RULES)[0]
    assert one.first is not None
    values = z[:, 0]
    rest = values - np.where(np.arange(400) < one.first, one.before, one.after)
    r = float((rest[1:] * rest[:-1]).sum() / (rest**2).sum()) + 1 / 400
    spread = (rest**2).sum() / 398 * (1 + max(r, 0)) / (1 - max(r, 0))
    top = np.abs(np.cumsum(values - values.mean())).max() / np.sqrt(400 * spread)
    assert one.p_value == pytest.approx(kstwobign.sf(top), rel=1e-9)


def test_gaps_and_few_lites() -> None:
    z = np.full((60, 2), np.nan)
    z[::2, 0] = np.where(np.arange(30) < 15, 1.0, 4.0) + 0.01 * np.arange(30) % 0.05
    z[:12, 1] = 1.0
    one, few = find_changes(z, **RULES)
    assert (one.first, one.shown, one.lites) == (30, True, 30)
    assert one.step == pytest.approx(3.0, abs=0.05)
    assert few.first is None
    assert not few.shown


def test_zone_means_are_those_of_the_thirds() -> None:
    values = np.arange(42, dtype=np.float32).reshape(6, 7)
    use = np.ones((6, 7), bool)
    use[0, 0] = False
    use[4:, 4:] = False
    found = dict(zip(ZONES, zone_means(values, use), strict=True))
    values = values.astype(np.float64)
    assert found[WHOLE] == pytest.approx(values[use].mean())
    assert found["r1c1"] == np.mean([1, 7, 8])
    assert found["r2c3"] == values[2:4, 4:].mean()
    assert np.isnan(found["r3c3"])
    assert np.isnan(zone_means(values[:2].astype(np.float32), use[:2])[1:]).all()
