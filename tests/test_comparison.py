"""All statistics of a set of pairs: the lines in simulated surveys of known truth, and little data.

The surveys: three lites go through the whole pipeline (``surveyed``); hands stand 5 mm off along
each axis, anew for each reading, people have a bias of 1.5 um each, the gauge a gain within 10 %
and an offset within 5 um, the dial 1 um of noise and of resolution.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import surveyed
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord.statistics.comparison import Comparison, compare_pairs
from midchord.statistics.passing_bablok import passing_bablok
from midchord.surveying.pair_tables import mm_table
from midchord.surveying.pairing import lites_of, pair_readings
from midchord.surveying.twin_field import MappedLite

CARD = surveyed.card()
LINE_Y_MM = 200.0
OWN_SD_MM = 0.0015


@functools.cache
def lites() -> Any:
    return lites_of([MappedLite(one) for one in surveyed.all_maps()])


@functools.cache
def surface(lite_id: str) -> Surface:
    return Surface(surveyed.recipe(lite_id))


@functools.cache
def turning_points(lite_id: str) -> Any:
    waves = true_half_waves(
        surface(lite_id), line_y_mm=LINE_Y_MM, half_span_mm=surveyed.HALF_SPAN_MM
    )
    x = np.unique(np.concatenate([waves["x_from_mm"], waves["x_to_mm"]]))
    return x[(x > surveyed.EDGE_MM) & (x < surveyed.LENGTH_MM - surveyed.EDGE_MM)]


def survey_of_truth(
    folder: Path, seed: int, *, kind: str, count: int, people: int, repeats: int, n_lites: int = 3
) -> tuple[pd.DataFrame, float, float]:
    """Pairs, and the true slope and intercept of scan on gauge."""
    rng = np.random.default_rng(seed)
    gain, offset = rng.uniform(0.9, 1.1), rng.uniform(-0.005, 0.005)
    own = rng.normal(0, OWN_SD_MM, people)
    rows = []
    for lite_id in list(surveyed.LITES)[-n_lites:]:
        if kind == "spots":
            along = np.arange(surveyed.EDGE_MM, surveyed.LENGTH_MM - surveyed.EDGE_MM)
            x, y = rng.choice(along, count, replace=False), np.round(rng.uniform(60, 340, count))
        for person in range(people):
            if kind == "lines":  # each finds the turning points for himself
                x = turning_points(lite_id)
                x, y = np.round(x + rng.normal(0, 5, x.size)), np.full(x.size, LINE_Y_MM)
            for repeat in range(1, repeats + 1):
                at = x + rng.normal(0, 5, x.size), y + rng.normal(0, 5, x.size)
                read = gain * surveyed.three_point(surface(lite_id), *at) + offset + own[person]
                read = read + rng.normal(0, 0.001, x.size)
                who = f"{lite_id},Wren 115,P{person},{repeat}"
                rows += (
                    [f"{who},{a:g},{b:g},{v:.3f},2026-06-01,,"
                     for a, b, v in zip(x, y, read, strict=True)]
                    if kind == "spots"
                    else [f"{who},{LINE_Y_MM:g},leading,{k},{a:g},{v:.3f}"
                          for k, (a, v) in enumerate(zip(x, read, strict=True), start=1)]
                )  # fmt: skip
    header = surveyed.SPOTS if kind == "spots" else surveyed.LINES
    survey = surveyed.survey_of(folder, header, rows)
    paired = pair_readings(survey, CARD, lites(), placement_sd_mm=5.0)
    if kind == "lines":
        return mm_table(paired.swings), 1 / gain, 0.0
    # fewer than 3 people are the only ones there are: their mean is part of the truth
    of_people = own.mean() if people < 3 else 0.0
    return mm_table(paired.singles), 1 / gain, -(offset + of_people) / gain


def compared(table: pd.DataFrame, **other: Any) -> Comparison:
    wanted: dict[str, Any] = {
        "quantity": "singles", "unit": "mm", "tolerance": None, "gauge_name": "it", **other
    }  # fmt: skip
    return compare_pairs(table, **wanted)


@pytest.mark.parametrize(
    ("quantity", "said"), [("singles", "12 readings of"), ("swings", "12 swings of")]
)
def test_a_statement_counts_what_was_judged(quantity: str, said: str) -> None:
    table = pairs([0.1 * k for k in range(12)], [0.1 * k for k in range(12)], lite=list("abcd") * 3)
    found = compared(table, quantity=quantity)
    assert said in found.agreement.statement
    few = compared(table.iloc[:5], quantity=quantity, tolerance=1.0)
    what = said.split()[1]
    assert f"it takes at least 10 {what} of 3 lites, and there are 5 {what} of" in (
        few.agreement.statement
    )


SURVEYS = {
    "3 lites, 8 spots, 2 people, twice": {"kind": "spots", "count": 8, "people": 2, "repeats": 2},
    "1 lite, 12 spots, 2 people, 3 times": {
        "kind": "spots", "count": 12, "people": 2, "repeats": 3, "n_lites": 1},
    "3 lites, 6 spots, 4 people, twice": {"kind": "spots", "count": 6, "people": 4, "repeats": 2},
    "2 lites, 10 spots, 3 people, once": {
        "kind": "spots", "count": 10, "people": 3, "repeats": 1, "n_lites": 2},
    "1 lite, 40 spots, 1 person, once": {
        "kind": "spots", "count": 40, "people": 1, "repeats": 1, "n_lites": 1},
    "3 lites, swings, 2 people, twice": {"kind": "lines", "count": 0, "people": 2, "repeats": 2},
}  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize("which", SURVEYS)
def test_intervals_of_both_lines_hold_the_truth(which: str, tmp_path: Path) -> None:
    runs = 300
    hits = np.zeros((2, 2))
    for seed in range(runs):
        table, slope, intercept = survey_of_truth(tmp_path, 5000 + seed, **SURVEYS[which])  # type: ignore[arg-type]
        found = compared(table)
        for row, line in enumerate((found.passing_bablok, found.deming)):
            assert line is not None
            hits[row] += [
                line.slope_ci[0] <= slope <= line.slope_ci[1],
                line.intercept_ci[0] <= intercept <= line.intercept_ci[1],
            ]
    assert np.all((hits / runs >= 0.91) & (hits / runs <= 0.99)), hits / runs


def test_slopes_are_not_drawn_to_the_axis_that_errs(tmp_path: Path) -> None:
    # taken as equal errors, 5 mm of placement flatten the line by 1 to 2 %
    told, published = [], []
    for seed in range(24):
        table, slope, _ = survey_of_truth(
            tmp_path, seed, kind="spots", count=10, people=2, repeats=3
        )
        line = compared(table).passing_bablok
        assert line is not None
        assert line.interval == "jackknife over 3 lites"
        assert line.variance_ratio is not None
        assert 0.005 < line.variance_ratio < 0.05
        told.append(line.slope / slope)
        published.append(line.published_slope / slope)
    assert np.mean(told) == pytest.approx(1.0, abs=0.006)
    assert np.mean(published) < 0.99


def test_an_even_wave_tells_no_slope(tmp_path: Path) -> None:
    table, _, _ = survey_of_truth(
        tmp_path, 4, kind="lines", count=0, people=2, repeats=3, n_lites=1
    )
    found = compared(table, quantity="swings")
    assert (found.deming, found.passing_bablok) == (None, None)
    notes = " ".join(found.notes)
    assert "no Deming line: the readings differ hardly more than they scatter" in notes
    assert "proportional bias says little here: within a lite the sizes differ by 0." in notes
    assert found.trend is not None
    assert found.trend.is_narrow
    assert found.as_dict()["proportional_bias"]["is_narrow"] is True


def pairs(gauge: Any, scan: Any, **labels: Any) -> pd.DataFrame:
    n = len(gauge)
    return pd.DataFrame(
        {
            "gauge": np.array(gauge, float), "scan": np.array(scan, float),
            "u_gauge": 0.0003, "u_scan": 0.001,
            "lite_id": labels.get("lite", ["L"] * n),
            "spot": labels.get("spot", [f"s{k}" for k in range(n)]),
            "operator": labels.get("operator", ["A"] * n),
        }
    )  # fmt: skip


STEPS = [0.01 * k for k in range(12)]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (pairs([0] * 12, [0] * 12), "one method always reads 0, so the slope cannot be told"),
        (pairs([0] * 12, [0] * 12, lite=list("abcd") * 3), "so the slope cannot be told"),
        (pairs([0.1] * 12, STEPS), "one method always reads 0.1, so the slope cannot be told"),
        (pairs(STEPS, [0.1] * 12), "one method always reads 0.1, so the slope cannot be told"),
        (pairs([0.1], [0.1]), "there is 1 pair, 3 at least are needed"),
        (pairs([0.1, 0.2], [0.1, 0.2]), "there are 2 pairs, 3 at least are needed"),
        (pairs([0, 1, 2], [0, 1, 2], spot=list("sss")), "there is 1 spot, 3 at least are needed"),
        (pairs([0, 0, 0, 0, 0, 1], [0, 1, 0, 1, 0, 1]), "Kendall's tau 0.45), so the slope cannot"),
    ],
)
def test_where_no_slope_can_be_told(table: pd.DataFrame, words: str) -> None:
    found = compared(table, tolerance=0.01)
    assert found.passing_bablok is None
    assert found.deming is None
    assert words in " ".join(found.notes)
    json.dumps(found.as_dict(), allow_nan=False)


@pytest.mark.parametrize("n", [3, 4])
def test_few_pairs_on_a_line(n: int) -> None:
    found = compared(pairs(STEPS[:n], [1.1 * v for v in STEPS[:n]]))
    assert found.passing_bablok is not None
    assert found.passing_bablok.slope == pytest.approx(1.1)
    assert found.deming is not None
    assert found.deming.slope_ci == pytest.approx((1.1, 1.1))
    json.dumps(found.as_dict(), allow_nan=False)


def test_a_cluster_that_makes_the_whole_range_leaves_no_bound() -> None:
    table = pairs([0] * 8 + [0.1] * 4, [0] * 8 + [0.1] * 4, lite=list("aaaabbbbcccc"))
    facts = compared(table).as_dict()
    assert facts["deming"]["slope_ci"] == [None, None]
    assert facts["passing_bablok"]["intercept_ci"] == [None, None]
    assert facts["passing_bablok"]["slope"] == 1.0


def test_a_dial_with_its_sign_swapped_has_a_line_downhill() -> None:
    found = compared(pairs(STEPS, [-1.2 * v for v in STEPS]))
    assert found.deming is not None
    assert found.deming.slope == pytest.approx(-1.2)
    assert "no Passing-Bablok line: the methods do not rise together" in " ".join(found.notes)


def test_without_labels_that_repeat_the_published_line_is_at_hand() -> None:
    rng = np.random.default_rng(5)
    x = rng.uniform(0.0, 0.1, 30)
    y = x + rng.normal(0, 0.002, 30)
    line = compared(pairs(x, y)).passing_bablok
    assert line is not None
    assert line.published_slope == passing_bablok(x, y).slope
