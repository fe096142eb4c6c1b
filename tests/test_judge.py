"""The decision rule, the statistics and their guard bands, the zones, and the shipped limits."""

from __future__ import annotations

import importlib.resources
import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from midchord.configs import shipped
from midchord.judge import check_grid, decide, judge, limits_of, load_limits
from midchord_io.errors import SettingsError

X = np.arange(2.5, 1000.0, 5.0)
Y = np.arange(5.0, 600.0, 10.0)


def depth_limit(**changes: Any) -> dict[str, Any]:
    limit = {
        "figure": "depth",
        "convention": "surface",
        "statistic": "max",
        "zone": "clear",
        "limit_mm": 0.1,
        "source": "invented",
    }
    return {key: value for key, value in (limit | changes).items() if value is not None}


def limits(*entries: dict[str, Any], least_coverage_percent: float = 90.0) -> Any:
    return limits_of(
        {
            "name": "test limits",
            "headline": "surface_depth",
            "least_coverage_percent": least_coverage_percent,
            "limit": list(entries),
        }
    )


def lite(depth: Any = 0.05, u: float = 0.002) -> tuple[dict[str, Any], xr.Dataset]:
    """A lite of 1000 x 600 mm with one depth everywhere, clear but for 200 mm at the ends."""
    shape = (X.size, Y.size)
    zone = np.zeros(shape, np.uint8)
    zone[(X < 200) | (X > 800)] = 2
    surface = np.broadcast_to(np.asarray(depth, dtype=np.float64), shape)
    fields = {
        "surface_depth": surface,
        "depth": 2 * surface,
        "u_surface_depth": np.full(shape, u),
        "u_depth": np.full(shape, 2 * u),
        "power_x": -500 * surface,
        "surface_seen": np.ones(shape),
        "gauge_seen": np.ones(shape),
        **{f"loose_{name}": np.full(shape, np.nan) for name in (
            "depth", "surface_depth", "gauge_distortion", "surface_distortion")},
    }
    maps = xr.Dataset(
        {name: (("x", "y"), np.array(values)) for name, values in fields.items()},
        coords={"x": X, "y": Y},
    )
    maps["zone"] = (
        ("x", "y"),
        zone,
        {"flag_values": np.array([0, 1, 2, 255], np.uint8),
         "flag_meanings": "clear near edge no_glass"},
    )  # fmt: skip
    cells = [
        {"x_from_mm": 500.0 * i, "x_to_mm": 500.0 * (i + 1),
         "y_from_mm": 200.0 * j, "y_to_mm": 200.0 * (j + 1), "name": f"r{i + 1}c{j + 1}"}
        for i in range(2) for j in range(3)
    ]  # fmt: skip
    summary = {
        "half_span_mm": 120.0,
        "length_mm": 1000.0,
        "width_mm": 600.0,
        "detection_depth_mm": 0.004,
        "settings": {"zones": {"edge_y_mm": 50.0}, "waves": {"band_min_mm": 120.0}},
        "zones": cells,
        "detection_surface_depth_mm": 0.004,
        "bow_mm": {"leading": -1.2, "left": 3.0, "diagonal_1": 4.0},
        "bow_mm_per_m": {"leading": -2.0, "left": 3.0, "diagonal_1": 3.5},
        "edge_lift_mm": {"leading": 0.3, "trailing": None},
    }  # fmt: skip
    return summary, maps


def only(summary: Any, maps: Any, entry: dict[str, Any], k: float = 1.645) -> dict[str, Any]:
    verdict = judge(summary, maps, limits(entry), coverage_factor=k)
    (reason,) = verdict["reasons"]
    assert verdict["verdict"] == reason["verdict"]
    return dict(reason)


# --- the decision rule ---------------------------------------------------------------------------


def test_the_three_verdicts_of_the_rule() -> None:
    # limit 100, u 2, k 1.645: the guard band is 3.29 either side
    verdicts = [decide(v, 2.0, 100.0, coverage_factor=1.645) for v in (96.7, 96.72, 103.28, 103.3)]
    assert verdicts == ["within", "undecided", "undecided", "outside"]


def test_without_a_guard_band_it_is_simple_acceptance() -> None:
    assert decide(100.0, 2.0, 100.0, coverage_factor=0.0) == "within"
    assert decide(100.001, 2.0, 100.0, coverage_factor=0.0) == "outside"


