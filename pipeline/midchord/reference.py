"""The flat reference: what a sensor shows of a master flat, subtracted before anything else.

No sensor is straight. What it shows of a surface that is flat is its own error, the digital form
of zeroing a gauge. Under a fixed *line* sensor over moving glass that error is a function of y
alone: the mean over all lines of the flat, once each line's own height (the conveyor bounces) is
out of it. An *area* sensor has an error of x and y, and its supports, on which the flat sags as
the lite does, are in it. The plane in which the flat lay is no error and is not in the reference;
nor is a wave that the flat and the lite do not share, such as the bounce under a line sensor.

What is left of the flat's own scans once the reference is off is the noise floor of the whole
chain, stated as the distortion that a wave of the gauge's own wavelength would need for it. A
reference belongs to one instrument, one pitch and one orientation, and ages.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.gauge import three_point
from midchord.lines import HALF_WIDTH, local_fit, pooled_lines
from midchord.placing.clean import find_spikes
from midchord.placing.region import MEASURED, Grid, find_glass, robust_plane
from midchord.placing.scan_noise import scan_noise_mm
from midchord.settings import Settings
from midchord_io.errors import MissingMetadata, ScanError, UnevenGrid
from midchord_io.scan import even_pitch_mm
from midchord_io.source import SourceDescription

__all__ = [
    "ON_RASTER",
    "Kind",
    "Reference",
    "content_sha256",
    "grid_of",
    "make_reference",
    "orientation_of",
    "where_of",
]

Kind = Literal["line", "area"]
Floats = npt.NDArray[np.float64]

ON_RASTER = 0.05
"""Share of a pitch by which the rasters of two scans may be apart."""
ROUNDS = 4
LEAST_POINTS = 20
"""Of the flat in a column: with fewer a column has no reference of a line sensor."""


class Reference(NamedTuple):
    """A flat reference as it is stored. ``data``: variable ``reference`` (y) or (x, y), mm.

    Its attributes: kind, instrument, frame, face, orientation, scans, scanned_from, scanned_to,
    made_from (files and their SHA-256), noise_floor_mdpt (None where the flat is too short for the
    gauge, or was seen once by an area sensor), half_span_mm, wavelength_mm, repeatability_mm (of
    one scan; None of a single scan), content_sha256.
    """

    data: xr.Dataset
    file: str = ""
    sha256: str = ""

    @property
    def kind(self) -> Kind:
        return "line" if self.data.attrs["kind"] == "line" else "area"


def orientation_of(source: SourceDescription | None) -> str:
    """How the numbers of a foreign file were turned to the frame; "" for a native one."""
    if source is None or not source.source.model_fields_set:
        return ""
    own = source.source
    parts = [f"axes {' '.join(own.axes)}" if own.axes else "", f"handed {own.handed}"]
    parts.append(f"height {own.height_sign}" if own.height_sign else "")
    parts.append(f"heights in {own.height_units}" if own.height_units else "")
    parts.append(f"scale {own.height_scale:g}" if own.height_scale else "")
    if own.columns is not None:
        parts.append("columns " + " ".join((own.columns.x, own.columns.y, own.columns.height)))
    return ", ".join(part for part in parts if part)


def make_reference(
    scans: Sequence[xr.Dataset],
    *,
    kind: Kind | None = None,
    settings: Settings | None = None,
    orientation: str = "",
) -> Reference:
    """The flat reference from scans of one master flat.

    scans        by the scan contract, frame "machine", of one instrument, on one raster
    kind         of the sensor; that which the scans state if not given
    settings     of the gauge for which the noise floor is stated; the defaults if not given
    orientation  as ``orientation_of`` says it
    Raises       ScanError where the scans do not belong together or state no kind
    """
    settings = settings or Settings.load()
    first = scans[0]
    kind = _kind(scans, kind)
    for scan in scans:
        _check_alike(first, scan, kind)
    _check_different(scans)
    flats = [_flat(scan) for scan in scans]
    singles = [_line_profile(flat) if kind == "line" else flat for flat in flats]
    mean = _mean(singles)
    _check_covered(mean, where_of(first))
    y_mm = first["y"].values
    pitch_x_mm = even_pitch_mm(first["x"].values, axis="x", where=where_of(first))
    half_span_mm = settings.gauge.half_span_mm or settings.gauge.fallback_half_span_mm
    floors = [
        _floor_mdpt(flat - other, y_mm, pitch_x_mm, half_span_mm, settings.waves.pool_mm)
        for flat, other in zip(flats, _others(singles), strict=True)
    ]
    # a single scan of an area sensor less itself is nothing, which says nothing of its noise
    known = [] if kind == "area" and len(scans) == 1 else [f for f in floors if f is not None]
    times = sorted(str(scan.attrs["scanned_at"]) for scan in scans)
    dims = ("y",) if kind == "line" else ("x", "y")
    values = mean.astype(np.float32)
    data = xr.Dataset(
        {"reference": (dims, values, {"units": "mm", "long_name": "what the sensor adds"})},
        coords={dim: (dim, first[dim].values, {"units": "mm"}) for dim in dims},
        attrs={
            "kind": kind,
            **{name: first.attrs[name] for name in ("instrument", "frame", "face")},
            "orientation": orientation,
            "pitch_x_mm": pitch_x_mm,
            "scans": len(scans),
            "scanned_from": times[0],
            "scanned_to": times[-1],
            "made_from": {
                where_of(scan): str(scan.attrs.get("source_sha256", "")) for scan in scans
            },
            "half_span_mm": half_span_mm,
            "wavelength_mm": 2 * half_span_mm,
            "noise_floor_mdpt": float(np.sqrt(np.mean(np.square(known)))) if known else None,
            "repeatability_mm": _repeatability_mm(singles),
        },
    )
    data.attrs["content_sha256"] = content_sha256(data)
    return Reference(data)


def where_of(scan: xr.Dataset) -> str:
    """The file of a scan, or else its lite; for errors."""
    return str(scan.attrs.get("source_file") or scan.attrs.get("lite_id") or "scan")


def content_sha256(data: xr.Dataset) -> str:
    """Digest of the heights and positions of a reference."""
    digest = hashlib.sha256(np.ascontiguousarray(data["reference"].values).tobytes())
    for dim in data["reference"].dims:
        digest.update(np.ascontiguousarray(data[dim].values).tobytes())
    return digest.hexdigest()


def _kind(scans: Sequence[xr.Dataset], kind: Kind | None) -> Kind:
    stated = {str(scan.attrs["scanner"]) for scan in scans if "scanner" in scan.attrs}
    if kind is None and stated in ({"line"}, {"area"}):
        kind = "line" if stated == {"line"} else "area"
    if kind is None:
        raise MissingMetadata(
            where_of(scans[0]),
            found="no attribute 'scanner' that says what kind of sensor it is"
            if not stated
            else f"scanners of kind {', '.join(sorted(stated))}",
            needed='"line" for a fixed line over moving glass, "area" for one that sees it at once',
            do="say --kind line or --kind area",
        )
    if stated - {kind}:
        raise ScanError(
            where_of(scans[0]),
            found=f"a scan of a scanner of kind {', '.join(sorted(stated))}",
            needed=f"one of kind {kind}",
            do="leave --kind out, or correct 'scanner' in the source description",
        )
    return kind


def _check_alike(first: xr.Dataset, scan: xr.Dataset, kind: Kind) -> None:
    where = where_of(scan)
    if scan.attrs["frame"] != "machine":
        raise ScanError(
            where,
            found='a scan in the frame "lite", which has lost where the sensor saw what',
            needed='scans of the flat in the frame "machine"',
            do="store the scan as the sensor has it",
        )
    for name in ("instrument", "face"):
        if scan.attrs[name] != first.attrs[name]:
            raise ScanError(
                where,
                found=f"{name} {scan.attrs[name]!r}, but {first.attrs[name]!r} in "
                f"{where_of(first)}",
                needed="scans of one sensor",
                do="make a reference for each",
            )
    for axis in ("y",) if kind == "line" else ("x", "y"):
        one, other = first[axis].values, scan[axis].values
        pitch = even_pitch_mm(one, axis=axis, where=where)
        if one.size != other.size or np.abs(one - other).max() > ON_RASTER * pitch:
            raise UnevenGrid(
                where,
                found=f"other positions along {axis} than {where_of(first)} has",
                needed="scans of the flat on one raster",
                do="scan the flat again with the same pitch and field",
            )


def _check_different(scans: Sequence[xr.Dataset]) -> None:
    seen: dict[str, str] = {}
    for scan in scans:
        content = hashlib.sha256(np.ascontiguousarray(scan["height"].values).tobytes()).hexdigest()
        if content in seen:
            raise ScanError(
                where_of(scan),
                found=f"the very heights of {seen[content]}",
                needed="separate scans: a copy would hide the noise of the sensor",
                do="name each scan once",
            )
        seen[content] = where_of(scan)


def _flat(scan: xr.Dataset) -> Floats:
    """Heights of the flat without the plane in which it lay, spikes and what is no flat; mm."""
    where = where_of(scan)
    grid = grid_of(scan, where)
    height = np.array(scan["height"].values, dtype=np.float32, order="C")
    settings = Settings.load().place
    state = find_glass(height, grid, glass_range_mm=settings.glass_range_mm, where=where)
    height[state != MEASURED] = np.nan
    noise_mm = scan_noise_mm(height, pitch_x_mm=grid.pitch_x_mm)
    height[find_spikes(height, noise_mm=noise_mm, spike_sigma=settings.spike_sigma)] = np.nan
    step = max(1, int(np.sqrt(height.size / 60_000)))
    i, j = np.nonzero(np.isfinite(height[::step, ::step]))
    i, j = i * step, j * step
    plane = robust_plane(i.astype(float), j.astype(float), height[i, j].astype(float))
    rows, columns = np.ogrid[: height.shape[0], : height.shape[1]]
    return np.asarray(height - (plane[0] + plane[1] * rows + plane[2] * columns))


def grid_of(scan: xr.Dataset, where: str) -> Grid:
    """The even grid of a scan."""
    x_mm, y_mm = scan["x"].values, scan["y"].values
    pitch_x_mm = even_pitch_mm(x_mm, axis="x", where=where)
    pitch_y_mm = even_pitch_mm(y_mm, axis="y", where=where)
    return Grid(float(x_mm[0]), float(y_mm[0]), pitch_x_mm, pitch_y_mm, x_mm.size, y_mm.size)


def _line_profile(flat: Floats) -> Floats:
    """Mean over the lines, (y,), each line's own height taken off first; NaN where not covered."""
    profile = np.zeros(flat.shape[1])
    known = np.isfinite(flat)
    count = known.sum(axis=0)
    for _ in range(ROUNDS):
        # a line that misses columns must not be judged by the ones that it has
        own = _mean_over(flat - profile, known, axis=1)
        profile = _mean_over(flat - own[:, np.newaxis], known, axis=0)
    profile[count < LEAST_POINTS] = np.nan
    return profile


