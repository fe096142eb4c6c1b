"""What is said of a survey in which something is wrong: how much, what first, in which words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import midchord
import surveyed
from midchord import console
from midchord.surveying.reserves import reserves
from midchord.validate import GaugeValidation, Validation
from midchord_io.errors import SurveyError
from surveyed import LINES, SPOTS, card, line_rows, spot_rows, survey_of

DISTANCE, READING = 7, 8  # columns of a line survey
MARK = 6


def validated(folder: Path, header: str, rows: list[str], **options: Any) -> Validation:
    maps = options.pop("maps", None) or surveyed.all_maps()
    return midchord.validate(maps, survey_of(folder, header, rows), [card()], **options)


def only(found: Validation) -> GaugeValidation:
    (gauge,) = found.gauges
    return gauge


def changed(
    rows: list[str], column: int, change: Any, which: Any = lambda cells: True
) -> list[str]:
    """Rows with one column changed, in rows of which ``which`` holds."""
    made = []
    for row in rows:
        cells = row.split(",")
        if which(cells):
            cells[column] = change(cells[column])
        made.append(",".join(cells))
    return made


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ((0, 0, 0, False), ()),
        ((1, 1, 0, False), ("1 suspect reading inside",)),
        ((3, 3, 0, False), ("3 suspect readings inside",)),
        ((144, 1, 0, False), ("144 suspect readings (1 cause) inside",)),
        ((150, 7, 0, True), ("150 suspect readings (7 causes) inside", "the datum in doubt")),
        ((0, 0, 1, False), ("1 swing that is no half wave",)),
        ((0, 0, 2, False), ("2 swings that are no half wave",)),
    ],
)
def test_reserves_count_readings_and_causes(
    counts: tuple[int, int, int, bool], said: tuple[str, ...]
) -> None:
    suspects, causes, out_of_turn, datum = counts
    found = reserves(suspects, causes, n_out_of_turn=out_of_turn, is_datum_in_doubt=datum)
    assert found == said


def test_a_survey_in_micrometres_is_all_suspect_by_one_cause(tmp_path: Path) -> None:
    rows = changed(spot_rows(), 6, lambda value: f"{1000 * float(value):.0f}")
    found = validated(tmp_path, SPOTS, rows, tolerance_mm=0.025)
    one, facts = only(found), found.as_dict()
    assert (one.n_suspects, len(one.flags)) == (96, 1)
    assert (facts["n_suspects"], facts["n_causes"]) == (96, 1)
    assert found.headline == "not shown, with 96 suspect readings (1 cause) inside"
    assert one.flags[0].kind == "factor 1000"
    assert one.doubts == ()  # the flag has said it
    lines = list(console.agreement_lines(facts))
    assert f"  {'suspect readings':34}96 (1 cause)" in lines
    assert any(
        line.startswith("  look at this first: rows from 2: the whole survey, 96 readings, rows 2 ")
        and "a factor 1000 throughout would agree: micrometres written as millimetres" in line
        for line in lines
    )


def test_where_something_is_wrong_more_readings_are_no_advice(tmp_path: Path) -> None:
    rows = spot_rows(reading_sd_mm=0.006)
    plain = validated(tmp_path, SPOTS, rows, tolerance_mm=0.0145)
    assert plain.verdict == "not shown"
    assert only(plain).look_at_first == ()
    assert only(plain).statement.endswith(
        "more lites, more spots or more operators would narrow them"
    )
    cells = rows[5].split(",")
    rows[5] = ",".join([*cells[:6], f"{-float(cells[6]):.3f}", *cells[7:]])
    wrong = only(validated(tmp_path, SPOTS, rows, tolerance_mm=0.0145))
    assert wrong.flags
    assert "more operators" not in wrong.statement
    assert wrong.statement.endswith("; first settle what is listed under 'look at this first'")
    assert wrong.as_dict()["statement"] == wrong.statement


def test_a_wrong_datum_is_said_once_and_no_shift_beside_it(tmp_path: Path) -> None:
    rows = []
    for row in line_rows():
        cells = row.split(",")
        cells[DISTANCE] = f"{surveyed.LENGTH_MM - float(cells[DISTANCE]):g}"
        rows.append(cells)
    rows.sort(key=lambda cells: (*cells[:4], float(cells[DISTANCE])))
    count: dict[tuple[str, ...], int] = {}
    for cells in rows:
        count[tuple(cells[:4])] = number = count.get(tuple(cells[:4]), 0) + 1
        cells[MARK] = str(number)
    one = only(validated(tmp_path, LINES, [",".join(c) for c in rows], tolerance_mm=0.025))
    assert one.datum.status == "likely wrong"
    assert not one.shift.needs_attention
    assert one.shift.sentence == (
        "no shift is asked for, since the datum is likely wrong and comes first"
    )
    assert sum("trailing edge" in said for said in one.look_at_first) == 1
    assert not any("15 mm or more" in said for said in one.look_at_first)


def test_a_mark_left_out_is_said_beside_a_verdict_that_stands(tmp_path: Path) -> None:
    rows = line_rows()
    walk = rows[0].split(",")[:4]
    kept = []
    for row in rows:
        cells = row.split(",")
        if cells[:4] == walk and cells[MARK] == "4":
            continue
        if cells[:4] == walk and int(cells[MARK]) > 4:
            cells[MARK] = str(int(cells[MARK]) - 1)
        kept.append(",".join(cells))
    found = validated(tmp_path, LINES, kept, tolerance_mm=0.025)
    one, facts = only(found), found.as_dict()
    assert found.headline == "shown, with 1 swing that is no half wave"
    assert [turn.rows for turn in one.out_of_turn] == [(4, 5)]
    assert facts["by_gauge"][0]["out_of_turn"][0]["rows"] == [4, 5]
    assert "between marks 3 and 4, at x = " in one.look_at_first[0]
    lines = list(console.agreement_lines(facts))
    assert lines[-1].startswith("shown, with 1 swing that is no half wave: the scan may stand in")
    assert only(validated(tmp_path, LINES, line_rows())).out_of_turn == ()


def test_the_terminal_names_suspects_each_verdict_once_and_maps_that_nobody_read(
    tmp_path: Path,
) -> None:
    rows = spot_rows(lites=["Q-1", "Q-3"])
    rows[3] = rows[3].replace("2026-06-01,,", "2026-06-01,yes,dropped")
    for k in (5, 6, 20, 21, 40, 41, 50):
        cells = rows[k].split(",")
        rows[k] = ",".join([*cells[:6], f"{float(cells[6]) + 0.2:.3f}", *cells[7:]])
    found = validated(tmp_path, SPOTS, rows, tolerance_mm=0.025)
    assert found.not_compared == ("Q-2",)
    facts = found.as_dict()
    assert {one["lite_id"]: one["is_compared"] for one in facts["lites"]} == {
        "Q-1": True, "Q-2": False, "Q-3": True,
    }  # fmt: skip
    lines = list(console.agreement_lines(facts))
    assert lines[1].endswith("63; 1 (1 excluded by a person)")
    said = [line for line in lines if line.startswith("  look at this first: row ")]
    assert len(said) == 5
    assert len(only(found).flags) == 7
    assert "  and 2 more, all on the page" in lines
    assert "no reading of Q-2: not compared" in lines
    assert lines[-1].startswith("too few readings, with 7 suspect readings inside: no verdict ")
    strict = validated(tmp_path, SPOTS, spot_rows(), tolerance_mm=0.002).as_dict()
    last = list(console.agreement_lines(strict))[-1]
    assert last.startswith("not shown: that the scan may stand in for Wren 115 within +-0.002 mm")


def test_readings_with_more_digits_than_the_dial_are_said(tmp_path: Path) -> None:
    rows = changed(spot_rows(), 6, lambda v: f"{float(v) / 25.4:.5f}", lambda c: c[2] == "Bo")
    one = only(validated(tmp_path, SPOTS, rows))
    (doubt,) = one.doubts
    assert doubt.startswith("4")  # of 48 some fall on a step
    assert " of 96 readings by Wren 115 have more digits than its dial of 0.001 mm shows, " in doubt
    assert doubt.endswith("they were converted, from inches perhaps, or averaged")
    assert only(validated(tmp_path, SPOTS, spot_rows())).doubts == ()


def test_a_few_readings_far_too_large_are_said_without_a_fit(tmp_path: Path) -> None:
    # below 8 readings no scatter is told, and no reading is flagged
    rows = changed(spot_rows(lites=["Q-1"], count=3, people=[("Ada", 0.0)], repeats=1), 6,
                   lambda value: f"{1000 * float(value):.0f}")  # fmt: skip
    one = only(validated(tmp_path, SPOTS, rows))
    assert one.flags == ()
    (doubt,) = one.doubts
    assert " above 3 mm, the largest " in doubt
    assert doubt.endswith("mm: check the unit of the readings")


def test_places_in_inches_are_refused_with_what_they_look_like(tmp_path: Path) -> None:
    rows = spot_rows(count=4)
    for column in (4, 5):
        rows = changed(rows, column, lambda value: f"{float(value) / 25.4:.2f}")
    with pytest.raises(SurveyError) as refusal:
        validated(tmp_path, SPOTS, rows)
    said = str(refusal.value)
    assert "; all places lie within " in said
    assert " mm of one corner, and times 25.4 they would spread over the lite; " in said
    assert said.endswith("convert the places to millimetres if they were written in inches.")
