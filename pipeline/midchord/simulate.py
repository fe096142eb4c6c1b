"""Lites with known truth: the exact surface as a scanner would have seen it, and its true figures.

    surface at every scan point  (machine: turned and shifted; NaN beyond the glass)
    + white and correlated noise, + spikes, rounded to the sensor's step, - dropouts

The scan keeps the scan contract, so it goes through the pipeline like any other; beside it stands
what the pipeline ought to find: the parts of the surface on the lite frame, the half waves of the
lines, corners, bow and edge lift. Everything random comes from the recipe's seed, a stream of its
own for each kind, so that the same recipe gives the same scan and changing one kind leaves the
others as they were. Rows are made in blocks: a lite of 60 million points needs little more memory
than its scan.

The correlated noise is a stationary Gaussian field with the exponential correlation
exp(-|dx|/lx - |dy|/ly), made exactly by first-order recursion along both axes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from midchord.settings import Settings
from midchord.simulating.recipe import EDGES, Noise, Recipe
from midchord.simulating.sensor_faults import clipped, lost_lines
from midchord.simulating.sensor_places import BlindPlaces, SensorOnLite
from midchord.simulating.surface import Surface
from midchord.simulating.truth import (
    COLUMNS,
    line_positions_mm,
    true_half_waves,
    true_mean_wavelength_mm,
)
from midchord_io.errors import OutputError
from midchord_io.scan import make_scan

__all__ = ["simulate", "truth_beside", "write_simulated"]

Array = npt.NDArray[np.float64]

BLOCK_POINTS = 400_000
"""Points made at a time: some ten float64 arrays of this size live at once."""

TRUTH_PITCH_MM = 5.0

LONG_NAMES = {
    "roll": "true roll wave",
    "form": "true form: bow and twist",
    "edge_lift": "true edge lift",
    "imprint": "true imprint of nozzles and rollers, and bumps",
    "hw_line_y_mm": "place of the line across the lite",
    "hw_x_from_mm": "turning point of the reading where the half wave starts",
    "hw_x_to_mm": "turning point of the reading where the half wave ends",
    "hw_length_mm": "length of the half wave",
    "hw_wavelength_mm": "wavelength, from the turning points of the reading",
    "hw_depth_mm": "swing of the three-point reading",
    "hw_surface_depth_mm": "peak to valley of the surface",
    "hw_gauge_distortion_mdpt": "distortion from the swing of the reading",
    "hw_surface_distortion_mdpt": "distortion from the turning points of the surface",
    "hw_rising": "1 where the half wave goes from a valley to a peak",
}


def simulate(recipe: Recipe, settings: Settings | None = None) -> tuple[xr.Dataset, xr.Dataset]:
    """The scan of a simulated lite, and its truth.

    settings  where the lines and clear zones of the true figures lie; the defaults if not given
    returns   scan by the scan contract;
              truth on the lite frame, 5 mm pitch: roll, form, edge_lift, imprint (x, y) in mm,
              is_glass (x, y), the half waves of the lines read at half the true mean wavelength
              (dim half_wave, names hw_*), and as attributes the recipe, corners_machine_mm, bow,
              edge lift, mean wavelength, and what the sensor did
    Raises    EmptyScan where the recipe leaves nothing measured
    """
    surface = Surface(recipe)
    x_mm, y_mm = _scan_grid(surface)
    height, counts = _scanned(surface, x_mm, y_mm)
    scanner = recipe.scanner
    known = {
        "thickness_mm": recipe.lite.thickness_mm,
        "scanner": scanner.kind,
        "support_pitch_mm": scanner.support_pitch_mm,
    }
    scan = make_scan(
        height,
        x_mm=x_mm,
        y_mm=y_mm,
        lite_id=recipe.lite.id,
        instrument=scanner.instrument,
        scanned_at=scanner.scanned_at,
        frame=scanner.frame,
        face=scanner.face,
        known={name: value for name, value in known.items() if value is not None},
    )
    return scan, _truth(surface, counts, settings or Settings.load())


def truth_beside(path: str | Path) -> Path:
    """Where the truth of the scan ``path`` is written. Raises OutputError for another ending."""
    path = Path(path)
    if path.suffix.lower() != ".nc":
        raise OutputError(
            path,
            found=f"the ending {path.suffix!r}",
            needed="a scan is written as netCDF-4, .nc",
            do="name it NAME.nc",
        )
    return path.with_name(path.stem + ".truth.nc")


def write_simulated(
    recipe: Recipe, path: str | Path, settings: Settings | None = None
) -> tuple[Path, Path]:
    """Write the scan as ``path`` (NAME.nc) and its truth beside it (NAME.truth.nc).

    returns  both paths
    Raises   OutputError for another ending, and where they cannot be written
    """
    from midchord.outputs import write_together
    from midchord_io.adapters.native import write_scan
    from midchord_io.results import write_maps

    path, truth_path = Path(path), truth_beside(path)
    scan, truth = simulate(recipe, settings)
    files: dict[str, Callable[[Path], object]] = {
        truth_path.name: lambda to: write_maps(truth, to),
        path.name: lambda to: write_scan(scan, to),
    }
    write_together(path.parent, files, overwrite=True)
    return path, truth_path


class _Counts(NamedTuple):
    """What the sensor did to the points on the glass."""

    glass_points: int
    spikes: int
    dropouts: int
    saturated: int
    second_surface: int


def _scan_grid(surface: Surface) -> tuple[Array, Array]:
    scanner, position = surface.recipe.scanner, surface.recipe.position
    if scanner.frame == "lite":
        return (
            _cell_centres(surface.length_mm, scanner.pitch_x_mm),
            _cell_centres(surface.width_mm, scanner.pitch_y_mm),
        )
    corners = np.array(list(_corners_machine_mm(surface).values()))
    return (
        _raster(corners[:, 0], position.margin_mm, scanner.pitch_x_mm),
        _raster(corners[:, 1], position.margin_mm, scanner.pitch_y_mm),
    )


def _cell_centres(size_mm: float, pitch_mm: float) -> Array:
    cells = np.arange(math.floor(size_mm / pitch_mm * (1 + 1e-9)), dtype=np.float64)
    return (cells + 0.5) * pitch_mm


def _raster(places_mm: Array, margin_mm: float, pitch_mm: float) -> Array:
    """Whole multiples of the pitch: the machine does not know where the lite lies."""
    first = math.floor((places_mm.min() - margin_mm) / pitch_mm)
    last = math.ceil((places_mm.max() + margin_mm) / pitch_mm)
    return np.arange(first, last + 1, dtype=np.float64) * pitch_mm


def _scanned(
    surface: Surface, x_mm: Array, y_mm: Array
) -> tuple[npt.NDArray[np.float32], _Counts]:
    recipe = surface.recipe
    streams = np.random.SeedSequence(recipe.seed).spawn(5)
    noise = _NoiseField(recipe, y_mm.size, streams[0])
    spikes, scattered = (np.random.default_rng(stream) for stream in streams[1:3])
    blind = BlindPlaces(surface, x_mm, y_mm, np.random.default_rng(streams[3]))
    sensor = SensorOnLite(surface, x_mm, y_mm, np.random.default_rng(streams[4]))
    height = np.empty((x_mm.size, y_mm.size), dtype=np.float32)
    glass_points = spike_count = dropout_count = saturated = through = 0
    rows = max(1, BLOCK_POINTS // y_mm.size)
    for start in range(0, x_mm.size, rows):
        x, y = x_mm[start : start + rows, np.newaxis], y_mm[np.newaxis, :]
        shape = (x.size, y.size)
        u, v = surface.to_lite(x, y) if recipe.scanner.frame == "machine" else (x, y)
        glass = surface.is_glass(u, v)
        belt = recipe.position.belt_mm
        z = np.where(glass, surface.height(u, v), np.nan if belt is None else belt)
        is_second = sensor.add_to(z, x, y, glass)
        noise.add_to(z)
        is_spike = glass & (spikes.random(shape, dtype=np.float32) < recipe.spikes.share)
        z[is_spike] += _spike_heights(recipe, int(is_spike.sum()), spikes)
        if recipe.noise.quantum_mm:
            z = np.rint(z / recipe.noise.quantum_mm) * recipe.noise.quantum_mm
        within = z
        z = clipped(z, recipe.sensor.saturation)
        lost = scattered.random(shape, dtype=np.float32) < recipe.dropouts.share
        lost = glass & (lost | blind.at(x, y))
        z[lost_lines(recipe.sensor.lost_lines, x, y)] = np.nan
        z[lost] = np.nan
        height[start : start + rows] = z
        glass_points += int(glass.sum())
        spike_count += int((is_spike & ~lost).sum())
        dropout_count += int((glass & np.isnan(z)).sum())
        saturated += int((glass & (z != within) & ~np.isnan(z)).sum())
        through += int((is_second & ~np.isnan(z)).sum())
    return height, _Counts(glass_points, spike_count, dropout_count, saturated, through)


def _spike_heights(recipe: Recipe, count: int, rng: np.random.Generator) -> Array:
    signs = rng.choice((-1.0, 1.0), size=count)
    return signs * rng.uniform(0.5, 1.5, size=count) * recipe.spikes.size_mm


class _NoiseField:
    """Sensor noise, row by row, the same whatever the size of the blocks."""

    def __init__(self, recipe: Recipe, columns: int, seeds: np.random.SeedSequence) -> None:
        self.noise: Noise = recipe.noise
        white, correlated = seeds.spawn(2)
        self.white = np.random.default_rng(white)
        self.correlated = np.random.default_rng(correlated)
        self.keep_x = _kept(recipe.scanner.pitch_x_mm, self.noise.correlation_x_mm)
        self.keep_y = _kept(recipe.scanner.pitch_y_mm, self.noise.correlation_y_mm)
        self.columns = columns
        self.row: Array | None = None

    def add_to(self, z: Array) -> None:
        if self.noise.white_sigma_mm:
            z += self.noise.white_sigma_mm * self.white.standard_normal(z.shape, dtype=np.float32)
        if self.noise.correlated_sigma_mm:
            z += self.noise.correlated_sigma_mm * self._correlated_rows(len(z))

    def _correlated_rows(self, rows: int) -> Array:
        field = self.correlated.standard_normal((rows, self.columns))
        # the first value is left at unit variance, so the field is stationary from its start
        field[:, 1:] *= math.sqrt(1 - self.keep_y**2)
        field = _recursed(field, self.keep_y, axis=1)
        fresh = math.sqrt(1 - self.keep_x**2)
        if self.row is None:
            field[1:] *= fresh
        else:
            field *= fresh
            field[0] += self.keep_x * self.row
        field = _recursed(field, self.keep_x, axis=0)
        self.row = field[-1].copy()
        return field


def _kept(pitch_mm: float, correlation_mm: float) -> float:
    """Correlation of neighbours."""
    return math.exp(-pitch_mm / correlation_mm) if correlation_mm else 0.0


def _recursed(field: Array, keep: float, *, axis: int) -> Array:
    """f_i = keep f_(i-1) + field_i along one axis."""
    from scipy.signal import lfilter

    result: Array = lfilter([1.0], [1.0, -keep], field, axis=axis)
    return result


def _truth(surface: Surface, counts: _Counts, settings: Settings) -> xr.Dataset:
    recipe = surface.recipe
    x_mm, y_mm = (
        np.linspace(0.0, size, round(size / TRUTH_PITCH_MM) + 1)
        for size in (surface.length_mm, surface.width_mm)
    )
    x, y = x_mm[:, np.newaxis], y_mm[np.newaxis, :]
    mean_mm = true_mean_wavelength_mm(surface, settings)
    half_span_mm = mean_mm / 2 if mean_mm else settings.gauge.fallback_half_span_mm
    half_waves = pd.concat(
        [
            true_half_waves(surface, line_y_mm=line, half_span_mm=half_span_mm)
            for line in line_positions_mm(surface, settings)
        ]
    )
    fields = {
        "roll": surface.roll(x, y),
        "form": surface.form(x, y),
        "edge_lift": surface.edge_lift(x, y),
        "imprint": surface.imprint(x, y),
    }
    shape = (x_mm.size, y_mm.size)
    variables: dict[str, tuple[tuple[str, ...], npt.NDArray[np.generic]]] = {
        name: (("x", "y"), np.broadcast_to(field, shape).astype(np.float32))
        for name, field in fields.items()
    }
    variables["is_glass"] = (("x", "y"), surface.is_glass(x, y).astype(np.uint8))
    for column in COLUMNS:
        kind = np.uint8 if column == "rising" else np.float64
        variables[f"hw_{column}"] = (("half_wave",), half_waves[column].to_numpy(dtype=kind))
    truth = xr.Dataset(variables, coords={"x": x_mm, "y": y_mm})
    for name, long_name in LONG_NAMES.items():
        unit = "mdpt" if name.endswith("_mdpt") else "1" if name == "hw_rising" else "mm"
        truth[name].attrs = {"units": unit, "long_name": long_name}
    truth["is_glass"].attrs = {"units": "1", "long_name": "1 on the glass"}
    for axis in ("x", "y"):
        truth[axis].attrs = {"units": "mm", "axis": axis.upper()}
    truth.attrs = {
        "lite_id": recipe.lite.id,
        "instrument": recipe.scanner.instrument,
        "frame": "lite",
        "length_mm": surface.length_mm,
        "width_mm": surface.width_mm,
        "skew_deg": recipe.position.skew_deg,
        "corners_machine_mm": _corners_machine_mm(surface),
        "bow_mm": {name: figure._asdict() for name, figure in surface.bow().items()},
        "edge_lift_mm": _edge_lift_figures(surface, settings),
        "no_wave": half_waves.empty,
        "mean_wavelength_mm": mean_mm,
        "half_span_mm": half_span_mm,
        "seed": recipe.seed,
        "glass_points": counts.glass_points,
        "spike_count": counts.spikes,
        "dropout_count": counts.dropouts,
        "saturated_count": counts.saturated,
        "second_surface_count": counts.second_surface,
        "dropout_share": counts.dropouts / max(1, counts.glass_points),
        "recipe": recipe.model_dump_json(exclude_none=True),
    }
    return truth


def _corners_machine_mm(surface: Surface) -> dict[str, list[float]]:
    """Corners as the scan has them; with frame = "lite" that is the lite's own frame."""
    return {
        name: [float(place) for place in surface.to_machine(*at)]
        for name, at in surface.corners_mm.model_dump().items()
    }


def _edge_lift_figures(surface: Surface, settings: Settings) -> dict[str, dict[str, float]]:
    """Lift of each edge at the very edge, and at the inset where the pipeline states it."""
    inset_mm = settings.detrend.edge_lift_inset_mm
    figures: dict[str, dict[str, float]] = {}
    for edge in EDGES:
        at_edge = surface.lift_of(edge, *surface.edge_places(edge, 0.0))
        at_inset = surface.lift_of(edge, *surface.edge_places(edge, inset_mm))
        figures[edge] = {
            "mean": float(at_edge.mean()),
            "max": float(at_edge.max()),
            "mean_at_inset": float(at_inset.mean()),
            "max_at_inset": float(at_inset.max()),
            "inset_mm": inset_mm,
        }
    return figures
