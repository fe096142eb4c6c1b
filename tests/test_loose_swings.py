"""Swings that are no half wave of a roll wave are kept, never taken for nothing."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.loose_swings import loose_swings
from midchord.waves import half_waves, turning_points

X = np.arange(0.5, 1500.0)


def _found(*lines, band=(120.0, 600.0), smallest=0.005):
    smooth = np.stack(lines, axis=1)
    points = turning_points(smooth, X, smallest_swing_mm=smallest, fit_mm=4.0)
    every = half_waves(points, wavelength="centred")
    return loose_swings(every.where(~every.is_within(band)), points, smooth, X, smallest)


def test_a_wave_in_the_band_leaves_only_its_unfinished_ends():
    found = _found(0.04 * np.cos(2 * np.pi * X / 240 + 1.0))
    assert found.swing_mm.max() < 0.08
    assert (np.minimum(found.x_from_mm, 1500 - found.x_to_mm) < 1.0).all()


def test_a_wave_outside_the_band_is_loose_throughout():
    found = _found(0.04 * np.cos(2 * np.pi * X / 80))
    inner = (found.x_from_mm > 100) & (found.x_to_mm < 1400)
    np.testing.assert_allclose(found.swing_mm[inner], 0.08, rtol=1e-3)
    # W 0.08 mm, L 80 mm: 4 pi^2 W / L^2 = 493.5 mdpt (common practice, no source)
    np.testing.assert_allclose(found.distortion_mdpt[inner], 493.5, rtol=0.01)


def test_a_lone_trough_is_seen_and_a_calm_line_is_not():
    trough = -0.3 * np.exp(-(((X - 700) / 60) ** 2) / 2)
    found = _found(trough, 0.001 * np.cos(2 * np.pi * X / 240))
    assert set(found.line) == {0}
    assert found.swing_mm.max() == pytest.approx(0.3, rel=1e-3)


def test_a_swing_that_runs_into_a_gap_is_unfinished():
    line = 0.04 * np.cos(2 * np.pi * X / 240)
    line[790:] = np.nan
    found = _found(line)
    last = found.x_to_mm.argmax()
    # from the peak at 720 mm down to the gap at 790 mm
    assert found.x_from_mm[last] == pytest.approx(720, abs=1)
    assert found.swing_mm[last] == pytest.approx(
        0.04 * (1 - np.cos(2 * np.pi * 69 / 240)), rel=0.02
    )
