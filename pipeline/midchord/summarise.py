"""The summary of one lite: its figures over the clear points, zones, centre line and doubts.

Doubts are sentences about what did not stop the run but should be known: a lite too short for the
targets to hold, noise too large for a shallow wave, edges that were not seen.
"""

from __future__ import annotations

import json
import math
import platform
from dataclasses import asdict
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy import ndimage

import midchord
from midchord.detrend import Detrended
from midchord.draw_up import half_wave_figures, half_wave_table
from midchord.gauge import gain
from midchord.maps import CLEAR, statistics, zone_table
from midchord.measure import Figures, Measured
from midchord.settings import Settings
from midchord.uncertainty import expected_largest
from midchord_io.acquisition import findings_of
from midchord_io.quantisation import doubtful_step_mm

__all__ = ["FIGURES", "SCHEMA_VERSION", "summarise"]

SCHEMA_VERSION = 1
FIGURES = {
    "wavelength_mm": ("wavelength", "u_wavelength", None),
    "depth_mm": ("depth", "u_depth", "gauge"),
    "surface_depth_mm": ("surface_depth", "u_surface_depth", "surface"),
    "gauge_distortion_mdpt": ("gauge_distortion", "u_gauge_distortion", "gauge"),
    "surface_distortion_mdpt": ("surface_distortion", "u_surface_distortion", "surface"),
}
"""Key of the summary -> map, map of its uncertainty, convention."""

QUIET_MM = 60.0
"""Half-width of the running mean over lines that takes the noise off a map of half waves."""
SHORTEST_IN_WAVES = 8
SMALLEST_SPREAD_MM = 0.0005
"""Of the residual, 5 to 95 %: the noise of a scanner alone is more."""
LARGE_DROPOUT_SHARE = 0.2
LARGE_OPENINGS = 1e-4
"""Of the lite, in holes and notches: 3 cm2 of a lite of 3 m2."""
MANY_SPIKES = 5e-3
RELATIVE_NOISE = 0.1
LOOSE_SHARE = 0.005
SHORT_OVER_NOISE, SHORT_MM = 3.0, 0.001
SEEN = ("depth", "distortion", "wavelength")


