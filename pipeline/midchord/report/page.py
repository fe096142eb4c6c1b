"""The page of one lite: one HTML file that needs nothing else, on the screen or on A4.

A reader who knows the trade and not the program finds at the top, in this order: the verdict, where
the worst point is, how bad, by which convention, how sure; all of the limit that decided, in its
zone. Evidence follows: the map, key figures, limits, maps, the centre line with its half waves,
zones, bow and edge lift, doubts, settings, provenance, cautions.

The page carries its pictures inside, fetches nothing, runs no script, and holds no time of its own:
the same maps give the same page. All text that came from a file is escaped.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from midchord.report import tables
from midchord.report.answers import (
    VERDICTS,
    Headline,
    answers_of,
    coverage_words,
    doubts_of,
    headline_of,
    scanned_words,
    time_of_file,
    undecided_words,
)
from midchord.report.house_style import (
    CONVENTION_NAMES,
    FIGURES,
    NO_VALUE_TEXT,
    FigureStyle,
    amount,
    shown,
    shown_with,
)
from midchord.report.pictures import Size, picture_bytes
from midchord.report.result import (
    GENERAL_ZONES,
    clear_values,
    limit_of,
    map_limit,
    summary_of,
    worst_of,
)
from midchord.report.templates import filled

__all__ = ["PAGE_MAPS", "lite_page"]

PAGE_MAPS = (
    "surface_distortion",
    "depth",
    "surface_depth",
    "wavelength",
    "power_x",
    "reading",
    "residual",
    "height",
)
"""Maps on the page, in order, after the headline map; zones and quality stand with their tables."""

CAUTIONS = (
    "Heat-treated glass can break into many pieces without warning, and large lites are heavy: "
    "wear gloves, sleeves and eye protection, and never stand under a raised lite.",
    "Laser scanners have a class (IEC 60825-1): keep to the maker's interlocks.",
    "Moving conveyors: do not reach in; lock out before cleaning a sensor.",
    "midchord judges flatness and distortion only. It does not certify safety glazing, and its "
    "verdict does not replace the tests that the local code, the contract and a licensed "
    "professional require.",
    "It is no safety function: a controller must not rely on it to protect people.",
)


@dataclass(frozen=True)
class Picture:
    """A picture inside the page."""

    name: str
    heading: str
    alt: str
    caption: str
    source: str


def lite_page(maps: xr.Dataset) -> str:
    """The page of one lite as HTML; see the module."""
    summary = summary_of(maps)
    headline = headline_of(maps, summary)
    first = headline.style if _has_value(maps, headline.style.name) else FIGURES["residual"]
    drawn = [
        FIGURES[name]
        for name in dict.fromkeys((headline.usual, *PAGE_MAPS))
        if name in maps and name != first.name
    ]
    return filled(
        "page.html.j2",
        summary=summary,
        verdict=_verdict(summary),
        said=_said(summary, headline),
        scanned=scanned_words(maps, summary),
        undecided=undecided_words(summary),
        reasons=tables.reason_rows(summary),
        limit_zones=_limit_zones(summary),
        answers=answers_of(maps, summary, headline),
        key_rows=tables.key_rows(summary),
        wavelength=tables.wavelength_row(summary),
        headline=_map_picture(maps, summary, first, "full"),
        maps=[
            _map_picture(maps, summary, style, "small")
            for style in drawn
            if _has_value(maps, style.name)
        ],
        empty=[tables.lower(style.title) for style in drawn if not _has_value(maps, style.name)],
        centre_line=_centre_line(maps, summary),
        half_waves=tables.half_wave_rows(summary),
        histogram=_histogram(maps, summary, headline.style),
        zones=tables.zone_rows(summary),
        quality_map=_map_picture(maps, summary, FIGURES["quality"], "small"),
        zone_map=_map_picture(maps, summary, FIGURES["zone"], "small"),
        bow=tables.bow_rows(summary),
        edge_lift=tables.edge_lift_rows(summary),
        trust=_trust(maps, summary),
        doubts=doubts_of(summary),
        # those that throw doubt on a figure stand among the doubts already
        acquisition=[f for f in summary.get("acquisition") or [] if not f["is_doubt"]],
        settings=list(tables.flat_settings(summary.get("settings") or {})),
        provenance=_provenance(maps, summary),
        conventions=CONVENTION_NAMES,
        cautions=CAUTIONS,
    )


def _verdict(summary: Mapping[str, Any]) -> dict[str, str]:
    stated = str(summary.get("verdict") or "not judged")
    words, mark = VERDICTS.get(stated, VERDICTS["not judged"])
    return {"words": words, "mark": mark, "kind": stated.replace(" ", "-")}


def _said(summary: Mapping[str, Any], headline: Headline) -> list[str]:
    """Sentences of the limits that were not kept; where all were, of the one that is nearest."""
    reasons = summary.get("reasons") or []
    adverse = [str(r.get("sentence")) for r in reasons if r.get("verdict") != "within"]
    kept = len(reasons) - len(adverse)
    if adverse:
        if kept == 0:
            return adverse
        words = "The other limit is kept." if kept == 1 else f"The other {kept} limits are kept."
        return [*adverse, words]
    if headline.reason is None or len(reasons) == 1:
        return [str(reason.get("sentence")) for reason in reasons]
    return [str(headline.reason.get("sentence")), f"All {len(reasons)} limits are kept."]


def _limit_zones(summary: Mapping[str, Any]) -> list[str]:
    """Which points the limits take: the words of each zone once."""
    limits = [reason.get("limit") or {} for reason in summary.get("reasons") or []]
    return list(dict.fromkeys(tables.zone_words(limit) for limit in limits))


def _has_value(maps: xr.Dataset, name: str) -> bool:
    return FIGURES[name].scale == "classes" or bool(np.isfinite(maps[name].values).any())


def _map_picture(
    maps: xr.Dataset, summary: Mapping[str, Any], style: FigureStyle, size: Size
) -> Picture:
    dpi = 150 if size == "full" else 170
    content = picture_bytes(maps, style.name, dpi=dpi, size=size)
    worst = worst_of(maps, style)
    alt = f"Map of the lite, {style.title.lower()}: "
    if style.scale == "classes":
        of_glass = maps["zone"].values != 255
        first = float((maps[style.name].values[of_glass] == 0).mean()) if of_glass.any() else 0.0
        alt += f"{tables.share(first)} of the glass is {_first_class(maps, style)}."
        caption = style.meaning
    else:
        finite = maps[style.name].values[np.isfinite(maps[style.name].values)]
        unit = f" {style.unit}".rstrip()
        low, high = (shown(float(v), _digit(finite)) for v in (finite.min(), finite.max()))
        alt += f"from {low} to {high}{unit}"
        if worst is not None:
            place = tables.place_words({"x_mm": worst.x_mm, "y_mm": worst.y_mm})
            value = shown_with(worst.value, worst.uncertainty, finest=style.finest)
            alt += f"; largest in the zone {worst.zone}: {value}{unit} at {place}"
        asked = map_limit(summary, style)
        if asked is not None:
            where = "" if asked.zone in GENERAL_ZONES else f" in the zone {asked.zone}"
            alt += f"; limit {asked.value:g}{unit}{where}"
        alt += "."
        caption = f"{style.meaning[0].upper()}{style.meaning[1:]}." if style.meaning else ""
        if style.name in ("power_x", "power_y", "height"):
            caption += _ends(maps, style)
    return Picture(style.name, style.title, alt, caption, _embedded(content))


def _first_class(maps: xr.Dataset, style: FigureStyle) -> str:
    return str(maps[style.name].attrs["flag_meanings"]).split()[0]


def _ends(maps: xr.Dataset, style: FigureStyle) -> str:
    return (
        " Scale: all of its points; zero is where the scanner put it."
        if style.name == "height"
        else " Scale: the clear and near points; edge lift may go beyond it."
    )


def _digit(finite: Any) -> float:
    """An uncertainty that gives the ends of a range three digits of the larger."""
    largest = float(np.abs(finite).max())
    return largest / 200 if largest > 0 else 1.0


def _centre_line(maps: xr.Dataset, summary: Mapping[str, Any]) -> Picture | None:
    if "centre_reading" not in maps:
        return None
    line = summary.get("centre_line") or {}
    waves = line.get("half_waves") or []
    depth = line.get("depth_mm") or {}
    alt = f"Reading and residual along the centre line with {len(waves)} half waves marked"
    if waves:
        alt += f"; depth from {shown(depth.get('min'))} to {shown(depth.get('max'))} mm"
    caption = (
        "Peaks (open) and valleys (filled) of the reading. Under each half wave: its depth W in "
        "the gauge convention and its wavelength L."
        if waves
        else "Reading and residual along the centre line, without a wave to mark."
    )
    content = picture_bytes(maps, "centre_line", dpi=150)
    return Picture("centre_line", "Centre line", f"{alt}.", caption, _embedded(content))


def _histogram(maps: xr.Dataset, summary: Mapping[str, Any], style: FigureStyle) -> Picture | None:
    if not np.isfinite(clear_values(maps, style.name)).any():
        return None
    figure = summary.get(style.summary or "") or {}
    limit = limit_of(summary, style)
    alt = (
        f"Histogram of {style.title.lower()} over the clear area: "
        f"95 % below {shown(figure.get('p95'), figure.get('u_max'), finest=style.finest)}, "
        f"largest {shown(figure.get('max'), figure.get('u_max'), finest=style.finest)} "
        f"{style.unit}"
    )
    alt += "." if limit is None else f"; limit {limit:g} {style.unit}."
    content = picture_bytes(maps, f"histogram_{style.name}", dpi=150)
    return Picture("histogram", f"Histogram: {style.title}", alt, "", _embedded(content))


def _embedded(content: bytes) -> str:
    """A PNG as a data address."""
    return "data:image/png;base64," + base64.b64encode(content).decode("ascii")


def _trust(maps: xr.Dataset, summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What the figures rest on."""
    half_span = shown(summary.get("half_span_mm"), 0.5)
    wavelength = summary.get("wavelength_mm") or {}
    mean_mm = summary.get("mean_wavelength_mm")
    rows = [
        ("Coverage", coverage_words(summary)),
        (
            "Clear area with a figure",
            f"{tables.share(summary.get('wave_share'))}; elsewhere no wave is above the bound",
        ),
        ("Noise of the scan", amount(summary.get("noise_mm"), "mm (standard deviation)")),
        (
            "Detection bound",
            f"a depth of {amount(summary.get('detection_depth_mm'), 'mm')} in the gauge "
            f"convention, {amount(summary.get('detection_surface_depth_mm'), 'mm')} in the "
            "surface convention: a wave below it has no figure",
        ),
        (
            "Feet of the virtual gauge",
            f"{half_span} mm from plunger to foot; feet mode: {summary.get('feet', '–')}",
        ),
        (
            "Mean length of the full waves",
            f"{shown_with(mean_mm, wavelength.get('u_mean'), finest=-1)} mm{_feet_from(summary)}"
            if mean_mm is not None
            else NO_VALUE_TEXT,
        ),
        ("Skew on the line", f"{shown(summary.get('skew_deg'), 0.03)}°"),
    ]
    if summary.get("decision_rule"):
        rows.append(("Limits", str(summary.get("limits") or "–")))
        rows.append(("Decision rule", str(summary["decision_rule"])))
        rows.append(("Coverage factor k of the guard band", f"{summary.get('coverage_factor'):g}"))
    for name, words in (
        ("dropout_share", "Dropouts"),
        ("filled_share", "Filled"),
    ):
        if maps.attrs.get(name) is not None:
            rows.append((words, tables.share(float(maps.attrs[name]))))
    return rows


