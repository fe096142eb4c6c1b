"""The periods of a machine: sizes by geometry, tolerances, what is not tried, what is apart."""

from __future__ import annotations

import math
from typing import Any

import pytest

from midchord.causes.candidates import Candidate, candidates_of, gap_in_cells
from midchord.machine import Machine


def found(values: dict[str, Any], **changes: float) -> dict[str, Candidate]:
    span = {"shortest_mm": 30.0, "longest_mm": 700.0, "length_mm": 2300.0} | changes
    tried, _ = candidates_of(Machine.of(values), **span)
    return {one.cause: one for one in tried}


@pytest.mark.parametrize(
    ("diameter_mm", "circumference_mm"), [(60.0, 188.0), (80.0, 251.0), (100.0, 314.0)]
)
def test_a_roller_comes_back_once_a_turn(diameter_mm: float, circumference_mm: float) -> None:
    """pi d, the rounded sizes from memory. A scanner's roller touches cold glass."""
    rollers = {"name": "r", "diameter_mm": diameter_mm, "pitch_mm": 150.0, "place": "scanner"}
    causes = found({"rollers": [rollers]})
    assert causes["r: circumference"].period_mm == pytest.approx(circumference_mm, abs=0.6)
    assert causes["r: half the circumference"].period_mm == pytest.approx(
        math.pi * diameter_mm / 2
    )
    assert causes["r: pitch"].period_mm == 150.0


def test_hot_glass_shrinks_and_wear_widens_the_range() -> None:
    """Cooling shrinks by 0.5 %, 1 mm of wear is 3 mm of period: common practice, no source."""
    rollers = {"name": "r", "diameter_mm": 80.0, "pitch_mm": 120.0, "diameter_tolerance_mm": 1.0}
    one = found({"rollers": [rollers]})["r: circumference"]
    turn = math.pi * 80
    assert one.period_mm == pytest.approx(turn * 0.995)
    assert one.low_mm == pytest.approx((turn - math.pi) * 0.993)
    assert one.high_mm == pytest.approx((turn + math.pi) * 0.997)
    assert one.low_mm < 247.5 < turn * 0.995 < 253.0 < one.high_mm + 0.7


def test_every_part_of_a_machine_has_its_period() -> None:
    causes = found(
        {
            "nozzles": {"pitch_along_mm": 50.0, "pitch_across_mm": 40.0},
            "oscillation": {"stroke_mm": 600.0},
            "scanner": {"support_pitch_mm": 450.0, "kind": "area"},
            "encoder": {"wheel_circumference_mm": 333.3},
            "speeds": {"scanner_mm_per_s": 300.0},
            "disturbances": [{"name": "fan", "frequency_hz": 2.0}],
        }
    )
    periods = {cause: round(one.period_mm, 2) for cause, one in causes.items()}
    assert periods == {
        "oscillation: stroke": 597.0,
        "scanner supports: pitch": 450.0,
        "encoder wheel: circumference": 333.3,
        "fan: vibration": 150.0,
        "nozzles: pitch along": 49.75,
    }
    assert causes["scanner supports: pitch"].remark == ""


@pytest.mark.parametrize(
    ("kind", "words"), [(None, "does not say which kind"), ("line", "a fixed line scanner cannot")]
)
def test_a_support_is_doubted_unless_the_scanner_takes_the_lite_at_once(
    kind: str | None, words: str
) -> None:
    scanner = {"support_pitch_mm": 450.0} | ({"kind": kind} if kind else {})
    assert words in found({"scanner": scanner})["scanner supports: pitch"].remark


def test_what_cannot_be_seen_is_said_with_its_reason() -> None:
    machine = Machine.of(
        {
            "nozzles": {"pitch_along_mm": 20.0, "pitch_across_mm": 20.0},
            "oscillation": {"stroke_mm": 900.0},
            "scanner": {"support_pitch_mm": 600.0},
        }
    )
    tried, untried = candidates_of(
        machine, shortest_mm=30.0, longest_mm=700.0, length_mm=1300.0
    )
    assert tried == []
    reasons = {one.cause: one.reason for one in untried}
    assert reasons["nozzles: pitch along"] == "shorter than the shortest wave analysed, 30 mm"
    assert reasons["oscillation: stroke"] == "longer than the longest wave analysed, 700 mm"
    assert "does not fit 2.5 times" in reasons["scanner supports: pitch"]


def test_the_gap_of_two_ranges_is_in_resolutions_of_the_length() -> None:
    """L^2 / length: 24 mm at 240 mm on 2.4 m. Derived."""
    one = Candidate("a", "a", "", 240.0, 240.0, 240.0)
    other = Candidate("b", "b", "", 264.0, 264.0, 264.0)
    assert gap_in_cells(one, other, 2400.0) == pytest.approx(24.0 / 240 * 2400 / 264)
    assert gap_in_cells(other, one, 4800.0) == pytest.approx(2 * gap_in_cells(one, other, 2400.0))
    assert gap_in_cells(one, one._replace(low_mm=230.0), 2400.0) == 0.0
