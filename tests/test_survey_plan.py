"""A survey planned on maps: what is assumed, which lites, where the spots are."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

import surveyed
from midchord.report.plan_page import plan_page
from midchord.statistics.sampling_plan import Scatter, plan_survey, power_of_plan
from midchord.surveying.survey_plan import LEAST_SPOTS, plan_on_maps, survey_rows
from midchord_io.errors import SettingsError, SurveyError
from surveyed import card


def test_the_power_is_that_of_the_rule_for_the_scatter_on_the_sheet() -> None:
    plan = plan_on_maps(surveyed.all_maps(), card(), tolerance_mm=0.03)
    again = power_of_plan(
        plan.scatter, 0.03, n_lites=plan.plan.n_lites, spots_per_lite=plan.plan.spots_per_lite,
        repeats=2, n_operators=2,
    )  # fmt: skip
    assert again.power == plan.plan.power >= 0.9
    assert plan.plan.spots_per_lite >= LEAST_SPOTS
    # what nobody stated is half the repeatability of the gauge, 0.005 mm
    assert plan.assumed == ("lite_sd", "spot_sd", "operator_sd")
    assert plan.scatter.lite_sd == plan.scatter.operator_sd == 0.0025
    noise = np.mean([one.twin.sd_mm**2 for one in plan.lites]) + 0.001**2 / 12
    parts = 0.005**2 + plan.place_sd_mm**2 + noise
    assert plan.scatter.within_sd**2 == pytest.approx(parts, rel=0.01)
    assert plan.place_sd_mm > 0.001


def test_the_repeatability_of_the_gauge_costs_readings() -> None:
    fine, coarse = (
        plan_on_maps(
            [surveyed.maps("Q-1")], card(), tolerance_mm=0.03, repeatability_mm=sd, spread="chosen"
        )
        for sd in (0.001, 0.008)
    )
    assert coarse.plan.n_readings > fine.plan.n_readings
    # an exact gauge leaves a step of the dial
    assert fine.scatter.lite_sd == 0.001


def test_half_of_the_spots_are_random_unless_asked_otherwise() -> None:
    plans = {
        spread: plan_on_maps([surveyed.maps("Q-2")], card(), tolerance_mm=0.04, spread=spread)
        for spread in ("mixed", "random", "chosen")
    }
    drawn = {name: sum(plan.lites[0].is_random) for name, plan in plans.items()}
    count = {name: plan.plan.spots_per_lite for name, plan in plans.items()}
    assert drawn == {"mixed": count["mixed"] // 2, "random": count["random"], "chosen": 0}
    # slopes are where a hand off its place matters
    assert plans["chosen"].place_sd_mm < plans["mixed"].place_sd_mm < plans["random"].place_sd_mm
    assert "does not speak for slopes" in plan_page(plans["mixed"])
    assert {row["note"].split(", ")[1] for row in survey_rows(plans["mixed"])} == {  # type: ignore[attr-defined]
        "random", "chosen"
    }  # fmt: skip
    assert {row["operator"] for row in survey_rows(plans["mixed"])} == {"operator 1", "operator 2"}


def test_a_lite_that_is_left_out_is_named_with_the_reason() -> None:
    twin = surveyed.maps("Q-1")
    summary = json.loads(twin.attrs["summary"]) | {"lite_id": "Q-9"}
    other = twin.assign_attrs(summary=json.dumps(summary), lite_id="Q-9")
    plan = plan_on_maps(
        [*surveyed.all_maps(), other], card(), tolerance_mm=0.05, repeatability_mm=0.002
    )
    assert plan.plan.n_lites == 3
    ((name, reason),) = plan.dropped
    assert name in (*surveyed.LITES, "Q-9")
    assert reason == "3 lites do, and those taken spread better over the depth"
    assert f"Not in the plan: {name} (3 lites do" in plan_page(plan)


def test_spots_are_spread_over_the_depths_in_the_clear_zone_where_it_is_flat() -> None:
    plan = plan_on_maps(
        surveyed.all_maps(), card(), tolerance_mm=0.02, repeatability_mm=0.001, spread="chosen"
    )
    for planned in plan.lites:
        twin, lite = planned.twin, planned.lite
        x = np.array([spot.x_mm for spot in planned.spots])
        y = np.array([spot.y_mm for spot in planned.spots])
        i = np.abs(twin.x_mm[:, None] - x).argmin(axis=0)
        j = np.abs(twin.y_mm[:, None] - y).argmin(axis=0)
        zone = lite.maps["zone"].values[i, j]
        assert (zone == 0).all()
        is_clear = lite.maps["zone"].values == 0
        depth = lite.maps["depth"].values
        assert np.ptp(depth[i, j]) > 0.6 * np.ptp(depth[is_clear & np.isfinite(depth)])
        everywhere = np.hypot(*twin.gradient(*np.meshgrid(twin.x_mm[90:350], twin.y_mm)))
        assert np.max(np.hypot(*twin.gradient(x, y))) < 0.3 * np.nanmedian(everywhere)
        # crests and valleys both
        assert twin.at(x, y).min() < 0 < twin.at(x, y).max()


def test_of_more_lites_than_needed_the_shallow_and_the_deep_are_taken() -> None:
    plan = plan_on_maps(surveyed.all_maps(), card(), tolerance_mm=0.05)
    assert plan.plan.n_lites == 3
    assert [planned.lite.lite_id for planned in plan.lites] == ["Q-1", "Q-2", "Q-3"]
    few = plan_on_maps([surveyed.maps("Q-2")], card(), tolerance_mm=0.03)
    assert few.lites_missing == few.plan.n_lites - 1


def test_a_stated_scatter_is_taken_and_costs_lites() -> None:
    cheap = plan_on_maps([surveyed.maps("Q-1")], card(), tolerance_mm=0.03)
    dear = plan_on_maps([surveyed.maps("Q-1")], card(), tolerance_mm=0.03, lite_sd_mm=0.006)
    assert dear.scatter == dataclasses.replace(cheap.scatter, lite_sd=0.006)
    assert dear.assumed == ("spot_sd", "operator_sd")
    assert dear.plan.n_lites > cheap.plan.n_lites


def test_rows_to_fill_in_come_in_rounds_of_all_spots() -> None:
    plan = plan_on_maps(surveyed.all_maps(), card(), tolerance_mm=0.03, repeats=3, n_operators=1)
    rows = survey_rows(plan)
    spots = plan.plan.spots_per_lite
    assert len(rows) == len(plan.lites) * spots * 3
    assert [row["repeat"] for row in rows[: 3 * spots]] == [1] * spots + [2] * spots + [3] * spots
    places = [(row["x"], row["y"]) for row in rows]
    assert places[:spots] == places[spots : 2 * spots]
    assert len(set(places[:spots])) == spots


def test_the_sheet_has_a_field_for_every_reading_and_no_figure_of_the_scan() -> None:
    plan = plan_on_maps([surveyed.maps("Q-2")], card(), tolerance_mm=0.03)
    html = plan_page(plan)
    assert html == plan_page(plan)
    spots = plan.plan.spots_per_lite
    assert html.count('<td class="blank"></td>') == spots * 4
    for spot in plan.lites[0].spots:
        assert f"<td>{spot.x_mm:.0f}</td><td>{spot.y_mm:.0f}</td>" in html
        assert f"{spot.depth:.3f}" not in html
    assert f"Maps of {plan.plan.n_lites - 1} more lites are needed" in html
    assert "assumed: half the repeatability, or one step of the dial" in html
    assert "wear gloves" in html
    evil = plan_page(plan_on_maps([surveyed.maps("Q-2")], card(gauge="<b>"), tolerance_mm=0.03))
    assert "<b>" not in evil
    assert "&lt;b&gt;" in evil


def test_a_scatter_alone_that_fills_the_tolerance_is_refused() -> None:
    with pytest.raises(SettingsError, match=r"no survey of up to 60 lites and 30 spots"):
        plan_on_maps([surveyed.maps("Q-1")], card(), tolerance_mm=0.03, bias_mm=0.03)


def test_a_bias_beyond_the_tolerance_is_named() -> None:
    with pytest.raises(SettingsError) as refusal:
        plan_on_maps([surveyed.maps("Q-1")], card(), tolerance_mm=0.03, bias_mm=-0.04)
    assert str(refusal.value) == (
        "bias_mm: a bias of -0.04 mm, which exceeds the tolerance of 0.03 mm; a bias well inside "
        "the tolerance: no number of readings averages it out; remove the bias first (zero, "
        "calibration), or widen the tolerance."
    )


def test_the_sheet_says_what_was_stated_and_what_each_assumption_costs() -> None:
    maps = [surveyed.maps("Q-2")]
    plan = plan_on_maps(maps, card(), tolerance_mm=0.02, lite_sd_mm=0.003)
    assert plan.stated == {"lite_sd"}
    assert set(plan.lites_without) == {
        "lite_sd", "spot_sd", "operator_sd", "repeatability", "place",
    }  # fmt: skip
    # what a plan costs without a part is the plan of that scatter without it
    other = dataclasses.replace(plan.scatter, lite_sd=0.0)
    found = plan_survey(other, 0.02, power=0.9, repeats=2, n_operators=2, least_spots=6)
    assert found is not None
    assert plan.lites_without["lite_sd"] == found.n_lites
    least = min(plan.lites_without.values())
    assert plan.costliest is not None
    names, lites = plan.costliest
    assert lites == least < plan.plan.n_lites
    assert {plan.lites_without[name] for name in names} == {least}
    html = plan_page(plan)
    assert (
        f'<tr><th scope="row">from lite to lite</th><td>0.00300</td><td>{found.n_lites}</td>'
        '<td class="text">stated</td></tr>'
    ) in html
    assert '<td class="text">assumed: none</td>' in html
    assert '<td class="text">assumed: what a hand gauge usually has</td>' in html
    assert "as stated to the plan" not in html
    assert f"{least} lites would do instead of {plan.plan.n_lites} without " in html


@pytest.mark.parametrize("power", [0.0, 1.0, -1.0, float("nan")])
def test_a_power_that_is_none(power: float) -> None:
    with pytest.raises(SettingsError, match="a chance between 0 and 1"):
        plan_on_maps([surveyed.maps("Q-1")], card(), tolerance_mm=0.03, power=power)


def test_a_gauge_that_can_stand_nowhere() -> None:
    maps = surveyed.maps("Q-1").copy(deep=True)
    maps["zone"].values[:] = 2  # edge zone throughout
    with pytest.raises(SurveyError, match="lite Q-1: the gauge can stand nowhere"):
        plan_on_maps([maps], card(), tolerance_mm=0.03)


def test_the_least_number_of_spots_is_kept_by_the_plan() -> None:
    scatter = Scatter(0.0, 0.001, 0.001, 0.003, 0.001)
    free = plan_survey(scatter, 0.02, repeats=2, n_operators=2)
    held = plan_survey(scatter, 0.02, repeats=2, n_operators=2, least_spots=6)
    assert free is not None
    assert held is not None
    assert free.spots_per_lite < 6 <= held.spots_per_lite
    assert held.power >= 0.9
