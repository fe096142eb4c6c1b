"""From registered lites to what each nozzle left on each lite.

*Bell.* The mark of one nozzle line is taken to be a bell D(u) = exp(-u^2 / 2 s^2); s follows from
how fast the harmonics of the folded signature fall, |S_n| ~ exp(-2 pi^2 s^2 n^2 / p^2). Where the
maps show too few harmonics it is a stated share of the track gap. Neighbouring bells overlap, so
that a missing nozzle would also change what is read at its neighbours. Hence all nozzles of a lite
are fitted together, each with a size and a move to the side, beside a slow course:

    w(y) = slow(y) + sum_k [ alpha_k D(y - y_k) + beta_k D'(y - y_k) ],    move = -beta_k / alpha_k

*Cell.* What is seen, without a shape assumed: the course within half a pitch of each nozzle (half
the gap where tracks lie closer), the slow course taken out, as a line and a few harmonics of the
cell. Depth is what that stands at the nozzle above the two borders of the cell (negative: a
hollow); power is twice its second derivative there, as in every map.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.nozzles.comb import slow_columns
from midchord.nozzles.grid import NozzleGrid
from midchord.nozzles.registering import Registered, Registration, harmonics_of

__all__ = ["Bell", "Cells", "Track", "bell_of", "cells_of", "with_width_seen"]

Floats = npt.NDArray[np.float64]

USUAL_WIDTH = 0.22
"""Standard deviation of a bell in track gaps, where the maps cannot show it."""
CLEAR = 1.3
"""One extreme of the signature must stand out by this much more than the other to be the mark."""
MOST_FOR_WIDTH = 12
REACH = 3.5
POINTS = 21


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


class Track(NamedTuple):
    """One line of marks: column number, and which rows made it ("" for all)."""

    column: int
    rows: str
    kappa: float


class Cells(NamedTuple):
    """Every lite, every track; NaN where not seen.

    u_mm       (u,) across each cell
    profiles   (lite, track, u) mm, slow course out
    own        the same with the bells of all other tracks out
    depth_mm, power_mdpt   (lite, track)
    size_mm, side_mm       (lite, track): alpha, and beta in mm^2
    """

    tracks: list[Track]
    u_mm: Floats
    profiles: Floats
    own: Floats
    depth_mm: Floats
    power_mdpt: Floats
    size_mm: Floats
    side_mm2: Floats


def bell_of(registration: Registration, grid: NozzleGrid) -> Bell:
    """The bell of the folded signature."""
    s, pitch = registration.signature, registration.pitch_mm
    order = np.arange(1, s.size + 1)
    offsets = np.array(grid.offsets)
    tracks = np.exp(-2j * math.pi * np.outer(order, offsets)).sum(axis=1)
    usable = np.abs(tracks) > 0.2
    single = np.where(usable, s / np.where(usable, tracks, 1.0), 0.0)
    gap = grid.gap_mm / grid.pitch_mm
    u = np.arange(-0.5, 0.5, 1 / 720)
    folded = (single * np.exp(2j * math.pi * np.outer(u, order))).sum(axis=1).real
    at, is_clear = _mark_at(folded, u, gap, registration.is_absolute)
    turned = (single * np.exp(2j * math.pi * order * at)).real
    widths = np.linspace(0.06, 0.5, 89) * gap
    shapes = np.exp(-2 * (math.pi * np.outer(widths, order)) ** 2) * usable
    shapes *= 2 * math.sqrt(2 * math.pi) * widths[:, None]  # harmonics of a comb of unit bells
    sizes = (shapes @ turned) / (shapes**2).sum(axis=1)
    left = ((turned - sizes[:, None] * shapes) ** 2).sum(axis=1)
    is_fitted = int(usable.sum()) >= 2
    best = int(np.argmin(left)) if is_fitted else int(np.argmin(np.abs(widths - USUAL_WIDTH * gap)))
    total = float((np.abs(single) ** 2).sum())
    misfit = float(left[best] / total) if total > 0 else 1.0
    return Bell(
        float(widths[best]) * pitch, float(sizes[best]), at, is_fitted, is_clear, misfit
    )  # fmt: skip


def _mark_at(folded: Floats, u: Floats, gap: float, place_is_known: bool) -> tuple[float, bool]:
    """Which extreme of the signature is the mark: that which stands out further. Where both are
    alike, a hollow here is a rise half a gap on, and the one nearer to the drawing is taken."""
    near = np.abs(u) <= gap / 2  # one track, the nearest
    low = int(np.argmin(np.where(near, folded, np.inf)))
    high = int(np.argmax(np.where(near, folded, -np.inf)))
    sizes = abs(folded[low]), abs(folded[high])
    is_clear = max(sizes) > CLEAR * min(sizes)
    if not is_clear and place_is_known:
        return min(float(u[low]), float(u[high]), key=abs), False
    return float(u[low] if sizes[0] >= sizes[1] else u[high]), is_clear


def with_width_seen(
    bell: Bell, registration: Registration, grid: NozzleGrid, *, baseline_pitches: float
) -> Bell:
    """The bell with the width that leaves least of the courses, for maps that show too few
    harmonics: what single nozzles do differently shows how wide a mark is."""
    if bell.is_fitted:
        return bell
    gap = grid.gap_mm
    tried = [bell._replace(sd_mm=width * gap) for width in np.linspace(0.15, 0.5, 8)]
    lites = registration.lites[:MOST_FOR_WIDTH]
    baseline_mm = baseline_pitches * registration.pitch_mm
    left = [
        sum(_Lite(one, bell, baseline_mm, grid, False, {}).left for one in lites) for bell in tried
    ]
    return tried[int(np.argmin(left))]


def cells_of(
    registration: Registration,
    grid: NozzleGrid,
    bell: Bell,
    *,
    baseline_pitches: float,
    moves: Mapping[float, float] | None = None,
) -> Cells:
    """What each nozzle left on each lite.

    baseline_pitches  distance of the knots of the slow course, in pitches
    moves             kappa of a track -> pitches by which its bell is set aside
    """
    lites = registration.lites
    pitch = registration.pitch_mm
    step = max(float(one.y_mm[1] - one.y_mm[0]) for one in lites)
    half = 0.5 * min(grid.gap_mm / grid.pitch_mm, 1.0) * pitch
    u = np.linspace(-half, half, POINTS)
    tracks = _tracks(lites, grid, bell, half)
    shape = (len(lites), len(tracks))
    profiles, own = np.full((*shape, u.size), np.nan), np.full((*shape, u.size), np.nan)
    sizes, sides = np.full(shape, np.nan), np.full(shape, np.nan)
    has_sides = 2 * half >= 3 * bell.sd_mm and 2 * half >= 4 * step
    for i, lite in enumerate(lites):
        read = _Lite(lite, bell, baseline_pitches * pitch, grid, has_sides, moves or {})
        for k, track in enumerate(tracks):
            found = read.cell(track, u)
            if found is not None:
                profiles[i, k], own[i, k], sizes[i, k], sides[i, k] = found
    depth, power = _figures(2 * half, step, u)
    return Cells(tracks, u, profiles, own, profiles @ depth, profiles @ power, sizes, sides)


def _tracks(lites: list[Registered], grid: NozzleGrid, bell: Bell, half_mm: float) -> list[Track]:
    """Every track that at least one lite carried in full."""
    low = min(float(one.columns()[0]) for one in lites)
    high = max(float(one.columns()[-1]) for one in lites)
    found = []
    for column in range(math.floor(low) - 2, math.ceil(high) + 3):
        for offset, name in zip(grid.offsets, grid.names, strict=True):
            kappa = column + offset + bell.at
            if any(_is_inside(one, kappa, half_mm) for one in lites):
                number = grid.first_number + grid.number_step * (column - 1)
                found.append(Track(number, name, kappa))
    return found


def _is_inside(lite: Registered, kappa: float, half_mm: float) -> bool:
    columns, reach = lite.columns(), half_mm / lite.pitch_mm
    return bool(columns[0] <= kappa - reach and kappa + reach <= columns[-1])


class _Lite:
    """One lite fitted: slow course, and a bell for every nozzle that reaches its glass."""

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
        bells = self._bells(y, self.stands)
        design = np.hstack([slow, *bells])[self.measured]
        # a bell at the rim of which little is seen takes what it must and no more
        penalty = 1e-3 * math.sqrt(design.shape[0] / max(1, design.shape[1]))
        scale = np.sqrt((design**2).mean(axis=0)) + 1e-12
        rows = np.diag(penalty * np.where(np.arange(design.shape[1]) < slow.shape[1], 0.0, scale))
        course = lite.course_mm[self.measured]
        found, *_ = np.linalg.lstsq(
            np.vstack([design, rows]), np.concatenate([course, np.zeros(rows.shape[0])]), rcond=None
        )
        count = self.kappas.size
        self.size = found[slow.shape[1] : slow.shape[1] + count]
        self.side = found[slow.shape[1] + count :] if has_sides else np.full(count, np.nan)
        flat = course - (slow @ found[: slow.shape[1]])[self.measured]
        self.left = float(((design @ found - course) ** 2).sum())
        self.spline = CubicSpline(columns[self.measured], flat)
        self.columns = columns

    def _bells(self, y: Floats, kappas: Floats) -> list[Floats]:
        u = y[:, None] - kappas[None, :] * self.lite.pitch_mm
        s = self.bell.sd_mm
        bell = np.exp(-0.5 * (u / s) ** 2)
        return [bell, -u / s**2 * bell] if self.has_sides else [bell]

    def cell(self, track: Track, u: Floats) -> tuple[Floats, Floats, float, float] | None:
        """Profile, own profile, size and side of one track; None where not all of it was seen."""
        pitch, half = self.lite.pitch_mm, float(u[-1])
        if not _is_inside(self.lite, track.kappa, half):
            return None
        inside = np.abs(self.columns - track.kappa) <= half / pitch + 1e-9
        if not self.measured[inside].all():
            return None
        number = int(np.argmin(np.abs(self.kappas - track.kappa)))
        profile = np.asarray(self.spline(track.kappa + u / pitch), dtype=np.float64)
        bells = self._bells(track.kappa * pitch + u, self.stands)
        values = [self.size, self.side]
        others = np.zeros(u.size)
        for part, value in zip(bells, values, strict=False):
            others += part @ value - part[:, number] * value[number]
        return profile, profile - others, float(self.size[number]), float(self.side[number])


def _figures(cell_mm: float, y_pitch_mm: float, u: Floats) -> tuple[Floats, Floats]:
    """Depth (mm) and power (mdpt) at the middle of a cell as weights (u,) on its profile."""
    order = np.arange(1, harmonics_of(cell_mm, y_pitch_mm) + 1)
    k = 2 * math.pi * order / cell_mm
    columns = np.hstack(
        [np.ones((u.size, 1)), u[:, None], np.cos(np.outer(u, k)), np.sin(np.outer(u, k))]
    )
    solve = np.linalg.pinv(columns)[2 : 2 + order.size]
    depth = (1 - (-1.0) ** order) @ solve
    power = 2e6 * (-(k**2)) @ solve
    return np.asarray(depth), np.asarray(power)