def _feet_from(summary: Mapping[str, Any]) -> str:
    """What the mean over waves is for, and why the one over area is another number."""
    sets = "; half of it sets the feet" if summary.get("feet") == "mean" else ""
    return (
        f", each wave counted once{sets}. The mean under key figures is over area, where a long "
        "wave counts more"
    )


def _provenance(maps: xr.Dataset, summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    def known(key: str) -> str:
        return str(summary.get(key) or maps.attrs.get(key) or "not stated")

    rows = [
        ("Lite", known("lite_id")),
        ("Instrument", known("instrument")),
        ("Scanned at (UTC)", known("scanned_at") + time_of_file(maps, summary)),
        ("Face scanned", known("face")),
        ("Source file", known("source_file")),
        ("SHA-256 of the source", known("source_sha256")),
        ("midchord", known("program_version")),
    ]
    for key, words in (
        ("thickness_mm", "Thickness / mm"),
        ("coated_face", "Coated face"),
        ("support", "Support"),
        ("temperature_c", "Temperature / °C"),
    ):
        if maps.attrs.get(key) not in (None, ""):
            rows.append((words, str(maps.attrs[key])))
    versions = summary.get("versions") or {}
    if versions:
        rows.append(("Libraries", ", ".join(f"{name} {v}" for name, v in versions.items())))
    return rows
