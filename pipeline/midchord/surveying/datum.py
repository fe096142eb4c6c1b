"""Was the datum taken the wrong way round? Reported, never applied.

Places are counted from the leading and the left-hand edge of the face that was scanned. A survey
may have counted along x from the trailing edge, across from the right-hand edge (the lite
mirrored), both (the lite turned by 180 degrees in its plane), have read the other face (peaks are
valleys there), turned the lite over, or written the marks of a line down in reverse order.

Every way gives the twin other places or another sign. All are fitted alike (``twin_fit``), and each
is compared with the stated datum on the readings for which the twin can stand both ways.

    likely wrong     the stated datum is left with a probability of at most 1 %, each of the other
                     ways given a small part of 10 % beforehand
    right            every other way is at least 20 times less likely than the stated one
    cannot be told   otherwise; as it must be where the map reads alike both ways, as on a
                     symmetric wave along the centre line

One lite, one person or one walk alone may have it wrong. So the same is asked of each of them, the
small part of 10 % divided among all. The coarsest division is reported that explains all that is
wrong, and none of whose smaller groups is 200 times likelier as stated. Nothing is called right
while one of m groups is 20 m times likelier another way. A way that takes a gain far from 1 is
never claimed: there a factor or other feet are the question (``settled_datum``). Nor is one by
which the twin still explains less than half of the readings' variance: then nothing agrees.

How far the map itself can tell is predicted from the map alone: half the sum of squared differences
of the two sets of twin readings over the squared scatter is the expected difference E of the
log-likelihoods, for scatter found from n readings n/2 ln(1 + 2 E/n), spread sqrt(2 E) (derived).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.datum_ways import (
    LARGEST_COUNT,
    WHOLE_SURVEY,
    Places,
    changes_of,
    divisions_of,
    twin_under,
    ways_of,
)
from midchord.surveying.flags import as_a_probability, span_of_rows, times_as_likely
from midchord.surveying.places import PlacedTwin, placed_twin, without_repeats
from midchord.surveying.twin_field import TwinField
from midchord.surveying.twin_fit import expected_gain, fit_twins, grouped, robust_spread

__all__ = ["WHOLE_SURVEY", "DatumGroup", "DatumSuspicion", "DatumWay", "suspect_datum"]

Floats = npt.NDArray[np.float64]
Status = Literal["right", "likely wrong", "cannot be told"]

RIGHT_BEFORE = 0.90
CLAIM = 0.99
"""Probability of a wrong datum from which it is called likely."""
TOLD_APART = math.log(20.0)
RIVALS = math.log(200.0)
"""Wrong ways that are less likely than the best by no more than this are named beside it."""
LEAST_PLACES = 6
NAMED = 6
"""Of groups of which nothing can be told, beside the rest."""
SAME_PLACE_SDS = 3.0
"""Places that are no farther apart than a hand may be off are the same place."""
LEAST_EXPLAINED = 0.5
"""Of the variance of the readings, by the twin, from which a way may be claimed (common practice,
no source)."""
LEAST_GAIN, LARGEST_GAIN = 0.75, 1.35
"""Of a gauge whose datum alone is wrong; half and double are factors (common practice, no
source)."""


@dataclass(frozen=True)
class DatumWay:
    """One way to take the datum wrong.

    name              e.g. "trailing", "right", "turned", "other face", "reversed marks"
    words             what it would mean
    log_likelihood_gain  of this way over the stated datum; NaN where too few places allow it
    expected_gain     what the map lets expect of it if this way were the true one
    chance_of_finding if this way were the true one, predicted from the map
    probability       of this way, given the readings and that it is one of those tried
    is_excluded       at least 20 times less likely than the stated datum
    n_places          on which it was compared
    scale             of the gauge against the twin, this way
    explained         share of the readings' variance that the twin explains, this way
    """

    name: str
    words: str
    log_likelihood_gain: float
    expected_gain: float
    chance_of_finding: float
    probability: float
    is_excluded: bool
    n_places: int
    scale: float = math.nan
    explained: float = math.nan


class DatumGroup(NamedTuple):
    """Readings whose datum was likely taken wrong, all alike.

    label        e.g. "lite L-3", "operator Ines", or "the whole survey"
    way          name of the most likely way
    sentence     what would agree, and how surely
    probability  that their datum is a wrong one
    rows         of the survey file
    """

    label: str
    way: str
    sentence: str
    probability: float
    rows: tuple[int, ...]


@dataclass(frozen=True)
class DatumSuspicion:
    """Whether the datum was taken as stated.

    way          name of the most likely wrong one where status is "likely wrong", else None; of
                 several groups, that of the first
    probability  that the datum is a wrong one, there
    not_told     names of the ways that can be neither claimed nor excluded
    ways         every way that was tried on the survey as a whole
    groups       whose datum is likely wrong, by falling probability; the whole survey is one
    """

    status: Status
    way: str | None
    probability: float
    not_told: tuple[str, ...]
    ways: tuple[DatumWay, ...]
    sentence: str
    groups: tuple[DatumGroup, ...] = ()


class _Judged(NamedTuple):
    """A group of readings, every way tried on it."""

    label: str
    rows: tuple[int, ...]
    ways: tuple[DatumWay, ...]
    wrong: float
    evidence: float

    @property
    def is_lite_or_person(self) -> bool:
        return self.label.startswith(("lite ", "operator ")) and " by " not in self.label

    @property
    def is_claimed(self) -> bool:
        return self.wrong >= CLAIM

    @property
    def best(self) -> DatumWay:
        """The simplest of the ways that cannot be told from the likeliest."""
        top = max(way.probability for way in self.ways)
        near = [way for way in self.ways if way.probability >= top * math.exp(-RIVALS)]
        return min(near, key=lambda way: (changes_of(way.name), -way.probability))


def suspect_datum(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    *,
    placement_sd_mm: float,
) -> DatumSuspicion:
    """Which datum the readings speak for, all together and group by group.

    singles          pairs as of ``pair_readings``; a column ``line`` names the walks
    twins            lite_id -> field of the twin
    placement_sd_mm  how far a hand is off its stated place, along each axis
    """
    count = len(without_repeats(singles))
    if count < LEAST_PLACES:
        return DatumSuspicion(
            "cannot be told", None, math.nan, (), (),
            f"whether the datum was taken rightly cannot be told from {count} places: it "
            f"takes {LEAST_PLACES}",
        )  # fmt: skip
    divisions = list(divisions_of(singles))
    judged = []
    for division in divisions:
        part = 1 / (len(division) * len(divisions))
        judged.append(
            [
                _judged(label, rows, twins, placement_sd_mm, 1.0 if label == WHOLE_SURVEY else part)
                for label, rows in division
            ]
        )
    return _concluded(judged)


def _judged(
    label: str,
    rows: pd.DataFrame,
    twins: Mapping[str, TwinField],
    placement_sd_mm: float,
    part: float,
) -> _Judged:
    """Every way tried on some readings; ``part`` of the probability of a wrong datum is theirs.
    None is tried on fewer than LEAST_PLACES."""
    pairs = without_repeats(rows.reset_index(drop=True))
    own = tuple(int(row) for row in rows["row"])
    if len(pairs) < LEAST_PLACES:
        return _Judged(label, own, (), 0.0, -math.inf)
    stated = placed_twin(pairs, twins, pairs["x_mm"], pairs["y_mm"], placement_sd_mm)
    ways = ways_of(pairs, twins, SAME_PLACE_SDS * placement_sd_mm)
    others = [twin_under(way, pairs, twins, placement_sd_mm) for way in ways]
    compared = _compare(pairs, stated, others, ways)
    before = (1 - RIGHT_BEFORE) * part
    gains = np.array([way.log_likelihood_gain for way in compared])
    prior = math.log(before / max(1, len(compared)) / (1 - before))
    scales, explained = (
        np.array([getattr(way, name) for way in compared]) for name in ("scale", "explained")
    )
    possible = explained > LEAST_EXPLAINED
    possible &= np.isfinite(gains) & (scales > LEAST_GAIN) & (scales < LARGEST_GAIN)
    odds = np.where(possible, prior + np.nan_to_num(gains), -np.inf)
    top = max(0.0, float(odds.max(initial=-math.inf)))
    parts = np.exp(odds - top)
    shares = parts / (math.exp(-top) + parts.sum())
    weighed = tuple(
        replace(way, probability=float(share))
        for way, share in zip(compared, shares, strict=True)
    )
    return _Judged(label, own, weighed, float(shares.sum()), float(odds.max(initial=-math.inf)))


def _compare(
    pairs: pd.DataFrame, stated: PlacedTwin, others: list[PlacedTwin], ways: list[Places]
) -> list[DatumWay]:
    """Each way with the stated datum; those at the same places are fitted at once."""
    found: dict[int, DatumWay] = {}
    masks: dict[bytes, list[int]] = {}
    both = [np.isfinite(stated.twin_mm) & np.isfinite(other.twin_mm) for other in others]
    for k, stands in enumerate(both):
        masks.setdefault(stands.tobytes(), []).append(k)
    for own in masks.values():
        stands = both[own[0]]
        n = int(stands.sum())
        if n < LEAST_PLACES:
            for k in own:
                way = ways[k]
                found[k] = DatumWay(way.name, way.words, math.nan, 0.0, 0.0, 0.0, False, n)
            continue
        rows = pairs[stands]
        groups = grouped(rows, ("lite_id", "operator"))
        tried = [stated, *(others[k] for k in own)]
        twin = np.stack([one.twin_mm[stands] for one in tried])
        u = np.stack([one.u_mm[stands] for one in tried])
        gauge = rows["gauge_mm"].to_numpy(float)
        fit = fit_twins(gauge, twin, u, groups)
        spread = robust_spread(gauge)
        for m, k in enumerate(own, start=1):
            gain = float(fit.log_likelihood[m] - fit.log_likelihood[0])
            sd = np.sqrt(u[m] ** 2 + fit.extra_sd_mm[m if gain > 0 else 0] ** 2)
            expected = expected_gain(twin[m], twin[0], sd, groups)
            apart = math.sqrt(2 * expected) if expected > 0 else 1.0
            short = (_needed_gain(LARGEST_COUNT) - expected) / apart
            left = (float(fit.extra_sd_mm[m]) / spread) ** 2 if spread > 0 else math.inf
            found[k] = DatumWay(
                ways[k].name, ways[k].words, gain, expected,
                0.5 * math.erfc(short / math.sqrt(2)), 0.0, gain < -TOLD_APART, n,
                float(fit.scale[m]), 1 - left,
            )  # fmt: skip
    return [found[k] for k in range(len(ways))]


def _needed_gain(ways: int) -> float:
    """Gain at which one of so many wrong ways is claimed, the others far behind."""
    return math.log(CLAIM / (1 - CLAIM) * RIGHT_BEFORE / ((1 - RIGHT_BEFORE) / ways))


def _concluded(judged: list[list[_Judged]]) -> DatumSuspicion:
    whole = judged[0][0]
    claims = [[one for one in division if one.is_claimed] for division in judged]
    for k, claimed in enumerate(claims):
        own = [frozenset(one.rows) for one in judged[k]]
        # a division across this one is no part of it: lites hold readings of every operator
        finer = [
            one
            for division in judged[k + 1 :]
            for one in division
            if any(rows.issuperset(one.rows) for rows in own)
        ]
        if claimed and _explains_all(claimed, finer):
            return _likely_wrong(claimed, whole)
    suspects = [
        one
        for division in judged[1:]
        for one in division
        if any(w.log_likelihood_gain > TOLD_APART + math.log(len(division)) for w in one.ways)
    ]
    open_ways = tuple(way.name for way in whole.ways if not way.is_excluded)
    if open_ways or suspects:
        sentence = _open_sentence(whole.ways) if open_ways else _suspects_sentence(suspects[0])
        return DatumSuspicion(
            "cannot be told", None, whole.wrong, open_ways, whole.ways, sentence
        )
    vague = [
        one.label
        for division in judged[1:]
        for one in division
        if one.is_lite_or_person and not (one.ways and all(w.is_excluded for w in one.ways))
    ]
    more = f" and {len(vague) - NAMED} more" if len(vague) > NAMED else ""
    but = f"; by itself this cannot be told of: {', '.join(vague[:NAMED])}{more}" if vague else ""
    return DatumSuspicion(
        "right", None, whole.wrong, (), whole.ways,
        f"the datum was taken as stated: each of {len(whole.ways)} other ways is at least 20 "
        "times less likely for the survey as a whole, and no lite, person or walk speaks against "
        f"it{but}",
    )  # fmt: skip


def _explains_all(claimed: list[_Judged], finer: list[_Judged]) -> bool:
    """Whether no smaller group is wrong beside those claimed, nor speaks against being so."""
    wrong = {row: one.best.name for one in claimed for row in one.rows}
    for group in finer:
        within = {wrong.get(row) for row in group.rows}
        if group.is_claimed and None in within:
            return False
        if any(w.name in within and w.log_likelihood_gain < -RIVALS for w in group.ways):
            return False
    return True


def _likely_wrong(claimed: list[_Judged], whole: _Judged) -> DatumSuspicion:
    claimed = sorted(claimed, key=lambda one: -one.evidence)
    groups, rivals = [], []
    for one in claimed:
        best = one.best
        near = [
            way.name
            for way in sorted(one.ways, key=lambda way: -way.probability)
            if way is not best and best.log_likelihood_gain - way.log_likelihood_gain < RIVALS
        ]
        rivals += near
        sentence = _wrong_sentence(one, near)
        groups.append(DatumGroup(one.label, best.name, sentence, one.wrong, one.rows))
    first = claimed[0]
    sentence = groups[0].sentence
    if len(claimed) > 1:
        parts = (f"{one.label}, {span_of_rows(one.rows)}: {one.best.words}" for one in claimed)
        sentence = (
            f"the datum of {len(claimed)} parts of the survey was likely taken wrong (probability "
            f"{as_a_probability(min(one.wrong for one in claimed))} for each): "
            f"{'; '.join(parts)}"
        )
    return DatumSuspicion(
        "likely wrong", first.best.name, first.wrong, tuple(dict.fromkeys(rivals)), whole.ways,
        f"{sentence}; nothing was changed", tuple(groups),
    )  # fmt: skip


def _wrong_sentence(one: _Judged, rivals: list[str]) -> str:
    best = one.best
    also = f"; it cannot be told from: {'; '.join(rivals)}" if rivals else ""
    where = "" if one.label == WHOLE_SURVEY else f" of {one.label} ({span_of_rows(one.rows)})"
    return (
        f"the datum{where} was likely taken wrong (probability {as_a_probability(one.wrong)}): "
        f"{best.words}; {times_as_likely(best.log_likelihood_gain)} as likely as the stated datum "
        f"on {best.n_places} places{also}"
    )


def _suspects_sentence(one: _Judged) -> str:
    best = max(one.ways, key=lambda way: np.nan_to_num(way.log_likelihood_gain, nan=-math.inf))
    return (
        "the survey as a whole speaks for the datum as it was given, but "
        f"{one.label} ({span_of_rows(one.rows)}) does not: {best.words} would agree better, though "
        "too few places were read to be sure"
    )


def _open_sentence(ways: tuple[DatumWay, ...]) -> str:
    left = [way.words for way in ways if not way.is_excluded]
    out = [way.name for way in ways if way.is_excluded]
    excluded = f"; excluded: {'; '.join(out)}" if out else ""
    return (
        "whether the datum was taken as stated cannot be told, because the twin reads too much "
        f"alike both ways, or too few places were read: {'; '.join(left)}{excluded}"
    )
