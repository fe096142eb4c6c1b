"""One lite, from scan to maps: the whole path on one screen.

    scan, less the flat reference --place--> lite --detrend--> residual, form, edge lift
         --measure--> readings and half waves, feet set by the waves --draw up--> maps, summary
"""

from __future__ import annotations

import json
import os
from typing import Any

import numpy as np
import xarray as xr

from midchord.detrend import Detrended, detrend
from midchord.detrending.bow import overall_bow, quadratic_power_mdpt
from midchord.detrending.edge_lift import EDGES
from midchord.detrending.gaussian_regression import transmission
from midchord.draw_up import make_maps
from midchord.judge import judge
from midchord.judging.limits import Limits
from midchord.maps import Zoning, map_positions
from midchord.measure import ClearRange, measure
from midchord.place import place
from midchord.reference import Reference, orientation_of
from midchord.reference_use import subtract_reference
from midchord.settings import Settings
from midchord.summarise import summarise
from midchord.supports import drift_findings, support_findings
from midchord_io.acquisition import with_findings
from midchord_io.adapters import open_scan
from midchord_io.errors import ImplausibleScan
from midchord_io.scan import check_scan
from midchord_io.source import SourceDescription

__all__ = ["map_file", "process", "summary"]

LARGEST_RESIDUAL_MM = 5.0
"""Spread, 5 to 95 %, of what is left without bow and edge lift; roll waves are 0.01 to 0.5 mm."""


def process(
    scan: xr.Dataset, settings: Settings | None = None, *, full: bool = False
) -> xr.Dataset:
    """Maps and summary of one lite.

    scan      by the scan contract (midchord_io.scan), e.g. of open_scan
    settings  the defaults where none are given
    full      maps at scan pitch instead of map_pitch_mm
    returns   Dataset on the lite frame, dims x and y in mm; see DEVELOPERS.md for the variables.
              attrs["summary"] is the summary as JSON; summary(maps) reads it
    Raises    ScanError where the scan is refused
    Source    the definitions in docs/figures.md
    """
    settings = settings or Settings.load()
    scan = check_scan(scan)
    where = str(scan.attrs.get("source_file") or scan.attrs["lite_id"])
    s = settings

    lite = place(scan, **s.place.model_dump())
    parts = detrend(
        lite["height"],
        lite["state"] != 4,
        longest_wave_mm=s.waves.band_max_mm,
        shortest_wave_mm=s.waves.band_min_mm,
        where=where,
        **s.detrend.model_dump(exclude={"edge_lift_inset_mm"}),
    )
    _check_plausible(parts.residual, where)

    pitch = 0.0 if full else s.maps.map_pitch_mm
    map_x = map_positions(lite["x"].values, pitch)
    map_y = map_positions(lite["y"].values, pitch)
    zoning = _zoning(parts, lite, map_x, map_y, s)
    waves = measure(
        parts.residual.values,
        _doubt(parts, lite["x"].values, map_y),
        lite["x"].values,
        lite["y"].values,
        map_y,
        _clear(zoning, map_y, s),
        s,
        step_mm=float(lite.attrs["step_mm"]),
        where=where,
    )
    form = _measured_form(parts, lite, s)
    lite = with_findings(
        lite,
        *support_findings(waves.surface.lines, waves.x_mm, lite.attrs),
        *drift_findings(form["bow_mm"], lite.attrs),
    )
    maps = make_maps(lite, parts, waves, zoning, map_x, map_y, s)
    form["quadratic_power_mdpt"] = quadratic_power_mdpt(maps["height"].values, map_x, map_y)
    return summarise(maps, lite, parts, waves, s, form)


def summary(maps: xr.Dataset) -> dict[str, Any]:
    """The summary of maps, as a dict."""
    return dict(json.loads(maps.attrs["summary"]))


def map_file(
    path: str | os.PathLike[str],
    *,
    source: SourceDescription | None = None,
    settings: Settings | None = None,
    limits: Limits | None = None,
    full: bool = False,
    reference: Reference | None = None,
) -> xr.Dataset:
    """Maps and summary of the lite in a file, judged where limits are given.

    reference  the flat reference of the sensor, subtracted before anything else
    Raises  ScanError where the file or the lite is refused, SettingsError for limits that speak
            of zones the settings do not have
    """
    settings = settings or Settings.load()
    scan = open_scan(path, source)
    if reference is not None:
        orientation = orientation_of(source)
        scan = subtract_reference(scan, reference, orientation=orientation, settings=settings)
    maps = process(scan, settings, full=full)
    if limits is None:
        return maps
    verdict = judge(
        summary(maps), maps, limits, coverage_factor=settings.judge.coverage_factor
    )
    judged = json.dumps(summary(maps) | verdict, ensure_ascii=False, allow_nan=False)
    return maps.assign_attrs(summary=judged)