@given(
    value=st.floats(0.0, 200.0),
    u=st.floats(0.01, 20.0),
    k=st.floats(0.0, 3.0),
)
def test_a_larger_guard_band_only_ever_makes_undecided(value: float, u: float, k: float) -> None:
    tight = decide(value, u, 100.0, coverage_factor=k)
    loose = decide(value, u, 100.0, coverage_factor=k + 0.5)
    assert loose in (tight, "undecided")


@pytest.mark.parametrize(
    ("z", "probability"),
    [(0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)],
)
def test_conformance_probability_of_the_guide(z: float, probability: float) -> None:
    # JCGM 106:2012, clause 7.3, table 1: z = (T_U - y)/u against p_c; from memory
    reason = only(*lite(0.1 - z * 0.002), depth_limit())
    assert reason["conformance_probability"] == pytest.approx(probability, abs=0.0017)


def test_conformance_probability_of_a_worked_example() -> None:
    # JCGM 106:2012, clause 7.3, breakdown voltage: y = -5.47 V, u = 0.05 V, T_U = -5.40 V gives
    # 92 % (from memory). Shifted to positive numbers, which changes nothing
    reason = only(*lite(0.53, u=0.05), depth_limit(limit_mm=0.60))
    assert reason["conformance_probability"] == pytest.approx(0.92, abs=0.005)


def test_the_worst_verdict_of_all_limits_is_the_verdict() -> None:
    wide, near, tight = depth_limit(), depth_limit(limit_mm=0.051), depth_limit(limit_mm=0.03)
    found = [
        judge(*lite(), limits(*entries), coverage_factor=1.645)["verdict"]
        for entries in ((wide, wide), (wide, near), (tight, near, wide))
    ]
    assert found == ["within", "undecided", "outside"]


# --- statistics ----------------------------------------------------------------------------------


def test_maximum_names_its_place_value_and_uncertainty() -> None:
    depth = np.full((X.size, Y.size), 0.05)
    depth[120, 11] = 0.2
    reason = only(*lite(depth), depth_limit())
    assert reason["verdict"] == "outside"
    assert reason["place"] == {"x_mm": 602.5, "y_mm": 115.0}
    assert (reason["value"], reason["uncertainty"]) == (0.2, 0.002)
    assert reason["sentence"] == (
        "Largest depth of the surface, zone clear: 0.2000 mm at x 602 mm, y 115 mm, with its guard "
        "band (k = 1.645) 0.1967 to 0.2033 mm; limit 0.1 mm: outside."
    )


def test_a_point_of_less_value_but_more_uncertainty_decides() -> None:
    summary, maps = lite(0.09, u=0.001)
    maps["surface_depth"][100, 30] = 0.08
    maps["u_surface_depth"][100, 30] = 0.03
    reason = only(summary, maps, depth_limit())
    assert reason["verdict"] == "undecided"
    assert (reason["value"], reason["uncertainty"]) == (0.08, 0.03)
    assert reason["place"] == {"x_mm": 502.5, "y_mm": 305.0}


def test_expected_bias_of_the_maximum_holds_back_a_rejection_only() -> None:
    summary, maps = lite(0.105)
    assert only(summary, maps, depth_limit())["verdict"] == "outside"
    summary["surface_depth_mm"] = {"max_bias": 0.004}
    reason = only(summary, maps, depth_limit())
    assert reason["verdict"] == "undecided"
    assert reason["cause"] == "bias"
    # the guard band that the rule used: 0.105 - 0.004 - 1.645 x 0.002 to 0.105 + 1.645 x 0.002
    assert (reason["lower"], reason["upper"]) == pytest.approx((0.09771, 0.10829))
    assert "lower end less the expected bias of 0.004 mm) 0.0977 to 0.1083" in reason["sentence"]
    assert "without the bias of the largest of many it would be outside" in reason["sentence"]
    assert reason["value"] == pytest.approx(0.105)


@pytest.mark.parametrize(
    ("depth", "verdict", "band"),
    [
        # upper end 0.1 + 0.000004: two digits of the band would print the limit itself
        (0.096714, "undecided", "0.093424 to 0.100004 mm; limit 0.1 mm"),
        (0.096708, "within", "0.093418 to 0.099998 mm; limit 0.1 mm"),
        (0.05, "within", "0.0467 to 0.0533 mm; limit 0.1 mm"),
    ],
)
def test_digits_tell_the_guard_band_from_the_limit(depth: float, verdict: str, band: str) -> None:
    reason = only(*lite(depth), depth_limit())
    assert reason["verdict"] == verdict
    assert band in reason["sentence"]


