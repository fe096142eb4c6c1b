"""Maps held against hand surveys of known truth, end to end: scan, place, map, pair, compare.

Truth comes from the formula of the surface (surveyed.py), so an error of placing, detrending or
of the twin would show as a difference.
"""

from __future__ import annotations

import importlib
import importlib.resources
import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

import midchord
import midchord_io
import surveyed
from midchord.configs import shipped
from midchord.validate import GaugeValidation, Validation
from midchord_io.errors import MidchordError, SettingsError, SurveyError
from surveyed import LINES, SPOTS, card, line_rows, spot_rows, survey_of


def validated(folder: Path, header: str, rows: list[str], **options: Any) -> Validation:
    options = {"cards": [card()], **options}
    cards = options.pop("cards")
    maps = options.pop("maps", None) or surveyed.all_maps()
    return midchord.validate(maps, survey_of(folder, header, rows), cards, **options)


def only(validation: Validation) -> GaugeValidation:
    (gauge,) = validation.gauges
    return gauge


def refused(folder: Path, header: str, rows: list[str], **options: Any) -> str:
    with pytest.raises(MidchordError) as refusal:
        validated(folder, header, rows, **options)
    return str(refusal.value)


# --- figures ------------------------------------------------------------------------------------


def test_spots_of_three_lites_agree_with_the_scan(tmp_path: Path) -> None:
    found = validated(tmp_path, SPOTS, spot_rows(), tolerance_mm=0.025)
    a = only(found).judged.agreement
    assert (a.n_readings, a.n_spots, a.n_lites, a.n_operators) == (96, 24, 3, 2)
    # one of two people reads 0.001 mm high: the scan less the gauge is -0.0005 mm
    assert a.bias_ci.low < -0.0005 < a.bias_ci.high
    # 2 mm of placement on slopes of up to 2 pi / 230 x 0.104 mm, and a dial of 1 um
    assert 0.001 < a.sd < 0.006
    assert found.verdict == "shown"
    assert a.statement.startswith(
        "the scan may stand in for Wren 115 within +-0.025 mm at 95 % confidence on 96 readings "
        "of 3 lites"
    )


def test_a_gauge_with_a_wrong_zero_has_that_bias_in_single_readings_and_none_in_swings(
    tmp_path: Path,
) -> None:
    one = only(validated(tmp_path, LINES, line_rows(offset_mm=0.02)))
    assert one.singles is not None
    assert one.swings is not None
    assert one.judged is one.swings
    assert one.singles.agreement.bias == pytest.approx(-0.0205, abs=0.001)
    assert one.swings.agreement.bias == pytest.approx(0.0, abs=0.001)
    # a mark less than there are gaps, in each walk of each person
    walks = one.paired.singles["line"].nunique()
    assert walks == 12
    assert one.swings.agreement.n_readings == len(one.paired.singles) - walks


def test_a_gauge_that_reads_5_percent_high_has_that_slope(tmp_path: Path) -> None:
    rows = spot_rows(scale=1.05, placement_sd_mm=0.0)
    one = only(validated(tmp_path, SPOTS, rows, placement_sd_mm=0.5))
    assert one.judged.deming is not None
    assert one.judged.passing_bablok is not None
    assert one.judged.deming.slope == pytest.approx(1 / 1.05, abs=0.01)
    assert one.judged.passing_bablok.slope == pytest.approx(1 / 1.05, abs=0.01)


def test_distortion_is_the_swing_by_the_wavelength_of_the_scan(tmp_path: Path) -> None:
    found = validated(tmp_path, LINES, line_rows(), tolerance_mdpt=30.0)
    one = only(found)
    assert one.swings is not None
    assert one.distortion is one.judged
    factor = one.distortion.table["scan"] / one.swings.table["scan"]
    length = np.sqrt(4e6 * np.pi**2 / factor)
    # the recipe's wave: 230 mm, drifting by 6 % either way
    assert length.between(230 * 0.9, 230 * 1.1).all()
    assert length.mean() == pytest.approx(230.0, rel=0.03)
    assert found.as_dict()["tolerance_unit"] == "mdpt"
    assert found.verdict == "shown"


@pytest.mark.parametrize(
    ("tolerance", "verdict", "words"),
    [
        (0.025, "shown", "the scan may stand in for"),
        (0.002, "not shown", "the limits of agreement themselves reach beyond it"),
        (None, "not asked", "no tolerance was asked for"),
    ],
)
def test_the_verdict_goes_by_the_limits_of_agreement(
    tmp_path: Path, tolerance: float | None, verdict: str, words: str
) -> None:
    found = validated(tmp_path, SPOTS, spot_rows(), tolerance_mm=tolerance)
    assert found.verdict == verdict
    assert words in found.as_dict()["statement"]


