"""Rows of the page's tables, as text: the only place where a figure of the summary is rounded.

The gauge convention and the surface convention stand side by side and each number stands under
the name of its own; no row, no cell and no sentence mixes the two.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from midchord.judging.decision import DIAGONALS, told_apart
from midchord.report.house_style import (
    CONVENTION_NAMES,
    FIGURES,
    NO_VALUE_TEXT,
    FigureStyle,
    shown,
    shown_with,
)
from midchord.report.result import is_about

__all__ = [
    "bow_rows",
    "edge_lift_rows",
    "flat_settings",
    "half_wave_rows",
    "key_rows",
    "limit_words",
    "limited_figure",
    "lower",
    "place_words",
    "reason_rows",
    "share",
    "wavelength_row",
    "zone_rows",
    "zone_words",
]

STATISTICS = ("min", "mean", "p95", "max")
STATISTIC_WORDS = {
    "min": "smallest",
    "mean": "mean",
    "p95": "95th percentile",
    "max": "largest",
}
_PAIRS = (("Distortion", "gauge_distortion", "surface_distortion"),
          ("Depth W", "depth", "surface_depth"))  # fmt: skip


def place_words(place: Mapping[str, Any] | None) -> str:
    """A place on the lite in the words of someone who stands beside it."""
    if not place:
        return "no single place"
    return (
        f"{place['x_mm']:.0f} mm from the leading edge, "
        f"{place['y_mm']:.0f} mm from the left-hand edge"
    )


def share(value: float | None) -> str:
    """A share as a percentage to 0.1 %."""
    return NO_VALUE_TEXT if value is None else f"{100 * value:.1f} %"


def _figure(summary: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found: Mapping[str, Any] = summary.get(FIGURES[name].summary or "") or {}
    return found


def _statistics(figure: Mapping[str, Any], finest: int) -> list[str]:
    """Smallest, mean, 95th percentile, largest; mean and largest with standard uncertainty."""
    u_max, u_mean = figure.get("u_max"), figure.get("u_mean")
    doubts = {"min": u_max, "mean": u_mean or u_max, "p95": u_max, "max": u_max}
    return [
        shown_with(figure.get(name), doubts[name], finest=finest)
        if name in ("mean", "max")
        else shown(figure.get(name), doubts[name], finest=finest)
        for name in STATISTICS
    ]


def key_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Depth and distortion: the statistics in the gauge convention, then in the surface one."""
    rows = []
    for label, gauge, surface in _PAIRS:
        finest = FIGURES[gauge].finest
        figures = [_figure(summary, name) for name in (gauge, surface)]
        rows.append(
            {
                "label": label,
                "unit": FIGURES[gauge].unit,
                "cells": [_statistics(figure, finest) for figure in figures],
                "bias": [shown(f.get("max_bias"), f.get("u_max"), finest=finest) for f in figures],
                "worst": [
                    f"x {f['worst']['x_mm']:.0f}, y {f['worst']['y_mm']:.0f}"
                    if f.get("worst")
                    else NO_VALUE_TEXT
                    for f in figures
                ],
            }
        )
    return rows


def wavelength_row(summary: Mapping[str, Any]) -> list[str]:
    """Smallest, mean, 95th percentile and largest wavelength in mm."""
    return _statistics(_figure(summary, "wavelength"), FIGURES["wavelength"].finest)


_ZONES = {
    "clear": "all three contacts of the gauge outside the edge zones",
    "near": "only the plunger outside the edge zones",
    "edge": "the plunger in an edge zone",
}


