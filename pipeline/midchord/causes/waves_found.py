"""The waves that the lites hold, whatever the machine: found one after the other.

What the machine might do must not decide what is seen. So the waves are found first, at whatever
period they have, and only then held against the machine: a wave near a candidate's period but not
at it is then a wave of its own, and nothing is left for the candidate to explain.

Each round takes the frequency at which one more line stands highest above its surroundings; the
frequencies of all waves are then fitted again together. The search ends when what comes next is no
rarer than ``false_rate`` in the whole band of a continuous background. Strong waves hide each other
(each is in the other's background), so up to three more are taken in on trial first, and kept if
all of them pass in each other's presence.

*Steady or wandering.* Every wave is put to the test (:mod:`midchord.causes.steady`), with the
setting ``least_wander_percent`` for tau0, or 0.3 cells where that is less, beyond which the test is
no longer linear. A cell is 1 / length.

- A wandering wave gets a frequency of its own in each piece. No new wave is sought within 1.5 cells
  of it, where what it leaves would pass for another. Where these frequencies fill the cells around
  evenly it is no wave but a continuous background, and is given up.
- Two steady lines within a cell beat, and look like one that wanders: before a wave is called
  wandering it is tried as two, and as two it stays if both are steady and leave less than the
  wandering one does (each counted with its parameters, as by Akaike).
- A further wave within a cell of a steady one is taken only if both are steady together: otherwise
  it is what a small scatter of the first one leaves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.causes.harmonics import (
    Piece,
    Weights,
    fit,
    line_at,
    pooled_p,
    power_over,
    ramp_of,
    step_towards,
)
from midchord.causes.steady import UNTESTED, Steadiness, steadiness

__all__ = ["Found", "Rules", "find_waves", "frequencies_of"]

Floats = npt.NDArray[np.float64]

REFINEMENTS = 12
OVERSAMPLING = 8
AHEAD = 3
NEAR = 1.0
NEAR_WANDER = 1.5
BROAD = 0.65


class Rules(NamedTuple):
    """Numbers of the search: see ``configs/settings/trace.toml``."""

    lowest: float
    highest: float
    most_waves: int
    false_rate: float
    least_wander: float
    least_lites: int
    claim_rate: float
    weights: Weights


class Found(NamedTuple):
    """One wave.

    frequency    cycles per mm; the mean one of a wandering wave
    u_frequency  standard uncertainty of the common frequency
    own          (piece,) frequencies of a wandering wave, None otherwise
    p_value      of being there at all, against the background around it and the other waves,
                 corrected for the whole band
    steadiness
    """

    frequency: float
    u_frequency: float
    own: Floats | None
    p_value: float
    steadiness: Steadiness

    @property
    def period_mm(self) -> float:
        return 1 / self.frequency

    @property
    def u_period_mm(self) -> float:
        return self.u_frequency / self.frequency**2


def find_waves(pieces: Sequence[Piece], rules: Rules) -> list[Found]:
    """All waves of the pieces, in the order in which they were found."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    cells = max(1.0, (rules.highest - rules.lowest) * span)
    grid = np.linspace(rules.lowest, rules.highest, math.ceil(cells * OVERSAMPLING) + 1)
    waves: list[Found] = []
    given_up: list[float] = []
    for _ in range(2 * rules.most_waves):  # some rounds only give something up
        trial = _next_waves(pieces, waves, grid, given_up, rules)
        if len(trial) == len(waves):
            break
        for new in trial[len(waves) :]:
            waves = _with(pieces, waves, new, given_up, rules)
    return _final(pieces, waves, rules, cells)


def frequencies_of(waves: Sequence[Found], count: int) -> Floats:
    """(piece, wave) cycles per mm."""
    table = np.empty((count, len(waves)))
    for number, wave in enumerate(waves):
        table[:, number] = wave.frequency if wave.own is None else wave.own
    return table


