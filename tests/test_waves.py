"""Turning points and half waves: closed forms, gaps, plateaus, noise, and the three rules."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.waves import HalfWaves, distortion_mdpt, half_waves, turning_points

BAND = (120.0, 600.0)


def _points(z, x=None, *, swing=0.01, fit=5.0):
    z = np.asarray(z, dtype=float)
    z = z[:, np.newaxis] if z.ndim == 1 else z
    x = np.arange(z.shape[0]) + 0.5 if x is None else x
    return turning_points(z, x, smallest_swing_mm=swing, fit_mm=fit)


def _cosine(length=240.0, phase=0.7, size=1300, amplitude=0.05):
    x = np.arange(size) + 0.5
    return x, amplitude * np.cos(2 * np.pi * x / length + phase)


@pytest.mark.parametrize(
    ("depth_mm", "wavelength_mm", "mdpt"),
    # common practice, no source: D = 4 pi^2 W / L^2 x 10^6, values to four digits
    [(0.05, 300, 21.93), (0.1, 250, 63.17), (0.0762, 300, 33.43), (0.3, 300, 131.6)],
)
def test_distortion_of_the_table(depth_mm, wavelength_mm, mdpt):
    assert float(distortion_mdpt(depth_mm, wavelength_mm)) == pytest.approx(mdpt, rel=3e-4)


def test_distortion_is_the_largest_power_of_the_wave():
    # P = 2 z'' of A cos(2 pi x / L), peak-to-valley 2 A, in mdpt
    amplitude, length = 0.03, 251.0
    power = 2 * amplitude * (2 * np.pi / length) ** 2 * 1e6
    assert float(distortion_mdpt(2 * amplitude, length)) == pytest.approx(power, rel=1e-12)


@pytest.mark.parametrize("phase", [0.0, 0.7, 2.9, -1.3])
def test_turning_points_of_a_cosine_are_where_they_are(phase):
    _, z = _cosine(phase=phase)
    points = _points(z)
    k = np.arange(-2, 14)
    exact = (k * np.pi - phase) / (2 * np.pi) * 240.0
    peaks = k % 2 == 0
    inside = (exact > 1.0) & (exact < 1290.0)
    # the last one counts only once the line has come back by the swing: 25 mm here
    inside &= exact < 1299.5 - 240 * np.arccos(1 - 0.01 / 0.05) / (2 * np.pi)
    np.testing.assert_allclose(points.x_mm, exact[inside], atol=0.01)
    np.testing.assert_array_equal(points.is_peak, peaks[inside])
    np.testing.assert_allclose(np.abs(points.height_mm), 0.05, rtol=1e-5)
    assert (np.diff(points.is_peak.astype(int)) != 0).all()


def test_coordinates_count_not_samples():
    x = 700.0 + 2.5 * np.arange(400)
    z = np.cos(2 * np.pi * (x - 730.0) / 200)
    points = _points(z, x, swing=0.1, fit=5.0)
    np.testing.assert_allclose(points.x_mm[points.is_peak], [730, 930, 1130, 1330, 1530], atol=0.02)


def test_the_ends_of_a_line_are_no_turning_points():
    z = np.concatenate([np.linspace(1, 0, 50), np.linspace(0, 1, 50)])
    points = _points(z, swing=0.1, fit=1.0)
    assert points.x_mm.size == 1
    assert points.x_mm[0] == pytest.approx(50.0, abs=1.0)
    assert not points.is_peak[0]
    assert _points(np.linspace(0, 1, 60)).x_mm.size == 0


def test_a_gap_begins_the_count_anew():
    _, z = _cosine(size=2000)
    z[900:905] = np.nan
    points = _points(z)
    assert set(points.run) == {1, 2}
    before, after = points.x_mm[points.run == 1], points.x_mm[points.run == 2]
    assert before.max() < 900 < after.min()
    waves = half_waves(points, wavelength="centred", band_mm=BAND)
    assert not ((waves.x_from_mm < 900) & (waves.x_to_mm > 905)).any()
    np.testing.assert_allclose(waves.wavelength_mm, 240.0, atol=0.03)


def test_a_plateau_is_one_turning_point():
    z = np.concatenate(
        [np.linspace(0, 1, 40), np.ones(21), np.linspace(1, 0, 40), np.linspace(0, 1, 40)]
    )
    points = _points(z, swing=0.1, fit=3.0)
    np.testing.assert_array_equal(points.is_peak, [True, False])
    assert 39.0 <= points.x_mm[0] <= 61.5
    assert points.height_mm[0] == pytest.approx(1.0, abs=0.02)


def test_swings_below_the_threshold_are_not_seen():
    x, z = _cosine(amplitude=0.05)
    ripple = 0.002 * np.cos(2 * np.pi * x / 17)
    clean, rippled = _points(z, swing=0.006), _points(z + ripple, swing=0.006, fit=17.0)
    assert rippled.x_mm.size == clean.x_mm.size
    assert _points(ripple, swing=0.0041).x_mm.size == 0
    assert _points(ripple, swing=0.0039).x_mm.size > 100


def test_each_line_has_a_threshold_of_its_own():
    _, z = _cosine()
    both = np.stack([z, z], axis=1)
    points = _points(both, swing=[0.01, 0.2])
    assert set(points.line) == {0}


def test_a_line_without_data_has_no_turning_points():
    points = _points(np.full((50, 3), np.nan))
    assert points.x_mm.size == 0
    waves = half_waves(points, wavelength="centred", band_mm=BAND)
    assert waves.depth_mm.size == 0


def test_depth_is_the_same_either_way_and_rising_says_which():
    waves = half_waves(_points(_cosine()[1]), wavelength="centred", band_mm=BAND)
    np.testing.assert_allclose(waves.depth_mm, 0.1, rtol=1e-5)
    np.testing.assert_array_equal(waves.is_rising[1:], ~waves.is_rising[:-1])
    rising = waves.is_rising[0]
    # 0.05 cos(2 pi x / 240 + 0.7) falls to its first valley at 93.3 mm
    assert waves.x_from_mm[0] == pytest.approx(93.26, abs=0.05)
    assert rising


def _uneven() -> tuple[np.ndarray, HalfWaves, HalfWaves, HalfWaves]:
    """Half waves between turning points at 0, 100, 230, 350, 500 mm by the three rules."""
    places = np.array([0.0, 100.0, 230.0, 350.0, 500.0])
    x = np.arange(-60.0, 560.0)
    turned = np.interp(x, places, np.arange(5.0), left=-0.6, right=4.4)
    z = np.cos(np.pi * turned)
    points = turning_points(z[:, np.newaxis], x, smallest_swing_mm=0.5, fit_mm=1.0)
    np.testing.assert_allclose(points.x_mm, places, atol=0.51)
    exact = points._replace(x_mm=places)
    return places, *(
        half_waves(exact, wavelength=rule, band_mm=(10.0, 900.0))
        for rule in ("centred", "backward", "half")
    )


def test_the_three_rules_by_hand():
    _, centred, backward, half = _uneven()
    np.testing.assert_allclose(half.wavelength_mm, [200, 260, 240, 300])
    # x_i - x_(i-2): the first marks have no predecessor, hence no figure
    np.testing.assert_allclose(backward.wavelength_mm, [230, 250, 270])
    np.testing.assert_allclose(backward.x_from_mm, [100, 230, 350])
    # mean of the two full waves that contain it, one of them at the ends
    np.testing.assert_allclose(centred.wavelength_mm, [230, 240, 260, 270])
    np.testing.assert_allclose(centred.before_mm, [np.nan, 0, 100, 230])
    np.testing.assert_allclose(centred.after_mm, [230, 350, 500, np.nan])


def test_a_lone_half_wave_has_a_figure_by_half_alone():
    z = np.concatenate([-np.ones(3), np.linspace(-1, 1, 90), np.linspace(1, -1, 120), [-1, -0.5]])
    points = _points(z, swing=0.4, fit=1.0)
    assert points.x_mm.size == 2
    sizes = {
        rule: half_waves(points, wavelength=rule, band_mm=BAND).depth_mm.size
        for rule in ("centred", "backward", "half")
    }
    assert sizes == {"centred": 0, "backward": 0, "half": 1}


def test_only_the_band_has_figures():
    _, z = _cosine(length=100.0)
    points = _points(z)
    assert half_waves(points, wavelength="centred", band_mm=BAND).depth_mm.size == 0
    assert half_waves(points, wavelength="centred", band_mm=(90.0, 110.0)).depth_mm.size > 15


def test_half_waves_never_join_two_lines():
    _, z = _cosine()
    points = _points(np.stack([z, -z, z], axis=1))
    waves = half_waves(points, wavelength="centred", band_mm=BAND)
    assert (waves.x_to_mm > waves.x_from_mm).all()
    counts = np.bincount(waves.line)
    np.testing.assert_array_equal(counts, np.bincount(points.line) - 1)


def test_what_the_rules_are_off_at_a_chirp_of_15_percent():
    # L(x) = 250 (1 + 0.15 sin(2 pi x / 2400)); the local wavelength is that of the half wave's
    # middle. The definitions quote 1.7 % rms for backward and 0.6 % for centred.
    x = np.arange(0.0, 24000.0, 1.0)
    local = 250 * (1 + 0.15 * np.sin(2 * np.pi * x / 2400))
    phase = np.concatenate([[0.0], np.cumsum(2 * np.pi / local)[:-1]])
    points = turning_points(
        np.cos(phase)[:, np.newaxis], x, smallest_swing_mm=0.5, fit_mm=5.0
    )
    off = {}
    for rule in ("centred", "backward"):
        waves = half_waves(points, wavelength=rule, band_mm=BAND)
        inner = np.isfinite(waves.before_mm) & np.isfinite(waves.after_mm)
        middle = 0.5 * (waves.x_from_mm + waves.x_to_mm)[inner]
        ratio = waves.wavelength_mm[inner] / np.interp(middle, x, local) - 1
        off[rule] = float(np.sqrt((ratio**2).mean()))
    assert off["backward"] == pytest.approx(0.017, abs=0.001)
    assert off["centred"] < 0.006
