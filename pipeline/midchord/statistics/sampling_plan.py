"""How many spots on how many lites show agreement, and where on the map to take them.

The plan answers for the rule of ``agreement``: outward 95 % bounds of both limits inside +-T.
Under the model (lite, spot, repeat, operator, all normal) the mean squares of an even plan are
independent chi-squares, so the rule is simulated from them directly, thousands of surveys at a
time, with the same formulas that will judge the survey: the power stated is that of the rule, not
of an approximation to it. The seed is stated, so a plan can be made again.

Lites, not readings, are what a plan is usually short of: what varies from lite to lite is not
averaged out by more spots.

Chosen spots are spread over the range of depth, since agreement at one depth says nothing about
another, and kept where the map is flat, since a hand is off by some mm: gradient times that error
enters every difference. Random ones lie on slopes, too, for which chosen ones do not speak.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord.statistics.pairs import Floats
from midchord_io.errors import SurveyError

__all__ = [
    "Plan",
    "Scatter",
    "Spot",
    "choose_spots",
    "plan_survey",
    "power_of_plan",
    "random_spots",
]


@dataclass(frozen=True)
class Scatter:
    """What is assumed of the differences: bias and standard deviations, one unit.

    Two operators differ by sqrt(2) times operator_sd; more are drawn from such a population.
    within is what remains between repeats of one spot, placement error of the hand included.
    """

    bias: float
    lite_sd: float
    spot_sd: float
    within_sd: float
    operator_sd: float = 0.0


class Plan(NamedTuple):
    """A survey: lites x spots on each x repeats by each of the operators, and its power."""

    n_lites: int
    spots_per_lite: int
    repeats: int
    n_operators: int
    n_readings: int
    power: float
    power_error: float  # standard error of the simulated power


class Spot(NamedTuple):
    x_mm: float
    y_mm: float
    depth: float
    gradient_per_mm: float


def power_of_plan(
    scatter: Scatter,
    tolerance: float,
    *,
    n_lites: int,
    spots_per_lite: int,
    repeats: int = 1,
    n_operators: int = 1,
    coverage: float = 0.95,
    confidence: float = 0.95,
    simulations: int = 4000,
    seed: int = 1,
) -> Plan:
    """Chance that this survey shows agreement within +-tolerance.

    Raises  SurveyError on scatter that is not finite or below zero, a tolerance that is not above
            zero, and a plan below 2 lites, 2 spots or 1 repeat
    """
    from scipy.stats import chi2, norm, t

    _check(scatter, tolerance)
    m, s, q = n_lites, spots_per_lite, n_operators
    if m < 2 or s < 2 or repeats < 1 or q < 1:
        raise SurveyError(
            "sampling plan",
            found=f"the plan is {m} lites, {s} spots, {repeats} repeats, {q} operators",
            needed="2 lites, 2 spots, 1 repeat and 1 operator at least are needed",
            do="plan more",
        )
    rng = np.random.default_rng(seed)
    r = repeats * q  # readings of a spot
    within, spot = scatter.within_sd**2, scatter.spot_sd**2
    lite, people = scatter.lite_sd**2, scatter.operator_sd**2

    def drawn(expected: float, df: int) -> Floats:
        return expected * rng.chisquare(df, simulations) / df

    # mean squares of variance_components: lite means, spot means, within, operator effects
    parts: list[tuple[float, Floats, int]] = [
        (1.0, drawn(lite + spot / s + within / (s * r), m - 1), m - 1),
        (1 - 1 / s, drawn(spot + within / r, m * (s - 1)), m * (s - 1)),
    ]
    mean_terms = [(1 / m, parts[0][1], m - 1)]
    df_within = m * s * (r - 1) - (q - 1)
    noise = q / (m * s * r)  # share of the within variance in an operator's effect
    fixed = q == 2  # as variance_components takes them
    on_people = 0.0 if q == 1 else (1 - 1 / q if fixed else 1.0)
    on_within = 1 - 1 / r - on_people * noise
    if df_within > 0:
        parts.append((max(0.0, on_within), drawn(within, df_within), df_within))
    variance_of_bias = lite / m + spot / (m * s) + within / (m * s * r)
    if fixed:
        apart = math.sqrt(2 * people) + math.sqrt(2 * noise * within) * rng.standard_normal(
            simulations
        )
        parts.append((on_people, apart**2 / 2, max(1, df_within)))
    elif q > 2:
        operators = drawn(people + within * noise, q - 1)
        parts.append((on_people, operators, q - 1))
        mean_terms.append((1 / q, operators, q - 1))
        variance_of_bias += people / q
    bias = scatter.bias + math.sqrt(variance_of_bias) * rng.standard_normal(simulations)

    total = sum(c * ms for c, ms, _ in parts)
    above = sum(
        (c * ms * (df / chi2.ppf(1 - confidence, df) - 1)) ** 2 for c, ms, df in parts
    )
    error_squared = sum(c * ms for c, ms, _ in mean_terms)
    df_bias = error_squared**2 / sum((c * ms) ** 2 / df for c, ms, df in mean_terms)
    k = float(norm.ppf((1 + coverage) / 2))
    half = t.ppf(confidence, df_bias) * np.sqrt(error_squared)
    sd = np.sqrt(total)
    reach = k * sd + np.hypot(half, k * (np.sqrt(total + np.sqrt(above)) - sd))
    power = float(np.mean((bias - reach >= -tolerance) & (bias + reach <= tolerance)))
    error = math.sqrt(max(power * (1 - power), 1 / simulations) / simulations)
    return Plan(m, s, repeats, q, m * s * r, power, error)


def plan_survey(
    scatter: Scatter,
    tolerance: float,
    *,
    power: float = 0.9,
    repeats: int = 1,
    n_operators: int = 1,
    largest_lites: int = 60,
    largest_spots: int = 30,
    least_spots: int = 2,
    coverage: float = 0.95,
    confidence: float = 0.95,
    simulations: int = 4000,
    seed: int = 1,
) -> Plan | None:
    """The plan of fewest readings that reaches ``power``, of equal ones that with fewest lites.

    least_spots  on each lite: more than 2 where they are to spread over the range of depth
    returns  Plan; None where no plan up to the largest numbers reaches it (the limits themselves,
             at the scatter assumed, may lie outside +-tolerance: then no number of readings will)
    Raises   SurveyError as ``power_of_plan``
    """
    from scipy.stats import norm

    _check(scatter, tolerance)
    variance = scatter.lite_sd**2 + scatter.spot_sd**2
    variance += scatter.within_sd**2 + scatter.operator_sd**2
    if abs(scatter.bias) + norm.ppf((1 + coverage) / 2) * math.sqrt(variance) >= tolerance:
        return None
    best: Plan | None = None
    for m in range(3, largest_lites + 1):
        cheapest = largest_spots
        if best is not None:
            cheapest = min(cheapest, (best.n_readings - 1) // (m * repeats * n_operators))
        low, high = max(least_spots, math.ceil(10 / (m * repeats * n_operators))), cheapest

        def at(spots: int, lites: int = m) -> Plan:
            return power_of_plan(
                scatter, tolerance, n_lites=lites, spots_per_lite=spots, repeats=repeats,
                n_operators=n_operators, coverage=coverage, confidence=confidence,
                simulations=simulations, seed=seed,
            )  # fmt: skip

        if high < low or at(high).power < power:
            continue
        while low < high:  # power rises with the number of spots
            middle = (low + high) // 2
            if at(middle).power >= power:
                high = middle
            else:
                low = middle + 1
        best = at(low)
    return best


def choose_spots(
    depth: ArrayLike,
    gradient_per_mm: ArrayLike,
    is_clear: ArrayLike,
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    *,
    n_spots: int,
    spacing_mm: float = 100.0,
    flattest_share: float = 0.5,
) -> list[Spot]:
    """Spots for a survey: one in each of ``n_spots`` equal bands of depth, where the map is flat.

    depth            (x, y), what the gauge will read; NaN where there is none
    gradient_per_mm  (x, y), size of its gradient, in its unit per mm
    is_clear         (x, y), true where a gauge can stand
    x_mm, y_mm       (x,), (y,)
    spacing_mm       spots stand this far apart; halved until the number is reached
    flattest_share   in each band only this share, the flattest, is looked at
    returns          spots sorted by x, then y; of the places looked at in a band that furthest
                     from the spots already chosen. Bands without a place are made up for from the
                     others, so fewer spots come back only where fewer clear points exist.
    Raises           SurveyError where shapes differ or no point is clear
    """
    w = np.asarray(depth, dtype=np.float64)
    g = np.asarray(gradient_per_mm, dtype=np.float64)
    clear = np.asarray(is_clear, dtype=bool)
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    if not (w.shape == g.shape == clear.shape == (x.size, y.size)) or n_spots < 1:
        raise SurveyError(
            "sampling plan",
            found=f"depth {w.shape}, gradient {g.shape}, clear {clear.shape}, {n_spots} spots",
            needed=f"maps of {x.size} by {y.size} and 1 spot at least are needed",
            do="take all maps from one lite",
        )
    rows, columns = np.nonzero(clear & np.isfinite(w) & np.isfinite(g))
    if rows.size == 0:
        raise SurveyError(
            "sampling plan",
            found="no clear point has a depth",
            needed="the gauge must be able to stand somewhere",
            do="check the zones and the detection bound of the map",
        )
    at = np.column_stack([x[rows], y[columns]])
    values, slopes = w[rows, columns], np.abs(g[rows, columns])
    low, high = float(values.min()), float(values.max())
    width = (high - low) / n_spots or 1.0
    band = np.minimum((values - low) // width, n_spots - 1).astype(np.intp)
    chosen: list[int] = []
    away = np.full(values.size, np.inf)

    def take(pool: NDArray[np.intp], spacing: float) -> bool:
        pool = pool[away[pool] >= spacing]
        if pool.size == 0:
            return False
        flat = slopes[pool]
        pool = pool[flat <= np.quantile(flat, flattest_share, method="higher")]
        pick = int(pool[np.argmax(away[pool]) if chosen else np.argmin(slopes[pool])])
        chosen.append(pick)
        np.minimum(away, np.hypot(*(at - at[pick]).T), out=away)
        return True

    # the ends of the range first: they hold the line that will be drawn through the pairs
    order = sorted(range(n_spots), key=lambda b: -abs(2 * b - (n_spots - 1)))
    spacing = spacing_mm
    waiting = order
    while waiting and spacing > 0.01 * spacing_mm:
        waiting = [b for b in waiting if not take(np.flatnonzero(band == b), spacing)]
        spacing /= 2
    spacing = spacing_mm
    everywhere = np.arange(values.size)
    while len(chosen) < min(n_spots, values.size):
        if not take(everywhere, spacing):
            spacing = spacing / 2 if spacing > 1e-6 * spacing_mm else np.nextafter(0, 1)
    spots = [Spot(*map(float, (*at[i], values[i], slopes[i]))) for i in chosen]
    return sorted(spots, key=lambda spot: (spot.x_mm, spot.y_mm))


def random_spots(
    depth: ArrayLike,
    gradient_per_mm: ArrayLike,
    is_clear: ArrayLike,
    x_mm: ArrayLike,
    y_mm: ArrayLike,
    *,
    n_spots: int,
    beside: Sequence[Spot] = (),
    spacing_mm: float = 100.0,
    seed: int = 1,
) -> list[Spot]:
    """Spots drawn at random from the clear places, all alike; arrays as of ``choose_spots``.

    beside      spots that are taken already
    spacing_mm  kept from one another and from those beside where there is room, else half of it
                and so on
    returns     sorted by x, then y; fewer than n_spots only where fewer clear places are
    """
    w, g = np.asarray(depth, dtype=np.float64), np.asarray(gradient_per_mm, dtype=np.float64)
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    rows, columns = np.nonzero(np.asarray(is_clear, bool) & np.isfinite(w) & np.isfinite(g))
    order = np.random.default_rng(seed).permutation(rows.size)
    at = np.column_stack([x[rows], y[columns]])[order]
    rows, columns = rows[order], columns[order]
    away = np.full(rows.size, np.inf)
    for spot in beside:
        np.minimum(away, np.hypot(at[:, 0] - spot.x_mm, at[:, 1] - spot.y_mm), out=away)
    found: list[Spot] = []
    spacing = spacing_mm
    while len(found) < n_spots and away.max(initial=0.0) > 0:
        free = np.flatnonzero(away >= spacing)
        if free.size == 0:
            spacing /= 2
            continue
        k = int(free[0])
        i, j = rows[k], columns[k]
        found.append(Spot(float(x[i]), float(y[j]), float(w[i, j]), float(abs(g[i, j]))))
        np.minimum(away, np.hypot(*(at - at[k]).T), out=away)
    return sorted(found, key=lambda spot: (spot.x_mm, spot.y_mm))


def _check(scatter: Scatter, tolerance: float) -> None:
    deviations = (scatter.lite_sd, scatter.spot_sd, scatter.within_sd, scatter.operator_sd)
    if not all(math.isfinite(v) and v >= 0 for v in deviations) or not math.isfinite(scatter.bias):
        raise SurveyError(
            "sampling plan",
            found=f"the scatter assumed is {scatter}",
            needed="finite numbers are needed, standard deviations not below zero",
            do="take them from a trial survey",
        )
    if sum(deviations) == 0:
        raise SurveyError(
            "sampling plan",
            found="no scatter at all is assumed",
            needed="one standard deviation above zero is needed",
            do="take the resolution of the gauge at least",
        )
    if not (math.isfinite(tolerance) and tolerance > 0):
        raise SurveyError(
            "sampling plan",
            found=f"the tolerance is {tolerance!r}",
            needed="a number above zero is needed",
            do="state how far a single difference may go",
        )
