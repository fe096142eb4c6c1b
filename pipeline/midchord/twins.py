"""The virtual twin of a hand gauge: the sweep that its card names, on the glass that it stood on.

======================  =================  ====================================================
kind                    needs              swept by
======================  =================  ====================================================
``three-point``         ``half_span_mm``   the three-point reading; ``short-feet`` is the same
``short-feet``                             gauge with its feet pushed together, a curvature meter
``flat-base``           ``base_mm``        plunger against a base that rides on the peaks
``straight-edge``       ``base_mm``        largest gap below a rule of that length
``edge-lift``           ``base_mm``        a rule on the crests next to an edge, read over it
======================  =================  ====================================================

Twins are swept over the placed height with bow and edge lift in, because the hand gauge saw them.
A gauge on the lower face sees the glass from the other side: crests are its valleys, so its twin
is swept over -z. Readings of different kinds are never pooled.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar

import numpy.typing as npt
import xarray as xr

from midchord.gauge import sweep_gauge
from midchord.gauges.edge_lift_gauge import sweep_edge_lift
from midchord.gauges.hull_gauges import checked_length_mm, sweep_flat_base, sweep_straight_edge
from midchord_io.errors import SettingsError
from midchord_io.scan import FACES, like

__all__ = ["KINDS", "quantised", "short_feet_power_mdpt", "sweep_twin"]

ON_FEET = ("three-point", "short-feet")
KINDS = (*ON_FEET, "flat-base", "straight-edge", "edge-lift")

Readings = TypeVar("Readings", xr.DataArray, npt.NDArray[Any])


def sweep_twin(
    height: xr.DataArray,
    *,
    kind: str,
    half_span_mm: float | None = None,
    base_mm: float | None = None,
    along: str = "x",
    face: str = "upper",
) -> xr.DataArray:
    """Reading of the twin of a hand gauge at every point.

    height        (x, y), mm, placed, nothing removed; NaN where not measured
    kind          one of KINDS
    half_span_mm  plunger to foot, of the kinds on feet
    base_mm       length of base or straight edge, of the others
    along         "x" or "y": direction of the gauge
    face          "upper" or "lower": the face that it stands on
    returns       (x, y), mm, same grid, unrounded; + = away from the glass for all but the
                  straight edge, whose gap is never negative; NaN where a contact is off the glass
    Raises        SettingsError for an unknown kind or lengths that are not this kind's,
                  LiteTooSmall where the gauge is longer than the lite
    Source        as of each sweep
    """
    _check_kind(kind, half_span_mm, base_mm, face)
    seen = height if face == "upper" else -height
    sweeps: dict[str, Callable[[float], xr.DataArray]] = {
        "three-point": lambda a: _three_point(seen, a, along),
        "short-feet": lambda a: _three_point(seen, a, along),
        "flat-base": lambda b: sweep_flat_base(seen, base_mm=b, along=along),
        "straight-edge": lambda s: sweep_straight_edge(seen, length_mm=s, along=along),
        "edge-lift": lambda s: sweep_edge_lift(seen, length_mm=s, along=along),
    }
    length_mm = half_span_mm if kind in ON_FEET else base_mm
    assert length_mm is not None  # checked above
    return sweeps[kind](length_mm)


def short_feet_power_mdpt(reading: xr.DataArray, *, half_span_mm: float) -> xr.DataArray:
    """Reflected power along the feet from three-point readings, P = -4 r / a^2.

    reading  mm; returns mdpt on the same grid. True for a much shorter than the wave: a wave
    comes out too small by 2 (1 - cos q) / q^2, q = 2 pi a / L, 0.967 at a = L/10, 0.811 at L/4.
    """
    return like(
        reading,
        reading.values * (-4e6 / half_span_mm**2),
        name="power",
        units="mdpt",
        long_name=f"reflected power by feet {half_span_mm:g} mm from the plunger",
    )


def quantised(reading: Readings, resolution_mm: float) -> Readings:
    """Readings as a dial of this resolution shows them, to its nearest step.

    Raises SettingsError for a resolution that is not positive
    """
    if not (math.isfinite(resolution_mm) and resolution_mm > 0):
        raise SettingsError(
            "gauge",
            found=f"a resolution of {resolution_mm:g} mm",
            needed="a positive step of the dial",
            do="correct resolution_mm",
        )
    # tenths and thousandths are no binary fractions: divide by whole steps a mm where there are
    steps_a_mm = 1.0 / resolution_mm
    whole = round(steps_a_mm)
    if whole >= 1 and abs(steps_a_mm - whole) < 1e-9 * steps_a_mm:
        return (reading * whole).round() / whole
    return (reading / resolution_mm).round() * resolution_mm


def _check_kind(kind: str, half_span_mm: float | None, base_mm: float | None, face: str) -> None:
    if kind not in KINDS:
        raise SettingsError(
            "gauge",
            found=f"the kind {kind!r}",
            needed=f"one of {', '.join(KINDS)}",
            do="correct the kind",
        )
    if face not in FACES:
        raise SettingsError(
            "gauge",
            found=f"the face {face!r}",
            needed=f"one of {', '.join(FACES)}",
            do="correct the face",
        )
    wanted, other = ("half_span_mm", "base_mm") if kind in ON_FEET else ("base_mm", "half_span_mm")
    given = {"half_span_mm": half_span_mm, "base_mm": base_mm}
    if given[wanted] is None or given[other] is not None:
        named = [name for name, value in given.items() if value is not None]
        raise SettingsError(
            "gauge",
            found=f"the kind {kind!r} with {' and '.join(named) or 'no length'}",
            needed=f"{wanted} alone",
            do=f"give {wanted}",
        )


def _three_point(height: xr.DataArray, half_span_mm: float, along: str) -> xr.DataArray:
    checked_length_mm(height, 2 * half_span_mm, along, what="the feet")
    if along == "x":
        return sweep_gauge(height, half_span_mm=half_span_mm)
    turned = height.rename({"x": "y", "y": "x"}).transpose("x", "y")
    reading = sweep_gauge(turned, half_span_mm=half_span_mm)
    return like(
        height,
        reading.values.T,
        name="reading",
        units="mm",
        long_name="three-point reading, feet along y",
    )
