"""Numbers that no gauge writes: one reading throughout, a dial coarser than what is asked of it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import midchord
import surveyed
from midchord.surveying.reserves import wide_tolerance
from midchord.surveying.written_doubts import all_the_same, step_above_tolerance
from midchord.validate import Validation
from midchord_io.errors import SurveyError
from surveyed import LINES, SPOTS, card, line_rows, spot_rows, survey_of


def singles(readings: list[float], scan: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"gauge_mm": readings, "scan_mm": scan})


def with_readings(rows: list[str], column: int, value: str) -> list[str]:
    made = [row.split(",") for row in rows]
    return [",".join([*cells[:column], value, *cells[column + 1 :]]) for cells in made]


def validated(
    folder: Path, header: str, rows: list[str], tolerance_mm: float, **facts: float
) -> Validation:
    maps, survey = surveyed.all_maps(), survey_of(folder, header, rows)
    return midchord.validate(maps, survey, [card(**facts)], tolerance_mm=tolerance_mm)


WAVY = [0.0, 0.05, -0.05, 0.02, 0.01, -0.03]


@pytest.mark.parametrize(
    ("readings", "scan", "is_said"),
    [
        ([0.05] * 6, WAVY, True),
        ([0.0] * 6, WAVY, True),
        ([0.05] * 5, WAVY[:5], False),  # a few may be alike
        ([0.05] * 5 + [0.051], WAVY, False),
        ([0.05] * 6, [0.003 * value / 0.1 for value in WAVY], False),  # a lite without waves
    ],
)
def test_a_dial_that_stands_still_is_said(
    readings: list[float], scan: list[float], is_said: bool
) -> None:
    assert bool(all_the_same(singles(readings, scan), card())) == is_said


def test_the_reading_is_named_as_it_was_dialled() -> None:
    found = all_the_same(singles([-0.05] * 6, WAVY), card(reading_sign=-1))
    assert found == (
        "all 6 readings by Wren 115 are the same, 0.05 mm, where its twin varies by 0.1 mm: no "
        "gauge reads so; see whether the dial was stuck, or a column was filled in"
    )


@pytest.mark.parametrize(
    ("header", "rows", "column"), [(SPOTS, spot_rows(), 6), (LINES, line_rows(), 8)]
)
@pytest.mark.parametrize("value", ["0.000", "0.050"])
def test_no_factor_is_claimed_of_a_dead_dial(
    tmp_path: Path, header: str, rows: list[str], column: int, value: str
) -> None:
    found = validated(tmp_path, header, with_readings(rows, column, value), 2.0)
    (one,) = found.gauges
    assert (one.flags, one.datum.status, one.datum.groups) == ((), "cannot be told", ())
    assert not one.shift.needs_attention
    assert found.headline == (
        "shown, with readings that are all the same and a tolerance wider than all that the twin "
        "varies by"
    )
    assert "no gauge reads so" in one.look_at_first[0]
    assert not any("factor" in said for said in one.look_at_first)


def test_a_dial_coarser_than_the_tolerance_is_said_with_the_verdict(tmp_path: Path) -> None:
    found = validated(tmp_path, SPOTS, spot_rows(), 0.025, resolution_mm=10.0)
    assert "a dial coarser than the tolerance" in found.headline
    said = found.gauges[0].look_at_first
    assert (
        "the card of Wren 115 states a dial of 10 mm, which cannot show a tolerance of 0.025 mm: "
        "correct resolution_mm, or use a finer dial"
    ) in said
    assert any("more digits than its dial of 10 mm shows" in one for one in said)
    assert step_above_tolerance(card(), 0.001) == ""
    assert step_above_tolerance(card(), None) == ""
    assert validated(tmp_path, SPOTS, spot_rows(), 0.025).headline == "shown"


def test_a_tolerance_that_any_reading_meets_is_said() -> None:
    table = pd.DataFrame({"scan": [0.02, 0.05]})
    assert wide_tolerance(table, 0.029) == ""
    assert wide_tolerance(table, None) == ""
    assert wide_tolerance(table, 0.031) == "a tolerance wider than all that the twin varies by"
    # swings are sizes
    swings = table.assign(from_row=1)
    assert wide_tolerance(swings, 0.049) == ""
    assert wide_tolerance(swings, 0.051)


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        (["0.01,yes,bent", "0.02,yes,bent"],
         "every reading is excluded; at least one; take readings back in, or read again."),
        ([",,", ",,"], "no reading was written down; at least one; fill in reading_mm."),
        ([",,", "0.01,yes,bent"], "every reading is excluded or was not written down; at least "
         "one; take readings back in, or read again."),
    ],
)  # fmt: skip
def test_where_nothing_is_left_to_pair_it_is_said_why(
    tmp_path: Path, readings: list[str], said: str
) -> None:
    rows = [
        f"Q-1,Wren 115,Ada,1,200,leading,{k},{800 + 120 * k},{end}"
        for k, end in enumerate(readings, start=1)
    ]
    with pytest.raises(SurveyError) as refusal:
        validated(tmp_path, f"{LINES},excluded,reason", rows, 0.025)
    assert str(refusal.value).endswith(f"gauge Wren 115: {said}")


def test_feet_wider_than_the_map_name_gauge_and_lite(tmp_path: Path) -> None:
    # between half of the glass that was mapped and half of the lite
    x = surveyed.maps("Q-1")["x"].values
    half = (float(x[-1] - x[0]) / 2 + surveyed.LENGTH_MM / 2) / 2
    with pytest.raises(SurveyError) as refusal:
        validated(tmp_path, SPOTS, spot_rows(), 0.025, half_span_mm=half)
    assert str(refusal.value).startswith("gauge Wren 115: contacts ")
    assert " and half of lite Q-1, " in str(refusal.value)
