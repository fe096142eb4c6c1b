"""The edge-lift gauge: a straight edge on the crests next to an edge, read at the edge itself.

A rule that lay on the hull of the whole profile would touch the tip of a rim that stands up, and
show nothing there. So it lies on the glass further in, and what it does there is extended::

     edge
      |\\ +                crest               crest
      | \\ . . . . . . . . .*===================*=================.   rule of length S
      |   '--._         .-' '-.             .-' '-.           .-' |
      |        '-.___.-'       '-._______.-'       '-._____.-'    |
      |--------|----------------------|---------------------------|
    d = 0    clear                   S/2                          S

- Its tip is flush with the edge, so it reaches from d = 0 to d = S, d counted from the rim of the
  glass in that very line, square to the edge.
- It may touch the glass from d = ``clear_mm`` on: nearer, the rim is lifted.
- The crests: of the upper convex hull of the profile from there to S, the segment next to the
  edge that bridges at least ``bridge_mm`` from one crest to another. An end of the profile is no
  crest, and two grains of one crest, which would set no direction, are too close to bridge. The
  rule is held down on those two.
- Where no two crests carry it (a dish, a single crest) it lies as it falls: on the bridging
  segment under its centre of gravity, d = S/2, or the nearest, ends included; where nothing is
  bridged at all (a smooth dome) on the hull at S/2, in the middle of what the hull allows there.
- The reading is z(d) less the extended rule at a stated inset d: positive where the edge stands
  up. The last millimetres are rarely measured.

Overall bow is in the reading, because it is in the glass that a hand gauge lies on. What is not
measured is treated as by the other gauges that ride on the peaks (``profile_hull``).

Source: the straight edge on the crests of EN 12150-1:2015, where the edge overhangs its support
by 50 to 100 mm (as restated in a manufacturer's tolerance handbook); which crests, is ours.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.detrending.edge_lift import EDGES, Rims, edge_distances
from midchord.gauge import height_at
from midchord.gauges.hull_gauges import LARGEST_DROPOUT_MM, checked_length_mm
from midchord.gauges.profile_hull import (
    ON_SAMPLE,
    hidden_heights,
    resting_line,
    sticks_out,
    upper_hull,
)
from midchord_io.errors import LiteTooSmall, SettingsError
from midchord_io.scan import like

__all__ = ["BRIDGE_MM", "CLEAR_MM", "edge_lift_gauge", "sweep_edge_lift"]

Floats = npt.NDArray[np.float64]

CLEAR_MM = 100.0
"""Where the support of an overhanging edge begins at the latest (EN 12150-1, see the head)."""

BRIDGE_MM = 75.0
"""Crests of the shortest roll wave, 120 mm, are farther apart; grains of one crest are not: under
noise of 5 um they stand some sqrt(8 R 0.005) = 35 mm apart on a crest of radius R = 30 m."""


def edge_lift_gauge(
    height: xr.DataArray,
    *,
    length_mm: float,
    inset_mm: float,
    clear_mm: float = CLEAR_MM,
    bridge_mm: float = BRIDGE_MM,
    rims: Rims | None = None,
    largest_dropout_mm: float = LARGEST_DROPOUT_MM,
) -> dict[str, xr.DataArray]:
    """Edge lift along each of EDGES as a straight edge shows it.

    height              (x, y), mm, even pitch; NaN where not measured
    length_mm           of the straight edge
    inset_mm            how far inside the edge the gap is read
    clear_mm            how far inside the edge the glass begins to carry the rule
    bridge_mm           least distance of the two crests that carry it
    rims                where the glass begins and ends; none: half a pitch beyond the grid
    largest_dropout_mm  longer stretches that were not measured, under the rule, give no reading
    returns             by EDGES: leading, trailing (y,), left, right (x,); mm, + = stands up; NaN
                        where the inset or the rule is not on measured glass
    Raises              SettingsError for lengths that do not fit each other, LiteTooSmall where the
                        rule is longer than the lite both ways
    Source              see the module's head
    """
    _check(height, length_mm, inset_mm, clear_mm, bridge_mm)
    both = {"x": ("leading", "trailing"), "y": ("left", "right")}
    if length_mm > max(float(height[axis][-1] - height[axis][0]) for axis in both):
        raise LiteTooSmall(
            str(height.attrs.get("lite_id", "lite")),
            found=f"glass shorter than {length_mm:.0f} mm both ways",
            needed=f"at least the length of a straight edge, {length_mm:.0f} mm",
            do="use a shorter one or a larger scan",
        )
    used = _rims(height) if rims is None else rims
    profiles = {}
    for axis, edges in both.items():
        other = "y" if axis == "x" else "x"
        for edge in edges:
            lift = _rules(
                height, edge, used, length_mm, inset_mm, clear_mm, bridge_mm, largest_dropout_mm
            )[2]
            profiles[edge] = xr.DataArray(
                lift.astype(np.float32),
                dims=(other,),
                coords={other: height[other]},
                name="edge_lift",
                attrs={
                    "units": "mm",
                    "long_name": f"edge lift of the {edge} edge, {inset_mm:g} mm inside it, "
                    f"below a straight edge of {length_mm:g} mm",
                },
            )
    return profiles


def sweep_edge_lift(
    height: xr.DataArray,
    *,
    length_mm: float,
    along: str = "x",
    clear_mm: float = CLEAR_MM,
    bridge_mm: float = BRIDGE_MM,
    rims: Rims | None = None,
    largest_dropout_mm: float = LARGEST_DROPOUT_MM,
) -> xr.DataArray:
    """How far every point of a rim stands above the rule that is laid over it.

    height              (x, y), mm, even pitch; NaN where not measured
    along               "x": the rule lies across the leading and trailing edge; "y": across the
                        side edges
    others              as of ``edge_lift_gauge``
    returns             (x, y), mm, same grid, + = above the rule; NaN further than clear_mm inside
                        the edges (of two edges the nearer counts) and where there is no reading
    Raises              SettingsError for lengths that do not fit each other, LiteTooSmall where the
                        rule is longer than the lite
    Source              see the module's head
    """
    checked_length_mm(height, length_mm, along, what="a straight edge")
    _check(height, length_mm, 0.0, clear_mm, bridge_mm)
    used = _rims(height) if rims is None else rims
    x_mm, y_mm = height["x"].values, height["y"].values
    distances = dict(zip(EDGES, edge_distances(used, x_mm, y_mm), strict=True))
    edges = ("leading", "trailing") if along == "x" else ("left", "right")
    z = height.transpose("x", "y").values
    lift = np.full(z.shape, np.nan)
    nearest = np.full(z.shape, clear_mm)
    for edge in edges:
        at_edge, slope, _ = _rules(
            height, edge, used, length_mm, 0.0, clear_mm, bridge_mm, largest_dropout_mm
        )
        d = distances[edge]
        is_here = (d >= 0) & (d < nearest)
        if along == "y":
            at_edge, slope = at_edge[:, np.newaxis], slope[:, np.newaxis]
        rule = at_edge + slope * d
        lift = np.where(is_here, z - rule, lift)
        nearest = np.where(is_here, d, nearest)
    values = lift.astype(np.float32)
    return like(
        height,
        values if height.dims == ("x", "y") else np.ascontiguousarray(values.T),
        name="reading",
        units="mm",
        long_name=f"height above a straight edge of {length_mm:g} mm laid over the edge",
    )


def _check(
    height: xr.DataArray, length_mm: float, inset_mm: float, clear_mm: float, bridge_mm: float
) -> None:
    lengths = (length_mm, inset_mm, clear_mm, bridge_mm)
    fits = 0 <= inset_mm < clear_mm < 0.5 * length_mm and 0 < bridge_mm <= length_mm - clear_mm
    if not (fits and math.isfinite(length_mm)):
        raise SettingsError(
            "edge-lift gauge",
            found="a straight edge of {:g} mm, read {:g} mm inside the edge, carried from {:g} mm "
            "on by crests at least {:g} mm apart".format(*lengths),
            needed="inset < clear < half the length, and room for the crests from clear on",
            do="correct length_mm, inset_mm, clear_mm or bridge_mm",
        )


def _rims(height: xr.DataArray) -> Rims:
    x_mm, y_mm = height["x"].values, height["y"].values
    return Rims.of(np.ones((x_mm.size, y_mm.size), dtype=np.bool_), x_mm, y_mm)


def _rules(
    height: xr.DataArray,
    edge: str,
    rims: Rims,
    length_mm: float,
    inset_mm: float,
    clear_mm: float,
    bridge_mm: float,
    largest_dropout_mm: float,
) -> tuple[Floats, Floats, Floats]:
    """Per line square to the edge: the rule's height at the rim, its slope (mm per mm inwards),
    and how far the glass stands above it at the inset."""
    along = "x" if edge in ("leading", "trailing") else "y"
    at_mm = height[along].values
    pitch_mm = float(at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    lines = height.transpose("y" if along == "x" else "x", along).values
    if edge in ("leading", "left"):
        rim_mm = (rims.leading_x if edge == "leading" else rims.left_y) - at_mm[0]
    else:
        rim_mm = at_mm[-1] - (rims.trailing_x if edge == "trailing" else rims.right_y)
        lines = lines[:, ::-1]
    lengths = np.array([length_mm, inset_mm, clear_mm, bridge_mm, largest_dropout_mm]) / pitch_mm
    at_edge, slope, lift = _lay(np.ascontiguousarray(lines), rim_mm / pitch_mm, lengths)
    return at_edge, slope / pitch_mm, lift


@nb.njit(cache=True)
def _seated(xs: Any, zs: Any, count: int, centre: float, bridge: float) -> Any:
    """The rule on the crests next to the edge: a point of it and its slope."""
    nearest, at = np.inf, -1
    for k in range(count - 1):
        if xs[k + 1] - xs[k] < bridge:
            continue
        if k > 0 and k + 2 < count:
            at = k
            break
        off = max(xs[k] - centre, centre - xs[k + 1], 0.0)
        if off < nearest:
            nearest, at = off, k
    if at < 0:
        x, z, slope, _, _ = resting_line(xs, zs, count, centre)
        return x, z, slope
    return xs[at], zs[at], (zs[at + 1] - zs[at]) / (xs[at + 1] - xs[at])


@nb.njit(cache=True, parallel=True)
def _lay(lines: Any, rims: Any, lengths: Any) -> Any:
    """Rules on lines (line, position) that begin at an edge; all lengths in samples."""
    count, n = lines.shape
    length, inset, clear, bridge, largest = lengths
    at_edge, slopes = np.full(count, np.nan), np.full(count, np.nan)
    lift = np.full(count, np.nan)
    for row in nb.prange(count):
        z = lines[row].astype(np.float64)
        column = z.reshape(n, 1)
        rim = rims[row]
        low, high = rim + clear, rim + length
        if low < -ON_SAMPLE or high > n - 1 + ON_SAMPLE:
            continue
        k_low, k_high = int(np.floor(low + ON_SAMPLE)), int(np.floor(high + ON_SAMPLE))
        z_low = height_at(column, k_low, low - k_low, 0)
        z_high = height_at(column, k_high, high - k_high, 0)
        if not (np.isfinite(z_low) and np.isfinite(z_high)):
            continue
        highest, lowest = np.empty(n), np.empty(n)
        hidden_heights(z, largest, highest, lowest)
        room = int(np.ceil(high - low)) + 4
        xs, zs = np.empty(room), np.empty(room)
        vertices = upper_hull(z, low, z_low, high, z_high, xs, zs)
        x0, z0, slope = _seated(xs, zs, vertices, rim + 0.5 * length, bridge)
        if sticks_out(highest, int(np.ceil(low - ON_SAMPLE)), k_high, x0, z0, slope) >= 0:
            continue
        at_edge[row] = z0 + slope * (rim - x0)
        slopes[row] = slope
        at = rim + inset
        k = int(np.floor(at + ON_SAMPLE))
        if k >= 0 and at <= n - 1 + ON_SAMPLE:
            lift[row] = height_at(column, k, at - k, 0) - (at_edge[row] + slope * inset)
    return at_edge, slopes, lift