def test_an_honest_survey_scatters_by_what_its_repeats_show(tmp_path: Path) -> None:
    # 0.006 mm of repeatability on a dial of 0.001 mm, hands on their places along the travel
    rows = spot_rows(reading_sd_mm=0.006, placement_sd_mm=0.0, count=12)
    one = only(validated(tmp_path, SPOTS, rows, placement_sd_mm=0.0)).judged
    assert one.repeatability == pytest.approx(0.006, rel=0.2)
    assert one.normalised is not None
    assert one.normalised.birge == pytest.approx(1.0, abs=0.2)
    assert one.normalised.share_inside > 0.9
    rows = spot_rows(repeats=1, people=[("Ada", 0.0)])
    once = only(validated(tmp_path, SPOTS, rows)).judged
    assert once.repeatability is None
    assert any("leave the repeatability of the hand out" in note for note in once.notes)


def test_bias_by_operator_and_by_lite_are_numbers(tmp_path: Path) -> None:
    people = [("Ada", 0.0), ("Bo", 0.01)]
    facts = only(validated(tmp_path, SPOTS, spot_rows(people=people))).judged.as_dict()
    ada, bo = (row["bias"] for row in facts["bias_by_operator"])
    assert ada - bo == pytest.approx(0.01, abs=0.002)
    assert [row["name"] for row in facts["bias_by_lite"]] == ["Q-1", "Q-2", "Q-3"]


def test_marks_on_crests_do_not_speak_for_slopes_and_random_spots_do(tmp_path: Path) -> None:
    on_crests = only(validated(tmp_path, LINES, line_rows())).flatness
    at_random = only(validated(tmp_path, SPOTS, spot_rows())).flatness
    assert on_crests.is_flatter
    assert "does not speak for slopes" in on_crests.sentence
    assert not at_random.is_flatter
    assert at_random.u_spots_mm == pytest.approx(at_random.u_random_mm, rel=0.3)


def test_one_lite_gives_figures_and_no_verdict(tmp_path: Path) -> None:
    rows = spot_rows(lites=["Q-2"], count=12)
    found = validated(tmp_path, SPOTS, rows, tolerance_mm=0.05)
    assert found.verdict == "too few readings"
    assert found.as_dict()["n_paired"] == 48
    assert "it takes at least 10 readings of 3 lites" in found.as_dict()["statement"]


