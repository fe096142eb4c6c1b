"""From the stored maps of one lite to its ridge profile, and from that to the pieces that are
fitted.

The residual (bow and edge lift removed) is pooled across the lite along the ridges, so that what is
left is one profile along the travel with the noise of hundreds of columns averaged out. Rims are
left out: edge lift is never all gone there.

Where amplitude or phase change along the lite (a roller that slips, glass that turns), a profile is
cut into pieces that are fitted each on its own. Pieces of P mm tell periods apart by L^2 / P, no
better.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.causes.harmonics import Piece
from midchord.spectra.ridges import Ridges, find_ridges, pool_along_ridges
from midchord_io.errors import LiteTooSmall, UnknownFormat

__all__ = ["RidgeProfile", "pieces_of", "ridge_profile"]

Floats = npt.NDArray[np.float64]

LEAST_POINTS = 40


class RidgeProfile(NamedTuple):
    """Profile of one lite along the travel.

    x_mm, height_mm  (x,) mm; NaN where too little of the width was measured
    used_mm          length from the first to the last measured point
    """

    lite_id: str
    x_mm: Floats
    height_mm: Floats
    used_mm: float
    ridges: Ridges

    @property
    def pitch_mm(self) -> float:
        return float(self.x_mm[1] - self.x_mm[0])


def ridge_profile(
    maps: xr.Dataset,
    *,
    edge_mm: float,
    side_mm: float,
    least_share: float,
    shortest_mm: float,
    longest_mm: float,
) -> RidgeProfile:
    """Ridge profile of one lite.

    maps                     of one lite, with residual (x, y) in mm
    edge_mm, side_mm         left out at the ends and at the sides
    least_share              of the width that must be measured at a point
    shortest_mm, longest_mm  waves whose ridges are followed
    Raises  UnknownFormat: no residual; LiteTooSmall: too little of it
    """
    lite_id = str(maps.attrs.get("lite_id", "lite"))
    if "residual" not in maps or maps["residual"].dims != ("x", "y"):
        raise UnknownFormat(
            lite_id,
            found="maps without a residual (x, y)",
            needed="the map of the height with bow and edge lift removed",
            do="process the scan again and name the new maps",
        )
    x, y = maps["x"].values.astype(np.float64), maps["y"].values.astype(np.float64)
    inside_x = (x >= x[0] + edge_mm) & (x <= x[-1] - edge_mm)
    inside_y = (y >= y[0] + side_mm) & (y <= y[-1] - side_mm)
    if inside_x.sum() < LEAST_POINTS or inside_y.sum() < 2:
        raise _too_small(lite_id, f"{int(inside_x.sum())} points along and {int(inside_y.sum())} "
                                  "across, less the rims")  # fmt: skip
    residual = maps["residual"].values[np.ix_(inside_x, inside_y)].astype(np.float64)
    x, y = x[inside_x], y[inside_y]
    ridges = find_ridges(residual, x, y, shortest_mm=shortest_mm, longest_mm=longest_mm)
    height = pool_along_ridges(residual, x, y, ridges, least_share=least_share)
    measured = np.flatnonzero(np.isfinite(height))
    if measured.size < LEAST_POINTS:
        raise _too_small(lite_id, f"{measured.size} points of its ridge profile measured")
    kept = slice(int(measured[0]), int(measured[-1]) + 1)
    pitch = float(x[1] - x[0])
    used = float(x[measured[-1]] - x[measured[0]]) + pitch
    return RidgeProfile(lite_id, x[kept], height[kept], used, ridges)


def pieces_of(profile: RidgeProfile, lite: int, piece_mm: float) -> list[Piece]:
    """The profile as one piece, or as several of at least ``piece_mm``; 0: one."""
    count = 1 if piece_mm <= 0 else max(1, int(profile.used_mm // piece_mm))
    pieces = []
    for part in np.array_split(np.arange(profile.x_mm.size), count):
        measured = part[np.isfinite(profile.height_mm[part])]
        if measured.size < LEAST_POINTS:
            continue
        # from the middle of the grid, in whole steps: equal lites share their sines
        steps = (measured - part[0]) - 0.5 * (part.size - 1)
        height = profile.height_mm[measured]
        pieces.append(
            Piece(lite, steps * profile.pitch_mm, height, part.size * profile.pitch_mm)
        )
    return pieces


def _too_small(lite_id: str, found: str) -> LiteTooSmall:
    return LiteTooSmall(
        lite_id,
        found=found,
        needed=f"at least {LEAST_POINTS} points along the travel and two columns",
        do="leave this lite out, or set profile.edge_mm and side_mm lower",
    )