def _next_waves(
    pieces: Sequence[Piece], waves: list[Found], grid: Floats, given_up: list[float], rules: Rules
) -> list[Found]:
    """The waves, with one or a few more that all pass; without, where none does."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    cells = max(1.0, (rules.highest - rules.lowest) * span)
    trial = list(waves)
    while len(trial) < min(rules.most_waves, len(waves) + 1 + AHEAD):
        fits = fit(pieces, frequencies_of(trial, len(pieces)))
        power = power_over(fits, grid, len(pieces)).sum(axis=1)
        allowed = _allowed(grid, trial, span)
        for frequency in given_up:
            allowed &= np.abs(grid - frequency) * span > NEAR
        start = _most_prominent(power, allowed)
        if start is None:
            break
        new = Found(float(grid[start]), 0.0, None, 1.0, UNTESTED)
        trial = _settled(pieces, [*trial, new], rules)
        fresh = range(len(waves), len(trial))
        if all(_presence(pieces, trial, k, rules) * cells <= rules.false_rate for k in fresh):
            return trial
    return waves


def _presence(pieces: Sequence[Piece], waves: list[Found], number: int, rules: Rules) -> float:
    """p-value of one wave in the presence of the others, for its own frequency alone."""
    others = [*waves[:number], *waves[number + 1 :]]
    fits = fit(pieces, frequencies_of(others, len(pieces)))
    return pooled_p(line_at(fits, waves[number].frequency, len(pieces), rules.weights))


def _with(
    pieces: Sequence[Piece], waves: list[Found], new: Found, given_up: list[float], rules: Rules
) -> list[Found]:
    """The waves and a new one: as it is, as two, wandering, or given up."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    both = _settled(pieces, [*waves, new], rules)
    distances = [
        (abs(one.frequency - both[-1].frequency) * span, number)
        for number, one in enumerate(both[:-1])
        if one.own is None
    ]
    near = min(distances, default=(math.inf, -1))
    if near[0] < NEAR:
        pair = [_tested(pieces, both, k, rules)[0].state for k in (near[1], len(both) - 1)]
        if pair != ["steady", "steady"]:
            given_up.append(new.frequency)
            return waves
    judged = _judged_new(pieces, both, rules)
    if judged[0].own is not None and float(np.std(judged[0].own)) * span > BROAD:
        given_up.append(new.frequency)
        return waves
    return [*both[:-1], *judged]


def _allowed(grid: Floats, waves: Sequence[Found], span: float) -> npt.NDArray[np.bool_]:
    allowed = np.ones(grid.size, dtype=bool)
    for wave in waves:
        if wave.own is None:
            allowed &= np.abs(grid - wave.frequency) * span > 0.25
        else:
            low, high = np.quantile(wave.own, (0.05, 0.95))
            allowed &= (grid < low - NEAR_WANDER / span) | (grid > high + NEAR_WANDER / span)
    return allowed


