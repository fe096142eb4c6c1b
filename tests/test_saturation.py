"""Clipped crests are found by their ties; natural extremes, rounded ones too, are not clipped."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.placing.saturation import at_level, find_saturated
from midchord.placing.scan_noise import undithered_step_mm
from midchord.run import process, summary
from midchord_io.acquisition import findings_of

FLAT = {"form": None, "edge_lift": None}


def _wave(noise_mm, step_mm, seed=3, amplitude_mm=0.05, columns=60):
    x = np.arange(1500.0)[:, None]
    rng = np.random.default_rng(seed)
    z = amplitude_mm * np.cos(2 * np.pi * x / 230.0) + noise_mm * rng.standard_normal(
        (x.size, columns)
    )
    if step_mm:
        z = step_mm * np.rint(z / step_mm)
    return z


def _found(z):
    height = z.astype(np.float32)
    height[np.random.default_rng(1).random(z.shape) < 0.01] = np.nan
    step_mm = undithered_step_mm(height, pitch_x_mm=1.0)
    return find_saturated(height, step_mm=step_mm, pitch_x_mm=1.0), height


# none, dithered, hardly dithered, not dithered at all, 2 steps of a shallow wave
ROUNDED = [(0.003, 0.0), (0.003, 0.003), (0.003, 0.005), (0.001, 0.005), (0.0, 0.01), (0.0, 0.04)]


@pytest.mark.parametrize(("noise_mm", "step_mm"), [*ROUNDED, (0.0, 0.0)])
def test_a_whole_wave_is_not_clipped(noise_mm, step_mm):
    assert _found(_wave(noise_mm, step_mm))[0] == ()


@pytest.mark.parametrize(("noise_mm", "step_mm"), ROUNDED[:5])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_clipped_crests_and_valleys_are_found(noise_mm, step_mm, side):
    level = side * 0.02
    z = _wave(noise_mm, step_mm)
    z = np.minimum(z, level) if side > 0 else np.maximum(z, level)
    (found,), height = _found(z)
    assert found.end == ("largest" if side > 0 else "smallest")
    assert found.level_mm == pytest.approx(level, abs=1e-7)
    is_clipped = (z == level) & np.isfinite(height)
    assert found.points == is_clipped.sum()
    assert np.array_equal(at_level(height, found.level_mm), is_clipped)


def test_both_ends_at_once_and_most_of_the_glass_at_neither():
    both, _ = _found(np.clip(_wave(0.003, 0.0), -0.03, 0.035))
    assert [end.end for end in both] == ["largest", "smallest"]
    assert _found(np.minimum(_wave(0.003, 0.0), -0.01))[0] == ()  # that number is no crest


def test_a_plateau_longer_than_a_wave_is_clipped_where_noise_says_so():
    bow = 2.0 * np.sin(np.pi * np.arange(1500.0) / 1500.0)[:, None]
    (found,), _ = _found(np.minimum(_wave(0.003, 0.0) + bow, 1.8))
    assert found.level_mm == pytest.approx(1.8, abs=1e-6)


@pytest.mark.parametrize("quantum_mm", [0.0, 0.001, 0.005])
def test_clipped_crests_have_no_depth(quantum_mm):
    noise = {"white_sigma_mm": 0.003, "quantum_mm": quantum_mm}
    clip = {"saturation": {"highest_mm": 0.03}}
    scan, truth = surfaces.lite(noise=noise, sensor=clip, **FLAT)
    maps = process(scan)
    (finding,) = (f for f in findings_of(maps) if "saturation" in f.what)
    assert finding.what == "saturation at the largest height"
    assert finding.is_doubt
    # rounded, some heights are the end by their own right
    assert finding.count >= truth.attrs["saturated_count"]
    assert finding.count <= truth.attrs["saturated_count"] * (1.25 if quantum_mm else 1.0)
    assert finding.figures["level_mm"] == pytest.approx(0.03, abs=1e-7)
    # what is left of the glass: 0.06 mm of 0.09 would be read without their loss being known
    assert summary(maps)["depth_mm"]["max"] is None
    assert finding.sentence in summary(maps)["doubts"]


def test_a_lite_whose_top_alone_is_clipped_keeps_its_other_waves():
    plain = summary(process(surfaces.lite()[0]))
    found = summary(process(surfaces.lite(sensor={"saturation": {"highest_mm": 2.0}})[0]))
    u = np.hypot(found["depth_mm"]["u_max"], plain["depth_mm"]["u_max"])
    assert found["depth_mm"]["max"] < plain["depth_mm"]["max"] + 3 * u
    assert found["bow_mm"]["left"] == pytest.approx(2.5, abs=0.01)