def summarise(
    maps: xr.Dataset,
    lite: xr.Dataset,
    parts: Detrended,
    waves: Measured,
    settings: Settings,
    form: dict[str, Any],
) -> xr.Dataset:
    """The maps with settings, versions and summary in their attributes.

    form  bow and edge lift as they go into the summary
    """
    x, y = maps["x"].values, maps["y"].values
    clear = maps["zone"].values == CLEAR
    cell = float(x[1] - x[0]) * float(y[1] - y[0])
    half_wave = 0.5 * (waves.mean_wavelength_mm or settings.waves.band_max_mm)
    half_wave_mm2 = half_wave * max(2 * settings.waves.pool_mm, float(y[1] - y[0]))
    figures: dict[str, Any] = {}
    for key, (name, u, convention) in FIGURES.items():
        own = statistics(
            maps[name].values, maps[u].values, x, y, clear, half_wave_cells=half_wave_mm2 / cell
        )
        source = waves.surface if convention == "surface" else waves.reading
        own["max_bias"] = _bias(name, source, waves, maps, settings)
        own["convention"] = convention
        figures[key] = own
    no_wave = (
        figures["depth_mm"]["max"] is None
        and waves.mean_wavelength_mm is None
        and _unseen_mm(waves, settings) is None
    )
    attrs = lite.attrs
    digest: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "program_version": midchord.__version__,
        **{key: attrs.get(key) for key in ("lite_id", "instrument", "scanned_at", "face")},
        **{key: attrs.get(key) for key in ("source_file", "source_sha256", "adapter")},
        **{
            key: attrs[key]
            for key in (
                "scanned_at_from",
                "thickness_mm",
                "coated_face",
                "support",
                "temperature_c",
                "scanner",
                "support_pitch_mm",
            )
            if key in attrs
        },
        "length_mm": float(attrs["length_mm"]),
        "width_mm": float(attrs["width_mm"]),
        "skew_deg": float(attrs["skew_deg"]),
        "rectangular": bool(attrs["rectangular"]),
        "feet": settings.gauge.feet,
        "half_span_mm": waves.half_span_mm,
        "no_wave": no_wave,
        "mean_wavelength_mm": waves.mean_wavelength_mm,
        **figures,
        **form,
        "coverage": float(attrs["coverage"]),
        "dropout_share": float(attrs["dropout_share"]),
        "filled_share": float(attrs["filled_share"]),
        "spike_count": int(attrs["spike_count"]),
        "hole_count": int(attrs["hole_count"]),
        "notch_count": int(attrs["notch_count"]),
        "opening_share": float(attrs["opening_share"]),
        "noise_mm": _number(attrs.get("noise_mm")),
        "noise_density_mm3": waves.noise.density_mm3,
        "noise_correlation_mm": waves.noise.correlation_mm,
        "detection_depth_mm": waves.reading.detection_mm,
        "detection_surface_depth_mm": waves.surface.detection_mm,
        "clear_area_mm2": float(clear.sum()) * cell,
        "wave_share": _wave_share(maps, clear),
        "zones": zone_table(
            {key: (maps[n].values, maps[u].values) for key, (n, u, _) in FIGURES.items()},
            x,
            y,
            maps["zone"].values,
            length_mm=float(attrs["length_mm"]),
            width_mm=float(attrs["width_mm"]),
            grid=(settings.zones.grid_x, settings.zones.grid_y),
            half_wave_mm2=half_wave_mm2,
        ),
        "centre_line": _centre_line(waves, maps),
        "verdict": "not judged",
        "reasons": [],
        "reference": json.loads(attrs.get("reference", "null")),
        "conventions": {
            "gauge": "from the swing of three-point readings: twice the true peak-to-valley of an "
            "even wave at feet half a wavelength from the plunger",
            "surface": "from the true peak-to-valley of the surface",
            "wavelength": settings.waves.wavelength,
        },
        "settings": settings.model_dump(mode="json"),
        "versions": _versions(),
        "acquisition": [asdict(finding) for finding in findings_of(lite)],
        "doubts": [
            *_doubts(lite, maps, waves, figures, clear, settings),
            *(finding.sentence for finding in findings_of(lite) if finding.is_doubt),
        ],
    }
    return maps.assign_attrs(
        summary=json.dumps(digest, ensure_ascii=False, allow_nan=False),
        settings=settings.model_dump_json(),
        program_version=midchord.__version__,
        schema_version=SCHEMA_VERSION,
    )


