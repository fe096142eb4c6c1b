"""Waves held against candidates: what is claimed, what is not, and what cannot be told apart."""

from __future__ import annotations

import numpy as np
import pytest

from midchord.causes.attribution import Attributed, attribute, matches
from midchord.causes.candidates import Candidate
from midchord.causes.harmonics import GroupFit, Piece, fit
from midchord.causes.shares import Share, share_of, totals_of
from midchord.causes.waves_found import find_waves, frequencies_of
from pieces import LENGTH_MM, PITCH_MM, RULES, pieces


def candidate(name: str, period_mm: float, percent: float = 0.7) -> Candidate:
    off = period_mm * percent / 100
    return Candidate(name, name, "", period_mm, period_mm - off, period_mm + off)


ROLLER, ENCODER = candidate("roller", 251.0), candidate("encoder", 262.0)
FAR = candidate("nozzles", 140.0)


def traced(made: list[Piece], *candidates: Candidate) -> dict[str, Attributed]:
    waves = find_waves(made, RULES)
    fits = fit(made, frequencies_of(waves, len(made)))
    totals = totals_of(
        made, fits, pitch_mm=PITCH_MM, shortest_mm=30.0, longest_mm=700.0,
        time_bandwidth=2.5, tapers=4,
    )  # fmt: skip

    def share_at(of: list[GroupFit], wave: int) -> Share:
        return share_of(
            made, of, wave, totals, RULES.weights,
            level=0.95, resamples=299, bootstrap_lites=8, seed=1,
        )  # fmt: skip

    shares = [share_at(fits, wave) for wave in range(len(waves))]
    found = attribute(
        made, waves, candidates, shares, share_at, RULES, length_mm=LENGTH_MM, least_cells=1.0
    )
    return {one.candidate.cause: one for one in found}


def test_a_planted_cause_is_shown_and_ranked_first() -> None:
    found = traced(pieces(1, 20, lines=[(251.0, 0.01)]), FAR, ENCODER, ROLLER)
    assert next(iter(found)) == "roller"
    assert found["roller"].verdict == "shown"
    assert found["roller"].p_value < 0.01
    assert found["roller"].not_separable_from == ["encoder"]
    assert found["roller"].separable_from == ["nozzles"]
    assert found["nozzles"].verdict == found["encoder"].verdict == "not shown"
    assert found["encoder"].wave is None


def test_a_wave_near_a_candidate_but_not_at_it_is_not_its() -> None:
    """262 mm beside a candidate of 251 mm: within a resolution of 27 mm, and still another wave."""
    found = traced(pieces(2, 20, lines=[(262.0, 0.01)]), ROLLER, FAR)
    assert found["roller"].wave is None
    assert found["roller"].verdict == "not shown"
    assert found["roller"].share.depth < 0.05


@pytest.mark.parametrize("seed", range(4))
def test_a_wandering_wave_is_no_machines(seed: int) -> None:
    found = traced(pieces(10 + seed, 15, wander=(251.0, 0.01, 0.03)), ROLLER, FAR)
    assert found["roller"].verdict == "not shown"
    assert found["roller"].p_value > 0.05


def test_candidates_that_overlap_share_the_wave_and_cannot_be_told_apart() -> None:
    twin = candidate("other roller", 252.0)
    found = traced(pieces(3, 20, lines=[(251.0, 0.01)]), ROLLER, twin)
    assert found["roller"].wave == found["other roller"].wave == 0
    assert found["roller"].share == found["other roller"].share
    assert found["other roller"].not_separable_from == ["roller"]


def test_few_lites_agree_and_do_not_show() -> None:
    found = traced(pieces(4, 2, lines=[(251.0, 0.02)]), ROLLER, FAR)
    assert found["roller"].verdict == "agrees"
    assert found["roller"].p_value < 0.05


def test_p_values_are_corrected_for_the_candidates() -> None:
    many = [candidate(f"c{k}", 60.0 + 9 * k, 0.3) for k in range(9)]
    found = traced(pieces(5, 12, lines=[(251.0, 0.01)]), ROLLER, *many)
    assert found["roller"].p_value == pytest.approx(10 * found["roller"].p_single, rel=1e-9)


def test_no_false_claims_where_nothing_is_planted() -> None:
    """Family-wise rate 5 %: at most 3 of 25 runs (1 in 30 by chance)."""
    many = [candidate(f"c{k}", 60.0 * 1.22**k) for k in range(11)]
    false = [
        any(one.verdict != "not shown" for one in traced(pieces(100 + k, 6), *many).values())
        for k in range(25)
    ]
    assert sum(false) <= 3


def test_the_margin_of_a_match_is_twice_the_uncertainty() -> None:
    wave = find_waves(pieces(1, 20, lines=[(251.0, 0.01)]), RULES)[0]
    edge = 1 / (wave.frequency - 3 * wave.u_frequency - 0.03 / LENGTH_MM)
    apart = Candidate("x", "x", "", edge + 1, edge, edge + 2)
    assert matches(apart, [wave], LENGTH_MM) is None
    assert matches(apart._replace(low_mm=wave.period_mm - 0.1), [wave], LENGTH_MM) == 0
    own = wave._replace(own=np.full(20, wave.frequency))
    assert matches(ROLLER, [own], LENGTH_MM) is None
