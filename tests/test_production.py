"""A simulated production is what its recipe says."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from midchord.simulating.production import Production, residuals, scan_of

QUIET = {"background": {"sd_mm": 0.0}, "noise_mm": 0.0}


def production(**changes: object) -> Production:
    base = {"seed": 4, "lites": 6, "length_mm": 1500.0, "width_mm": 600.0}
    return Production.model_validate(base | changes)


def test_a_lite_is_the_same_whatever_others_are_made() -> None:
    some, more = list(residuals(production(lites=3))), list(residuals(production(lites=6)))
    for a, b in zip(some, more, strict=False):
        assert np.array_equal(a["residual"].values, b["residual"].values)
    assert len({lite.attrs["lite_id"] for lite in more}) == 6
    assert not np.array_equal(more[0]["residual"].values, more[1]["residual"].values)


def test_amplitudes_have_the_mean_square_that_is_stated() -> None:
    made = production(
        lites=400, width_mm=100.0, length_mm=1000.0,
        lines=[{"period_mm": 250.0, "amplitude_mm": 0.01, "between_lites": 0.5}], **QUIET,
    )  # fmt: skip
    squares = [lite.attrs["truth"]["amplitudes_mm"][0] ** 2 for lite in residuals(made)]
    assert np.mean(squares) == pytest.approx(0.01**2, rel=0.15)
    powers = [float((lite["residual"] ** 2).mean()) for lite in residuals(made)]
    assert np.mean(powers) == pytest.approx(0.5 * np.mean(squares), rel=0.02)


def test_a_cause_begins_and_grows_with_a_lite() -> None:
    line = {"period_mm": 250.0, "amplitude_mm": 0.01, "between_lites": 0.0, "from_lite": 2,
            "growth_per_lite": 0.5}  # fmt: skip
    sizes = [lite.attrs["truth"]["amplitudes_mm"][0]
             for lite in residuals(production(lines=[line], **QUIET))]  # fmt: skip
    assert sizes == pytest.approx([0.0, 0.0, 0.01, 0.015, 0.02, 0.025])


def test_what_is_fixed_to_the_machine_moves_against_the_lite() -> None:
    line = {"period_mm": 450.0, "amplitude_mm": 0.01, "between_lites": 0.0, "phase": "machine",
            "at_mm": 100.0}  # fmt: skip
    for lite in residuals(production(lines=[line], **QUIET)):
        on_machine = lite["x"].values + lite.attrs["truth"]["along_mm"]
        wave = 0.01 * np.cos(2 * np.pi * (on_machine - 100.0) / 450.0)
        assert lite["residual"].values[:, 7] == pytest.approx(wave, abs=2e-6)


def test_an_odd_nozzle_is_at_its_place_in_the_machine() -> None:
    imprint = {"depth_mm": 0.005, "pitch_along_mm": 50.0, "pitch_across_mm": 40.0,
               "first_across_mm": 15.0, "odd": [{"column": 9, "factor": 0.0}]}  # fmt: skip
    lite = next(iter(residuals(production(imprint=imprint, **QUIET))))
    depth = lite["residual"].values.min(axis=0)
    across = lite["y"].values + lite.attrs["truth"]["across_mm"]
    missing, there = (int(np.abs(across - (15.0 + 40 * k)).argmin()) for k in (8, 9))
    assert depth[missing] > 0.3 * depth[there]
    assert depth[there] < -0.003


def test_shares_add_up_to_all_but_the_background() -> None:
    lines = [{"period_mm": 250.0, "amplitude_mm": 0.01}, {"period_mm": 125.0, "amplitude_mm": 0.01}]
    made = production(lines=lines, **QUIET)
    assert made.line_share(made.lines[0]) == pytest.approx(0.5)
    assert made.line_share(made.lines[0], distortion=True) == pytest.approx(1 / 17)


def test_a_scan_of_it_keeps_the_contract() -> None:
    scan = scan_of(production(), 2)
    assert scan.attrs["lite_id"] == "P-00003"
    assert scan["height"].dims == ("x", "y")
    assert scan.attrs["frame"] == "lite"


def test_a_lite_of_a_few_points_is_refused() -> None:
    with pytest.raises(ValidationError, match="at least 20 pitches"):
        production(width_mm=50.0)
