"""Average-and-range method against the AIAG example and the tables of its constants."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midchord.statistics.average_and_range import _range_constant, range_study
from midchord_io.errors import SurveyError

DATA = Path(__file__).parent / "data"


def test_aiag_example() -> None:
    # AIAG, Measurement Systems Analysis, 4th ed. (from memory; its inputs are rounded: 1e-4)
    t = np.genfromtxt(
        DATA / "gauge_study_10x3x3.csv",
        delimiter=",", names=True, skip_header=1, encoding="utf-8", dtype=None,
    )  # fmt: skip
    found = range_study(t["value"], part=t["part"], operator=t["appraiser"])
    assert found.repeatability_sd == pytest.approx(0.20188, abs=1e-4)
    assert found.reproducibility_sd == pytest.approx(0.22963, abs=1e-4)
    assert found.grr_sd == pytest.approx(0.30575, abs=1e-4)
    assert found.part_sd == pytest.approx(1.10456, abs=1e-4)
    assert found.total_sd == pytest.approx(1.14610, abs=1e-4)
    assert found.ndc == pytest.approx(1.41 * found.part_sd / found.grr_sd)


@pytest.mark.parametrize(("n", "k1"), [(2, 0.8862), (3, 0.5908)])
def test_constants_of_trials(n: int, k1: float) -> None:
    # K1 of AIAG's form
    assert _range_constant(n, many=True) == pytest.approx(k1, abs=1e-9)


@pytest.mark.parametrize(
    ("n", "k3"),
    [(2, 0.7071), (3, 0.5231), (4, 0.4467), (5, 0.4030), (6, 0.3742), (7, 0.3534), (8, 0.3375),
     (9, 0.3249), (10, 0.3146)],
)  # fmt: skip
def test_constants_of_one_range(n: int, k3: float) -> None:
    # K2 and K3 of AIAG's form
    assert _range_constant(n, many=False) == pytest.approx(k3, abs=1.01e-4)


def test_scale_and_shift() -> None:
    rng = np.random.default_rng(1)
    part, operator, _ = (v.ravel() for v in np.indices((5, 3, 2)))
    y = rng.normal(0, 1, 30) + part
    base = range_study(y, part=part, operator=operator)
    moved = range_study(3 * y - 7, part=part, operator=operator)
    assert moved[:5] == pytest.approx(tuple(3 * v for v in base[:5]))
    assert moved.grr_share == pytest.approx(base.grr_share)


def test_one_trial_is_refused() -> None:
    with pytest.raises(SurveyError, match="cells hold 1 to 1 readings"):
        range_study([1, 2, 3, 4], part=[1, 1, 2, 2], operator=[1, 2, 1, 2])
