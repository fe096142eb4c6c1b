"""The page of one lite: one HTML file that needs nothing else, on the screen or on A4.

A reader who knows the trade and not the program finds at the top, in this order: the verdict, where
the worst point is, how bad, by which convention, how sure. Evidence follows: figures, maps, the
centre line with its half waves, zones, bow and edge lift, doubts, settings, provenance, cautions.

The page carries its pictures inside, fetches nothing, runs no script, and holds no time of its own:
the same maps give the same page. All text that came from a file is escaped.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from midchord.report import tables
from midchord.report.house_style import (
    CONVENTION_NAMES,
    FIGURES,
    NO_VALUE_TEXT,
    FigureStyle,
    shown,
    shown_with,
)
from midchord.report.pictures import Size, picture_bytes
from midchord.report.result import Worst, clear_values, is_about, limit_of, summary_of, worst_of

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
    "quality",
)
"""Maps on the page, in order, after the headline map."""

HEADLINE = "gauge_distortion"

VERDICTS = {
    "within": ("Within its limits", "✓"),
    "outside": ("Outside its limits", "✕"),
    "undecided": ("Undecided", "?"),
    "not judged": ("Not judged", "–"),
}

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
    from jinja2 import Environment, PackageLoader, StrictUndefined

    summary = summary_of(maps)
    environment = Environment(
        loader=PackageLoader("midchord.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    headline = _headline(maps, summary)
    first = headline.style if _has_value(maps, headline.style.name) else FIGURES["residual"]
    drawn = [
        FIGURES[name]
        for name in dict.fromkeys((HEADLINE, *PAGE_MAPS))
        if name in maps and name != first.name
    ]
    return environment.get_template("page.html.j2").render(
        summary=summary,
        verdict=_verdict(summary),
        reasons=tables.reason_rows(summary),
        answers=_answers(maps, summary, headline),
        key_rows=tables.key_rows(summary),
        wavelength=tables.wavelength_row(summary),
        headline=_map_picture(maps, summary, first, "full"),
        maps=[
            _map_picture(maps, summary, style, "small")
            for style in drawn
            if _has_value(maps, style.name)
        ],
        empty=[_lower(style.title) for style in drawn if not _has_value(maps, style.name)],
        centre_line=_centre_line(maps, summary),
        half_waves=tables.half_wave_rows(summary),
        histogram=_histogram(maps, summary, headline.style),
        zones=tables.zone_rows(summary),
        bow=tables.bow_rows(summary),
        edge_lift=tables.edge_lift_rows(summary),
        trust=_trust(maps, summary),
        doubts=[str(doubt) for doubt in summary.get("doubts") or []],
        settings=list(tables.flat_settings(summary.get("settings") or {})),
        provenance=_provenance(maps, summary),
        conventions=CONVENTION_NAMES,
        cautions=CAUTIONS,
    )


def _verdict(summary: Mapping[str, Any]) -> dict[str, str]:
    stated = str(summary.get("verdict") or "not judged")
    words, mark = VERDICTS.get(stated, VERDICTS["not judged"])
    return {"words": words, "mark": mark, "kind": stated.replace(" ", "-")}


@dataclass(frozen=True)
class Headline:
    """The figure that the top of the page is about, and the reason that made it so."""

    style: FigureStyle
    reason: Mapping[str, Any] | None


def _headline(maps: xr.Dataset, summary: Mapping[str, Any]) -> Headline:
    """The figure that decided against the lite, the limits file's own headline first among equals.

    Where nothing speaks against it: that headline; the gauge distortion where nothing was judged.
    """
    verdict, named = summary.get("verdict"), str(summary.get("headline"))
    preferred = FIGURES[named] if named in FIGURES and named in maps else FIGURES[HEADLINE]
    others = [style for style in FIGURES.values() if style.name in maps and style != preferred]
    for style in (preferred, *others):
        for reason in summary.get("reasons") or []:
            decided = verdict != "within" or style == preferred
            limit = reason.get("limit") or {}
            if decided and reason.get("verdict") == verdict and is_about(limit, style):
                return Headline(style, reason)
    return Headline(preferred, None)


def _has_value(maps: xr.Dataset, name: str) -> bool:
    return FIGURES[name].scale == "classes" or bool(np.isfinite(maps[name].values).any())


def _answers(
    maps: xr.Dataset, summary: Mapping[str, Any], headline: Headline
) -> list[tuple[str, str]]:
    """Where, how bad, by which convention, how sure: a question and its answer each."""
    style = headline.style
    worst = worst_of(maps, style)
    if worst is None:
        bound = _amount(summary.get("detection_depth_mm"), "mm")
        if summary.get("no_wave"):
            what = f"no wave above the detection bound (a depth of {bound}) was found"
        else:
            what = f"{_lower(style.label)}: no value at any clear point"
        return [("How bad", what), ("How sure", _how_sure(summary))]
    figure = summary.get(style.summary or "") or {}
    bad = f"largest {_lower(style.label)} {shown_with(worst.value, worst.uncertainty)} {style.unit}"
    usual = shown(figure.get("p95"), worst.uncertainty)
    bad += f"; 95 % of the clear points are below {usual} {style.unit}"
    limit = (headline.reason or {}).get("limit") or {}
    if limit.get("unit") == style.unit:
        bad += f"; the limit is {limit['limit']:g} {style.unit}"
    ringed = {"x_mm": worst.x_mm, "y_mm": worst.y_mm}
    place = (headline.reason or {}).get("place") or ringed
    where = tables.place_words(place) + (" (ringed below)" if place == ringed else "")
    answers = [("Where", where), ("How bad", bad)]
    if style.convention:
        named = CONVENTION_NAMES[style.convention]
        answers.append(("By which convention", f"{named}: {style.meaning}"))
    answers.append(("How sure", _sure_of(worst, figure, style) + _how_sure(summary)))
    return answers


def _lower(label: str) -> str:
    return f"{label[0].lower()}{label[1:]}"


def _sure_of(worst: Worst, figure: Mapping[str, Any], style: FigureStyle) -> str:
    if worst.uncertainty is None:
        return ""
    text = f"standard uncertainty {shown(worst.uncertainty, worst.uncertainty)} {style.unit}"
    bias = figure.get("max_bias")
    if bias:
        text += (
            f"; being the largest of many, it is expected to read "
            f"{shown(bias, worst.uncertainty)} {style.unit} too high"
        )
    return text + "; "


def _how_sure(summary: Mapping[str, Any]) -> str:
    doubts = len(summary.get("doubts") or [])
    said = {0: "no doubt noted", 1: "1 doubt noted"}.get(doubts, f"{doubts} doubts noted")
    return f"{tables.share(summary.get('coverage'))} of the glass was measured; {said}"


def _amount(value: float | None, unit: str) -> str:
    """Two digits and the unit: for what has no uncertainty of its own."""
    if value is None:
        return NO_VALUE_TEXT
    half_step = 5 * 10.0 ** (math.floor(math.log10(abs(value))) - 1) if value else 0.5
    return f"{shown(value, half_step)} {unit}"


def _map_picture(
    maps: xr.Dataset, summary: Mapping[str, Any], style: FigureStyle, size: Size
) -> Picture:
    limit = limit_of(summary, style)
    dpi = 150 if size == "full" else 170
    content = picture_bytes(maps, style.name, limit=limit, dpi=dpi, size=size)
    worst = worst_of(maps, style)
    alt = f"Map of the lite, {style.title.lower()}: "
    if style.scale == "classes":
        measured = float((maps["quality"].values == 0).mean())
        alt += f"{tables.share(measured)} of the cells were measured directly."
        caption = "Where the scan was measured, filled, cleaned of a spike or left without a value."
    else:
        finite = maps[style.name].values[np.isfinite(maps[style.name].values)]
        unit = f" {style.unit}".rstrip()
        low, high = (shown(float(v), _digit(finite)) for v in (finite.min(), finite.max()))
        alt += f"from {low} to {high}{unit}"
        if worst is not None:
            place = tables.place_words({"x_mm": worst.x_mm, "y_mm": worst.y_mm})
            alt += f"; largest {shown_with(worst.value, worst.uncertainty)}{unit} at {place}"
        alt += "."
        caption = f"{style.meaning[0].upper()}{style.meaning[1:]}." if style.meaning else ""
    return Picture(style.name, style.title, alt, caption, _embedded(content))


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
        f"95 % below {shown(figure.get('p95'), figure.get('u_max'))}, "
        f"largest {shown(figure.get('max'), figure.get('u_max'))} {style.unit}"
    )
    alt += "." if limit is None else f"; limit {limit:g} {style.unit}."
    content = picture_bytes(maps, f"histogram_{style.name}", dpi=150, limit=limit)
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
        ("Coverage", f"{tables.share(summary.get('coverage'))} of the glass was measured"),
        ("Noise of the scan", _amount(summary.get("noise_mm"), "mm (standard deviation)")),
        (
            "Detection bound",
            f"{_amount(summary.get('detection_depth_mm'), 'mm')} of depth: a wave below it has no "
            "figure and counts as under the limit",
        ),
        (
            "Feet of the virtual gauge",
            f"{half_span} mm from plunger to foot; feet mode: {summary.get('feet', '–')}",
        ),
        (
            "Mean wavelength",
            f"{shown_with(mean_mm, wavelength.get('u_mean'))} mm"
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


def _provenance(maps: xr.Dataset, summary: Mapping[str, Any]) -> list[tuple[str, str]]:
    def known(key: str) -> str:
        return str(summary.get(key) or maps.attrs.get(key) or "not stated")

    rows = [
        ("Lite", known("lite_id")),
        ("Instrument", known("instrument")),
        ("Scanned at (UTC)", known("scanned_at")),
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
