"""What a report reads from the maps: the summary, the layers, the worst point, the clear points.

Pictures, pages and workbooks all look here, so that none of them has a worst point of its own.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.report.house_style import FigureStyle

__all__ = [
    "CLEAR",
    "EDGE",
    "NO_GLASS_QUALITY",
    "Worst",
    "clear_values",
    "edge_zone_x_mm",
    "is_about",
    "limit_of",
    "size_mm",
    "summary_of",
    "worst_of",
]

CLEAR, NEAR, EDGE = 0, 1, 2
NO_GLASS_QUALITY = 4


@dataclass(frozen=True)
class Worst:
    """Where a figure is largest (in magnitude) among the clear points, and how large."""

    x_mm: float
    y_mm: float
    value: float
    uncertainty: float | None


def summary_of(maps: xr.Dataset) -> dict[str, Any]:
    """The summary of the maps."""
    stored = maps.attrs["summary"]
    return dict(stored) if isinstance(stored, Mapping) else dict(json.loads(stored))


def size_mm(maps: xr.Dataset) -> tuple[float, float]:
    """Length (along x) and width (along y) of the lite."""
    return float(maps.attrs["length_mm"]), float(maps.attrs["width_mm"])


def clear_values(maps: xr.Dataset, name: str) -> npt.NDArray[np.float64]:
    """(x, y): the figure at the clear points, NaN elsewhere."""
    values = maps[name].values.astype(np.float64)
    return np.where(maps["zone"].values == CLEAR, values, np.nan)


def edge_zone_x_mm(maps: xr.Dataset) -> float:
    """Depth of the zone along the leading and trailing edge; 0 where the settings do not say."""
    zones = summary_of(maps).get("settings", {}).get("zones", {})
    return float(zones.get("edge_x_mm", 0.0))


def worst_of(maps: xr.Dataset, style: FigureStyle) -> Worst | None:
    """The worst point; from the summary where it knows one, otherwise from the clear points.

    None where the figure has no value, or where large is not bad (wavelength, gain, height).
    """
    marked = style.name in ("power_x", "power_y", "reading", "residual")
    if not marked and (style.scale != "amount" or style.summary is None):
        return None
    if style.summary is not None:
        known = summary_of(maps).get(style.summary) or {}
        place, largest = known.get("worst"), known.get("max")
        if place and largest is not None:
            return Worst(place["x_mm"], place["y_mm"], largest, known.get("u_max"))
    values = clear_values(maps, style.name)
    if not np.isfinite(values).any():
        return None
    i, j = np.unravel_index(int(np.nanargmax(np.abs(values))), values.shape)
    x, y = maps["x"].values, maps["y"].values
    return Worst(float(x[i]), float(y[j]), float(values[i, j]), None)


def is_about(limit: Mapping[str, Any], style: FigureStyle) -> bool:
    """Whether a limit, as a reason of the verdict states it, is on this figure.

    "distortion" and "depth" count only with the convention; a figure without one has none.
    """
    named, convention = limit.get("figure"), limit.get("convention")
    if convention != style.convention:
        return False
    return named in (style.name, style.summary) or (
        style.convention is not None and named == style.name.rsplit("_", 1)[-1]
    )


def limit_of(summary: Mapping[str, Any], style: FigureStyle) -> float | None:
    """The limit that the lite was judged by, in the unit of this figure and in its convention.

    A limit on the largest value goes before one on another statistic; of a limit on a share of
    area it is the value that the share may exceed.
    """
    found: list[tuple[bool, float]] = []
    for reason in summary.get("reasons") or []:
        limit = reason.get("limit") or {}
        if not is_about(limit, style):
            continue
        value = limit.get("limit" if limit.get("unit") == style.unit else "threshold")
        if value is not None:
            found.append((limit.get("statistic") != "max", float(value)))
    return min(found)[1] if found else None
