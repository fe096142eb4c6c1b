"""Lengths that a scan states beside the contract: only what is a length counts."""

from __future__ import annotations

import numpy as np
import pytest

from midchord_io.known_attrs import known_mm


@pytest.mark.parametrize("value", [8, 8.0, np.float32(8), np.int16(8)])
def test_a_length_is_taken(value: object) -> None:
    assert known_mm({"thickness_mm": value}, "thickness_mm") == 8.0


@pytest.mark.parametrize("value", [None, "8", 0, -8.0, float("nan"), float("inf"), [8.0], b"8"])
def test_what_is_none_is_not_known(value: object) -> None:
    assert known_mm({"thickness_mm": value}, "thickness_mm") is None
    assert known_mm({}, "thickness_mm") is None
