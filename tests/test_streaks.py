"""Dropouts in streaks, whole lines lost, and lines lost at the rim, told from scattered ones."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.place import place
from midchord.placing.region import DROPOUT, MEASURED, Grid
from midchord.placing.streaks import find_streaks
from midchord.settings import Settings
from midchord_io.acquisition import findings_of

FINE = {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0}
GRID = Grid(0.0, 0.0, 1.0, 2.0, 1200, 350)


def _placed(scan):
    return place(scan, **Settings.load().place.model_dump())


def _state(share=0.0, seed=2):
    state = np.full((GRID.nx, GRID.ny), MEASURED, np.uint8)
    state[np.random.default_rng(seed).random(state.shape) < share] = DROPOUT
    return state


@pytest.mark.parametrize("share", [0.0, 0.01, 0.05, 0.2])
def test_scattered_dropouts_make_no_streak(share):
    found = find_streaks(_state(share), GRID)
    assert (found.along_x, found.along_y, found.points) == (0, 0, 0)
    assert found.scattered == np.count_nonzero(_state(share) == DROPOUT)


@pytest.mark.parametrize("share", [0.0, 0.02])
def test_streaks_are_counted_along_both_axes(share):
    state = _state(share)
    is_streak = np.zeros(state.shape, bool)
    is_streak[100:400, 50:52] = True  # 300 mm long, 4 mm wide
    is_streak[600:1100, 200] = True
    is_streak[500, 20:320] = True  # one line, 600 mm
    state[is_streak] = DROPOUT
    found = find_streaks(state, GRID)
    assert (found.along_x, found.along_y) == (2, 1)
    assert found.longest_x_mm == pytest.approx(500.0, abs=2)
    assert found.longest_y_mm == pytest.approx(600.0, abs=4)
    # scattered ones at its ends belong to a streak
    assert found.points == pytest.approx(is_streak.sum(), abs=3)
    assert found.points + found.scattered == np.count_nonzero(state == DROPOUT)
    assert found.lost_lines == 0


def test_a_patch_is_no_streak_and_a_whole_line_is_lost():
    state = _state(0.01)
    state[300:340, 100:120] = DROPOUT
    assert find_streaks(state, GRID).points == 0
    state[700:703] = DROPOUT
    found = find_streaks(state, GRID)
    assert (found.along_x, found.along_y, found.lost_lines) == (0, 1, 3)
    assert found.points == 3 * GRID.ny


def test_streaks_of_a_lite_are_counted_apart() -> None:
    dropouts = {"share": 0.01, "streaks": 6, "streak_length_mm": 400.0}
    scan, truth = surfaces.lite(scanner=FINE, dropouts=dropouts, seed=9)
    lite = _placed(scan)
    (finding,) = findings_of(lite)
    assert finding.what == "dropout streaks"
    assert not finding.is_doubt
    assert 3 <= finding.count <= 6  # some reach beyond the glass
    assert finding.figures["longest_x_mm"] == pytest.approx(400.0, abs=2.0)
    both = finding.figures["streak_points"] + finding.figures["scattered_points"]
    assert both == pytest.approx(truth.attrs["dropout_count"], rel=0.01)
    assert both == pytest.approx(lite.attrs["dropout_share"] * truth.attrs["glass_points"], 0.01)


def test_lines_and_columns_lost_inside() -> None:
    lost = {"x_mm": [[800.0, 808.0]], "y_mm": [[300.0, 301.0]]}
    maps = _placed(surfaces.lite(scanner=FINE, sensor={"lost_lines": lost})[0])
    (finding,) = findings_of(maps)
    assert finding.figures["lost_lines"] == 9
    assert (finding.figures["streaks_along_x"], finding.figures["streaks_along_y"]) == (1, 1)
    assert "9 lines are lost over the whole width." in finding.sentence


@pytest.mark.parametrize(
    ("ranges", "side", "lost_mm"),
    [
        ({"x_mm": [[0.0, 45.0]]}, "leading", 4.3),  # the edge runs from 40.7 to 47 mm
        ({"x_mm": [[2242.0, 3000.0]]}, "trailing", 4.9),  # from 2240.6 to 2246.9
        ({"y_mm": [[0.0, 44.0]]}, "left", 13.0),  # from 31 to 54 mm
        ({"y_mm": [[640.0, 900.0]]}, "right", 14.0),  # from 631 to 654
    ],
)
def test_lines_lost_at_the_rim_of_a_turned_lite(ranges, side, lost_mm) -> None:
    maps = _placed(surfaces.lite(scanner=FINE, sensor={"lost_lines": ranges})[0])
    (finding,) = findings_of(maps)
    name = "lines" if side in ("leading", "trailing") else "columns"
    assert finding.what == f"{name} lost at the {side} edge"
    assert finding.is_doubt
    assert finding.figures["lost_mm"] == pytest.approx(lost_mm, abs=3.0)


def test_lines_lost_where_the_belt_is_seen() -> None:
    belt = {"skew_deg": 0.0, "belt_mm": -80.0, "margin_mm": 25.0}
    lost = {"x_mm": [[35.0, 52.0]]}  # the glass begins at 47 mm
    scan, _ = surfaces.lite(scanner=FINE, position=belt, sensor={"lost_lines": lost})
    (finding,) = findings_of(_placed(scan))
    assert (finding.what, finding.count) == ("lines lost at the leading edge", 18)
    assert findings_of(_placed(surfaces.lite(scanner=FINE, position=belt)[0])) == ()


@pytest.mark.parametrize("skew_deg", [0.0, 0.05, -0.6, 2.5])
def test_whole_lites_have_lost_nothing(skew_deg) -> None:
    scan, _ = surfaces.lite(scanner=FINE, position={"skew_deg": skew_deg})
    assert findings_of(_placed(scan)) == ()
    corners = {
        "leading_left": (0.0, 0.0),
        "leading_right": (12.0, 600.0),
        "trailing_left": (2200.0, 3.0),
        "trailing_right": (2195.0, 600.0),
    }
    scan, _ = surfaces.lite(
        scanner=FINE, position={"skew_deg": skew_deg}, outline={"corners_mm": corners}
    )
    assert findings_of(_placed(scan)) == ()
