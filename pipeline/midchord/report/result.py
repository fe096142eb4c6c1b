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
    "GENERAL_ZONES",
    "NO_GLASS_QUALITY",
    "MapLimit",
    "Worst",
    "clear_values",
    "decisive",
    "edge_zone_x_mm",
    "is_about",
    "limit_of",
    "map_limit",
    "scaled_values",
    "size_mm",
    "summary_of",
    "worst_of",
    "zone_boxes",
]

CLEAR, NEAR = 0, 1
NO_GLASS_QUALITY = 4
GENERAL_ZONES = ("clear", "all")
"""Zones whose limit may stand on a picture of the whole lite without a further word."""

VERDICTS = ("within", "undecided", "outside")


@dataclass(frozen=True)
class Worst:
    """Where a figure is largest (in magnitude) in a zone, and how large."""

    x_mm: float
    y_mm: float
    value: float
    uncertainty: float | None
    zone: str = "clear"


@dataclass(frozen=True)
class MapLimit:
    """The limit that a map shows, in the unit of its figure, and the zone that it holds for."""

    value: float
    zone: str = "all"
    ends_mm: float | None = None

    @property
    def is_general(self) -> bool:
        return self.zone in GENERAL_ZONES


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


def scaled_values(maps: xr.Dataset, name: str) -> npt.NDArray[np.float64]:
    """(x, y): the figure at the points that set its scale: clear and near ones, if it has any.

    Height has no figure that edge lift could drown, so all of its points count.
    """
    values = maps[name].values.astype(np.float64)
    if name == "height":
        return values
    inner = np.where(maps["zone"].values <= NEAR, values, np.nan)
    return inner if np.isfinite(inner).any() else values


def worst_of(maps: xr.Dataset, style: FigureStyle) -> Worst | None:
    """The worst point: that of the limit that decides on this figure, in the zone of that limit.

    Without a limit: of the clear points, from the summary where it knows one. None where the
    figure has no value, or where large is not bad (wavelength, gain, height).
    """
    marked = style.name in ("power_x", "power_y", "reading", "residual")
    if not marked and (style.scale != "amount" or style.summary is None):
        return None
    judged = _worst_judged(maps, style)
    if judged is not None:
        return judged
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


def _worst_judged(maps: xr.Dataset, style: FigureStyle) -> Worst | None:
    reason = decisive(summary_of(maps), style)
    place = None if reason is None else reason.get("place")
    if reason is None or not place:
        return None
    limit, at = reason["limit"], {"x": place["x_mm"], "y": place["y_mm"]}
    zone = str(limit.get("zone") or "clear")
    value = float(maps[style.name].sel(at, method="nearest"))
    doubt: float | None = None
    if limit.get("statistic") == "max":
        if style.scale == "amount" and reason.get("value") is not None:
            value = float(reason["value"])
        doubt = reason.get("uncertainty")
    elif f"u_{style.name}" in maps:
        doubt = float(maps[f"u_{style.name}"].sel(at, method="nearest"))
    if not np.isfinite(value):
        return None
    return Worst(place["x_mm"], place["y_mm"], value, doubt, zone)


def is_about(limit: Mapping[str, Any], style: FigureStyle) -> bool:
    """Whether a limit, as a reason of the verdict states it, is on this figure.

    "distortion" and "depth" count only with the convention; a figure without one has none.
    No limit is on a map of uncertainties.
    """
    named, convention = limit.get("figure"), limit.get("convention")
    if style.is_uncertainty or convention != style.convention:
        return False
    return named in (style.name, style.summary) or (
        style.convention is not None and named == style.name.rsplit("_", 1)[-1]
    )


def decisive(summary: Mapping[str, Any], style: FigureStyle) -> Mapping[str, Any] | None:
    """Of the limits on this figure the one that speaks most against the lite.

    Among equals: the least sure to be kept, then the first of the limits file.
    """
    own = [r for r in summary.get("reasons") or [] if is_about(r.get("limit") or {}, style)]

    def rank(reason: Mapping[str, Any]) -> tuple[int, float]:
        verdict = str(reason.get("verdict"))
        probability = reason.get("conformance_probability")
        return (
            -VERDICTS.index(verdict) if verdict in VERDICTS else 0,
            1.0 if probability is None else float(probability),
        )

    return min(own, key=rank, default=None)


def _value_on_map(limit: Mapping[str, Any], style: FigureStyle) -> float | None:
    """A limit as a value of the figure; of one on a share of area: what the share may exceed."""
    value = limit.get("limit" if limit.get("unit") == style.unit else "threshold")
    return None if value is None else float(value)


def map_limit(summary: Mapping[str, Any], style: FigureStyle) -> MapLimit | None:
    """The limit that a map of the figure shows: the one that decides, with its zone."""
    reason = decisive(summary, style)
    limit = (reason or {}).get("limit") or {}
    value = _value_on_map(limit, style)
    if value is None:
        return None
    return MapLimit(value, str(limit.get("zone") or "clear"), limit.get("ends_mm"))


def limit_of(summary: Mapping[str, Any], style: FigureStyle) -> float | None:
    """The limit that holds for the whole lite or its clear zone, in the unit of this figure.

    A limit on the largest value goes before one on another statistic.
    """
    found: list[tuple[bool, float]] = []
    for reason in summary.get("reasons") or []:
        limit = reason.get("limit") or {}
        if not is_about(limit, style) or str(limit.get("zone") or "clear") not in GENERAL_ZONES:
            continue
        value = _value_on_map(limit, style)
        if value is not None:
            found.append((limit.get("statistic") != "max", value))
    return min(found)[1] if found else None


def zone_boxes(
    maps: xr.Dataset, zone: str, ends_mm: float | None
) -> list[tuple[float, float, float, float]]:
    """Rectangles (x from, y from, x to, y to; mm) around a zone that is no general one."""
    summary = summary_of(maps)
    length, width = size_mm(maps)
    if ends_mm is not None:
        side = float(summary.get("settings", {}).get("zones", {}).get("edge_y_mm", 0.0))
        low, high = side, width - side
        if zone == "middle":
            return [(ends_mm, low, length - ends_mm, high)]
        return [(0.0, low, ends_mm, high), (length - ends_mm, low, length, high)]
    return [
        (cell["x_from_mm"], cell["y_from_mm"], cell["x_to_mm"], cell["y_to_mm"])
        for cell in summary.get("zones") or []
        if cell["name"] == zone and zone.startswith("r")
    ]
