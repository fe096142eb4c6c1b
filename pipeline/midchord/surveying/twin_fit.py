"""Readings of a hand gauge as an offset and a scale of what its twin reads, robustly.

    reading_i = offset(group of i) + scale x twin_i + error_i
    error_i ~ 0.95 Normal(0, k^2 u_i^2 + s^2) + 0.05 Cauchy(spread of the readings)

u_i is the stated uncertainty of a pair. Surveys scatter by more than anyone states, so s is found
from the readings themselves; where they scatter by less, k is (between 0.5 and 1). The second
part stands for blunders: one more of them costs a fixed price, however large it is. The scale
has a normal prior about 1 and stays positive: the sign of a gauge is another question.

Readings of the same groups share one row of the design, a *cell*, and sums are taken cell by cell;
offsets of the finest groups (hundreds of walks) are eliminated one by one before the others are
solved for, so that time grows with the readings and not with the square of the walks.

Several hypotheses, sets of readings that the twin might give, are fitted side by side and alike,
so that their likelihoods may be compared. The fit is by expectation and maximisation (Dempster,
Laird and Rubin, J. R. Stat. Soc. B 39 (1977) 1-38), with a scoring step for s.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = [
    "BLUNDERS",
    "LARGEST_SCALE",
    "Groups",
    "TwinFit",
    "expected_gain",
    "fit_twins",
    "grouped",
    "robust_spread",
]

Floats = npt.NDArray[np.float64]

BLUNDERS = 0.05
"""Share of blunders that is expected."""
SCALE_SD = 0.5
SMALLEST_SCALE, LARGEST_SCALE = 0.25, 4.0
SMALLEST_K2 = 0.25
LEAST_IN_GROUP = 6
"""Readings that earn a group (an operator, a lite, a walk) an offset of its own."""
ROUNDS = 80
SETTLED = 1e-4


class TwinFit(NamedTuple):
    """Fits of all hypotheses; m of them, n readings, p groups.

    log_likelihood  (m,), with the prior of the scale
    offsets         (m, p), mm: the common one, then what each group adds
    scale           (m,)
    expected_mm     (m, n), what the gauge should have read
    sd_mm           (m, n), scatter of a good reading
    is_good         (m, n), probability that a reading is no blunder
    extra_sd_mm     (m,), s of the module's head
    """

    log_likelihood: Floats
    offsets: Floats
    scale: Floats
    expected_mm: Floats
    sd_mm: Floats
    is_good: Floats
    extra_sd_mm: Floats


def robust_spread(values: Floats) -> float:
    """Standard deviation by the median absolute deviation, right for a normal distribution."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


class Groups(NamedTuple):
    """Which offsets each reading has.

    cell     (n,) index of its row of ``columns``
    columns  (cells, p): ones, then one column a group that has an offset of its own
    n_fine   how many of the last columns are groups of one kind: none overlaps another
    """

    cell: npt.NDArray[np.intp]
    columns: Floats
    n_fine: int

    @property
    def n_offsets(self) -> int:
        return int(self.columns.shape[1])

    @property
    def design(self) -> Floats:
        """(n, p)"""
        return np.asarray(self.columns[self.cell])

    def of(self, readings: npt.NDArray[np.bool_]) -> Groups:
        """Those of some of the readings."""
        return self._replace(cell=self.cell[readings])

    @classmethod
    def common(cls, n: int) -> Groups:
        """One offset for all."""
        return cls(np.zeros(n, dtype=np.intp), np.ones((1, 1)), 0)


def grouped(pairs: pd.DataFrame, names: tuple[str, ...]) -> Groups:
    """Offsets: a common one, then one a group but the first of each kind.

    A group of fewer than LEAST_IN_GROUP readings shares the offset of the first.
    """
    known = [name for name in names if name in pairs]
    if not known:
        return Groups.common(len(pairs))
    codes = np.stack([pd.factorize(pairs[name])[0] for name in known], axis=1)
    first, cell = np.unique(codes, axis=0, return_inverse=True)
    columns, n_fine = [np.ones((len(first), 1))], 0
    for of_rows, of_cells in zip(codes.T, first.T, strict=True):
        count = np.bincount(of_rows)
        large = np.flatnonzero(count >= LEAST_IN_GROUP)
        spare = large[1:] if large.size == count.size else large
        columns.append((of_cells[:, None] == spare).astype(float))
        n_fine = spare.size
    return Groups(cell.ravel().astype(np.intp), np.concatenate(columns, axis=1), n_fine)


