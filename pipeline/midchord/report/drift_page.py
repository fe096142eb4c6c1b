"""The page of a drift: whether anything changed, from which lite on, by how much, how sure.

Self-contained HTML. Numbers are rounded here.
"""

from __future__ import annotations

import base64
from typing import Any

import midchord
from midchord.charts.figures import name_of, unit_of
from midchord.charts.limits import run_lengths
from midchord.charts.seasons import Part
from midchord.drift import Charted, Drift
from midchord.drift_facts import CHART_NAMES, SHIFTS_SD, conclusions, doubts, size_of
from midchord.report import drift_pictures as pictures
from midchord.report.house_style import shown
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled

__all__ = ["drift_page"]

_MOST_CHARTS = 4
_MOST_SIGNALS = 60


def drift_page(drift: Drift) -> str:
    """The page as one HTML file that needs nothing else."""
    signals = drift.signals
    return filled(
        "drift_page.html.j2",
        verdict=_verdict(drift),
        conclusions=conclusions(drift),
        doubts=doubts(drift),
        about=_about(drift),
        overview=_picture(
            pictures.overview(drift),
            "A row for each figure, a column for each lite: where its EWMA stands.",
            "Where the EWMA of each figure stands between its limits, behind the first phase.",
        ),
        charts=[
            _picture(
                pictures.charts(drift, one),
                f"Control charts of {name_of(one.series)}.",
                "Blue ground: first phase. Dashed: limits. Diamonds: outside. Line and ground in "
                "ochre: with which lite the change most likely began, and its interval."
                + (" Charted are residuals of an AR(1), so the values have no limits of their own."
                   if one.baseline.lag.coefficient else ""),
            )
            for one in _worth_drawing(drift)
        ],
        changes=[_change(drift, one) for one in drift.charted if one.change is not None],
        signals=[
            {
                "lite": drift.figures.lite_ids[signal.first],
                "number": str(signal.first + 1),
                "when": drift.figures.scanned_at[signal.first].replace("T", " ").removesuffix("Z"),
                "figure": name_of(one.series),
                "chart": CHART_NAMES[signal.chart],
                "way": {"up": "high", "down": "low"}.get(signal.direction, "jump"),
                "last": drift.figures.lite_ids[signal.last],
                "state": f"{signal.largest:.1f} ({signal.limit:.1f})",
            }
            for one, signal in signals[:_MOST_SIGNALS]
        ],
        more_signals=max(0, len(signals) - _MOST_SIGNALS),
        figures=[_figure(one) for one in drift.charted],
        run_lengths=_run_lengths(drift),
        seasons=[_season(one) for one in drift.charted if one.season is not None],
        settings=[(f"{group}.{key}", str(value)) for group, values in
                  drift.settings.model_dump(mode="json").items() for key, value in values.items()],
        version=midchord.__version__,
        cautions=CAUTIONS,
    )  # fmt: skip


def _verdict(drift: Drift) -> dict[str, str]:
    first = drift.first_signal
    if first is None:
        return {"kind": "within", "mark": "●", "words": "No change is seen"}
    changed = [one for one in drift.charted if one.change is not None]
    lite = drift.figures.lite_ids[first]
    if not changed:
        return {"kind": "undecided", "mark": "◐",
                "words": f"Single lites stand out, the first is {lite}"}  # fmt: skip
    number = len(changed)
    words = f"{number} figure{'s' * (number > 1)} changed; first signal: lite {lite}"
    return {"kind": "outside", "mark": "▲", "words": words}


def _about(drift: Drift) -> list[tuple[str, str]]:
    ids, alarms = drift.figures.lite_ids, drift.settings.false_alarms
    return [
        ("Lites", f"{len(drift.figures)}, {ids[0]} to {ids[-1]}"),
        ("First phase", f"{drift.first_phase} lites, {ids[0]} to {ids[drift.first_phase - 1]}; "
                        "limits come from these alone"),
        ("Charts", f"{drift.chart_count}: four for each of {len(drift.charted)} figures"),
        ("False alarms", f"one in {alarms.lites:g} lites on average, all charts together, whatever "
                         "the dependence between figures; what the first phase leaves unknown is "
                         "allowed for"),
    ]  # fmt: skip


