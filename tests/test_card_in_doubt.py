"""Surveys that do not fit their gauge card: no datum is claimed of them, and no shift."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest

import midchord
import surveyed
from midchord import console
from midchord.surveying.card_in_doubt import is_card_in_doubt, lites_at_odds
from midchord.surveying.datum import DatumGroup, DatumSuspicion
from midchord.surveying.flags import Flag
from surveyed import SPOTS, card, spot_rows, survey_of

SINGLES = pd.DataFrame({"row": range(2, 32), "lite_id": ["a"] * 10 + ["b"] * 10 + ["c"] * 10})
OF_A, OF_B, OF_C = (tuple(range(first, first + 10)) for first in (2, 12, 22))


def datum(*groups: tuple[str, tuple[int, ...]]) -> DatumSuspicion:
    own = tuple(DatumGroup("lite", way, "", 0.999, rows) for way, rows in groups)
    return DatumSuspicion("likely wrong", "", 0.999, (), (), "", own)


def flag(kind: str, *rows: int) -> Flag:
    return Flag(rows[0], "a", kind, "", 0.1, 0.1, None, 9.0, rows if len(rows) > 1 else ())


@pytest.mark.parametrize(
    ("groups", "flags", "said"),
    [
        ([("turned", OF_A), ("trailing", OF_B)], [], "(a: turned; b: trailing)"),
        ([("turned", OF_A)], [flag("sign", *OF_B, *OF_C)], "(a: turned; b: other face; c: other"),
        # one way on all of them is a person's
        ([("turned", OF_A), ("turned", OF_B)], [], ""),
        ([("turned", (*OF_A, *OF_B, *OF_C))], [], ""),
        ([("other face", OF_A)], [flag("sign", *OF_B, *OF_C)], ""),
        # a lite that has both ways contradicts nobody
        ([("turned", OF_A), ("trailing", OF_A), ("turned", OF_B)], [], ""),
        # nor do single walks
        ([("turned", OF_A[:4]), ("trailing", OF_B[:4])], [], ""),
        # feet have no part in the datum
        ([("turned", OF_A)], [flag("half-span", *OF_B, *OF_C)], ""),
        ([], [], ""),
    ],
)
def test_lites_that_speak_for_different_datums_are_at_odds(
    groups: list[tuple[str, tuple[int, ...]]], flags: list[Flag], said: str
) -> None:
    found = lites_at_odds(datum(*groups), flags, SINGLES)
    assert bool(found) == bool(said)
    assert said in found


def test_half_of_the_readings_put_the_card_in_doubt() -> None:
    assert is_card_in_doubt([flag("half-span", *OF_A, *OF_B)], 30)
    assert is_card_in_doubt([flag("half-span", *OF_A), flag("other gauge", *OF_B[:5])], 30)
    assert not is_card_in_doubt([flag("half-span", *OF_A)], 30)
    assert not is_card_in_doubt([flag("datum", *OF_A, *OF_B)], 30)
    assert not is_card_in_doubt([flag("sign", row) for row in OF_A], 10)


def test_lites_turned_each_another_way_get_no_datum(tmp_path: Path) -> None:
    rows = []
    for row in spot_rows(count=12):
        cells = row.split(",")
        if cells[0] == "Q-1":
            cells[4] = f"{surveyed.LENGTH_MM - float(cells[4]):g}"
        elif cells[0] == "Q-2":
            cells[6] = f"{-float(cells[6]):.3f}"
        rows.append(",".join(cells))
    maps, survey = surveyed.all_maps(), survey_of(tmp_path, SPOTS, rows)
    found = midchord.validate(maps, survey, [card()], tolerance_mm=0.025)
    (one,) = found.gauges
    assert (one.datum.status, one.datum.way, one.datum.groups) == ("cannot be told", None, ())
    assert math.isnan(one.datum.probability)
    assert one.flags == ()
    assert found.headline == "not shown, with the gauge card in doubt"
    assert one.look_at_first[0].startswith(
        "the survey does not fit its gauge card: the readings speak for another wrong datum from "
        "lite to lite (Q-1: trailing; Q-2: other face), which contradict one another; "
    )
    assert one.shift.sentence == (
        "no shift is asked for, since the gauge card is in doubt and comes first"
    )
    assert not any("%" in said for said in one.look_at_first)


def test_no_shift_is_asked_for_where_the_feet_are_others_and_the_feet_come_first(
    tmp_path: Path,
) -> None:
    survey = survey_of(tmp_path, SPOTS, spot_rows(count=12))
    other = card(half_span_mm=2 * surveyed.HALF_SPAN_MM)
    found = midchord.validate(surveyed.all_maps(), survey, [other], tolerance_mm=0.025)
    (one,) = found.gauges
    assert one.flags[0].kind == "half-span"
    assert one.shift.sentence == (
        "no shift is asked for, since the gauge card is in doubt and comes first"
    )
    assert not one.shift.needs_attention
    said = [
        line for line in console.agreement_lines(found.as_dict()) if "look at this first" in line
    ]
    assert "feet 115 mm from the plunger would agree, where the card says 230 mm" in said[0]
    assert not any("15 mm or more" in line for line in said)
