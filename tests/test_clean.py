"""Spikes go, steep places stay, gaps are closed to within a share of the wave."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.placing.clean import fill_gaps, find_spikes
from midchord.placing.region import DROPOUT, FILLED, MEASURED, NO_GLASS, SPIKE, Grid
from midchord.placing.scan_noise import scan_noise_mm
from turned import steep, turned

GRIDS = [(1.0, 1.0), (1.0, 6.0), (0.5, 25.0), (5.0, 5.0)]


def _grid(height, pitch=(1.0, 1.0)):
    return Grid(0.0, 0.0, *pitch, *height.shape)


def _state(height):
    return np.where(np.isfinite(height), MEASURED, DROPOUT).astype(np.uint8)


@pytest.mark.parametrize("noise_mm", [0.0, 0.003])
@pytest.mark.parametrize("pitch_mm", GRIDS)
@pytest.mark.parametrize("skew_deg", [0.0, -2.3])
def test_steep_but_real_places_are_no_spikes(pitch_mm, skew_deg, noise_mm):
    case = turned(steep, skew_deg=skew_deg, pitch_mm=pitch_mm, noise_mm=noise_mm)
    height = case.scan["height"].values
    noise = scan_noise_mm(height, pitch_x_mm=pitch_mm[0])
    found = find_spikes(height, noise_mm=noise, spike_sigma=6.0)
    # noise-free, a few cells of a corner may stand out from a floor of 0.5 um
    assert np.count_nonzero(found) <= (0 if noise_mm else 6)


@pytest.mark.parametrize("run", [1, 2, 4])
@pytest.mark.parametrize("pitch_mm", GRIDS)
def test_spikes_are_found_and_nothing_else(pitch_mm, run):
    truth = []

    def spoil(height, u, v):
        rng = np.random.default_rng(5)
        cells = np.argwhere(np.isfinite(height))
        for i, j in cells[rng.choice(len(cells), 40, replace=False)]:
            # 16 times the noise; the ones at the rim and beside dropouts are among them
            height[i : i + run, j] += 0.048
            truth.append((i, j))

    case = turned(
        steep, skew_deg=0.6, pitch_mm=pitch_mm, noise_mm=0.003, dropout_share=0.02, spoil=spoil
    )
    height = case.scan["height"].values
    noise = scan_noise_mm(height, pitch_x_mm=pitch_mm[0])
    found = find_spikes(height, noise_mm=noise, spike_sigma=6.0)
    is_spike = np.zeros_like(found)
    for i, j in truth:
        is_spike[i : i + run, j] = True
    is_spike &= np.isfinite(height)
    assert np.mean(found[is_spike]) >= 0.9
    # of two points between a spike and a dropout it is not always clear which is the bad one
    assert np.count_nonzero(found & ~is_spike) <= 0.05 * np.count_nonzero(is_spike)


@pytest.mark.parametrize("place", ["middle", "leading rim", "side rim", "beside a dropout"])
def test_one_spike_is_found_alone(place):
    case = turned(steep, noise_mm=0.003, pitch_mm=(1.0, 6.0))
    height = case.scan["height"].values.copy()
    first, left = np.argwhere(np.isfinite(height)).min(axis=0)
    i, j = {
        "middle": (700, 60),
        "leading rim": (first, 60),
        "side rim": (700, left),
        "beside a dropout": (700, 60),
    }[place]
    if place == "beside a dropout":
        height[i + 1 : i + 9, j - 1 : j + 2] = np.nan
    height[i, j] -= 0.5
    found = find_spikes(height, noise_mm=0.003, spike_sigma=6.0)
    assert np.argwhere(found).tolist() == [[i, j]]


def test_a_spike_is_judged_by_its_multiple_of_the_noise():
    rng = np.random.default_rng(4)
    height = (0.002 * rng.standard_normal((300, 30))).astype(np.float32)
    height[100, 10] = 0.030
    assert find_spikes(height, noise_mm=0.002, spike_sigma=6.0)[100, 10]
    assert not find_spikes(height, noise_mm=0.002, spike_sigma=25.0).any()


@pytest.mark.parametrize("pitch_mm", [0.5, 1.0, 2.0, 3.0, 5.0, 10.0])
def test_a_filled_gap_follows_a_wave_of_120_mm_to_0_2_per_cent(pitch_mm):
    x = pitch_mm * np.arange(int(720 / pitch_mm))
    cells = int(12.0 / pitch_mm)
    worst = 0.0
    for start in range(int(60 / pitch_mm), int(180 / pitch_mm)):
        truth = np.stack([np.cos(2 * np.pi * x / 120.0), np.sin(2 * np.pi * x / 120.0)], axis=1)
        height = truth.astype(np.float32)
        height[start : start + cells] = np.nan
        state = _state(height)
        fill_gaps(height, state, _grid(height, (pitch_mm, 20.0)), fill_mm=12.0)
        assert (state[start : start + cells] == FILLED).all()
        worst = max(worst, float(np.abs(height - truth).max()))
    assert worst < 0.002


def test_gaps_longer_than_the_limit_stay_and_shorter_ones_go():
    height = np.zeros((200, 7), np.float32)
    height[50:62, 2:5] = np.nan  # 12 mm along x
    height[100:113, :] = np.nan  # 13 mm, and right across
    state = _state(height)
    fill_gaps(height, state, _grid(height, (1.0, 25.0)), fill_mm=12.0)
    assert (state[50:62, 2:5] == FILLED).all()
    assert (state[100:113] == DROPOUT).all()
    assert np.isnan(height[100:113]).all()
    assert np.count_nonzero(np.isnan(height)) == 13 * 7


def test_a_gap_long_in_x_and_short_in_y_is_filled_along_y():
    y = 2.0 * np.arange(60)
    truth = np.tile(0.1 * np.sin(2 * np.pi * y / 150.0), (300, 1)).astype(np.float32)
    height = truth.copy()
    height[100:180, 30:33] = np.nan
    state = _state(height)
    fill_gaps(height, state, _grid(height, (1.0, 2.0)), fill_mm=12.0)
    assert (state[100:180, 30:33] == FILLED).all()
    assert np.abs(height - truth).max() < 2e-4


def test_nothing_is_extrapolated_and_holes_are_not_filled():
    height = np.ones((120, 3), np.float32)
    height[:4] = np.nan
    height[60:68] = np.nan
    state = _state(height)
    state[60:68] = NO_GLASS
    height[68:71] = np.nan
    state[68:71] = DROPOUT  # leans on a hole
    fill_gaps(height, state, _grid(height, (1.0, 25.0)), fill_mm=12.0)
    assert np.isnan(height[:4]).all()
    assert np.isnan(height[60:71]).all()
    assert np.count_nonzero(state == FILLED) == 0


def test_replaced_spikes_stay_marked_and_those_left_become_dropouts():
    height = np.ones((120, 3), np.float32)
    state = np.zeros(height.shape, np.uint8)
    for rows in (slice(20, 23), slice(60, 80)):
        height[rows, 1] = np.nan
        state[rows, 1] = SPIKE
    fill_gaps(height, state, _grid(height, (1.0, 25.0)), fill_mm=12.0)
    assert (state[20:23, 1] == SPIKE).all()
    assert np.array_equal(height[20:23, 1], np.ones(3))
    assert (state[60:80, 1] == DROPOUT).all()


def test_filling_adds_little_noise():
    rng = np.random.default_rng(3)
    spread = []
    for _ in range(300):
        height = rng.standard_normal((60, 2)).astype(np.float32)
        height[24:36] = np.nan
        state = _state(height)
        fill_gaps(height, state, _grid(height, (1.0, 25.0)), fill_mm=12.0)
        spread.append(height[24:36])
    assert np.std(spread) < 1.3
