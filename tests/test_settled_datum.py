"""Where the gauge reads otherwise than its card says, that is told before any datum is blamed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

import hand
from midchord.surveying.datum import DatumSuspicion, suspect_datum
from midchord.surveying.flags import Flag
from midchord.surveying.settled_datum import settle_datum
from midchord.surveying.suspects import flag_readings

PEOPLE: dict[str, Any] = {
    "operators": {"A": 0.0, "B": 0.003}, "repeats": 2, "bias_mm": 0.004, "scale": 1.03,
}  # fmt: skip


def _taken(kind: str, **people: Any) -> hand.Taken:
    who = hand.People(**(PEOPLE | people))
    lites = [hand.known_lite(number) for number in range(3)]
    rng = np.random.default_rng(1)
    if kind == "lines":
        return hand.take_lines(lites, who, rng)
    places = hand.flat_places if kind == "planned" else hand.spread_places
    return hand.take_spots(lites, who, rng, spots=15, places=places)


def _settled(taken: hand.Taken, **card: Any) -> tuple[DatumSuspicion, list[Flag]]:
    gauge = hand.card(**card)
    paired = taken.paired(gauge)
    facts = (paired.singles, paired.swings, paired.twins, gauge, taken.lites)
    datum = settle_datum(*facts, placement_sd_mm=5.0)
    return datum, flag_readings(*facts, datum=datum)


@pytest.mark.parametrize("kind", ["lines", "planned"])
@pytest.mark.parametrize("half_span_mm", [57.5, 150.0, 230.0])
def test_other_feet_throughout_are_no_wrong_datum(kind: str, half_span_mm: float) -> None:
    datum, flags = _settled(_taken(kind, half_span_mm=half_span_mm))
    assert datum.status != "likely wrong"
    assert datum.groups == ()
    assert datum.sentence.startswith("the gauge reads otherwise than its card says (feet ")
    assert "mm from the plunger throughout); asked by that: " in datum.sentence
    assert [flag.kind for flag in flags if flag.rows] == ["half-span"]


def test_one_factor_throughout_is_no_wrong_datum() -> None:
    taken = _taken("lines", scale=0.5)
    # by the card alone the datum would be in doubt
    paired = taken.paired()
    alone = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    datum, flags = _settled(taken)
    assert alone.status != "right"
    assert datum.status == "right"
    assert [flag.kind for flag in flags if flag.rows] == ["factor 1/2"]


def test_the_card_of_a_straight_edge_for_a_three_point_gauge_is_told_as_such() -> None:
    datum, flags = _settled(
        _taken("planned"), kind="straight-edge", half_span_mm=None, base_mm=1000.0
    )
    assert datum.status != "likely wrong"
    (flag,) = [flag for flag in flags if flag.rows]
    assert flag.kind == "other gauge"
    assert (
        "a three-point gauge with feet 120 mm from the plunger would agree, where the card says "
        "straight-edge"
    ) in flag.sentence


@pytest.mark.parametrize("kind", ["spots", "lines"])
def test_the_card_of_a_rule_whose_sign_is_the_other_one_is_no_wrong_datum(kind: str) -> None:
    # a gap grows over a valley: such cards say -1, where the gauge on feet that read says +1
    datum, flags = _settled(
        _taken(kind), kind="straight-edge", half_span_mm=None, base_mm=300.0, reading_sign=-1
    )
    assert datum.status != "likely wrong"
    assert datum.groups == ()
    (flag,) = [flag for flag in flags if flag.rows]
    assert flag.kind == "other gauge"
    assert flag.sentence.startswith("the whole survey, ")
    assert "mm from the plunger and of the other sign would agree, where the card says " in (
        flag.sentence
    )


@pytest.mark.parametrize("half_span_mm", [5.0, 20.0, 350.0])
def test_feet_far_from_those_of_the_card_are_no_factor(half_span_mm: float) -> None:
    _, flags = _settled(_taken("lines"), half_span_mm=half_span_mm)
    (flag,) = [flag for flag in flags if flag.rows]
    assert flag.kind == "half-span"
    assert f" mm from the plunger would agree, where the card says {half_span_mm:g} mm" in (
        flag.sentence
    )


def test_the_card_of_a_three_point_gauge_for_a_flat_base_is_told_as_such() -> None:
    taken = _taken("planned")
    base = hand.card(kind="flat-base", half_span_mm=None, base_mm=230.0)
    read = taken.paired(base).singles.set_index("row")["scan_mm"]
    table = taken.survey.readings
    table["reading_mm"] = table["row"].map(read).round(3)
    datum, flags = _settled(taken)
    assert datum.status != "likely wrong"
    assert [flag.kind for flag in flags if flag.rows] == ["other gauge"]
    assert "a flat-base gauge of 230 mm would agree" in flags[0].sentence


@pytest.mark.parametrize("way", ["trailing", "other face"])
def test_a_datum_that_is_wrong_stays_wrong(way: str) -> None:
    taken = _taken("spots")
    table = taken.survey.readings
    lengths = {f"lite-{k}": hand.known_lite(k).length_mm for k in range(3)}
    if way == "trailing":
        table["x_mm"] = table["lite_id"].map(lengths) - table["x_mm"]
    else:
        table["reading_mm"] = -table["reading_mm"]
    datum, flags = _settled(taken)
    assert (datum.status, datum.way) == ("likely wrong", way)
    assert [flag.kind for flag in flags if flag.rows] == ["datum"]


def test_a_lite_whose_datum_is_wrong_is_found_beside_other_feet() -> None:
    taken = _taken("spots", half_span_mm=150.0)
    table = taken.survey.readings
    on = table["lite_id"] == "lite-1"
    table.loc[on, "x_mm"] = hand.known_lite(1).length_mm - table.loc[on, "x_mm"]
    datum, flags = _settled(taken)
    assert (datum.status, datum.way) == ("likely wrong", "trailing")
    assert [group.label for group in datum.groups] == ["lite lite-1"]
    # readings of the group are one flag together
    assert [len(flag.rows) for flag in flags if flag.kind == "datum"] == [60]


def test_a_survey_that_is_right_is_asked_once() -> None:
    taken = _taken("spots")
    paired = taken.paired()
    datum, _ = _settled(taken)
    assert datum == suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert datum.status == "right"
