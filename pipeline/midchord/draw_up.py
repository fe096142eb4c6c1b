"""The maps of one lite as a labelled dataset: every field with units, name and convention.

What each variable is: DEVELOPERS.md, "The maps". Fields on the map grid have dims (x, y); the
line table has the dim half_wave, names hw_*; the centre line has the dim centre_x.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.detrend import Detrended
from midchord.detrending.edge_lift import EDGES
from midchord.gauge import gain, sweep_gauge
from midchord.maps import (
    CLEAR,
    EDGE,
    NEAR,
    NO_GLASS,
    STATE_NO_GLASS,
    Zoning,
    cell_states,
    half_wave_field,
    interpolated,
    power_field,
)
from midchord.measure import Figures, Measured
from midchord.place import STATE_MEANINGS
from midchord.settings import Settings
from midchord.waves import distortion_mdpt

__all__ = ["half_wave_figures", "half_wave_table", "make_maps"]

Floats = npt.NDArray[np.float64]

HalfWaveTable = dict[str, npt.NDArray[Any]]


def make_maps(
    lite: xr.Dataset,
    parts: Detrended,
    waves: Measured,
    zoning: Zoning,
    map_x: Floats,
    map_y: Floats,
    settings: Settings,
) -> xr.Dataset:
    """Maps, line table and centre line of a lite; the summary is still to be added.

    lite    of place;  parts: of detrend;  waves: of measure, on lines at map_y
    map_x, map_y  (x,), (y,), mm, points of the maps
    """
    x, y = lite["x"].values, lite["y"].values

    def onto_map(field: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        return interpolated(field, x, y, map_x, map_y)

    height = onto_map(lite["height"].values)
    quality = cell_states(lite["state"].values, x, y, map_x, map_y)
    is_glass = quality != STATE_NO_GLASS
    is_measured = np.isfinite(height)
    reading = sweep_gauge(parts.residual, half_span_mm=_spans_of(waves, lite))
    zone = zoning.zones(map_x, map_y, _rows(waves.span_mm, waves.x_mm, map_x), is_glass)
    fields: dict[str, tuple[npt.NDArray[Any], dict[str, Any]]] = {
        "height": (height, {"units": "mm", "long_name": "height, placed, nothing removed"}),
        "residual": (
            onto_map(parts.residual.values),
            {"units": "mm", "long_name": "height less bow and edge lift"},
        ),
        "reading": (
            onto_map(reading.values),
            {"units": "mm", "long_name": "three-point reading of the residual"},
        ),
    }
    for figures, convention in ((waves.reading, "gauge"), (waves.surface, "surface")):
        table = half_wave_figures(figures)
        for key, name, units, title in _columns(convention):
            field = half_wave_field(
                figures.waves.line,
                figures.waves.x_from_mm,
                figures.waves.x_to_mm,
                table[key],
                map_x,
                map_y.size,
            )
            attrs = {"units": units, "long_name": title}
            if "wavelength" not in name:
                attrs["convention"] = convention
            fields[name] = (np.where(is_measured, field, np.float32(np.nan)), attrs)
        fields |= _loose_fields(figures, convention, waves.x_mm, map_x, is_measured)
    span_there = np.broadcast_to(_rows(waves.span_mm, waves.x_mm, map_x), is_glass.shape)
    fields["gain"] = (
        gain(span_there, fields["wavelength"][0]).astype(np.float32),
        {
            "units": "1",
            "long_name": "gain of the gauge, swing over true peak-to-valley",
            "comment": f"the gauge is nearly blind below {settings.maps.gain_blind:g}",
        },
    )
    options = {"window_mm": settings.maps.power_window_mm, "pool_mm": settings.waves.pool_mm}
    along, passes_x = power_field(lite["height"].values, x, y, map_x, map_y, **options)
    across, passes_y = power_field(
        np.ascontiguousarray(lite["height"].values.T), y, x, map_y, map_x, **options
    )
    for name, power, passes, way in (
        ("power_x", along, passes_x, "along the travel"),
        ("power_y", across.T, passes_y, "across the travel"),
    ):
        fields[name] = (
            np.where(is_measured, power, np.float32(np.nan)),
            {
                "units": "mdpt",
                "long_name": f"reflected power {way}",
                "comment": f"a wave of {passes:.0f} mm is passed by 90 %, longer ones by more",
            },
        )
    fields["zone"] = (zone, _flags((CLEAR, NEAR, EDGE, NO_GLASS), "clear near edge no_glass"))
    fields["quality"] = (quality, _flags(tuple(range(5)), STATE_MEANINGS))
    fields["zone"][1]["long_name"] = "zone by the contacts of the gauge"
    fields["quality"][1]["long_name"] = "what the points of the scan were"

    maps = xr.Dataset(
        {name: (("x", "y"), values, attrs) for name, (values, attrs) in fields.items()},
        coords={"x": ("x", map_x), "y": ("y", map_y)},
        attrs=dict(lite.attrs),
    )
    maps["x"].attrs.update(units="mm", axis="X", long_name="distance from the leading edge")
    maps["y"].attrs.update(units="mm", axis="Y", long_name="distance from the left-hand edge")
    for edge in EDGES:
        along_dim = "y" if edge in ("leading", "trailing") else "x"
        profile = parts.model.edge_profile(edge, maps[along_dim].values)
        maps[f"edge_lift_{edge}"] = (
            (along_dim,),
            profile.astype(np.float32),
            {"units": "mm", "long_name": f"edge lift along the {edge} edge"},
        )
    lines = table_lines(map_y, settings.lines.every_mm)
    columns = half_wave_table(waves, zone, map_x, map_y, lines)
    maps = maps.assign({f"hw_{name}": (("half_wave",), *c) for name, c in columns.items()})
    return maps.assign(_centre_line(lite, parts, waves))


def _loose_fields(
    figures: Figures,
    convention: str,
    x_mm: Floats,
    map_x: Floats,
    is_measured: npt.NDArray[np.bool_],
) -> dict[str, tuple[npt.NDArray[Any], dict[str, Any]]]:
    """What a verdict needs beside the figures: swings without one, and where a wave would have
    been seen."""
    prefix = "" if convention == "gauge" else "surface_"
    loose = figures.loose
    fields: dict[str, tuple[npt.NDArray[Any], dict[str, Any]]] = {}
    for name, values, units in (
        (f"loose_{prefix}depth", loose.swing_mm, "mm"),
        (f"loose_{convention}_distortion", loose.distortion_mdpt, "mdpt"),
    ):
        field = half_wave_field(
            loose.line, loose.x_from_mm, loose.x_to_mm, values, map_x, is_measured.shape[1]
        )
        fields[name] = (
            np.where(is_measured, field, np.float32(np.nan)),
            {
                "units": units,
                "long_name": "swing seen that is no half wave of a roll wave in the band",
                "convention": convention,
            },
        )
    pitch = (x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    row = np.clip(np.rint((map_x - x_mm[0]) / pitch).astype(int), 0, x_mm.size - 1)
    seen = (np.isfinite(figures.smooth[row]) & is_measured).astype(np.uint8)
    flags = _flags((0, 1), "not_seen seen")
    fields[f"{convention}_seen"] = (
        seen,
        flags | {"long_name": "whether a wave would have been seen", "convention": convention},
    )
    return fields


def half_wave_figures(figures: Figures) -> HalfWaveTable:
    """Depth, wavelength and distortion of half waves with standard uncertainties."""
    waves, terms = figures.waves, figures.budget
    distortion = distortion_mdpt(waves.depth_mm, waves.wavelength_mm)
    return {
        "depth": waves.depth_mm,
        "wavelength": waves.wavelength_mm,
        "distortion": distortion,
        "u_depth": terms.depth_mm,
        "u_wavelength": terms.wavelength_mm,
        "u_distortion": distortion * terms.distortion_relative,
    }


def _columns(convention: str) -> list[tuple[str, str, str, str]]:
    """Key of a half wave's figure, and name, units and title of its map."""
    if convention == "gauge":
        return [
            ("depth", "depth", "mm", "depth by the gauge: swing of its readings"),
            ("wavelength", "wavelength", "mm", "wavelength"),
            ("distortion", "gauge_distortion", "mdpt", "distortion by the gauge"),
            ("u_depth", "u_depth", "mm", "standard uncertainty of depth"),
            ("u_wavelength", "u_wavelength", "mm", "standard uncertainty of wavelength"),
            ("u_distortion", "u_gauge_distortion", "mdpt", "standard uncertainty of distortion"),
        ]
    return [
        ("depth", "surface_depth", "mm", "depth of the surface: true peak-to-valley"),
        ("distortion", "surface_distortion", "mdpt", "distortion of the surface"),
        ("u_depth", "u_surface_depth", "mm", "standard uncertainty of surface depth"),
        (
            "u_distortion",
            "u_surface_distortion",
            "mdpt",
            "standard uncertainty of surface distortion",
        ),
    ]


