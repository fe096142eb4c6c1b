"""Limits for a stated rate of false alarms."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.charts.limits import Doubt, limits_for, run_lengths
from midchord.charts.running import run_charts, signals_of

EXACT = Doubt(10**8, 10**8)


def test_a_known_mean_and_deviation_give_the_limits_of_tables() -> None:
    rates = (0.0027, 0.0027, 1 / 500, 1 / 168)
    found = limits_for(rates, EXACT, ewma_weight=0.5, cusum_reference=0.5)
    assert found.individuals == pytest.approx(3.0, abs=0.001)
    assert found.moving_range == pytest.approx(3.0 * np.sqrt(2), abs=0.002)
    assert found.ewma_width == pytest.approx(3.071, abs=0.001)  # Lucas and Saccucci (1990)
    assert found.cusum_interval == pytest.approx(4.0, abs=0.005)  # Lucas and Crosier (1982)


def test_fewer_lites_in_the_first_phase_widen_every_limit() -> None:
    rates = (1e-4,) * 4
    few, more = (
        limits_for(rates, Doubt(n, n - 1), ewma_weight=0.25, cusum_reference=1.0) for n in (30, 120)
    )
    remembered = limits_for(rates, Doubt(120, 119, 0.08), ewma_weight=0.25, cusum_reference=1.0)
    assert all(a > b for a, b in zip(few, more, strict=True))
    assert remembered.cusum_interval > more.cusum_interval
    assert remembered.individuals == more.individuals


def test_the_rate_is_held_when_mean_and_deviation_come_from_few_lites() -> None:
    lites, first, runs, rate = 60, 30, 6000, 1 / 800
    limits = limits_for((rate,) * 4, Doubt(first, first - 1), ewma_weight=0.25, cusum_reference=1.0)
    rng = np.random.default_rng(21)
    early, late = rng.standard_normal((first, runs)), rng.standard_normal((lites, runs))
    z = (late - early.mean(axis=0)) / early.std(axis=0, ddof=1)
    tracks = run_charts(z, ewma_weight=0.25, cusum_reference=1.0)
    alarms = {
        "individuals": np.abs(tracks.individuals) > limits.individuals,
        "ewma": np.abs(tracks.ewma) / np.sqrt(0.25 / 1.75) > limits.ewma_width,
        "cusum": np.maximum(tracks.cusum_up, tracks.cusum_down) > limits.cusum_interval,
    }
    for name, alarm in alarms.items():
        share = alarm.any(axis=0).mean()
        # at most rate * lites = 0.075; somewhat less, as bad first phases alarm more than once
        assert 0.03 < share < 0.075, name


def test_run_lengths_of_known_limits() -> None:
    limits = limits_for((0.0027, 0.01, 1 / 500, 1 / 168), EXACT, ewma_weight=0.5,
                        cusum_reference=0.5)  # fmt: skip
    still = run_lengths(limits, 0.0, ewma_weight=0.5, cusum_reference=0.5)
    moved = run_lengths(limits, 1.0, ewma_weight=0.5, cusum_reference=0.5)
    assert still == pytest.approx({"individuals": 370.4, "ewma": 500, "cusum": 168}, rel=0.002)
    assert moved["ewma"] == pytest.approx(17.5, abs=0.05)
    assert moved["cusum"] == pytest.approx(8.38, abs=0.02)


def test_a_signal_names_its_first_and_last_lite() -> None:
    limits = limits_for((1e-3,) * 4, EXACT, ewma_weight=0.25, cusum_reference=1.0)
    z = np.zeros(30)
    z[10:14] = 3.0
    z[20] = -6.0
    z[25] = np.nan
    tracks = run_charts(z, ewma_weight=0.25, cusum_reference=1.0, clip_sd=4.0)
    found = signals_of(tracks, limits, ewma_weight=0.25, first_lite=100)
    first = {}
    for s in found:
        first.setdefault((s.chart, s.direction), s.first)
    assert (first["ewma", "up"], first["cusum", "up"]) == (111, 111)
    assert ("individuals", 120, 120, "down") in [(s.chart, s.first, s.last, s.direction)
                                                for s in found]  # fmt: skip
    assert np.isnan(tracks.ewma[25])
    # an own value of 6 is taken for 4 by the charts that add up
    assert tracks.cusum_down[20] == pytest.approx(3.0)