def _worth_drawing(drift: Drift) -> list[Charted]:
    ranked = sorted(
        drift.charted,
        key=lambda one: (
            one.change is None, not one.signals, one.signals[0].first if one.signals else 0,
            one.is_zone,
        ),
    )  # fmt: skip
    seen = [one for one in ranked if one.signals][:_MOST_CHARTS]
    return seen or ranked[:2]


def _change(drift: Drift, one: Charted) -> dict[str, str]:
    change, ids = one.change, drift.figures.lite_ids
    if change is None:
        raise ValueError(f"{one.series} did not change")
    size, scale = size_of(one), one.baseline.sd
    unit = "%" if one.baseline.logarithm else unit_of(one.series)
    u = change.u_size * scale
    if one.baseline.logarithm:
        size, u = 100 * size, 100 * u
    per = " a lite" if change.kind == "ramp" else ""
    return {
        "figure": name_of(one.series),
        "first": f"{ids[change.first]} (no. {change.first + 1})",
        "between": f"{change.low + 1} to {change.high + 1}",
        "kind": change.kind,
        "sure": f"{100 * max(change.p_step, 1 - change.p_step):.0f} %",
        "size": f"{_signed(shown(size, u))} {unit}{per}".replace("  ", " "),
        "sd": _signed(f"{change.size:.2f}") + per,
    }


def _signed(text: str) -> str:
    text = text.replace("-", "−")
    return text if text.startswith("−") else f"+{text}"


def _figure(one: Charted) -> dict[str, str]:
    base, lag = one.baseline, one.baseline.lag
    low, high = (one.level(side * one.limits.individuals) for side in (-1, 1))
    u = base.sd / base.doubt.values**0.5
    return {
        "figure": name_of(one.series),
        "unit": unit_of(one.series),
        "mean": shown(one.level(0), u if not base.logarithm else None),
        "sd": f"{100 * base.sd:.1f} %" if base.logarithm else shown(base.sd),
        "limits": "residuals" if lag.coefficient else f"{shown(low)} to {shown(high)}",
        "values": str(base.doubt.values),
        "outliers": str(int(base.is_outlier.sum())),
        "lag": f"{lag.found:.2f}" + (" *" if lag.coefficient else ""),
        "steady": _p(base.p_steady),
        "normal": _p(base.p_normal),
        "state": f"lite {one.signals[0].first + 1}" if one.signals else "–",
    }


def _p(value: float | None) -> str:
    if value is None:
        return "–"
    return "<0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def _run_lengths(drift: Drift) -> list[dict[str, Any]]:
    """Of one figure of whole lites and of one of a zone, as both have limits of their own."""
    rows = []
    s = drift.settings.charts
    for title, is_zone in (("whole lite", False), ("zone", True)):
        one = next((c for c in drift.charted if c.is_zone == is_zone), None)
        if one is None:
            continue
        lengths = [
            run_lengths(one.limits, shift, ewma_weight=s.ewma_weight,
                        cusum_reference=s.cusum_reference)
            for shift in SHIFTS_SD
        ]  # fmt: skip
        for number, (chart, name) in enumerate(CHART_NAMES.items()):
            if chart == "moving_range":
                continue
            rows.append(
                {
                    "where": title,
                    "chart": name,
                    "asked": _count(1 / (one.rate * s.shares[number])),
                    "cells": [_count(length[chart]) for length in lengths],
                }
            )
    return rows


def _count(value: float) -> str:
    if value > 1e9:
        return ">10⁹"
    if value >= 10_000:
        return f"{float(f'{value:.2g}'):,.0f}".replace(",", " ")
    return f"{value:.0f}" if value >= 20 else f"{value:.1f}"


def _season(one: Charted) -> dict[str, str]:
    season = one.season
    if season is None:
        raise ValueError(f"{one.series} has no shifts")

    def share(part: Part) -> str:
        return "–" if part.share is None else f"{100 * part.share:.0f} %"

    return {
        "figure": name_of(one.series),
        "shift_p": _p(season.shift.p_value),
        "shift_share": share(season.shift),
        "day_p": _p(season.day.p_value),
        "day_share": share(season.day),
        "means": "; ".join(
            f"{mean.name} {shown(mean.mean, (mean.high - mean.low) / 4)}" for mean in season.means
        ),
    }


def _picture(content: bytes, alt: str, caption: str) -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}
