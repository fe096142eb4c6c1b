"""Shares of depth and distortion: closed forms, and intervals that hold the truth as often as
said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from midchord.causes.harmonics import Piece, fit
from midchord.causes.shares import Share, share_of, totals_of
from pieces import PITCH_MM, RULES, pieces

BAND = {"pitch_mm": PITCH_MM, "shortest_mm": 30.0, "longest_mm": 700.0}


def share(made: list[Piece], *periods: float, lites: int = 8, seed: int = 1) -> Share:
    fits = fit(made, np.tile([1 / period for period in periods], (len(made), 1)))
    totals = totals_of(made, fits, **BAND, time_bandwidth=2.5, tapers=4)
    return share_of(
        made, fits, 0, totals, RULES.weights,
        level=0.95, resamples=499, bootstrap_lites=lites, seed=seed,
    )  # fmt: skip


def test_two_waves_without_noise_share_by_their_squares_and_fourth_powers() -> None:
    """A = 3 at 250 mm and 1 at 125 mm: 9 of 10 of the depth; 9 of 9 + 16 of the distortion."""
    made = pieces(1, 10, lines=[(250.0, 0.003), (125.0, 0.001)], background_mm=0.0, spread=0.0)
    found = share(made, 250.0, 125.0)
    assert found.depth == pytest.approx(0.9, abs=0.006)
    assert found.distortion == pytest.approx(9 / 25, abs=0.006)
    assert found.rms_mm == pytest.approx(0.003 / math.sqrt(2), rel=0.01)
    assert found.of == "the production"


def test_noise_alone_has_no_share() -> None:
    found = share(pieces(2, 60, corner_mm=0.0), 250.0)
    assert found.depth < 0.01
    assert found.depth_interval[0] == 0.0
    assert found.depth_interval[1] < 0.02


@pytest.mark.parametrize(("lites", "runs", "low"), [(1, 150, 0.89), (4, 100, 0.88)])
def test_the_interval_of_these_lites_holds_their_own_share(
    lites: int, runs: int, low: float
) -> None:
    """Nominal 95 %, of the wave that the lites really have; white background."""
    held = 0
    for run in range(runs):
        clean = pieces(
            run, lites, lines=[(251.0, 0.002)], background_mm=0.0, spread=0.0
        )
        rough = pieces(9000 + run, lites, corner_mm=0.0, background_mm=0.003)
        made = [a._replace(z_mm=a.z_mm + b.z_mm) for a, b in zip(clean, rough, strict=True)]
        fits = fit(made, np.full((lites, 1), 1 / 251.0))
        totals = totals_of(made, fits, **BAND, time_bandwidth=2.5, tapers=4)
        found = share(made, 251.0, lites=99)
        assert found.of == "these lites"
        truth = lites * 460 * 0.5 * 0.002**2 / totals.height.sum()
        held += found.depth_interval[0] <= truth <= found.depth_interval[1]
    assert low <= held / runs <= 0.99


def test_the_bootstrap_interval_holds_the_share_of_the_production() -> None:
    """Nominal 95 %; amplitudes scatter by 40 % between 20 lites."""
    held, runs = 0, 120
    power = 0.5 * 0.006**2 * math.exp(2 * 0.4**2)
    background = np.mean(
        [np.mean([one.z_mm**2 for one in pieces(k, 50)]) for k in range(4)]
    )
    totals = []
    for run in range(runs):
        made = pieces(run, 20, lines=[(251.0, 0.006)])
        fits = fit(made, np.full((20, 1), 1 / 251.0))
        totals.append(totals_of(made, fits, **BAND, time_bandwidth=2.5, tapers=4).height.mean())
    truth = 460 * power / np.mean(totals)
    assert truth == pytest.approx(power / (power + background), rel=0.15)
    for run in range(runs):
        found = share(pieces(run, 20, lines=[(251.0, 0.006)]), 251.0)
        held += found.depth_interval[0] <= truth <= found.depth_interval[1]
    assert 0.89 <= held / runs <= 0.99


def test_a_seed_makes_the_same_interval_again() -> None:
    made = pieces(4, 12, lines=[(251.0, 0.006)])
    assert share(made, 251.0) == share(made, 251.0)
    assert share(made, 251.0, seed=2).depth_interval != share(made, 251.0).depth_interval


def test_heights_ten_times_as_large_change_no_share() -> None:
    made = pieces(4, 12, lines=[(251.0, 0.006)])
    large = [one._replace(z_mm=10 * one.z_mm) for one in made]
    assert share(large, 251.0).depth == pytest.approx(share(made, 251.0).depth, rel=1e-9)