def zone_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """A row a zone: where it is, its area, mean, 95th percentile and largest by convention.

    ``words`` says where the clear, near and edge points lie, which fill no rectangle.
    """
    rows = []
    for zone in summary.get("zones") or []:
        figures = zone.get("figures") or {}
        cells = []
        for name in ("gauge_distortion", "depth", "surface_distortion", "surface_depth"):
            figure = figures.get(FIGURES[name].summary) or {}
            whole = _figure(summary, name)
            doubt = figure.get("u_max") or whole.get("u_max")
            values = [figure.get(key) for key in ("mean", "p95", "max")]
            finest = FIGURES[name].finest
            cells += [
                "–" if value is None else shown(value, doubt, finest=finest) for value in values
            ]
        rows.append(
            {
                "name": zone["name"],
                "words": _ZONES.get(zone["name"], ""),
                "area": "–" if zone.get("area_mm2") is None else f"{zone['area_mm2'] / 1e6:.2f}",
                "x": f"{zone['x_from_mm']:.0f} to {zone['x_to_mm']:.0f}",
                "y": f"{zone['y_from_mm']:.0f} to {zone['y_to_mm']:.0f}",
                "cells": cells,
            }
        )
    return rows


def half_wave_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Half waves of the centre line in order from the leading edge."""
    rows = []
    waves = (summary.get("centre_line") or {}).get("half_waves") or []
    for number, wave in enumerate(waves, start=1):
        u_depth, u_gauge = wave.get("u_depth_mm"), wave.get("u_gauge_distortion_mdpt")
        rows.append(
            {
                "number": number,
                "x": f"{wave['x_from_mm']:.0f} to {wave['x_to_mm']:.0f}",
                "kind": "valley to peak" if wave["rising"] else "peak to valley",
                "zone": str(wave.get("zone") or "–"),
                "wavelength": shown_with(
                    wave.get("wavelength_mm"), wave.get("u_wavelength_mm"), finest=-1
                ),
                "gauge": [
                    shown_with(wave.get("depth_mm"), u_depth),
                    shown_with(wave.get("gauge_distortion_mdpt"), u_gauge),
                ],
                "surface": [
                    shown(wave.get("surface_depth_mm"), wave.get("u_surface_depth_mm", u_depth)),
                    shown(
                        wave.get("surface_distortion_mdpt"),
                        wave.get("u_surface_distortion_mdpt", u_gauge),
                    ),
                ],
            }
        )
    return rows


_EDGES = {
    "leading": "leading edge",
    "trailing": "trailing edge",
    "left": "left-hand edge",
    "right": "right-hand edge",
    **DIAGONALS,
}


def bow_rows(summary: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Edge or diagonal, bow in mm, bow in mm per metre."""
    bow, per_metre = summary["bow_mm"], summary["bow_mm_per_m"]
    return [
        (words, _two_places(bow.get(edge)), _two_places(per_metre.get(edge)))
        for edge, words in _EDGES.items()
    ]


