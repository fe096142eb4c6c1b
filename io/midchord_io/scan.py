"""The scan contract: what every adapter delivers and every stage may rely on.

One lite is one ``xr.Dataset`` with the variable ``height (x, y)``. Seen from above::

      y
      ^   right-hand edge (right of someone who looks along the travel)
      |
      +--------------------------------------------------+
      |                                                  |
      | leading edge        z up, out of the page        | trailing edge
      |                                                  |
      +--------------------------------------------------+ --> x
    (0, 0)   left-hand edge

      <------------- travel: the leading edge goes first

**x** runs from the leading to the trailing edge (the order in which the lines are scanned, so
against the travel), **y** from the left-hand to the right-hand edge, **z** up, whichever face is
scanned. The frame is right-handed.

============  ==========================================================================
``height``    (x, y), float32, mm, NaN where not measured
``x``, ``y``  mm, cell centres, ascending, even pitch to 0.1 %, each its own pitch
``lite_id``   text; ``instrument`` text; ``scanned_at`` UTC, ISO 8601
``frame``     "machine" (from the machine's zero) or "lite" (from the leading left corner)
``face``      "upper" (the default) or "lower": the face that was scanned
============  ==========================================================================

Added on reading: ``source_file``, ``source_sha256``, ``adapter``. Where known: ``thickness_mm``,
``coated_face``, ``support``, ``temperature_c``, ``scanner`` ("line" or "area") and
``support_pitch_mm``. Heights far from zero are counted from a datum near
them, stated as ``height_datum_mm``: a float32 near 1000 mm resolves 0.06 um, near 10 m only 1 um.

Optional, from points: ``point_count (x, y)``, how many a height rests on (0: it was filled), a
whole number, and their spread ``point_spread (x, y)``, mm.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import EmptyScan, ImplausibleScan, MissingMetadata, UnevenGrid

__all__ = [
    "EVENNESS",
    "FACES",
    "FRAMES",
    "POINT_VARIABLES",
    "REQUIRED_ATTRS",
    "check_largest",
    "check_scan",
    "datum_of",
    "even_pitch_mm",
    "like",
    "make_scan",
]

FRAMES = ("machine", "lite")
FACES = ("upper", "lower")
POINT_VARIABLES = {"point_count": "iu", "point_spread": "f"}
"""Optional fields of a scan made from points, and the kinds of number that they are."""
REQUIRED_ATTRS = ("lite_id", "instrument", "scanned_at", "frame")
EVENNESS = 1e-3
"""Largest departure of a step from the mean step, as a share of it."""

PITCH_MM = (1e-3, 1000.0)
"""Finest and coarsest pitch: nothing scans a lite at less than 1 um, and 1 m skips every wave."""

LARGEST_HEIGHT_MM = 1e5
"""100 m. No sensor stands further off; beyond it a number is a code for not measured."""

DATUM_ABOVE_MM = 1000.0
"""Heights with a median beyond this get a datum before they become float32."""

LARGEST_SLOPE = 0.2
"""Spread of the slope along x (interquartile, over SLOPE_OVER_MM): 11 degrees. That of flat glass
is below 0.01; the smallest wave worth measuring gives 0.3 where um are read as mm."""

SLOPE_OVER_MM = 50.0

LARGEST_RANGE_MM = 200.0
"""Of the middle 90 % of heights. Bow of a large lite is some 10 mm, the tilt of an area sensor
some 100 mm over its field: beyond it the units are wrong (common practice, no source)."""


def make_scan(
    height_mm: npt.ArrayLike,
    *,
    x_mm: npt.ArrayLike,
    y_mm: npt.ArrayLike,
    lite_id: str,
    instrument: str,
    scanned_at: str | dt.datetime,
    frame: str,
    face: str = "upper",
    known: Mapping[str, Any] | None = None,
    where: str | None = None,
) -> xr.Dataset:
    """A scan by the contract, checked.

    height_mm   (x, y), mm, NaN where not measured; their datum is taken off if it is large
    x_mm, y_mm  (x,), (y,), mm, cell centres, ascending and even
    known       further attributes: thickness_mm, coated_face, support, temperature_c ...
    where       named in an error; the lite id by default
    Raises      ScanError where the contract is broken
    """
    if isinstance(scanned_at, dt.datetime):
        scanned_at = scanned_at.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    height = np.asarray(height_mm)
    if height.dtype != np.float32:
        height = height.astype(np.float64)
    scan = xr.Dataset(
        {"height": (("x", "y"), height)},
        coords={"x": np.asarray(x_mm, dtype=np.float64), "y": np.asarray(y_mm, dtype=np.float64)},
        attrs={
            "Conventions": "CF-1.11",
            "lite_id": lite_id,
            "instrument": instrument,
            "scanned_at": scanned_at,
            "frame": frame,
            "face": face,
            **(known or {}),
        },
    )
    scan.height.attrs.update(units="mm", long_name="height")
    scan.x.attrs.update(units="mm", axis="X", long_name="distance from the leading edge")
    scan.y.attrs.update(units="mm", axis="Y", long_name="distance from the left-hand edge")
    if frame == "machine":
        scan.x.attrs["long_name"] = "machine x, against the travel"
        scan.y.attrs["long_name"] = "machine y, left to right"
    return check_scan(scan, where=where)


def check_scan(scan: xr.Dataset, *, where: str | None = None) -> xr.Dataset:
    """The scan itself if it keeps the contract; heights of another type or far from zero as float32
    from a datum.

    where   named in the error; the source file or the lite id by default
    Raises  MissingMetadata, UnevenGrid, EmptyScan, ImplausibleScan
    """
    name = where or str(scan.attrs.get("source_file", scan.attrs.get("lite_id", "scan")))
    if "height" not in scan or set(scan["height"].dims) != {"x", "y"}:
        raise MissingMetadata(
            name,
            found="no variable 'height' with dimensions x and y",
            needed="a scan has height (x, y)",
            do="say in a source description (--source) where the heights are",
        )
    if scan["height"].dims != ("x", "y"):
        scan = scan.transpose("x", "y")
    for axis in ("x", "y"):
        if axis not in scan.coords:
            raise MissingMetadata(
                name,
                found=f"no coordinate '{axis}'",
                needed="x and y in mm at every line and column",
                do="give pitch or positions in a source description (--source)",
            )
        even_pitch_mm(scan[axis].values, axis=axis, where=name)
        units = scan[axis].attrs.get("units", "mm")
        if str(units) != "mm":
            raise MissingMetadata(
                name,
                found=f"coordinate '{axis}' in {units!r}",
                needed="mm",
                do="convert it, or name its units in a source description (--source)",
            )
    if str(scan["height"].attrs.get("units")) != "mm":
        raise MissingMetadata(
            name,
            found=f"height units {scan['height'].attrs.get('units')!r}",
            needed="heights in mm, said so in the attribute 'units'",
            do="name the height units in a source description (--source)",
        )
    for attr in REQUIRED_ATTRS:
        value = scan.attrs.get(attr)
        if not isinstance(value, str) or not value:
            is_missing = value is None or isinstance(value, str)
            raise MissingMetadata(
                name,
                found=f"no attribute '{attr}'" if is_missing else f"'{attr}' that is no text",
                needed="lite_id, instrument, scanned_at and frame",
                do="write it into the file or give it in a source description (--source)",
            )
    for attr, allowed in (("frame", FRAMES), ("face", FACES)):
        value = scan.attrs.setdefault("face", "upper") if attr == "face" else scan.attrs[attr]
        if not isinstance(value, str) or value not in allowed:
            raise MissingMetadata(
                name,
                found=f"{attr} {value!r}",
                needed=f"{attr} is one of {', '.join(allowed)}",
                do=f"correct the attribute '{attr}'",
            )
    _check_points(scan, name)
    scan = _near_zero(scan, name)
    height = scan["height"].values
    _check_heights(height, name)
    _check_slopes(height, scan["x"].values, name)
    return scan


def even_pitch_mm(positions_mm: npt.NDArray[np.float64], *, axis: str, where: str) -> float:
    """Pitch of ascending, even positions; mm.

    Raises UnevenGrid where there are fewer than two, or they are not finite, descend, repeat or
    are uneven by more than 0.1 % of a step.
    """
    if positions_mm.size < 2:
        raise UnevenGrid(
            where,
            found=f"{positions_mm.size} position along {axis}",
            needed="at least two lines and two columns",
            do="check that the scan is whole and that its axes are declared the right way",
        )
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.diff(positions_mm)
    problem = ""
    if not (np.isfinite(positions_mm).all() and np.isfinite(steps).all()):
        problem = "positions that are not numbers"
    elif (steps == 0).any():
        problem = f"the position {positions_mm[1:][steps == 0][0]:g} twice"
    elif (steps < 0).any():
        problem = "descending positions" if (steps < 0).all() else "positions out of order"
    if not problem:
        pitch = float((positions_mm[-1] - positions_mm[0]) / (positions_mm.size - 1))
        worst = float(np.abs(steps - pitch).max())
        if worst <= EVENNESS * pitch:
            _check_pitch(pitch, axis, where)
            return pitch
        problem = f"steps between {steps.min():g} and {steps.max():g} mm"
    raise UnevenGrid(
        where,
        found=f"{problem} along {axis}",
        needed="ascending positions in even steps (to 0.1 %)",
        do="declare the axis direction, or read the file as points and grid it",
    )


def _check_pitch(pitch_mm: float, axis: str, where: str) -> None:
    if not PITCH_MM[0] <= pitch_mm <= PITCH_MM[1]:
        raise UnevenGrid(
            where,
            found=f"a pitch of {pitch_mm:g} mm along {axis}",
            needed=f"between {PITCH_MM[0]:g} and {PITCH_MM[1]:g} mm",
            do="check the pitch, and the units of the positions",
        )


def datum_of(measured_mm: npt.NDArray[Any]) -> float:
    """What heights are counted from, whole mm; 0 where they are near zero as they are."""
    some = measured_mm[:: max(1, measured_mm.size // 200_000)]
    middle = float(np.median(some)) if some.size else 0.0
    return float(round(middle)) if abs(middle) > DATUM_ABOVE_MM else 0.0


def check_largest(measured_mm: npt.NDArray[Any], where: str) -> None:
    """Raises ImplausibleScan where a height is further off than any sensor stands."""
    if not measured_mm.size:
        return
    low, high = float(measured_mm.min()), float(measured_mm.max())
    largest = high if high >= -low else low
    if abs(largest) > LARGEST_HEIGHT_MM:
        raise ImplausibleScan(
            where,
            found=f"a height of {largest:g} mm",
            needed=f"heights of a lite, within {LARGEST_HEIGHT_MM:g} mm",
            do="declare the code for not measured as invalid, or check the height units",
        )


def _near_zero(scan: xr.Dataset, where: str) -> xr.Dataset:
    """The scan with float32 heights, from a datum where they are far from zero."""
    height = scan["height"].values
    if height.dtype.kind not in "iuf":
        raise MissingMetadata(
            where,
            found=f"heights of type {height.dtype}",
            needed="heights are real numbers, NaN where not measured",
            do="check which variable holds the heights",
        )
    for block in _blocks(height):
        check_largest(block[np.isfinite(block)], where)
    some = height[:: max(1, height.shape[0] // 2000), :: max(1, height.shape[1] // 500)]
    datum_mm = datum_of(some[np.isfinite(some)])
    if height.dtype == np.float32 and not datum_mm:
        return scan
    attrs = dict(scan.attrs)
    if datum_mm:
        attrs["height_datum_mm"] = float(attrs.get("height_datum_mm", 0.0)) + datum_mm
    values = (height - height.dtype.type(datum_mm)).astype(np.float32)
    scan = scan.assign(height=(scan["height"].dims, values, scan["height"].attrs))
    return scan.assign_attrs(attrs)


def _blocks(height: npt.NDArray[Any]) -> Iterator[npt.NDArray[Any]]:
    """Rows of a large grid, some at a time, so that checks cost no second grid."""
    step = max(1, 1_000_000 // max(1, height.shape[1]))
    for start in range(0, height.shape[0], step):
        yield height[start : start + step]


def _check_points(scan: xr.Dataset, where: str) -> None:
    """Refuses counts and spreads of points that do not belong to the heights."""
    for name, kinds in POINT_VARIABLES.items():
        if name in scan and (
            scan[name].dims != scan["height"].dims or scan[name].dtype.kind not in kinds
        ):
            raise MissingMetadata(
                where,
                found=f"{name} ({', '.join(map(str, scan[name].dims))}) of type {scan[name].dtype}",
                needed=f"one {'real' if kinds == 'f' else 'whole'} number for each height",
                do=f"leave {name} out, or mend the file",
            )


def _check_heights(height: npt.NDArray[np.float32], where: str) -> None:
    some, lowest, highest = [], np.inf, -np.inf
    for block in _blocks(height):
        finite = block[np.isfinite(block)]
        if finite.size:
            lowest, highest = min(lowest, finite.min()), max(highest, finite.max())
            some.append(finite[:: max(1, height.size // 200_000)].copy())  # a view keeps the block
    if not some:
        raise EmptyScan(
            where,
            found="no measured height (all are missing)",
            needed="a scan with glass in it",
            do="check the sensor and the codes declared as invalid",
        )
    low, high = np.percentile(np.concatenate(some), (5, 95))
    if lowest == highest:
        raise EmptyScan(
            where,
            found=f"the same height, {lowest:g} mm, everywhere",
            needed="a measured surface",
            do="check the sensor and which dataset is read",
        )
    if high - low > LARGEST_RANGE_MM:
        raise ImplausibleScan(
            where,
            found=f"heights that range over {high - low:.0f} mm",
            needed=f"a lite whose heights range over less than {LARGEST_RANGE_MM:.0f} mm",
            do="check the height units: um read as mm look like this",
        )


def _check_slopes(
    height: npt.NDArray[np.float32], x_mm: npt.NDArray[np.float64], where: str
) -> None:
    """Refuses heights in the wrong units, which a flat lite hides from the check of its range."""
    step = round(SLOPE_OVER_MM / (x_mm[1] - x_mm[0]))
    if step < 1 or 4 * step > x_mm.size:
        return  # too short to tell
    some = height[:, :: max(1, height.shape[1] // 50)]
    with np.errstate(over="ignore", invalid="ignore"):
        slope = (some[step:] - some[:-step]) / (x_mm[step] - x_mm[0])
    slope = slope[np.isfinite(slope)]
    if slope.size < 100:
        return
    low, high = np.percentile(slope, (25, 75))
    if high - low > LARGEST_SLOPE:
        raise ImplausibleScan(
            where,
            found=f"a surface that rises and falls by {(high - low) * SLOPE_OVER_MM:.0f} mm over "
            f"{SLOPE_OVER_MM:.0f} mm along x",
            needed=f"flat glass, less than {LARGEST_SLOPE * SLOPE_OVER_MM:.0f} mm",
            do="check the height units: um read as mm look like this",
        )


def like(
    template: xr.DataArray,
    values: npt.NDArray[Any],
    *,
    name: str,
    units: str,
    long_name: str,
) -> xr.DataArray:
    """A field on the template's grid with attributes of its own.

    xarray keeps attributes through arithmetic, so ``height * 1000`` still says mm: every stage
    makes its outputs here instead.
    """
    return xr.DataArray(
        values,
        dims=template.dims,
        coords=template.coords,
        name=name,
        attrs={"units": units, "long_name": long_name},
    )
