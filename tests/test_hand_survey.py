"""A line survey worked up by itself: closed forms, published values, a plain loop, and remarks."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from midchord.configs import shipped
from midchord.settings import Settings
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord.surveying.hand_survey import HandSurvey, work_up
from midchord.surveying.survey_remarks import in_spans
from midchord_io.errors import SurveyError
from midchord_io.gauge_card import GaugeCard, card_of, load_gauge_card
from midchord_io.survey import Survey, read_survey

DATA = Path(__file__).parent / "data"


def card(kind: str = "three-point", size_mm: float = 120.0, **changes: object) -> GaugeCard:
    contacts = "half_span_mm" if kind in ("three-point", "short-feet") else "base_mm"
    values = {
        "gauge": "G",
        "kind": kind,
        contacts: size_mm,
        "depth_is": "swing",
        "resolution_mm": 0.001,
        "reading_sign": 1,
    }
    return card_of({**values, **changes})


def line(
    distances_mm,
    readings_mm,
    *,
    operator: str = "Ines",
    repeat: int = 1,
    gauge: str = "G",
    lite: str = "A-1",
    excluded=(),
    datum: str = "leading",
) -> pd.DataFrame:
    count = len(distances_mm)
    marks = np.arange(1, count + 1)
    return pd.DataFrame(
        {
            "row": marks + 1,
            "lite_id": lite,
            "gauge": gauge,
            "operator": operator,
            "repeat": repeat,
            "line_y_mm": 620.0,
            "mark": marks,
            "distance_mm": np.asarray(distances_mm, float),
            "datum_x": datum,
            "datum_y": "left",
            "reading_mm": np.asarray(readings_mm, float),
            "read_at": pd.NaT,
            "note": "",
            "excluded": np.isin(marks, excluded),
            "reason": "",
        }
    )


def survey(*lines: pd.DataFrame) -> Survey:
    table = pd.concat(lines, ignore_index=True)
    table["row"] = np.arange(2, len(table) + 2)
    return Survey("s.csv", "lines", table, {"distance": "mm", "line_y": "mm", "reading": "mm"})


def wave_line(length_mm: float, half_span_mm: float, *, amplitude_mm=0.03, count=12, **options):
    """A line as a perfect three-point gauge reads it: z = A cos(2 pi x / L), marks at its turns."""
    x = 360.0 + 0.5 * length_mm * np.arange(count)
    phase = 2 * np.pi * (x - 360.0) / length_mm
    gain = 1 - math.cos(2 * math.pi * half_span_mm / length_mm)
    return line(x, amplitude_mm * gain * np.cos(phase), **options)


def codes(hand: HandSurvey) -> list[str]:
    return [remark.code for remark in hand.remarks]


# ---- closed forms and published values


def test_a_pure_wave_of_known_truth():
    # z = A cos: at half-span L/2 the dial swings through 2 x 2A, and D = 4 pi^2 W / L^2
    hand = work_up(survey(wave_line(240.0, 120.0)), card(), length_mm=2460.0)
    figures = hand.lites[0].figures
    assert figures.wavelength_mm == (10, 240.0, 240.0, 240.0)
    assert figures.half_span_mm == 120.0
    assert figures.depth_mm.n == 11
    assert figures.depth_mm.min == pytest.approx(0.12, rel=1e-12)
    assert figures.depth_mm.max == pytest.approx(0.12, rel=1e-12)
    swing = 4e6 * math.pi**2 * 0.12 / 240**2
    assert figures.distortion_full_wave_mdpt.mean == pytest.approx(swing, rel=1e-12)
    assert figures.distortion_full_wave_mdpt.n == 10
    assert figures.distortion_half_wave_mdpt.mean == pytest.approx(swing, rel=1e-12)
    assert figures.surface_depth_mm.mean == pytest.approx(0.06, rel=1e-12)
    # the largest reflected power of the surface is 2 z'' = 2 A (2 pi / L)^2
    power = 2e6 * 0.03 * (2 * math.pi / 240) ** 2
    assert figures.surface_distortion_mdpt.max == pytest.approx(power, rel=1e-12)
    assert hand.lites[0].convention == "gauge"
    assert codes(hand) == []


@pytest.mark.parametrize(
    ("depth_mm", "length_mm", "mdpt"),
    [(0.05, 300, 21.93), (0.1, 250, 63.17), (0.0762, 300, 33.43), (0.3, 300, 131.6)],
)
def test_distortion_of_a_depth_and_a_wavelength(depth_mm, length_mm, mdpt):
    # D = 4 pi^2 W / L^2 x 10^6: common practice, no source; rounded to four digits
    readings = np.where(np.arange(8) % 2, -depth_mm / 2, depth_mm / 2)
    hand = work_up(survey(line(400 + length_mm / 2 * np.arange(8), readings)), card())
    for spread in (
        hand.lites[0].figures.distortion_full_wave_mdpt,
        hand.lites[0].figures.distortion_half_wave_mdpt,
    ):
        assert spread.max == pytest.approx(mdpt, rel=3e-4)


@pytest.mark.parametrize(
    ("length_mm", "printed"),
    [
        (500, "0"), (600, "0.5"), (800, "1.7071"), (1000, "2"), (1500, "1.5"), (2000, "1"),
        (2500, "0.69098"), (3000, "0.5"), (4000, "0.29289"), (5000, "0.19098"),
    ],
)  # fmt: skip
def test_gain_of_the_gauge_along_a_line(length_mm, printed):
    # Ahmadian, Joint Railroad Conference 1999: gain of a 10 m mid-chord offset, here 1 m, a = 0.5 m
    hand = work_up(survey(wave_line(length_mm, 500.0)), card(size_mm=500.0))
    waves = hand.lines[0].half_waves
    gain, decimals = float(printed), len(printed.partition(".")[2])
    # whole and half numbers are exact, the others are printed to their last digit
    within = 0.5 * 10.0**-decimals if decimals > 1 else 1e-9
    np.testing.assert_allclose(waves["gain"], gain, rtol=0, atol=within)
    if gain > 0.6:
        np.testing.assert_allclose(waves["surface_depth_mm"], 0.06, rtol=1e-9)
    if gain < 0.4:  # nearly blind: no depth of the surface from such a swing
        assert waves["surface_depth_mm"].isna().all()


@pytest.mark.parametrize(("share", "ratio"), [(0.1, 0.967), (0.25, 0.811), (0.5, 0.405)])
def test_short_feet_read_the_power_with_their_known_loss(share, ratio):
    # ratio of 4 r / a^2 to the true power 2 A (2 pi / L)^2: 2 (1 - cos q) / q^2, q = 2 pi a / L
    length, a = 250.0, share * 250.0
    hand = work_up(survey(wave_line(length, a)), card("short-feet", a))
    power = 2e6 * 0.03 * (2 * math.pi / length) ** 2
    spread = hand.lites[0].figures.local_distortion_mdpt
    assert spread.max / power == pytest.approx(ratio, abs=6e-4)
    assert spread.n == 12


@pytest.mark.parametrize("which", [0, 1])
def test_readings_of_a_real_floor(which):
    # Worked sheet for ASTM E1155M-96(2001), a national laboratory's alignment group, floor test
    # pad, May 2003: elevations every 300 mm and the curvature q = h(i) - 2 h(i-1) + h(i-2) printed
    # beside them, to 0.0015 mm. With feet at 300 mm the reading at the middle is r = -q / 2.
    table = pd.read_csv(DATA / "floor_elevations.csv")
    table = table[table["line"] == which]
    h, q = table["elevation_mm"].to_numpy(), table["published_q_mm"].to_numpy()[2:]
    r = h[1:-1] - (h[:-2] + h[2:]) / 2
    x = 300.0 * table["index"].to_numpy()[1:-1] + 300.0
    hand = work_up(survey(line(x, r)), card("short-feet", 300.0))
    marks, waves = hand.lines[0].marks, hand.lines[0].half_waves
    np.testing.assert_allclose(waves["depth_mm"], np.abs(np.diff(q)) / 2, atol=0.0015)
    # a reading is a curvature: 4 |r| / a^2 = 2 |q| / a^2
    np.testing.assert_allclose(
        marks["local_distortion_mdpt"], 2e6 * np.abs(q) / 300.0**2, atol=4e6 * 0.00075 / 300.0**2
    )
    # a floor has no ridges: where q does not alternate, the mark is neither peak nor valley
    steps = np.diff(-q)
    neither = [i + 2 for i in range(steps.size - 1) if steps[i] * steps[i + 1] > 0]
    assert marks.loc[marks["kind"] == "neither", "mark"].tolist() == neither
    (remark,) = (remark for remark in hand.remarks if remark.code == "not_alternating")
    assert remark.rows == tuple(mark + 1 for mark in neither)


def test_against_a_plain_loop_over_irregular_marks():
    rng = np.random.default_rng(5)
    x = np.cumsum(rng.uniform(100, 150, 15)) + 300
    r = np.where(np.arange(15) % 2, 1, -1) * rng.uniform(0.02, 0.08, 15)
    hand = work_up(survey(line(x, r)), card(calibration_offset_mm=0.01))
    waves = hand.lines[0].half_waves
    full, lengths = [], []
    for i in range(1, 15):
        row = waves.iloc[i - 1]
        depth = abs(r[i] - r[i - 1])
        assert (row["from_mark"], row["to_mark"]) == (i, i + 1)
        assert row["depth_mm"] == pytest.approx(depth, rel=1e-9)
        half = 2 * (x[i] - x[i - 1])
        assert row["distortion_half_wave_mdpt"] == pytest.approx(
            4e6 * math.pi**2 * depth / half**2, rel=1e-9
        )
        if i == 1:
            assert math.isnan(row["full_wave_mm"])
            assert math.isnan(row["distortion_full_wave_mdpt"])
        else:
            lengths.append(x[i] - x[i - 2])
            full.append(4e6 * math.pi**2 * depth / lengths[-1] ** 2)
            assert row["distortion_full_wave_mdpt"] == pytest.approx(full[-1], rel=1e-9)
    figures = hand.lines[0].figures
    assert figures.wavelength_mm.mean == pytest.approx(np.mean(lengths))
    assert figures.half_span_mm == pytest.approx(np.mean(lengths) / 2)
    assert figures.distortion_full_wave_mdpt == pytest.approx(
        (13, min(full), np.mean(full), max(full))
    )
    np.testing.assert_allclose(hand.lines[0].marks["reading_mm"], r - 0.01)
    assert hand.lines[0].marks["kind"].tolist() == ["valley", "peak"] * 7 + ["valley"]


def test_the_shipped_survey_finds_the_true_wave_of_its_lite():
    teal = load_gauge_card(shipped("configs", "gauges", "three-point-120.toml"))
    hand = work_up(
        read_survey(shipped("sample-scans", "surveys", "heron-07.lines.csv")), teal, length_mm=2460
    )
    surface = Surface(Recipe.load(shipped("configs", "recipes", "demo-heron.toml")))
    true = true_half_waves(
        surface, line_y_mm=620.0, half_span_mm=120.0, wavelength="backward"
    ).query("x_from_mm > 310 and x_to_mm < 2150")
    # four lines, marks off by 2 mm and readings by 1 um, read in steps of 1 um
    figures = hand.lites[0].figures
    assert figures.depth_mm.mean == pytest.approx(true["depth_mm"].mean(), rel=0.01)
    assert figures.depth_mm.max == pytest.approx(true["depth_mm"].max(), rel=0.04)
    mean_mm = true["wavelength_mm"].iloc[1:].mean()
    assert figures.wavelength_mm.mean == pytest.approx(mean_mm, rel=0.01)
    assert figures.distortion_full_wave_mdpt.mean == pytest.approx(
        true["gauge_distortion_mdpt"].iloc[1:].mean(), rel=0.02
    )
    assert hand.lites[0].operators == ("Ines", "Oskar")
    assert len(hand.lines) == 4
    assert codes(hand) == []


# ---- invariances


def test_readings_times_k_turned_round_and_shifted():
    x, r = 360 + 125.0 * np.arange(9), 0.04 * np.cos(np.pi * np.arange(9))
    plain = work_up(survey(line(x, r)), card()).lites[0].figures
    for k in (3.0, -2.0):
        scaled = work_up(survey(line(x, k * r + 0.7)), card()).lites[0].figures
        assert scaled.depth_mm == pytest.approx((8, *(abs(k) * v for v in plain.depth_mm[1:])))
        assert scaled.wavelength_mm == plain.wavelength_mm
    turned = work_up(survey(line(x, r)), card(reading_sign=-1)).lines[0].marks["kind"].tolist()
    assert turned == ["valley", "peak"] * 4 + ["valley"]


def test_a_survey_of_many_lines_is_each_line_and_their_half_waves_together():
    one = wave_line(240.0, 120.0)
    two = wave_line(252.0, 120.0, operator="Oskar", amplitude_mm=0.02, count=9)
    hand = work_up(survey(one, two), card())
    alone = [work_up(survey(part), card()).lines[0] for part in (one, two)]
    for line_in_many, line_alone in zip(hand.lines, alone, strict=True):
        assert line_in_many.figures == line_alone.figures
    depths = np.concatenate([part.half_waves["depth_mm"] for part in alone])
    pooled = hand.lites[0].figures.depth_mm
    assert pooled == pytest.approx((19, depths.min(), depths.mean(), depths.max()))
    lengths = [240.0] * 10 + [252.0] * 7
    assert hand.lites[0].figures.half_span_mm == pytest.approx(np.mean(lengths) / 2)


def test_gauges_and_lites_are_never_pooled():
    lines = [
        wave_line(240.0, 120.0),
        wave_line(240.0, 120.0, gauge="F"),
        wave_line(240.0, 120.0, lite="B-2"),
    ]
    hand = work_up(survey(*lines), [card(), card("flat-base", 400.0, gauge="F")])
    assert [(lite.lite_id, lite.gauge, lite.convention) for lite in hand.lites] == [
        ("A-1", "G", "gauge"),
        ("A-1", "F", "surface"),
        ("B-2", "G", "gauge"),
    ]
    flat = hand.lites[1].figures
    assert flat.surface_depth_mm == flat.depth_mm


def test_an_excluded_mark_breaks_the_line():
    hand = work_up(survey(wave_line(240.0, 120.0, excluded=[6])), card())
    waves = hand.lines[0].half_waves
    pairs = list(zip(waves["from_mark"], waves["to_mark"], strict=True))
    assert pairs == [(1, 2), (2, 3), (3, 4), (4, 5), (7, 8), (8, 9), (9, 10), (10, 11), (11, 12)]
    assert waves["full_wave_mm"].isna().tolist() == [i in (0, 4) for i in range(9)]
    assert "excluded" in codes(hand)


def test_marks_without_readings_give_the_half_span():
    unread = wave_line(250.0, 125.0)
    unread["reading_mm"] = np.nan
    hand = work_up(survey(unread))
    figures = hand.lites[0].figures
    assert figures.half_span_mm == 125.0
    assert figures.depth_mm == (0, None, None, None)
    assert hand.lites[0].convention is None
    assert codes(hand) == ["length_unknown", "unread"]
    assert hand.lines[0].half_waves["gain"].isna().all()


def test_depths_that_are_already_those_of_the_surface():
    hand = work_up(survey(wave_line(240.0, 120.0)), card(depth_is="surface"))
    figures = hand.lites[0].figures
    assert hand.lites[0].convention == "surface"
    assert figures.surface_depth_mm == figures.depth_mm
    assert figures.depth_mm.mean == pytest.approx(0.12)


def test_one_step_of_the_dial_as_an_uncertainty():
    # two readings rounded to the resolution, uniform: u^2 = 2 resolution^2 / 12 (JCGM 100, F.2.2.1)
    lite = work_up(survey(wave_line(240.0, 120.0)), card(resolution_mm=0.002)).lites[0]
    assert lite.u_depth_mm == pytest.approx(math.sqrt(2 * 0.002**2 / 12))


# ---- remarks


def test_feet_set_for_another_wave():
    hand = work_up(survey(wave_line(300.0, 120.0).round({"reading_mm": 3})), card(), length_mm=5000)
    (remark,) = hand.remarks
    assert remark.code == "feet"
    # G = 1 - cos(2 pi 120 / 300) = 1.809
    assert remark.text == (
        "120 mm from plunger to foot is 20 % less than half of the mean wavelength, 150 mm: "
        "the gain is 1.81 instead of 2"
    )
    near = wave_line(250.0, 120.0).round({"reading_mm": 3})
    close = work_up(survey(near), card(), length_mm=5000)
    assert close.remarks == ()


def test_feet_that_are_blind():
    fine = card(resolution_mm=0.0001)
    hand = work_up(survey(wave_line(130.0, 120.0).round({"reading_mm": 4})), fine, length_mm=5000)
    (remark,) = hand.remarks
    assert remark.code == "blind"
    assert "the gain at the mean wavelength is only 0.11" in remark.text


def test_marks_in_the_edge_zones():
    x = [250, 370, 490, 610, 730, 850]
    hand = work_up(survey(line(x, [0.1, 0] * 3)), card(), length_mm=1100)
    (remark,) = (r for r in hand.remarks if r.code == "edge_zone")
    assert remark.text == "marks 1, 6 are inside the edge zone, where edge lift enters"
    assert remark.rows == (2, 7)
    assert hand.lines[0].marks["zone"].tolist() == [
        "edge",
        "near",
        "clear",
        "clear",
        "near",
        "edge",
    ]
    # a mark stays in the figures unless a person excludes it
    assert hand.lites[0].figures.depth_mm.n == 5
    unknown = work_up(survey(line(x, [0.1, 0] * 3)), card())
    assert unknown.lines[0].marks["zone"].tolist()[-1] == "clear"
    assert "length_unknown" in codes(unknown)
    narrow = Settings.of({"zones": {"edge_x_mm": 100.0}})
    assert "edge_zone" not in codes(work_up(survey(line(x, [0.1, 0] * 3)), card(), settings=narrow))


@pytest.mark.parametrize(
    ("x", "r", "gauge", "code", "words"),
    [
        ([60, 180, 300], [0, 0.1, 0], card(), "foot_off_glass", "nearer to the edge than the 120"),
        ([400, 520], [0, 0.1], card(), "too_few_marks", "2 marks on this line"),
        ([400, 520, 640], [0, 2.5, 0], card(), "deep", "2.5 mm is no roll wave: check the unit"),
        ([400, 520, 640], [0, 0.05, 0], card(resolution_mm=0.01), "coarse", "is 20 % of the mean"),
        ([400, 800, 1200], [0, 0.1, 0], card(), "band", "800 to 800 mm, are outside the roll-wave"),
        ([400, 520, 640], [0, 0.1, 0], card("flat-base", 200.0), "base_too_short", "240 mm: such"),
        ([400, 520, 640], [0, 0.1, 0.2], card(), "not_alternating", "mark 2 is neither peak nor"),
    ],
)
def test_what_looks_wrong_is_said(x, r, gauge, code, words):
    hand = work_up(survey(line(x, r)), gauge)
    (remark,) = (remark for remark in hand.remarks if remark.code == code)
    assert words in remark.text


def test_figures_without_the_edge_zone_stand_beside_those_with_it():
    x = [250, 370, 490, 610, 730, 850]
    lite = work_up(survey(line(x, [0.3, 0, 0.1, 0, 0.1, 0.4])), card(), length_mm=1100).lites[0]
    assert lite.figures.depth_mm.max == pytest.approx(0.3)
    assert lite.figures_clear_of_edges is not None
    # marks 2 to 5 remain: three half waves, of which the first has lost the wave that ends in it
    assert lite.figures_clear_of_edges.depth_mm.n == 3
    assert lite.figures_clear_of_edges.depth_mm.max == pytest.approx(0.1)
    assert lite.figures_clear_of_edges.distortion_full_wave_mdpt.n == 2
    assert work_up(survey(line(x[1:-1], [0, 0.1] * 2)), card()).lites[
        0
    ].figures_clear_of_edges is None


def test_repeats_of_one_mark_are_compared_and_a_slip_among_them_is_named():
    x = [400, 520, 640, 760, 880, 1000]
    first = np.array([0.1, 0.0] * 3)
    steps = np.array([0.002, -0.002, 0.002, -0.002, 0.002, 0.06])
    hand = work_up(survey(line(x, first), line(x, first + steps, repeat=2)), card())
    # pooled: sum of d^2 / 2 over six marks of two repeats
    pooled = np.sqrt((steps**2 / 2).sum() / 6)
    assert hand.lites[0].within_mark_sd_mm == pytest.approx(pooled)
    (remark,) = (one for one in hand.remarks if one.code == "repeats_apart")
    usual = np.sqrt((steps[:-1] ** 2 / 2).sum() / 5)
    assert hand.lites[0].within_mark_sd_without_slips_mm == pytest.approx(usual)
    assert remark.text == (
        "the 2 repeats of the mark at 1000 mm lie 0.06 mm apart, where those of other marks "
        "scatter by 0.0014 mm: one of them looks like a slip"
    )
    assert len(remark.rows) == 2
    even = work_up(survey(line(x, first), line(x, first + 0.002, repeat=2)), card()).lites[0]
    assert even.within_mark_sd_without_slips_mm is None
    assert work_up(survey(line(x, first)), card()).lites[0].within_mark_sd_mm is None


def test_a_mark_passed_over_is_said_once_and_its_numbers_spoil_no_repeat():
    x = np.arange(400.0, 1700.0, 120.0)
    readings = np.where(np.arange(x.size) % 2, 0.0, 0.1)
    keep = np.arange(x.size) != 5
    short = line(x[keep], readings[keep] + 0.001)
    walks = [line(x + k, readings, repeat=k + 2) for k in range(3)]
    hand = work_up(survey(short, *walks), card(), length_mm=5000)
    assert codes(hand) == ["mark_left_out", "not_alternating"]
    said = hand.remarks[0]
    assert said.text == (
        "no mark near 1001 mm, where 3 of 4 walks of this line have one: one mark fewer, from mark "
        "6 on"
    )
    assert said.line == "Ines, repeat 1, y 620 mm"
    assert said.rows == (6, 7)
    # repeats are compared where they were made: all four within 0.001 mm of one another
    assert hand.lites[0].within_mark_sd_mm < 0.001
    # with one other walk only, its wider step speaks
    pair = work_up(survey(short, walks[0]), card(), length_mm=5000)
    assert "mark_left_out" in codes(pair)
    # a person who marks a place that nobody else has is no reason to name all the others
    extra = line(np.sort([*x, 1060.0]), np.insert(readings, 6, 0.05), repeat=9)
    assert "mark_left_out" not in codes(work_up(survey(extra, *walks), card(), length_mm=5000))


def test_distances_in_inches_set_no_feet_and_the_unit_comes_first():
    x = np.arange(400.0, 1700.0, 120.0) / 25.4
    hand = work_up(survey(line(x, [0.1, 0.0] * 5 + [0.1])), card())
    assert hand.lites[0].figures.half_span_mm is None
    assert codes(hand) == ["band", "length_unknown"]  # no zone, no foot: the places are not sure
    assert hand.remarks[0].text.endswith(
        "outside the roll-wave band of 120 to 600 mm: check the unit of the distances; times 25.4 "
        "their mean would be 240 mm: were they written in inches?"
    )


def test_marks_are_listed_in_spans():
    assert in_spans([1, 2, 3, 4, 7, 9, 10]) == "1 to 4, 7, 9, 10"
    assert in_spans([]) == ""


def test_readings_finer_than_the_dial_are_said():
    x = np.arange(400.0, 1700.0, 120.0)
    readings = np.array([0.1, 0.0] * 5 + [0.1]) / 25.4
    hand = work_up(survey(line(x, readings.round(5))), card(), length_mm=5000)
    (said,) = (one for one in hand.remarks if one.code == "finer_than_dial")
    assert said.text == (
        "6 of 11 readings by G have more digits than its dial of 0.001 mm shows, the first in row "
        "2, 0.00394 mm: they were converted, from inches perhaps, or averaged"
    )
    # a tenth of a step may be estimated by eye
    by_eye = work_up(survey(line(x, readings.round(4))), card(), length_mm=5000)
    assert "finer_than_dial" not in codes(by_eye)


def test_a_card_that_is_silent_about_its_sign():
    values = card().model_dump(by_alias=True, exclude_none=True, exclude={"reading_sign"})
    assert "sign_unknown" in codes(work_up(survey(wave_line(240.0, 120.0)), card_of(values)))


# ---- what is refused


def test_readings_without_a_card_or_with_that_of_another_gauge():
    with pytest.raises(SurveyError) as error:
        work_up(survey(wave_line(240.0, 120.0, gauge="Teal 120")))
    assert str(error.value) == (
        "s.csv: gauge 'Teal 120' has no gauge card (no card was given); one, to say whether its "
        "depth is a raw swing or the depth of the surface; give it."
    )
    with pytest.raises(SurveyError, match=r"\(cards are for 'Teal 20'\).* write 'Teal 20' for the"):
        work_up(survey(wave_line(240.0, 120.0, gauge="Teal 120")), card(gauge="Teal 20"))
    with pytest.raises(SurveyError, match="two gauge cards for gauge 'G'"):
        work_up(survey(wave_line(240.0, 120.0)), [card(), card()])


def test_spots_edge_lift_and_marks_beyond_the_lite():
    spots = read_survey(shipped("sample-scans", "surveys", "heron-07.spots.csv"))
    with pytest.raises(SurveyError, match="a survey of spots, which has no marks"):
        work_up(spots, card())
    with pytest.raises(SurveyError, match="gauge 'G' reads edge lift"):
        work_up(survey(wave_line(240.0, 120.0)), card("edge-lift", 300.0))
    with pytest.raises(SurveyError) as error:
        work_up(survey(wave_line(240.0, 120.0)), card(), length_mm={"A-1": 1500.0})
    assert str(error.value).startswith("s.csv, row 12: mark 11 is at 1560 mm; a place on lite A-1,")


# ---- JSON


def test_the_dictionary_is_strict_json():
    hand = work_up(survey(wave_line(240.0, 120.0, excluded=[4])), card(calibrated_on="2026-02-02"))
    data = json.loads(json.dumps(hand.as_dict(), allow_nan=False))
    assert data["schema_version"] == 1
    (lite,) = data["lites"]
    assert lite["convention"] == "gauge"
    assert lite["half_span_mm"] == 120.0
    assert lite["depth_mm"] == {
        "n": 9,
        **{name: pytest.approx(0.12) for name in ("min", "mean", "max")},
    }
    first = data["lines"][0]["half_waves"][0]
    assert first["full_wave_mm"] is None
    assert first["distortion_full_wave_mdpt"] is None
    assert first["half_wave_mm"] == 240.0
    assert data["gauges"]["G"]["half_span_mm"] == 120.0
    assert data["gauges"]["G"]["calibrated_on"] == "2026-02-02"
    assert {remark["code"] for remark in data["remarks"]} == {"excluded", "length_unknown"}
