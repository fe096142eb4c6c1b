"""The points of a map that a limit speaks of: those of its zone, and what is known of each.

A point of the zone is one of four: it has a figure; it lies in a swing that has none (a wave
outside the band, a lone trough), of which only the size is known; a wave would have been seen
there, yet none rises above detection ("silent": nothing to be seen is itself a result); or nothing
could be seen ("missing"). Limits need all four, or a lite with a hole in its scan would pass for
good. No gauge stands nearer to an end of the lite than its feet reach, so such points are no gap.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.judging.limits import GRID_ZONE, Limit
from midchord_io.errors import SettingsError

__all__ = ["Floats", "Points", "grid_cell", "points_of"]

LOOSE_DOUBT = 0.5
"""Standard uncertainty of a swing that is no half wave of a roll wave, as a share of it."""

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclasses.dataclass(frozen=True)
class Points:
    """The points of a zone: those with a figure, and how many are silent or not measured."""

    value: Floats
    uncertainty: Floats | None
    x_mm: Floats
    y_mm: Floats
    silent: int
    missing: int

    @property
    def measured(self) -> int:
        return self.value.size + self.silent

    @property
    def coverage(self) -> float:
        total = self.measured + self.missing
        return self.measured / total if total else 0.0

    def place(self, index: int) -> tuple[float, float]:
        return float(self.x_mm[index]), float(self.y_mm[index])


def points_of(
    limit: Limit, summary: Mapping[str, Any], maps: xr.Dataset, *, where: str
) -> Points:
    """The points of the limit's zone.

    where   name of the limits, for the error
    Raises  SettingsError where the maps have no such zone
    """
    inside = _zone_mask(limit, summary, maps, where)
    field = maps[limit.variable].transpose("x", "y").values.astype(np.float64)
    if limit.figure.startswith("power"):
        field = np.abs(field)
    by_gauge = limit.convention == "gauge"
    if by_gauge:
        # no gauge stands nearer to an end than its feet: that is no gap in the measurement
        a, length = float(summary["half_span_mm"]), float(summary["length_mm"])
        x = maps["x"].values
        inside &= ((x >= a) & (x <= length - a))[:, np.newaxis] | np.isfinite(field)
    has_figure = inside & np.isfinite(field)
    loose, silent = _without_figure(limit, maps, inside & ~has_figure)
    known = has_figure | loose
    u = _uncertainty(limit, maps, has_figure)
    if loose.any():
        # of such a swing only the size is known, and not well: it forbids to say that a limit is
        # kept where it comes near it, and can never show that one is broken
        swing = _loose(limit, maps)
        field = np.where(loose, swing, field)
        spread = np.full(field.shape, np.nan) if u is None else _scattered(u, has_figure)
        high = limit.threshold if limit.threshold is not None else limit.limit
        doubt = np.where(swing > 2 * high, swing, LOOSE_DOUBT * swing)
        u = np.where(loose, doubt, spread)[known]
    ix, iy = np.nonzero(known)
    return Points(
        value=field[known],
        uncertainty=u,
        x_mm=maps["x"].values[ix].astype(np.float64),
        y_mm=maps["y"].values[iy].astype(np.float64),
        silent=int(silent.sum()),
        missing=int((inside & ~known & ~silent).sum()),
    )


def _without_figure(limit: Limit, maps: xr.Dataset, where: Mask) -> tuple[Mask, Mask]:
    """Of points without a figure: those in a swing that has none, and those with nothing to see."""
    if limit.figure not in ("depth", "distortion", "wavelength"):
        return where & False, where & False
    seen = maps[f"{limit.convention or 'gauge'}_seen"].transpose("x", "y").values == 1
    if limit.figure == "wavelength":
        return where & False, where & seen
    loose = where & np.isfinite(_loose(limit, maps))
    return loose, where & seen & ~loose


def _loose(limit: Limit, maps: xr.Dataset) -> Floats:
    """Size of swings without a figure, in the unit of the limit's figure."""
    return maps[f"loose_{limit.variable}"].transpose("x", "y").values.astype(np.float64)


def _scattered(values: Floats, where: Mask) -> Floats:
    field = np.full(where.shape, np.nan)
    field[where] = values
    return field


def _uncertainty(limit: Limit, maps: xr.Dataset, has_figure: Mask) -> Floats | None:
    name = f"u_{limit.variable}"
    if limit.uncertainty is not None:
        return np.full(int(has_figure.sum()), limit.uncertainty)
    if name not in maps:
        return None
    u = maps[name].transpose("x", "y").values[has_figure].astype(np.float64)
    known = np.isfinite(u)
    if not known.any():
        return None
    return np.where(known, u, u[known].max())


def _zone_mask(limit: Limit, summary: Mapping[str, Any], maps: xr.Dataset, where: str) -> Mask:
    zone = maps["zone"].transpose("x", "y")
    flags = dict(
        zip(
            str(zone.attrs["flag_meanings"]).split(),
            np.asarray(zone.attrs["flag_values"]).ravel().tolist(),
            strict=True,
        )
    )
    code = zone.values
    if limit.zone in ("clear", "near", "edge"):
        return np.asarray(code == flags[limit.zone])
    if limit.zone == "all":
        return np.asarray(code != flags["no_glass"])
    x, y = maps["x"].values[:, np.newaxis], maps["y"].values[np.newaxis, :]
    if limit.ends_mm is not None:
        side = float(summary["settings"]["zones"]["edge_y_mm"])
        at_end = np.minimum(x, float(summary["length_mm"]) - x) < limit.ends_mm
        at_side = np.minimum(y, float(summary["width_mm"]) - y) < side
        wanted = at_end if limit.zone == "ends" else ~at_end
        return np.asarray(wanted & ~at_side & (code != flags["no_glass"]))
    cell = grid_cell(limit.zone, summary, where)
    in_x = (x >= cell["x_from_mm"]) & (x < cell["x_to_mm"])
    in_y = (y >= cell["y_from_mm"]) & (y < cell["y_to_mm"])
    return np.asarray(in_x & in_y & (code == flags["clear"]))


def grid_cell(name: str, summary: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """The cell r1c1 ... of the zone table: r from the leading, c from the left-hand edge."""
    cells: dict[str, Mapping[str, Any]] = {str(cell["name"]): cell for cell in summary["zones"]}
    if GRID_ZONE.fullmatch(name) and name in cells:
        return cells[name]
    last = max((zone for zone in cells if GRID_ZONE.fullmatch(zone)), default="nothing")
    raise SettingsError(
        where,
        found=f"a limit for the zone {name!r}",
        needed=f"the zone table has r1c1 to {last}",
        do="name one of those, or set grid_x and grid_y in the settings",
    )
