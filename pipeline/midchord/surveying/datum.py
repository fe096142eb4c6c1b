"""Was the datum taken the wrong way round? Reported, never applied.

Places are counted from the leading and the left-hand edge of the face that was scanned. A survey
may have counted along x from the trailing edge, across from the right-hand edge (the lite
mirrored), both (the lite turned by 180 degrees in its plane), have read the other face (peaks are
valleys there), turned the lite over, or written the marks of a line down in reverse order.

Every way gives the twin other places or another sign. All are fitted alike, an offset and a
positive scale free, the scatter found from the readings, blunders allowed for (``twin_fit``), and
each is compared with the stated datum on the readings for which the twin can stand both ways.

    likely wrong     the stated datum is left with a probability of at most 1 %, each of the other
                     ways given a small part of 10 % beforehand
    right            every other way is at least 20 times less likely than the stated one
    cannot be told   otherwise; as it must be where the map reads alike both ways, as on a
                     symmetric wave along the centre line

How far the map itself can tell a way from the stated datum is predicted from the map alone: half
the sum of the squared differences of the two sets of twin readings, offset and scale taken out,
over the squared scatter, is the expected difference E of the log-likelihoods for known scatter;
for scatter that must be found from n readings it is n/2 ln(1 + 2 E/n), with a standard deviation
of sqrt(2 E) (differences of normal log-likelihoods are so distributed; derived).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.places import PlacedTwin, placed_twin, without_repeats
from midchord.surveying.twin_field import TwinField
from midchord.surveying.twin_fit import LARGEST_SCALE, SMALLEST_SCALE, fit_twins, grouped

__all__ = ["DatumSuspicion", "DatumWay", "suspect_datum"]

Floats = npt.NDArray[np.float64]
Status = Literal["right", "likely wrong", "cannot be told"]

RIGHT_BEFORE = 0.90
CLAIM = 0.99
"""Probability of a wrong datum from which it is called likely."""
TOLD_APART = math.log(20.0)
RIVALS = math.log(200.0)
"""Wrong ways that are less likely than the best by no more than this are named beside it."""
LEAST_PLACES = 6
SAME_PLACE_SDS = 3.0
"""Places that are no farther apart than a hand may be off are the same place."""


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
    """

    name: str
    words: str
    log_likelihood_gain: float
    expected_gain: float
    chance_of_finding: float
    probability: float
    is_excluded: bool
    n_places: int


@dataclass(frozen=True)
class DatumSuspicion:
    """Whether the datum was taken as stated.

    way          name of the most likely wrong one where status is "likely wrong", else None
    probability  that the datum is a wrong one
    not_told     names of the ways that can be neither claimed nor excluded
    ways         every way that was tried
    """

    status: Status
    way: str | None
    probability: float
    not_told: tuple[str, ...]
    ways: tuple[DatumWay, ...]
    sentence: str


class _Places(NamedTuple):
    """Readings as they would lie under one way."""

    name: str
    words: str
    x_mm: Floats
    y_mm: Floats
    sign: float


WORDS = {
    (False, False, True): ("other face", "the readings have the sign of the other face"),
    (True, False, False): ("trailing", "x was counted from the trailing edge"),
    (False, True, False): ("right", "y was counted from the right-hand edge, mirrored"),
    (True, True, False): ("turned", "the lite lay turned by 180 degrees in its plane"),
    (True, False, True): (
        "trailing, other face",
        "the lite was turned over end for end: x from the trailing edge, on the other face",
    ),
    (False, True, True): (
        "right, other face",
        "the lite was turned over side for side: y from the right-hand edge, on the other face",
    ),
    (True, True, True): (
        "turned, other face",
        "the lite lay turned by 180 degrees, with the sign of the other face",
    ),
}