def test_a_share_of_nothing_has_no_place() -> None:
    entry = depth_limit(statistic="share_over", limit_mm=None, threshold_mm=0.1, limit_percent=5.0)
    reason = only(*lite(), entry)
    assert (reason["value"], reason["place"]) == (0.0, None)
    assert "over 0.1 mm, zone clear: 0 %, with its guard band (k = 1.645) 0 to 0 %" in (
        reason["sentence"]
    )


def test_each_cause_of_undecided_is_named() -> None:
    assert only(*lite(0.099), depth_limit())["cause"] == "guard band"
    assert only(*lite(0.2), depth_limit())["cause"] is None
    summary, maps = lite()
    gap = (X >= 500)[:, np.newaxis] & np.ones(Y.size, bool)
    maps["surface_depth"] = maps["surface_depth"].where(~gap)
    maps["surface_seen"] = maps["surface_seen"].where(~gap, 0)
    reason = only(summary, maps, depth_limit())
    assert (reason["cause"], reason["coverage"]) == ("coverage", 0.5)
    summary, maps = lite()
    bare = maps.drop_vars("u_surface_depth")
    assert only(summary, bare, depth_limit())["cause"] == "uncertainty"
    assert only(*lite(), bow_limit(figure="edge_lift", limit_mm_per_m=None, limit_mm=0.5,
                                   uncertainty_mm_per_m=None, uncertainty_mm=0.02))[
        "cause"
    ] == "not measured"  # fmt: skip


def test_statistics_agree_with_numpy_over_the_clear_points() -> None:
    depth = np.random.default_rng(3).uniform(0.02, 0.08, (X.size, Y.size))
    clear = depth[(X >= 200) & (X <= 800)]
    expected = {"p95": np.percentile(clear, 95), "mean": clear.mean(), "min": clear.min()}
    for statistic, value in expected.items():
        reason = only(*lite(depth), depth_limit(statistic=statistic))
        assert reason["value"] == pytest.approx(value, rel=1e-12)
        # every point errs alike, so the statistic errs as much as a point
        assert reason["uncertainty"] == pytest.approx(0.002, rel=1e-9)
        assert reason["verdict"] == "within"


def test_share_over_a_threshold_counts_area_and_shifts_every_point_by_its_guard_band() -> None:
    depth = np.full((X.size, Y.size), 0.05)
    depth[40:52] = 0.2  # 12 of the 120 clear columns of points: 10 %
    depth[52:64] = 0.098  # over 0.1 only with its guard band
    entry = depth_limit(statistic="share_over", limit_mm=None, threshold_mm=0.1, limit_percent=15.0)
    reason = only(*lite(depth), entry)
    assert (reason["value"], reason["lower"], reason["upper"]) == (10.0, 10.0, 20.0)
    assert reason["verdict"] == "undecided"
    assert only(*lite(depth), entry | {"limit_percent": 20.0})["verdict"] == "within"
    assert only(*lite(depth), entry | {"limit_percent": 9.0})["verdict"] == "outside"


def test_power_is_judged_by_its_size() -> None:
    entry = depth_limit(
        figure="power_x", convention=None, limit_mm=None, limit_mdpt=20.0, uncertainty_mdpt=1.0
    )
    reason = only(*lite(0.05), entry)
    assert (reason["value"], reason["verdict"]) == (25.0, "outside")


def test_gauge_and_surface_conventions_read_their_own_maps() -> None:
    gauge = only(*lite(0.06), depth_limit(convention="gauge"))
    surface = only(*lite(0.06), depth_limit(convention="surface"))
    assert (gauge["value"], gauge["verdict"]) == (0.12, "outside")
    assert (surface["value"], surface["verdict"]) == (0.06, "within")


# --- what is not there ---------------------------------------------------------------------------


