"""The twin everywhere on a lite, from its stored maps, against the true surface."""

from __future__ import annotations

import math

import numpy as np
import pytest

import hand
from midchord.surveying.twin_field import MappedLite, TwinField


def _plane(**changes: object) -> TwinField:
    x, y = np.arange(2.5, 300, 5.0), np.arange(5.0, 200, 10.0)
    values = 0.01 + 2e-4 * x[:, None] - 3e-4 * y[None, :]
    facts = {
        "lite_id": "plane", "x_mm": x, "y_mm": y, "reading_mm": values, "sd_mm": 0.001,
        "length_mm": 300.0, "width_mm": 200.0,
    }  # fmt: skip
    return TwinField(**(facts | changes))


def test_a_plane_is_read_exactly_between_points() -> None:
    field = _plane()
    x, y = np.array([2.5, 17.3, 150.0, 297.5]), np.array([5.0, 61.7, 100.0, 195.0])
    np.testing.assert_allclose(field.at(x, y), 0.01 + 2e-4 * x - 3e-4 * y, atol=1e-15)
    along, across = field.gradient(x, y)
    # one-sided at the ends, where the other side is held
    np.testing.assert_allclose(along[1:3], 2e-4, atol=1e-12)
    np.testing.assert_allclose(across[1:3], -3e-4, atol=1e-12)


def test_half_a_cell_beyond_the_last_point_belongs_to_it_and_no_more() -> None:
    field = _plane()
    assert field.at(0.1, 50.0) == pytest.approx(field.at(2.5, 50.0))
    assert np.isnan(field.at(-0.1, 50.0))
    assert np.isnan(field.at(300.1, 50.0))
    assert np.isnan(field.at(150.0, 200.1))


def test_one_missing_point_takes_the_cells_around_it_and_nothing_else() -> None:
    field = _plane()
    hole = field.reading_mm.copy()
    hole[10, 4] = np.nan  # x = 52.5, y = 45
    holed = _plane(reading_mm=hole)
    assert np.isnan(holed.at(51.0, 44.0))
    assert np.isnan(holed.at(57.4, 54.9))
    # a place on the next point itself needs none of its neighbours
    assert holed.at(57.5, 45.0) == pytest.approx(field.at(57.5, 45.0))
    # the slope beside it is taken from the other side
    along, _ = holed.gradient(57.5, 45.0)
    assert along == pytest.approx(2e-4)


def _wave(pitch_mm: float = 5.0, **changes: object) -> TwinField:
    x, y = np.arange(0.0, 1000.0, pitch_mm), np.arange(0.0, 200.0, 10.0)
    values = np.repeat(0.09 * np.cos(2 * np.pi * x / 230)[:, None], y.size, axis=1)
    return _plane(x_mm=x, y_mm=y, reading_mm=values, length_mm=1000.0, **changes)


def test_tops_between_points_are_not_cut_off() -> None:
    at = np.linspace(100, 900, 4001)
    true = 0.09 * np.cos(2 * np.pi * at / 230)
    error = _wave().at(at, np.full(at.size, 95.0)) - true
    # a cubic is off by 3 h^4 / 128 of the fourth derivative at most, a line by h^2 / 8 of the
    # second (derived): 1.2 x 10^-6 times as much, and 2 x 10^-4 mm
    assert np.abs(error).max() < 1e-6
    straight = _wave(is_smooth=False).at(at, np.full(at.size, 95.0)) - true
    assert np.abs(straight).max() == pytest.approx(
        0.09 * (2 * np.pi / 230) ** 2 * 25 / 8, rel=0.02
    )


def test_the_mean_over_places_of_a_wave_is_the_wave_made_smaller() -> None:
    at, y = np.linspace(300, 700, 200), np.full(200, 95.0)
    field = _wave()
    for sd in (2.0, 5.0, 15.0):
        # E cos(k (x + d)) = exp(-k^2 sd^2 / 2) cos(k x), d normal
        kept = np.exp(-2 * np.pi**2 * sd**2 / 230**2)
        np.testing.assert_allclose(field.mean_at(at, y, sd), kept * field.at(at, y), atol=3e-6)
    np.testing.assert_array_equal(field.mean_at(at, y, 0.0), field.at(at, y))
    # simulated
    off = np.random.default_rng(2).normal(0, 5.0, (2, 40_000))
    simulated = field.at(460.0 + off[0], 95.0 + off[1]).mean()
    assert float(field.mean_at(460.0, 95.0, 5.0)) == pytest.approx(simulated, abs=2e-5)


