"""A limits file: what a contract asks of a lite, said so that it cannot be misread.

"Roll wave at most 0.1 mm" is no limit yet. It becomes one when it also says

- **which figure**: depth, distortion, wavelength, reflected power, bow or edge lift;
- **by which convention**: ``gauge`` (swing of a three-point gauge) or ``surface`` (true peak to
  valley). At feet half a wavelength apart the first is twice the second, so a limit on depth or
  distortion without its convention is refused;
- **which statistic** of the figure **over which zone** of the lite;
- **in which unit**: the unit is part of the key, ``limit_mm``, ``limit_mdpt`` ...;
- **from where**: the source of the number.

All limits are upper limits. Zones:

==================  ================================================================================
``clear``           all three contacts of the gauge outside the edge zones of the settings
``near``            only the plunger outside them; ``edge``: the plunger inside; ``all``: all glass
``middle``          further than ``ends_mm`` from the leading and the trailing edge
``ends``            nearer than ``ends_mm`` to one of the two (both: clear of the side edges)
``r1c1`` ...        clear points of a cell of the zone table: r from leading, c from left edge
``leading`` ...     bow and edge lift only: one edge, ``diagonals`` (bow), or ``all``
==================  ================================================================================

Bow and edge lift of a lite as it lay under the scanner are not those of the standards (bow: lite
upright; edge lift: edge overhanging its support). Such a limit must declare
``as_supported = true``: it is then a limit of the plant's own, never a verdict by a standard.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from midchord_io.errors import SettingsError
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "EDGES",
    "FIGURES",
    "GRID_ZONE",
    "Limit",
    "Limits",
    "check_grid",
    "limits_of",
    "load_limits",
]

FIGURES: Mapping[str, tuple[str, ...]] = {
    "depth": ("mm",),
    "distortion": ("mdpt",),
    "wavelength": ("mm",),
    "power_x": ("mdpt",),
    "power_y": ("mdpt",),
    "bow": ("mm", "mm_per_m"),
    "edge_lift": ("mm",),
}
"""Figure to the units that a limit on it may have."""

EDGES = ("leading", "trailing", "left", "right")
UNITS = ("mm", "mdpt", "mm_per_m", "percent")
GRID_ZONE = re.compile(r"r([1-9]\d?)c([1-9]\d?)")
MAP_ZONES = ("clear", "near", "edge", "all", "middle", "ends")

Amount = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, pattern=r"\S")]


class Limit(Strict):
    """One upper limit.

    threshold_*    for ``share_over``: the share of the zone above it is limited
    ends_mm        for the zones ``middle`` and ``ends``
    uncertainty_*  standard uncertainty, for figures of which one scan cannot tell it
    as_supported   bow and edge lift: the limit is meant for the lite as it lay in the scan
    """

    model_config = ConfigDict(strict=True)  # no text where a number is meant

    figure: Literal["depth", "distortion", "wavelength", "power_x", "power_y", "bow", "edge_lift"]
    statistic: Literal["max", "p95", "mean", "min", "share_over"]
    zone: Text
    source: Text
    convention: Literal["gauge", "surface"] | None = None
    limit_mm: Amount | None = None
    limit_mdpt: Amount | None = None
    limit_mm_per_m: Amount | None = None
    limit_percent: Annotated[float, Field(ge=0, lt=100)] | None = None
    threshold_mm: Amount | None = None
    threshold_mdpt: Amount | None = None
    uncertainty_mm: Amount | None = None
    uncertainty_mdpt: Amount | None = None
    uncertainty_mm_per_m: Amount | None = None
    ends_mm: Amount | None = None
    as_supported: bool = False

    @model_validator(mode="after")
    def _cannot_be_misread(self) -> Self:
        for rule in (_figure_fault, _unit_fault, _zone_fault):
            fault = rule(self)
            if fault:
                raise ValueError(f"{self.figure} {fault[0]}: {fault[1]}")
        return self

    @property
    def unit(self) -> str:
        return _units_given(self, "limit")[0]

    @property
    def limit(self) -> float:
        return float(getattr(self, f"limit_{self.unit}"))

    @property
    def threshold(self) -> float | None:
        given = _units_given(self, "threshold")
        return float(getattr(self, f"threshold_{given[0]}")) if given else None

    @property
    def uncertainty(self) -> float | None:
        given = _units_given(self, "uncertainty")
        return float(getattr(self, f"uncertainty_{given[0]}")) if given else None

    @property
    def variable(self) -> str:
        """Name of the map it is judged on."""
        if self.figure == "depth":
            return "depth" if self.convention == "gauge" else "surface_depth"
        if self.figure == "distortion":
            return f"{self.convention}_distortion"
        return self.figure


class Limits(Strict):
    """A whole limits file.

    headline                the figure shown first, because contracts differ
    least_coverage_percent  measured share of its zone that a figure needs to be called within
    """

    name: Text
    headline: Literal["depth", "surface_depth", "gauge_distortion", "surface_distortion"]
    least_coverage_percent: Annotated[float, Field(ge=0, le=100)]
    limit: Annotated[tuple[Limit, ...], Field(min_length=1)]


def load_limits(path: str | Path) -> Limits:
    """The limits of a TOML file. Raises SettingsError naming the file, the limit and the fault."""
    return limits_of(load_toml(path), where=str(path))


def limits_of(values: Mapping[str, Any], *, where: str = "limits") -> Limits:
    """Limits from the tables of a limits file. Raises SettingsError."""
    return validated(Limits, values, where=where)


def check_grid(limits: Limits, *, grid_x: int, grid_y: int) -> None:
    """Raises SettingsError for a limit on a cell that the zone table of these settings lacks."""
    for limit in limits.limit:
        cell = GRID_ZONE.fullmatch(limit.zone)
        if cell and (int(cell[1]) > grid_x or int(cell[2]) > grid_y):
            raise SettingsError(
                limits.name,
                found=f"a limit for the zone {limit.zone!r}",
                needed=f"the zone table has r1c1 to r{grid_x}c{grid_y}",
                do="name one of those, or set grid_x and grid_y in the settings",
            )


def _units_given(limit: Limit, what: str) -> list[str]:
    return [unit for unit in UNITS if getattr(limit, f"{what}_{unit}", None) is not None]


def _figure_fault(limit: Limit) -> tuple[str, str] | None:
    has_two = limit.figure in ("depth", "distortion")
    lies = limit.figure in ("bow", "edge_lift")
    if has_two and limit.convention is None:
        return "has no convention", (
            'convention = "gauge" (swing of a three-point gauge) or "surface" (true peak to '
            "valley): the first is up to twice the second"
        )
    if not has_two and limit.convention is not None:
        return f"has the convention {limit.convention!r}", (
            f"{limit.figure} is the same by either, so none is given"
        )
    if lies and not limit.as_supported:
        return "is meant as a standard means it", (
            "bow and edge lift are figures of the lite as it lay in the scan, never a verdict by "
            "a standard, so a limit of your own says as_supported = true"
        )
    if not lies and limit.as_supported:
        return "says as_supported", "that key belongs to bow and edge_lift"
    if lies and limit.statistic not in ("max", "mean"):
        return f"has the statistic {limit.statistic!r}", "max or mean over the edges"
    if limit.figure == "bow" and limit.statistic != "max":
        return f"has the statistic {limit.statistic!r}", "bow is one figure an edge: max"
    return None


def _unit_fault(limit: Limit) -> tuple[str, str] | None:
    own = FIGURES[limit.figure]
    share = limit.statistic == "share_over"
    allowed = ("percent",) if share else own
    given = _units_given(limit, "limit")
    needed = " or ".join(f"limit_{unit}" for unit in allowed)
    if len(given) != 1 or given[0] not in allowed:
        found = ", ".join(f"limit_{unit}" for unit in given) or "no limit"
        return f"has {found}", f"a limit on its {limit.statistic} is given as {needed}"
    thresholds = _units_given(limit, "threshold")
    if share and thresholds != list(own):
        return "has no threshold in its unit", f"share_over needs threshold_{own[0]}"
    if not share and thresholds:
        return "has a threshold", 'a threshold belongs to statistic = "share_over"'
    unit = own[0] if share else given[0]
    uncertainties = _units_given(limit, "uncertainty")
    if uncertainties not in ([], [unit]):
        return f"has uncertainty_{uncertainties[0]}", f"uncertainty_{unit}"
    if limit.figure in ("bow", "edge_lift", "power_x", "power_y") and not uncertainties:
        return "has no uncertainty", (
            f"uncertainty_{unit}, the standard uncertainty from repeated scans: one scan cannot "
            "tell it for this figure"
        )
    return None


def _zone_fault(limit: Limit) -> tuple[str, str] | None:
    if limit.figure == "bow":
        names: tuple[str, ...] = (*EDGES, "diagonals", "all")
    elif limit.figure == "edge_lift":
        names = (*EDGES, "all")
    else:
        names = (*MAP_ZONES, "r1c1")
        if GRID_ZONE.fullmatch(limit.zone):
            names = (*names, limit.zone)
    if limit.zone not in names:
        near = difflib.get_close_matches(limit.zone, names, n=1)
        hint = f" (did you mean {near[0]!r}?)" if near else ""
        return f"has the zone {limit.zone!r}{hint}", f"one of {', '.join(names)}"
    if (limit.zone in ("middle", "ends")) != (limit.ends_mm is not None):
        return (
            ("has no ends_mm", f"the zone {limit.zone!r} needs it")
            if limit.ends_mm is None
            else ("has ends_mm", "it belongs to the zones 'middle' and 'ends'")
        )
    return None
