"""From registered lites to what each nozzle left on each lite.

*Bell.* Size and move of each mark, by a fit of all of them together (:mod:`midchord.nozzles.bell`).

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

from midchord.nozzles.bell import Bell, LiteFit
from midchord.nozzles.grid import NozzleGrid
from midchord.nozzles.registering import Registered, Registration, harmonics_of

__all__ = ["Cells", "Track", "cells_of"]

Floats = npt.NDArray[np.float64]

POINTS = 21


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
        fit = LiteFit(lite, bell, baseline_pitches * pitch, grid, has_sides, moves or {})
        for k, track in enumerate(tracks):
            found = _cell(fit, track, u)
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
                found.append(Track(column, name, kappa))
    return found


def _is_inside(lite: Registered, kappa: float, half_mm: float) -> bool:
    columns, reach = lite.columns(), half_mm / lite.pitch_mm
    return bool(columns[0] <= kappa - reach and kappa + reach <= columns[-1])


def _cell(fit: LiteFit, track: Track, u: Floats) -> tuple[Floats, Floats, float, float] | None:
    """Profile, own profile, size and side of one track; None where not all of it was seen."""
    pitch, half = fit.lite.pitch_mm, float(u[-1])
    if not _is_inside(fit.lite, track.kappa, half):
        return None
    inside = np.abs(fit.columns - track.kappa) <= half / pitch + 1e-9
    if not fit.measured[inside].all():
        return None
    number = int(np.argmin(np.abs(fit.kappas - track.kappa)))
    profile = np.asarray(fit.spline(track.kappa + u / pitch), dtype=np.float64)
    others = np.zeros(u.size)
    bells = fit.bells(track.kappa * pitch + u, fit.stands)
    for part, value in zip(bells, (fit.size, fit.side), strict=False):
        others += part @ value - part[:, number] * value[number]
    return profile, profile - others, float(fit.size[number]), float(fit.side[number])


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
