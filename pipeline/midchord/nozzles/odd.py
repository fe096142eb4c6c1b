"""Which nozzles are odd: each against what is usual on the same machine.

Folding at the pitch hides an odd nozzle among all the others, so nozzles are compared by number.
With many lites every nozzle differs from the next by more than the noise; what matters is whether
it differs by more than nozzles usually do. So

- the *reference* is the median over the nozzles (of the same rows), lite by lite, which also takes
  out that one lite is marked deeper than another;
- the *spread* is that of all nozzles, by an estimator that half of them may spoil (Qn: Rousseeuw
  and Croux, J. Am. Stat. Assoc. 88 (1993) 1273, constants from memory), not less than a stated
  share of the usual mark. What each nozzle's mean is in doubt by over the lites comes on top of it;
- both sizes and moves to the side are tested (t, degrees of freedom by Welch and Satterthwaite; Qn
  counts for 82 % of its nozzles), the lesser p-value of the two counts, doubled;
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

from midchord.nozzles.cells import Bell, Cells, Track
from midchord.nozzles.intervals import Resampling
from midchord.statistics.false_discovery import benjamini_hochberg

__all__ = ["Judged", "Kind", "factor_and_move", "judge_tracks", "qn_scale", "with_fit"]

Floats = npt.NDArray[np.float64]

Kind = Literal[
    "usual", "weak", "not there", "opposite", "strong", "beside its place", "moves with the glass",
    "stands out",
]  # fmt: skip
QN_EFFICIENCY = 0.82
LEAST_VISIBLE = 0.3
"""Ripple of a row of bells, in heights of one, under which the usual mark cannot be read."""
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


class _Tested(NamedTuple):
    mean: Floats
    p: Floats


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
) -> tuple[list[Judged], float, float, float | None]:
    """Every track judged, in the order of the cells.

    places_mm                       (lite,) across, in the machine
    gap_mm                          between tracks
    least_spread_percent, _mm       of usual marks and places (standard deviations)
    resampling                      of the lites, None: no intervals
    returns  tracks; spread of sizes and of moves (mm); usual size (mm), None where not visible
    """
    classes = np.array([track.rows for track in cells.tracks])
    usual = _usual(cells, bell, gap_mm)
    sizes, sides = _less_usual(cells.size_mm, classes), _less_usual(cells.side_mm2, classes)
    floor = least_spread_percent / 100 * abs(usual if usual is not None else bell.size_mm)
    by_size, spread = _test(sizes, floor)
    moved_by_lite = np.full(sizes.shape, np.nan)
    if usual is not None:
        moved_by_lite = -sides / usual
    by_move, spread_mm = _test(moved_by_lite, least_spread_mm)
    both = np.fmin(by_size.p, by_move.p)
    tested = np.isfinite(by_size.p).astype(int) + np.isfinite(by_move.p)
    p = np.fmin(1.0, tested * both)
    adjusted = benjamini_hochberg(p)
    judged = []
    for k, track in enumerate(cells.tracks):
        seen = np.isfinite(sizes[:, k])
        fixed = _fixed_to(sizes[:, k], sides[:, k], places_mm)
        factor, moved = factor_and_move(cells, k, bell, usual, gap_mm)
        if by_move.p.size and not np.isfinite(by_move.p[k]):
            moved = None
        deviation = float(by_size.mean[k])
        ends = resampling.interval(sizes[:, k], deviation) if resampling else None
        move_ends = None
        if resampling and moved is not None:
            linear = float(by_move.mean[k])
            around = resampling.interval(moved_by_lite[:, k], linear)
            # the straight estimate says how sure, the fitted place where
            move_ends = around and (moved + around[0] - linear, moved + around[1] - linear)
        factor_ends = None
        if ends and usual is not None and factor is not None:
            sides_of = sorted(factor + (end - deviation) / usual for end in ends)
            factor_ends = (sides_of[0], sides_of[1])
        is_odd = bool(adjusted[k] <= false_discovery_rate)
        kind = _kind(
            is_odd, bool(by_move.p[k] < by_size.p[k]), factor, factor_ends, moved,
            by_move.p[k] <= false_discovery_rate / max(1, len(cells.tracks)), fixed,
            spread / abs(usual) if usual else 0.0,
        )  # fmt: skip
        judged.append(
            Judged(
                track, kind, deviation, ends, factor, factor_ends, moved, move_ends,
                float(by_size.p[k]), float(by_move.p[k]), float(p[k]), float(adjusted[k]), fixed,
                int(seen.sum()),
            )
        )  # fmt: skip
    return judged, spread, spread_mm, usual


def qn_scale(values: Floats) -> float:
    """Qn: a standard deviation that half of the values may spoil; NaN for fewer than two."""
    x = np.sort(values[np.isfinite(values)])
    n = x.size
    if n < 2:
        return math.nan
    apart = np.sort((x[None, :] - x[:, None])[np.triu_indices(n, 1)])
    h = n // 2 + 1
    first = float(apart[h * (h - 1) // 2 - 1])
    small = {2: 0.399, 3: 0.994, 4: 0.512, 5: 0.844, 6: 0.611, 7: 0.857, 8: 0.669, 9: 0.872}
    correction = small.get(n) or (n / (n + 1.4) if n % 2 else n / (n + 3.8))
    return 2.2219 * correction * first


def _usual(cells: Cells, bell: Bell, gap_mm: float) -> float | None:
    """Usual size of a bell, None where bells melt into an even surface."""
    ripple = 1 - 2 * math.exp(-0.5 * (0.5 * gap_mm / bell.sd_mm) ** 2)
    sizes = cells.size_mm[np.isfinite(cells.size_mm)]
    if ripple < LEAST_VISIBLE or sizes.size == 0 or not bell.is_fitted:
        return None
    return float(np.median(sizes)) or None


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


def _test(values: Floats, floor: float) -> tuple[_Tested, float]:
    """Means over the lites against the spread of all of them; (lite, track)."""
    from scipy.stats import t as student

    counts = np.isfinite(values).sum(axis=0)
    least = max(1, min(5, values.shape[0] // 4))
    enough = counts >= least
    sums = np.nansum(values, axis=0)
    mean = np.where(enough, sums / np.maximum(counts, 1), np.nan)
    squares = np.nansum((values - mean) ** 2, axis=0)
    doubt = np.where(counts > 1, squares / np.maximum(counts - 1, 1) / np.maximum(counts, 1), 0.0)
    tracks = int(enough.sum())
    if tracks < 3:
        return _Tested(mean, np.full(mean.size, np.nan)), floor
    centre = float(np.median(mean[enough]))
    own = _own_spread(mean[enough] - centre, doubt[enough])
    between = max(own, floor) ** 2
    total = between + doubt
    free = total**2 / (
        between**2 / (QN_EFFICIENCY * (tracks - 1))
        + np.where(counts > 1, doubt**2 / np.maximum(counts - 1, 1), 0.0)
        + 1e-300
    )
    ratio = np.abs(mean - centre) / np.sqrt(np.maximum(total, 1e-300))
    p = 2 * student.sf(ratio, np.maximum(free, 1.0))
    return _Tested(mean - centre, np.where(enough, p, np.nan)), math.sqrt(between)


def _own_spread(off: Floats, doubt: Floats) -> float:
    """Standard deviation between nozzles with which all of them are usual: Qn of what is left, over
    its doubt, is 1."""
    low, high = 0.0, 2 * qn_scale(off) + 1e-12
    root = np.sqrt(np.maximum(doubt, 1e-300))
    if qn_scale(off / root) <= 1 and (doubt > 0).all():
        return 0.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        if qn_scale(off / np.sqrt(middle**2 + doubt + 1e-300)) > 1:
            low = middle
        else:
            high = middle
    return high


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
