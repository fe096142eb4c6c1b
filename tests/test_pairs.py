"""The check that every comparison starts with."""

from __future__ import annotations

import math

import numpy as np
import pytest

from midchord.statistics.pairs import codes_of, finite, paired_readings
from midchord_io.errors import SurveyError


def test_pairs_pass_through() -> None:
    a, b = paired_readings([1, 2], (3.5, 4))
    assert a.tolist() == [1.0, 2.0]
    assert b.tolist() == [3.5, 4.0]


def test_zero_pairs_are_an_error() -> None:
    with pytest.raises(SurveyError) as error:
        paired_readings([], [], what="survey of gauge G")
    assert str(error.value) == (
        "survey of gauge G: there is not one pair; at least one is needed; check that the survey "
        "and the maps name the same lites."
    )


def test_infinite_reading_is_named() -> None:
    with pytest.raises(SurveyError, match="reading 2 of 2 is not a finite number"):
        finite([1.0, math.inf], what="readings")


def test_codes_keep_the_order_of_first_sight() -> None:
    codes, k = codes_of(["B", "A", "B", 3], 4, what="lites")
    assert codes.tolist() == [0, 1, 0, 2]
    assert k == 3


def test_codes_of_an_array() -> None:
    assert codes_of(np.array([7, 7, 5]), 3, what="lites")[0].tolist() == [0, 0, 1]