def test_gauges_of_different_kinds_are_not_pooled(tmp_path: Path) -> None:
    def flat(surface: Any, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Plunger in the middle of a base of 400 mm, by the hull of the true surface."""
        reach = np.arange(-200.0, 201.0)
        values = []
        for a, b in zip(x, y, strict=True):
            z = surface.height(a + reach, np.full(reach.size, b))
            left, right = reach < 0, reach > 0
            # the chord over the middle that no point rises above
            slopes = (z[right][None, :] - z[left][:, None]) / (
                reach[right][None, :] - reach[left][:, None]
            )
            at_middle = z[left][:, None] - slopes * reach[left][:, None]
            values.append(z[reach == 0][0] - max(z[reach == 0][0], at_middle.max()))
        return np.array(values)

    rows = spot_rows(count=5) + spot_rows(gauge="Base 400", read=flat, count=5)
    base = card(gauge="Base 400", kind="flat-base", half_span_mm=None, base_mm=400.0,
                depth_is="surface")  # fmt: skip
    found = validated(tmp_path, SPOTS, rows, cards=[card(), base])
    facts = found.as_dict()
    assert [one["gauge"] for one in facts["by_gauge"]] == ["Wren 115", "Base 400"]
    assert (facts["bias_mm"], facts["limits_mm"], facts["judged_on"]) == (None, None, None)
    assert facts["n_paired"] == 120
    for one in found.gauges:
        a = one.judged.agreement
        assert abs(a.bias) < 0.002, one.card.gauge
        assert a.sd < 0.006
    # feet half a wave away swing twice, the base once
    factors = {row["gauge"]: row["swing_over_surface"] for row in facts["factors"]}
    assert factors["Wren 115"] == pytest.approx(2.0, abs=0.01)
    assert factors["Base 400"] == 1.0
    reading = {one.card.gauge: one.paired.singles["gauge_mm"] for one in found.gauges}
    assert (reading["Base 400"] < 0.005).all()  # never above its base, but for zero and scatter
    assert (reading["Wren 115"] > 0.01).any()


def test_repeats_and_further_scans_stand_in_one_gauge_study(tmp_path: Path) -> None:
    again = [surveyed.maps("Q-2", 1), surveyed.maps("Q-2", 2)]
    study = only(validated(tmp_path, SPOTS, spot_rows(), again=again)).study
    assert isinstance(study, dict)
    rows = {row["source"]: row["sd"] for row in study["rows"]}
    assert (study["n_parts"], study["n_operators"], study["n_trials"]) == (24, 2, 2)
    # each reading is placed anew: what 2 mm on the slopes of the map make
    assert 0.001 < rows["repeatability (EV)"] < 0.006
    assert study["scanner"] == {"lite_id": "Q-2", "n_scans": 3, "n_spots": 8}
    # standard deviation of the twin from the noise of the scan, stated without knowing of repeats
    stated = only(validated(tmp_path, SPOTS, spot_rows())).paired.singles["u_scan_mm"].mean()
    assert rows["scanner: repeatability"] == pytest.approx(stated, rel=0.6)
    assert study["ndc"][0] > 5


def test_a_spot_that_one_person_missed_stays_out_of_the_study_only(tmp_path: Path) -> None:
    rows = spot_rows()
    left = [row for row in rows if not (row == rows[0] or row == rows[8])]  # Ada, both repeats
    one = only(validated(tmp_path, SPOTS, left))
    assert isinstance(one.study, dict)
    assert (one.study["n_parts"], one.study["parts_left_out"]) == (23, 1)
    assert one.judged.agreement.n_readings == 94


def test_a_reading_too_near_the_end_is_unpaired_with_the_reason(tmp_path: Path) -> None:
    rows = [*spot_rows(), "Q-1,Wren 115,Ada,1,60,200,0.01,2026-06-01,,"]
    one = only(validated(tmp_path, SPOTS, rows))
    (left,) = one.as_dict()["unpaired"]
    assert left["row"] == 98
    assert left["reason"] == (
        "the twin cannot stand there: a contact is off the glass, or was not measured"
    )


def test_an_excluded_reading_is_listed_and_does_not_count(tmp_path: Path) -> None:
    rows = spot_rows()
    rows[3] = re.sub(r",2026-06-01,,$", ",2026-06-01,yes,dropped the dial", rows[3])
    found = validated(tmp_path, SPOTS, rows)
    facts = found.as_dict()
    assert (facts["n_paired"], facts["n_unpaired"]) == (95, 1)
    assert facts["by_gauge"][0]["unpaired"][0]["reason"] == "excluded: dropped the dial"
    assert facts["survey"]["n_excluded"] == 1


def test_a_sign_slip_is_flagged_with_the_reading_that_would_agree_and_still_counts(
    tmp_path: Path,
) -> None:
    rows = spot_rows()
    at = 5  # near a crest of Q-1, where a misplaced hand changes little
    cells = rows[at].split(",")
    right = float(cells[6])
    assert right > 0.08
    cells[6] = f"{-right:.3f}"
    rows[at] = ",".join(cells)
    found = validated(tmp_path, SPOTS, rows).as_dict()
    (flag,) = found["flags"]
    assert flag["row"] == at + 2
    assert "sign" in flag["reason"]
    assert flag["alternative_mm"] == pytest.approx(right, abs=1e-9)
    assert flag["gauge"] == "Wren 115"
    assert found["n_paired"] == 96


def test_the_support_is_said_where_it_differs(tmp_path: Path) -> None:
    notes = only(validated(tmp_path, SPOTS, spot_rows())).notes
    assert any(
        note.startswith("Support by hand: granite table; under the scanner: not stated")
        for note in notes
    )


# --- agreement.json -----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["spots", "lines", "one reading"])
def test_agreement_keeps_its_schema(tmp_path: Path, kind: str) -> None:
    rows = {
        "spots": spot_rows(),
        "lines": line_rows(),
        "one reading": spot_rows(lites=["Q-1"], count=1, people=[("Ada", 0.0)], repeats=1),
    }[kind]
    header = LINES if kind == "lines" else SPOTS
    facts = json.loads(
        json.dumps(validated(tmp_path, header, rows, tolerance_mm=0.02).as_dict(), allow_nan=False)
    )
    path = importlib.resources.files("midchord").joinpath("agreement.schema.json")
    schema = json.loads(path.read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    check.validate(facts)
    for key in ("bias_mm", "flags", "datum_suspicion", "verdict", "limits_mm"):
        broken = {name: value for name, value in facts.items() if name != key}
        with pytest.raises(jsonschema.ValidationError, match=key):
            check.validate(broken)
    gauge = facts["by_gauge"][0]
    gauge["singles"] = gauge["singles"] | {"unit": "mdpt"}
    with pytest.raises(jsonschema.ValidationError, match="bias_mdpt"):
        check.validate(facts)


# --- the shipped example ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def heron() -> Any:
    return midchord.process(midchord_io.open_scan(shipped("sample-scans", "demo-heron.nc")))


@pytest.mark.parametrize(("name", "count"), [("spots", 48), ("lines", 56)])
def test_the_shipped_survey_agrees_with_the_shipped_scan(heron: Any, name: str, count: int) -> None:
    survey = midchord_io.read_survey(shipped("sample-scans", "surveys", f"heron-07.{name}.csv"))
    own = midchord_io.load_gauge_card(shipped("configs", "gauges", "three-point-120.toml"))
    one = only(midchord.validate([heron], survey, [own]))
    a = one.judged.agreement
    assert a.n_readings == count
    assert len(one.paired.unpaired) == 0
    # readings by two people, zeros 0 and 0.0015 mm off (tests/make_surveys.py): -0.00075 mm in
    # single readings, nothing in swings
    assert one.singles is not None
    singles = one.singles.agreement
    assert singles.bias_ci.low < -0.00075 < singles.bias_ci.high
    assert abs(a.bias) < 0.001
    # reading 0.001 mm, rounding 0.0003 mm, twin 0.0009 mm, place 2 mm: some micrometres at most
    assert a.sd < 0.003
    assert max(map(abs, a.limits.bounds)) < 0.008
    assert one.datum.status != "likely wrong"
    assert one.flags == ()


# --- what is refused ----------------------------------------------------------------------------


def test_a_lite_without_maps(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, spot_rows(), maps=[surveyed.maps("Q-1")])
    assert "row 34: a reading on lite 'Q-2'; maps of that lite (there are: Q-1)" in said


def test_a_gauge_without_a_card(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, spot_rows(gauge="Wren 15"))
    assert "row 2: a reading by the gauge 'Wren 15'; its card (there are: Wren 115)" in said


def test_two_cards_of_one_gauge(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, spot_rows(), cards=[card(), card(resolution_mm=0.01)])
    assert said.startswith("Wren 115: two cards; one card a gauge")


def test_a_place_off_the_lite(tmp_path: Path) -> None:
    rows = [*spot_rows(), "Q-3,Wren 115,Ada,1,1000,420,0.01,2026-06-01,,"]
    said = refused(tmp_path, SPOTS, rows)
    assert "row 98: y_mm is 420 mm on lite Q-3; a place on the lite" in said


def test_a_reading_before_the_scan(tmp_path: Path) -> None:
    rows = spot_rows()
    rows[5] = rows[5].replace("2026-06-01", "2019-03-04")
    said = refused(tmp_path, SPOTS, rows)
    assert "row 7: a reading of 2019-03-04 on lite Q-1; one made after it was scanned" in said


def test_no_pair_at_all_is_an_error(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, ["Q-1,Wren 115,Ada,1,50,200,0.01,2026-06-01,,"])
    assert "no reading that can be paired (row 2: the twin cannot stand there" in said
    assert "at least one" in said


def test_two_tolerances(tmp_path: Path) -> None:
    said = refused(tmp_path, LINES, line_rows(), tolerance_mm=0.01, tolerance_mdpt=10.0)
    assert said == (
        "tolerance: one in mm and one in mdpt; one tolerance; keep the one that the contract "
        "states."
    )


@pytest.mark.parametrize("value", [0.0, -0.01, float("inf"), float("nan")])
def test_a_tolerance_that_is_none(tmp_path: Path, value: float) -> None:
    with pytest.raises(SettingsError, match=r"tolerance_mm: a tolerance of .*; a size above zero"):
        validated(tmp_path, SPOTS, spot_rows(), tolerance_mm=value)


def test_mdpt_for_single_spots(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, spot_rows(), tolerance_mdpt=10.0)
    assert "tolerance_mdpt: a survey of single spots; a survey along lines" in said


def test_two_maps_of_one_lite(tmp_path: Path) -> None:
    said = refused(tmp_path, SPOTS, spot_rows(), maps=[*surveyed.all_maps(), surveyed.maps("Q-2")])
    assert said == (
        "Q-2: maps of it twice; one set of maps a lite; keep one; a further scan of the same lite "
        "goes to --again."
    )


def test_a_further_scan_of_another_lite_and_the_same_scan_twice(tmp_path: Path) -> None:
    rows = spot_rows(lites=["Q-1"])
    first = surveyed.maps("Q-1")
    with pytest.raises(SurveyError, match="a further scan of a lite without a first one"):
        validated(tmp_path, SPOTS, rows, maps=[first], again=[surveyed.maps("Q-2")])
    with pytest.raises(SurveyError, match="the same file as another one"):
        validated(tmp_path, SPOTS, rows, maps=[first], again=[first])


# --- the package --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["judge", "simulate", "validate"])
def test_a_function_with_the_name_of_its_module_stays_a_function(name: str) -> None:
    importlib.import_module(f"midchord.{name}")
    assert [callable(getattr(midchord, name)) for _ in range(2)] == [True, True]
    module = importlib.import_module(f"midchord.{name}")
    assert getattr(midchord, name) is getattr(module, name)
