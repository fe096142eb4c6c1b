"""Slopes by selection against all slopes made and sorted."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midchord.statistics import slope_selection
from midchord.statistics.slope_selection import Slopes, angle_of


def all_slopes(x: Any, y: Any, cut: float, spot: Any = None) -> list[float]:
    """By a double loop, in exact arithmetic where x and y are whole numbers."""
    found = []
    for i, j in itertools.combinations(range(len(x)), 2):
        dx, dy = x[j] - x[i], y[j] - y[i]
        if (spot is not None and spot[i] == spot[j]) or cut * dx + dy == 0:
            continue
        found.append(math.inf if dx == 0 else dy / dx)
    return sorted(found, key=lambda slope: angle_of(slope, cut))


@pytest.mark.parametrize("at_once", [200_000, 40, 1])
@settings(max_examples=40, deadline=None)
@given(
    points=st.lists(st.tuples(st.integers(-6, 6), st.integers(-6, 6)), min_size=2, max_size=24),
    cut=st.sampled_from([0.0, 0.5, 1.0, 2.0]),
    with_spots=st.booleans(),
)
def test_every_slope_with_many_ties(
    at_once: int, points: list[tuple[int, int]], cut: float, with_spots: bool
) -> None:
    x, y = (np.array(part, dtype=float) for part in zip(*points, strict=True))
    spot = np.arange(x.size) // 3 if with_spots else None
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(slope_selection, "MOST_AT_ONCE", at_once)
        slopes = Slopes(x, y, cut, spot)
        found = [slopes[k] for k in range(len(slopes))]
    assert found == pytest.approx(all_slopes(x, y, cut, spot), rel=1e-12, abs=1e-12)


def test_many_points_against_all_slopes() -> None:
    # 1.1 million slopes, six times what is made at once
    rng = np.random.default_rng(3)
    x = rng.uniform(-0.1, 0.1, 1500)
    y = 0.9 * x + rng.normal(0, 0.02, 1500)
    i, j = np.triu_indices(x.size, 1)
    slope = (y[i] - y[j]) / (x[i] - x[j])
    slope = slope[np.lexsort((slope, slope < -1))]
    slopes = Slopes(x, y)
    assert len(slopes) == slope.size
    for k in (0, 17, 300_000, slope.size // 2, slope.size - 1):
        assert slopes[k] == slope[k]


def test_decimals_that_binary_does_not_hold() -> None:
    # from (0.1, 0.7) to (0.4, 0.4) the slope is -1, in binary it is not
    assert len(Slopes(np.array([0.1, 0.4, 5.0]), np.array([0.7, 0.4, 6.0]))) == 2


def test_twenty_thousand_points_of_a_coarse_dial() -> None:
    # 2e8 slopes, most of them tied; the median by a sample of a million pairs for comparison
    rng = np.random.default_rng(4)
    x = np.round(rng.uniform(-0.1, 0.1, 20_000), 3)
    y = np.round(1.1 * x + rng.normal(0, 0.003, x.size), 3)
    i, j = rng.integers(x.size, size=(2, 1_000_000))
    apart = i != j
    dx, dy = (x[i] - x[j])[apart], (y[i] - y[j])[apart]
    counts = np.abs(dx + dy) > 1e-9
    dx, dy = dx[counts], dy[counts]
    expected = math.tan(float(np.median(np.arctan((dy - dx) / (dx + dy)))) + math.pi / 4)
    assert Slopes(x, y).middle() == pytest.approx(expected, rel=2e-3)


def test_past_the_end() -> None:
    slopes = Slopes(np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.0, 3.0]))
    assert [slopes[k] for k in range(3)] == [1.0, 1.5, 2.0]
    with pytest.raises(IndexError):
        slopes[3]
