"""Pairs in mm and in mdpt, and what the hands' places take off them."""

from __future__ import annotations

import numpy as np
import pytest

import hand
from midchord.surveying.pair_tables import mdpt_table, mm_table, place_mean


@pytest.fixture(scope="module")
def lines() -> hand.Taken:
    return hand.take_lines([hand.known_lite(0)], hand.People(), np.random.default_rng(1))


def test_how_far_the_hand_was_off_counts_with_the_scan(lines: hand.Taken) -> None:
    pairs = lines.paired().swings
    table = mm_table(pairs)
    np.testing.assert_allclose(
        table["u_scan"] ** 2, pairs["u_scan_mm"] ** 2 + pairs["u_place_mm"] ** 2
    )
    assert table["scan"].equals(pairs["scan_mm"].rename("scan"))


def test_distortion_is_by_the_wavelength_in_the_middle_of_each_half_wave(
    lines: hand.Taken,
) -> None:
    swings = lines.paired().swings
    table = mdpt_table(swings, lines.lites)
    maps = next(iter(lines.lites.values())).maps["wavelength"]
    # one by one, the slow way
    for k in (0, 3, len(swings) - 1):
        row = swings.iloc[k]
        middle = (row["from_x_mm"] + row["x_mm"]) / 2
        length = float(maps.sel(x=middle, y=row["y_mm"], method="nearest"))
        assert table["scan"].iloc[k] == pytest.approx(
            4e6 * np.pi**2 * row["scan_mm"] / length**2
        )


def test_what_the_mean_over_places_does_is_said_with_the_bias_without_it(
    lines: hand.Taken,
) -> None:
    pairs = lines.paired().swings
    found = place_mean(pairs, bias_mm=0.0004)
    assert found.mean_mm == pytest.approx(float(pairs["place_mean_mm"].mean()))
    assert -0.003 < found.largest_mm <= found.mean_mm < -0.0005
    assert found.bias_if_exact_mm == pytest.approx(0.0004 - found.mean_mm)
    assert found.place_sd_mm == 5.0
    assert found.sentence == (
        "each reading is compared with the mean of its twin over where a hand off by 5 mm along "
        "each axis may have stood: being off a peak reads low, off a valley high; this shifts the "
        f"swings by {1000 * found.mean_mm:+.2g} um on average; had every hand stood exactly where "
        f"the survey says, the bias would be {1000 * found.bias_if_exact_mm:+.2g} um instead of "
        "+0.4 um"
    )


def test_exact_hands_move_nothing(lines: hand.Taken) -> None:
    found = place_mean(lines.paired(sd_mm=0.0).swings, bias_mm=0.0004)
    assert (found.mean_mm, found.largest_mm, found.bias_if_exact_mm) == (0.0, 0.0, 0.0004)
    assert found.sentence == (
        "hands that are off by 0 mm shift the swings of this survey by no more than 0.1 um on "
        "average"
    )
