"""Speeds of scan lines: clocks in the wrong unit, clocks that stand still."""

from __future__ import annotations

import numpy as np
import pytest

from midchord_io.errors import UnevenGrid
from midchord_io.lines.line_speed import check_speed
from midchord_io.lines.scan_lines import plan_lines, travelled_mm

PLACES_MM = np.arange(0.0, 1200.0, 2.0)


def test_a_speed_that_no_conveyor_has_is_refused() -> None:
    seconds = PLACES_MM / 200.0
    check_speed(PLACES_MM, seconds, "scan")
    # stamps in s read as ns: 200 mm/s becomes 2e11 mm/s
    with pytest.raises(UnevenGrid, match=r"in 5\.99e-09 s, a speed of 2e\+11 mm/s"):
        check_speed(PLACES_MM, seconds * 1e-9, "scan")
    with pytest.raises(UnevenGrid, match=r"a speed of 2e-07 mm/s; a speed from 0\.001 to"):
        check_speed(PLACES_MM, seconds * 1e9, "scan")


def test_a_plan_asks_for_the_speed() -> None:
    height = np.random.default_rng(1).normal(size=(600, 30)).astype(np.float32)
    with pytest.raises(UnevenGrid, match="check the units of the times, of the positions and"):
        plan_lines(PLACES_MM, height, times_s=PLACES_MM * 1e-9, where="scan")
    with pytest.raises(UnevenGrid, match="one and the same time for all 600 lines"):
        plan_lines(PLACES_MM, height, times_s=np.zeros(600), where="scan")
    still = travelled_mm(np.zeros(600), 200.0)
    with pytest.raises(UnevenGrid, match="one and the same time for all 600 lines"):
        plan_lines(still, height, times_s=np.zeros(600), is_counted=False, where="scan")


def test_speeds_beyond_all_numbers_give_places_that_are_refused() -> None:
    height = np.random.default_rng(1).normal(size=(600, 30)).astype(np.float32)
    times = np.arange(600) / 1e-300
    places = travelled_mm(times, 1e300)  # no warning: warnings are errors here
    assert places[0] == 0.0
    assert not np.isfinite(places[1:]).any()
    with pytest.raises(UnevenGrid):
        plan_lines(places, height, times_s=times, is_counted=False, where="scan")