def test_no_wave_is_within_only_if_one_would_have_been_seen() -> None:
    seen = only(*lite(np.nan), depth_limit())
    assert (seen["verdict"], seen["value"], seen["place"]) == ("within", None, None)
    assert seen["sentence"] == (
        "Largest depth of the surface, zone clear: no wave above the detection bound of 0.004 mm; "
        "limit 0.1 mm: within."
    )
    hidden = only(*lite(np.nan), depth_limit(limit_mm=0.003))
    assert hidden["verdict"] == "undecided"
    assert hidden["cause"] == "detection bound"
    assert "but one over the limit could hide below that bound" in hidden["sentence"]
    entry = depth_limit(statistic="share_over", limit_mm=None, threshold_mm=0.1, limit_percent=5.0)
    assert "so no area is over the threshold; limit 5 %" in only(*lite(np.nan), entry)["sentence"]


def test_detection_bound_of_distortion_is_that_of_the_shortest_wave() -> None:
    summary, maps = lite()
    maps["surface_distortion"] = maps["surface_depth"] * np.nan
    maps["u_surface_distortion"] = maps["u_surface_depth"]
    entry = depth_limit(figure="distortion", limit_mm=None, limit_mdpt=11.0)
    # 4 pi^2 0.004 / 120^2 x 10^6 = 10.966 mdpt (D = 4 pi^2 W / L^2, common practice, no source)
    assert only(summary, maps, entry)["verdict"] == "within"
    assert only(summary, maps, entry | {"limit_mdpt": 10.9})["verdict"] == "undecided"


def test_points_without_a_wave_count_as_under_the_threshold() -> None:
    depth = np.full((X.size, Y.size), np.nan)
    depth[40:52] = 0.2
    entry = depth_limit(statistic="share_over", limit_mm=None, threshold_mm=0.1, limit_percent=12.0)
    reason = only(*lite(depth), entry)
    assert (reason["value"], reason["verdict"]) == (10.0, "within")
    summary, maps = lite(depth)
    summary["detection_surface_depth_mm"] = 0.15  # now a wave over the threshold could hide
    assert only(summary, maps, entry)["upper"] == 100.0
    assert only(summary, maps, entry)["verdict"] == "undecided"


def test_a_swing_without_a_figure_forbids_within_but_never_says_outside() -> None:
    """A lone trough or a wave outside the band: its size is known, a roll wave it is not."""
    summary, maps = lite(0.02)
    there = ((X >= 400) & (X < 600))[:, np.newaxis] & np.ones(Y.size, bool)
    for size, verdict in ((3.0, "undecided"), (0.06, "undecided"), (0.04, "within")):
        maps["surface_depth"] = maps["surface_depth"].where(~there)
        maps["loose_surface_depth"] = (("x", "y"), np.where(there, size, np.nan))
        assert only(summary, maps, depth_limit())["verdict"] == verdict


def test_a_zone_measured_too_thinly_is_never_within() -> None:
    summary, maps = lite()
    gap = (X >= 500)[:, np.newaxis] & np.ones(Y.size, bool)
    maps["surface_depth"] = maps["surface_depth"].where(~gap)
    maps["surface_seen"] = maps["surface_seen"].where(~gap, 0)
    reason = only(summary, maps, depth_limit())
    assert reason["verdict"] == "undecided"
    assert "only 50 % of the zone was measured, 90 % is asked for" in reason["sentence"]
    maps["surface_depth"][50, 10] = 0.5
    assert only(summary, maps, depth_limit())["verdict"] == "outside"


def test_nothing_measured_and_no_uncertainty_are_undecided_with_the_reason() -> None:
    summary, maps = lite(np.nan)
    maps["surface_seen"] = maps["surface_seen"] * 0
    assert "nothing was measured" in only(summary, maps, depth_limit())["sentence"]
    summary, maps = lite()
    reason = only(summary, maps.drop_vars("u_surface_depth"), depth_limit())
    assert (reason["verdict"], reason["value"]) == ("undecided", None)
    assert "its uncertainty is not known" in reason["sentence"]
    stated = only(summary, maps.drop_vars("u_surface_depth"), depth_limit(uncertainty_mm=0.01))
    assert (stated["verdict"], stated["uncertainty"]) == ("within", 0.01)


def test_a_lite_too_short_for_the_zone_is_undecided() -> None:
    summary, maps = lite()
    maps["zone"] = maps["zone"] * 0 + 2
    maps["zone"].attrs = lite()[1]["zone"].attrs
    reason = only(summary, maps, depth_limit())
    assert reason["verdict"] == "undecided"
    assert "no point of the lite lies in the zone 'clear'" in reason["sentence"]