def fit_twins(
    gauge_mm: Floats,
    twin_mm: Floats,
    u_mm: Floats,
    groups: Groups | None = None,
    *,
    scale_sd: float = SCALE_SD,
    u_is_least: bool = False,
) -> TwinFit:
    """Fit every hypothesis.

    gauge_mm    (n,) readings
    twin_mm     (m, n) what the twin reads under each hypothesis, finite
    u_mm        (m, n) or (n,) standard uncertainties
    groups      as of ``grouped``; a common offset if not given
    scale_sd    standard deviation of the scale's prior about 1
    u_is_least  readings are never taken to scatter by less than stated: k = 1
    """
    twin = np.atleast_2d(twin_mm)
    m, n = twin.shape
    u2 = np.broadcast_to(np.asarray(u_mm, float) ** 2, (m, n))
    groups = groups or Groups.common(n)
    spread = max(robust_spread(gauge_mm), float(np.sqrt(np.median(u2))), 1e-9)
    far = (gauge_mm - np.median(gauge_mm)) / spread
    log_blunder = math.log(BLUNDERS) - np.log(math.pi * spread * (1 + far**2))
    # differences of groups hardly held, only so that groups that name the same do no harm
    held = 1 / (100 * spread) ** 2
    sums = _CellSums(groups)

    scale = np.ones(m)
    offsets = np.zeros((m, groups.n_offsets))
    residual = gauge_mm - twin
    offsets[:, 0] = np.median(residual, axis=1)
    residual = residual - offsets[:, :1]
    extra = (1.4826 * np.median(np.abs(residual), axis=1)) ** 2
    k2 = np.ones(m)
    before = np.full(m, -np.inf)
    for _ in range(ROUNDS):
        variance = k2[:, None] * u2 + extra[:, None]
        total, good = _likelihood(residual, variance, log_blunder)
        likelihood = total.sum(axis=1) - 0.5 * ((scale - 1) / scale_sd) ** 2
        if np.all(np.abs(likelihood - before) < SETTLED):
            break
        before = likelihood
        scale, offsets = _lines(gauge_mm, twin, good / variance, sums, held, scale_sd)
        residual = gauge_mm - sums.spread(offsets) - scale[:, None] * twin
        extra, k2 = _scatter(residual, good, u2, extra, 1.0 if u_is_least else SMALLEST_K2)
    variance = k2[:, None] * u2 + extra[:, None]
    total, good = _likelihood(residual, variance, log_blunder)
    likelihood = total.sum(axis=1) - 0.5 * ((scale - 1) / scale_sd) ** 2
    return TwinFit(
        likelihood, offsets, scale, gauge_mm - residual, np.sqrt(variance), good, np.sqrt(extra)
    )


def _likelihood(residual: Floats, variance: Floats, log_blunder: Floats) -> tuple[Floats, Floats]:
    """Log-likelihood of each reading, and the probability that it is no blunder."""
    log_good = math.log(1 - BLUNDERS) - 0.5 * (
        np.log(2 * math.pi * variance) + residual**2 / variance
    )
    total = np.logaddexp(log_good, log_blunder)
    return total, np.exp(log_good - total)