def _mean_over(values: Floats, known: npt.NDArray[np.bool_], *, axis: int) -> Floats:
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.asarray(total / np.maximum(count, 1))


def _mean(singles: Sequence[Floats]) -> Floats:
    stacked = np.stack(singles)
    return np.where(
        np.isfinite(stacked).any(axis=0), _mean_over(stacked, np.isfinite(stacked), axis=0), np.nan
    )


def _others(singles: Sequence[Floats]) -> list[Floats]:
    """For each scan the reference of the others: its own would take its own noise out."""
    if len(singles) < 2:
        return list(singles)
    return [_mean([*singles[:k], *singles[k + 1 :]]) for k in range(len(singles))]


def _check_covered(mean: Floats, where: str) -> None:
    if not np.isfinite(mean).any():
        raise ScanError(
            where,
            found="no column of the sensor with enough points of the flat",
            needed=f"a flat seen in at least {LEAST_POINTS} lines",
            do="scan more of the flat",
        )


def _repeatability_mm(singles: Sequence[Floats]) -> float | None:
    """Standard deviation of the reference of one scan, pooled over its points."""
    if len(singles) < 2:
        return None
    stacked = np.stack(singles)
    stacked = stacked[:, np.isfinite(stacked).all(axis=0)]
    return float(np.sqrt(stacked.var(axis=0, ddof=1).mean())) if stacked.size else None


def _floor_mdpt(
    left: Floats, y_mm: Floats, pitch_mm: float, half_span_mm: float, pool_mm: float
) -> float | None:
    """Distortion of the wave whose readings scatter as much as those of what is left.

    The wave has the wavelength that the feet are set to, twice the half-span; its swing is
    2 sqrt(2) times the deviation. Lines are pooled and smoothed as those of a lite are.
    """
    wavelength_mm = 2 * half_span_mm
    half_width = max(3, round(HALF_WIDTH * wavelength_mm / pitch_mm))
    if left.shape[0] * pitch_mm < 2 * wavelength_mm:
        return None
    lines = pooled_lines(
        np.asarray(left, np.float32), y_mm, y_mm, pool_mm=pool_mm, x_pitch_mm=pitch_mm
    )
    readings = three_point(lines, np.full((1, 1), half_span_mm / pitch_mm))
    smooth = local_fit(readings, half_width)
    smooth = smooth[np.isfinite(smooth)]
    if smooth.size < LEAST_POINTS:
        return None
    swing_mm = 2 * np.sqrt(2) * float(np.std(smooth))
    return float(4 * np.pi**2 * swing_mm / wavelength_mm**2 * 1e6)
