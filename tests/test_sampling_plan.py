"""Plans against surveys simulated in full, and the choice of spots on drawn maps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from midchord.statistics.agreement import agree
from midchord.statistics.sampling_plan import (
    Scatter,
    choose_spots,
    plan_survey,
    power_of_plan,
    random_spots,
)
from midchord_io.errors import SurveyError

SCATTER = Scatter(bias=0.002, lite_sd=0.002, spot_sd=0.004, within_sd=0.004)


def simulated_power(scatter: Scatter, tolerance: float, plan: Any, runs: int) -> float:
    """Share of whole surveys, worked up reading by reading, that show agreement."""
    rng = np.random.default_rng(99)
    m, s, q, r = plan.n_lites, plan.spots_per_lite, plan.n_operators, plan.repeats
    shown = 0
    for _ in range(runs):
        people = rng.normal(0, scatter.operator_sd, q)
        if q < 3:
            people = scatter.operator_sd * np.array([[0.0], [-1, 1]][q - 1] / np.sqrt(q))
        d = (
            scatter.bias
            + rng.normal(0, scatter.lite_sd, m)[:, None, None, None]
            + rng.normal(0, scatter.spot_sd, (m, s))[:, :, None, None]
            + people[:, None]
            + rng.normal(0, scatter.within_sd, (m, s, q, r))
        )
        lite, spot, person, _ = (v.ravel() for v in np.indices(d.shape))
        found = agree(
            d.ravel(), 0 * d.ravel(), lite=lite, spot=spot, operator=person, tolerance=tolerance
        )
        shown += found.verdict == "shown"
    return shown / runs


@pytest.mark.parametrize(
    ("lites", "spots", "repeats", "persons", "operator_sd"),
    [(8, 6, 1, 1, 0.0), (8, 5, 2, 1, 0.0), (9, 4, 1, 2, 0.003), (8, 5, 2, 4, 0.001)],
)
def test_power_is_that_of_the_rule(
    lites: int, spots: int, repeats: int, persons: int, operator_sd: float
) -> None:
    scatter = Scatter(0.002, 0.002, 0.004, 0.004, operator_sd)
    plan = power_of_plan(
        scatter, 0.019, n_lites=lites, spots_per_lite=spots, repeats=repeats, n_operators=persons
    )
    assert 0.1 < plan.power < 0.95  # else the comparison says nothing
    runs = 400
    error = math.sqrt(plan.power * (1 - plan.power) / runs)
    assert simulated_power(scatter, 0.019, plan, runs) == pytest.approx(
        plan.power, abs=3 * math.hypot(error, plan.power_error)
    )


def test_plan_reaches_its_power_and_no_smaller_one_does() -> None:
    plan = plan_survey(SCATTER, 0.020, power=0.9)
    assert plan is not None
    assert plan.power >= 0.9
    assert plan.n_readings == plan.n_lites * plan.spots_per_lite
    fewer = power_of_plan(
        SCATTER, 0.020, n_lites=plan.n_lites - 1, spots_per_lite=plan.spots_per_lite
    )
    assert fewer.power < 0.9


def test_wider_tolerance_needs_fewer_readings() -> None:
    plans = [plan_survey(SCATTER, t) for t in (0.019, 0.022, 0.030)]
    needed = [p.n_readings for p in plans if p is not None]
    assert len(needed) == 3
    assert needed[0] > needed[1] > needed[2] >= 10


def test_limits_outside_the_tolerance_cannot_be_shown() -> None:
    # 0.002 + 1.96 x 0.006 = 0.0138
    assert plan_survey(SCATTER, 0.0137) is None


def test_scale_does_not_matter() -> None:
    one = power_of_plan(SCATTER, 0.02, n_lites=6, spots_per_lite=5)
    um = Scatter(2.0, 2.0, 4.0, 4.0)
    assert power_of_plan(um, 20.0, n_lites=6, spots_per_lite=5).power == one.power


@pytest.mark.parametrize(
    ("scatter", "tolerance", "words"),
    [
        (Scatter(0, -1, 1, 1), 1.0, "standard deviations not below zero"),
        (Scatter(0, 0, 0, 0), 1.0, "no scatter at all is assumed"),
        (SCATTER, 0.0, "the tolerance is 0.0"),
    ],
)
def test_refused_plans(scatter: Scatter, tolerance: float, words: str) -> None:
    with pytest.raises(SurveyError, match=words):
        plan_survey(scatter, tolerance)


def test_plan_of_one_lite() -> None:
    with pytest.raises(SurveyError, match="the plan is 1 lites, 5 spots"):
        power_of_plan(SCATTER, 0.02, n_lites=1, spots_per_lite=5)


def drawn_map() -> tuple[Any, ...]:
    x, y = np.arange(0.0, 2000.0, 5.0), np.arange(0.0, 800.0, 5.0)
    depth = 0.06 + 0.03 * np.sin(x / 300)[:, None] * np.cos(y / 200)
    gradient = np.hypot(*np.gradient(depth, x, y))
    clear = np.zeros(depth.shape, bool)
    clear[(x > 305) & (x < 1695)] = True
    clear[:, (y < 50) | (y > 750)] = False
    return depth, gradient, clear, x, y


def test_spots_are_spread_over_depth_on_flat_clear_places() -> None:
    depth, gradient, clear, x, y = drawn_map()
    spots = choose_spots(depth, gradient, clear, x, y, n_spots=12)
    assert len(spots) == 12
    low, high = depth[clear].min(), depth[clear].max()
    band = ((np.array([s.depth for s in spots]) - low) / (high - low) * 12).astype(int)
    assert sorted(np.minimum(band, 11)) == list(range(12))
    for spot in spots:
        i, j = int(spot.x_mm / 5), int(spot.y_mm / 5)
        assert clear[i, j]
        assert depth[i, j] == spot.depth
        in_band = clear & (np.abs(depth - spot.depth) < (high - low) / 12)
        assert spot.gradient_per_mm <= np.quantile(gradient[in_band], 0.75)
    assert np.mean([s.gradient_per_mm for s in spots]) < 0.8 * gradient[clear].mean()
    apart = min(
        math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm)
        for k, a in enumerate(spots) for b in spots[k + 1 :]
    )  # fmt: skip
    assert apart >= 50.0


def test_spots_are_the_same_again_and_sorted() -> None:
    args = drawn_map()
    spots = choose_spots(*args, n_spots=8)
    assert spots == choose_spots(*args, n_spots=8)
    assert spots == sorted(spots, key=lambda s: (s.x_mm, s.y_mm))


def test_points_without_depth_are_not_chosen() -> None:
    depth, gradient, clear, x, y = drawn_map()
    depth[:200] = np.nan
    assert all(s.x_mm >= 1000 for s in choose_spots(depth, gradient, clear, x, y, n_spots=6))


def test_even_map_and_few_points() -> None:
    flat = np.full((3, 4), 0.05)
    spots = choose_spots(flat, 0 * flat, flat > 0, [0, 5, 10], [0, 5, 10, 15], n_spots=20)
    assert len(spots) == len(set(spots)) == 12


def test_nothing_clear() -> None:
    flat = np.full((3, 4), 0.05)
    with pytest.raises(SurveyError, match="no clear point has a depth"):
        choose_spots(flat, flat, flat < 0, [0, 5, 10], [0, 5, 10, 15], n_spots=2)


def test_shapes_that_differ() -> None:
    with pytest.raises(SurveyError, match=r"depth \(3, 4\), gradient \(4, 3\)"):
        choose_spots(
            np.ones((3, 4)), np.ones((4, 3)), np.ones((3, 4)), range(3), range(4), n_spots=2
        )


def test_random_spots_are_clear_apart_and_take_slopes_as_they_come() -> None:
    depth, gradient, clear, x, y = drawn_map()
    spots = random_spots(depth, gradient, clear, x, y, n_spots=30, seed=4)
    assert spots == random_spots(depth, gradient, clear, x, y, n_spots=30, seed=4)
    at = np.array([(s.x_mm, s.y_mm) for s in spots])
    apart = np.hypot(*(at[:, None] - at).T) + 1e9 * np.eye(len(at))
    assert len(spots) == 30
    assert apart.min() >= 50
    slopes = np.array([s.gradient_per_mm for s in spots])
    usual = np.mean(np.abs(gradient)[clear & np.isfinite(depth)])
    assert slopes.mean() == pytest.approx(usual, rel=0.4)
    few = np.full((2, 2), 0.1)
    assert len(random_spots(few, few, few > 0, [0, 1], [0, 1], n_spots=9)) == 4
