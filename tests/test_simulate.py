"""The simulated scanner: where things land, what the noise is, what the truth says."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

import make_samples
import surfaces
from midchord.configs import shipped
from midchord.simulate import simulate, write_simulated
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord_io.errors import EmptyScan, OutputError
from midchord_io.results import read_truth
from midchord_io.scan import check_scan

PLAIN: dict[str, Any] = {
    "lite": {"length_mm": 900.0, "width_mm": 400.0, "id": "plain"},
    "scanner": {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0, "frame": "lite"},
    "form": {"bow_along_mm": 1.0},
}


def plain(**sections: Any) -> tuple[xr.Dataset, xr.Dataset]:
    return simulate(Recipe.of({**PLAIN, **sections}))


def noise_of(seed: int = 3, **noise: float) -> np.ndarray:
    """Noise alone, float64 (x, y): the scan less the exact surface."""
    recipe = Recipe.of({**PLAIN, "seed": seed, "noise": noise})
    scan, _ = simulate(recipe)
    exact = Surface(recipe).height(scan.x.values[:, None], scan.y.values[None, :])
    return scan.height.values.astype(np.float64) - exact


def test_without_noise_the_scan_is_the_surface() -> None:
    recipe = surfaces.recipe(noise=None, dropouts=None)
    scan, _ = simulate(recipe)
    check_scan(scan)
    surface = Surface(recipe)
    u, v = surface.to_lite(scan.x.values[:, None], scan.y.values[None, :])
    exact = np.where(surface.is_glass(u, v), surface.height(u, v), np.nan)
    np.testing.assert_array_equal(scan.height.values, exact.astype(np.float32))
    assert scan.attrs["thickness_mm"] == 8.0
    assert scan.attrs["scanned_at"] == "2026-01-01T00:00:00Z"


def test_the_machine_raster_covers_the_lite_and_its_margin() -> None:
    scan, truth = surfaces.lite()
    corners = np.array(list(truth.attrs["corners_machine_mm"].values()))
    for axis, pitch, places in (("x", 2.0, corners[:, 0]), ("y", 10.0, corners[:, 1])):
        positions = scan[axis].values
        np.testing.assert_array_equal(positions % pitch, 0)
        assert -pitch < positions[0] - (places.min() - 25) <= 0
        assert 0 <= positions[-1] - (places.max() + 25) < pitch


def test_a_lite_frame_has_cell_centres() -> None:
    scan, truth = plain()
    assert scan.x.values[[0, -1]].tolist() == [0.5, 899.5]
    assert scan.y.values[[0, -1]].tolist() == [1.0, 399.0]
    assert truth.attrs["corners_machine_mm"]["trailing_right"] == [900.0, 400.0]


@pytest.mark.parametrize("skew_deg", [0.0, 1.2, -2.5])
def test_a_bump_lands_where_the_formula_says(skew_deg: float) -> None:
    scan, _ = plain(
        scanner={"pitch_x_mm": 1.0, "pitch_y_mm": 1.0},
        position={"skew_deg": skew_deg, "offset_x_mm": 60.0, "offset_y_mm": 40.0},
        bumps=[{"x_mm": 220.0, "y_mm": 70.0, "height_mm": 30.0, "width_mm": 8.0}],
    )
    row, column = np.unravel_index(np.nanargmax(scan.height.values), scan.height.shape)
    turn = math.radians(skew_deg)
    assert scan.x.values[row] == pytest.approx(
        60 + 220 * math.cos(turn) - 70 * math.sin(turn), abs=0.6
    )
    assert scan.y.values[column] == pytest.approx(
        40 + 220 * math.sin(turn) + 70 * math.cos(turn), abs=0.6
    )


def test_nothing_is_seen_beside_the_lite_unless_there_is_a_belt() -> None:
    hole = {"holes": [{"x_mm": 300, "y_mm": 100, "diameter_mm": 50}]}
    place = {"skew_deg": 1.0, "margin_mm": 30.0}
    scanner = {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0}
    bare, truth = plain(scanner=scanner, position=place, outline=hole)
    belt, _ = plain(scanner=scanner, position={**place, "belt_mm": -40.0}, outline=hole)
    off = np.isnan(bare.height.values)
    assert np.isfinite(belt.height.values).all()
    assert (belt.height.values[off] == -40).all()
    assert (~off).sum() == truth.attrs["glass_points"]
    assert truth.attrs["glass_points"] * 2 == pytest.approx(900 * 400 - math.pi * 625, rel=2e-3)


def test_white_noise_has_its_sigma_and_no_memory() -> None:
    noise = noise_of(white_sigma_mm=0.005)
    n = noise.size  # 180 000: sigma is known to 0.17 %, a correlation to 0.0024
    assert noise.std() == pytest.approx(0.005, rel=4 * math.sqrt(0.5 / n))
    assert noise.mean() == pytest.approx(0, abs=4 * 0.005 / math.sqrt(n))
    for axis in (0, 1):
        assert abs(correlation(noise, 1, axis)) < 4 / math.sqrt(n)


def correlation(field: np.ndarray, lag: int, axis: int) -> float:
    field = np.moveaxis(field, axis, 0)
    return float(np.mean(field[lag:] * field[:-lag]) / np.mean(field**2))


def test_correlated_noise_is_exponential_along_both_axes_and_stationary() -> None:
    """exp(-d/6 mm) along x, exp(-d/10 mm) across, by 12 seeds: means to about 0.01."""
    fields = [
        noise_of(seed, correlated_sigma_mm=0.004, correlation_x_mm=6, correlation_y_mm=10)
        for seed in range(12)
    ]
    stack = np.stack(fields)
    for lag in (1, 4, 10):
        along = np.mean([correlation(field, lag, 0) for field in fields])
        across = np.mean([correlation(field, lag, 1) for field in fields])
        assert along == pytest.approx(math.exp(-lag / 6), abs=0.012)
        assert across == pytest.approx(math.exp(-2 * lag / 10), abs=0.012)
    assert stack.std() == pytest.approx(0.004, rel=0.01)
    # the first row and column are like all others
    assert stack[:, 0].std() == pytest.approx(0.004, rel=0.08)
    assert stack[:, :, 0].std() == pytest.approx(0.004, rel=0.08)


def test_correlation_along_one_axis_only() -> None:
    noise = noise_of(correlated_sigma_mm=0.004, correlation_x_mm=8)
    assert correlation(noise, 1, 0) == pytest.approx(math.exp(-1 / 8), abs=0.01)
    assert abs(correlation(noise, 1, 1)) < 0.02


def test_the_size_of_the_blocks_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    recipe = surfaces.recipe(
        noise={
            "correlated_sigma_mm": 0.002,
            "correlation_x_mm": 30,
            "correlation_y_mm": 20,
        },
        dropouts={"share": 0.02, "patches": 2, "streaks": 1},
    )
    whole, _ = simulate(recipe)
    monkeypatch.setattr(sys.modules["midchord.simulate"], "BLOCK_POINTS", 5000)
    blocks, _ = simulate(recipe)
    np.testing.assert_allclose(blocks.height.values, whole.height.values, rtol=0, atol=1e-7)


def test_the_sensor_rounds_to_its_step() -> None:
    scan, _ = plain(noise={"white_sigma_mm": 0.01, "quantum_mm": 1 / 256})
    steps = scan.height.values * 256
    np.testing.assert_array_equal(steps, np.rint(steps))
    smooth = noise_of(quantum_mm=0.004)
    assert 0.0019 < np.abs(smooth).max() <= 0.002 + 1e-7
    # variances add: step^2 / 12 (Sheppard's correction, from memory)
    dithered = noise_of(white_sigma_mm=0.01, quantum_mm=0.01)
    assert dithered.std() == pytest.approx(0.01 * math.sqrt(1 + 1 / 12), rel=0.007)


def test_spikes_have_their_share_and_size() -> None:
    recipe = Recipe.of({**PLAIN, "spikes": {"share": 0.003, "size_mm": 2.0}})
    scan, truth = simulate(recipe)
    exact = Surface(recipe).height(scan.x.values[:, None], scan.y.values[None, :])
    off = np.abs(scan.height.values - exact)
    is_spike = off > 0.5
    assert is_spike.sum() == truth.attrs["spike_count"]
    expected = 0.003 * off.size
    assert is_spike.sum() == pytest.approx(expected, abs=4 * math.sqrt(expected))
    assert off[is_spike].min() >= 1.0 - 1e-6
    assert off[is_spike].max() <= 3.0 + 1e-6
    assert off[~is_spike].max() < 1e-6


def test_scattered_dropouts_have_their_share() -> None:
    scan, truth = plain(dropouts={"share": 0.02})
    n = scan.height.size
    lost = int(np.isnan(scan.height.values).sum())
    assert lost == truth.attrs["dropout_count"]
    assert truth.attrs["dropout_share"] == lost / n
    assert lost / n == pytest.approx(0.02, abs=4 * math.sqrt(0.02 / n))


def test_a_patch_is_round_and_a_streak_runs_along_the_travel() -> None:
    scan, _ = plain(dropouts={"patches": 1, "patch_mm": 40.0}, seed=2)
    lost = np.isnan(scan.height.values)
    assert lost.sum() * 2 == pytest.approx(math.pi * 400, rel=0.06)
    assert np.ptp(np.flatnonzero(lost.any(axis=1))) == pytest.approx(40, abs=2)
    scan, _ = plain(dropouts={"streaks": 1, "streak_width_mm": 2.0, "streak_length_mm": 150.0})
    lost = np.isnan(scan.height.values)
    assert lost.any(axis=1).sum() == 150
    assert lost.any(axis=0).sum() == 1


def test_a_recipe_gives_the_same_scan_and_each_kind_has_its_own_stream() -> None:
    first, again = surfaces.lite()[0], surfaces.lite()[0]
    np.testing.assert_array_equal(first.height.values, again.height.values)
    other = surfaces.lite(seed=8)[0]
    assert (first.height.values != other.height.values).mean() > 0.5
    # more dropouts leave the noise of the points that stay as it was
    more = surfaces.lite(dropouts={"share": 0.1})[0].height.values
    stays = np.isfinite(more)
    np.testing.assert_array_equal(more[stays], first.height.values[stays])


def test_the_truth_says_what_the_recipe_says() -> None:
    recipe = surfaces.recipe()
    _, truth = simulate(recipe)
    surface = Surface(recipe)
    assert truth.x.values[[0, -1]].tolist() == [0.0, 2200.0]
    assert truth.y.values[[0, -1]].tolist() == [0.0, 600.0]
    x, y = truth.x.values[:, None], truth.y.values[None, :]
    for part in ("roll", "form", "edge_lift", "imprint"):
        exact = np.broadcast_to(getattr(surface, part)(x, y), truth[part].shape)
        np.testing.assert_allclose(truth[part].values, exact, rtol=0, atol=3e-7)
        assert truth[part].attrs["units"] == "mm"
    assert truth.attrs["bow_mm"]["left"]["mm"] == pytest.approx(2.5, rel=1e-6)
    assert truth.attrs["bow_mm"]["leading"]["mm"] == pytest.approx(0.6, rel=1e-5)
    lift = truth.attrs["edge_lift_mm"]
    assert lift["leading"]["mean"] == pytest.approx(0.25)
    assert lift["trailing"]["max_at_inset"] == pytest.approx(0.18 * math.exp(-10 / 45))
    assert lift["left"]["max"] == 0.0
    assert truth.attrs["corners_machine_mm"]["leading_left"] == [47.0, 31.0]
    assert Recipe.of(json.loads(truth.attrs["recipe"])) == recipe
    lines = np.unique(truth.hw_line_y_mm.values)
    np.testing.assert_array_equal(lines, [100, 200, 300, 400, 500])
    # amplitude 0.045 (1 + 0.2 s), s = -2/3 at y = 100: the wave does not vary along x
    depth = truth.hw_surface_depth_mm.values[truth.hw_line_y_mm.values == 100]
    np.testing.assert_allclose(depth, 0.09 * (1 - 0.2 * 2 / 3), rtol=1e-9)


def test_no_wave_has_no_half_wave() -> None:
    _, truth = plain()
    assert truth.attrs["no_wave"] is True
    assert truth.attrs["mean_wavelength_mm"] is None
    assert truth.attrs["half_span_mm"] == 150.0
    assert truth.sizes["half_wave"] == 0


def test_nothing_left_to_measure_is_refused() -> None:
    with pytest.raises(EmptyScan, match=r"plain: no measured height"):
        plain(outline={"holes": [{"x_mm": 450, "y_mm": 200, "diameter_mm": 2000}]})


def test_scan_and_truth_are_written_side_by_side(tmp_path: Path) -> None:
    from midchord_io.adapters import open_scan

    recipe = surfaces.recipe()
    scan_path, truth_path = write_simulated(recipe, tmp_path / "lite-3.nc")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["lite-3.nc", "lite-3.truth.nc"]
    scan, truth = simulate(recipe)
    stored = open_scan(scan_path)
    # heights are stored to a nanometre
    np.testing.assert_allclose(stored.height.values, scan.height.values, rtol=0, atol=2e-6)
    assert stored.attrs["lite_id"] == "small"
    read = read_truth(truth_path)
    assert read.attrs["bow_mm"] == truth.attrs["bow_mm"]
    np.testing.assert_allclose(read.hw_depth_mm, truth.hw_depth_mm, rtol=1e-6)


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(OutputError, match=r"taken: it cannot be written to"):
        write_simulated(surfaces.recipe(), tmp_path / "taken" / "lite.nc")


def test_the_sample_scans_are_what_their_script_makes(tmp_path: Path) -> None:
    from midchord_io.adapters import open_scan

    make_samples.main(tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    kept = shipped("sample-scans")
    assert len(made) == 12
    for name in made:
        if name.endswith(".json"):
            fresh, stored = (
                json.loads((folder / name).read_text(encoding="utf-8"))
                for folder in (tmp_path, kept)
            )
            assert fresh["columns"] == stored["columns"]
            assert numbers_in(fresh) == pytest.approx(numbers_in(stored), rel=1e-7, abs=1e-9)
            continue
        source = kept / "coarse.source.toml" if name.endswith(".csv") else None
        fresh_scan, stored_scan = (open_scan(folder / name, source) for folder in (tmp_path, kept))
        off = np.abs(fresh_scan.height.values - stored_scan.height.values)
        # another processor may round a few heights to the neighbouring step
        assert np.nanmax(off) <= 1.001e-3
        assert np.nanmean(off > 0) < 1e-3
        np.testing.assert_array_equal(
            np.isnan(fresh_scan.height.values), np.isnan(stored_scan.height.values)
        )


def numbers_in(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for inner in value.values() for number in numbers_in(inner)]
    if isinstance(value, list):
        return [number for inner in value for number in numbers_in(inner)]
    return [float(value)] if isinstance(value, int | float) else []


def test_expected_figures_of_the_even_sample_are_closed_forms() -> None:
    stored = json.loads(shipped("sample-scans", "even.expected.json").read_text(encoding="utf-8"))
    assert stored["mean_wavelength_mm"] == pytest.approx(240)
    assert stored["half_span_mm"] == pytest.approx(120)
    row = dict(zip(stored["columns"], stored["half_waves"][4], strict=True))
    assert row["line_y_mm"] == 225
    # 0.04 mm (1 + 0.3 s), s = -1/2 a quarter of the way across; the swing is twice the depth
    depth_mm = 0.08 * 0.85
    assert row["surface_depth_mm"] == pytest.approx(depth_mm)
    assert row["depth_mm"] == pytest.approx(2 * depth_mm)
    assert row["gauge_distortion_mdpt"] == pytest.approx(
        2 * surfaces.distortion_mdpt(depth_mm, 240)
    )