def edge_lift_rows(summary: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """Edge, mean lift, largest lift (mm), and where along the edge the largest is."""
    rows = []
    for edge in ("leading", "trailing", "left", "right"):
        lift = summary["edge_lift_detail"].get(edge) or {}
        origin = "left-hand" if edge in ("leading", "trailing") else "leading"
        place = lift.get("at_mm")
        where = NO_VALUE_TEXT if place is None else f"{place:.0f} mm from the {origin} edge"
        values = (_two_places(lift.get("mean")), _two_places(lift.get("max")))
        rows.append((_EDGES[edge], *values, where))
    return rows


def _two_places(value: float | None) -> str:
    # bow and edge lift are stated as supported: a hundredth of a millimetre is all they are worth
    return shown(value, 0.03, finest=-2)


def zone_words(limit: Mapping[str, Any]) -> str:
    """The zone of a limit in words that say which points it takes."""
    zone, ends_mm = str(limit.get("zone") or "clear"), limit.get("ends_mm")
    if limit.get("figure") in ("bow", "edge_lift"):
        edges = {"all": "all four edges", "diagonals": "both diagonals"}
        if limit["figure"] == "bow":
            edges["all"] += " and both diagonals"
        return edges.get(zone, _EDGES.get(zone, zone))
    if zone in _ZONES:
        return f"{zone} zone ({_ZONES[zone]})"
    if zone == "all":
        return "whole lite"
    if ends_mm is not None:
        reach = "more" if zone == "middle" else "less"
        of = "both ends" if zone == "middle" else "one end"
        return f"{zone} ({reach} than {ends_mm:g} mm from {of}, clear of the side edges)"
    return f"cell {zone} of the zone table (its clear points)"


def limited_figure(limit: Mapping[str, Any]) -> str:
    """Statistic and figure of a limit, as words: "largest depth W"."""
    style = next((s for s in FIGURES.values() if is_about(limit, s)), None)
    label = style.label if style else str(limit.get("figure")).replace("_", " ")
    statistic = _statistic_words(limit, style)
    if limit.get("threshold") is not None:
        return f"{statistic}, {lower(label)}"
    return f"{statistic}{' of' if statistic.endswith('percentile') else ''} {lower(label)}"


def limit_words(limit: Mapping[str, Any]) -> str:
    """The number of a limit with its unit."""
    unit = _UNIT_WORDS.get(str(limit.get("unit")), str(limit.get("unit") or ""))
    return _with_unit(_plain(limit.get("limit")), unit)


def lower(label: str) -> str:
    """A label inside a sentence."""
    return f"{label[0].lower()}{label[1:]}"


def reason_rows(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """A row a limit: its sentence, value, guard band, limit, convention, verdict, place."""
    rows = []
    for reason in summary.get("reasons") or []:
        limit = reason.get("limit") or {}
        unit = _UNIT_WORDS.get(str(limit.get("unit")), str(limit.get("unit") or ""))
        style = next((s for s in FIGURES.values() if is_about(limit, s)), None)
        value, band = _judged(reason, limit)
        edge, place = reason.get("edge"), reason.get("place")
        rows.append(
            {
                "sentence": str(reason.get("sentence") or ""),
                "label": style.label if style else str(limit.get("figure")).replace("_", " "),
                "statistic": _statistic_words(limit, style),
                "zone": str(limit.get("zone") or "clear"),
                "convention": CONVENTION_NAMES.get(str(limit.get("convention")), "–"),
                "value": _with_unit(value, unit),
                "band": band,
                "limit": limit_words(limit),
                "source": str(limit.get("source") or ""),
                "verdict": str(reason.get("verdict") or ""),
                "place": f"x {place['x_mm']:.0f}, y {place['y_mm']:.0f} mm"
                if place
                else _EDGES.get(str(edge), "–"),
            }
        )
    return rows


def _judged(reason: Mapping[str, Any], limit: Mapping[str, Any]) -> tuple[str, str]:
    """Value and guard band, with the digits that show on which side of the limit they lie."""
    numbers = [reason.get(key) for key in ("value", "lower", "upper")]
    if limit.get("limit") is None or any(number is None for number in numbers):
        return shown(reason.get("value"), reason.get("uncertainty")), "–"
    value, lower, upper = (float(number) for number in numbers if number is not None)
    words = told_apart(value, lower, upper, float(limit["limit"]))
    value_text, lower_text, upper_text = (text.replace("-", "−") for text in words)
    return value_text, f"{lower_text} to {upper_text}"


_UNIT_WORDS = {"percent": "%", "mm_per_m": "mm/m"}


def _statistic_words(limit: Mapping[str, Any], style: FigureStyle | None) -> str:
    statistic = str(limit.get("statistic") or "")
    if limit.get("threshold") is not None:
        unit = style.unit if style else ""
        return f"share of area over {_with_unit(_plain(limit['threshold']), unit)}"
    return STATISTIC_WORDS.get(statistic, statistic)


def _plain(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return NO_VALUE_TEXT if value is None else str(value)
    return f"{value:g}".replace("-", "−")


def _with_unit(text: str, unit: str) -> str:
    return text if text == NO_VALUE_TEXT or not unit else f"{text} {unit}"


def flat_settings(settings: Mapping[str, Any], prefix: str = "") -> Iterable[tuple[str, str]]:
    """Settings as dotted keys and their values, in the order in which they are kept."""
    for key, value in settings.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            yield from flat_settings(value, f"{name}.")
        elif isinstance(value, list | tuple):
            yield name, ", ".join(str(part) for part in value)
        else:
            yield name, str(value)
