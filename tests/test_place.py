"""A lite from its scan: where it lies, its heights on its own frame, what is missing."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.place import place
from midchord.placing.region import DROPOUT, FILLED, MEASURED, NO_GLASS, Grid
from midchord.placing.resampling import resample
from midchord_io.errors import LiteTooSmall, ScanError
from midchord_io.scan import check_scan, make_scan
from turned import steep, turned, worst_corner_mm

OPTIONS = {
    "largest_skew_deg": 3.0,
    "spike_sigma": 6.0,
    "fill_mm": 12.0,
    "glass_range_mm": 60.0,
}


def wave(u, v):
    return 0.05 * np.sin(2 * np.pi * (u + 0.01 * v) / 120.0) + 0.001 * u


def _truth(lite, surface):
    return surface(lite["x"].values[:, None], lite["y"].values[None, :])


def test_size_skew_and_corners_of_a_turned_lite():
    case = turned(steep, skew_deg=1.2, noise_mm=0.003, dropout_share=0.02)
    lite = place(case.scan, **OPTIONS)
    assert lite.attrs["length_mm"] == pytest.approx(1200.0, abs=0.1)
    assert lite.attrs["width_mm"] == pytest.approx(700.0, abs=0.1)
    assert lite.attrs["skew_deg"] == pytest.approx(1.2, abs=0.01)
    assert worst_corner_mm(lite, case) < 0.1
    assert lite.attrs["rectangular"] is True
    assert lite.attrs["frame"] == "lite"
    assert lite.attrs["coverage"] == pytest.approx(0.98, abs=0.002)
    assert lite.attrs["dropout_share"] == pytest.approx(0.02, abs=0.002)
    assert lite.attrs["spike_count"] == 0
    assert lite.attrs["noise_mm"] == pytest.approx(0.003, rel=0.05)
    assert lite["height"].dtype == np.float32
    assert lite["state"].dtype == np.uint8
    check_scan(lite)


def test_cell_centres_lie_at_half_pitches():
    lite = place(turned(steep, skew_deg=1.2).scan, **OPTIONS)
    assert lite["x"].values[:3].tolist() == [0.5, 1.5, 2.5]
    assert lite["y"].values[:3].tolist() == [3.0, 9.0, 15.0]
    assert lite.sizes == {"x": 1200, "y": 117}


@pytest.mark.parametrize("skew_deg", [-2.9, -0.4, 1.2, 3.0])
def test_the_bump_is_where_it_was_put(skew_deg):
    case = turned(steep, skew_deg=skew_deg, pitch_mm=(1.0, 2.0))
    lite = place(case.scan, **(OPTIONS | {"largest_skew_deg": 3.1}))
    near = lite["height"].sel(x=slice(360, 480), y=slice(90, 210))
    flat = steep(near["x"].values[:, None], np.full((1, near.sizes["y"]), 400.0))
    bump = near.values - flat - steep(900.0, near["y"].values[None, :]) + steep(900.0, 400.0)
    i, j = np.unravel_index(np.nanargmax(bump), bump.shape)
    assert near["x"].values[i] == pytest.approx(420.0, abs=4.0)
    assert near["y"].values[j] == pytest.approx(150.0, abs=4.0)
    truth = _truth(lite, steep)
    inner = (slice(30, -30), slice(10, -10))
    assert np.nanmax(np.abs(lite["height"].values - truth)[inner]) < 0.003


@pytest.mark.parametrize("across_mm", [1.0, 25.0])
@pytest.mark.parametrize("skew_deg", [-3.0, 0.02, 1.7])
def test_a_wave_of_120_mm_is_kept_to_1e_4(across_mm, skew_deg):
    case = turned(wave, skew_deg=skew_deg, pitch_mm=(1.0, across_mm))
    cos, sin = np.cos(np.deg2rad(skew_deg)), np.sin(np.deg2rad(skew_deg))
    x, y = case.scan["x"].values, case.scan["y"].values
    grid = Grid(x[0], y[0], 1.0, across_mm, x.size, y.size)
    # from heights in which float32 rounding is far below the tolerance
    u, v = case.along_mm, case.across_mm
    height = (0.05 * np.sin(2 * np.pi * (u + 0.01 * v) / 120.0)).astype(np.float32)
    target = Grid(100.5, 100.0 + across_mm / 2, 1.0, across_mm, 1000, int(500 / across_mm))
    turned_height, state = resample(
        height, np.zeros(height.shape, np.uint8), grid, target,
        np.array([60.37, 40.71, np.arctan2(sin, cos)]), np.zeros((0, 3)),
    )  # fmt: skip
    truth = 0.05 * np.sin(2 * np.pi * (target.x_mm[:, None] + 0.01 * target.y_mm[None, :]) / 120.0)
    assert (state == MEASURED).all()
    assert np.abs(turned_height - truth).max() < 1e-4 * 0.05


def _slow_resample(height, grid, target, frame):
    """The plain version: Lagrange weights by their definition, one cell after another."""

    def weights(t, nodes):
        return {
            a: np.prod([(t - b) / (a - b) for b in nodes if b != a], initial=1.0) for a in nodes
        }

    def total(i, j, in_x, in_y):
        value = 0.0
        for a, wa in in_x.items():
            for b, wb in in_y.items():
                if wa * wb == 0.0:
                    continue
                if not (0 <= i + a < height.shape[0] and 0 <= j + b < height.shape[1]):
                    return np.nan
                value += wa * wb * float(height[i + a, j + b])
        return value

    out = np.full((target.nx, target.ny), np.nan)
    for p, u in enumerate(target.x_mm):
        for q, v in enumerate(target.y_mm):
            x = frame[0] + u * np.cos(frame[2]) - v * np.sin(frame[2]) - grid.x0_mm
            y = frame[1] + u * np.sin(frame[2]) + v * np.cos(frame[2]) - grid.y0_mm
            x, y = x / grid.pitch_x_mm, y / grid.pitch_y_mm
            i, j = int(np.floor(x)), int(np.floor(y))
            cubic, linear = (-1, 0, 1, 2), (0, 1)
            for nodes_x, nodes_y in (
                (cubic, cubic), (cubic, linear), (linear, cubic), (linear, linear)
            ):  # fmt: skip
                z = total(i, j, weights(x - i, nodes_x), weights(y - j, nodes_y))
                if np.isfinite(z):
                    out[p, q] = z
                    break
    return out


def test_the_fast_resampling_equals_the_plain_one():
    rng = np.random.default_rng(8)
    height = rng.standard_normal((41, 23)).astype(np.float32)
    height[rng.random(height.shape) < 0.03] = np.nan
    state = np.where(np.isfinite(height), MEASURED, DROPOUT).astype(np.uint8)
    grid, target = Grid(3.0, -7.0, 1.5, 4.0, 41, 23), Grid(0.75, 2.0, 1.5, 4.0, 36, 19)
    frame = np.array([2.6, -4.1, np.deg2rad(2.3)])
    fast, _ = resample(height, state, grid, target, frame, np.zeros((0, 3)))
    slow = _slow_resample(height, grid, target, frame)
    assert np.array_equal(np.isnan(fast), np.isnan(slow))
    assert 0 < np.count_nonzero(np.isnan(slow)) < slow.size / 2
    assert np.nanmax(np.abs(fast - slow)) < 1e-6


def test_an_unturned_cropped_scan_comes_through_unchanged():
    rng = np.random.default_rng(9)
    height = (5.0 + 0.01 * rng.standard_normal((300, 40))).astype(np.float32)
    scan = make_scan(
        height, x_mm=17.25 + np.arange(300), y_mm=4.0 + 5.0 * np.arange(40), lite_id="lite 7",
        instrument="made up", scanned_at="2026-01-01T00:00:00Z", frame="machine",
    )  # fmt: skip
    lite = place(scan, **OPTIONS)
    assert np.array_equal(lite["height"].values, height)
    assert lite.attrs["edges_seen"] == dict.fromkeys(
        ("left", "leading", "right", "trailing"), False
    )
    assert lite.attrs["corners_machine_mm"]["leading_left"] == [16.75, 1.5]
    assert (lite.attrs["length_mm"], lite.attrs["width_mm"]) == (300.0, 200.0)


def test_a_scan_on_the_lite_frame_is_cleaned_but_not_moved():
    rng = np.random.default_rng(9)
    height = (5.0 + 0.003 * rng.standard_normal((300, 40))).astype(np.float32)
    height[100:105, 7] = np.nan
    height[200, 20] = 6.0
    scan = make_scan(
        height, x_mm=np.arange(300.0), y_mm=5.0 * np.arange(40), lite_id="lite 7",
        instrument="made up", scanned_at="2026-01-01T00:00:00Z", frame="lite",
    )  # fmt: skip
    lite = place(scan, **OPTIONS)
    same = np.ones(height.shape, bool)
    same[100:105, 7] = same[200, 20] = False
    assert np.array_equal(lite["height"].values[same], height[same])
    assert (lite["state"].values[100:105, 7] == 1).all()
    assert lite["state"].values[200, 20] == 2
    assert abs(lite["height"].values[200, 20] - 5.0) < 0.02
    assert lite.attrs["spike_count"] == 1
    assert lite["x"].equals(scan["x"])
    assert lite.attrs["corners_machine_mm"]["trailing_right"] == [299.5, 197.5]
    assert (lite.attrs["length_mm"], lite.attrs["width_mm"]) == (300.0, 200.0)


def test_cells_that_hold_no_point_do_not_count_as_measured():
    rng = np.random.default_rng(9)
    height = (5.0 + 0.003 * rng.standard_normal((300, 40))).astype(np.float32)
    scan = make_scan(
        height, x_mm=np.arange(300.0), y_mm=5.0 * np.arange(40), lite_id="lite 7",
        instrument="made up", scanned_at="2026-01-01T00:00:00Z", frame="lite",
    )  # fmt: skip
    points = np.full((300, 40), 3, dtype=np.uint16)
    points[100:130] = 0  # bridged when the points were put on the grid
    lite = place(scan.assign(point_count=(("x", "y"), points)), **OPTIONS)
    assert lite.attrs["coverage"] == pytest.approx(0.9)
    assert lite.attrs["filled_share"] == pytest.approx(0.1)
    assert (lite["state"].values[100:130] == FILLED).all()
    assert np.array_equal(lite["height"].values, height)
    assert place(scan, **OPTIONS).attrs["coverage"] == 1.0


def test_the_scan_itself_is_not_changed():
    case = turned(steep, skew_deg=0.5, dropout_share=0.02)
    before = case.scan.copy(deep=True)
    place(case.scan, **OPTIONS)
    assert case.scan.identical(before)


def test_a_mirrored_scan_has_left_and_right_swapped():
    case = turned(steep, skew_deg=1.3, noise_mm=0.003, pitch_mm=(1.0, 4.0))
    mirrored = case.scan.assign_coords(y=-case.scan["y"].values).isel(y=slice(None, None, -1))
    mirrored["y"].attrs.update(case.scan["y"].attrs)
    one, other = place(case.scan, **OPTIONS), place(mirrored, **OPTIONS)
    assert other.attrs["skew_deg"] == pytest.approx(-one.attrs["skew_deg"], abs=1e-3)
    x, y = one.attrs["corners_machine_mm"]["leading_right"]
    assert other.attrs["corners_machine_mm"]["leading_left"] == pytest.approx([x, -y], abs=0.01)
    difference = other["height"].values[:, ::-1] - one["height"].values
    # the grid starts at the other edge, where the lite is not a whole number of pitches wide
    assert one.sizes == other.sizes
    assert np.nanmedian(np.abs(difference)) < 0.005


def test_moving_the_scan_by_whole_pitches_moves_the_corners_only():
    case = turned(steep, skew_deg=-0.8, noise_mm=0.003, dropout_share=0.02)
    moved = case.scan.assign_coords(
        x=("x", case.scan["x"].values + 300.0, case.scan["x"].attrs),
        y=("y", case.scan["y"].values - 120.0, case.scan["y"].attrs),
    )
    one, other = place(case.scan, **OPTIONS), place(moved, **OPTIONS)
    assert np.allclose(one["height"], other["height"], atol=1e-6, equal_nan=True)
    assert np.array_equal(one["state"], other["state"])
    for name, (x, y) in one.attrs["corners_machine_mm"].items():
        assert other.attrs["corners_machine_mm"][name] == pytest.approx([x + 300, y - 120])


def test_height_and_state_agree():
    case = turned(
        steep, skew_deg=1.1, dropout_share=0.02, noise_mm=0.003, pitch_mm=(1.0, 3.0),
        glass=lambda u, v: (np.hypot(u - 700, v - 300) > 30) & (u + v > 80),
    )  # fmt: skip
    lite = place(case.scan, **OPTIONS)
    is_missing = lite["state"].values >= DROPOUT
    assert np.array_equal(np.isnan(lite["height"].values), is_missing)
    assert (lite.attrs["hole_count"], lite.attrs["notch_count"]) == (1, 1)
    assert lite.attrs["rectangular"] is False
    x, y = lite["x"].values[:, None], lite["y"].values[None, :]
    hole = np.hypot(x - 700, y - 300) < 28
    assert (lite["state"].values[hole] == NO_GLASS).all()
    gone = np.count_nonzero(lite["state"] == NO_GLASS) * 3.0
    assert gone == pytest.approx(np.pi * 30**2 + 80**2 / 2, rel=0.05)


def test_an_outline_that_is_no_rectangle_is_placed_in_the_one_around_it():
    case = turned(steep, skew_deg=0.9, pitch_mm=(1.0, 3.0), glass=lambda u, v: u > 0.1 * (700 - v))
    lite = place(case.scan, **OPTIONS)
    assert lite.attrs["rectangular"] is False
    assert lite.attrs["length_mm"] == pytest.approx(1200.0, abs=0.5)
    assert lite["x"].values[0] == 0.5
    state = lite["state"].values
    x, y = lite["x"].values[:, None], lite["y"].values[None, :]
    assert (state[x < 0.1 * (700 - y) - 1.5] == NO_GLASS).all()
    inside = (x > 0.1 * (700 - y) + 1.5) & (y > 6) & (y < 694) & (x < 1197)
    assert (state[inside] == MEASURED).all()


def test_spikes_are_counted_and_replaced():
    spoilt = []

    def spoil(height, u, v):
        cells = np.argwhere((u > 100) & (u < 1100) & (v > 50) & (v < 650))
        for i, j in cells[:: len(cells) // 25]:
            height[i : i + 2, j] += 0.4
            spoilt.append((i, j))

    clean = turned(steep, skew_deg=0.6, noise_mm=0.002)
    case = turned(steep, skew_deg=0.6, noise_mm=0.002, spoil=spoil)
    lite, reference = place(case.scan, **OPTIONS), place(clean.scan, **OPTIONS)
    assert lite.attrs["spike_count"] == 2 * len(spoilt)
    assert np.count_nonzero(lite["state"] == 2) == pytest.approx(2 * len(spoilt), rel=0.1)
    assert np.nanmax(np.abs(lite["height"] - reference["height"])) < 0.015


def test_a_lite_turned_too_far_is_refused():
    case = turned(steep, skew_deg=4.2)
    with pytest.raises(ScanError) as refused:
        place(case.scan, **OPTIONS)
    assert str(refused.value) == (
        "lite 7: a lite turned by 4.20 degrees; a skew of at most 3 degrees; check how the lite "
        "was fed and the pitches declared, or raise largest_skew_deg."
    )


def test_the_file_is_named_where_it_is_known():
    height = np.full((60, 30), np.nan, np.float32)
    height[3:9, 4:8] = np.arange(4) * 0.1
    scan = make_scan(
        height, x_mm=np.arange(60.0), y_mm=np.arange(30.0), lite_id="lite 7", instrument="made up",
        scanned_at="2026-01-01T00:00:00Z", frame="machine", known={"source_file": "seven.nc"},
    )  # fmt: skip
    with pytest.raises(LiteTooSmall, match=r"^seven\.nc: no glass: the largest region is 6 mm"):
        place(scan, **OPTIONS)
