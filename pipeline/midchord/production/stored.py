"""One stored map: its head without its fields, and one field without the others.

A file of maps holds thirty fields; of thousands of files only one or two are wanted of each. So
the head (attributes, grid, which fields there are) is read by itself, and later the wanted fields
from bytes that are read once, hashed and decoded. Whatever is not as midchord writes it is read
again by ``midchord_io.results.read_maps``, whose sentence says what is wrong with it.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import h5netcdf
import numpy as np
import numpy.typing as npt

from midchord_io.errors import CorruptScan, MidchordError, ScanError, UnsupportedScan, why
from midchord_io.results import MAPS_SCHEMA, read_maps, restored

__all__ = ["FIGURES", "PLAIN", "Axis", "Fields", "Head", "file_hash", "read_fields", "read_head"]

Floats = npt.NDArray[np.float32]
NEEDED = ("x", "y", "height", "zone")
FIGURES = ("wavelength_mm", "depth_mm", "surface_depth_mm", "gauge_distortion_mdpt",
           "surface_distortion_mdpt")  # fmt: skip
PLAIN = ("verdict", "length_mm", "width_mm", "half_span_mm", "mean_wavelength_mm", "coverage",
         "noise_mm", "detection_depth_mm")  # fmt: skip
"""What is kept of a summary: the rest of thousands would fill the memory."""


class Axis(NamedTuple):
    """An even axis: first centre, step, number of points; mm."""

    first_mm: float
    step_mm: float
    points: int


@dataclass(frozen=True)
class Head:
    """A stored map without its fields.

    attrs      lite_id, frame_of_scan, corners_machine_mm, skew_deg: what says where it lay
    summary    of the lite, FIGURES and PLAIN as stored
    units, convention   of the field asked for
    bytes_, mtime_ns    of the file
    """

    path: Path
    lite_id: str
    scanned_at: datetime | None
    length_mm: float
    width_mm: float
    x: Axis
    y: Axis
    attrs: Mapping[str, Any]
    summary: Mapping[str, Any]
    units: str
    convention: str
    bytes_: int
    mtime_ns: int


class Fields(NamedTuple):
    """What is wanted of one map: values (x, y) and zone (x, y) as stored, and the file's SHA-256;
    mean_square_u: of the field's own standard uncertainty over its points, None where not held."""

    values: Floats
    zone: npt.NDArray[np.uint8]
    sha256: str
    mean_square_u: float | None


def read_head(path: str | Path, field: str) -> Head:
    """The head of a file of maps that holds ``field``.

    Raises  ScanError (as ``read_maps``): foreign, damaged, incomplete, without the field, or a
            surface that is not on the frame of the lite
    """
    path = Path(path)
    try:
        facts = path.stat()
        head = _head(path, field, facts.st_size, facts.st_mtime_ns)
    except MidchordError:
        raise
    except OSError as error:
        read_maps(path)  # says it in a sentence of its own
        raise ScanError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a file of maps",
            do="check the path",
        ) from error
    except Exception as error:
        raise _refusal(path, error) from error
    return head


def _refusal(path: Path, error: Exception) -> MidchordError:
    """What ``read_maps`` has to say of the file; what this reader met, where it says nothing."""
    try:
        read_maps(path)
    except MidchordError as told:
        return told
    return CorruptScan(
        path,
        found=f"maps of another form than midchord writes ({type(error).__name__}: {error})",
        needed="maps as midchord wrote them",
        do="process the scan again",
    )


def _head(path: Path, field: str, size: int, mtime_ns: int) -> Head:
    with h5netcdf.File(path, "r") as file:
        attrs = restored(dict(file.attrs))
        if not 1 <= int(attrs["schema_version"]) <= MAPS_SCHEMA or "recipe" in attrs:
            raise ValueError("schema_version or kind")
        names = set(file.variables)
        missing = [name for name in NEEDED if name not in names]
        if missing:
            raise ValueError(f"no {missing[0]}")
        if field not in names:
            raise UnsupportedScan(
                path,
                found=f"maps without the field {field}",
                needed="the field that is asked for in every map",
                do="process the scan again, or ask for another field",
            )
        x, y = (_axis(file.variables[name][...]) for name in ("x", "y"))
        variable = file.variables[field]
        if variable.dimensions != ("x", "y"):
            raise ValueError(f"{field} is not over (x, y)")
        units, convention = (str(variable.attrs.get(key, "")) for key in ("units", "convention"))
    summary = json.loads(attrs["summary"])
    lite_id = str(attrs["lite_id"])
    if not lite_id:
        raise ValueError("no lite_id")
    frame = str(attrs.get("frame"))
    if frame != "lite":
        raise ScanError(
            path,
            found=f"a surface on the {frame} frame",
            needed="maps on the frame of the lite, as midchord stores them",
            do="process the scan first",
        )
    kept = ("lite_id", "frame_of_scan", "corners_machine_mm", "skew_deg")
    return Head(
        path, lite_id, _time(attrs.get("scanned_at") or summary["scanned_at"]),
        float(summary["length_mm"]), float(summary["width_mm"]), x, y,
        {key: attrs[key] for key in kept if key in attrs},
        {key: summary[key] for key in (*FIGURES, *PLAIN) if key in summary}, units, convention,
        size, mtime_ns,
    )  # fmt: skip


def _axis(values: npt.NDArray[np.float64]) -> Axis:
    values = np.asarray(values, dtype=np.float64)
    step = float(values[-1] - values[0]) / (values.size - 1)
    if values.ndim != 1 or not step > 0 or np.abs(np.diff(values) - step).max() > 1e-3 * step:
        raise ValueError("an axis that is not even and ascending")
    return Axis(float(values[0]), step, int(values.size))


def _time(text: Any) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(text))
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def read_fields(head: Head, field: str) -> Fields:
    """The field and the zones of a map, from one reading of its file.

    Raises  ScanError where the file has gone or is damaged
    """
    try:
        content = head.path.read_bytes()
        with h5netcdf.File(io.BytesIO(content), "r") as file:
            values = np.asarray(file.variables[field][...], dtype=np.float32)
            zone = np.asarray(file.variables["zone"][...], dtype=np.uint8)
            u = file.variables.get(f"u_{field}")
            doubts = None if u is None else np.asarray(u[...], dtype=np.float64)
    except Exception as error:
        raise _refusal(head.path, error) from error
    if values.shape != (head.x.points, head.y.points) or zone.shape != values.shape:
        raise _refusal(head.path, ValueError("a field of another size"))
    known = None
    if doubts is not None and np.isfinite(doubts).any():
        known = float(np.mean(doubts[np.isfinite(doubts)] ** 2))
    return Fields(values, zone, hashlib.sha256(content).hexdigest(), known)


def file_hash(path: Path) -> str:
    """SHA-256 of a file; empty where it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
