"""Holes and notches told from dropouts by the stated rule."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.placing.missing import mark_openings, mark_outside
from midchord.placing.outline import grid_outline
from midchord.placing.region import DROPOUT, MEASURED, NO_GLASS, OUTSIDE, Grid

PITCH = (1.0, 2.0)


def _lite(shape=(400, 150)):
    """A lite with a margin of ten cells beyond the outline."""
    state = np.full(shape, OUTSIDE, np.uint8)
    state[10:-10, 10:-10] = MEASURED
    return state


def _mark(state, pitch=PITCH):
    """Holes and notches; the share of the lite that they take is checked on the way."""
    inside = np.count_nonzero(state != OUTSIDE)
    found = mark_openings(state, Grid(0.0, 0.0, *pitch, *state.shape))
    assert found.share == np.count_nonzero(state == NO_GLASS) / inside
    return found.holes, found.notches


def _disc(state, i, j, radius_mm):
    a, b = np.ogrid[: state.shape[0], : state.shape[1]]
    return np.hypot((a - i) * PITCH[0], (b - j) * PITCH[1]) < radius_mm


def test_a_hole_is_no_glass():
    state = _lite()
    hole = _disc(state, 200, 70, 20.0)
    state[hole] = DROPOUT
    assert _mark(state) == (1, 0)
    assert (state[hole] == NO_GLASS).all()
    assert np.count_nonzero(state == NO_GLASS) == np.count_nonzero(hole)


def test_a_small_or_narrow_patch_inside_is_a_dropout():
    state = _lite()
    state[_disc(state, 200, 70, 10.0)] = DROPOUT
    state[50:350, 100:103] = DROPOUT
    before = state.copy()
    assert _mark(state) == (0, 0)
    assert np.array_equal(state, before)


def test_measured_points_scattered_in_a_patch_make_it_a_dropout():
    state = _lite()
    patch = _disc(state, 200, 70, 30.0)
    state[patch] = DROPOUT
    state[190:211:7, 66:75:4] = MEASURED
    assert _mark(state) == (0, 0)
    assert np.count_nonzero(state == NO_GLASS) == 0


@pytest.mark.parametrize("cut", ["notch", "cut corner", "rounded corner"])
def test_patches_that_reach_the_outline_are_no_glass(cut):
    state = _lite()
    a, b = np.ogrid[: state.shape[0], : state.shape[1]]
    u, v = (a - 9.5) * PITCH[0], (b - 9.5) * PITCH[1]
    gone = {
        "notch": (abs(u - 150) < 15) & (v < 30),
        "cut corner": u + v < 50,
        "rounded corner": (u < 60) & (v < 60) & (np.hypot(u - 60, v - 60) > 60),
    }[cut] & (state == MEASURED)
    state[gone] = DROPOUT
    assert _mark(state) == (0, 1)
    assert np.array_equal(state == NO_GLASS, gone)


def test_scattered_dropouts_at_the_rim_stay_dropouts():
    state = _lite()
    state[10, 20:140:5] = DROPOUT
    state[30:380:9, 10] = DROPOUT
    before = state.copy()
    assert _mark(state) == (0, 0)
    assert np.array_equal(state, before)


def test_a_long_sliver_along_an_edge_is_no_glass_but_no_notch():
    state = _lite()
    state[100:300, 10] = DROPOUT
    assert _mark(state) == (0, 0)
    assert (state[100:300, 10] == NO_GLASS).all()


def test_beyond_the_edges_is_outside_unless_measured():
    state = np.full((30, 12), DROPOUT, np.uint8)
    state[2, 3] = MEASURED
    inner = grid_outline(Grid(5.0, 4.0, 1.0, 2.0, 20, 3))  # x 4.5 to 24.5, y 3 to 9
    inward = np.stack([edge.inward for edge in inner.edges.values()])
    mark_outside(state, Grid(0.0, 0.0, 1.0, 2.0, 30, 12), inward)
    expected = np.full((30, 12), OUTSIDE, np.uint8)
    expected[5:25, 2:5] = DROPOUT
    expected[2, 3] = MEASURED
    assert np.array_equal(state, expected)


@pytest.mark.parametrize(
    ("rows", "columns"), [(slice(10, 60), slice(None)), (slice(None), slice(60, 75))]
)
def test_a_stripe_across_the_whole_lite_is_a_dropout(rows, columns):
    """No lite is held together over it: the sensor lost the leading edge, or a track."""
    state = _lite()
    there = np.zeros(state.shape, bool)
    there[rows, columns] = True
    there &= state == MEASURED
    state[there] = DROPOUT
    assert _mark(state) == (0, 0)
    assert (state[there] == DROPOUT).all()
