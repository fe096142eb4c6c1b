"""A flat reference on disk, and taken off a scan: only of the sensor that it belongs to."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.placing.region import MEASURED, find_glass
from midchord.reference import ON_RASTER, Reference, content_sha256, grid_of, where_of
from midchord.settings import Settings
from midchord_io.acquisition import Finding, with_findings
from midchord_io.errors import CorruptScan, ScanError, UnknownFormat, why
from midchord_io.results import restored, write_netcdf
from midchord_io.scan import EVENNESS, even_pitch_mm
from midchord_io.whole_file import check_regular

__all__ = ["read_reference", "subtract_reference", "write_reference"]

NEEDED = (
    "instrument",
    "frame",
    "face",
    "orientation",
    "scans",
    "scanned_from",
    "scanned_to",
    "made_from",
    "pitch_x_mm",
    "half_span_mm",
    "noise_floor_mdpt",
    "repeatability_mm",
    "content_sha256",
)
NOT_STATED = "not stated"
"""The instrument of a scan that does not name one."""
UNCOVERED_SHARE = 0.02
"""Of the glass, outside what the flat covered: below it those points are lost, above it the
reference is refused."""


def write_reference(reference: Reference, path: str | os.PathLike[str]) -> None:
    """A reference as netCDF-4, atomically. Raises OutputError."""
    write_netcdf(reference.data.assign_attrs({"Conventions": "CF-1.11"}), path)


def read_reference(path: str | os.PathLike[str]) -> Reference:
    """The reference that ``write_reference`` stored.

    Raises  UnknownFormat where it is none, CorruptScan where it is damaged, ScanError where it
            cannot be read
    """
    try:
        check_regular(path)
        content = Path(path).read_bytes()
    except OSError as error:
        raise ScanError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a flat reference",
            do="check the path",
        ) from error
    if not content.startswith(b"\x89HDF\r\n\x1a\n"):
        raise _no_reference(path)
    try:
        data = xr.load_dataset(path, engine="h5netcdf", decode_times=False)
        data.attrs = restored(data.attrs)
    except Exception as error:  # whatever the libraries make of a damaged file
        raise CorruptScan(
            path,
            found=f"it is damaged or cut short ({error})",
            needed="a whole flat reference",
            do="make it again",
        ) from error
    if "reference" not in data or data.attrs.get("kind") not in ("line", "area"):
        raise _no_reference(path)
    missing = [name for name in NEEDED if name not in data.attrs]
    if missing:
        raise CorruptScan(
            path,
            found=f"a flat reference without {missing[0]}",
            needed="one as midchord wrote it",
            do="make it again",
        )
    if content_sha256(data) != data.attrs["content_sha256"]:
        raise CorruptScan(
            path,
            found="heights that are not those it was made with",
            needed="a flat reference as midchord wrote it",
            do="make it again",
        )
    return Reference(data, Path(path).name, hashlib.sha256(content).hexdigest())


def _no_reference(path: str | os.PathLike[str]) -> UnknownFormat:
    return UnknownFormat(
        path,
        found="no flat reference",
        needed="a file as `midchord reference` writes it",
        do="make it from scans of a master flat",
    )


def subtract_reference(
    scan: xr.Dataset,
    reference: Reference,
    *,
    orientation: str = "",
    settings: Settings | None = None,
) -> xr.Dataset:
    """The scan less the reference, with a finding that says so; what the flat did not cover is NaN.

    orientation  of the scan, as ``orientation_of`` says it
    Raises       ScanError where the reference is of another sensor, face, frame, orientation or
                 pitch, was made from this very scan, or covers less than the glass
    """
    settings = settings or Settings.load()
    _check_same(scan, reference, orientation)
    where = where_of(scan)
    pitch_x_mm = even_pitch_mm(scan["x"].values, axis="x", where=where)
    _check_pitch(pitch_x_mm, float(reference.data.attrs["pitch_x_mm"]), "x", where)
    index = [_on_raster(scan, reference, axis) for axis in reference.data["reference"].dims]
    values = reference.data["reference"].values
    for axis, own in enumerate(index):
        values = np.where(
            _shaped(own >= 0, axis, values.ndim), values.take(np.maximum(own, 0), axis), np.nan
        )
    height = scan["height"].values
    is_missing = np.isfinite(height) & ~np.isfinite(np.broadcast_to(values, height.shape))
    lost = 0
    if is_missing.any():
        lost = _lost_glass(scan, is_missing, settings, where)
    changed = (height - values).astype(np.float32)
    age_days = _age_days(scan, reference)
    facts = _facts(reference, age_days)
    scan = scan.assign(height=(("x", "y"), changed, scan["height"].attrs))
    scan = scan.assign_attrs(reference=json.dumps(facts, allow_nan=False))
    return with_findings(scan, _finding(reference, age_days, lost, settings))


def _shaped(known: npt.NDArray[np.bool_], axis: int, ndim: int) -> npt.NDArray[np.bool_]:
    return known.reshape([-1 if k == axis else 1 for k in range(ndim)])


def _check_same(scan: xr.Dataset, reference: Reference, orientation: str) -> None:
    own = {**scan.attrs, "orientation": orientation}
    words = {"instrument": "sensor", "frame": "frame", "face": "face", "orientation": "orientation"}
    for name, what in words.items():
        of_reference = reference.data.attrs[name]
        if own[name] != of_reference:
            raise ScanError(
                where_of(scan),
                found=f"{name} {own[name]!r}, but {of_reference!r} in the flat reference",
                needed=f"a reference of the same {what}",
                do="name the reference of this sensor, or make one",
            )
    if scan.attrs.get("source_sha256") in (reference.data.attrs["made_from"] or {}).values():
        raise ScanError(
            where_of(scan),
            found="a scan that the flat reference was made from",
            needed="a scan of a lite: less itself nothing would be left of it",
            do="make the reference from scans of a master flat",
        )
    stated = scan.attrs.get("scanner", reference.kind)
    if stated != reference.kind:
        raise ScanError(
            where_of(scan),
            found=f"a scanner of kind {stated!r}, but the flat reference is of kind "
            f"{reference.kind!r}",
            needed="a reference of the same kind",
            do="make the reference again with the right --kind",
        )


def _on_raster(scan: xr.Dataset, reference: Reference, axis: Any) -> npt.NDArray[np.intp]:
    """Index in the reference of each position of the scan; -1 where it has none."""
    where = where_of(scan)
    own, other = scan[axis].values, reference.data[axis].values
    pitch = even_pitch_mm(own, axis=str(axis), where=where)
    of_reference = even_pitch_mm(other, axis=str(axis), where=reference.file or "reference")
    _check_pitch(pitch, of_reference, str(axis), where)
    place = (own - other[0]) / of_reference
    index = np.rint(place).astype(np.intp)
    if np.abs(place - index).max() > 2 * ON_RASTER:
        raise ScanError(
            where,
            found=f"positions along {axis} between those of the flat reference",
            needed="the raster of the reference",
            do="make the reference again with this raster",
        )
    return np.where((index >= 0) & (index < other.size), index, -1)


def _check_pitch(own: float, of_reference: float, axis: str, where: str) -> None:
    if abs(own - of_reference) > EVENNESS * own:
        raise ScanError(
            where,
            found=f"a pitch of {own:.6g} mm along {axis}, but {of_reference:.6g} mm in the flat "
            "reference",
            needed="a reference of the same pitch",
            do="make the reference again with this pitch",
        )


def _lost_glass(
    scan: xr.Dataset, is_missing: npt.NDArray[np.bool_], settings: Settings, where: str
) -> int:
    """Points of the glass that the reference does not cover."""
    grid = grid_of(scan, where)
    state = find_glass(
        np.ascontiguousarray(scan["height"].values),
        grid,
        glass_range_mm=settings.place.glass_range_mm,
        where=where,
    )
    glass = state == MEASURED
    lost = int(np.count_nonzero(glass & is_missing))
    if lost > UNCOVERED_SHARE * np.count_nonzero(glass):
        raise ScanError(
            where,
            found=f"{100 * lost / np.count_nonzero(glass):.0f} % of the glass outside of what the "
            "flat reference covers",
            needed="a reference as large as the lite",
            do="make the reference with a flat that fills the field of the sensor",
        )
    return lost


def _age_days(scan: xr.Dataset, reference: Reference) -> float | None:
    try:
        ends = [
            dt.datetime.fromisoformat(str(text).replace("Z", "+00:00"))
            for text in (scan.attrs["scanned_at"], reference.data.attrs["scanned_to"])
        ]
        ends = [end if end.tzinfo else end.replace(tzinfo=dt.UTC) for end in ends]
    except ValueError:
        return None
    return (ends[0] - ends[1]).total_seconds() / 86400


def _facts(reference: Reference, age_days: float | None) -> dict[str, Any]:
    attrs = reference.data.attrs
    names = ("kind", "scanned_from", "scanned_to", "noise_floor_mdpt", "repeatability_mm")
    facts = {name: attrs[name] for name in names}
    facts |= {"scans": int(attrs["scans"]), "age_days": age_days}
    return {"file": reference.file, "sha256": reference.sha256, **facts}


def _finding(
    reference: Reference, age_days: float | None, lost: int, settings: Settings
) -> Finding:
    attrs = reference.data.attrs
    largest_mm = float(np.nanmax(np.abs(reference.data["reference"].values)))
    figures = {"largest_mm": largest_mm, "points_lost": float(lost)}
    for name in ("noise_floor_mdpt", "repeatability_mm"):
        if attrs[name] is not None:
            figures[name] = float(attrs[name])
    floor = attrs["noise_floor_mdpt"]
    said = [
        f"A flat reference ({reference.kind}, {attrs['scans']} scans, up to {1000 * largest_mm:.1f}"
        " um) was subtracted",
        "its noise floor is not known: the flat was too short, or scanned once by an area sensor"
        if floor is None
        else f"its noise floor is {floor:.2g} mdpt at a half-span of {attrs['half_span_mm']:g} mm",
    ]
    is_doubt = floor is None
    if attrs["instrument"] == NOT_STATED:
        said.append("neither it nor the scan says which sensor it comes from")
        is_doubt = True
    if age_days is None:
        said.append("its age is not known, for want of readable times")
        is_doubt = True
    else:
        figures["age_days"] = age_days
        limit = settings.reference.max_age_days
        if age_days > limit:
            said.append(f"it is {age_days:.0f} days old, more than {limit:g}: make a new one")
            is_doubt = True
        elif age_days < -limit:
            said.append(f"it was made {-age_days:.0f} days after the scan")
            is_doubt = True
    if lost:
        said.append(f"{lost} points of the glass lie outside of it and count as not measured")
    return Finding("flat reference", 1, "; ".join(said) + ".", figures, is_doubt)
