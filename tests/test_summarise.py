"""The summary: figures over the clear points, zones, centre line, bias of the largest, doubts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import midchord
import surfaces
from midchord.run import process, summary
from midchord.settings import Settings
from midchord.summarise import FIGURES, SCHEMA_VERSION

GRID = {"length_mm": 2400.0, "width_mm": 500.0, "pitch_x_mm": 4.0, "pitch_y_mm": 10.0}
REQUIRED = [
    "schema_version",
    "lite_id",
    "instrument",
    "scanned_at",
    "source_file",
    "source_sha256",
    "program_version",
    "half_span_mm",
    "feet",
    "no_wave",
    "length_mm",
    "width_mm",
    "skew_deg",
    "mean_wavelength_mm",
    "wavelength_mm",
    "depth_mm",
    "surface_depth_mm",
    "gauge_distortion_mdpt",
    "surface_distortion_mdpt",
    "bow_mm",
    "bow_mm_per_m",
    "edge_lift_mm",
    "edge_lift_detail",
    "coverage",
    "noise_mm",
    "detection_depth_mm",
    "noise_correlation_mm",
    "zones",
    "centre_line",
    "verdict",
    "reasons",
    "conventions",
    "settings",
    "versions",
    "doubts",
]


def _maps(settings=None, *, noise_mm=0.003, amplitude=0.04, seed=1, z_of=None, **grid: Any):
    noise = np.random.default_rng(seed)

    def z(x, y):
        wave = amplitude * np.cos(2 * np.pi * x / 240) * (1 + 0.2 * x / 2400) + 0 * y
        more = 0.0 if z_of is None else z_of(x, y)
        return wave + more + noise.normal(0, noise_mm, (x.size, y.size))

    return process(surfaces.scan(z, **{**GRID, **grid}), Settings.of(settings or {}))


@pytest.fixture(scope="module")
def maps() -> xr.Dataset:
    return _maps()


def test_all_keys_are_there(maps):
    found = summary(maps)
    assert set(REQUIRED) <= set(found)
    assert found["schema_version"] == SCHEMA_VERSION == 1
    assert found["program_version"] == midchord.__version__
    assert found["verdict"] == "not judged"
    assert found["reasons"] == []
    assert set(found["bow_mm"]) == {
        "leading", "trailing", "left", "right", "diagonal_1", "diagonal_2"
    }  # fmt: skip
    assert set(found["edge_lift_mm"]) == {"leading", "trailing", "left", "right"}
    assert found["length_mm"] == pytest.approx(2400.0)
    assert found["width_mm"] == pytest.approx(500.0)


@pytest.mark.parametrize("key", FIGURES)
def test_figures_are_those_of_the_clear_points(maps, key):
    field, u, convention = FIGURES[key]
    own = summary(maps)[key]
    values = maps[field].values[maps.zone.values == 0].astype(float)
    values = values[np.isfinite(values)]
    assert own["min"] == pytest.approx(values.min())
    assert own["mean"] == pytest.approx(values.mean())
    assert own["max"] == pytest.approx(values.max())
    assert own["p95"] == pytest.approx(np.percentile(values, 95))
    assert own["convention"] == convention
    worst = maps.sel(x=own["worst"]["x_mm"], y=own["worst"]["y_mm"])
    assert float(worst[field]) == pytest.approx(own["max"])
    assert float(worst[u]) == pytest.approx(own["u_max"])
    assert 0 < own["u_mean"] < own["u_max"]
    assert own["max_bias"] > 0


def test_the_bias_of_the_largest_is_what_noise_adds():
    # an even wave: every depth is 0.16 mm, so the excess of the largest is bias alone
    excess, stated = [], []
    for seed in range(4):
        noise = np.random.default_rng(seed)

        def z(x, y, noise=noise):
            wave = 0.04 * np.cos(2 * np.pi * x / 240) + 0 * y
            return wave + noise.normal(0, 0.01, (x.size, y.size))

        own = summary(process(surfaces.scan(z, **GRID)))["depth_mm"]
        excess.append(own["max"] - 0.16)
        # the stated bias is about the noisy largest itself: the excess over the truth is more
        stated.append(own["max_bias"])
    assert 0 < np.mean(stated) < np.mean(excess)


def test_areas_and_shares(maps):
    found = summary(maps)
    clear = maps.zone.values == 0
    assert found["clear_area_mm2"] == pytest.approx(clear.sum() * 50.0)
    assert found["wave_share"] == pytest.approx(np.isfinite(maps.depth.values[clear]).mean())
    zones = {zone["name"]: zone for zone in found["zones"]}
    assert zones["clear"]["area_mm2"] == pytest.approx(found["clear_area_mm2"])
    whole = sum(zones[name]["area_mm2"] for name in ("clear", "near", "edge"))
    assert whole == pytest.approx(2400 * 500)
    assert len(zones) == 3 + 9
    assert zones["clear"]["figures"]["depth_mm"]["max"] == found["depth_mm"]["max"]
    # the wave grows along x
    means = [zones[f"r{i}c2"]["figures"]["depth_mm"]["mean"] for i in (1, 2, 3)]
    assert means == sorted(means)


def test_the_centre_line_is_a_hand_survey(maps):
    line = summary(maps)["centre_line"]
    assert line["y_mm"] in (245.0, 255.0)
    rows = line["half_waves"]
    starts = [row["x_from_mm"] for row in rows]
    assert starts == sorted(starts)
    clear = [row for row in rows if row["zone"] == "clear"]
    assert 10 <= len(clear) < len(rows)
    depths = [row["depth_mm"] for row in clear]
    assert line["depth_mm"] == {
        "min": min(depths),
        "mean": pytest.approx(np.mean(depths)),
        "max": max(depths),
    }
    assert line["wavelength_mm"]["mean"] == pytest.approx(240, rel=0.01)
    assert {row["rising"] for row in rows} == {True, False}


def test_bow_and_edge_lift_are_stated_with_their_signs():
    def bowed(x, y):
        lift = 0.3 * np.exp(-x / 60) - 0.2 * np.exp(-(2400 - x) / 60)
        return 3.0 * (1 - (x / 1200 - 1) ** 2) - 0.5 * (1 - (y / 250 - 1) ** 2) + lift

    found = summary(_maps(z_of=bowed))
    assert found["bow_mm"]["left"] == pytest.approx(3.0, abs=0.05)
    assert found["bow_mm_per_m"]["left"] == pytest.approx(1.25, abs=0.03)
    assert found["bow_mm"]["leading"] == pytest.approx(-0.5, abs=0.05)
    assert found["edge_lift_mm"]["leading"] == pytest.approx(0.3, abs=0.05)
    assert found["edge_lift_mm"]["trailing"] == pytest.approx(-0.2, abs=0.05)
    assert abs(found["edge_lift_mm"]["left"]) < 0.05
    detail = found["edge_lift_detail"]["leading"]
    assert detail["max"] == found["edge_lift_mm"]["leading"]
    assert detail["inset_mm"] == 10.0
    assert detail["mean_at_inset"] == pytest.approx(0.3 * np.exp(-10 / 60), abs=0.03)
    assert 0 <= detail["at_mm"] <= 500
    assert found["form_order"] == [4, 2]


def test_noise_is_stated():
    quiet, loud = (summary(_maps(noise_mm=sd)) for sd in (0.002, 0.008))
    assert quiet["noise_mm"] == pytest.approx(0.002, rel=0.1)
    assert loud["noise_mm"] == pytest.approx(0.008, rel=0.1)
    assert loud["detection_depth_mm"] == pytest.approx(4 * quiet["detection_depth_mm"], rel=0.2)
    assert loud["depth_mm"]["u_max"] > 2 * quiet["depth_mm"]["u_max"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"length_mm": 1300.0}, "waves long; below 8 the form and the roll wave cannot be told"),
        ({"length_mm": 700.0}, "No point of the lite has all three contacts clear"),
        ({"amplitude": 0.0}, "No wave deeper than the detection bound of 0.0"),
        ({"noise_mm": 0.05}, "The noise of the scan is large: waves below 0."),
        (
            {"settings": {"gauge": {"feet": "fixed", "half_span_mm": 38.0}}},
            "With feet 38 mm from the plunger the gauge is nearly blind to waves of 240 mm "
            "(gain 0.46)",
        ),
        ({"amplitude": 4e-5, "noise_mm": 1e-6}, "m read as mm look like this"),
    ],
)
def test_doubts_are_sentences(options, words):
    doubts = summary(_maps(**options))["doubts"]
    assert any(words in text for text in doubts), doubts
    for text in doubts:
        assert text.endswith(".")
        assert text[0].isupper()


def test_a_good_lite_has_no_doubts(maps):
    assert summary(maps)["doubts"] == []


def test_much_that_is_missing_is_a_doubt():
    scan = surfaces.scan(lambda x, y: 0.04 * np.cos(2 * np.pi * x / 240) + 0 * y, **GRID)
    height = scan.height.values.copy()
    height[np.random.default_rng(4).random(height.shape) < 0.45] = np.nan
    found = summary(process(scan.assign(height=(("x", "y"), height, scan.height.attrs))))
    share = round(100 * found["coverage"])
    assert f"Only {share} % of the glass was measured." in found["doubts"]
