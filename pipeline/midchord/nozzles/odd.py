"""Which nozzles are odd: each against what is usual on the same machine.

Folding at the pitch hides an odd nozzle among all the others, so nozzles are compared by number.

- the *reference* is the median over the nozzles (of the same rows), lite by lite, which also takes
  out that one lite is marked deeper than another;
- both sizes and moves to the side are held against the spread in which nozzles usually are
  (:mod:`midchord.nozzles.spread`), not less than a stated share of the usual mark; the lesser
  p-value of the two counts, doubled;
- where marks melt into an even surface, a slow swell of many of them cannot be told from the slow
  course of the glass, so that each is held against its neighbours, and a small oddity close to a
  large one is not told from its shoulder;
- *odd* is what Benjamini and Hochberg leave at the stated false discovery rate.

What is at fault is read from the pattern, not proven: a mark that has become weak (blocked), that
is not there (missing, or blocked altogether), that stands the other way, that is too strong, or
that stands beside its place (misaligned).

An oddity that moves with the glass is none of the machine. Where lites lay differently under the
nozzles this shows: an oddity that keeps its place on the lite wanders over the grid as the lites
do, eta = 1; one of the machine does not, eta = 0. eta is fitted over the lites.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.nozzles.bell import Bell
from midchord.nozzles.cells import Cells, Track
from midchord.nozzles.intervals import Resampling
from midchord.nozzles.spread import line_through, local_course, outside_spread
from midchord.statistics.false_discovery import benjamini_hochberg

__all__ = ["Judged", "Kind", "Ranking", "factor_and_move", "judge_tracks", "with_fit"]

Floats = npt.NDArray[np.float64]

Kind = Literal[
    "usual", "weak", "not there", "opposite", "strong", "beside its place", "moves with the glass",
    "stands out",
]  # fmt: skip
LEAST_VISIBLE = 0.3
"""Ripple of a row of bells, in heights of one, under which the usual mark cannot be read."""
RIM = 2
SHOULDER, SHOULDER_REACH = 0.35, 4.0
"""Share of a larger oddity, and columns, within which a smaller one of melting marks is its own
shoulder: its width is known to some percent only."""
MOVES = 0.45
"""Furthest move to the side that is tried, in track gaps."""
THERE = 0.25
"""Share of the usual mark under which a place cannot be read from it."""


class Judged(NamedTuple):
    """One nozzle track.

    deviation_mm     size less the usual one, with interval; spread in which it is usual
    factor           size over the usual one, None where that cannot be read; with interval
    moved_mm         to the right of its place (y), None where not tested; with interval
    p_value          of the lesser of the two, doubled; p_adjusted by Benjamini and Hochberg
    lites            that carried it
    """

    track: Track
    kind: Kind
    deviation_mm: float
    deviation_interval: tuple[float, float] | None
    factor: float | None
    factor_interval: tuple[float, float] | None
    moved_mm: float | None
    moved_interval: tuple[float, float] | None
    p_size: float
    p_moved: float
    p_value: float
    p_adjusted: float
    fixed_to: Literal["machine", "lite", "cannot tell"]
    lites: int

    @property
    def is_odd(self) -> bool:
        return self.kind not in ("usual", "moves with the glass")


class Ranking(NamedTuple):
    """Every track judged, in the order of the cells.

    usual_mm                     usual size of a mark, None where marks melt into each other
    spread_mm, spread_place_mm   of sizes and of moves, in which a track is usual
    drift_mm                     (track,) course of the moves over the columns, taken out of them:
                                 an odd nozzle that took part in finding the pitch stretches the
                                 grid a little
    """

    tracks: list[Judged]
    usual_mm: float | None
    spread_mm: float
    spread_place_mm: float
    drift_mm: Floats


def judge_tracks(
    cells: Cells,
    bell: Bell,
    places_mm: Floats,
    *,
    gap_mm: float,
    false_discovery_rate: float,
    least_spread_percent: float,
    least_spread_mm: float,
    resampling: Resampling | None,
) -> Ranking:
    """Every track held against all others.

    places_mm                  (lite,) across, in the machine
    gap_mm                     between tracks
    least_spread_percent, _mm  of usual marks and places (standard deviations)
    resampling                 of the lites, None: no intervals
    """
    classes = np.array([track.rows for track in cells.tracks])
    usual = _usual(cells, bell, gap_mm)
    sizes = _less_usual(cells.size_mm, classes)
    if usual is None:
        sizes = _without_rims(sizes)
        sizes = sizes - local_course(sizes)
    floor = least_spread_percent / 100 * abs(usual if usual is not None else bell.size_mm)
    by_size = outside_spread(sizes, floor)
    moves, drift = np.full(sizes.shape, np.nan), np.zeros(len(cells.tracks))
    if usual is not None:
        raw = -cells.side_mm2 / usual
        drift = line_through(raw, np.array([track.kappa for track in cells.tracks]))
        moves = _less_usual(raw - drift, classes)
    by_move = outside_spread(moves, least_spread_mm)
    tested = np.isfinite(by_size.p).astype(int) + np.isfinite(by_move.p)
    p = np.fmin(1.0, tested * np.fmin(by_size.p, by_move.p))
    adjusted = benjamini_hochberg(p)
    judged = []
    for k, track in enumerate(cells.tracks):
        fixed = _fixed_to(sizes[:, k], cells.side_mm2[:, k], places_mm)
        factor, moved = factor_and_move(cells, k, bell, usual, gap_mm)
        moved = None if moved is None or np.isnan(by_move.p[k]) else moved - float(drift[k])
        deviation = float(by_size.mean[k])
        ends = resampling.interval(sizes[:, k], deviation) if resampling else None
        move_is_sure = bool(by_move.p[k] <= false_discovery_rate / max(1, len(cells.tracks)))
        if factor is not None and usual is not None and not move_is_sure:
            factor = 1 + deviation / usual
        # straight estimates say how sure, and how much but for marks that lie far aside
        factor_ends = move_ends = None
        if ends and usual is not None and factor is not None:
            low, high = sorted(factor + (end - deviation) / usual for end in ends)
            factor_ends = (low, high)
        if resampling and moved is not None:
            move_ends = resampling.interval(moves[:, k], moved)
        kind = _kind(
            bool(adjusted[k] <= false_discovery_rate),
            bool(by_move.p[k] < by_size.p[k]),
            factor, factor_ends, moved,
            move_is_sure,
            fixed, by_size.spread / abs(usual) if usual else 0.0,
        )  # fmt: skip
        judged.append(
            Judged(
                track, kind, deviation, ends, factor, factor_ends, moved, move_ends,
                float(by_size.p[k]), float(by_move.p[k]), float(p[k]), float(adjusted[k]), fixed,
                int(np.isfinite(sizes[:, k]).sum()),
            )
        )  # fmt: skip
    if usual is None:
        judged = _without_shoulders(judged)
    return Ranking(judged, usual, by_size.spread, by_move.spread, drift)


def _usual(cells: Cells, bell: Bell, gap_mm: float) -> float | None:
    """Usual size of a bell, None where bells melt into an even surface."""
    ripple = 1 - 2 * math.exp(-0.5 * (0.5 * gap_mm / bell.sd_mm) ** 2)
    sizes = cells.size_mm[np.isfinite(cells.size_mm)]
    if ripple < LEAST_VISIBLE or sizes.size == 0 or not bell.is_fitted:
        return None
    return float(np.median(sizes)) or None


def _without_rims(sizes: Floats) -> Floats:
    """Sizes of melting marks less the two at either end of each lite, which lean on nothing."""
    inner = sizes.copy()
    for row in inner:
        seen = np.flatnonzero(np.isfinite(row))
        row[seen[:RIM]] = np.nan
        row[seen[-RIM:]] = np.nan
    return inner


def _without_shoulders(judged: list[Judged]) -> list[Judged]:
    """Melting marks: what is a small part of a larger oddity close by is a shoulder of that one."""
    sizes = np.array([abs(one.deviation_mm) if one.is_odd else 0.0 for one in judged])
    places = np.array([one.track.kappa for one in judged])
    return [
        one._replace(kind="usual")
        if one.is_odd
        and sizes[k] < SHOULDER * sizes[np.abs(places - places[k]) <= SHOULDER_REACH].max()
        else one
        for k, one in enumerate(judged)
    ]


def _less_usual(values: Floats, classes: npt.NDArray[np.str_]) -> Floats:
    """Values less the median of their lite and class; (lite, track)."""
    rest = np.full(values.shape, np.nan)
    for name in np.unique(classes):
        own = classes == name
        seen = np.isfinite(values[:, own]).sum(axis=1) >= 5
        part = values[np.ix_(seen, own)]
        if part.size:
            rest[np.ix_(seen, own)] = part - np.nanmedian(part, axis=1, keepdims=True)
    return rest


def _fixed_to(
    sizes: Floats, sides: Floats, places_mm: Floats
) -> Literal["machine", "lite", "cannot tell"]:
    """Whether an oddity keeps its place in the machine or on the lites."""
    seen = np.isfinite(sizes) & np.isfinite(sides)
    if seen.sum() < 8:
        return "cannot tell"
    size = float(sizes[seen].mean())
    # D(u - eta d) = D(u) - eta d D'(u)
    x = -size * (places_mm[seen] - places_mm[seen].mean())
    y = sides[seen] - sides[seen].mean()
    power = float(x @ x)
    if power <= 0:
        return "cannot tell"
    eta = float(x @ y) / power
    u_eta = math.sqrt(float(((y - eta * x) ** 2).sum()) / max(1, int(seen.sum()) - 2) / power)
    if u_eta > 0.2:
        return "cannot tell"
    return "machine" if eta < 0.5 else "lite"


def factor_and_move(
    cells: Cells, number: int, bell: Bell, usual: float | None, gap_mm: float
) -> tuple[float | None, float | None]:
    """Size over the usual one and move of one mark, by a fit of its own mean profile: a move may be
    too far for the straight estimate."""
    own = cells.own[:, number]
    seen = np.isfinite(own).all(axis=1)
    if usual is None or not seen.any():
        return None, None
    profile, u = own[seen].mean(axis=0), cells.u_mm
    moves = np.linspace(-MOVES, MOVES, 181) * gap_mm
    bells = np.exp(-0.5 * ((u - moves[:, None]) / bell.sd_mm) ** 2)
    size = (bells * profile).sum(axis=1) / (bells**2).sum(axis=1)
    left = ((profile - size[:, None] * bells) ** 2).sum(axis=1)
    best = int(np.argmin(left))
    straight = float(np.mean(cells.size_mm[seen, number])) / usual
    if abs(straight) < THERE and abs(size[best] / usual) < 2 * THERE:
        return straight, None
    if 0 < best < moves.size - 1:
        low, here, high = left[best - 1 : best + 2]
        bend = low - 2 * here + high
        inner = 0.5 * (low - high) / bend if bend > 0 else 0.0
        return float(size[best]) / usual, float(moves[best] + inner * (moves[1] - moves[0]))
    return float(size[best]) / usual, float(moves[best])


def with_fit(one: Judged, factor: float | None, moved_mm: float | None) -> Judged:
    """A track with another factor and move; its intervals go with them."""

    def along(
        ends: tuple[float, float] | None, old: float | None, new: float | None
    ) -> tuple[float, float] | None:
        if ends is None or old is None or new is None:
            return None
        return ends[0] + new - old, ends[1] + new - old

    return one._replace(
        factor=factor, factor_interval=along(one.factor_interval, one.factor, factor),
        moved_mm=moved_mm, moved_interval=along(one.moved_interval, one.moved_mm, moved_mm),
    )  # fmt: skip


def _kind(
    is_odd: bool,
    by_move: bool,
    factor: float | None,
    ends: tuple[float, float] | None,
    moved: float | None,
    move_is_sure: bool,
    fixed: str,
    spread: float,
) -> Kind:
    if not is_odd:
        return "usual"
    if fixed == "lite":
        return "moves with the glass"
    if factor is None:
        return "stands out"
    doubt = 2 * spread + (0.5 * (ends[1] - ends[0]) if ends else 0.0)
    if factor + doubt < 0:
        return "opposite"
    if factor - doubt <= 0:
        return "not there"
    if moved is not None and (by_move or (move_is_sure and abs(factor - 1) <= doubt)):
        return "beside its place"
    return "weak" if factor < 1 else "strong"
