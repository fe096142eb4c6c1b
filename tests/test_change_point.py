"""With which lite a change began."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.charts.change_point import change_before
from midchord.charts.first_phase import chain


@pytest.mark.parametrize("kind", ["step", "ramp"])
def test_the_interval_covers_the_first_lite_of_a_change(kind: str) -> None:
    rng = np.random.default_rng(5)
    inside, told, runs = 0, 0, 300
    for _ in range(runs):
        begin = int(rng.integers(90, 110))
        since = np.maximum(np.arange(140) - begin + 1, 0)
        z = rng.standard_normal(140) + (1.5 * (since > 0) if kind == "step" else 0.4 * since)
        found = change_before(z, begin + 7, earliest=80)
        inside += found.low <= begin <= found.high
        told += found.kind == kind
    assert inside / runs >= 0.92  # 95 % and a little more, as whole lites are counted
    assert told / runs > 0.75


def test_a_plain_step_is_found_with_its_size() -> None:
    z = np.random.default_rng(1).standard_normal(60)
    z[40:] += 12.0
    found = change_before(z, 43, earliest=20, step_sd=10.0)
    assert (found.first, found.low, found.high, found.kind) == (40, 40, 40, "step")
    assert found.size == pytest.approx(12.0, abs=3 * found.u_size)
    assert 0.25 < found.u_size < 0.4  # 14 lites behind the change, 40 before it


def test_residuals_of_a_memory_are_looked_through() -> None:
    rng = np.random.default_rng(6)
    off = rng.standard_normal(120)
    for n in range(1, 120):
        off[n] = 0.6 * off[n - 1] + 0.8 * off[n]
    off[90:] += 4.0
    z = chain(off, 0.6) / 0.8
    found = change_before(z, 92, earliest=60, coefficient=0.6, step_ratio=1 / 0.8)
    assert found.low <= 90 <= found.high
    assert found.size == pytest.approx(4.0, abs=1.5)


def test_a_missing_lite_does_no_harm() -> None:
    z = np.random.default_rng(2).standard_normal(60)
    z[30:] += 12.0
    z[[10, 31, 33]] = np.nan
    assert change_before(z, 34, earliest=20, step_sd=10.0).first == 30