def test_a_place_beside_what_is_missing_is_not_drawn_to_one_side() -> None:
    field = _plane()
    near_the_end = np.array([4.0, 296.0])
    np.testing.assert_allclose(
        field.mean_at(near_the_end, np.full(2, 100.0), 5.0),
        field.at(near_the_end, np.full(2, 100.0)),
        atol=1e-12,
    )


def test_the_shape_of_places_is_kept() -> None:
    assert _plane().at(np.full((3, 4), 100.0), np.full(4, 50.0)).shape == (3, 4)
    assert _plane().at(100.0, 50.0).shape == ()


@pytest.fixture(scope="module")
def lite() -> hand.KnownLite:
    return hand.known_lite(1)


def test_the_twin_reads_the_true_surface_within_its_stated_uncertainty(
    lite: hand.KnownLite,
) -> None:
    field = lite.mapped.twin(hand.card())
    rng = np.random.default_rng(3)
    x = rng.uniform(150, lite.length_mm - 150, 3000)
    y = rng.uniform(30, lite.width_mm - 30, 3000)
    error = field.at(x, y) - lite.reading_mm(x, y)
    error = error[np.isfinite(error)]
    assert error.size > 2900
    # noise of the scan 3 um, bow of 2.5 mm and edge lift in
    assert abs(error.mean()) < 1e-4
    assert 0.4 * field.sd_mm < error.std() < 1.2 * field.sd_mm
    assert 0.0005 < field.sd_mm < 0.002


def test_the_gradient_is_that_of_the_true_reading(lite: hand.KnownLite) -> None:
    field = lite.mapped.twin(hand.card())
    x, y = np.linspace(400, 1700, 200), np.full(200, 310.0)
    along, _ = field.gradient(x, y)
    true = (lite.reading_mm(x + 1, y) - lite.reading_mm(x - 1, y)) / 2
    # over +-5 mm a 240 mm wave keeps sin(k h)/(k h) = 0.997 of its slope (derived)
    assert np.corrcoef(along, true)[0, 1] > 0.99
    assert np.polyfit(true, along, 1)[0] == pytest.approx(1.0, abs=0.03)


def test_other_feet_read_another_gain(lite: hand.KnownLite) -> None:
    y = np.full(400, 310.0)
    x = np.linspace(500, 1700, 400)
    narrow = lite.mapped.twin(hand.card(), half_span_mm=60.0).at(x, y)
    true = lite.reading_mm(x, y, 60.0)
    assert np.abs(narrow - true).max() < 0.005
    assert narrow.std() < 0.8 * lite.mapped.twin(hand.card()).at(x, y).std()


def test_a_gauge_that_shows_depths_of_the_surface_has_the_gain_taken_out(
    lite: hand.KnownLite,
) -> None:
    swing = lite.mapped.twin(hand.card())
    surface = lite.mapped.twin(hand.card(depth_is="surface"))
    gain = lite.mapped.gain(hand.HALF_SPAN_MM)
    wavelength = lite.mapped.summary["mean_wavelength_mm"]
    assert gain == pytest.approx(1 - math.cos(2 * math.pi * hand.HALF_SPAN_MM / wavelength))
    np.testing.assert_allclose(surface.reading_mm * gain, swing.reading_mm, rtol=1e-6)
    assert surface.sd_mm * gain == pytest.approx(swing.sd_mm)


def test_on_the_lower_face_peaks_are_valleys(lite: hand.KnownLite) -> None:
    upper = lite.mapped.twin(hand.card()).reading_mm
    np.testing.assert_array_equal(lite.mapped.twin(hand.card(face="lower")).reading_mm, -upper)


def test_a_flat_base_rides_on_the_peaks_of_the_glass_not_of_the_noise(
    lite: hand.KnownLite,
) -> None:
    card = hand.card(kind="flat-base", half_span_mm=None, base_mm=300.0)
    field = lite.mapped.twin(card)
    inside = field.reading_mm[80:-80, 10:-10]
    assert np.nanmax(inside) <= 0.0
    # near a crest the base touches the plunger's own peak: the reading comes up to nothing
    assert np.nanmax(inside) > -0.002


def test_facts_come_from_the_summary(lite: hand.KnownLite) -> None:
    mapped: MappedLite = lite.mapped
    assert mapped.lite_id == "lite-1"
    assert mapped.length_mm == pytest.approx(lite.length_mm, abs=5.0)
    assert mapped.width_mm == pytest.approx(lite.width_mm, abs=10.0)


def test_a_lite_without_a_wave_is_taken_at_full_gain(lite: hand.KnownLite) -> None:
    flat = MappedLite(lite.mapped.maps.assign_attrs(summary='{"mean_wavelength_mm": null}'))
    assert flat.gain(115.0) == 2.0