def suspect_datum(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    *,
    placement_sd_mm: float,
) -> DatumSuspicion:
    """Which datum the readings speak for.

    singles          pairs as of ``pair_readings``; a column ``line`` names the walks
    twins            lite_id -> field of the twin
    placement_sd_mm  how far a hand is off its stated place, along each axis
    """
    pairs = without_repeats(singles)
    if len(pairs) < LEAST_PLACES:
        return DatumSuspicion(
            "cannot be told", None, math.nan, (), (),
            f"whether the datum was taken rightly cannot be told from {len(pairs)} places: it "
            f"takes {LEAST_PLACES}",
        )  # fmt: skip
    stated = placed_twin(pairs, twins, pairs["x_mm"], pairs["y_mm"], placement_sd_mm)
    compared = [
        _compare(pairs, stated, _at(way, pairs, twins, placement_sd_mm), way)
        for way in _ways(pairs, twins, SAME_PLACE_SDS * placement_sd_mm)
    ]
    return _concluded(compared)


def _ways(
    pairs: pd.DataFrame, twins: Mapping[str, TwinField], same_mm: float
) -> list[_Places]:
    """All ways that put a reading elsewhere or turn its sign; of equal ones the first."""
    own = pairs["lite_id"].astype(str)
    length = own.map(lambda name: twins[name].length_mm).to_numpy(float)
    width = own.map(lambda name: twins[name].width_mm).to_numpy(float)
    x, y = pairs["x_mm"].to_numpy(float), pairs["y_mm"].to_numpy(float)
    ways = [_Places("", "", x, y, 1.0)]
    tried = [
        _Places(name, words, length - x if ends else x, width - y if sides else y, sign)
        for (ends, sides, face), (name, words) in WORDS.items()
        for sign in (-1.0 if face else 1.0,)
    ]
    if "line" in pairs:
        back = _reversed_marks(pairs)
        words = "the marks of each line were written down in reverse order"
        tried.append(_Places("reversed marks", words, x[back], y[back], 1.0))
        tried.append(
            _Places(
                "reversed marks, other face", f"{words}, on the other face", x[back], y[back], -1.0
            )
        )
    if _has_one_sign(twins):
        # what hangs below a base or a rule does not turn its sign on the other face
        tried = [way for way in tried if way.sign > 0]
    for way in tried:
        if not any(_is_same(way, other, same_mm) for other in ways):
            ways.append(way)
    return ways[1:]


def _is_same(one: _Places, other: _Places, same_mm: float) -> bool:
    apart = max(np.abs(one.x_mm - other.x_mm).max(), np.abs(one.y_mm - other.y_mm).max())
    return one.sign == other.sign and bool(apart <= same_mm)


def _reversed_marks(pairs: pd.DataFrame) -> npt.NDArray[np.intp]:
    """For each reading, the one whose place it has if its walk was written down backwards."""
    back = np.arange(len(pairs))
    for _, rows in pairs.groupby("line", sort=False):
        order = rows.sort_values("mark").index.to_numpy()
        back[order] = order[::-1]
    return back


def _has_one_sign(twins: Mapping[str, TwinField]) -> bool:
    ends = [(np.nanmin(t.reading_mm), np.nanmax(t.reading_mm)) for t in twins.values()]
    return all(low >= 0 for low, _ in ends) or all(high <= 0 for _, high in ends)


def _at(
    way: _Places, pairs: pd.DataFrame, twins: Mapping[str, TwinField], sd_mm: float
) -> PlacedTwin:
    placed = placed_twin(pairs, twins, way.x_mm, way.y_mm, sd_mm)
    return PlacedTwin(way.sign * placed.twin_mm, placed.u_mm)


def _compare(
    pairs: pd.DataFrame, stated: PlacedTwin, other: PlacedTwin, way: _Places
) -> DatumWay:
    both = np.isfinite(stated.twin_mm) & np.isfinite(other.twin_mm)
    n = int(both.sum())
    if n < LEAST_PLACES:
        return DatumWay(way.name, way.words, math.nan, 0.0, 0.0, 0.0, False, n)
    rows = pairs[both]
    groups = grouped(rows, ("lite_id", "operator"))
    twin = np.stack([stated.twin_mm[both], other.twin_mm[both]])
    u = np.stack([stated.u_mm[both], other.u_mm[both]])
    fit = fit_twins(rows["gauge_mm"].to_numpy(float), twin, u, groups)
    gain = float(fit.log_likelihood[1] - fit.log_likelihood[0])
    better = int(gain > 0)
    sd = np.sqrt(u[1] ** 2 + fit.extra_sd_mm[better] ** 2)
    expected = _expected_gain(twin[1], twin[0], sd, groups)
    claim = _needed_gain(len(WORDS) + 2)
    spread = math.sqrt(2 * expected) if expected > 0 else 1.0
    chance = 0.5 * math.erfc((claim - expected) / spread / math.sqrt(2))
    return DatumWay(
        way.name, way.words, gain, expected, chance, 0.0, gain < -TOLD_APART, n
    )