# --- zones ---------------------------------------------------------------------------------------


def test_middle_and_ends_are_split_at_their_distance_clear_of_the_side_edges() -> None:
    depth = np.full((X.size, Y.size), 0.02)
    depth[X < 150] = 0.08
    depth[:, 0] = 0.5  # 5 mm from the left-hand edge
    middle = only(*lite(depth), depth_limit(zone="middle", ends_mm=150.0))
    ends = only(*lite(depth), depth_limit(zone="ends", ends_mm=150.0))
    assert (middle["value"], ends["value"]) == (0.02, 0.08)
    assert middle["limit"]["ends_mm"] == 150.0


def test_cells_of_the_zone_table_count_from_the_leading_left_corner() -> None:
    depth = np.full((X.size, Y.size), 0.02)
    depth[(X > 500)[:, np.newaxis] & (Y < 200)] = 0.07
    assert only(*lite(depth), depth_limit(zone="r2c1"))["value"] == 0.07
    assert only(*lite(depth), depth_limit(zone="r1c3"))["value"] == 0.02


def test_a_cell_that_does_not_exist_is_refused_before_and_while_judging() -> None:
    asked = limits(depth_limit(zone="r3c1"))
    with pytest.raises(SettingsError, match=r"zone 'r3c1'; the zone table has r1c1 to r2c3"):
        check_grid(asked, grid_x=2, grid_y=3)
    with pytest.raises(SettingsError, match=r"zone 'r3c1'; the zone table has r1c1 to r2c3"):
        judge(*lite(), asked, coverage_factor=1.645)
    check_grid(asked, grid_x=3, grid_y=1)


def test_points_where_no_gauge_can_stand_are_no_gap() -> None:
    summary, maps = lite(0.02)
    off = (X < 120) | (X > 880)
    maps["depth"] = maps["depth"].where(~xr.DataArray(off, dims="x"))
    maps["gauge_seen"] = maps["gauge_seen"].where(~xr.DataArray(off, dims="x"), 0)
    entry = depth_limit(convention="gauge", zone="ends", ends_mm=150.0)
    assert only(summary, maps, entry)["verdict"] == "within"


# --- bow and edge lift ---------------------------------------------------------------------------


def bow_limit(**changes: Any) -> dict[str, Any]:
    return depth_limit(
        **{
            "figure": "bow",
            "convention": None,
            "zone": "all",
            "limit_mm": None,
            "limit_mm_per_m": 4.0,
            "uncertainty_mm_per_m": 0.2,
            "as_supported": True,
            **changes,
        }
    )


def test_bow_takes_the_largest_size_over_the_edges() -> None:
    reason = only(*lite(), bow_limit())
    assert (reason["value"], reason["verdict"]) == (3.5, "within")
    assert reason["sentence"].endswith(
        "limit 4 mm/m: within (diagonal from the leading left to the trailing right corner)."
    )
    leading = only(*lite(), bow_limit(zone="leading", limit_mm_per_m=1.0))
    assert (leading["value"], leading["verdict"]) == (2.0, "outside")
    assert only(*lite(), bow_limit(zone="diagonals"))["value"] == 3.5


def test_edge_lift_that_was_not_measured_is_undecided() -> None:
    entry = bow_limit(
        figure="edge_lift", limit_mm_per_m=None, uncertainty_mm_per_m=None,
        limit_mm=0.5, uncertainty_mm=0.02,
    )  # fmt: skip
    assert only(*lite(), entry | {"zone": "leading"})["value"] == 0.3
    reason = only(*lite(), entry)
    assert reason["verdict"] == "undecided"
    assert "could not be measured at: trailing" in reason["sentence"]


