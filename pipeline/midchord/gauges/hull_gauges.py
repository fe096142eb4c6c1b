"""Gauges that ride on the peaks: the straight edge and the flat-base gauge.

A rigid base laid on glass touches it from above, so it rests on the upper convex hull of the
profile below it, on the hull's segment under its centre of gravity. The window's ends are the
ends of the base::

          contact                   contact
    =========*=========================*=====   rule, centred on c, length S
          .-' '-.         c         .-' '-.
    ___.-'       '-._     |     _.-'       '    gap: from the rule down to the glass
                     '--__|__--'

    straight edge   the largest gap below the rule, or the gap at one place of it
    flat base       a plunger in the middle: z(c) - hull(c), never positive

On z = A cos(2 pi x / L) the flat base reads from 0 on a crest to -2A in a valley once B >= L,
and down to -A (1 - cos(pi B / L)) below: the true peak-to-valley, once. The dial of a three-point
gauge swings through 2 A G, G = 1 - cos(2 pi a / L). With the same reach, B = 2a, that is exactly
twice the flat base up to B = L, and G times it beyond. So readings of the two are never pooled.

On a crest under its centre a rule may tip either way. It is taken in the middle of what the crest
allows, with the mean slope of the two hull segments that meet there: on a smooth dome that is the
tangent. Tipped like that, the gap below the whole rule may exceed the wave's own depth; the gap
between the contacts never does.

The ends of the base must stand on measured glass. Where a contact may hide in a dropout, where a
dropout under the base is longer than ``largest_dropout_mm`` and where the window leaves the glass
there is no reading (``profile_hull``).

Noise lifts every such reading, because the peaks that are touched are the noise's own: with white
noise of 5 um at 1 mm pitch the flat base of 300 mm reads some 10 um too deep in the valleys of a
wave with A = 0.05 mm, L = 240 mm, and the largest gap is some 20 um too large. After a local fit
of 20 mm half-width (``lines``) 1 and 2 um are left.

The contacts are points. A ball of radius R stands off a slope s by R s^2 / 2: at R = 5 mm on a
wave of A = 0.05 mm, L = 240 mm that is 4 nm, a thousandth of what any of these gauges resolves.

Source: geometry.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.gauge import height_at
from midchord.gauges.profile_hull import (
    ON_SAMPLE,
    hidden_heights,
    resting_line,
    sticks_out,
    upper_hull,
)
from midchord_io.errors import LiteTooSmall, SettingsError
from midchord_io.scan import like

__all__ = [
    "LARGEST_DROPOUT_MM",
    "checked_length_mm",
    "sweep_flat_base",
    "sweep_straight_edge",
]

LARGEST_DROPOUT_MM = 20.0
"""A valley of a 240 mm wave that lies in a longer dropout may be deeper than what is measured
beside it by more than 2 % of the depth."""

RULE, CONTACTS, PLACE = 0, 1, 2


def sweep_straight_edge(
    height: xr.DataArray,
    *,
    length_mm: float,
    along: str = "x",
    gap_at_mm: float | None = None,
    between_contacts: bool = False,
    largest_dropout_mm: float = LARGEST_DROPOUT_MM,
) -> xr.DataArray:
    """Gap below a straight edge centred on every point.

    height              (x, y), mm, even pitch; NaN where not measured
    length_mm           of the straight edge; its ends may lie between samples
    along               "x" or "y": its direction
    gap_at_mm           none: the largest gap; else the gap at this place of the rule, counted from
                        its centre along the axis, at most half its length
    between_contacts    the largest gap between the two contacts alone: what a rule bridges. None
                        is bridged where it balances on one crest: 0
    largest_dropout_mm  longer stretches that were not measured give no reading
    returns             (x, y), mm, same grid, never negative; NaN where the rule leaves the glass
                        or where a contact may be hidden. The largest gap is sought at the samples
                        and the ends; the rule rests on them, too
    Raises              SettingsError for a length or a place that cannot be, LiteTooSmall where
                        the rule is longer than the lite
    Source              geometry; see the module's head
    """
    pitch_mm = checked_length_mm(height, length_mm, along, what="a straight edge")
    place = 0.0
    if gap_at_mm is not None:
        if not abs(gap_at_mm) <= 0.5 * length_mm:
            raise SettingsError(
                "straight edge",
                found=f"a gap asked for {gap_at_mm:g} mm from the centre",
                needed=f"a place on the rule, within {0.5 * length_mm:g} mm",
                do="correct gap_at_mm",
            )
        if between_contacts:
            raise SettingsError(
                "straight edge",
                found="a gap at one place and the largest between the contacts",
                needed="one of the two",
                do="leave out gap_at_mm or between_contacts",
            )
        place = gap_at_mm / pitch_mm
    mode = PLACE if gap_at_mm is not None else CONTACTS if between_contacts else RULE
    gap = _swept(height, along, 0.5 * length_mm, mode, place, largest_dropout_mm)
    where = "largest gap" if gap_at_mm is None else f"gap {gap_at_mm:g} mm from the centre"
    return like(
        height,
        gap,
        name="reading",
        units="mm",
        long_name=f"{where} below a straight edge of {length_mm:g} mm",
    )


def sweep_flat_base(
    height: xr.DataArray,
    *,
    base_mm: float,
    along: str = "x",
    largest_dropout_mm: float = LARGEST_DROPOUT_MM,
) -> xr.DataArray:
    """Reading of a flat-base gauge centred on every point: its plunger against its base.

    height              (x, y), mm, even pitch; NaN where not measured
    base_mm             length of the base, the plunger in its middle
    along               "x" or "y": direction of the base
    largest_dropout_mm  longer stretches that were not measured give no reading
    returns             (x, y), mm, same grid, never positive; NaN where plunger or base leaves the
                        measured glass or where a contact may be hidden
    Raises              SettingsError for a base that is not a positive length, LiteTooSmall where
                        it is longer than the lite
    Source              geometry; see the module's head
    """
    checked_length_mm(height, base_mm, along, what="a base")
    gap = _swept(height, along, 0.5 * base_mm, PLACE, 0.0, largest_dropout_mm)
    return like(
        height,
        0.0 - gap,
        name="reading",
        units="mm",
        long_name=f"reading of a flat-base gauge of {base_mm:g} mm",
    )


def checked_length_mm(height: xr.DataArray, length_mm: float, along: str, *, what: str) -> float:
    """Pitch along the axis, mm, if something of this length fits on the lite.

    Raises SettingsError for an unknown axis or no positive length, LiteTooSmall
    """
    if along not in ("x", "y"):
        raise SettingsError(
            "gauge",
            found=f"{what} along {along!r}",
            needed="along 'x' or 'y'",
            do="correct along",
        )
    at_mm = height[along].values
    extent_mm = float(at_mm[-1] - at_mm[0])
    if not (math.isfinite(length_mm) and length_mm > 0):
        raise SettingsError(
            "gauge",
            found=f"{what} of {length_mm:g} mm",
            needed="a positive length",
            do="correct its length",
        )
    if length_mm > extent_mm + 1e-6:
        raise LiteTooSmall(
            str(height.attrs.get("lite_id", "lite")),
            found=f"{extent_mm:.0f} mm of glass along {along}",
            needed=f"at least the length of {what}, {length_mm:.0f} mm",
            do="use a shorter one or a longer scan",
        )
    return extent_mm / (at_mm.size - 1)


def _swept(
    height: xr.DataArray,
    along: str,
    half_mm: float,
    mode: int,
    place: float,
    largest_dropout_mm: float,
) -> npt.NDArray[np.float32]:
    at_mm = height[along].values
    pitch_mm = float(at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    across = height.get_axis_num(along) == 0
    values = height.values.T if across else height.values
    lines = np.ascontiguousarray(values)
    gap = _sweep(lines, half_mm / pitch_mm, mode, place, largest_dropout_mm / pitch_mm)
    return np.ascontiguousarray(gap.T if across else gap, dtype=np.float32)


@nb.njit(cache=True)
def _deepest(
    lowest: Any, known: int, first: int, last: int, x: float, z: float, slope: float
) -> int:
    """The sample farthest below the line, of ``known`` (-1: none) and first to last."""
    at = known
    gap = z + slope * (known - x) - lowest[known] if known >= 0 else -np.inf
    for k in range(first, last + 1):
        below = z + slope * (k - x) - lowest[k]
        if below > gap:
            gap, at = below, k
    return at


@nb.njit(cache=True, parallel=True)
def _sweep(lines: Any, half: float, mode: int, place: float, largest: float) -> Any:
    """Gaps (line, position) below rules that reach ``half`` samples either side of each."""
    count, n = lines.shape
    out = np.full((count, n), np.nan, dtype=np.float32)
    for row in nb.prange(count):
        _sweep_line(lines[row], half, mode, place, largest, out[row])
    return out


@nb.njit(cache=True)
def _sweep_line(
    heights: Any, half: float, mode: int, place: float, largest: float, out: Any
) -> None:
    n = heights.size
    z = heights.astype(np.float64)
    column = z.reshape(n, 1)
    highest, lowest = np.empty(n), np.empty(n)
    hidden_heights(z, largest, highest, lowest)
    is_complete = np.isfinite(z).all()
    room = int(np.ceil(2 * half)) + 4
    xs, zs = np.empty(room), np.empty(room)
    x0, z0, slope, contact_low, contact_high = 0.0, 0.0, 0.0, 0.0, 0.0
    is_bridge, seen, doubt, deepest = False, -1, -1, -1
    for i in range(n):
        low, high = i - half, i + half
        if low < -ON_SAMPLE or high > n - 1 + ON_SAMPLE:
            continue
        first, last = int(np.ceil(low - ON_SAMPLE)), int(np.floor(high + ON_SAMPLE))
        k_low = int(np.floor(low + ON_SAMPLE))
        z_low = height_at(column, k_low, low - k_low, 0)
        z_high = height_at(column, last, high - last, 0)
        if not (np.isfinite(z_low) and np.isfinite(z_high)):
            continue
        # the rule of the place before stays if both contacts do and nothing new rises above it
        stays = is_bridge and contact_low >= first and contact_low < i and contact_high > i
        if stays:
            stays = z_low <= z0 + slope * (low - x0) and z_high <= z0 + slope * (high - x0)
            for k in range(seen + 1, last + 1):
                stays = stays and not z[k] > z0 + slope * (k - x0)
        if not stays:
            vertices = upper_hull(z, low, z_low, high, z_high, xs, zs)
            x0, z0, slope, contact_low, contact_high = resting_line(xs, zs, vertices, float(i))
            on_samples = contact_low == np.floor(contact_low)
            on_samples = on_samples and contact_high == np.floor(contact_high)
            is_bridge = on_samples and contact_low < i and contact_high > i
            doubt, deepest, seen = -1, -1, first - 1
        if not is_complete:
            doubt = max(doubt, sticks_out(highest, seen + 1, last, x0, z0, slope))
        if mode == RULE:
            known, start = (deepest, seen + 1) if deepest >= first else (-1, first)
            deepest = _deepest(lowest, known, start, last, x0, z0, slope)
        seen = last
        if doubt >= first:
            continue
        if mode == RULE:
            gap = z0 + slope * (deepest - x0) - lowest[deepest]
            gap = max(gap, z0 + slope * (low - x0) - z_low)
            gap = max(gap, z0 + slope * (high - x0) - z_high)
        elif mode == CONTACTS:
            start, end = int(np.ceil(contact_low)), int(np.floor(contact_high))
            if deepest < start:
                deepest = _deepest(lowest, -1, start, end, x0, z0, slope)
            gap = z0 + slope * (deepest - x0) - lowest[deepest]
        else:
            at = min(max(i + place, low), high)
            k = int(np.floor(at + ON_SAMPLE))
            gap = z0 + slope * (at - x0) - height_at(column, k, at - k, 0)
        # rounding alone makes a gap negative; NaN stays
        out[i] = 0.0 if gap < 0 else gap
