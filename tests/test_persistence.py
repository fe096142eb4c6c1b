"""Spots that stay: Wilson's interval against scipy and a handbook, correlation, spots."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from midchord.production.frames import Frame
from midchord.production.persistence import persistent_spots, wilson
from midchord.production.sums import FrameSums


@pytest.mark.parametrize(("above", "n"), [(0, 12), (4, 20), (7, 9), (35, 35), (120, 2000)])
def test_wilson_is_that_of_scipy(above: int, n: int) -> None:
    own = binomtest(above, n).proportion_ci(0.95, method="wilson")
    low, high = wilson(above / n, n, 0.95)
    assert low == pytest.approx(own.low, abs=1e-12)
    assert high == pytest.approx(own.high, abs=1e-12)


def test_wilson_solves_its_own_equation() -> None:
    """Its ends are the shares p for which the one found lies z standard errors away, |0.2 - p| =
    z sqrt(p (1 - p) / n): Wilson 1927, J. Am. Stat. Assoc. 22, 209."""
    low, high = wilson(0.2, 20, 0.90)
    z = 1.6448536269514722
    ends = np.roots([1 + z**2 / 20, -(2 * 0.2 + z**2 / 20), 0.2**2])
    assert [low, high] == pytest.approx(sorted(ends))


def test_no_lite_has_no_interval() -> None:
    low, high = wilson([0.0, 1.0], [0, 5], 0.95)
    assert np.isnan(low[0])
    assert np.isnan(high[0])
    assert high[1] == 1.0


def sums_of(lites: list[np.ndarray], limit: float = 5.0) -> FrameSums:
    sums = FrameSums(lites[0].shape, 2, limit)
    for number, values in enumerate(lites):
        sums.add(number * 2 // len(lites), values.astype(np.float32), False)
    return sums


def test_spots_are_where_they_are_and_as_large() -> None:
    rng = np.random.default_rng(3)
    lites = []
    for _ in range(40):
        z = rng.normal(1.0, 0.2, (30, 20))
        z[4:7, 10:12] = 9.0
        if rng.random() < 0.2:
            z[20:25, 3:5] = 9.0
        z[28:, 18:] = np.nan
        lites.append(z)
    lites[0][29, 19] = 9.0  # one lite alone was ever seen there
    frame = Frame(100.0, 0.0, 30, 20, 5.0)
    found = persistent_spots(
        sums_of(lites), frame, least_share=0.5, least_lites=10.0, most=5, level=0.95
    )
    assert found.spot_count == 1
    (spot,) = found.spots
    assert (spot.x_mm, spot.y_mm) == pytest.approx((100 + 5.5 * 5, 11 * 5))
    assert (spot.length_mm, spot.width_mm, spot.area_mm2) == (15.0, 10.0, 150.0)
    assert (spot.above, spot.lites, spot.share) == (40, 40, 1.0)
    assert spot.interval[1] == 1.0
    assert found.share[29, 19] == 1.0
    assert 0.05 < found.share[22, 3] < 0.4


def test_without_a_persistent_spot_the_most_frequent_place_is_told() -> None:
    lites = [np.ones((5, 4)) for _ in range(12)]
    for z in lites[:3]:
        z[2, 1] = 7.0
    found = persistent_spots(
        sums_of(lites), Frame(0.0, 0.0, 5, 4, 10.0), least_share=0.5, least_lites=3, most=5,
        level=0.95,
    )  # fmt: skip
    assert found.spot_count == 0
    assert not found.spots[0].persistent
    assert (found.spots[0].worst_x_mm, found.spots[0].worst_y_mm) == (25.0, 15.0)
    assert found.spots[0].above == 3


def test_lites_that_follow_each_other_alike_count_for_less() -> None:
    """A chain that keeps its state with probability 0.9 has a correlation of 0.8 at lag one, so n
    lites are worth n / 9 (closed form of the two-state Markov chain)."""
    rng = np.random.default_rng(8)
    state = rng.random((40, 30)) < 0.5
    chain, alone = [], []
    for _ in range(400):
        state = np.where(rng.random(state.shape) < 0.1, ~state, state)
        chain.append(np.where(state, 9.0, 1.0))
        alone.append(np.where(rng.random(state.shape) < 0.5, 9.0, 1.0))
    assert sums_of(chain).serial_correlation() == pytest.approx(0.8, abs=0.02)
    assert sums_of(alone).serial_correlation() == pytest.approx(0.0, abs=0.01)
    found = persistent_spots(
        sums_of(chain), Frame(0, 0, 40, 30, 5.0), least_share=0.5, least_lites=1, most=1, level=0.95
    )
    assert found.deflation == pytest.approx(1 / 9, abs=0.015)
    covered = np.mean((found.low <= 0.5) & (found.high >= 0.5))
    assert 0.92 < covered < 0.98


def test_mean_and_spread_are_those_of_all_lites_at_once() -> None:
    rng = np.random.default_rng(1)
    table = rng.normal(50.0, 3.0, (11, 6, 4)).astype(np.float32)
    table[rng.random(table.shape) < 0.2] = np.nan
    table[:, 0, 0] = np.nan
    sums = FrameSums((6, 4), 3, None)
    for number, values in enumerate(table):
        sums.add(number * 3 // 11, values, False)
    maps = sums.maps()
    whole = table.astype(np.float64)
    count = np.isfinite(whole).sum(axis=0)
    assert maps.lites.tolist() == count.tolist()
    assert np.isnan(maps.mean[0, 0])
    many = count > 1
    assert maps.mean[many] == pytest.approx(np.nanmean(whole[:, many], axis=0), rel=1e-13)
    assert maps.sd[many] == pytest.approx(np.nanstd(whole[:, many], axis=0, ddof=1), rel=1e-9)
    assert maps.largest[many] == pytest.approx(np.nanmax(whole[:, many], axis=0))
    assert maps.above.sum() == 0
    first = np.nanmean(whole[:4, 3, 2])
    assert sums.mean_of(0, 1)[3, 2] == pytest.approx(first)
