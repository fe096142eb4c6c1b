"""Where the variance of a figure over many lites comes from.

=============  ====================================================================================
machine        fixed to the machine: shown apart from the glass, because the lites did not all lie
               alike. Three shares of it:
  across       the same all along, different across: a streak along the travel (a nozzle column)
  along        the same across the width, different along the furnace
  spots        what is left of it: single places
lite           fixed to the glass: the same distance from its edges on every lite
either         fixed, but to which of the two these lites cannot tell: they lie too much alike
between lites  the level of a lite as a whole
noise          of one lite alone: waves whose phase is free, what changed, the noise of the scan
finer          within the cells of the split, whatever its cause
=============  ====================================================================================

How it is estimated. A pattern found by least squares holds part of the noise, and least squares
counts it as pattern; the usual correction (noise variance times degrees of freedom) fails here,
because the noise of one lite is correlated over its face. So a pattern is only credited with what
it says about *other* lites: for each block g of lites the patterns are found without it, and

    Q = sum over g of <values of g, patterns found without g> / points

is the mean square of the pattern, free of bias whatever the noise within a lite is like, as long as
lites of different blocks are independent. (In a balanced table with one lite a block, Q and what it
leaves are exactly the variance components of the analysis of variance.) Q of both patterns together
less Q of one alone is what only the other explains; what both explain is "either".

Q is a U-statistic of order two over blocks, so its standard error is twice that of the mean of the
blocks' own Q_g (Hoeffding 1948); blocks are runs of lites in order of time, so slow drifts are in
the interval. Where there is no pattern at all the interval is too wide by up to a factor 1.4.
An estimate may fall below zero by chance; it is given as it came.

Between lites: analysis of variance, (MS between - noise) / n, of levels with the patterns' own mean
over each lite taken out.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
import numpy.typing as npt

from midchord.production.crossed import Crossed, Effects, Model

__all__ = ["COMPONENTS", "Component", "Split", "split"]

Floats = npt.NDArray[np.float64]
COMPONENTS = (
    "machine", "machine across", "machine along", "machine spots", "lite", "either",
    "between lites", "noise", "finer",
)  # fmt: skip
"""The first is the sum of the next three."""


class Component(NamedTuple):
    """variance  in the unit of the field squared, with its interval
    share      of the total, with its interval
    shown      whether the interval lies above zero
    """

    name: str
    variance: float
    interval: tuple[float, float]
    share: float
    share_interval: tuple[float, float]

    @property
    def shown(self) -> bool:
        return self.interval[0] > 0


@dataclass(frozen=True)
class Split:
    """components  in the order of COMPONENTS; those of the machine only where it has a frame
    total       variance of one point of one lite
    effects     the patterns, of all lites, found together
    levels      of the lites, patterns taken out (lites,), NaN where a lite does not count
    lites, blocks, level   how many took part, in how many blocks; of the intervals
    """

    components: tuple[Component, ...]
    total: float
    effects: Effects
    levels: Floats
    lites: int
    blocks: int
    level: float

    def __getitem__(self, name: str) -> Component:
        return next(one for one in self.components if one.name == name)

    def get(self, name: str) -> Component | None:
        """None for a component that these lites do not have."""
        return next((one for one in self.components if one.name == name), None)


class _Estimate(NamedTuple):
    """A figure and how each block pulls at it: standard error^2 = sum pulls^2 G / (G - 1)."""

    value: float
    pulls: Floats

    def __add__(self, other: _Estimate) -> _Estimate:  # type: ignore[override]
        return _Estimate(self.value + other.value, self.pulls + other.pulls)

    def __sub__(self, other: _Estimate) -> _Estimate:
        return _Estimate(self.value - other.value, self.pulls - other.pulls)

    def times(self, factor: float) -> _Estimate:
        return _Estimate(factor * self.value, factor * self.pulls)


def split(crossed: Crossed, *, ridge: float, level: float) -> Split:
    """Part the variance; see the head of this module.

    crossed  at least two blocks that hold lites
    ridge    see ``Crossed.solve``
    level    of the intervals
    """
    mx, my = crossed.machine
    used = crossed.used
    a = crossed.arrays
    weights = _by_block(crossed, np.where(used, a["count"] - 1, 0).astype(np.float64))
    held = weights > 0
    within = _ratio(_by_block(crossed, a["square"].astype(np.float64)), weights, held, 1.0)

    full = Model(machine=mx * my > 1, lite=True)
    effects = crossed.solve(full, ridge=ridge)

    def explained(model: Model) -> _Estimate:
        if not any(model):
            return _Estimate(0.0, np.zeros(int(held.sum())))
        start = effects if model == full else crossed.solve(model, ridge=ridge)

        def of_others(block: int) -> float:
            others = crossed.solve(model, ridge=ridge, without=block, start=start)
            return _product(crossed, block, others)

        scattered = np.zeros(held.size)
        with ThreadPoolExecutor(numba.get_num_threads()) as threads:
            # each block by itself, so the figures do not depend on the number of threads
            scattered[held] = list(threads.map(of_others, np.flatnonzero(held).tolist()))
        return _ratio(scattered, weights, held, 2.0)

    glass = explained(Model(lite=True))
    found: dict[str, _Estimate] = {}
    both = glass
    if full.machine:
        machine, both = explained(Model(machine=True)), explained(full)
        found["machine"] = both - glass
        if mx > 1 and my > 1:
            across = explained(Model(across=True, lite=True))
            along = explained(Model(along=True, lite=True))
            sums = explained(Model(along=True, across=True, lite=True))
            # what two patterns share goes to both in halves, so that the parts add up
            shared = (sums - glass) - (across - glass) - (along - glass)
            found["machine across"] = across - glass + shared.times(0.5)
            found["machine along"] = along - glass + shared.times(0.5)
            found["machine spots"] = both - sums
        found["lite"] = both - machine
        found["either"] = glass + machine - both
    else:
        found["either"] = glass
    found["noise"] = within - both
    levels, found["between lites"] = _between(crossed, effects, found["noise"], held)
    counts = np.where(used, a["count"], 0).astype(np.float64)
    finer = a["finer"].astype(np.float64) * counts
    found["finer"] = _ratio(_by_block(crossed, finer), _by_block(crossed, counts), held, 1.0)
    parts = [one for name, one in found.items() if not name.startswith("machine ")]
    total = parts[0]
    for one in parts[1:]:
        total = total + one
    return Split(
        tuple(_component(name, found[name], total, level) for name in COMPONENTS if name in found),
        total.value, effects, levels, int(used.sum()), int(held.sum()), level,
    )  # fmt: skip


def _by_block(crossed: Crossed, values: Floats) -> Floats:
    block = crossed.arrays["block"]
    used = crossed.used
    return np.bincount(
        block[used].astype(np.intp), weights=values[used], minlength=crossed.blocks
    ).astype(np.float64)


def _ratio(sums: Floats, weights: Floats, held: npt.NDArray[np.bool_], order: float) -> _Estimate:
    total = float(weights.sum())
    value = float(sums.sum()) / total
    return _Estimate(value, order * (sums - value * weights)[held] / total)


def _product(crossed: Crossed, block: int, effects: Effects) -> float:
    """<values of a block, patterns>; the values are centred, so the patterns need not be."""
    only = np.zeros(crossed.blocks, np.int64)
    only[block] = 1
    own, _ = crossed.sums(only)
    return float(sum(float((one * other).sum()) for one, other in zip(own, effects, strict=True)))


def _between(
    crossed: Crossed, effects: Effects, noise: _Estimate, held: npt.NDArray[np.bool_]
) -> tuple[Floats, _Estimate]:
    a, used = crossed.arrays, crossed.used
    raw = a["mean"].astype(np.float64) - crossed.fitted_means(effects)
    n = a["count"].astype(np.float64)
    level = float(np.average(raw[used], weights=n[used]))
    squares = np.where(used, n * (raw - level) ** 2, 0.0)
    lites, points = int(used.sum()), float(n[used].sum())
    size = (points - float((n[used] ** 2).sum()) / points) / max(1, lites - 1)
    # each lite counts as its share of the sum, so that blocks can be held against each other
    between = _ratio(
        _by_block(crossed, squares), _by_block(crossed, np.where(used, n, 0.0)), held, 1.0
    )
    estimate = between.times(points / ((lites - 1) * size)) - noise.times(1 / size)
    return np.where(used, raw - level, np.nan), estimate


def _component(name: str, one: _Estimate, total: _Estimate, level: float) -> Component:
    share = one.value / total.value if total.value > 0 else 0.0
    pulls = (one.pulls - share * total.pulls) / total.value if total.value > 0 else one.pulls
    low, high = _interval(one.value, one.pulls, level)
    share_low, share_high = _interval(share, pulls, level)
    # a wave of variance is never below nothing, nor a share over all: the ends stop there
    return Component(
        name, one.value, (low, high), share, (max(-1.0, share_low), min(1.0, share_high))
    )


def _interval(value: float, pulls: Floats, level: float) -> tuple[float, float]:
    from scipy.special import stdtrit

    blocks = pulls.size
    if blocks < 2:
        return (-np.inf, np.inf)
    error = float(np.sqrt((pulls**2).sum() * blocks / (blocks - 1)))
    reach = float(stdtrit(blocks - 1, 0.5 + level / 2)) * error
    return (value - reach, value + reach)
