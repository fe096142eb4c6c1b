"""Hand readings beside their twins: signs, places, reasons, swings, uncertainties."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

import hand
from midchord.surveying.pairing import (
    PAIR_COLUMNS,
    lites_of,
    pair_readings,
    place_uncertainty,
    swings_of,
)
from midchord.surveying.twin_field import TwinField
from midchord_io.errors import SettingsError, SurveyError
from midchord_io.survey import Survey

EXACT = hand.People(placement_sd_mm=0.0, reading_sd_mm=0.0)


@pytest.fixture(scope="module")
def spots() -> hand.Taken:
    return hand.take_spots([hand.known_lite(0)], EXACT, np.random.default_rng(1), spots=20)


@pytest.fixture(scope="module")
def lines() -> hand.Taken:
    return hand.take_lines([hand.known_lite(0)], EXACT, np.random.default_rng(1))


def _changed(taken: hand.Taken, **columns: object) -> Survey:
    return dataclasses.replace(taken.survey, readings=taken.survey.readings.assign(**columns))


def _paired(taken: hand.Taken, survey: Survey | None = None, **card: object):
    return pair_readings(
        survey or taken.survey, hand.card(**card), taken.lites, placement_sd_mm=5.0
    )


def test_exact_readings_agree_with_the_twin_within_step_and_noise(spots: hand.Taken) -> None:
    pairs = _paired(spots).singles
    assert len(pairs) == 20
    assert set(PAIR_COLUMNS) <= set(pairs.columns)
    off = pairs["gauge_mm"] - pairs["scan_mm"]
    stated = np.hypot(pairs["u_gauge_mm"], pairs["u_scan_mm"])
    assert np.abs(off / stated).max() < 4.0
    assert pairs["u_gauge_mm"].iloc[0] == pytest.approx(0.001 / math.sqrt(12))
    assert (pairs["place_sd_mm"] == 5.0).all()


def test_places_counted_from_other_edges_are_turned_round(spots: hand.Taken) -> None:
    lite = next(iter(spots.lites.values()))
    table = spots.survey.readings
    turned = _changed(
        spots,
        x_mm=lite.length_mm - table["x_mm"],
        y_mm=lite.width_mm - table["y_mm"],
        datum_x="trailing",
        datum_y="right",
    )
    np.testing.assert_allclose(
        _paired(spots, turned).singles["scan_mm"], _paired(spots).singles["scan_mm"], atol=1e-12
    )


def test_sign_and_offset_of_the_dial_are_taken_out(spots: hand.Taken) -> None:
    readings = 0.25 - spots.survey.readings["reading_mm"]
    pairs = _paired(
        spots, _changed(spots, reading_mm=readings), reading_sign=-1, calibration_offset_mm=0.25
    ).singles
    np.testing.assert_allclose(pairs["gauge_mm"], _paired(spots).singles["gauge_mm"], atol=1e-12)


def test_what_is_not_paired_keeps_its_reason(spots: hand.Taken) -> None:
    table = spots.survey.readings.copy()
    table.loc[0, "x_mm"] = 20.0
    table.loc[1, ["excluded", "reason"]] = [True, "slipped"]
    paired = _paired(spots, dataclasses.replace(spots.survey, readings=table))
    assert paired.unpaired.to_dict("list") == {
        "row": [2, 3],
        "lite_id": ["lite-0", "lite-0"],
        "reason": [
            "the twin cannot stand there: a contact is off the glass, or was not measured",
            "excluded: slipped",
        ],
    }
    assert paired.singles["row"].tolist() == list(range(4, 22))


def test_a_mark_that_was_not_read_breaks_the_walk(lines: hand.Taken) -> None:
    whole = _paired(lines)
    table = lines.survey.readings.copy()
    table.loc[table["mark"] == 3, "reading_mm"] = np.nan
    gap = _paired(lines, dataclasses.replace(lines.survey, readings=table))
    assert gap.unpaired["reason"].tolist() == ["not read"]
    assert len(whole.swings) == len(whole.singles) - 1
    # neither the swing to mark 3 nor the one from it; 2 to 4 is no half wave
    assert len(gap.swings) == len(whole.swings) - 2
    assert not {3, 4} & set(gap.swings["mark"])


def test_swings_are_the_depths_of_the_half_waves(lines: hand.Taken) -> None:
    paired = _paired(lines)
    one, two = paired.singles.iloc[0], paired.singles.iloc[1]
    swing = paired.swings.iloc[0]
    assert (paired.swings["scan_mm"] > 0).all()
    assert swing["gauge_mm"] == pytest.approx(abs(two["gauge_mm"] - one["gauge_mm"]))
    assert (swing["row"], swing["from_row"]) == (two["row"], one["row"])
    assert swing["from_x_mm"] == one["x_mm"]
    assert swing["u_scan_mm"] == pytest.approx(math.hypot(one["u_scan_mm"], two["u_scan_mm"]))
    # swings of the dial are 2 A G: within the depths of the map of that lite
    depth = paired.swings["gauge_mm"].mean()
    assert depth == pytest.approx(hand.known_lite(0).mapped.summary["depth_mm"]["mean"], rel=0.1)


def test_hands_that_are_off_read_low_on_crests_and_the_pair_expects_it(
    lines: hand.Taken,
) -> None:
    exact = lines.paired(sd_mm=0.0)
    assert (exact.singles["place_mean_mm"] == 0.0).all()
    for sd in (2.0, 5.0, 8.0):
        swings = lines.paired(sd_mm=sd).swings
        np.testing.assert_allclose(swings["twin_mm"], exact.swings["twin_mm"], atol=1e-12)
        np.testing.assert_allclose(
            swings["scan_mm"], swings["twin_mm"] + swings["place_mean_mm"], atol=1e-12
        )
        # a wave keeps exp(-k^2 sd^2 / 2) of itself in the mean over normal places (derived)
        kept = 1 - np.exp(-2 * np.pi**2 * sd**2 / 235.0**2)
        lost = -(swings["place_mean_mm"] / swings["twin_mm"]).mean()
        assert lost == pytest.approx(kept, rel=0.25)


def test_the_mean_over_the_hands_places_takes_the_bias_out_of_swings() -> None:
    people = hand.People(operators={"A": 0.0, "B": 0.0}, repeats=2)
    bias, as_read = [], []
    for seed in range(4):
        taken = hand.take_lines(
            [hand.known_lite(k) for k in range(8)], people, np.random.default_rng(seed)
        )
        swings = taken.paired().swings
        bias.append((swings["scan_mm"] - swings["gauge_mm"]).mean())
        as_read.append((swings["twin_mm"] - swings["gauge_mm"]).mean())
    # 2 x A k^2 sd^2 / 2 on either side of a swing of 0.16 mm: some 1.5 um
    assert np.mean(as_read) - np.mean(bias) == pytest.approx(0.0015, abs=0.0004)
    # the noise of eight scans is left: each shifts its own swings by some 0.9 um
    assert abs(np.mean(bias)) < 2.5 * 0.0009 / math.sqrt(8)


def test_what_shifts_every_reading_alike_cancels_in_swings(lines: hand.Taken) -> None:
    bowed = _changed(lines, reading_mm=lines.survey.readings["reading_mm"] + 0.02)
    np.testing.assert_allclose(
        _paired(lines, bowed).swings["gauge_mm"], _paired(lines).swings["gauge_mm"], atol=1e-12
    )
    assert (_paired(lines, bowed).singles["gauge_mm"] > _paired(lines).singles["gauge_mm"]).all()


def test_walks_are_not_mixed() -> None:
    people = hand.People(operators={"A": 0.0, "B": 0.0}, repeats=2)
    taken = hand.take_lines([hand.known_lite(0)], people, np.random.default_rng(2))
    paired = taken.paired()
    assert paired.singles["line"].nunique() == 4
    assert len(paired.swings) == len(paired.singles) - 4
    np.testing.assert_array_equal(swings_of(paired.singles)["gauge_mm"], paired.swings["gauge_mm"])


def test_one_line_walked_from_both_edges_is_two_walks_over_the_same_spots(
    lines: hand.Taken,
) -> None:
    lite = next(iter(lines.lites.values()))
    first = lines.survey.readings
    first = first[(first["repeat"] == 1) & (first["operator"] == first["operator"].iloc[0])]
    back = first.iloc[::-1].assign(
        distance_mm=lambda t: lite.length_mm - t["distance_mm"], datum_x="trailing"
    )
    back["mark"] = back.groupby("line_y_mm").cumcount() + 1
    both = pd.concat([first, back], ignore_index=True)
    both["row"] = range(2, 2 + len(both))
    survey = dataclasses.replace(lines.survey, readings=both)
    paired, alone = (
        _paired(lines, survey),
        _paired(lines, dataclasses.replace(lines.survey, readings=first)),
    )
    assert len(paired.swings) == 2 * len(alone.swings)
    assert paired.singles["line"].nunique() == 2 * alone.singles["line"].nunique()
    assert set(paired.singles["spot"]) == set(alone.singles["spot"])


@pytest.mark.parametrize("placement_sd_mm", [-1.0, 1e9, float("inf"), float("nan")])
def test_hands_cannot_be_off_by_any_length(placement_sd_mm: float, spots: hand.Taken) -> None:
    with pytest.raises(SettingsError, match="hands that are off by"):
        pair_readings(spots.survey, hand.card(), spots.lites, placement_sd_mm=placement_sd_mm)


@pytest.mark.parametrize(
    ("card", "words"),
    [
        ({"half_span_mm": 2.0}, "contacts 2 mm from the plunger; between 5 mm"),
        ({"half_span_mm": 9000.0}, "contacts 9000 mm from the plunger"),
    ],
)
def test_a_gauge_that_the_maps_cannot_show_is_refused(
    card: dict[str, float], words: str, spots: hand.Taken
) -> None:
    with pytest.raises(SurveyError, match=words):
        _paired(spots, **card)


@pytest.mark.parametrize("kind", ["spots", "lines"])
def test_a_gauge_that_read_nothing_has_no_pairs(kind: str, request: pytest.FixtureRequest) -> None:
    taken = request.getfixturevalue(kind)
    paired = _paired(taken, gauge="Another")
    assert (len(paired.singles), len(paired.swings), len(paired.unpaired)) == (0, 0, 0)
    assert set(PAIR_COLUMNS) <= set(paired.singles.columns)


@pytest.mark.parametrize("kind", ["spots", "lines"])
def test_a_survey_of_which_nothing_pairs_has_reasons_for_all(
    kind: str, request: pytest.FixtureRequest
) -> None:
    taken = request.getfixturevalue(kind)
    paired = _paired(taken, _changed(taken, excluded=True, reason="rain"))
    assert len(paired.swings) == 0
    assert (paired.unpaired["reason"] == "excluded: rain").all()
    assert len(paired.unpaired) == len(taken.survey.readings)


def test_a_lite_without_maps_is_named_with_its_row(spots: hand.Taken) -> None:
    table = spots.survey.readings.copy()
    table.loc[3, "lite_id"] = "lite-9"
    with pytest.raises(SurveyError) as error:
        _paired(spots, dataclasses.replace(spots.survey, readings=table))
    assert str(error.value) == (
        "survey.csv, row 5: a reading on lite 'lite-9'; maps of that lite (there are: lite-0); "
        "name its maps, too, or correct lite_id."
    )


def test_a_place_off_the_lite_is_refused(spots: hand.Taken) -> None:
    table = spots.survey.readings.copy()
    table.loc[4, "y_mm"] = 5000.0
    with pytest.raises(SurveyError, match=r"row 6: y_mm is 5000 mm on lite lite-0"):
        _paired(spots, dataclasses.replace(spots.survey, readings=table))


@pytest.mark.parametrize(
    ("day", "is_refused"), [("2020-01-01", True), ("2035-01-01", False), (None, False)]
)
def test_a_reading_before_the_scan_is_refused(
    spots: hand.Taken, day: str | None, is_refused: bool
) -> None:
    dated = _changed(spots, read_at=pd.to_datetime(pd.Series([day] * 20), utc=True))
    if not is_refused:
        assert len(_paired(spots, dated).singles) == 20
        return
    with pytest.raises(SurveyError, match="row 2: a reading of 2020-01-01 on lite lite-0"):
        _paired(spots, dated)


def test_the_day_of_the_scan_itself_is_late_enough(spots: hand.Taken) -> None:
    scanned = pd.Timestamp(hand.known_lite(0).mapped.summary["scanned_at"]).floor("D")
    dated = _changed(spots, read_at=pd.to_datetime(pd.Series([scanned] * 20), utc=True))
    assert len(_paired(spots, dated).singles) == 20


def test_place_uncertainty_is_slope_times_hand_and_on_a_crest_the_curvature() -> None:
    k, amplitude, sd = 2 * math.pi / 240, 0.09, 5.0
    x, y = np.arange(0.0, 960.0, 1.0), np.arange(0.0, 200.0, 10.0)
    wave = np.repeat(amplitude * np.cos(k * x)[:, None], y.size, axis=1)
    field = TwinField("wave", x, y, wave, 0.0, 960.0, 200.0)
    at = np.array([480.0, 540.0])  # a crest, and the steepest place
    stated = place_uncertainty(field, at, np.full(2, 100.0), sd)
    # simulated: standard deviation of what a hand off by sd reads there
    off = np.random.default_rng(5).normal(0, sd, (200_000, 1))
    simulated = (amplitude * np.cos(k * (at + off))).std(axis=0)
    np.testing.assert_allclose(stated, simulated, rtol=0.03)
    # closed forms to second order: A k^2 sd^2 / sqrt 2 and A k sd (derived)
    expected = [amplitude * k**2 * sd**2 / math.sqrt(2), amplitude * k * sd]
    np.testing.assert_allclose(stated, expected, rtol=0.02)


def test_one_set_of_maps_a_lite() -> None:
    lite = hand.known_lite(0).mapped
    assert lites_of([lite, hand.known_lite(1).mapped]).keys() == {"lite-0", "lite-1"}
    with pytest.raises(SurveyError, match="lite-0: maps of it twice; one set of maps a lite"):
        lites_of([lite, lite])
