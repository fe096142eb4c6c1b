"""Three sensor rows: the glass comes back free of heave, pitch and roll, against known truth."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from midchord.simulating import acquisition_faults as faults
from midchord_io.acquisition import Finding
from midchord_io.errors import UnevenGrid, UnsupportedScan
from midchord_io.joining.three_rows import (
    ThreeRowScan,
    grid_for_rows,
    separate_rows,
    separation_gain,
)

Array = npt.NDArray[np.float64]
GLASS_MM = 3000.0
WAVE_MM = 300.0
DEPTH_MM = 0.05
LINE_X_MM = np.arange(-300.0, 3320.0, 2.0)
Y_MM = np.linspace(5.0, 1195.0, 120)
ROWS_MM = (0.0, 110.0, 240.0)
NOISE_MM = 0.005
INNER = (600.0, GLASS_MM - 600.0)
"""Clear of the ends, where fewer rows share a line."""


def wave(x: Array, y: Array) -> Array:
    return np.asarray(DEPTH_MM / 2 * (1 + 0.1 * y / 1200) * np.cos(2 * math.pi * x / WAVE_MM))


def surface(x: Array, y: Array) -> Array:
    form = 1.0 * (x / GLASS_MM - 0.5) ** 2 + 0.4 * (y / 1200 - 0.5) ** 2
    return np.where((x >= 0) & (x <= GLASS_MM), wave(x, y) + form, np.nan)


def seen(
    *,
    heave_mm: float = 0.2,
    smooth_mm: float = 30.0,
    rows_mm: tuple[float, ...] = ROWS_MM,
    offsets_mm: tuple[float, ...] = (0.010, -0.020, 0.015),
    noise_mm: float = NOISE_MM,
    line_x_mm: Array = LINE_X_MM,
) -> tuple[list[npt.NDArray[np.float32]], faults.Motion]:
    rng = np.random.default_rng(11)
    motion = faults.bouncing(
        line_x_mm.size,
        heave_mm=heave_mm,
        pitch_mm_per_m=heave_mm,
        roll_mm_per_m=heave_mm / 2,
        correlated_lines=smooth_mm / float(line_x_mm[1] - line_x_mm[0]) / 2,
        rng=rng,
    )
    views = [
        faults.row_view(
            surface,
            line_x_mm,
            Y_MM,
            motion,
            row_x_mm=row_x,
            offset_mm=offset,
            noise_mm=noise_mm,
            rng=rng,
        )
        for row_x, offset in zip(rows_mm, offsets_mm, strict=True)
    ]
    return views, motion


def separated(
    views: list[npt.NDArray[np.float32]],
    *,
    rows_mm: tuple[float, ...] = ROWS_MM,
    line_x_mm: Array = LINE_X_MM,
    **options: Any,
) -> ThreeRowScan:
    return separate_rows(
        views, row_x_mm=rows_mm, line_x_mm=line_x_mm, y_mm=Y_MM, where="scan", **options
    )


def found(scan: ThreeRowScan, what: str) -> Finding:
    return next(finding for finding in scan.findings if finding.what == what)


def profile_error_mm(scan: ThreeRowScan, order: int = 2) -> tuple[Array, Array]:
    """Mean error across, inside the ends, less the form that is not told; and its places."""
    inner = (scan.x_mm > INNER[0]) & (scan.x_mm < INNER[1])
    x = scan.x_mm[inner]
    error = np.nanmean(scan.height[inner] - surface(x[:, None], Y_MM[None, :]), axis=1)
    return x, np.asarray(error - np.polyval(np.polyfit(x, error, order), x))


def depth_ratio(x_mm: Array, profile: Array) -> float:
    phase = 2 * math.pi * x_mm / WAVE_MM
    u = x_mm / GLASS_MM
    base = np.stack([np.cos(phase), np.sin(phase), np.ones_like(u), u, u**2], axis=1)
    found = np.linalg.lstsq(base, profile, rcond=None)[0]
    return math.hypot(found[0], found[1]) / (DEPTH_MM / 2 * (1 + 0.1 * Y_MM.mean() / 1200))


def mean_profile(scan: ThreeRowScan) -> tuple[Array, Array]:
    inner = (scan.x_mm > INNER[0]) & (scan.x_mm < INNER[1])
    return scan.x_mm[inner], np.nanmean(scan.height[inner], axis=1).astype(np.float64)


@pytest.mark.parametrize("smooth_mm", [0.0, 30.0])
def test_the_roll_wave_comes_back_from_under_the_bounce(smooth_mm: float) -> None:
    views, _ = seen(smooth_mm=smooth_mm)
    # in one row alone the wave of 25 um is lost in 200 um of bounce
    assert np.nanstd(np.nanmean(views[0][400:-400], axis=1)) > 0.15
    scan = separated(views)
    _, error = profile_error_mm(scan)
    assert error.std() < 0.002
    assert depth_ratio(*mean_profile(scan)) == pytest.approx(1.0, abs=0.01)
    left = found(scan, "conveyor bounce").figures["left_rms_mm"]
    assert error.std() < 3 * left
    assert left < 0.003


def test_without_noise_only_the_ends_and_the_blind_waves_are_left() -> None:
    views, motion = seen(noise_mm=1e-6)
    scan = separated(views)
    x, error = profile_error_mm(scan)
    assert error.std() < 6e-4
    middle = np.abs(x - GLASS_MM / 2) < 400
    rest = error[middle] - np.polyval(np.polyfit(x[middle], error[middle], 2), x[middle])
    assert rest.std() < 1e-4
    assert depth_ratio(*mean_profile(scan)) == pytest.approx(1.0, abs=0.004)
    lines = slice(400, -600)
    heave = scan.attitude.heave_mm[lines] - motion.heave_mm[lines]
    place = np.arange(heave.size)
    assert np.std(heave - np.polyval(np.polyfit(place, heave, 2), place)) < 5e-4


def test_still_glass_is_not_made_worse() -> None:
    views, _ = seen(heave_mm=1e-9)
    scan = separated(views)
    _, error = profile_error_mm(scan)
    assert error.std() < 0.001
    assert depth_ratio(*mean_profile(scan)) == pytest.approx(1.0, abs=0.01)
    assert found(scan, "conveyor bounce").figures["heave_rms_mm"] < 0.01


def test_what_varies_across_is_not_touched_by_the_attitude() -> None:
    views, _ = seen()
    scan = separated(views)
    inner = (scan.x_mm > INNER[0]) & (scan.x_mm < INNER[1])
    error = scan.height[inner] - surface(scan.x_mm[inner][:, None], Y_MM[None, :])
    tilt = np.linalg.lstsq(
        np.stack([np.ones_like(Y_MM), Y_MM], axis=1), error.T.astype(np.float64), rcond=None
    )[0][1]
    u = np.linspace(-1, 1, tilt.size)
    tilt = tilt - np.polyval(np.polyfit(u, tilt, 1), u)
    assert np.std(tilt) * 600 < 0.001  # roll: 60 um at the side edges without it
    # the mean of three rows: noise over the root of three
    straight = np.polynomial.polynomial.polyfit(Y_MM, error.T.astype(np.float64), 1)
    across = error - np.polynomial.polynomial.polyval(Y_MM, straight)
    assert np.std(across) == pytest.approx(NOISE_MM / math.sqrt(3), rel=0.1)


def test_dropouts_and_glare_do_no_harm() -> None:
    views, _ = seen()
    rng = np.random.default_rng(2)
    for view in views:
        view[rng.random(view.shape) < 0.05] = np.nan
        glare = rng.random(view.shape) < 0.002
        view[glare] += 1.0
    scan = separated(views)
    inner = (scan.x_mm > INNER[0]) & (scan.x_mm < INNER[1])
    x = scan.x_mm[inner]
    middle = np.nanmedian(scan.height[inner] - surface(x[:, None], Y_MM[None, :]), axis=1)
    assert np.std(middle - np.polyval(np.polyfit(x, middle, 2), x)) < 0.002


def test_zero_points_of_the_rows_decide_the_bow() -> None:
    views, _ = seen()
    bow: dict[bool, float] = {}
    for is_stated in (False, True):
        scan = separated(views, offset_mm=(0.010, -0.020, 0.015) if is_stated else None)
        x, profile = mean_profile(scan)
        fit = np.polyfit((x - GLASS_MM / 2) / GLASS_MM, profile, 2)
        bow[is_stated] = float(fit[0])
        doubts = [f.what for f in scan.findings if f.is_doubt]
        assert ("zero points of the rows" in doubts) is not is_stated
    assert bow[True] == pytest.approx(1.0, abs=0.1)
    # a pitch without trend: the bow of the conveyor's path is taken for none
    assert bow[False] == pytest.approx(1.0, abs=0.5)


def test_rows_between_the_lines_are_put_on_a_pitch_of_their_own() -> None:
    rows_mm = (-113.0, 0.0, 137.5)
    views, _ = seen(rows_mm=rows_mm)
    scan = separated(views, rows_mm=rows_mm)
    pitch = float(scan.x_mm[1] - scan.x_mm[0])
    assert pitch != 2.0
    assert np.abs(np.array(rows_mm) / pitch - np.rint(np.array(rows_mm) / pitch)).max() < 0.026
    _, error = profile_error_mm(scan)
    assert error.std() < 0.003
    assert depth_ratio(*mean_profile(scan)) == pytest.approx(1.0, abs=0.01)


def test_the_stated_leftover_is_that_of_the_scatter() -> None:
    views, _ = seen()
    scan = separated(views)
    x, error = profile_error_mm(scan)
    stated = scan.u_bounce_mm[(scan.x_mm > INNER[0]) & (scan.x_mm < INNER[1])]
    noise = NOISE_MM / math.sqrt(3 * Y_MM.size)
    assert x.size == stated.size
    ratio = error.std() / math.sqrt(float(np.mean(stated**2)) + noise**2)
    assert 0.3 < ratio < 3.0


# --- the gain of the separation ----------------------------------------------------------------


def test_equal_distances_are_blind_where_they_hold_whole_waves() -> None:
    # second difference of three equidistant probes: 1 - cos(2 pi d / L), the reading of a
    # three-point gauge, over the norm sqrt(3/2) of (1/2, -1, 1/2) times sqrt(3)
    lengths = np.linspace(60, 900, 200)
    expected = (1 - np.cos(2 * math.pi * 100 / lengths)) / math.sqrt(1.5) / math.sqrt(3)
    np.testing.assert_allclose(separation_gain(lengths, (0, 100, 200)), expected, atol=1e-12)
    assert separation_gain(100.0, (0, 100, 200))[0] == pytest.approx(0.0, abs=1e-12)
    assert separation_gain(50.0, (0, 100, 200))[0] == pytest.approx(0.0, abs=1e-12)
    assert separation_gain(100.0, (0, 100, 231))[0] > 0.1


def test_long_waves_fall_with_the_square_of_their_length() -> None:
    gain = separation_gain([2000.0, 4000.0], ROWS_MM)
    assert gain[0] / gain[1] == pytest.approx(4.0, rel=0.02)


def test_the_finding_states_the_amplification() -> None:
    views, _ = seen()
    figures = found(separated(views), "noise of the separation").figures
    lengths = np.geomspace(120, 600, 4000)
    gain = separation_gain(lengths, ROWS_MM)
    assert figures["largest_amplification"] == pytest.approx(1 / gain.min(), rel=0.01)
    assert figures["u_line_mm"] == pytest.approx(NOISE_MM / math.sqrt(3 * 120), rel=0.1)


def test_a_pitch_for_the_rows() -> None:
    assert grid_for_rows(1.0, (0.0, 110.0, 240.0)) == (1.0, [0, 110, 240])
    pitch, steps = grid_for_rows(2.0, (-113.0, 0.0, 137.5))
    assert pitch == pytest.approx(2.0, rel=0.1)
    assert np.array(steps) * pitch == pytest.approx([-113.0, 0.0, 137.5], abs=0.05)
    with pytest.raises(ValueError, match="no pitch on which all rows lie"):
        grid_for_rows(10.0, (0.0, 11.0, 27.3))


# --- refusals ----------------------------------------------------------------------------------


def test_rows_that_cannot_tell_are_refused() -> None:
    views, _ = seen()
    with pytest.raises(UnsupportedScan, match="which cannot tell a wave of 150 mm from bounce"):
        separated(views, rows_mm=(0.0, 150.0, 300.0))
    with pytest.raises(UnsupportedScan, match="at least three times as long as the rows are apart"):
        separated(views, rows_mm=(0.0, 700.0, 1500.0))
    with pytest.raises(UnsupportedScan, match=r"rows of shapes \(1810, 120\), \(1810, 119\)"):
        separated([views[0], views[1][:, 1:], views[2]])
    coarse = LINE_X_MM[::10]
    with pytest.raises(UnevenGrid, match=r"rows at 0, 33, 71\.3 mm and lines 20 mm apart"):
        separated([view[::10] for view in views], rows_mm=(0.0, 33.0, 71.3), line_x_mm=coarse)
