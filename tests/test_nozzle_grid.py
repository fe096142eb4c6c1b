"""What a nozzle grid can leave, and what maps can show of it."""

from __future__ import annotations

import numpy as np
import pytest

from blown import quench
from midchord.nozzles.grid import check_pitch, grid_of, rows_allowed
from midchord_io.errors import UnsupportedScan


def test_the_pitch_in_the_cold_lite_is_shrunk() -> None:
    grid = grid_of(quench(), 5.0)
    assert grid.pitch_mm == pytest.approx(40.0 * 0.995)
    # 0.3 % of the drawing, 0.5 % of a shrinkage that may already be in it
    assert grid.tolerance == pytest.approx(0.008)
    assert (grid.gap_mm, grid.period) == (pytest.approx(39.8), 1.0)


def test_shifted_rows_leave_two_tracks_of_a_column() -> None:
    grid = grid_of(quench(nozzles={"stagger_mm": 20.0}), 5.0)
    assert (grid.offsets, grid.names) == ((0.0, 0.5), ("odd rows", "even rows"))
    assert grid.gap_mm == pytest.approx(19.9)
    assert grid.period == 0.5
    # two combs half a pitch apart cancel every odd harmonic
    assert grid.visible(np.arange(1, 5)).tolist() == [False, True, False, True]
    near = grid_of(quench(nozzles={"stagger_mm": 8.0}), 5.0)
    assert near.offsets == pytest.approx((0.1,))


def test_maps_that_are_too_coarse_are_refused_in_words() -> None:
    check_pitch("maps", 20.0, 40.0)
    with pytest.raises(UnsupportedScan) as refused:
        check_pitch("lite 7", 20.5, 40.0)
    assert str(refused.value) == (
        "lite 7: the maps have a point every 20.5 mm across, and nozzles stand 40 mm apart; a "
        "pitch across of at most half of that: a coarser one shows a false, longer pitch; scan "
        "finer across, or leave the nozzle imprint out."
    )
    with pytest.raises(UnsupportedScan, match="with the stagger of rows, stand"):
        grid_of(quench(nozzles={"stagger_mm": 20.0}), 15.0)


@pytest.mark.parametrize(
    ("stroke_mm", "contrast"),
    [
        (0.0, 1.0),
        # J0(pi/2) = 0.472001 (Abramowitz and Stegun, table 9.1: J0(1.5) 0.511828, J0(1.6) 0.455402)
        (25.0, 0.472001),
        # J0(pi) = -0.304242, sinc(1) = 0: the lesser
        (50.0, 0.0),
    ],
)
def test_what_a_stroke_leaves_of_a_row(stroke_mm: float, contrast: float) -> None:
    machine = quench(oscillation={"stroke_mm": stroke_mm, "stroke_tolerance_mm": 0.0})
    found = rows_allowed(machine, 0.45)
    assert found.contrast == pytest.approx(contrast, abs=1e-6)
    assert found.allowed is (contrast > 0.45)


def test_rows_need_the_motion_to_be_known() -> None:
    found = rows_allowed(quench(), 0.5)
    assert (found.allowed, found.contrast) == (False, None)
    assert "does not say how the glass moved in the quench" in found.reason