def _check_plausible(residual: xr.DataArray, where: str) -> None:
    values = residual.values[:: max(1, residual.shape[0] // 500)]
    low, high = np.nanpercentile(values, (5, 95))
    if high - low > LARGEST_RESIDUAL_MM:
        raise ImplausibleScan(
            where,
            found=f"waves of {high - low:.1f} mm once bow and edge lift are out",
            needed=f"a lite of glass, whose waves stay below {LARGEST_RESIDUAL_MM:g} mm",
            do="check the height units: um read as mm look like this",
        )


def _zoning(
    parts: Detrended, lite: xr.Dataset, map_x: Any, map_y: Any, settings: Settings
) -> Zoning:
    rims, x, y = parts.model.rims, lite["x"].values, lite["y"].values
    return Zoning(
        np.interp(map_y, y, rims.leading_x),
        np.interp(map_y, y, rims.trailing_x),
        np.interp(map_x, x, rims.left_y),
        np.interp(map_x, x, rims.right_y),
        settings.zones.edge_x_mm,
        settings.zones.edge_y_mm,
    )


def _clear(zoning: Zoning, map_y: Any, settings: Settings) -> ClearRange:
    first, last = zoning.clear_range()
    left, right = zoning.left_y.min(), zoning.right_y.max()
    side = settings.zones.edge_y_mm
    return ClearRange(first, last, (map_y - left >= side) & (right - map_y >= side))


def _doubt(parts: Detrended, x_mm: Any, line_y_mm: Any) -> Any:
    """Change of form and edge lift with the edge model, on the gauge lines; (x, line), mm."""
    rims, y_mm = parts.model.rims, parts.residual["y"].values
    lines = rims._replace(
        leading_x=np.interp(line_y_mm, y_mm, rims.leading_x),
        trailing_x=np.interp(line_y_mm, y_mm, rims.trailing_x),
    )
    own, other = (
        model.form(x_mm, line_y_mm) * np.float32(-1) for model in (parts.model, parts.varied)
    )
    parts.model.subtract_lift(own, lines, x_mm, line_y_mm)
    parts.varied.subtract_lift(other, lines, x_mm, line_y_mm)
    own -= other
    return own


def _measured_form(parts: Detrended, lite: xr.Dataset, settings: Settings) -> dict[str, Any]:
    """Bow, and edge lift along each edge, for the summary."""
    model, x, y = parts.model, lite["x"].values, lite["y"].values

    def form_at(at_x: Any, at_y: Any) -> Any:
        if parts.filtered_form is None:
            return np.array([model.form(at_x[[k]], at_y[[k]])[0, 0] for k in range(at_x.size)])
        return parts.filtered_form.interp(
            x=xr.DataArray(np.clip(at_x, x[0], x[-1])),
            y=xr.DataArray(np.clip(at_y, y[0], y[-1])),
        ).values

    bow, per_metre = overall_bow(form_at, model.rims)
    lift: dict[str, Any] = {}
    inset = settings.detrend.edge_lift_inset_mm
    for edge in EDGES:
        at_mm = y if edge in ("leading", "trailing") else x
        profile = model.edge_profile(edge, at_mm)
        top = int(np.abs(profile).argmax())
        lift[edge] = {
            "mean": float(profile.mean()),
            "max": float(profile[top]),
            "at_mm": float(at_mm[top]),
            "inset_mm": inset,
            "mean_at_inset": float(model.edge_profile(edge, at_mm, inset_mm=inset).mean()),
        }
    return {
        "bow_mm": bow,
        "bow_mm_per_m": per_metre,
        "edge_lift_mm": {edge: detail["max"] for edge, detail in lift.items()},
        "edge_lift_detail": lift,
        "form_order": list(parts.model.order),
        "form_filter": _form_filter(settings),
    }


def _form_filter(settings: Settings) -> dict[str, float] | None:
    """What the filter of the form, if one was used, takes from the longest roll wave."""
    cutoff_mm, longest_mm = settings.detrend.filter_cutoff_mm, settings.waves.band_max_mm
    if cutoff_mm is None:
        return None
    return {
        "cutoff_mm": cutoff_mm,
        "longest_wave_mm": longest_mm,
        "loss_corrected": float(transmission(longest_mm, cutoff_mm)),
    }
