"""The pitch that points propose, for lattices, lines and points at random."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from midchord_io.gridding.grid_pitch import Spacing, levels_share, spacing_of

Array = npt.NDArray[np.float64]
RANDOM = np.random.default_rng(11)


def lattice(pitch_x: float, pitch_y: float, nx: int = 250, ny: int = 200) -> tuple[Array, Array]:
    x, y = np.meshgrid(np.arange(nx) * pitch_x, np.arange(ny) * pitch_y, indexing="ij")
    return x.ravel(), y.ravel()


def found(x: Array, y: Array) -> Spacing:
    spacing = spacing_of(x, y)
    assert spacing is not None
    return spacing


def test_a_lattice_has_a_pitch_for_each_axis() -> None:
    x, y = lattice(1.0, 7.5)
    assert found(x, y)[:4] == (1.0, 7.5, 1.0, 7.5)
    kept = RANDOM.random(x.size) > 0.3  # dropouts
    assert found(x[kept], y[kept])[:2] == (1.0, 7.5)
    order = RANDOM.permutation(x.size)
    assert found(x[order], y[order])[:2] == (1.0, 7.5)
    shaken = found(x + RANDOM.normal(0, 0.01, x.size), y + RANDOM.normal(0, 0.01, x.size))
    assert shaken[:2] == pytest.approx((1.0, 7.5), rel=1e-3)


def test_a_small_lattice_is_known() -> None:
    x, y = lattice(1.0, 2.0, 4, 5)
    assert found(x, y)[:2] == (1.0, 2.0)


def test_an_encoder_that_runs_unevenly() -> None:
    x, y = lattice(1.0, 5.0)
    assert found(x + 0.15 * np.sin(x / 7), y)[:2] == pytest.approx((1.0, 5.0), rel=2e-3)
    step = RANDOM.uniform(0.7, 1.3, 250)
    uneven = np.repeat(np.cumsum(step), 200)
    assert found(uneven, y).x_mm == pytest.approx(np.percentile(step[1:], 90), rel=1e-9)


def test_lines_far_apart_and_dense_along() -> None:
    x, y = lattice(1.0, 40.0, 1000, 50)
    assert found(x + (0.37 * y) % 1, y)[:2] == pytest.approx((1.0, 40.0))
    at_random = RANDOM.random(x.size) * 1000
    spacing = found(at_random, y)
    assert spacing.y_mm == 40.0
    # gaps of points at random are exponential: 90 % are below ln 10 of the mean
    assert spacing.x_mm == pytest.approx(np.log(10), rel=0.05)
    assert spacing.finest_x_mm == pytest.approx(1.0, rel=0.05)
    across = found(y, x + (0.37 * y) % 1)
    assert across[:2] == pytest.approx((40.0, 1.0))


def test_points_at_random_fill_95_percent_of_the_cells() -> None:
    x, y = RANDOM.random(50_000) * 1000, RANDOM.random(50_000) * 800
    spacing = found(x, y)
    assert spacing.x_mm == spacing.y_mm
    # Poisson: exp(-pitch^2 / 16 mm^2) = 5 %, sought in steps of 9 %
    assert 4.0 * np.sqrt(-np.log(0.05)) <= 1.01 * spacing.x_mm <= 1.12 * 4.0 * np.sqrt(3.0)
    assert spacing.finest_area_mm2 == pytest.approx(16.0, rel=1e-3)
    assert spacing.is_coarser_than(3.0, 3.0)
    assert not spacing.is_coarser_than(2.0, 9.0)


def test_decimals_of_the_file_are_no_lattice_but_divide_the_pitch() -> None:
    x, y = RANDOM.random(50_000) * 1000, RANDOM.random(50_000) * 800
    spacing = found(np.round(x), np.round(y))
    assert spacing.x_mm == spacing.y_mm
    assert spacing.x_mm == round(spacing.x_mm)
    assert 7 <= spacing.x_mm <= 8


def test_a_lattice_turned_against_the_axes() -> None:
    x, y = lattice(1.0, 1.5)
    turned = found(x * np.cos(0.1) - y * np.sin(0.1), x * np.sin(0.1) + y * np.cos(0.1))
    assert 1.2 <= turned.x_mm <= 1.8


def test_a_stray_point_does_not_stretch_the_pitch() -> None:
    x, y = lattice(1.0, 2.0, 60, 40)
    assert found(np.append(x, 9e5), np.append(y, -3e4))[:2] == (1.0, 2.0)


def test_no_area_no_pitch() -> None:
    x, y = lattice(1.0, 1.0, 10, 10)
    assert spacing_of(x, np.zeros_like(x)) is None
    assert spacing_of(x[:3], y[:3]) is None


def test_levels_of_noise_a_flat_plate_and_two_faces() -> None:
    x, y = RANDOM.random(60_000) * 300, RANDOM.random(60_000) * 200
    noise = RANDOM.normal(0, 3.0, x.size)
    assert levels_share(np.column_stack([x, y, noise]), step_mm=0.0)[0] < 0.01
    far_side = np.where(RANDOM.random(x.size) < 0.5, -90.0, 0.0)
    share, apart = levels_share(np.column_stack([x, y, noise + far_side]), step_mm=0.0)
    assert share > 0.9
    assert apart == pytest.approx(90.0 - 6.0, rel=0.05)
    heads = np.where(RANDOM.random(x.size) < 0.5, -0.02, 0.0)  # two that disagree by 20 um
    assert levels_share(np.column_stack([x, y, noise / 1000 + heads]), step_mm=0.0)[0] == 0.0
    steps = np.round(noise / 3.0) * 3.0
    assert levels_share(np.column_stack([x, y, steps]), step_mm=3.0)[0] < 0.01
