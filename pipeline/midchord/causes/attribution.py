"""The waves that were found, held against the machine: what each part has to answer for.

A wave *matches* a candidate where its period, with twice its standard uncertainty (and with its own
scatter from lite to lite, where that is shown), touches the candidate's range. A wandering wave
matches nothing: no part of a machine makes it. A wave that matches nothing is "not explained by the
machine".

A candidate that is matched takes the wave's shares: all of them, even where the wave matches two,
who then cannot be told apart. A candidate that is not is fitted at the best period of its range
*beside* all waves: what those explain is not explained again, and where one of them is closer than
the resolution the interval grows accordingly.

The p-value of a candidate is the larger of two, so that both hypotheses must fall (an
intersection-union test; Berger 1982):

- there is no more at its period than the continuous background around it (F-test, times the number
  of cells in the range);
- what is there wanders from lite to lite (only with ``least_lites`` or more).

``p_value`` is corrected over all candidates by Holm's method: the chance of *any* false claim stays
below ``false_rate``. Three verdicts:

``shown``      p_value at most the rate, and steady from lite to lite
``agrees``     p_value at most the rate, but with so few lites that a wave which happened to have
               this period looks the same
``not shown``  otherwise. It is no proof of absence: the upper end of the interval says how much
               there may be
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np

from midchord.causes.candidates import Candidate, gap_in_cells
from midchord.causes.harmonics import GroupFit, Piece, fit, line_at, pooled_p, power_over, ramp_of
from midchord.causes.shares import Share
from midchord.causes.steady import UNTESTED, Steadiness, steadiness
from midchord.causes.waves_found import Found, Rules, frequencies_of
from midchord.statistics.false_discovery import holm

__all__ = ["Attributed", "attribute", "matches"]

MARGIN_CELLS = 0.02
"""Periods are never better known than this part of a resolution: form and edges bend every wave."""
WANDER_SEEN = 0.01


class Attributed(NamedTuple):
    """One candidate with all that is known of it.

    wave              number of the wave that it matches, None where it matches none
    period_mm         best period in its range; that of the wave where there is one
    u_period_mm       its standard uncertainty, None without a wave
    p_single          before, ``p_value`` after the correction for the number of candidates
    separable_from, not_separable_from   causes
    """

    candidate: Candidate
    wave: int | None
    period_mm: float
    u_period_mm: float | None
    share: Share
    p_single: float
    p_value: float
    verdict: str
    steadiness: Steadiness
    separable_from: list[str]
    not_separable_from: list[str]


def attribute(
    pieces: Sequence[Piece],
    waves: Sequence[Found],
    candidates: Sequence[Candidate],
    wave_shares: Sequence[Share],
    share_at: Callable[[list[GroupFit], int], Share],
    rules: Rules,
    *,
    length_mm: float,
    least_cells: float,
) -> list[Attributed]:
    """All candidates, the surest and largest first.

    wave_shares  of ``waves``
    share_at     shares of a wave of a fit, by its number there
    length_mm    of the pieces: 1 / length is their resolution
    """
    rows = []
    lites = len({piece.lite for piece in pieces})
    for candidate in candidates:
        matched = matches(candidate, waves, length_mm)
        if matched is not None:
            others = [*waves[:matched], *waves[matched + 1 :]]
            near = float(
                np.clip(waves[matched].frequency, 1 / candidate.high_mm, 1 / candidate.low_mm)
            )
            fits = fit(pieces, frequencies_of(others, len(pieces)))
            present = pooled_p(line_at(fits, near, len(pieces), rules.weights))
            found, share = waves[matched].steadiness, wave_shares[matched]
            period, u = waves[matched].period_mm, waves[matched].u_period_mm
        else:
            period, present, share, found = _beside(pieces, waves, candidate, share_at, rules)
            u = None
        cells = 1 + (1 / candidate.low_mm - 1 / candidate.high_mm) * length_mm
        p_single = max(min(1.0, present * cells), found.p_steady or 0.0)
        rows.append((candidate, matched, period, u, share, p_single, found))
    corrected = holm([row[5] for row in rows]) if rows else np.array([])
    attributed = []
    for (candidate, matched, period, u, share, p_single, found), p_value in zip(
        rows, corrected, strict=True
    ):
        verdict = "not shown"
        if p_value <= rules.claim_rate and matched is not None:
            few = lites < rules.least_lites
            verdict = "agrees" if few else "shown" if found.state == "steady" else verdict
        apart = {
            other.cause: gap_in_cells(candidate, other, length_mm) >= least_cells
            for other in candidates
            if other is not candidate
        }
        attributed.append(
            Attributed(
                candidate, matched, period, u, share, p_single, float(p_value), verdict, found,
                [name for name, far in apart.items() if far],
                [name for name, far in apart.items() if not far],
            )
        )  # fmt: skip
    order = {"shown": 0, "agrees": 1, "not shown": 2}
    return sorted(attributed, key=lambda one: (order[one.verdict], -one.share.depth))


def matches(candidate: Candidate, waves: Sequence[Found], length_mm: float) -> int | None:
    """Number of the wave whose period lies in the candidate's range; the surest of several."""
    best: tuple[float, int] | None = None
    for number, wave in enumerate(waves):
        if wave.own is not None or wave.steadiness.state == "wandering":
            continue
        margin = 2 * wave.u_frequency + MARGIN_CELLS / length_mm
        steady = wave.steadiness
        if steady.scatter and steady.p_wander is not None and steady.p_wander < WANDER_SEEN:
            margin = max(margin, steady.scatter * wave.frequency)
        low, high = 1 / candidate.high_mm - margin, 1 / candidate.low_mm + margin
        if low <= wave.frequency <= high and (best is None or wave.p_value < best[0]):
            best = (wave.p_value, number)
    return None if best is None else best[1]


def _beside(
    pieces: Sequence[Piece],
    waves: Sequence[Found],
    candidate: Candidate,
    share_at: Callable[[list[GroupFit], int], Share],
    rules: Rules,
) -> tuple[float, float, Share, Steadiness]:
    """Best period, p-value of presence, shares, steadiness of a candidate that matches no wave."""
    count = len(pieces)
    table = frequencies_of(waves, count)
    fits = fit(pieces, table)
    span = float(np.median([piece.span_mm for piece in pieces]))
    low, high = 1 / candidate.high_mm, 1 / candidate.low_mm
    grid = np.linspace(low, high, 2 + int(10 * (high - low) * span))
    power = power_over(fits, grid, count).sum(axis=1)
    frequency = float(grid[int(np.argmax(power))])
    present = pooled_p(line_at(fits, frequency, count, rules.weights))
    beside = fit(pieces, np.column_stack([table, np.full(count, frequency)]))
    lites = len({piece.lite for piece in pieces})
    found = UNTESTED
    if lites >= rules.least_lites:
        found = steadiness(
            ramp_of(beside, len(waves), count, rules.weights),
            min(rules.least_wander, 0.3 / (span * frequency)),
            lites=lites,
            least_lites=rules.least_lites,
            claim_rate=rules.claim_rate,
        )
    return 1 / frequency, present, share_at(beside, len(waves)), found
