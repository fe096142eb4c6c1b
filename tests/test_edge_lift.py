"""Edge lift: where the glass begins, the shapes of its fall-off, and taking it off heights."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre

from midchord.detrending.edge_lift import (
    ALONG_ORDER,
    EDGES,
    Rims,
    Shapes,
    edge_distances,
    subtract_lift,
)

KNOTS = (25.0, 60.0, 110.0, 180.0, 270.0)
DECAYS = (60.0, 120.0)
X = (np.arange(300) + 0.5) * 2.0
Y = (np.arange(40) + 0.5) * 10.0


def _rectangle() -> Rims:
    return Rims.of(np.ones((X.size, Y.size), bool), X, Y)


def test_the_rims_of_a_rectangle_are_its_sides():
    rims = _rectangle()
    assert rims.length_mm == pytest.approx(600.0)
    assert rims.width_mm == pytest.approx(400.0)
    np.testing.assert_allclose(rims.leading_x, 0.0, atol=1e-9)
    np.testing.assert_allclose(rims.right_y, 400.0)
    np.testing.assert_allclose(rims.along_x(np.array([0.0, 300.0, 600.0])), [-1, 0, 1], atol=1e-9)
    np.testing.assert_allclose(rims.along_y(np.array([0.0, 200.0, 400.0])), [-1, 0, 1], atol=1e-9)


def test_the_rims_of_a_slanting_lite_follow_every_line():
    is_glass = X[:, np.newaxis] > 20 + 0.1 * Y
    rims = Rims.of(is_glass, X, Y)
    np.testing.assert_allclose(rims.leading_x, 20 + 0.1 * Y, atol=1.01)
    np.testing.assert_allclose(rims.trailing_x, 600.0)


def test_a_hole_is_no_rim():
    is_glass = np.ones((X.size, Y.size), bool)
    is_glass[100:150, 10:20] = False
    for own, whole in zip(Rims.of(is_glass, X, Y), _rectangle(), strict=True):
        np.testing.assert_array_equal(own, whole)


def test_a_line_without_glass_borrows_its_neighbours_ends():
    is_glass = np.ones((X.size, Y.size), bool)
    is_glass[:10] = False
    is_glass[:, [0, 17, -1]] = False
    rims = Rims.of(is_glass, X, Y)
    np.testing.assert_allclose(rims.leading_x, 20.0)
    np.testing.assert_allclose(rims.trailing_x, 600.0)


def test_distances_count_inward_from_each_edge():
    leading, trailing, left, right = edge_distances(_rectangle(), X, Y)
    assert leading[3, 5] == pytest.approx(X[3])
    assert trailing[3, 5] == pytest.approx(600 - X[3])
    assert left[3, 5] == pytest.approx(Y[5])
    assert right[3, 5] == pytest.approx(400 - Y[5])


def test_shapes_are_exponentials_and_splines_that_end_at_the_reach():
    shapes = Shapes(KNOTS, DECAYS)
    d = np.arange(0.0, 400.0, 0.5)
    values = shapes(d)
    assert values.shape == (800, 7)
    np.testing.assert_allclose(values[:, 0], np.exp(-d / 60))
    np.testing.assert_allclose(values[:, 1], np.exp(-d / 120))
    assert not values[d >= 270, 2:].any()
    # value, slope and bend are zero where they end
    for order in range(3):
        end = np.diff(values[:, 2:], n=order, axis=0)[np.flatnonzero(d == 269.0) - order]
        assert np.abs(end).max() < 1e-3
    # they are free at the edge itself: one of them stands at one there
    np.testing.assert_allclose(values[0, 2:], [1, 0, 0, 0, 0], atol=1e-12)
    assert not shapes(np.array([-3.0])).any()


@pytest.mark.parametrize(
    "fall_off",
    [
        lambda d: np.exp(-d / 45),
        lambda d: np.exp(-d / 100),
        lambda d: np.exp(-((d / 60) ** 2) / 2),
        lambda d: np.exp(-((d / 90) ** 2) / 2),
        lambda d: np.clip(1 - d / 150, 0, None) ** 2,
    ],
    ids=["exponential 45", "exponential 100", "gaussian 60", "gaussian 90", "parabola 150"],
)
def test_shapes_follow_every_usual_fall_off(fall_off):
    d = np.arange(2.0, 400.0, 2.0)
    values = Shapes(KNOTS, DECAYS)(d)
    exact = fall_off(d)
    left = exact - values @ np.linalg.lstsq(values, exact, rcond=None)[0]
    assert np.abs(left).max() < 0.01  # of the lift at the edge


def test_the_order_of_the_knots_does_not_matter_and_none_at_all_is_no_lift():
    d = np.linspace(0, 300, 61)
    np.testing.assert_array_equal(Shapes(KNOTS, ())(d), Shapes(KNOTS[::-1], ())(d))
    empty = Shapes((), ())
    assert empty(d).shape == (61, 0)
    assert not empty.table(np.zeros((0, ALONG_ORDER + 1))).any()


def test_taking_off_lift_is_the_sum_over_the_edges():
    rng = np.random.default_rng(2)
    shapes = Shapes(KNOTS, DECAYS)
    coefficients = rng.normal(0, 0.1, (4, 7, ALONG_ORDER + 1))
    rims = _rectangle()
    slow_x = legendre.legvander(rims.along_x(X), ALONG_ORDER)
    slow_y = legendre.legvander(rims.along_y(Y), ALONG_ORDER)
    expected = np.zeros((X.size, Y.size))
    for number, distance in enumerate(edge_distances(rims, X, Y)):
        fall = shapes(distance) @ coefficients[number]
        along = slow_y[np.newaxis] if number < 2 else slow_x[:, np.newaxis]
        expected += (fall * along).sum(axis=-1)
    height = np.zeros((X.size, Y.size), dtype=np.float32)
    height[7, 7] = np.nan
    tables = tuple(shapes.table(coefficients[n]) for n in range(len(EDGES)))
    subtract_lift(height, rims, X, Y, tables)
    assert np.isnan(height[7, 7])
    height[7, 7] = -expected[7, 7]
    # float32, and linear between table steps of 0.25 mm
    assert np.abs(height + expected).max() < 2e-5


def test_beyond_the_rim_nothing_is_taken_off():
    shapes = Shapes((), (60.0,))
    one = np.zeros((1, ALONG_ORDER + 1))
    one[0, 0] = 1.0
    nothing = np.zeros_like(one)
    rims = _rectangle()
    rims = rims._replace(leading_x=np.full(Y.size, 50.0))
    height = np.zeros((X.size, Y.size), dtype=np.float32)
    tables = (shapes.table(one), *(shapes.table(nothing) for _ in range(3)))
    subtract_lift(height, rims, X, Y, tables)
    assert not height[X < 50].any()
    np.testing.assert_allclose(
        height[X > 50][:, 3], -np.exp(-(X[X > 50] - 50) / 60), atol=2e-5
    )