def _flags(values: tuple[int, ...], meanings: str) -> dict[str, Any]:
    return {
        "units": "1",
        "flag_values": np.array(values, dtype=np.uint8),
        "flag_meanings": meanings,
    }


def _line_spans(waves: Measured) -> xr.DataArray | float:
    """The half-span as a number, or labelled on the gauge lines where it varies; mm."""
    if waves.span_mm.size == 1:
        return float(waves.span_mm[0, 0])
    if waves.span_mm.shape[0] == 1:
        return xr.DataArray(waves.span_mm[0], dims=("y",), coords={"y": waves.line_y_mm})
    return xr.DataArray(
        waves.span_mm, dims=("x", "y"), coords={"x": waves.x_mm, "y": waves.line_y_mm}
    )


def _spans_of(waves: Measured, lite: xr.Dataset) -> xr.DataArray | float:
    """The half-spans at the columns of the scan."""
    spans = _line_spans(waves)
    if isinstance(spans, float):
        return spans
    y = np.clip(lite["y"].values, waves.line_y_mm[0], waves.line_y_mm[-1])
    return spans.interp(y=y)


def _rows(span_mm: Floats, x_mm: Floats, map_x: Floats) -> Floats:
    """Half-spans at the rows of the map, to broadcast over (x, y)."""
    if span_mm.shape[0] == 1:
        return span_mm
    pitch = (x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    row = np.clip(np.rint((map_x - x_mm[0]) / pitch).astype(int), 0, x_mm.size - 1)
    return np.asarray(span_mm[row])


def table_lines(map_y: Floats, every_mm: float) -> npt.NDArray[np.intp]:
    """Indices of lines every_mm apart, counted from the middle of the lite."""
    middle = 0.5 * (map_y[0] + map_y[-1])
    reach = int(0.5 * (map_y[-1] - map_y[0]) / every_mm)
    wanted = middle + every_mm * np.arange(-reach, reach + 1)
    return np.unique(np.abs(map_y[:, np.newaxis] - wanted).argmin(axis=0))


def half_wave_table(
    waves: Measured,
    zone: npt.NDArray[np.uint8],
    map_x: Floats,
    map_y: Floats,
    lines: npt.NDArray[np.intp],
) -> dict[str, tuple[npt.NDArray[Any], dict[str, Any]]]:
    """Every half wave of the lines: columns with their attributes, by half wave along each line."""
    figures = half_wave_figures(waves.reading)
    own = waves.reading.waves
    chosen = np.flatnonzero(np.isin(own.line, lines))
    surface = _surface_beside(waves, chosen)
    ends = [
        np.clip(np.searchsorted(map_x, at[chosen]), 0, map_x.size - 1)
        for at in (own.x_from_mm, own.x_to_mm)
    ]
    # a half wave is clear when both its turning points are
    zones = np.maximum(zone[ends[0], own.line[chosen]], zone[ends[1], own.line[chosen]])
    columns: dict[str, tuple[npt.NDArray[Any], str, str]] = {
        "line_y_mm": (map_y[own.line[chosen]], "mm", "place of the line"),
        "x_from_mm": (own.x_from_mm[chosen], "mm", "turning point it begins with"),
        "x_to_mm": (own.x_to_mm[chosen], "mm", "turning point it ends with"),
        "length_mm": ((own.x_to_mm - own.x_from_mm)[chosen], "mm", "length of the half wave"),
        "wavelength_mm": (figures["wavelength"][chosen], "mm", "wavelength"),
        "depth_mm": (figures["depth"][chosen], "mm", "depth by the gauge"),
        "gauge_distortion_mdpt": (figures["distortion"][chosen], "mdpt", "distortion, gauge"),
        "surface_depth_mm": (surface["depth"], "mm", "depth of the surface"),
        "surface_distortion_mdpt": (surface["distortion"], "mdpt", "distortion, surface"),
        "u_depth_mm": (figures["u_depth"][chosen], "mm", "standard uncertainty of depth"),
        "u_wavelength_mm": (figures["u_wavelength"][chosen], "mm", "of the wavelength"),
        "u_gauge_distortion_mdpt": (figures["u_distortion"][chosen], "mdpt", "of distortion"),
        "u_surface_depth_mm": (surface["u_depth"], "mm", "of the surface depth"),
        "u_surface_distortion_mdpt": (surface["u_distortion"], "mdpt", "of that distortion"),
    }
    table = {
        name: (values, {"units": units, "long_name": title})
        for name, (values, units, title) in columns.items()
    }
    rising = own.is_rising[chosen].astype(np.uint8)
    table["rising"] = (rising, _flags((0, 1), "falling rising"))
    flags = _flags((CLEAR, NEAR, EDGE), "clear near edge")
    table["zone"] = (np.minimum(zones, EDGE).astype(np.uint8), flags)
    return table


def _surface_beside(waves: Measured, chosen: npt.NDArray[np.intp]) -> HalfWaveTable:
    """Surface figures of the half wave in which the middle of each chosen one lies."""
    own, surface = waves.reading.waves, waves.surface.waves
    figures = half_wave_figures(waves.surface)
    names = ("depth", "distortion", "u_depth", "u_distortion")
    result: HalfWaveTable = {name: np.full(chosen.size, np.nan) for name in names}
    if surface.line.size == 0:
        return result
    # lines one after the other on one axis, so that one search serves all
    stride = 2 * float(waves.x_mm[-1] - waves.x_mm[0]) + 1
    starts = surface.line * stride + (surface.x_from_mm - waves.x_mm[0])
    middle = 0.5 * (own.x_from_mm + own.x_to_mm)[chosen]
    at = own.line[chosen] * stride + (middle - waves.x_mm[0])
    near = np.clip(np.searchsorted(starts, at, side="right") - 1, 0, starts.size - 1)
    fits = (
        (surface.line[near] == own.line[chosen])
        & (middle >= surface.x_from_mm[near])
        & (middle <= surface.x_to_mm[near])
    )
    for name in names:
        result[name] = np.where(fits, figures[name][near], np.nan)
    return result


def _centre_line(lite: xr.Dataset, parts: Detrended, waves: Measured) -> dict[str, Any]:
    """Profiles of the line nearest the middle, at scan pitch."""
    y = waves.line_y_mm
    line = int(np.abs(y - 0.5 * (y[0] + y[-1])).argmin())
    column = int(np.abs(lite["y"].values - y[line]).argmin())
    profiles = {
        "height": (lite["height"].values[:, column], "height, placed, nothing removed"),
        "residual": (waves.surface.lines[:, line], "height less bow and edge lift, pooled"),
        "reading": (waves.reading.lines[:, line], "three-point reading, pooled"),
        "reading_smooth": (waves.reading.smooth[:, line], "reading, smoothed"),
    }
    coords = xr.Variable(("centre_x",), waves.x_mm, {"units": "mm"})
    table: dict[str, Any] = {
        f"centre_{name}": (
            ("centre_x",),
            values.astype(np.float32),
            {"units": "mm", "long_name": title, "y_mm": float(y[line])},
        )
        for name, (values, title) in profiles.items()
    }
    table["centre_x"] = coords
    return table
