"""Joint fits: a slow fit as oracle, exact null distributions, gaps, steps towards a frequency."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from midchord.causes.harmonics import (
    Piece,
    fit,
    line_at,
    pooled_p,
    power_over,
    powers_of,
    ramp_of,
    step_towards,
)
from pieces import LENGTH_MM, RULES, pieces


def table(count: int, *periods: float) -> np.ndarray:
    return np.tile([1 / period for period in periods], (count, 1))


def test_the_fit_is_that_of_a_plain_least_squares() -> None:
    made = pieces(1, 4, lines=[(250.0, 0.01), (140.0, 0.004)])
    fits = fit(made, table(4, 250.0, 140.0))
    assert len(fits) == 1
    x = made[0].x_mm
    columns = [np.ones_like(x), x / LENGTH_MM]
    for period in (250.0, 140.0):
        columns += [np.cos(2 * math.pi * x / period), np.sin(2 * math.pi * x / period)]
    design = np.stack(columns, axis=1)
    for k, piece in enumerate(made):
        plain, *_ = np.linalg.lstsq(design, piece.z_mm, rcond=None)
        assert fits[0].coefficients[:, k] == pytest.approx(plain, abs=1e-12)
        assert fits[0].rest[:, k] == pytest.approx(piece.z_mm - design @ plain, abs=1e-12)
    assert fits[0].inverse == pytest.approx(np.diag(np.linalg.inv(design.T @ design)))


def test_what_a_line_explains_is_the_fall_of_the_residual() -> None:
    made = pieces(2, 3, lines=[(250.0, 0.01)])
    made[1] = made[1]._replace(x_mm=made[1].x_mm[40:], z_mm=made[1].z_mm[40:])
    before, after = fit(made, table(3, 250.0)), fit(made, table(3, 250.0, 180.0))
    power = power_over(before, np.array([1 / 180.0]), 3)[0]
    line = line_at(before, 1 / 180.0, 3, RULES.weights)
    left = np.zeros(3)
    for sign, fits in ((1, before), (-1, after)):
        for group in fits:
            left[group.members] += sign * (group.rest**2).sum(axis=0)
    assert power == pytest.approx(left, rel=1e-6)
    assert line.explained == pytest.approx(left, rel=1e-6)


def test_a_missing_point_is_simply_not_there() -> None:
    """The same amplitudes from a wave with a hole, to rounding, where there is no noise."""
    x = np.linspace(-1000, 1000, 401)
    z = 0.01 * np.cos(2 * np.pi * x / 230.0) + 0.002 * np.sin(2 * np.pi * x / 90.0)
    hole = np.abs(x - 300) > 160
    fits = fit([Piece(0, x[hole], z[hole], 2005.0)], table(1, 230.0, 90.0))
    assert fits[0].coefficients[2:, 0] == pytest.approx([0.01, 0, 0, 0.002], abs=1e-9)


@pytest.mark.parametrize("lites", [1, 12])
def test_p_values_are_even_where_there_is_only_white_background(lites: int) -> None:
    """Null distribution: Kolmogorov and Smirnov's test does not see a departure."""
    found = []
    for seed in range(150):
        made = pieces(1000 + seed, lites, corner_mm=0.0)
        fits = fit(made, table(lites, 400.0))
        found.append(pooled_p(line_at(fits, 1 / 150.0, lites, RULES.weights)))
    assert stats.kstest(found, "uniform").pvalue > 0.01


def test_the_background_is_the_variance_of_white_noise() -> None:
    made = pieces(5, 200, corner_mm=0.0, background_mm=0.003)
    line = line_at(fit(made, table(200, 400.0)), 1 / 150.0, 200, RULES.weights)
    assert line.background.mean() == pytest.approx(0.003**2, rel=0.05)
    assert line.explained.mean() == pytest.approx(2 * 0.003**2, rel=0.2)
    scatter = 2 * (line.background.mean() / line.background.std()) ** 2
    assert scatter == pytest.approx(line.dof, rel=0.3)


def test_the_step_leads_to_the_true_frequency() -> None:
    made = pieces(6, 20, lines=[(251.0, 0.01)], background_mm=0.001)
    off = 1 / 251.0 * 1.004
    fits = fit(made, np.full((20, 1), off))
    steps, _ = step_towards(fits, [0])
    assert off * (1 + steps[0]) == pytest.approx(1 / 251.0, rel=5e-4)


def test_a_shift_of_one_piece_is_seen_in_that_piece() -> None:
    made = pieces(7, 2, lines=[(251.0, 0.01)], background_mm=1e-4, spread=0.0)
    x = made[1].x_mm
    made[1] = made[1]._replace(z_mm=0.01 * np.cos(2 * np.pi * x / (251.0 * 1.003)))
    ramp = ramp_of(fit(made, table(2, 251.0)), 0, 2, RULES.weights)
    shift = ramp.along / ramp.size
    assert shift[0] == pytest.approx(0.0, abs=5e-4)
    assert shift[1] == pytest.approx(-0.003, abs=5e-4)
    assert ramp.true_share > 0.99


def test_noise_in_a_power_is_known() -> None:
    made = pieces(8, 300, corner_mm=0.0)
    power, noise, _ = powers_of(fit(made, table(300, 250.0)), 0, 300, RULES.weights)
    assert power.mean() == pytest.approx(noise.mean(), rel=0.15)