def _number(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _unseen_mm(waves: Measured, settings: Settings) -> float | None:
    """Wavelength of waves in the surface that fixed feet are nearly blind to; None without."""
    own = waves.surface.waves.wavelength_mm
    if settings.gauge.feet != "fixed" or waves.mean_wavelength_mm is not None or own.size == 0:
        return None
    length = float(np.median(own))
    return length if gain(waves.half_span_mm, length) < settings.maps.gain_blind else None


def _wave_share(maps: xr.Dataset, clear: npt.NDArray[np.bool_]) -> float | None:
    """Share of the clear points that lie in a wave above detection."""
    if not clear.any():
        return None
    return float(np.isfinite(maps["depth"].values[clear]).mean())


def _bias(
    name: str, source: Figures, waves: Measured, maps: xr.Dataset, settings: Settings
) -> float | None:
    """Expected upward bias of the largest of the clear half waves; None where there are none.

    The largest of many noisy figures is too large by what their noise adds about the true ones,
    which vary slowly across the lite: a running mean over the lines stands for them. Taken about
    the noisy figures themselves the bias would come out far too small.
    """
    table = half_wave_figures(source)
    key = "wavelength" if name == "wavelength" else name.split("_")[-1]
    own = source.waves
    x, y = maps["x"].values, maps["y"].values
    row = np.clip(np.searchsorted(x, 0.5 * (own.x_from_mm + own.x_to_mm)), 0, x.size - 1)
    step = float(y[1] - y[0])
    # lines half a pool apart already look at noise that is mostly their own
    apart = max(1, round(settings.waves.pool_mm / step))
    chosen = (maps["zone"].values[row, own.line] == CLEAR) & (own.line % apart == 0)
    quiet = _across_lines(maps[name].values, max(3, 2 * round(QUIET_MM / step) + 1))
    true = quiet[row[chosen], own.line[chosen]].astype(np.float64)
    known = np.isfinite(true)
    if not known.any():
        return None
    return expected_largest(true[known], table[f"u_{key}"][chosen][known]) - float(
        true[known].max()
    )


def _across_lines(field: npt.NDArray[np.floating[Any]], width: int) -> npt.NDArray[np.float64]:
    """Running mean over this many lines, of the points that have a figure."""
    known = np.isfinite(field)
    total = ndimage.uniform_filter1d(
        np.where(known, field, 0.0).astype(np.float64), width, axis=1, mode="nearest"
    )
    share = ndimage.uniform_filter1d(known.astype(np.float64), width, axis=1, mode="nearest")
    return np.asarray(np.divide(total, share, out=np.full(field.shape, np.nan), where=known))


def _centre_line(waves: Measured, maps: xr.Dataset) -> dict[str, Any]:
    """The figures of the line nearest the middle, by half wave, as a hand survey has them."""
    y = waves.line_y_mm
    line = np.abs(y - 0.5 * (y[0] + y[-1])).argmin()
    table = half_wave_table(
        waves, maps["zone"].values, maps["x"].values, y, np.array([line], dtype=np.intp)
    )
    names = [name for name in table if name not in ("line_y_mm", "rising", "zone")]
    zones = table["zone"][1]["flag_meanings"].split()
    rows: list[dict[str, Any]] = [
        {name: _number(table[name][0][k]) for name in names}
        | {"rising": bool(table["rising"][0][k]), "zone": zones[table["zone"][0][k]]}
        for k in range(table["zone"][0].size)
    ]
    result: dict[str, Any] = {"y_mm": float(y[line]), "half_waves": rows}
    for name in ("wavelength_mm", "depth_mm", "gauge_distortion_mdpt"):
        values = [row[name] for row in rows if row["zone"] == "clear"]
        result[name] = {
            "min": min(values) if values else None,
            "mean": sum(values) / len(values) if values else None,
            "max": max(values) if values else None,
        }
    return result


def _versions() -> dict[str, str]:
    import numba
    import scipy

    return {
        "midchord": midchord.__version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "numba": numba.__version__,
        "xarray": xr.__version__,
    }


def _doubts(
    lite: xr.Dataset,
    maps: xr.Dataset,
    waves: Measured,
    figures: dict[str, Any],
    clear: npt.NDArray[np.bool_],
    settings: Settings,
) -> list[str]:
    doubts = []
    length, attrs = float(lite.attrs["length_mm"]), lite.attrs
    mean_mm = waves.mean_wavelength_mm
    if not clear.any():
        doubts.append(
            "No point of the lite has all three contacts clear of the edge zones, so there are no "
            "figures: it is too short, or the zones are too wide."
        )
    if mean_mm is not None and length < SHORTEST_IN_WAVES * mean_mm:
        doubts.append(
            f"The lite is {length / mean_mm:.1f} of its own waves long; below {SHORTEST_IN_WAVES} "
            "the form and the roll wave cannot be told apart as well as usual."
        )
    unseen_mm = _unseen_mm(waves, settings)
    if mean_mm is None and unseen_mm is None:
        doubts.append(
            f"No wave deeper than the detection bound of {waves.reading.detection_mm:.4f} mm by "
            f"the gauge was found between {settings.waves.band_min_mm:g} and "
            f"{settings.waves.band_max_mm:g} mm of wavelength; depth and distortion have no value."
        )
    if waves.noise.step_mm > 0 and not doubtful_step_mm(lite):  # its finding says it already
        doubts.append(
            f"Heights are rounded to {waves.noise.step_mm:.3g} mm and the noise does not blur the "
            "steps: no averaging takes them out, and waves of that size cannot be told from them."
        )
    doubts += _beside_the_waves(waves, maps, clear, settings)
    depth = figures["depth_mm"]["mean"]
    if depth is not None and waves.reading.detection_mm > depth / 3:
        doubts.append(
            f"The noise of the scan is large: waves below {waves.reading.detection_mm:.4f} mm by "
            "the gauge cannot be told from it, and the mean depth is less than three times that."
        )
    if float(attrs["coverage"]) < 1 - LARGE_DROPOUT_SHARE:
        doubts.append(f"Only {100 * float(attrs['coverage']):.0f} % of the glass was measured.")
    holes, notches = int(attrs["hole_count"]), int(attrs["notch_count"])
    if holes + notches and float(attrs["opening_share"]) > LARGE_OPENINGS:
        area_cm2 = float(attrs["opening_share"]) * length * float(attrs["width_mm"]) / 100
        doubts.append(
            f"{holes} hole{'' if holes == 1 else 's'} and "
            f"{notches} notch{'' if notches == 1 else 'es'}, "
            f"{area_cm2:.0f} cm2 in all, have no measurement and were taken for openings in the "
            "glass: if it has none, the sensor lost that part, and nothing is known of it."
        )
    if int(attrs["spike_count"]) > MANY_SPIKES * lite["height"].size:
        doubts.append(
            f"{int(attrs['spike_count'])} points were rejected as spikes: check for a code for "
            "'not measured' that the source description does not name."
        )
    unseen = [side for side, seen in attrs.get("edges_seen", {}).items() if not seen]
    if unseen and attrs.get("frame_of_scan") == "machine":
        doubts.append(
            f"The glass runs to the border of the scan at: {', '.join(unseen)}. That border was "
            "taken for the edge."
        )
    own_mm = mean_mm if mean_mm is not None else unseen_mm
    if own_mm is not None:
        weak = float(gain(waves.half_span_mm, own_mm))
        if weak < settings.maps.gain_blind:
            doubts.append(
                f"With feet {waves.half_span_mm:.4g} mm from the plunger the gauge is nearly blind "
                f"to waves of {own_mm:.0f} mm (gain {weak:.2f})."
            )
    if mean_mm is not None and clear.any() and figures["depth_mm"]["max"] is None:
        doubts.append(
            f"Waves of {mean_mm:.0f} mm were seen, but none on the clear points has a figure: "
            "they are out of the roll-wave band, or the form takes too much of them."
        )
    low, high = np.nanpercentile(waves.surface.lines, (5, 95))
    if high - low < SMALLEST_SPREAD_MM:
        doubts.append(
            f"Without bow and edge lift the heights spread over only {1e6 * (high - low):.3g} nm: "
            "m read as mm look like this."
        )
    return doubts


def _beside_the_waves(
    waves: Measured, maps: xr.Dataset, clear: npt.NDArray[np.bool_], settings: Settings
) -> list[str]:
    """What else the surface does: swings without a figure, and what is shorter than roll waves."""
    doubts = []
    band = f"{settings.waves.band_min_mm:g} and {settings.waves.band_max_mm:g} mm"
    loose = maps["loose_surface_depth"].values[clear]
    loose = loose[np.isfinite(loose)]
    clear_count = int(np.count_nonzero(clear))
    if loose.size > LOOSE_SHARE * clear_count:
        doubts.append(
            f"Swings of up to {loose.max():.4f} mm of the surface that are no half wave between "
            f"{band} were seen on {100 * loose.size / clear_count:.0f} % of the clear "
            "points; they have no figure."
        )
    left = waves.surface.lines - waves.surface.smooth
    left = left[np.isfinite(left)]
    if left.size:
        rms = float(np.sqrt((left.astype(np.float64) ** 2).mean()))
        noise = waves.noise.sample_sd_mm(waves.pitch_mm)
        if rms > max(SHORT_OVER_NOISE * noise, SHORT_MM):
            doubts.append(
                f"Beside roll waves and noise the surface varies by {rms:.4f} mm rms at shorter "
                "wavelengths: imprint, ripple or local defects. They belong to the power maps, not "
                "to these figures."
            )
    return doubts
