"""Overall bow: distance of the form from the chord of each edge and diagonal."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.detrending.bow import CHORDS, overall_bow, quadratic_power_mdpt
from midchord.detrending.edge_lift import Rims

LENGTH, WIDTH = 2400.0, 900.0
RIMS = Rims(np.zeros(3), np.full(3, LENGTH), np.zeros(4), np.full(4, WIDTH))


def _parabolas(along, across, twist=0.0, plane=(0.0, 0.0, 0.0)):
    def form(x, y):
        u, v = 2 * x / LENGTH - 1, 2 * y / WIDTH - 1
        z = along * (1 - u**2) + across * (1 - v**2) + twist * x * y / (LENGTH * WIDTH)
        return z + plane[0] + plane[1] * x + plane[2] * y

    return form


def test_parabolas_stand_off_their_chords_by_their_size():
    bow, per_metre = overall_bow(_parabolas(3.0, -0.8), RIMS)
    assert tuple(bow) == CHORDS
    assert bow == pytest.approx(
        {
            "leading": -0.8,
            "trailing": -0.8,
            "left": 3.0,
            "right": 3.0,
            "diagonal_1": 2.2,
            "diagonal_2": 2.2,
        },
        abs=1e-9,
    )
    assert per_metre["left"] == pytest.approx(3.0 / 2.4)
    assert per_metre["trailing"] == pytest.approx(-0.8 / 0.9)
    assert per_metre["diagonal_1"] == pytest.approx(2.2 / np.hypot(2.4, 0.9))


def test_twist_shows_on_the_diagonals_only_with_opposite_signs():
    bow, _ = overall_bow(_parabolas(0.0, 0.0, twist=1.6), RIMS)
    # z = t u v on the unit square: -t/4 in the middle of the first diagonal's chord, +t/4 of the
    # other's
    assert bow["diagonal_1"] == pytest.approx(-0.4)
    assert bow["diagonal_2"] == pytest.approx(0.4)
    assert max(abs(bow[name]) for name in ("leading", "trailing", "left", "right")) < 1e-12


def test_a_plane_has_no_bow_and_changes_none():
    plane = (100.0, 0.04, -0.07)
    flat, _ = overall_bow(_parabolas(0, 0, plane=plane), RIMS)
    assert max(map(abs, flat.values())) < 1e-10
    tilted, _ = overall_bow(_parabolas(3.0, -0.8, 0.5, plane), RIMS)
    level, _ = overall_bow(_parabolas(3.0, -0.8, 0.5), RIMS)
    assert tilted == pytest.approx(level, abs=1e-9)


def test_a_circle_bows_by_its_sagitta():
    # geometry: sagitta R - sqrt(R^2 - (c/2)^2) of a chord c
    radius = 50_000.0

    def form(x, y):
        return np.sqrt(radius**2 - (x - LENGTH / 2) ** 2)

    bow, per_metre = overall_bow(form, RIMS)
    sagitta = radius - np.sqrt(radius**2 - (LENGTH / 2) ** 2)
    assert bow["left"] == pytest.approx(sagitta, rel=1e-6)
    assert per_metre["left"] == pytest.approx(sagitta / 2.4, rel=1e-6)


def test_the_largest_distance_keeps_its_sign_and_need_not_be_in_the_middle():
    def form(x, y):
        return -0.7 * np.exp(-(((x - 600) / 150) ** 2)) + 0.2 * np.exp(-(((x - 1700) / 150) ** 2))

    bow, _ = overall_bow(form, RIMS)
    assert bow["left"] == pytest.approx(-0.7, abs=1e-3)


def test_the_power_of_the_whole_is_that_of_its_quadratic():
    # P = 2 z_xx, 2 z_yy, twist 2 z_xy; positive where concave: a dome of bow b over length l has
    # z_xx = -8 b / l^2
    x, y = np.arange(5.0, LENGTH, 10.0), np.arange(10.0, WIDTH, 20.0)
    plane = (30.0, 0.01, -0.02)
    z = _parabolas(3.0, -0.8, 0.5, plane)(x[:, np.newaxis], y)
    z += 0.04 * np.cos(2 * np.pi * x / 240)[:, np.newaxis]  # whole waves: hardly any of it fits
    z[20:40, 5:30] = np.nan
    power = quadratic_power_mdpt(z, x, y)
    assert power["along"] == pytest.approx(-16e6 * 3.0 / LENGTH**2, abs=0.1)
    assert power["across"] == pytest.approx(16e6 * 0.8 / WIDTH**2, abs=0.1)
    assert power["twist"] == pytest.approx(2e6 * 0.5 / (LENGTH * WIDTH), abs=0.05)
