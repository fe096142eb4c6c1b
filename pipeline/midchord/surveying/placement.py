"""Where the readings were taken: one shift of a whole survey, and the wrong datum.

A hand is off by some millimetres, each time by others: that is in the uncertainty of each pair.
What all readings have in common is another thing, and is looked for here, never applied unasked.

*A shift*: the edge was found some mm off, so every place is off by (dx, dy). By maximum
likelihood with the uncertainty of each pair, an offset and a scale of the gauge fitted beside it
(so that neither bias nor gain passes for a shift), along x, along y, or both, within
+-largest_mm. It is paid for if the Bayesian information criterion (Schwarz, Ann. Stat. 6 (1978)
461-464) falls by more than 6, "strong evidence" in the grades of Kass and Raftery (J. Am. Stat.
Assoc. 90 (1995) 773-795). Its standard uncertainties are those of the likelihood over the
square of allowed shifts, every shift in it taken as equally likely beforehand; where the map says
nothing of dy, as on straight ridges, u_dy comes out near that of the whole range, largest / sqrt 3.

*Lines* tell of no shift: their marks are peaks and valleys, where being off by d one way or the
other reads low alike, which is a smaller scale, too. Nothing is claimed of them but that they would
fit better elsewhere, where the criterion clearly says so; both uncertainties are those of the whole
range.

*The wrong datum*, see ``datum``.

Repeats of one operator at one place share what the hand was off: their median counts once. No
reading is taken to scatter by less than its stated uncertainty: otherwise exact hands would show
the shift that best follows the noise of the scan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.datum import DatumSuspicion, DatumWay, suspect_datum
from midchord.surveying.places import placed_twin, without_repeats
from midchord.surveying.twin_field import TwinField
from midchord.surveying.twin_fit import fit_twins, grouped

__all__ = ["DatumSuspicion", "DatumWay", "Shift", "fit_shift", "suspect_datum"]

Floats = npt.NDArray[np.float64]

LEAST_PLACES = 6
PAYS = 6.0
"""Fall of the criterion from which a shift is paid for."""
PAYS_CLEARLY = 10.0
"""Fall from which one beyond what is allowed is spoken of: "very strong" in the same grades."""
STEPS = 7
"""Grid of shifts either side of none, coarse and then fine."""
FINE_SDS = 4.0


@dataclass(frozen=True)
class Shift:
    """One shift of a whole survey; add dx_mm, dy_mm to a stated place to get the true one.

    u_dx_mm, u_dy_mm  standard uncertainties; NaN where there were too few places
    is_paid_for       whether the criterion falls by more than PAYS; without it dx = dy = 0
    is_at_bound       the best one lies at the end of what is allowed, and the criterion falls by
                      more than PAYS_CLEARLY there: no mere shift
    bic_none          Bayesian information criterion without a shift
    bic_shifted       and with the best one, whether paid for or not
    offset_mm, scale  of the gauge against the twin, fitted beside the shift
    needs_attention   is_paid_for or is_at_bound; of lines: they clearly fit better elsewhere
    """

    dx_mm: float
    dy_mm: float
    u_dx_mm: float
    u_dy_mm: float
    is_paid_for: bool
    is_at_bound: bool
    bic_none: float
    bic_shifted: float
    offset_mm: float
    scale: float
    n_places: int
    sentence: str
    needs_attention: bool = False


def fit_shift(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    *,
    placement_sd_mm: float,
    largest_mm: float = 15.0,
) -> Shift:
    """The shift that all readings of a survey have in common.

    singles          pairs as of ``pair_readings``
    twins            lite_id -> field of the twin
    placement_sd_mm  how far a hand is off its stated place, along each axis
    largest_mm       shifts are looked for up to this, along each axis
    """
    pairs = without_repeats(singles)
    if len(pairs) >= LEAST_PLACES:
        pairs = _within_reach(pairs, twins, largest_mm)
    if len(pairs) < LEAST_PLACES:
        return _too_few(len(pairs))
    search = _Search(pairs, twins, placement_sd_mm, largest_mm)
    return search.result()


def _within_reach(
    pairs: pd.DataFrame, twins: Mapping[str, TwinField], largest_mm: float
) -> pd.DataFrame:
    """Those whose twin can stand wherever the shift may put them: all shifts, the same pairs."""
    stands = np.ones(len(pairs), dtype=bool)
    for dx in (-largest_mm, 0.0, largest_mm):
        for dy in (-largest_mm, 0.0, largest_mm):
            at = placed_twin(pairs, twins, pairs["x_mm"] + dx, pairs["y_mm"] + dy, 0.0)
            stands &= np.isfinite(at.twin_mm)
    return pairs[stands].reset_index(drop=True)


def _too_few(count: int) -> Shift:
    nothing = math.nan
    return Shift(
        0.0, 0.0, nothing, nothing, False, False, nothing, nothing, nothing, nothing, count,
        f"no shift was looked for: {count} places that allow for one, and it takes {LEAST_PLACES}",
    )  # fmt: skip


class _Search:
    """Likelihoods of shifts on grids, coarse over the whole square, then fine about the best."""

    def __init__(
        self,
        pairs: pd.DataFrame,
        twins: Mapping[str, TwinField],
        placement_sd_mm: float,
        largest_mm: float,
    ) -> None:
        self.pairs, self.twins = pairs, twins
        self.sd, self.largest = placement_sd_mm, largest_mm
        self.gauge = pairs["gauge_mm"].to_numpy(float)
        self.groups = grouped(pairs, ("lite_id", "operator"))

    def likelihood(self, dx: Floats, dy: Floats) -> Floats:
        """Of every shift (dx, dy), (m,)."""
        x, y = (self.pairs[name].to_numpy(float) for name in ("x_mm", "y_mm"))
        at = placed_twin(self.pairs, self.twins, x + dx[:, None], y + dy[:, None], self.sd)
        # a dropout in the reach of a shift: the twin at the stated place stands in
        here = placed_twin(self.pairs, self.twins, x, y, self.sd)
        twin = np.where(np.isfinite(at.twin_mm), at.twin_mm, here.twin_mm)
        u = np.where(np.isfinite(at.twin_mm), at.u_mm, here.u_mm)
        return fit_twins(self.gauge, twin, u, self.groups, u_is_least=True).log_likelihood

    def best(self, has_x: bool, has_y: bool) -> tuple[float, float, float]:
        """Likelihood and place of the largest, shifts allowed along these axes alone."""
        centre, reach = (0.0, 0.0), self.largest
        top = (-math.inf, 0.0, 0.0)
        for _ in range(3):
            ladder = np.linspace(-reach, reach, 2 * STEPS + 1)
            x, y = (
                np.clip(middle + ladder, -self.largest, self.largest) if free else np.zeros(1)
                for free, middle in zip((has_x, has_y), centre, strict=True)
            )
            dx, dy = (part.ravel() for part in np.meshgrid(x, y, indexing="ij"))
            found = self.likelihood(dx, dy)
            k = int(found.argmax())
            top = (float(found[k]), float(dx[k]), float(dy[k]))
            centre, reach = (top[1], top[2]), 1.5 * reach / STEPS
        return top

    def uncertainties(self) -> tuple[float, float]:
        """Standard deviations of dx and dy, all shifts in the square equally likely before."""
        centre, reach = np.zeros(2), np.full(2, self.largest)
        sds = reach / math.sqrt(3)
        for _ in range(3):
            low, high = np.maximum(centre - reach, -self.largest), np.minimum(
                centre + reach, self.largest
            )
            x, y = (np.linspace(a, b, 2 * STEPS + 1) for a, b in zip(low, high, strict=True))
            dx, dy = (part.ravel() for part in np.meshgrid(x, y, indexing="ij"))
            found = self.likelihood(dx, dy)
            weight = np.exp(found - found.max())
            # cells at the rim of the grid reach only half as far
            for part, ends in ((dx, x), (dy, y)):
                weight[(part == ends[0]) | (part == ends[-1])] /= 2
            weight /= weight.sum()
            centre = np.array([(weight * dx).sum(), (weight * dy).sum()])
            sds = np.sqrt(
                [(weight * (d - c) ** 2).sum() for d, c in zip((dx, dy), centre, strict=True)]
            )
            step = (high - low) / (2 * STEPS)
            reach = FINE_SDS * np.maximum(sds, step / 2)
        return float(sds[0]), float(sds[1])

    def result(self) -> Shift:
        n = len(self.pairs)
        parameters = self.groups.n_offsets + 2
        nought = float(self.likelihood(np.zeros(1), np.zeros(1))[0])
        without = parameters * math.log(n) - 2 * nought
        tried = []
        along_lines = "line" in self.pairs.columns
        # a wave whose size varies across passes for a shift of a line along y
        ways = ((True, False),) if along_lines else ((True, False), (False, True), (True, True))
        for axes in ways:
            top, dx, dy = self.best(*axes)
            tried.append(((parameters + sum(axes)) * math.log(n) - 2 * top, dx, dy))
        if along_lines:
            return self._of_lines(without, min(tried)[0])
        # a direction of which the map says nothing runs to its end on the scatter alone: what is
        # left when it is held still is taken first
        inside = [one for one in tried if max(map(abs, one[1:])) < self.largest * (1 - 1e-9)]
        paid = bool(inside) and without - min(inside)[0] > PAYS
        criterion, dx, dy = min(inside) if paid else min(tried)
        at_bound = (
            not paid and min(tried) not in inside and without - criterion > PAYS_CLEARLY
        )
        fit = self._at(dx if paid else 0.0, dy if paid else 0.0)
        u_dx, u_dy = self.uncertainties()
        return Shift(
            dx if paid else 0.0, dy if paid else 0.0, u_dx, u_dy, paid, at_bound, without,
            criterion, fit[0], fit[1], n,
            self._sentence(dx, dy, u_dx, u_dy, paid, at_bound), paid or at_bound,
        )  # fmt: skip

    def _of_lines(self, without: float, criterion: float) -> Shift:
        fit, u = self._at(0.0, 0.0), self.largest / math.sqrt(3)
        elsewhere = without - criterion > PAYS_CLEARLY
        sentence = (
            "a shift of the whole survey cannot be told from readings at peaks and valleys alone: "
            "there a place off by as much either way reads low alike"
        )
        if elsewhere:
            sentence = (
                "the readings would fit better at other places along the lines, yet by how much "
                "cannot be told from peaks and valleys alone: check the datum edge, the tape and "
                "the gauge card"
            )
        return Shift(
            0.0, 0.0, u, u, False, False, without, criterion, fit[0], fit[1], len(self.pairs),
            sentence, elsewhere,
        )  # fmt: skip

    def _at(self, dx: float, dy: float) -> tuple[float, float]:
        x, y = (self.pairs[name].to_numpy(float) for name in ("x_mm", "y_mm"))
        at = placed_twin(self.pairs, self.twins, x + dx, y + dy, self.sd)
        known = np.isfinite(at.twin_mm)
        fit = fit_twins(
            self.gauge[known], at.twin_mm[None, known], at.u_mm[known], self.groups.of(known)
        )
        return float(fit.offsets[0, 0]), float(fit.scale[0])

    def _sentence(
        self,
        dx: float,
        dy: float,
        u_dx: float,
        u_dy: float,
        paid: bool,
        at_bound: bool,
    ) -> str:
        if paid:
            return (
                f"the whole survey looks shifted: its places would be off by {dx:+.1f} mm along "
                f"x (standard uncertainty {u_dx:.1f} mm) and {dy:+.1f} mm along y ({u_dy:.1f} mm); "
                "the readings clearly speak for it; the shift was not applied"
            )
        if at_bound:
            return (
                f"the readings would fit better shifted by {self.largest:g} mm or more, which is "
                "no slip of a hand: check the datum edge and the places"
            )
        return (
            "no shift of the whole survey is shown: its places fit as stated, to about "
            f"{u_dx:.1f} mm along x and {u_dy:.1f} mm along y (standard uncertainties)"
        )
