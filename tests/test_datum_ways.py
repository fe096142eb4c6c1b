"""Of several wrong ways that look alike, the one with the fewest slips is named."""

from __future__ import annotations

import numpy as np
import pytest

import hand
from midchord.surveying.datum import suspect_datum
from midchord.surveying.datum_ways import changes_of


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("other face", 1), ("trailing", 1), ("turned", 2), ("turned, other face", 3),
        ("right, other face", 2), ("reversed marks", 1), ("reversed marks, other face", 2),
    ],
)  # fmt: skip
def test_what_is_the_other_way_round_is_counted(name: str, count: int) -> None:
    assert changes_of(name) == count


def test_of_ways_that_look_alike_the_simplest_is_named() -> None:
    lite = hand.symmetric_lite()
    people = hand.People(operators={"A": 0.0}, bias_mm=0.003)
    taken = hand.take_spots([lite], people, np.random.default_rng(4), spots=30)
    taken = hand.taken_wrongly(taken, "other face", lite)
    paired = taken.paired()
    found = suspect_datum(paired.singles, paired.twins, placement_sd_mm=5.0)
    assert (found.status, found.way) == ("likely wrong", "other face")
    # straight ridges: across the lite everything reads alike
    assert "right, other face" in found.not_told
    assert "the readings have the sign of the other face; " in found.sentence