class _CellSums:
    """Sums over the readings of each cell, and the offsets that solve them."""

    def __init__(self, groups: Groups) -> None:
        from scipy.sparse import csr_array

        n, cells = groups.cell.size, len(groups.columns)
        entries = (np.ones(n), groups.cell, np.arange(n + 1))
        self.readings = csr_array(entries, shape=(n, cells)).T.tocsr()
        self.groups = groups
        coarse = groups.n_offsets - groups.n_fine
        self.coarse, self.fine = groups.columns[:, :coarse], groups.columns[:, coarse:]
        self.square = (self.coarse[:, :, None] * self.coarse[:, None, :]).reshape(cells, -1)

    def of(self, values: Floats) -> Floats:
        """(m, n) to (m, cells)"""
        return np.asarray((self.readings @ values.T).T)

    def spread(self, offsets: Floats) -> Floats:
        """(m, p) to (m, n)"""
        return np.asarray((offsets @ self.groups.columns.T)[:, self.groups.cell])

    def solve(self, weight: Floats, right: Floats, held: float) -> Floats:
        """Offsets (m, p, k) of weighted sums.

        weight  (m, cells);  right  (k, m, cells)
        """
        p = self.coarse.shape[1]
        whole = (weight @ self.square).reshape(-1, p, p) + held * np.eye(p)
        to_coarse = np.stack([part @ self.coarse for part in right], axis=2)
        to_fine = np.stack([part @ self.fine for part in right], axis=2)
        crossed = np.stack(
            [(weight * column) @ self.fine for column in self.coarse.T], axis=1
        )
        # the finest groups do not overlap: each is eliminated by itself
        share = crossed / (weight @ self.fine + held)[:, None, :]
        left = whole - share @ crossed.transpose(0, 2, 1)
        coarse = np.linalg.solve(left, to_coarse - share @ to_fine)
        rest = to_fine - crossed.transpose(0, 2, 1) @ coarse
        fine = rest / (weight @ self.fine + held)[:, :, None]
        return np.concatenate([coarse, fine], axis=1)


def _lines(
    gauge: Floats, twin: Floats, weight: Floats, sums: _CellSums, held: float, scale_sd: float
) -> tuple[Floats, Floats]:
    """Scale and offsets of the weighted straight line, the scale within its bounds."""
    on_twin = weight * twin
    by_cell = np.stack([sums.of(on_twin), sums.of(weight * gauge)])
    solved = sums.solve(sums.of(weight), by_cell, held)
    of_twin, of_gauge = solved[:, :, 0], solved[:, :, 1]
    with_twin = by_cell[0] @ sums.groups.columns
    # the offsets eliminated, one equation is left for the scale
    own = (on_twin * twin).sum(axis=1) - (with_twin * of_twin).sum(axis=1)
    cross = on_twin @ gauge - (with_twin * of_gauge).sum(axis=1)
    scale = np.clip(
        (cross + 1 / scale_sd**2) / (own + 1 / scale_sd**2), SMALLEST_SCALE, LARGEST_SCALE
    )
    return scale, of_gauge - scale[:, None] * of_twin


def _scatter(
    residual: Floats, good: Floats, u2: Floats, extra: Floats, smallest_k2: float
) -> tuple[Floats, Floats]:
    """s^2 by a scoring step from k = 1; where it comes to nothing, k^2."""
    variance = u2 + extra[:, None]
    step = (good * (residual**2 - variance) / variance**2).sum(axis=1)
    step = step / np.maximum((good / variance**2).sum(axis=1), 1e-300)
    extra = np.maximum(extra + step, 0.0)
    small = (good * residual**2 / u2).sum(axis=1) / np.maximum(good.sum(axis=1), 1e-9)
    k2 = np.where(extra > 0, 1.0, np.clip(small, smallest_k2, 1.0))
    return extra, k2


def expected_gain(true: Floats, stated: Floats, sd: Floats, groups: Groups) -> float:
    """Expected difference of the log-likelihoods of two hypotheses if the one is true, offsets and
    scale of the other free; (n,) each, mm."""
    n = true.size
    weighted = groups.design / sd[:, None]
    a, b = true / sd, stated / sd
    a, b = (v - weighted @ np.linalg.lstsq(weighted, v, rcond=None)[0] for v in (a, b))
    square = float(b @ b)
    scale = float(a @ b) / square if square > 0 else 1.0
    scale = min(max(scale, SMALLEST_SCALE), LARGEST_SCALE)
    known = 0.5 * float(((a - scale * b) ** 2).sum())
    return n / 2 * math.log1p(2 * known / n)