def _most_prominent(power: Floats, allowed: npt.NDArray[np.bool_]) -> int | None:
    """The peak that stands highest over the median of the seven cells to either side."""
    if not allowed.any():
        return None
    reach = 7 * OVERSAMPLING
    padded = np.pad(power, reach, mode="reflect") if power.size > reach else power
    if padded.size == power.size:
        around = np.full(power.size, float(np.median(power)))
    else:
        views = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
        around = np.median(views[:, :: OVERSAMPLING // 2], axis=1)
    ratio = np.where(allowed, power / np.maximum(around, 1e-30), -1.0)
    return int(np.argmax(ratio))


def _settled(pieces: Sequence[Piece], waves: list[Found], rules: Rules) -> list[Found]:
    """All frequencies fitted again: the common ones together, the others in turns with them."""
    common = [number for number, wave in enumerate(waves) if wave.own is None]
    wandering = [number for number, wave in enumerate(waves) if wave.own is not None]
    waves = list(waves)
    for _ in range(2 if wandering and common else 1):
        for number in wandering:
            others = [*waves[:number], *waves[number + 1 :]]
            waves[number] = _with_own(pieces, others, waves[number], rules)
        waves = _common_settled(pieces, waves, common, rules)
    return waves


def _common_settled(
    pieces: Sequence[Piece], waves: list[Found], common: list[int], rules: Rules
) -> list[Found]:
    if not common:
        return waves
    span = float(np.median([piece.span_mm for piece in pieces]))
    for _ in range(REFINEMENTS):
        fits = fit(pieces, frequencies_of(waves, len(pieces)))
        steps, _ = step_towards(fits, common)
        largest = 0.0
        for number, step in zip(common, steps, strict=True):
            f = waves[number].frequency
            moved = float(np.clip(step * f * span, -0.2, 0.2)) / span
            largest = max(largest, abs(moved) * span)
            moved_f = float(np.clip(f + moved, rules.lowest, rules.highest))
            waves[number] = waves[number]._replace(frequency=moved_f)
        if largest < 1e-3:
            break
    return waves


def _tested(
    pieces: Sequence[Piece], waves: list[Found], number: int, rules: Rules
) -> tuple[Steadiness, float, float]:
    """Steadiness of one wave with a common frequency, the uncertainty of that frequency, and the
    background around it."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    fits = fit(pieces, frequencies_of(waves, len(pieces)))
    ramp = ramp_of(fits, number, len(pieces), rules.weights)
    lites = len({piece.lite for piece in pieces})
    found = steadiness(
        ramp,
        min(rules.least_wander, 0.3 / (span * waves[number].frequency)),
        lites=lites,
        least_lites=rules.least_lites,
        claim_rate=rules.claim_rate,
    )
    background = float(ramp.background.mean())
    size = float(ramp.size.sum())
    if size <= 0:
        return found, math.inf, background
    by_noise = float((ramp.background * ramp.size).sum())
    by_scatter = float((ramp.along**2).sum()) if lites > 1 else 0.0
    u_frequency = waves[number].frequency * math.sqrt(max(by_noise, by_scatter)) / size
    return found, u_frequency, background


def _judged_new(pieces: Sequence[Piece], waves: list[Found], rules: Rules) -> list[Found]:
    """The last wave as it is, as two, as a steady one beside a wandering one, or as wandering."""
    number = len(waves) - 1
    found, u, each = _tested(pieces, waves, number, rules)
    new = waves[number]._replace(steadiness=found, u_frequency=u)
    if found.state != "wandering":
        return [new]
    others, count = waves[:-1], len(pieces)
    ways = [[_with_own(pieces, others, new, rules)]]
    if len(waves) < rules.most_waves:
        ways += [_as_two(pieces, others, new, rules), _beside(pieces, others, ways[0][0], rules)]
    # columns and frequencies of each way, counted as Akaike does
    free = (3 * count, 4 * count + 2, 5 * count + 1)
    costs = [
        _left(pieces, [*others, *way]) + 2 * each * k if way else math.inf
        for way, k in zip(ways, free, strict=False)
    ]
    return ways[int(np.argmin(costs))]


def _with_own(
    pieces: Sequence[Piece], others: list[Found], wave: Found, rules: Rules
) -> Found:
    """A wave with the frequency that fits each piece best, within 1.5 cells of its own."""
    fits = fit(pieces, frequencies_of(others, len(pieces)))
    span = float(np.median([piece.span_mm for piece in pieces]))
    grid = wave.frequency + np.linspace(-1.5, 1.5, 61) / span
    grid = grid[(grid >= rules.lowest) & (grid <= rules.highest)]
    power = power_over(fits, grid, len(pieces))
    top = power.argmax(axis=0)
    own = np.asarray(grid[top], dtype=np.float64)
    weight = power[top, np.arange(len(pieces))]
    mean = float((own * weight).sum() / max(float(weight.sum()), 1e-300))
    return wave._replace(own=own, frequency=mean)


def _beside(
    pieces: Sequence[Piece], others: list[Found], wandering: Found, rules: Rules
) -> list[Found]:
    """A steady line within two cells of a wandering one, and that one; empty if it does not hold.

    In turns: what the own frequencies leave shows the common one, and the other way round.
    """
    span = float(np.median([piece.span_mm for piece in pieces]))
    grid = wandering.frequency + np.linspace(-2.0, 2.0, 81) / span
    grid = grid[(grid >= rules.lowest) & (grid <= rules.highest)]
    free, line = wandering, wandering
    for _ in range(4):
        fits = fit(pieces, frequencies_of([*others, free], len(pieces)))
        power = power_over(fits, grid, len(pieces)).sum(axis=1)
        line = wandering._replace(own=None, frequency=float(grid[int(np.argmax(power))]))
        free = _with_own(pieces, [*others, line], free, rules)
    pair = _settled(pieces, [*others, free, line], rules)
    found, u, _ = _tested(pieces, pair, len(pair) - 1, rules)
    if found.state != "steady":
        return []
    return [*pair[-2:-1], pair[-1]._replace(steadiness=found, u_frequency=u)]


def _as_two(
    pieces: Sequence[Piece], others: list[Found], wave: Found, rules: Rules
) -> list[Found]:
    """A wave as two steady ones; empty where they do not hold."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    best: list[Found] = []
    least = math.inf
    for apart in (0.3, 0.6):
        halves = [wave._replace(frequency=wave.frequency + k * apart / span) for k in (-1, 1)]
        tried = _settled(pieces, [*others, *halves], rules)
        left = _left(pieces, tried)
        if left < least:
            best, least = tried, left
    judged = []
    for number in (len(best) - 2, len(best) - 1):
        found, u, _ = _tested(pieces, best, number, rules)
        judged.append(best[number]._replace(steadiness=found, u_frequency=u))
    apart = abs(judged[1].frequency - judged[0].frequency) * span
    steady = all(wave.steadiness.state == "steady" for wave in judged)
    return judged if steady and apart > 0.15 else []


def _left(pieces: Sequence[Piece], waves: Sequence[Found]) -> float:
    fits = fit(pieces, frequencies_of(waves, len(pieces)))
    return float(sum(float((group.rest**2).sum()) for group in fits))


def _final(
    pieces: Sequence[Piece], waves: list[Found], rules: Rules, cells: float
) -> list[Found]:
    """Every wave tested against all the others; those that have nothing left to stand on go."""
    while True:
        waves = _settled(pieces, waves, rules)
        judged = [_judged_last(pieces, waves, k, rules, cells) for k in range(len(waves))]
        weakest = _superfluous(pieces, judged, rules)
        if weakest is None:
            return judged
        waves = [*judged[:weakest], *judged[weakest + 1 :]]


def _judged_last(
    pieces: Sequence[Piece], waves: list[Found], number: int, rules: Rules, cells: float
) -> Found:
    wave = waves[number]
    p_value = min(1.0, _presence(pieces, waves, number, rules) * cells)
    if wave.own is not None:
        u = float(np.std(wave.own) / math.sqrt(len(pieces)))
        return wave._replace(p_value=p_value, u_frequency=u)
    found, u, _ = _tested(pieces, waves, number, rules)
    return wave._replace(p_value=p_value, steadiness=found, u_frequency=u)


def _superfluous(pieces: Sequence[Piece], waves: list[Found], rules: Rules) -> int | None:
    """A wave that the others leave nothing for, or the later of two that have run together."""
    span = float(np.median([piece.span_mm for piece in pieces]))
    common = [k for k, wave in enumerate(waves) if wave.own is None]
    weak = [k for k in common if waves[k].p_value > rules.false_rate]
    if weak:
        return max(weak, key=lambda k: waves[k].p_value)
    for later in common:
        for earlier in common:
            near = abs(waves[later].frequency - waves[earlier].frequency) * span < NEAR
            states = {waves[later].steadiness.state, waves[earlier].steadiness.state}
            if earlier < later and near and states != {"steady"}:
                return later
    return None
