"""Edges to a part of a pitch, corners, skew, and outlines that are no rectangle."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.placing.outline import Rim, find_outline, fit_edge, grid_outline
from midchord.placing.region import DROPOUT, MEASURED, Grid
from turned import turned


def flat(u, v):
    return 5.0 + 0.001 * u - 0.002 * v


def _outline(case):
    height = case.scan["height"].values
    x, y = case.scan["x"].values, case.scan["y"].values
    grid = Grid(x[0], y[0], x[1] - x[0], y[1] - y[0], x.size, y.size)
    return find_outline(np.where(np.isfinite(height), MEASURED, DROPOUT).astype(np.uint8), grid)


def _miss_mm(outline, case):
    return max(np.hypot(*(outline.corners_mm[k] - case.corners_mm[k])) for k in case.corners_mm)


@pytest.mark.parametrize("skew_deg", [-3.0, -1.2, -0.31, -0.06, 0.0, 0.02, 0.2, 0.83, 3.0])
@pytest.mark.parametrize("dropout_share", [0.0, 0.02])
def test_skew_to_0_02_degrees_and_corners_to_half_a_mm_at_1_mm(skew_deg, dropout_share):
    case = turned(
        flat, length_mm=2000.0, width_mm=900.0, skew_deg=skew_deg, pitch_mm=(1.0, 1.0),
        dropout_share=dropout_share,
    )  # fmt: skip
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(skew_deg, abs=0.02)
    assert _miss_mm(outline, case) < 0.5
    assert outline.is_square


@pytest.mark.parametrize("skew_deg", [-2.1, -1.2, 1.2, 2.6])
@pytest.mark.parametrize("across_mm", [6.0, 25.0])
def test_steps_of_the_staircase_beat_a_coarse_pitch(skew_deg, across_mm):
    case = turned(
        flat, length_mm=2000.0, width_mm=900.0, skew_deg=skew_deg, pitch_mm=(1.0, across_mm),
        dropout_share=0.02,
    )  # fmt: skip
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(skew_deg, abs=0.01)
    assert _miss_mm(outline, case) < 0.25


def test_without_a_turn_a_coarse_pitch_leaves_half_of_it_open():
    case = turned(flat, length_mm=2000.0, width_mm=900.0, pitch_mm=(1.0, 25.0))
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(0.0, abs=0.02)  # the leading edge tells
    assert _miss_mm(outline, case) <= 12.6


def test_skew_is_the_turn_of_the_left_hand_edge():
    case = turned(flat, skew_deg=0.9, glass=lambda u, v: u < 1200 - 0.1 * v)
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(0.9, abs=0.01)
    assert not outline.is_square
    assert outline.edges["trailing"].skew_deg == pytest.approx(0.9 + 5.711, abs=0.05)


def test_a_left_hand_edge_that_stands_alone_does_not_tell_the_skew():
    case = turned(flat, skew_deg=1.1, glass=lambda u, v: v > 0.07 * u)
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(1.1, abs=0.02)
    corner = np.array(case.corners_mm["trailing_left"]) + 84.0 * np.array(
        [-np.sin(np.deg2rad(1.1)), np.cos(np.deg2rad(1.1))]
    )
    assert outline.corners_mm["trailing_left"] == pytest.approx(corner, abs=0.3)


CUTS = {
    "corner": lambda u, v: u + v > 90.0,
    "large corner": lambda u, v: u + v > 400.0,
    "rounded": lambda u, v: (u > 60) | (v > 60) | (np.hypot(u - 60, v - 60) < 60),
    "notch": lambda u, v: (abs(u - 700) > 40) | (v > 50),
    "leading notch": lambda u, v: (abs(v - 300) > 60) | (u > 40),
}


@pytest.mark.parametrize("cut", CUTS)
def test_missing_corners_and_notches_do_not_move_the_edges(cut):
    case = turned(flat, skew_deg=1.1, glass=CUTS[cut], dropout_share=0.02, pitch_mm=(1.0, 3.0))
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(1.1, abs=0.02)
    assert _miss_mm(outline, case) < 0.3


def test_a_round_lite_is_taken_as_not_turned():
    case = turned(
        flat, length_mm=700.0, width_mm=700.0, pitch_mm=(1.0, 2.0),
        glass=lambda u, v: np.hypot(u - 350, v - 350) < 350,
    )  # fmt: skip
    outline = _outline(case)
    assert outline.skew_deg == pytest.approx(0.0, abs=0.3)
    assert not outline.is_square
    assert _miss_mm(outline, case) < 5.0


def test_where_glass_runs_to_the_border_the_border_is_the_edge():
    case = turned(flat, skew_deg=0.7)
    cropped = case._replace(scan=case.scan.isel(y=slice(25, None)))
    outline = _outline(cropped)
    seen = {side: edge.is_seen for side, edge in outline.edges.items()}
    assert seen == {"left": False, "leading": True, "right": True, "trailing": True}
    assert outline.skew_deg == pytest.approx(0.7, abs=0.01)  # the next edges tell
    assert outline.edges["left"].offset_mm == cropped.scan["y"].values[0] - 3.0


def test_the_outline_of_a_grid_is_the_outer_side_of_its_cells():
    outline = grid_outline(Grid(0.0, 0.0, 1.0, 12.0, 2400, 100))
    assert outline.corners_mm["leading_left"].tolist() == [-0.5, -6.0]
    assert outline.corners_mm["trailing_right"].tolist() == [2399.5, 1194.0]
    assert outline.skew_deg == 0.0


def test_an_edge_by_hand():
    # true edge at 10.3 + 0.01 t, cells of 1 mm
    t = np.arange(0.0, 400.0)
    first = np.ceil(10.3 + 0.01 * t)
    rim = Rim(t, first - 1.0, first, first)
    slope, offset, least, largest = fit_edge(rim, slope=0.009, pitch_mm=1.0)
    assert slope == pytest.approx(0.01, abs=1e-4)
    assert offset == pytest.approx(10.3, abs=0.02)
    assert least <= 0.01 <= largest


def test_wrong_columns_do_not_move_an_edge_that_is_free_to_move():
    t = np.arange(0.0, 400.0)
    first = np.full(t.size, 10.0)
    clean = fit_edge(Rim(t, first - 1.0, first, first), slope=0.0, pitch_mm=1.0)
    first[::40] += 1.0
    spoilt = fit_edge(Rim(t, first - 1.0, first, first), slope=0.0, pitch_mm=1.0)
    assert clean[1] + 200 * clean[0] == pytest.approx(9.5, abs=0.01)
    assert spoilt[1] + 200 * spoilt[0] == pytest.approx(9.5, abs=0.05)
