"""The whole path: scan to maps and summary, with every setting honoured and ugly input met."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import xarray as xr

import midchord
import surfaces
from midchord.configs import shipped
from midchord.run import map_file, process, summary
from midchord.settings import Settings
from midchord_io.errors import ImplausibleScan, LiteTooSmall, MidchordError, ScanError

GRID = {"length_mm": 2000.0, "width_mm": 400.0, "pitch_x_mm": 4.0, "pitch_y_mm": 10.0}
FIELDS = {
    "height": "mm",
    "residual": "mm",
    "reading": "mm",
    "depth": "mm",
    "surface_depth": "mm",
    "wavelength": "mm",
    "gauge_distortion": "mdpt",
    "surface_distortion": "mdpt",
    "power_x": "mdpt",
    "power_y": "mdpt",
    "gain": "1",
    "zone": "1",
    "quality": "1",
    "u_depth": "mm",
    "u_wavelength": "mm",
    "u_gauge_distortion": "mdpt",
    "u_surface_depth": "mm",
    "u_surface_distortion": "mdpt",
}
CONVENTIONS = {
    "depth": "gauge",
    "gauge_distortion": "gauge",
    "u_depth": "gauge",
    "u_gauge_distortion": "gauge",
    "surface_depth": "surface",
    "surface_distortion": "surface",
    "u_surface_depth": "surface",
    "u_surface_distortion": "surface",
}


def _wave(x, y, amplitude=0.04, length=240.0):
    return amplitude * np.cos(2 * np.pi * x / length) + 0 * y


def _scan(z_of=_wave, *, noise_mm=0.003, seed=0, **grid: Any) -> xr.Dataset:
    noise = np.random.default_rng(seed)

    def z(x, y):
        return z_of(x, y) + noise.normal(0, noise_mm, (x.size, y.size))

    return surfaces.scan(z, **{**GRID, **grid})


def _with(scan: xr.Dataset, is_missing: np.ndarray) -> xr.Dataset:
    height = scan.height.values.copy()
    height[is_missing] = np.nan
    return scan.assign(height=(("x", "y"), height, scan.height.attrs))


def _same(one: xr.Dataset, other: xr.Dataset) -> bool:
    return one.identical(other)


@pytest.fixture(scope="module")
def small() -> xr.Dataset:
    return surfaces.lite()[0]


@pytest.fixture(scope="module")
def maps(small) -> xr.Dataset:
    return process(small)


def test_every_field_is_there_with_units_name_and_convention(maps):
    for name, units in FIELDS.items():
        field = maps[name]
        assert field.dims == ("x", "y")
        assert field.attrs["units"] == units
        assert field.attrs["long_name"]
        assert field.attrs.get("convention") == CONVENTIONS.get(name)
        assert field.dtype == (np.uint8 if name in ("zone", "quality") else np.float32)
    for axis in ("x", "y"):
        assert maps[axis].attrs["units"] == "mm"
        assert (np.diff(maps[axis]) > 0).all()
    assert maps.zone.attrs["flag_meanings"] == "clear near edge no_glass"
    np.testing.assert_array_equal(maps.zone.attrs["flag_values"], [0, 1, 2, 255])
    assert maps.quality.attrs["flag_meanings"] == "measured filled spike dropout no_glass"
    assert maps.attrs["frame"] == "lite"
    assert maps.attrs["schema_version"] == 1
    assert maps.attrs["lite_id"] == "small"


def test_maps_have_their_own_grid_never_finer_than_the_scan(maps):
    # scan 2 x 10 mm: 5 mm along x, the scan's own lines across
    assert float(maps.x[0]) == pytest.approx(2.5)
    np.testing.assert_allclose(np.diff(maps.x), 5.0)
    np.testing.assert_allclose(np.diff(maps.y), 10.0, rtol=1e-3)
    assert maps.sizes["y"] == 60


def test_coarse_lines_across_keep_their_places():
    scan = _scan(pitch_y_mm=25.0)
    np.testing.assert_allclose(process(scan).y, scan.y)


def test_full_maps_are_at_scan_pitch():
    scan = _scan(length_mm=1400.0)
    full, plain = process(scan, full=True), process(scan)
    np.testing.assert_allclose(full.x, scan.x)
    np.testing.assert_array_equal(full.height.values, scan.height.values)
    shared = summary(full)["mean_wavelength_mm"]
    assert shared == pytest.approx(summary(plain)["mean_wavelength_mm"], rel=1e-4)


def test_the_figures_fit_each_other(maps):
    known = np.isfinite(maps.depth.values)
    distortion = 4e6 * np.pi**2 * maps.depth.values / maps.wavelength.values**2
    np.testing.assert_allclose(maps.gauge_distortion.values[known], distortion[known], rtol=1e-5)
    half_span = summary(maps)["half_span_mm"]
    gain = 1 - np.cos(2 * np.pi * half_span / maps.wavelength.values[known])
    np.testing.assert_allclose(maps.gain.values[known], gain, rtol=1e-5)
    clear = maps.zone.values == 0
    ratio = maps.depth.values[clear] / maps.surface_depth.values[clear]
    assert np.nanmedian(ratio) == pytest.approx(2.0, abs=0.02)
    for name in ("depth", "wavelength", "gauge_distortion", "surface_depth"):
        u = maps[f"u_{name}"].values
        assert (u[known & np.isfinite(u)] > 0).all()


def test_the_true_wave_is_found(maps):
    truth = surfaces.lite()[1]
    found = summary(maps)
    assert found["mean_wavelength_mm"] == pytest.approx(
        truth.attrs["mean_wavelength_mm"], rel=0.005
    )
    assert found["length_mm"] == pytest.approx(2200, abs=1)
    assert found["width_mm"] == pytest.approx(600, abs=2)
    assert found["skew_deg"] == pytest.approx(0.6, abs=0.02)
    assert not found["no_wave"]


def test_the_summary_is_strict_json_and_keeps_its_schema(maps, flat):
    def refuse(constant):
        raise AssertionError(f"{constant} is no JSON")

    text = maps.attrs["summary"]
    assert json.loads(text, parse_constant=refuse) == summary(maps)
    path = Path(midchord.__file__).with_name("summary.schema.json")
    schema = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.validate(summary(maps), schema)
    jsonschema.validate(summary(process(flat)), schema)


def test_the_same_scan_gives_the_same_maps_and_is_left_alone(small, maps):
    before = small.copy(deep=True)
    assert _same(process(small), maps)
    assert _same(small, before)


def test_a_lite_is_the_same_alone_and_after_others(small, maps):
    process(_scan(seed=1, length_mm=1500.0))
    assert _same(process(small), maps)


# one change a key; every one must change the maps, the table, the summary or what is refused
CHANGES: list[tuple[str, str, Any]] = [
    ("place", "largest_skew_deg", 0.3),
    ("place", "spike_sigma", 300.0),
    ("place", "fill_mm", 0.0),
    ("place", "glass_range_mm", 0.1),
    ("detrend", "largest_order", 2),
    ("detrend", "edge_lift_knots_mm", [80.0, 200.0]),
    ("detrend", "edge_lift_decay_mm", [90.0]),
    ("detrend", "edge_lift_inset_mm", 25.0),
    ("detrend", "filter_cutoff_mm", 900.0),
    ("gauge", "feet", "local"),
    ("gauge", "half_span_mm", 100.0),
    ("gauge", "fallback_half_span_mm", 100.0),
    ("zones", "edge_x_mm", 250.0),
    ("zones", "edge_y_mm", 100.0),
    ("zones", "grid_x", 4),
    ("zones", "grid_y", 2),
    ("waves", "band_min_mm", 230.0),
    ("waves", "band_max_mm", 225.0),
    ("waves", "pool_mm", 30.0),
    ("waves", "wavelength", "backward"),
    ("waves", "false_rate", 0.1),
    ("maps", "map_pitch_mm", 8.0),
    ("maps", "power_window_mm", 90.0),
    ("maps", "gain_blind", 1.99),
    ("lines", "every_mm", 200.0),
]
CONTEXT: dict[tuple[str, str], dict[str, Any]] = {
    ("gauge", "half_span_mm"): {"gauge": {"feet": "fixed", "half_span_mm": 90.0}},
    ("waves", "band_max_mm"): {"waves": {"band_min_mm": 100.0}},
}
"""What must be set beside a key for it to have anything to say."""


@pytest.fixture(scope="module")
def spiked() -> xr.Dataset:
    scanner = {"pitch_x_mm": 4.0, "pitch_y_mm": 20.0}
    return surfaces.lite(scanner=scanner, spikes={"share": 0.002, "size_mm": 0.5})[0]


@pytest.fixture(scope="module")
def flat() -> xr.Dataset:
    return _scan(lambda x, y: 0 * x * y)


@pytest.fixture(scope="module")
def unchanged() -> dict[tuple[int, str], Any]:
    """Results before the change, by scan and context: made once."""
    return {}


def _result(scan: xr.Dataset, changes: dict[str, Any]) -> tuple[Any, ...]:
    """What a user sees, but for the settings themselves."""
    try:
        done = process(scan, Settings.of(changes))
    except MidchordError as refused:
        return (str(refused),)
    found = summary(done)
    del found["settings"]
    bare = done.drop_attrs(deep=False)
    comments = {name: dict(field.attrs).get("comment") for name, field in done.items()}
    return (found, comments, {k: v.values.tobytes() for k, v in bare.variables.items()})


@pytest.mark.parametrize(("section", "key", "value"), CHANGES, ids=lambda v: str(v))
def test_no_setting_is_silently_ignored(section, key, value, spiked, flat, unchanged):
    scan = flat if key == "fallback_half_span_mm" else spiked
    context = CONTEXT.get((section, key), {})
    changed = {**context, section: {**context.get(section, {}), key: value}}
    before = (id(scan), json.dumps(context))
    if before not in unchanged:
        unchanged[before] = _result(scan, context)
    assert unchanged[before] != _result(scan, changed)
    default = Settings.of(context).model_dump()[section][key]
    assert default != value


def test_the_settings_tested_are_all_there_are():
    tested = {(section, key) for section, key, _ in CHANGES}
    existing = {
        (section, key)
        for section, keys in Settings.load().model_dump().items()
        for key in keys
        if section not in ("judge", "reference")  # tested with the verdict, and the flat reference
    }
    assert tested == existing


def test_settings_travel_with_the_result():
    settings = Settings.of({"gauge": {"feet": "fixed", "half_span_mm": 101.5}})
    done = process(_scan(), settings)
    assert Settings.of(json.loads(done.attrs["settings"])) == settings
    assert summary(done)["settings"]["gauge"]["half_span_mm"] == 101.5
    assert summary(done)["half_span_mm"] == 101.5
    assert summary(done)["feet"] == "fixed"


@pytest.mark.parametrize("feet", ["mean", "line", "local", "fixed"])
def test_every_kind_of_feet_gives_maps(feet):
    length = {"half_span_mm": 120.0} if feet == "fixed" else {}
    done = process(_scan(), Settings.of({"gauge": {"feet": feet, **length}}))
    clear = done.zone.values == 0
    assert float(np.nanmean(done.depth.values[clear])) == pytest.approx(0.16, rel=0.01)
    reading = done.reading.values[clear]
    assert np.isfinite(reading).mean() > 0.99


def test_a_lite_without_a_wave_has_nulls_and_says_so(flat):
    done = process(flat)
    found = summary(done)
    assert found["no_wave"] is True
    assert found["mean_wavelength_mm"] is None
    assert found["depth_mm"]["max"] is None
    assert found["gauge_distortion_mdpt"]["mean"] is None
    assert found["half_span_mm"] == 150.0
    assert found["detection_depth_mm"] > 0
    assert np.isnan(done.depth.values).all()
    assert np.isfinite(done.reading.values).any()
    assert done.sizes["half_wave"] == 0
    assert any("No wave deeper than the detection bound" in text for text in found["doubts"])


def test_a_blind_gauge_is_not_taken_for_a_lite_without_waves():
    done = process(_scan(), Settings.of({"gauge": {"feet": "fixed", "half_span_mm": 240.0}}))
    found = summary(done)
    assert found["no_wave"] is False
    assert found["surface_depth_mm"]["mean"] == pytest.approx(0.08, rel=0.01)
    assert any("nearly blind to waves of 240 mm (gain 0.00)" in text for text in found["doubts"])


def test_a_hole_takes_its_own_points_and_is_no_dropout():
    scan = _scan(length_mm=2400.0)
    x, y = np.meshgrid(scan.x, scan.y, indexing="ij")
    hole = (x - 1200) ** 2 + (y - 200) ** 2 < 70**2
    done = process(_with(scan, hole))
    inside = (done.x.values[:, None] - 1200) ** 2 + (done.y.values - 200) ** 2 < 55**2
    assert np.isnan(done.depth.values[inside]).all()
    assert (done.quality.values[inside] == 4).all()
    assert (done.zone.values[inside] == 255).all()
    away = (np.abs(done.y.values - 200) > 100)[np.newaxis, :] & (done.zone.values == 0)
    assert np.isfinite(done.depth.values[away]).all()
    assert summary(done)["coverage"] == pytest.approx(1.0, abs=1e-3)


def test_a_measured_strip_is_mapped_alone():
    scan = _scan(width_mm=600.0)
    outside = np.ones(scan.height.shape, bool)
    outside[:, 20:40] = False
    done = process(_with(scan, outside))
    there = (done.y.values > 200) & (done.y.values < 400)
    assert np.isnan(done.height.values[:, ~there]).all()
    assert np.isfinite(done.height.values[:, there]).all()
    clear = done.zone.values == 0
    assert np.isnan(done.depth.values[:, ~there]).all()
    assert summary(done)["coverage"] == pytest.approx(1 / 3, abs=0.01)
    assert any("33 % of the glass was measured" in text for text in summary(done)["doubts"])
    assert float(np.nanmean(done.depth.values[clear])) == pytest.approx(0.16, rel=0.01)


def test_one_missing_height_changes_hardly_anything():
    scan = _scan()
    one = np.zeros(scan.height.shape, bool)
    one[250, 20] = True
    done, whole = process(_with(scan, one)), process(scan)
    np.testing.assert_array_equal(np.isnan(done.depth), np.isnan(whole.depth))
    np.testing.assert_allclose(done.depth, whole.depth, atol=2e-4)


def test_a_lite_that_is_no_rectangle():
    corners = {
        "leading_left": (0.0, 0.0),
        "trailing_left": (2200.0, 30.0),
        "trailing_right": (2150.0, 570.0),
        "leading_right": (20.0, 600.0),
    }
    scan, truth = surfaces.lite(outline={"corners_mm": corners})
    found = summary(process(scan))
    assert found["rectangular"] is False
    true_mm = truth.attrs["mean_wavelength_mm"]
    assert found["mean_wavelength_mm"] == pytest.approx(true_mm, rel=0.01)


def test_a_scan_on_the_lite_frame_keeps_its_coordinates():
    scan = _scan()
    moved = scan.assign_coords(x=scan.x + 1000.0, y=scan.y - 77.0)
    here, there = process(scan), process(moved)
    np.testing.assert_allclose(there.x, here.x + 1000.0)
    np.testing.assert_allclose(there.y, here.y - 77.0)
    np.testing.assert_allclose(there.depth, here.depth, atol=1e-5)
    assert summary(there)["skew_deg"] == 0.0


def test_turning_the_scan_round_turns_the_maps():
    def z(x, y):
        return _wave(x, y) * (1 + 0.3 * x / 2000 + 0.2 * y / 400) + 2e-6 * (x - 900) ** 2

    scan = _scan(z, noise_mm=0.0)
    for axis in ("x", "y"):
        number = 0 if axis == "x" else 1
        turned = scan.assign(
            height=(("x", "y"), np.flip(scan.height.values, number), scan.height.attrs)
        )
        one, other = process(scan), process(turned)
        for name in ("surface_depth", "depth", "wavelength"):
            both = np.isfinite(one[name].values)
            back = np.flip(other[name].values, number)
            assert (np.isfinite(back) == both).mean() > 0.97
            off = np.abs(back - one[name].values) / one[name].values
            assert np.nanpercentile(off, 95) < 0.01


def test_scaling_the_heights_scales_the_figures():
    one, double = (process(_scan(lambda x, y, k=k: k * _wave(x, y), noise_mm=0.0)) for k in (1, 2))
    np.testing.assert_allclose(double.depth, 2 * one.depth, rtol=2e-3)
    np.testing.assert_allclose(double.gauge_distortion, 2 * one.gauge_distortion, rtol=3e-3)
    np.testing.assert_allclose(double.wavelength, one.wavelength, rtol=1e-3)


def test_the_sign_of_power_is_positive_where_the_face_is_concave():
    done = process(_scan(lambda x, y: _wave(x, y) + 5e-6 * (x - 1000) ** 2))
    # P = 2 z'' = 20 mdpt of the bowl; the wave cancels in the mean over whole waves
    inner = (done.x.values > 280) & (done.x.values < 1720)
    assert float(np.nanmean(done.power_x.values[inner])) == pytest.approx(20.0, abs=1.0)
    # a valley of the wave is concave
    valley = np.abs(done.x.values - 1080) < 3
    peak = np.abs(done.x.values - 960) < 3
    assert np.nanmean(done.power_x.values[valley]) > 60
    assert np.nanmean(done.power_x.values[peak]) < -20


def test_um_read_as_mm_is_refused():
    with pytest.raises(ImplausibleScan) as refused:
        process(_scan(lambda x, y: _wave(x, y, amplitude=4.0)))
    assert "constructed: waves of 7.9 mm once bow and edge lift are out" in str(refused.value)
    assert "um read as mm look like this." in str(refused.value)


def test_m_read_as_mm_is_doubted():
    found = summary(process(_scan(lambda x, y: _wave(x, y, amplitude=4e-5), noise_mm=3e-6)))
    assert any("m read as mm look like this" in text for text in found["doubts"])


def test_a_band_finer_than_the_scan_is_refused():
    with pytest.raises(ScanError) as refused:
        process(_scan(), Settings.of({"waves": {"band_min_mm": 1.0, "band_max_mm": 3.0}}))
    assert str(refused.value) == (
        "constructed: heights 4 mm apart along x and a band of roll waves up to 3 mm; at least "
        "6.25 heights a wave; scan with a finer pitch along the travel."
    )


def test_a_lite_too_short_is_refused_by_its_name():
    with pytest.raises(LiteTooSmall, match=r"^constructed: .*; scan more of the lite"):
        process(_scan(length_mm=100.0, width_mm=60.0))
    with pytest.raises(LiteTooSmall, match=r"^constructed: a lite 200 mm long; more than two"):
        process(_scan(length_mm=200.0, width_mm=900.0, pitch_y_mm=5.0))


UGLY: dict[str, dict[str, Any]] = {
    "two waves": {"length_mm": 600.0, "width_mm": 300.0},
    "three columns": {"width_mm": 900.0, "pitch_y_mm": 300.0},
    "three narrow columns": {"width_mm": 60.0, "pitch_y_mm": 20.0},
    "half a millimetre by 25": {"pitch_x_mm": 0.5, "pitch_y_mm": 25.0},
    "11 by 3": {"pitch_x_mm": 11.0, "pitch_y_mm": 3.0},
    "coarse": {"pitch_x_mm": 30.0, "pitch_y_mm": 30.0, "width_mm": 900.0},
    "rounded to 10 um": {"z_of": lambda x, y: np.round(_wave(x, y) / 0.01) * 0.01, "noise_mm": 0},
    "tilted by 100 mm": {"z_of": lambda x, y: _wave(x, y) + 0.05 * x},
    "far from zero": {"z_of": lambda x, y: _wave(x, y) + 1000.0},
    "very noisy": {"noise_mm": 0.5},
    "noise and wave": {"noise_mm": 0.1},
    "no noise": {"noise_mm": 0.0},
    "a plane": {"z_of": lambda x, y: 1e-4 * x + 0 * y, "noise_mm": 0.0},
    "one wave only": {
        "z_of": lambda x, y: _wave(x, y) * (np.abs(x - 400) < 130),
        "length_mm": 800.0,
    },
    "long and thin": {"length_mm": 6000.0, "width_mm": 60.0, "pitch_y_mm": 10.0},
    "wide and short": {"length_mm": 700.0, "width_mm": 1500.0},
}


@pytest.mark.parametrize("name", UGLY)
def test_ugly_input_gives_figures_or_nulls(name):
    done = process(_scan(**UGLY[name]))
    found = summary(done)
    if found["depth_mm"]["mean"] is None:
        assert found["no_wave"] or found["clear_area_mm2"] == 0
        assert found["doubts"]
    else:
        # at 0.1 mm of noise only the waves that stand out by chance have a figure: a doubt says so
        # and steps of 10 um without any noise to blur them leave half a step of doubt in a depth
        rel = {"noise and wave": 0.5, "rounded to 10 um": 0.03}.get(name, 0.02)
        assert (name == "noise and wave") == any(
            text.startswith("The noise") for text in found["doubts"]
        )
        assert found["depth_mm"]["mean"] == pytest.approx(0.16, rel=rel)
        if name != "noise and wave":  # hardly two neighbouring half waves stand out of that
            assert found["mean_wavelength_mm"] == pytest.approx(240, rel=0.1)
        if name == "rounded to 10 um":
            assert any("rounded to 0.01 mm" in text for text in found["doubts"])
            assert abs(found["depth_mm"]["mean"] - 0.16) < 2 * found["depth_mm"]["u_max"]


@pytest.mark.parametrize("share", [0.3, 0.5])
def test_many_dropouts_cost_certainty_not_truth(share):
    scan = _scan(length_mm=2400.0)
    missing = np.random.default_rng(1).random(scan.height.shape) < share
    found, whole = summary(process(_with(scan, missing))), summary(process(scan))
    assert found["depth_mm"]["mean"] == pytest.approx(0.16, rel=0.01)
    assert found["coverage"] == pytest.approx(1 - share, abs=0.03)
    assert found["depth_mm"]["u_max"] > 0.9 * whole["depth_mm"]["u_max"]


@pytest.mark.parametrize(
    "settings",
    [
        {"detrend": {"edge_lift_knots_mm": [], "edge_lift_decay_mm": []}},
        {"detrend": {"filter_cutoff_mm": 700.0}},
        {"maps": {"map_pitch_mm": 5000.0}},
        {"maps": {"power_window_mm": 5000.0}},
        {"zones": {"edge_x_mm": 5000.0}},
        {"zones": {"edge_x_mm": 0.0, "edge_y_mm": 0.0, "grid_x": 50, "grid_y": 50}},
        {"waves": {"pool_mm": 5000.0}},
        {"lines": {"every_mm": 1e6}},
    ],
    ids=str,
)
def test_odd_settings_give_maps_and_doubts_not_tracebacks(settings):
    found = summary(process(_scan(), Settings.of(settings)))
    if found["depth_mm"]["mean"] is None:
        assert found["doubts"]
    else:
        assert found["depth_mm"]["mean"] == pytest.approx(0.16, rel=0.01)


def test_a_dead_scan_is_refused_in_one_sentence():
    scan = _scan()
    missing = np.random.default_rng(2).random(scan.height.shape) < 0.999
    with pytest.raises(ScanError) as refused:
        process(_with(scan, missing))
    assert str(refused.value).startswith("constructed: ")
    assert str(refused.value).count(";") == 2


def test_a_file_is_mapped_with_its_name_and_digest():
    path = next(iter(sorted(shipped("sample-scans").glob("*.nc"))))
    done = map_file(path)
    found = summary(done)
    assert found["source_file"]
    assert len(found["source_sha256"]) == 64
    assert found["verdict"] == "not judged"