def _needed_gain(ways: int) -> float:
    """Gain at which one of so many wrong ways is claimed, the others far behind."""
    return math.log(CLAIM / (1 - CLAIM) * RIGHT_BEFORE / ((1 - RIGHT_BEFORE) / ways))


def _expected_gain(true: Floats, stated: Floats, sd: Floats, groups: Floats) -> float:
    """Of the log-likelihood, over the stated datum, if the other way is the true one."""
    n = true.size
    weighted = groups / sd[:, None]
    a, b = true / sd, stated / sd
    a, b = (v - weighted @ np.linalg.lstsq(weighted, v, rcond=None)[0] for v in (a, b))
    square = float(b @ b)
    scale = float(a @ b) / square if square > 0 else 1.0
    scale = min(max(scale, SMALLEST_SCALE), LARGEST_SCALE)
    known = 0.5 * float(((a - scale * b) ** 2).sum())
    return n / 2 * math.log1p(2 * known / n)


def _concluded(compared: list[DatumWay]) -> DatumSuspicion:
    gains = np.array([way.log_likelihood_gain for way in compared])
    known = np.isfinite(gains)
    prior = (1 - RIGHT_BEFORE) / max(1, len(compared))
    logs = np.where(known, np.log(prior) + np.nan_to_num(gains), -np.inf)
    top = max(math.log(RIGHT_BEFORE), float(logs.max(initial=-math.inf)))
    parts = np.exp(logs - top)
    whole = math.exp(math.log(RIGHT_BEFORE) - top) + parts.sum()
    shares = parts / whole
    ways = tuple(
        DatumWay(**{**way.__dict__, "probability": float(share)})
        for way, share in zip(compared, shares, strict=True)
    )
    wrong = float(shares.sum())
    if wrong >= CLAIM:
        ranked = sorted(ways, key=lambda way: -way.probability)
        best = ranked[0]
        rivals = tuple(
            way.name
            for way in ranked[1:]
            if best.log_likelihood_gain - way.log_likelihood_gain < RIVALS
        )
        return DatumSuspicion(
            "likely wrong", best.name, wrong, rivals, ways, _wrong_sentence(best, rivals, wrong)
        )
    open_ways = tuple(way.name for way in ways if not way.is_excluded)
    if open_ways:
        return DatumSuspicion(
            "cannot be told", None, wrong, open_ways, ways, _open_sentence(ways)
        )
    return DatumSuspicion(
        "right", None, wrong, (), ways,
        f"the datum was taken as stated: each of {len(ways)} other ways is at least 20 times less "
        "likely",
    )  # fmt: skip


def _wrong_sentence(best: DatumWay, rivals: tuple[str, ...], probability: float) -> str:
    share = f"{100 * min(probability, 0.9999):.4g} %"
    also = f"; it cannot be told from: {'; '.join(rivals)}" if rivals else ""
    return (
        f"the datum was likely taken wrong (probability {share}): {best.words}; "
        f"e^{best.log_likelihood_gain:.1f} times as likely as the stated datum on "
        f"{best.n_places} places{also}; nothing was changed"
    )


def _open_sentence(ways: tuple[DatumWay, ...]) -> str:
    left = [way.words for way in ways if not way.is_excluded]
    out = [way.name for way in ways if way.is_excluded]
    excluded = f"; excluded: {'; '.join(out)}" if out else ""
    return (
        "whether the datum was taken as stated cannot be told, because the twin reads too much "
        f"alike both ways, or too few places were read: {'; '.join(left)}{excluded}"
    )
