"""The hull against scipy, the tent over a dropout by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from midchord.gauges.profile_hull import hidden_heights, resting_line, sticks_out, upper_hull


def hull_of(
    z: np.ndarray, low: float, high: float, ends: tuple[float, float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    xs, zs = np.empty(z.size + 3), np.empty(z.size + 3)
    z_low, z_high = ends if ends else (z[int(low)], z[int(high)])
    count = upper_hull(z, low, z_low, high, z_high, xs, zs)
    return xs[:count], zs[:count]


@pytest.mark.parametrize("seed", range(5))
def test_the_upper_hull_is_that_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    z = np.cumsum(rng.standard_normal(150))
    z[rng.random(150) < 0.1] = np.nan
    low, high, ends = 12.3, 120.75, (0.4, -1.7)
    xs, zs = hull_of(z, low, high, ends)
    inside = np.flatnonzero(np.isfinite(z) & (np.arange(150) > low) & (np.arange(150) < high))
    x, heights = np.array([low, *inside, high]), np.array([ends[0], *z[inside], ends[1]])
    theirs = ConvexHull(np.column_stack([x, heights]))
    corners = np.unique(theirs.simplices[theirs.equations[:, 1] > 1e-9])
    np.testing.assert_array_equal(xs, np.sort(x[corners]))
    np.testing.assert_array_equal(zs, heights[corners[np.argsort(x[corners])]])


def test_points_in_line_are_no_vertices() -> None:
    xs, zs = hull_of(np.array([0.0, 1.0, 2.0, 3.0, 2.0, 1.0]), 0.0, 5.0)
    np.testing.assert_array_equal(xs, [0, 3, 5])
    np.testing.assert_array_equal(zs, [0, 3, 1])


def test_a_rule_lies_on_the_segment_under_its_centre_and_balances_on_a_vertex() -> None:
    xs, zs = np.array([0.0, 3.0, 5.0]), np.array([0.0, 3.0, 2.0])
    assert resting_line(xs, zs, 3, 2.0) == (0.0, 0.0, 1.0, 0.0, 3.0)
    assert resting_line(xs, zs, 3, 4.5) == (3.0, 3.0, -0.5, 3.0, 5.0)
    assert resting_line(xs, zs, 3, 3.0) == (3.0, 3.0, 0.25, 3.0, 3.0)


def tent_of(z: np.ndarray, largest: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    highest, lowest = np.empty(z.size), np.empty(z.size)
    hidden_heights(z, largest, highest, lowest)
    return highest, lowest


def test_the_tent_over_a_missing_crest_goes_on_with_its_flanks() -> None:
    nan = math.nan
    highest, lowest = tent_of(np.array([0.0, 1.0, 2.0, 3.0, nan, nan, nan, 3.0, 2.0, 1.0, 0.0, 0]))
    # the left flank would begin four samples before: off the glass; the right one falls by 3/4
    np.testing.assert_allclose(highest[3:8], [3, 5.25, 4.5, 3.75, 3])
    wider = np.array([-1.0, 0.0, 1.0, 2.0, 3.0, nan, nan, nan, 3.0, 2.0, 1.0, 0.0, -1.0])
    highest, lowest = tent_of(wider)
    np.testing.assert_allclose(highest[4:9], [3, 4, 5, 4, 3])
    assert (lowest[5:8] == math.inf).all()
    np.testing.assert_array_equal(lowest[:5], wider[:5])


def test_a_missing_valley_is_no_higher_than_the_chord_over_it() -> None:
    z = np.abs(np.arange(-12.0, 13.0))
    z[10:15] = np.nan
    highest, _ = tent_of(z)
    np.testing.assert_allclose(highest[9:16], 3.0)
    slope = np.where(np.arange(17) == 9, math.nan, 0.5 * np.arange(17.0))
    np.testing.assert_allclose(tent_of(slope)[0], 0.5 * np.arange(17.0))


def test_a_flank_reaches_past_another_dropout_but_not_for_ever() -> None:
    z = -((np.arange(20.0) - 9.5) ** 2)
    z[9:11] = np.nan  # length 3 from sample 8 to 11
    z[5] = np.nan  # where the left flank would begin: one further in its stead
    left = (z[8] - z[4]) / 4
    right = (z[11] - z[14]) / 3
    highest, _ = tent_of(z)
    np.testing.assert_allclose(highest[9], min(z[8] + left, z[11] + 2 * right))
    z[2:6] = np.nan
    np.testing.assert_allclose(tent_of(z)[0][9:11], z[11] + right * np.array([2, 1]))
    z[14:18] = np.nan
    assert (tent_of(z)[0][9:11] == math.inf).all()


def test_nothing_is_known_of_a_long_dropout_and_beyond_the_ends() -> None:
    z = np.zeros(60)
    z[:4] = z[20:25] = z[40:46] = z[-1] = np.nan
    highest, _ = tent_of(z, largest=5.0)
    unknown = np.isinf(highest)
    assert set(np.flatnonzero(unknown)) == {0, 1, 2, 3, *range(40, 46), 59}
    assert (highest[20:25] == 0).all()


def test_the_last_point_that_sticks_out() -> None:
    highest = np.array([0.0, 5.0, 0.0, 5.0, 3.0])
    assert sticks_out(highest, 0, 4, 0.0, 0.0, 1.0) == 3
    assert sticks_out(highest, 0, 2, 0.0, 0.0, 1.0) == 1
    assert sticks_out(highest, 0, 4, 0.0, 4.0, 1.0) == -1


def test_a_wave_that_turns_inside_the_dropout_rises_above_by_no_more_than_stated() -> None:
    gap, wavelength, amplitude = 20, 240.0, 0.05
    worst = -math.inf
    for phase in np.linspace(0, 2 * math.pi, 200):
        z = amplitude * np.cos(2 * math.pi * np.arange(100) / wavelength + phase)
        holed = z.copy()
        holed[41 : 41 + gap - 1] = np.nan
        worst = max(worst, float((z - tent_of(holed, largest=gap)[0]).max()))
    # A (2 pi g / L)^3 / 15.6: the cubic term's largest height over its chord (derived)
    bound = amplitude * (2 * math.pi * gap / wavelength) ** 3 / 15.6
    assert bound == pytest.approx(4.6e-4, abs=1e-5)
    assert 0.5 * bound < worst <= bound
