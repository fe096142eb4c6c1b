"""The answers in the verdict box: where, how bad, by which convention, how sure, and why undecided.

They never mix: where a limit decided, value, zone and place are those of that limit. Where nothing
was judged they are those of the clear points. And they do not reassure: coverage is told with the
doubts about it, and a lite without a wave with the bound above which one would have been seen.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import xarray as xr

from midchord.report import tables
from midchord.report.house_style import (
    CONVENTION_NAMES,
    FIGURES,
    FigureStyle,
    amount,
    shown,
    shown_with,
)
from midchord.report.result import decisive, worst_of

__all__ = [
    "VERDICTS",
    "Headline",
    "answers_of",
    "coverage_words",
    "doubts_of",
    "headline_of",
    "scanned_words",
    "time_of_file",
    "undecided_words",
]

USUAL = "gauge_distortion"
VERDICTS = {
    "within": ("Within its limits", "✓"),
    "outside": ("Outside its limits", "✕"),
    "undecided": ("Undecided", "?"),
    "not judged": ("Not judged", "–"),
}
CAUSE_WORDS = {
    "guard band": "the uncertainty of the figure reaches across its limit",
    "bias": "the figure is over its limit only by what the largest of many is expected to read "
    "too high",
    "detection bound": "a wave over the limit could hide below the detection bound",
    "coverage": "too little of the zone was measured",
    "not measured": "the figure could not be measured there",
    "uncertainty": "its uncertainty is not known",
}
FULL_SHARE = 0.98
"""Share of the clear area with a figure that goes without saying."""

_MISSING_GLASS = re.compile(r"border of the scan|missing|% of the glass", re.IGNORECASE)
_NO_WAVE_DOUBT = "No wave deeper than the detection bound"


@dataclass(frozen=True)
class Headline:
    """The figure that the top of the page is about, and the limit that made it so.

    style   of the first map; where bow or edge lift decided, it is not about that
    reason  None where nothing was judged
    usual   the figure that goes first among the other maps
    """

    style: FigureStyle
    reason: Mapping[str, Any] | None
    usual: str = USUAL


def headline_of(maps: xr.Dataset, summary: Mapping[str, Any]) -> Headline:
    """The limit that decided against the lite, the limits file's own headline first among equals.

    Where nothing speaks against it: that headline; the gauge distortion where nothing was judged.
    """
    verdict, named = summary.get("verdict"), str(summary.get("headline"))
    preferred = FIGURES[named] if named in FIGURES and named in maps else FIGURES[USUAL]
    own = decisive(summary, preferred)
    if own is not None and own.get("verdict") == verdict:
        return Headline(preferred, own)
    if verdict in ("outside", "undecided"):
        for style in (style for style in FIGURES.values() if style.name in maps):
            reason = decisive(summary, style)
            if reason is not None and reason.get("verdict") == verdict:
                return Headline(style, reason)
        for reason in summary.get("reasons") or []:  # bow and edge lift have no map
            if reason.get("verdict") == verdict:
                return Headline(preferred, reason)
    return Headline(preferred, None)


def answers_of(
    maps: xr.Dataset, summary: Mapping[str, Any], headline: Headline
) -> list[tuple[str, str]]:
    """Where, how bad, by which convention, how sure: a question and its answer each."""
    if headline.reason is not None and headline.reason.get("value") is not None:
        return _of_limit(summary, headline.style, headline.reason)
    style = headline.style
    worst = worst_of(maps, style)
    if worst is None or headline.reason is not None:
        return _of_nothing(summary, headline)
    figure = summary.get(style.summary or "") or {}
    value = shown_with(worst.value, worst.uncertainty, finest=style.finest)
    usual = shown(figure.get("p95"), worst.uncertainty, finest=style.finest)
    place = tables.place_words({"x_mm": worst.x_mm, "y_mm": worst.y_mm})
    bad = (
        f"largest {tables.lower(style.label)} of the clear zone: {value} {style.unit}; "
        f"95 % of the clear points are below {usual} {style.unit}"
    )
    sure = [_bias_words(figure.get("max_bias"), worst.uncertainty, style), _how_sure(summary)]
    return [
        ("Where", f"{place} (ringed on the map)"),
        ("How bad", bad),
        *_convention(style),
        ("How sure", "; ".join(part for part in sure if part)),
    ]


def _of_limit(
    summary: Mapping[str, Any], style: FigureStyle, reason: Mapping[str, Any]
) -> list[tuple[str, str]]:
    """The answers by the very limit that decided."""
    limit = reason["limit"]
    (row,) = tables.reason_rows({"reasons": [reason]})
    zone, place = tables.zone_words(limit), reason.get("place")
    where = f"in the zone of the limit: {zone}"
    if place:
        ringed = " (ringed on the map)"
        where = f"{tables.place_words(place)}{ringed}; zone of the limit: {zone}"
        if limit.get("statistic") not in ("max", "min"):
            where = f"largest at {where}"
    elif reason.get("edge"):
        where = row["place"]
    bad = f"{tables.limited_figure(limit)}: {row['value']}; the limit is {row['limit']}"
    mapped = limit.get("figure") not in ("bow", "edge_lift")
    by = _convention(style) if mapped else [("As measured", "as supported in the scan")]
    sure = []
    if reason.get("uncertainty"):
        unit = row["value"].rsplit(" ", 1)[-1]
        doubt = float(reason["uncertainty"])
        sure.append(f"standard uncertainty {shown(doubt, doubt)} {unit}")
    if row["band"] != "–":
        sure.append(f"guard band {row['band']}")
    sure += [_bias_words(reason.get("bias"), reason.get("uncertainty"), style), _how_sure(summary)]
    return [
        ("Where", where),
        ("How bad", bad),
        *by,
        ("How sure", "; ".join(part for part in sure if part)),
    ]


def _of_nothing(summary: Mapping[str, Any], headline: Headline) -> list[tuple[str, str]]:
    """The answers where the figure has no value, which may be as good as a lite gets."""
    bounds = (
        f"a depth of {amount(summary.get('detection_depth_mm'), 'mm')} in the gauge convention "
        f"and of {amount(summary.get('detection_surface_depth_mm'), 'mm')} in the surface "
        "convention"
    )
    if not summary.get("no_wave"):
        what = f"{tables.lower(headline.style.label)}: no value in the zone"
        if headline.reason is not None:
            what = f"{tables.limited_figure(headline.reason['limit'])}: no value in its zone"
        return [("How bad", what), *_convention(headline.style), ("How sure", _how_sure(summary))]
    return [
        ("How bad", "no wave above the detection bound: nothing to see"),
        ("By which convention", f"both; the bound is {bounds}"),
        ("How sure", f"a deeper wave would have been seen; {_how_sure(summary)}"),
    ]


def _convention(style: FigureStyle) -> list[tuple[str, str]]:
    if not style.convention:
        return []
    named = CONVENTION_NAMES[style.convention]
    return [("By which convention", f"{named}: {style.meaning}")]


def _bias_words(bias: float | None, uncertainty: float | None, style: FigureStyle) -> str:
    if not bias or uncertainty is None:
        return ""
    high = shown(bias, uncertainty, finest=style.finest)
    return f"being the largest of many, it is expected to read {high} {style.unit} too high"


def undecided_words(summary: Mapping[str, Any]) -> list[str]:
    """A sentence for each cause that left a limit undecided, with the figures it left so."""
    by_cause: dict[str, list[str]] = {}
    for reason in summary.get("reasons") or []:
        if reason.get("verdict") == "undecided":
            what = tables.limited_figure(reason.get("limit") or {})
            by_cause.setdefault(str(reason.get("cause") or "guard band"), []).append(what)
    return [
        f"Undecided because {CAUSE_WORDS[cause]} ({'; '.join(dict.fromkeys(figures))})."
        for cause, figures in by_cause.items()
        if cause in CAUSE_WORDS
    ]


def doubts_of(summary: Mapping[str, Any]) -> list[str]:
    """The doubts of the summary; that no wave was found is none where no limit hangs on it."""
    doubts = [str(doubt) for doubt in summary.get("doubts") or []]
    hidden = any(r.get("cause") == "detection bound" for r in summary.get("reasons") or [])
    if not summary.get("no_wave") or hidden:
        return doubts
    return [doubt for doubt in doubts if not doubt.startswith(_NO_WAVE_DOUBT)]


def coverage_words(summary: Mapping[str, Any]) -> str:
    """How much was measured, without comfort where the doubts speak of missing glass."""
    measured = tables.share(summary.get("coverage"))
    if any(_MISSING_GLASS.search(doubt) for doubt in doubts_of(summary)):
        return f"{measured} of what the scan shows of the glass was measured, but see the doubts"
    return f"{measured} of the glass was measured"


def _how_sure(summary: Mapping[str, Any]) -> str:
    parts = [coverage_words(summary)]
    share = summary.get("wave_share")
    if share is not None and share < FULL_SHARE and not summary.get("no_wave"):
        parts.append(
            f"{tables.share(share)} of the clear area has a figure, elsewhere no wave is above "
            "the detection bound or nothing was measured"
        )
    count = len(doubts_of(summary))
    said = {0: "the checks of the scan found nothing amiss", 1: "1 doubt, told below"}
    parts.append(said.get(count, f"{count} doubts, told below"))
    return "; ".join(parts)


def time_of_file(maps: xr.Dataset, summary: Mapping[str, Any]) -> str:
    """A word of warning where the time of the scan is only that of its file."""
    origin = summary.get("scanned_at_from") or maps.attrs.get("scanned_at_from")
    return " (time of the file)" if origin == "mtime" else ""


def scanned_words(maps: xr.Dataset, summary: Mapping[str, Any]) -> str:
    """When and by what the lite was scanned, as a sentence."""
    when = str(summary.get("scanned_at") or "at a time not stated") + time_of_file(maps, summary)
    by = str(summary.get("instrument") or "not stated")
    if by == "not stated":
        return f"Scanned {when}; the instrument is not stated."
    return f"Scanned {when} by {by}."
