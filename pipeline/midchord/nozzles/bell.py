"""The bell that one nozzle line leaves, and its fit to the course of one lite.

The mark of one nozzle line is taken to be a bell D(u) = exp(-u^2 / 2 s^2). Neighbouring bells
overlap, so that a missing nozzle would also change what is read at its neighbours. Hence all
nozzles of a lite are fitted together, each with a size and a move to the side, beside a slow
course:

    w(y) = slow(y) + sum_k [ alpha_k D(y - y_k) + beta_k D'(y - y_k) ],    move = -beta_k / alpha_k

The width s is that which leaves least of the courses. Where bells melt into an even surface and no
nozzle is odd, any width will do, and nothing is read from it.

*Where the mark is.* Of a comb of narrow bells one extreme stands out further than the other; that
one is the mark, hollow or rise. Of a comb of wide ones both are alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.nozzles.comb import slow_columns
from midchord.nozzles.grid import NozzleGrid
from midchord.nozzles.registering import Registered, Registration

__all__ = ["Bell", "LiteFit", "bell_of"]

Floats = npt.NDArray[np.float64]

WIDTHS = np.linspace(0.1, 0.5, 9)
"""Standard deviations of a bell that are tried, in track gaps."""
SURE = 12.0
"""Gain of log-likelihood (twice) of the best width over the worst, from which it counts as seen."""
CLEAR = 1.12
"""One extreme of the signature must stand out by this much more than the other to be the mark."""
MOST_FOR_WIDTH = 12
REACH = 3.5
RIDGE = 2e-3
"""Share of the energy of a bell under which its size is not read."""


class Bell(NamedTuple):
    """Shape of one mark.

    sd_mm, size_mm  standard deviation and signed height of the bell in the folded signature
    at              place of the mark from the drawing's nozzle, in pitches
    is_fitted       whether its width was seen
    is_clear        whether the signature says by itself which of its extremes is the mark
    misfit          share of the power of the signature that the bell does not follow
    """

    sd_mm: float
    size_mm: float
    at: float
    is_fitted: bool
    is_clear: bool
    misfit: float


def bell_of(registration: Registration, grid: NozzleGrid, *, baseline_pitches: float) -> Bell:
    """The bell of the folded signature and of the courses of some lites.

    baseline_pitches  distance of the knots of the slow course, in pitches
    """
    s, pitch = registration.signature, registration.pitch_mm
    order = np.arange(1, s.size + 1)
    tracks = np.exp(-2j * math.pi * np.outer(order, np.array(grid.offsets))).sum(axis=1)
    usable = grid.visible(order)
    single = np.where(usable, s / np.where(usable, tracks, 1.0), 0.0)
    gap = grid.gap_mm / grid.pitch_mm
    u = np.arange(-0.5, 0.5, 1 / 720)
    folded = (single * np.exp(2j * math.pi * np.outer(u, order))).sum(axis=1).real
    at, is_clear = _mark_at(folded, u, gap, registration.is_absolute)
    place = Bell(0.25 * gap * pitch, 0.0, at, False, is_clear, 1.0)
    if not registration.is_present:
        return place
    width, is_fitted = _width(place, registration, grid, baseline_pitches * pitch)
    turned = (single * np.exp(2j * math.pi * order * at)).real
    shape = np.exp(-2 * (math.pi * width * gap * order) ** 2) * usable
    shape *= 2 * math.sqrt(2 * math.pi) * width * gap  # harmonics of a comb of unit bells
    size = float(shape @ turned / (shape @ shape))
    total = float((np.abs(single) ** 2).sum())
    misfit = float(((turned - size * shape) ** 2).sum()) / total
    return Bell(width * gap * pitch, size, at, is_fitted, is_clear, misfit)


def _mark_at(folded: Floats, u: Floats, gap: float, place_is_known: bool) -> tuple[float, bool]:
    """Which extreme of the signature is the mark: that which stands out further. Where both are
    alike, a hollow here is a rise half a gap on, and the one nearer to the drawing is taken."""
    near = np.abs(u) <= gap / 2  # one track, the nearest
    low = int(np.argmin(np.where(near, folded, np.inf)))
    high = int(np.argmax(np.where(near, folded, -np.inf)))
    sizes = abs(float(folded[low])), abs(float(folded[high]))
    is_clear = max(sizes) > CLEAR * min(sizes)
    if not is_clear and place_is_known:
        return min(float(u[low]), float(u[high]), key=abs), False
    return float(u[low] if sizes[0] >= sizes[1] else u[high]), is_clear


def _width(
    bell: Bell, registration: Registration, grid: NozzleGrid, baseline_mm: float
) -> tuple[float, bool]:
    """Width in track gaps that leaves least of the courses, and whether it was seen."""
    from scipy.optimize import minimize_scalar

    lites = registration.lites[:MOST_FOR_WIDTH]

    def left_by(width: float) -> float:
        tried = bell._replace(sd_mm=width * grid.gap_mm)
        return sum(LiteFit(one, tried, baseline_mm, grid, False, {}).left for one in lites)

    left = [left_by(float(width)) for width in WIDTHS]
    best = int(np.argmin(left))
    tried = bell._replace(sd_mm=float(WIDTHS[best]) * grid.gap_mm)
    free = sum(LiteFit(one, tried, baseline_mm, grid, False, {}).free for one in lites)
    is_seen = left[-1] - left[best] > SURE * left[best] / free
    if best == WIDTHS.size - 1:
        return float(WIDTHS[best]), False
    ends = float(WIDTHS[max(0, best - 1)]), float(WIDTHS[best + 1])
    found = minimize_scalar(left_by, bounds=ends, method="bounded", options={"xatol": 1e-3})
    return float(found.x), is_seen


class LiteFit:
    """One lite fitted: slow course, and a bell for every nozzle that reaches its glass.

    kappas      (nozzle,) columns of the bells, as numbered; stands: where they stand
    size, side  (nozzle,) alpha in mm, beta in mm^2 (NaN where moves are not fitted)
    spline      the course less the slow part, over columns
    left, free  sum of squares that is left, and its degrees of freedom
    """

    def __init__(
        self,
        lite: Registered,
        bell: Bell,
        baseline_mm: float,
        grid: NozzleGrid,
        has_sides: bool,
        moves: Mapping[float, float],
    ) -> None:
        from scipy.interpolate import CubicSpline

        self.lite, self.bell, self.has_sides = lite, bell, has_sides
        self.measured = np.isfinite(lite.course_mm)
        columns = lite.columns()
        reach = REACH * bell.sd_mm / lite.pitch_mm
        first, last = columns[0] - reach, columns[-1] + reach
        whole = np.arange(math.floor(first) - 2, math.ceil(last) + 3)
        kappas = np.sort((whole[:, None] + np.array(grid.offsets) + bell.at).ravel())
        self.kappas = kappas[(kappas > first) & (kappas < last)]
        self.stands = self.kappas.copy()
        for kappa, move in moves.items():
            self.stands[np.abs(self.kappas - kappa) < 1e-6] += move
        y = columns * lite.pitch_mm
        slow = slow_columns(lite.y_mm, baseline_mm)
        bells = self.bells(y, self.stands)
        design = np.hstack([slow, *bells])[self.measured]
        # what hardly differs from the slow course is left to it: bells at a rim, and slow swells of
        # a row of bells that melt into each other
        energy = (design**2).sum(axis=0)
        energy[: slow.shape[1]] = 0.0
        rows = np.diag(np.sqrt(RIDGE * energy))
        course = lite.course_mm[self.measured]
        found, *_ = np.linalg.lstsq(
            np.vstack([design, rows]), np.concatenate([course, np.zeros(rows.shape[0])]), rcond=None
        )
        count = self.kappas.size
        self.size = found[slow.shape[1] : slow.shape[1] + count]
        self.side = found[slow.shape[1] + count :] if has_sides else np.full(count, np.nan)
        flat = course - (slow @ found[: slow.shape[1]])[self.measured]
        self.left = float(((design @ found - course) ** 2).sum())
        self.free = max(1, design.shape[0] - design.shape[1])
        self.spline = CubicSpline(columns[self.measured], flat)
        self.columns = columns

    def bells(self, y: Floats, kappas: Floats) -> list[Floats]:
        """D and, where moves are fitted, D' of every nozzle at y (mm from column 0)."""
        u = y[:, None] - kappas[None, :] * self.lite.pitch_mm
        s = self.bell.sd_mm
        bell = np.exp(-0.5 * (u / s) ** 2)
        return [bell, -u / s**2 * bell] if self.has_sides else [bell]