# --- limits files --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (depth_limit(convention="optical"), r"convention = 'optical': it must be 'gauge' or"),
        (depth_limit(convention=None), r"limit.0: depth has no convention: convention = \"gau"),
        (depth_limit(limt_mm=1.0), r"no key 'limit.0.limt_mm', did you mean 'limit_mm'\?"),
        (depth_limit(source=" "), r"limit.0.source = ' '"),
        (depth_limit(limit_mm="0.3"), r"limit.0.limit_mm = '0.3': it must be a number"),
        (depth_limit(limit_mm=None), r"has no limit: a limit on its max is given as limit_mm"),
        (depth_limit(limit_mm=None, limit_mdpt=3.0), r"has limit_mdpt: .* given as limit_mm"),
        (depth_limit(limit_mdpt=3.0), r"has limit_mm, limit_mdpt: .* given as limit_mm"),
        (depth_limit(statistic="share_over"), r"has limit_mm: .* given as limit_percent"),
        (
            depth_limit(statistic="share_over", limit_mm=None, limit_percent=5.0),
            r"has no threshold in its unit: share_over needs threshold_mm",
        ),
        (depth_limit(threshold_mm=1.0), r'has a threshold: a threshold belongs to statistic = "sh'),
        (depth_limit(zone="claer"), r"has the zone 'claer' \(did you mean 'clear'\?\): one of cl"),
        (depth_limit(zone="middle"), r"has no ends_mm: the zone 'middle' needs it"),
        (depth_limit(ends_mm=200.0), r"has ends_mm: it belongs to the zones 'middle' and 'ends'"),
        (depth_limit(as_supported=True), r"says as_supported: that key belongs to bow and edge_"),
        (depth_limit(uncertainty_mdpt=1.0), r"has uncertainty_mdpt: uncertainty_mm;"),
        (
            depth_limit(figure="wavelength"),
            r"has the convention 'surface': wavelength is the same by either",
        ),
        (
            depth_limit(figure="power_x", convention=None, limit_mm=None, limit_mdpt=50.0),
            r"has no uncertainty: uncertainty_mdpt, the standard uncertainty from repeated scans",
        ),
        (bow_limit(as_supported=None), r"is meant as a standard means it: bow and edge lift are f"),
        (bow_limit(uncertainty_mm_per_m=None), r"has no uncertainty: uncertainty_mm_per_m"),
        (bow_limit(statistic="p95"), r"has the statistic 'p95': max or mean over the edges"),
        (bow_limit(statistic="mean"), r"has the statistic 'mean': bow is one figure an edge: max"),
        (bow_limit(zone="clear"), r"has the zone 'clear'.*: one of leading, trailing, left, right"),
    ],
)
def test_a_limit_that_could_be_misread_is_refused(entry: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        limits(entry)


def test_a_limits_file_that_cannot_be_read_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"gone\.toml: it cannot be read"):
        load_limits(tmp_path / "gone.toml")


def test_shipped_limits_all_state_their_source() -> None:
    files = sorted(shipped("configs", "limits").glob("*.toml"))
    assert len(files) == 4
    for file in files:
        for limit in load_limits(file).limit:
            words = ("EN 12150-1:2015", "from memory; check your contract", "invented example")
            assert any(word in limit.source for word in words), file


def test_shipped_limits_have_the_published_numbers() -> None:
    # EN 12150-1:2015, roller wave over 300 mm by a straight edge, as restated in a manufacturer's
    # tolerance handbook: uncoated float 0.3 mm, other glass 0.5 mm
    for name, value in (("float", 0.3), ("other", 0.5)):
        (limit,) = load_limits(shipped("configs", "limits", f"en12150-1-{name}.toml")).limit
        assert (limit.limit, limit.unit, limit.variable) == (value, "mm", "surface_depth")
    # often written in contracts, from memory
    contract = load_limits(shipped("configs", "limits", "contract-example.toml")).limit
    assert [(limit.zone, limit.limit, limit.ends_mm) for limit in contract[:2]] == [
        ("middle", 0.076, 267.0),
        ("ends", 0.20, 267.0),
    ]
    assert (contract[2].threshold, contract[2].limit) == (100.0, 5.0)


def test_reasons_keep_the_schema_of_the_summary_and_strict_json() -> None:
    text = importlib.resources.files("midchord").joinpath("summary.schema.json").read_text("utf-8")
    schema = json.loads(text)
    entries = (depth_limit(), depth_limit(zone="middle", ends_mm=100.0), bow_limit())
    found = judge(*lite(), limits(*entries), coverage_factor=1.645)
    written = json.dumps(found, allow_nan=False)
    reason = {"$defs": schema["$defs"], "$ref": "#/$defs/reason"}
    for one in json.loads(written)["reasons"]:
        jsonschema.Draft202012Validator(reason).validate(one)
    assert len(found["reasons"]) == 3
    assert found["headline"] == "surface_depth"
