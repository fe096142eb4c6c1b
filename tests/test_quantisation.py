"""The step of stored heights: found exactly, not invented, and told beside the noise."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from midchord_io.acquisition import findings_of
from midchord_io.quantisation import (
    doubtful_step_mm,
    noise_mm,
    quantisation,
    step_mm,
    with_quantisation,
)
from midchord_io.scan import make_scan

RANDOM = np.random.default_rng(4)


def surface(noise: float, step: float) -> npt.NDArray[np.float64]:
    x = np.arange(800)[:, None] * 1.0
    wave = 0.05 * np.cos(2 * np.pi * x / 250.0) + 1e-6 * (x - 400) ** 2
    height = wave + RANDOM.normal(0, noise, (800, 90))
    return np.round(height / step) * step if step else height


@pytest.mark.parametrize("step", [1 / 1024, 0.001, 0.0005, 0.01, 0.013, 10.0])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_step_is_found(step: float, dtype: type) -> None:
    height = surface(max(0.003, step / 3), step).astype(dtype)
    height[5:9, 7] = np.nan
    assert step_mm(height) == pytest.approx(step, rel=1e-4)


def test_where_there_is_no_step_none_is_found() -> None:
    for dtype in (np.float32, np.float64):
        assert step_mm(surface(0.003, 0.0).astype(dtype)) == 0.0
    assert step_mm(surface(0.003, 0.0).astype(np.float32) + np.float32(900.0)) == 0.0
    assert step_mm(np.full((40, 50), 1.5)) == 0.0
    assert step_mm(np.full((40, 50), np.nan)) == 0.0
    assert step_mm(np.array([[1.0, 2.0], [3.0, 1.0]])) == 0.0  # too few to tell


def test_the_noise_with_and_without_a_step_over_it() -> None:
    assert noise_mm(surface(0.003, 0.0)) == pytest.approx(0.003, rel=0.02)
    # the rounding of a step q adds the variance q^2 / 12 (uniform error), which is taken off
    for noise, step in ((0.004, 0.005), (0.004, 0.002), (0.01, 0.001)):
        assert noise_mm(surface(noise, step), step=step) == pytest.approx(noise, rel=0.08)
    assert noise_mm(surface(0.0, 0.05), step=0.05) < 0.012


def test_what_is_said_of_a_step() -> None:
    assert quantisation(0.0, 0.003) is None
    assert quantisation(0.0002, 0.003) is None
    fine = quantisation(0.001, 0.003)
    assert fine is not None
    assert not fine.is_doubt
    assert fine.sentence == (
        "heights are stored in steps of 0.001 mm, the noise between neighbours is 0.003 mm; the "
        "noise averages the steps out"
    )
    coarse = quantisation(10.0, 3.9)
    assert coarse is not None
    assert coarse.is_doubt
    assert coarse.figures == {"step_mm": 10.0, "noise_mm": 3.9}
    assert coarse.sentence.endswith("so a wave of less than a step cannot be judged")


def test_a_scan_says_it_once() -> None:
    scan = make_scan(
        surface(0.002, 0.01), x_mm=np.arange(800.0), y_mm=np.arange(90) * 5.0, lite_id="L",
        instrument="i", scanned_at="2026-03-01T08:30:00Z", frame="lite",
    )  # fmt: skip
    said = with_quantisation(with_quantisation(scan))
    assert [finding.what for finding in findings_of(said)] == ["quantised heights"]
    assert findings_of(said)[0].figures["step_mm"] == pytest.approx(0.01, rel=1e-4)
    assert doubtful_step_mm(said) == pytest.approx(0.01, rel=1e-4)
    assert doubtful_step_mm(scan) == 0.0
