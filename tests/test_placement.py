"""Shifts and wrong datums of simulated surveys, whose truth is known."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

import hand
from midchord.surveying.datum import suspect_datum as from_datum
from midchord.surveying.flags import times_as_likely
from midchord.surveying.pairing import PAIR_COLUMNS
from midchord.surveying.placement import Shift, fit_shift, suspect_datum
from midchord.surveying.places import placed_twin, without_repeats
from midchord.surveying.suspects import flag_readings

WAYS = (
    "trailing",
    "right",
    "turned",
    "other face",
    "trailing, other face",
    "right, other face",
    "turned, other face",
)
SEPARABLE = 0.99
"""Predicted chance of finding from which a way counts as one that the map can tell."""


def _lites(count: int = 3) -> list[hand.KnownLite]:
    return [hand.known_lite(number) for number in range(count)]


def _shifted(seed: int, shift_mm: tuple[float, float], **people: object) -> Shift:
    facts = {
        "operators": {"A": 0.0, "B": 0.004}, "bias_mm": 0.01, "scale": 1.05,
        "blunder_share": 0.05, "shift_mm": shift_mm,
    }  # fmt: skip
    who = hand.People(**(facts | people))
    taken = hand.take_spots(_lites(), who, np.random.default_rng(seed), spots=12)
    paired = taken.paired()
    return fit_shift(paired.singles, paired.twins, placement_sd_mm=5.0)


# ---- shift


def test_a_shift_is_found_beside_bias_gain_operators_and_blunders() -> None:
    found = [_shifted(seed, (8.0, 0.0)) for seed in range(8)]
    assert all(shift.is_paid_for for shift in found)
    off = np.array([(shift.dx_mm - 8.0) / shift.u_dx_mm for shift in found])
    assert np.abs(off).max() < 3.5
    assert 0.3 < off.std() < 2.0
    # 36 places, two people, 5 mm: slope-weighted, some 5 / sqrt(72 / 2) mm
    assert all(0.4 < shift.u_dx_mm < 1.2 for shift in found)
    # a twin at one place is a little steeper than the mean of where hands were
    assert np.mean([shift.scale for shift in found]) == pytest.approx(1.05, abs=0.03)
    assert np.mean([shift.offset_mm for shift in found]) == pytest.approx(0.01, abs=0.002)
    assert found[0].bic_none - found[0].bic_shifted > 6
    assert "the shift was not applied" in found[0].sentence
    assert "criterion" not in found[0].sentence
    assert all(shift.needs_attention for shift in found)


def test_no_shift_is_not_paid_for_however_large_the_bias() -> None:
    found = [_shifted(seed, (0.0, 0.0), bias_mm=0.03) for seed in range(8)]
    assert not any(shift.is_paid_for for shift in found)
    assert {(shift.dx_mm, shift.dy_mm) for shift in found} == {(0.0, 0.0)}
    assert found[0].sentence.startswith(
        "no shift of the whole survey is shown: its places fit as stated, to about "
    )
    # nor is one beyond what is allowed spoken of where nothing pays for it
    assert not any(shift.needs_attention or shift.is_at_bound for shift in found)


def test_where_ridges_are_straight_the_other_axis_stays_open() -> None:
    lite = hand.symmetric_lite()
    people = hand.People(shift_mm=(7.0, 7.0))
    taken = hand.take_spots([lite], people, np.random.default_rng(4), spots=40)
    paired = taken.paired()
    shift = fit_shift(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert shift.is_paid_for
    assert shift.dx_mm == pytest.approx(7.0, abs=3 * shift.u_dx_mm)
    # 15 / sqrt 3 = 8.66 where nothing is known; the noise of the scan alone tells a little
    assert 4.0 < shift.u_dy_mm < 9.0
    assert shift.u_dy_mm > 5 * shift.u_dx_mm


def test_more_than_the_largest_shift_is_no_shift() -> None:
    found = _shifted(3, (24.0, 0.0))
    assert (found.is_paid_for, found.is_at_bound) == (False, True)
    assert found.needs_attention
    assert found.bic_none - found.bic_shifted > 10
    assert (found.dx_mm, found.dy_mm) == (0.0, 0.0)
    assert found.sentence == (
        "the readings would fit better shifted by 15 mm or more, which is no slip of a hand: check "
        "the datum edge and the places"
    )


def test_too_few_places_allow_no_shift() -> None:
    taken = hand.take_spots(_lites(1), hand.People(), np.random.default_rng(1), spots=5)
    paired = taken.paired()
    shift = fit_shift(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert not shift.is_paid_for
    assert np.isnan(shift.u_dx_mm)
    assert "5 places that allow for one, and it takes 6" in shift.sentence


def test_a_pair_moved_elsewhere_reads_what_stands_there() -> None:
    taken = hand.take_spots(_lites(2), hand.People(), np.random.default_rng(1), spots=6)
    paired = taken.paired()
    pairs = paired.singles
    moved = placed_twin(pairs, paired.twins, pairs["x_mm"] + 3.0, pairs["y_mm"], 5.0)
    for k, pair in pairs.iterrows():
        field = paired.twins[pair["lite_id"]]
        there = field.mean_at(pair["x_mm"] + 3, pair["y_mm"], 5.0)
        assert moved.twin_mm[k] == pytest.approx(float(there))
    stay = placed_twin(pairs, paired.twins, pairs["x_mm"], pairs["y_mm"], 5.0)
    stated = np.sqrt((pairs[["u_gauge_mm", "u_scan_mm", "u_place_mm"]] ** 2).sum(axis=1))
    np.testing.assert_allclose(stay.u_mm, stated)


def test_repeats_of_one_person_at_one_place_count_once() -> None:
    people = hand.People(operators={"A": 0.0, "B": 0.0}, repeats=3)
    taken = hand.take_spots(_lites(1), people, np.random.default_rng(1), spots=4)
    singles = taken.paired().singles
    once = without_repeats(singles)
    assert len(once) == 8
    first = singles[(singles["operator"] == "A") & (singles["x_mm"] == once["x_mm"][0])]
    assert once["gauge_mm"][0] == pytest.approx(first["gauge_mm"].median())
    # two people at each place share one error of the twin; of the four places two lie together
    ratio = once["u_scan_mm"] / singles["u_scan_mm"].iloc[0]
    assert sorted(set((ratio**2).round(9))) == [2.0, 4.0]


def test_what_two_people_share_tells_of_no_shift() -> None:
    # hands so exact that what is left is the noise of the twin, which both people share
    people = hand.People(
        operators={"A": 0.0, "B": 0.001}, repeats=2, placement_sd_mm=2.0, reading_sd_mm=0.001
    )
    for seed in range(6):
        taken = hand.take_lines([hand.known_lite(seed % 3)], people, np.random.default_rng(seed))
        paired = taken.paired()
        assert not fit_shift(paired.singles, paired.twins, placement_sd_mm=5.0).is_paid_for


@pytest.mark.parametrize("shift_mm", [0.0, 6.0, 10.0, 20.0, 30.0])
def test_lines_state_no_small_uncertainty_of_a_shift(shift_mm: float) -> None:
    # exact hands: what is off is the shift alone
    people = hand.People(shift_mm=(shift_mm, 0.0), placement_sd_mm=0.5, reading_sd_mm=0.001)
    taken = hand.take_lines(_lites(), people, np.random.default_rng(2))
    paired = taken.paired()
    shift = fit_shift(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert (shift.dx_mm, shift.dy_mm) == (0.0, 0.0)
    assert not shift.is_paid_for
    assert shift.u_dx_mm == shift.u_dy_mm == pytest.approx(15 / np.sqrt(3))
    assert "cannot be told from" in shift.sentence
    assert "peaks and valleys alone" in shift.sentence
    assert "fit as stated" not in shift.sentence
    if shift_mm == 0.0:
        assert not shift.needs_attention
        assert shift.sentence.startswith("a shift of the whole survey cannot be told")


# ---- datum


def _suspicion(seed: int, way: str = "", *, lines: bool = False, spots: int = 12):
    lite = hand.known_lite(seed % 3)
    people = hand.People(bias_mm=0.005, scale=1.03, blunder_share=0.05)
    rng = np.random.default_rng(1000 + seed)
    taken = (
        hand.take_lines([lite], people, rng)
        if lines
        else hand.take_spots([lite], people, rng, spots=spots)
    )
    if way:
        taken = hand.taken_wrongly(taken, way, lite)
    paired = taken.paired()
    return suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)


def _found(way: str, runs: int, **kind: bool) -> tuple[int, int]:
    """Of the runs in which the map itself can tell, how many there were and how many were found."""
    separable = found = 0
    for seed in range(runs):
        suspicion = _suspicion(seed, way, **kind)
        own = [one for one in suspicion.ways if one.name == way]
        if not own or own[0].chance_of_finding < SEPARABLE:
            continue
        separable += 1
        # what it cannot be told from is named beside it
        named = {suspicion.way, *suspicion.not_told}
        found += suspicion.status == "likely wrong" and way in named
    return separable, found


@pytest.mark.parametrize("way", ["trailing", "turned", "other face"])
def test_a_wrong_datum_is_found_from_twelve_readings(way: str) -> None:
    separable, found = _found(way, 12)
    assert separable >= 4
    assert found >= 0.95 * separable


def test_reversed_marks_are_found_where_the_wave_tells_them() -> None:
    suspicions = [_suspicion(seed, "reversed marks", lines=True) for seed in range(12)]
    for suspicion in suspicions:
        own = next(one for one in suspicion.ways if one.name == "reversed marks")
        named = {suspicion.way, *suspicion.not_told}
        if own.chance_of_finding >= SEPARABLE:
            assert suspicion.status == "likely wrong"
            assert "reversed marks" in named
        elif suspicion.status != "likely wrong":
            # peaks and valleys change places with peaks and valleys: little is left to tell
            assert own.chance_of_finding < SEPARABLE


def test_the_right_datum_is_not_called_wrong() -> None:
    statuses = [_suspicion(seed).status for seed in range(30)]
    assert "likely wrong" not in statuses
    assert statuses.count("right") >= 27


def test_a_symmetric_wave_along_the_centre_line_cannot_be_told() -> None:
    taken = hand.take_lines([hand.symmetric_lite()], hand.People(), np.random.default_rng(1))
    paired = taken.paired()
    suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert (suspicion.status, suspicion.way) == ("cannot be told", None)
    assert "trailing" in suspicion.not_told
    own = next(way for way in suspicion.ways if way.name == "trailing")
    # predicted from the map alone
    assert own.chance_of_finding < 0.05
    # on the centre line left and right are the same place: no question at all
    assert "right" not in {way.name for way in suspicion.ways}
    # but the sign is another matter
    face = next(way for way in suspicion.ways if way.name == "other face")
    assert face.is_excluded
    assert face.chance_of_finding > 0.99
    assert suspicion.sentence.startswith("whether the datum was taken as stated cannot be told")


def test_the_gain_that_the_map_predicts_is_what_is_found() -> None:
    gains, expected = [], []
    for seed in range(15):
        suspicion = _suspicion(seed, "trailing", spots=24)
        own = next(way for way in suspicion.ways if way.name == "trailing")
        gains.append(own.log_likelihood_gain)
        expected.append(own.expected_gain)
    assert np.mean(gains) == pytest.approx(np.mean(expected), rel=0.25)


def test_a_wrong_datum_says_what_and_how_surely() -> None:
    suspicion = _suspicion(0, "trailing", spots=30)
    assert suspicion.way == "trailing"
    assert suspicion.probability > 0.99
    assert "x was counted from the trailing edge" in suspicion.sentence
    assert suspicion.sentence.endswith("nothing was changed")
    assert sum(way.probability for way in suspicion.ways) == pytest.approx(
        suspicion.probability
    )
    assert from_datum is suspect_datum


# ---- the datum of some of the readings

PEOPLE = hand.People(
    operators={"A": 0.0, "B": 0.003}, repeats=2, bias_mm=0.004, scale=1.03, blunder_share=0.03
)


def _of_groups(seed: int, way: str, is_wrong: Callable[[pd.DataFrame], pd.Series]):
    """Four lites by two people, some readings counted otherwise than stated."""
    lites = _lites(4)
    taken = hand.take_spots(lites, PEOPLE, np.random.default_rng(seed), spots=12)
    table = taken.survey.readings
    wrong = is_wrong(table)
    if way == "trailing":
        length = table["lite_id"].map({lite.mapped.lite_id: lite.length_mm for lite in lites})
        table["x_mm"] = table["x_mm"].where(~wrong, length - table["x_mm"])
    else:
        table["reading_mm"] = table["reading_mm"].where(~wrong, -table["reading_mm"])
    paired = taken.paired()
    suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    return suspicion, set(table["row"][wrong]), taken


@pytest.mark.parametrize("way", ["trailing", "other face"])
@pytest.mark.parametrize(
    ("labels", "is_wrong"),
    [
        (["lite lite-1"], lambda t: t["lite_id"] == "lite-1"),
        (["operator B"], lambda t: t["operator"] == "B"),
        (["lite lite-2 by A"], lambda t: (t["lite_id"] == "lite-2") & (t["operator"] == "A")),
        (["the whole survey"], lambda t: t["row"] > 0),
        (
            ["lite lite-0", "lite lite-2", "lite lite-3"],
            lambda t: t["lite_id"] != "lite-1",
        ),
    ],
)
def test_a_group_whose_datum_is_wrong_is_named_once(
    way: str, labels: list[str], is_wrong: Callable[[pd.DataFrame], pd.Series]
) -> None:
    for seed in range(2):
        suspicion, rows, _ = _of_groups(seed, way, is_wrong)
        assert suspicion.status == "likely wrong"
        assert sorted(group.label for group in suspicion.groups) == labels
        assert {group.way for group in suspicion.groups} == {way}
        assert {row for group in suspicion.groups for row in group.rows} == rows
        assert "as stated" not in suspicion.sentence
        assert all(group.probability > 0.99 for group in suspicion.groups)


def test_the_sentence_of_a_group_says_where_what_and_how_surely() -> None:
    suspicion, _, taken = _of_groups(0, "trailing", lambda t: t["lite_id"] == "lite-1")
    assert suspicion.sentence == (
        "the datum of lite lite-1 (rows 50 to 97) was likely taken wrong (probability more than "
        "99.99 %): x was counted from the trailing edge; more than a million times as likely as "
        "the stated datum on 24 places; nothing was changed"
    )
    # readings of that lite are one flag, and none of them is given a slip of its own
    paired = taken.paired()
    flags = flag_readings(
        paired.singles, paired.swings, paired.twins, hand.card(), taken.lites, suspicion
    )
    assert [flag.kind for flag in flags].count("datum") == 1
    assert (flags[0].row, flags[0].rows) == (50, tuple(range(50, 98)))
    assert not any(50 <= flag.row < 98 for flag in flags[1:])
    again = flag_readings(paired.singles, paired.swings, paired.twins, hand.card(), taken.lites)
    assert again == flags


def test_groups_of_a_clean_survey_are_not_called_wrong() -> None:
    statuses = [_of_groups(seed, "", lambda t: t["row"] < 0)[0].status for seed in range(6)]
    assert "likely wrong" not in statuses
    assert statuses.count("right") >= 5


@pytest.mark.parametrize(
    ("log_odds", "words"),
    [
        (1332.0, "more than a million times"),
        (8.0, "more than a thousand times"),
        (4.0, "about 55 times"),
    ],
)
def test_odds_are_said_in_words(log_odds: float, words: str) -> None:
    assert times_as_likely(log_odds) == words


def test_readings_of_one_sign_have_no_other_face() -> None:
    taken = hand.take_spots(_lites(1), hand.People(), np.random.default_rng(2), spots=12)
    paired = taken.paired()
    twins = {
        name: dataclasses.replace(twin, reading_mm=-np.abs(twin.reading_mm))
        for name, twin in paired.twins.items()
    }
    suspicion = suspect_datum(paired.singles, twins, placement_sd_mm=5.0)
    assert {way.name for way in suspicion.ways} == {"trailing", "right", "turned"}


def test_too_few_places_tell_nothing() -> None:
    taken = hand.take_spots(_lites(1), hand.People(), np.random.default_rng(2), spots=5)
    paired = taken.paired()
    suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert suspicion.status == "cannot be told"
    assert suspicion.sentence == (
        "whether the datum was taken rightly cannot be told from 5 places: it takes 6"
    )


def test_groups_of_few_places_are_named_as_not_told() -> None:
    # four lites of five places: together they tell, none does by itself
    taken = hand.take_spots(_lites(4), hand.People(), np.random.default_rng(2), spots=5)
    paired = taken.paired()
    suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert suspicion.status == "right"
    assert suspicion.sentence.endswith(
        "; by itself this cannot be told of: lite lite-0, lite lite-1, lite lite-2, lite lite-3"
    )


def test_of_many_groups_that_tell_nothing_a_few_are_named() -> None:
    taken = hand.take_spots(_lites(8), hand.People(), np.random.default_rng(2), spots=3)
    paired = taken.paired()
    suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert suspicion.sentence.endswith("lite lite-4, lite lite-5 and 2 more")


def test_a_twin_that_stands_nowhere_is_no_trouble() -> None:
    taken = hand.take_spots(_lites(2), hand.People(), np.random.default_rng(2), spots=12)
    paired = taken.paired()
    twins = dict(paired.twins)
    nowhere = np.full_like(twins["lite-1"].reading_mm, np.nan)
    twins["lite-1"] = dataclasses.replace(twins["lite-1"], reading_mm=nowhere)
    singles = paired.singles[paired.singles["lite_id"] == "lite-0"].reset_index(drop=True)
    suspicion = suspect_datum(singles, twins, placement_sd_mm=5.0)
    alone = suspect_datum(
        singles, {"lite-0": paired.twins["lite-0"]}, placement_sd_mm=5.0
    )
    assert suspicion == alone
    assert suspicion.ways


def test_readings_that_no_twin_explains_have_no_wrong_datum() -> None:
    taken = hand.take_spots(_lites(2), hand.People(), np.random.default_rng(2), spots=20)
    table = taken.survey.readings
    for seed in range(6):
        rng = np.random.default_rng(seed)
        table["reading_mm"] = rng.permutation(table["reading_mm"].to_numpy())
        paired = taken.paired()
        suspicion = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
        assert suspicion.status == "cannot be told"
        assert all(way.explained < 0.5 for way in suspicion.ways)


def test_no_pair_at_all_tells_nothing() -> None:
    nothing = pd.DataFrame(columns=PAIR_COLUMNS)
    assert suspect_datum(nothing, {}, placement_sd_mm=5.0).status == "cannot be told"
    assert not fit_shift(nothing, {}, placement_sd_mm=5.0).is_paid_for


# ---- the 300-run versions


@pytest.mark.long
def test_the_right_datum_is_called_wrong_in_at_most_one_run_in_a_hundred() -> None:
    statuses = [_suspicion(seed).status for seed in range(400)]
    assert statuses.count("likely wrong") <= 4


@pytest.mark.long
def test_groups_are_called_wrong_in_at_most_one_clean_survey_in_a_hundred() -> None:
    statuses = [_of_groups(seed, "", lambda t: t["row"] < 0)[0].status for seed in range(300)]
    assert statuses.count("likely wrong") <= 3


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_a_wrong_datum_is_found_in_nineteen_runs_of_twenty(way: str) -> None:
    separable, found = _found(way, 300)
    # ridges are nearly straight: twelve readings seldom tell left from right
    assert separable >= 3
    assert found >= 0.95 * separable


@pytest.mark.long
def test_a_wrong_datum_of_a_line_is_found_in_nineteen_runs_of_twenty() -> None:
    for way in ("trailing", "other face", "reversed marks"):
        separable, found = _found(way, 300, lines=True)
        assert found >= 0.95 * separable


@pytest.mark.long
def test_uncertainties_of_shifts_cover() -> None:
    found = [_shifted(seed, (6.0, 0.0)) for seed in range(300)]
    covers = [abs(shift.dx_mm - 6.0) <= 1.96 * shift.u_dx_mm for shift in found]
    assert 0.91 <= np.mean(covers) <= 0.99
