"""From the maps of one lite to its course across the travel, with the roll wave taken out.

The roll wave is coherent over the width: at every x it is the same at all y, but for the course of
its ridges. So the profile pooled along the ridges is taken out of the residual before anything is
averaged along the travel; averaged as it is, a slanted wave would leave a slow course across.

What is left is averaged along the travel in blocks of the length. Blocks, because a lite that lay a
little turned under the nozzles carries its tracks slanted (0.1 degree is 4 mm over 2.4 m): the
blocks are laid over each other once that slant is known.

Rows of nozzles are seen where the motion left them apart. A row pattern that is even over the width
would go with the roll wave, but its modulation across, by the columns, does not: Z(x), twice the
mean over y of z exp(-2 pi i y / p), has the size of the marks at x, and no roll wave in it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.machine import Machine
from midchord.machine_place import MachinePlace
from midchord.nozzles.grid import check_pitch, grid_of
from midchord.spectra.ridges import Ridges, find_ridges, pool_along_ridges, shifted
from midchord_io.errors import LiteTooSmall, UnknownFormat

__all__ = ["Crossing", "crossing"]

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

BLOCK_MM = 300.0
MOST_BLOCKS = 12
LEAST_ALONG = 20


class Crossing(NamedTuple):
    """One lite across the travel.

    y_mm      (y,) places from the left-hand edge, even steps
    blocks    (block, y) mm; NaN where too little was measured
    at_mm     (block,) middle of each block along the lite
    x_mm      (x,) and marks (x,): Z above, complex mm
    place     in the machine
    face      that was scanned, None: not known
    """

    lite_id: str
    y_mm: Floats
    blocks: Floats
    at_mm: Floats
    x_mm: Floats
    marks: Complex
    place: MachinePlace
    face: str | None

    @property
    def pitch_mm(self) -> float:
        return float(self.y_mm[1] - self.y_mm[0])

    @property
    def centre_mm(self) -> float:
        return 0.5 * float(self.y_mm[0] + self.y_mm[-1])


def crossing(
    maps: xr.Dataset,
    machine: Machine,
    place: MachinePlace,
    *,
    edge_mm: float,
    side_mm: float,
    least_share: float,
) -> Crossing:
    """The course across of one lite.

    maps              residual (x, y) mm on the lite frame
    machine           with nozzles
    place             of the lite in it
    edge_mm, side_mm  left out at the ends and at the sides
    least_share       of a block that must be measured at a point across
    Raises  UnknownFormat: no residual; LiteTooSmall: under three nozzle pitches across;
            UnsupportedScan: too coarse across
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
    y_pitch = float(y[1] - y[0]) if y.size > 1 else np.inf
    assert machine.nozzles is not None
    check_pitch(lite_id, y_pitch, machine.nozzles.pitch_across_mm)
    pitch = grid_of(machine, y_pitch).pitch_mm
    inside_x = (x >= x[0] + edge_mm) & (x <= x[-1] - edge_mm)
    inside_y = (y >= y[0] + side_mm) & (y <= y[-1] - side_mm)
    if inside_x.sum() < LEAST_ALONG or inside_y.sum() * y_pitch < 3 * pitch:
        raise LiteTooSmall(
            lite_id,
            found=f"{int(inside_x.sum())} points along and {inside_y.sum() * y_pitch:g} mm across, "
            "less the rims",
            needed=f"at least {LEAST_ALONG} points along and three nozzle pitches across "
            f"({3 * pitch:.0f} mm)",
            do="leave this lite out",
        )
    residual = maps["residual"].values[np.ix_(inside_x, inside_y)].astype(np.float64)
    x, y = x[inside_x], y[inside_y]
    rest = _without_roll_wave(residual, x, y, least_share)
    groups = np.array_split(
        np.arange(x.size), int(np.clip(round((x[-1] - x[0]) / BLOCK_MM), 1, MOST_BLOCKS))
    )
    blocks = np.stack([_mean(rest[group], least_share) for group in groups])
    return Crossing(
        lite_id, y, blocks, np.array([float(x[group].mean()) for group in groups]),
        x, _marks(rest, y, pitch), place, _face(maps),
    )  # fmt: skip


def _without_roll_wave(residual: Floats, x: Floats, y: Floats, least_share: float) -> Floats:
    """The residual less its ridge profile, laid back along the ridges."""
    ridges = find_ridges(residual, x, y)
    profile = pool_along_ridges(residual, x, y, ridges, least_share=least_share)
    if ridges.slope == 0 and ridges.bow_mm == 0:
        return np.asarray(residual - profile[:, None], dtype=np.float64)
    return np.asarray(residual - _laid_back(profile, ridges, x, y), dtype=np.float64)


def _laid_back(profile: Floats, ridges: Ridges, x: Floats, y: Floats) -> Floats:
    pitch = float(x[1] - x[0])
    shifts = ridges.shift_mm(y)
    return np.stack([shifted(profile, -shift / pitch) for shift in shifts], axis=1)


def _mean(part: Floats, least_share: float) -> Floats:
    counts = np.isfinite(part).sum(axis=0)
    mean = np.nansum(part, axis=0) / np.maximum(counts, 1)
    return np.where(counts >= max(1.0, least_share * part.shape[0]), mean, np.nan)


def _marks(rest: Floats, y: Floats, pitch: float) -> Complex:
    """Modulation of every line across at the nozzle pitch; (x,) complex mm."""
    seen = np.isfinite(rest)
    # a window ends the line softly, so that slow courses across do not leak into the pitch
    window = np.hanning(y.size + 2)[1:-1]
    weight = np.where(seen, window, 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-12)
    filled = np.where(seen, rest, 0.0)
    mean = (filled * weight).sum(axis=1) / total
    turned = np.exp(-2j * np.pi * y / pitch)
    marks = 2 * ((filled - mean[:, None]) * weight) @ turned / total
    return np.asarray(np.where(seen.mean(axis=1) > 0.5, marks, np.nan), dtype=np.complex128)


def _face(maps: xr.Dataset) -> str | None:
    face = str(maps.attrs.get("face", ""))
    return face if face in ("upper", "lower") else None
