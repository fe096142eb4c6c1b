"""The areal density: Parseval's theorem, where waves lie on it, and content by zone."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.spectra.areal import areal_density, content_by_zone

X = np.arange(2.5, 1600, 5.0)
Y = np.arange(4.0, 1000, 8.0)


def test_parseval_over_the_area() -> None:
    z = np.random.default_rng(2).standard_normal((X.size, Y.size))
    window = np.outer(np.hanning(X.size + 2)[1:-1], np.hanning(Y.size + 2)[1:-1])
    mean = (z * window).sum() / window.sum()
    weighted = (((z - mean) * window) ** 2).sum() / (window**2).sum()
    assert areal_density(z, 5.0, 8.0).variance() == pytest.approx(weighted, rel=1e-9)


@pytest.mark.parametrize("turned_deg", [0.0, 2.0, -10.0])
def test_a_wave_lies_in_its_own_direction(turned_deg: float) -> None:
    t = np.deg2rad(turned_deg)
    along = X[:, None] * np.cos(t) + Y[None, :] * np.sin(t)
    found = areal_density(0.02 * np.cos(2 * np.pi * along / 200.0), 5.0, 8.0)
    assert found.direction_deg(100.0, 400.0) == pytest.approx(turned_deg, abs=0.3)
    assert found.variance() == pytest.approx(0.5 * 0.02**2, rel=0.01)
    i, j = np.unravel_index(np.argmax(found.density), found.density.shape)
    assert np.hypot(found.fx[i], found.fy[j]) == pytest.approx(1 / 200.0, rel=0.1)


def test_a_nozzle_grid_lies_on_the_points_of_its_inverse() -> None:
    z = np.cos(2 * np.pi * X[:, None] / 50) * np.cos(2 * np.pi * Y[None, :] / 40)
    found = areal_density(z, 5.0, 8.0)
    i, j = np.unravel_index(np.argmax(found.density), found.density.shape)
    assert 1 / found.fx[i] == pytest.approx(50.0, rel=0.01)
    assert 1 / abs(found.fy[j]) == pytest.approx(40.0, rel=0.01)


def test_gaps_are_left_out_and_nothing_is_refused() -> None:
    z = 0.02 * np.cos(2 * np.pi * X[:, None] / 200.0) + 0 * Y[None, :]
    z[50:60, 20:40] = np.nan
    assert areal_density(z, 5.0, 8.0).variance() == pytest.approx(0.5 * 0.02**2, rel=0.03)
    with pytest.raises(ValueError, match="nothing of the surface"):
        areal_density(np.full((20, 30), np.nan), 5.0, 8.0)


def test_content_by_zone_is_where_the_wave_is() -> None:
    z = np.zeros((X.size, Y.size))
    z[:, 84:] = (0.02 * np.cos(2 * np.pi * X / 90.0))[:, None]
    z[: X.size // 3, :42] = np.nan
    found = content_by_zone(z, 5.0, [(60.0, 120.0), (120.0, 300.0)])
    assert found.shape == (3, 3, 2)
    assert found[1, 2, 0] == pytest.approx(0.5 * 0.02**2, rel=0.03)
    assert found[1, 1, 0] == 0.0
    assert found[1, 2, 1] < 0.01 * found[1, 2, 0]
    assert np.isnan(found[0, 0, 0])


def test_bands_that_meet_hold_everything() -> None:
    """Parseval for the mirrored columns: over all bands and zones the mean square is kept."""
    z = np.random.default_rng(8).standard_normal((X.size - X.size % 3, Y.size - Y.size % 3))
    found = content_by_zone(z, 5.0, [(9.9, 40.0), (40.0, 200.0), (200.0, 1e5)])
    columns = z - z.mean(axis=0)
    # parts of a column are square to each other over its length, not over a zone
    assert found.mean(axis=(0, 1)).sum() == pytest.approx((columns**2).mean(), rel=1e-9)
