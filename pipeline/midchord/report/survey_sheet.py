"""Pages of a hand survey: what came out of it, and how it is made.

``survey_page`` tells the figures of a worked-up survey: for each lite and gauge the half-span to
set the feet to, depth, distortion by both forms, the lines in a picture, every half wave, and what
looks wrong. A line of twenty marks fits one sheet of A4.

``procedure_page`` is the sheet that is taken to the table: how a line survey is made, the cautions,
and a form to write it down. One side of A4.

Both are one HTML file that needs nothing else. Depths carry the decimals of the dial; distances
are whole millimetres, which is what a hand and a tape are worth.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from typing import Any

from midchord.report.house_style import CONVENTION_NAMES, NO_VALUE_TEXT, shown
from midchord.report.page import CAUTIONS
from midchord.report.survey_picture import MOST_NAMED, as_the_dial, survey_picture_bytes, whole_mm
from midchord.report.templates import filled
from midchord.surveying.hand_line import Figures, LineWorkUp, Spread
from midchord.surveying.hand_survey import HandSurvey, LiteWorkUp
from midchord.surveying.survey_remarks import FEET_TOLERANCE, in_spans
from midchord_io.gauge_card import GaugeCard

__all__ = ["FORM_ROWS", "procedure_page", "survey_page"]

FORM_ROWS = 20
"""Marks that the form has room for: a lite of 2.6 m at a wavelength of 200 mm."""

STARRED = (
    "depth_mm",
    "distortion_full_wave_mdpt",
    "distortion_half_wave_mdpt",
    "surface_depth_mm",
    "surface_distortion_mdpt",
)
"""Columns of half waves whose largest figure may come from a slip."""

MOST_WALKS = 4
"""Walks that are laid over one another in one picture."""

NOTES = {"excluded", "length_unknown", "sign_unknown", "unread"}
"""Remarks that are no alarm."""

KINDS = {
    "three-point": "three-point gauge",
    "short-feet": "three-point gauge with its feet close together",
    "flat-base": "gauge with a flat base",
    "straight-edge": "straight edge",
}


def survey_page(hand: HandSurvey) -> str:
    """The page of a worked-up line survey, as HTML."""
    return _render("survey_page.html.j2", lites=[_lite(hand, lite) for lite in hand.lites],
                   where=_file_name(hand.where), edge_mm=f"{hand.edge_x_mm:g}")  # fmt: skip


def procedure_page(*, edge_x_mm: float = 305.0, half_span_mm: float | None = None) -> str:
    """The procedure and form of a line survey, as HTML.

    edge_x_mm     kept clear of the leading and the trailing edge
    half_span_mm  to set the feet to, where a survey of the marks has shown it
    """
    return _render("survey_procedure.html.j2", edge_mm=f"{edge_x_mm:g}", rows=FORM_ROWS,
                   half_span=None if half_span_mm is None else whole_mm(half_span_mm),
                   wavelength=None if half_span_mm is None else whole_mm(2 * half_span_mm),
                   feet_percent=f"{100 * FEET_TOLERANCE:g}")  # fmt: skip


def _render(template: str, **values: Any) -> str:
    return filled(template, cautions=CAUTIONS, **values)


def _file_name(where: str) -> str:
    return where.replace("\\", "/").rsplit("/", 1)[-1]


def _lite(hand: HandSurvey, lite: LiteWorkUp) -> dict[str, Any]:
    card = hand.cards.get(lite.gauge)
    own = (lite.lite_id, lite.gauge)
    lines = [line for line in hand.lines if (line.lite_id, line.gauge) == own]
    resolution = card.resolution_mm if card else None
    is_swing = lite.convention == "gauge"
    starred = _largest_from_slips(hand, lite, lines)
    return {
        "name": lite.lite_id,
        "gauge": lite.gauge,
        "about": _about(lite, card),
        "convention": CONVENTION_NAMES.get(lite.convention or "", ""),
        "is_swing": is_swing,
        "is_read": lite.convention is not None,
        "is_short": card is not None and card.kind == "short-feet",
        "half_span": whole_mm(lite.figures.half_span_mm),
        "no_feet": lite.figures.half_span_mm is None and lite.figures.wavelength_mm.n > 0,
        "mean_wavelength": shown(lite.figures.wavelength_mm.mean),
        "wavelengths": str(lite.figures.wavelength_mm.n),
        "key_rows": _key_rows(lite.figures, resolution, lite.convention, card, starred),
        "is_starred": bool(starred),
        "clear_rows": [] if lite.figures_clear_of_edges is None else _key_rows(
            lite.figures_clear_of_edges, resolution, lite.convention, card
        ),
        "repeats": "" if lite.within_mark_sd_mm is None else shown(lite.within_mark_sd_mm),
        "repeats_without": shown(lite.within_mark_sd_without_slips_mm),
        "has_slips": lite.within_mark_sd_without_slips_mm is not None,
        "line_rows": [_line_row(line, resolution) for line in lines],
        "pictures": _pictures(lines, resolution, hand.edge_x_mm, lite.length_mm),
        "tables": [_table(line, resolution) for line in lines],
        "remarks": _remarks(hand, lite, is_note=False),
        "notes": _remarks(hand, lite, is_note=True),
    }


def _remarks(hand: HandSurvey, lite: LiteWorkUp, *, is_note: bool) -> list[dict[str, str]]:
    return [
        {
            "line": remark.line,
            "text": remark.text,
            "rows": f"row{'s' * (len(remark.rows) > 1)} {in_spans(remark.rows)}"
            if remark.rows
            else "",
        }
        for remark in hand.remarks
        if (remark.lite_id, remark.gauge) == (lite.lite_id, lite.gauge)
        and (remark.code in NOTES) == is_note
    ]


def _largest_from_slips(
    hand: HandSurvey, lite: LiteWorkUp, lines: Sequence[LineWorkUp]
) -> frozenset[str]:
    """Columns of the half waves whose largest figure comes from a reading that a remark names."""
    named = {
        row
        for remark in hand.remarks
        if remark.code == "repeats_apart"
        and (remark.lite_id, remark.gauge) == (lite.lite_id, lite.gauge)
        for row in remark.rows
    }
    largest: dict[str, tuple[float, bool]] = {}
    for line in lines if named else ():
        row_of = dict(zip(line.marks["mark"], line.marks["row"], strict=True))
        for wave in line.half_waves.to_dict(orient="records"):
            is_named = bool({row_of[wave["from_mark"]], row_of[wave["to_mark"]]} & named)
            for column in STARRED:
                if wave[column] > largest.get(column, (-math.inf, False))[0]:
                    largest[column] = (float(wave[column]), is_named)
    return frozenset(column for column, (_, is_named) in largest.items() if is_named)


def _about(lite: LiteWorkUp, card: GaugeCard | None) -> str:
    people = ", ".join(lite.operators)
    count = f"{lite.line_count} line{'' if lite.line_count == 1 else 's'} by {people}"
    if card is None:
        return count
    contacts = (
        f"{card.half_span_mm:g} mm from plunger to foot"
        if card.half_span_mm is not None
        else f"base of {card.base_mm:g} mm"
    )
    facts = [KINDS.get(card.kind, card.kind), contacts, f"dial of {card.resolution_mm:g} mm"]
    facts += [f"zeroed on {card.zeroed_on}"] if card.zeroed_on else []
    facts += [f"lite on {card.support}"] if card.support else []
    facts += [f"calibrated {card.calibrated_on.isoformat()}"] if card.calibrated_on else []
    return f"{count}; {', '.join(facts)}"


def _key_rows(
    figures: Figures,
    resolution: float | None,
    convention: str | None,
    card: GaugeCard | None,
    starred: frozenset[str] = frozenset(),
) -> list[tuple[str, ...]]:
    """Name, smallest, mean, largest, and how many; a star at the largest of starred columns."""

    def row(name: str, column: str, digits: str) -> tuple[str, ...]:
        spread: Spread = getattr(figures, column)
        texts = []
        for value in (spread.min, spread.mean, spread.max):
            if digits == "dial":
                texts.append(as_the_dial(value, resolution))
            else:
                texts.append(whole_mm(value) if digits == "mm" else shown(value))
        if column in starred:
            texts[-1] += " *"
        return (name, *texts, str(spread.n))

    rows = [row("Wavelength L / mm", "wavelength_mm", "mm")]
    if convention is None:
        return rows
    named = CONVENTION_NAMES[convention]
    rows += [
        row(f"Depth W / mm, {named}", "depth_mm", "dial"),
        row(f"Distortion / mdpt, {named}, full wave", "distortion_full_wave_mdpt", "3"),
        row(f"Distortion / mdpt, {named}, half wave", "distortion_half_wave_mdpt", "3"),
    ]
    if convention == "gauge" and figures.surface_depth_mm.n:
        other = CONVENTION_NAMES["surface"]
        rows += [
            row(f"Depth W / mm, {other} (swing / gain)", "surface_depth_mm", "dial"),
            row(f"Distortion / mdpt, {other}, full wave", "surface_distortion_mdpt", "3"),
        ]
    if card is not None and card.kind == "short-feet":
        rows.append(row("Local distortion at the marks / mdpt", "local_distortion_mdpt", "3"))
    return rows


def _line_row(line: LineWorkUp, resolution: float | None) -> list[str]:
    figures = line.figures
    return [
        line.operator,
        str(line.repeat),
        whole_mm(line.line_y_mm),
        line.datum_edge,
        str(len(line.marks)),
        whole_mm(figures.wavelength_mm.mean),
        *(as_the_dial(v, resolution) for v in figures.depth_mm[1:]),
        shown(figures.distortion_full_wave_mdpt.mean),
        shown(figures.distortion_full_wave_mdpt.max),
        shown(figures.distortion_half_wave_mdpt.mean),
        shown(figures.distortion_half_wave_mdpt.max),
    ]


def _pictures(
    lines: Sequence[LineWorkUp],
    resolution: float | None,
    edge_x_mm: float,
    length_mm: float | None,
) -> list[dict[str, str]]:
    """One picture for each edge that lines are counted from; of many walks one for each line,
    and of many walks of one line one for each person, so that every curve has its name."""
    pictures = []
    for edge, own in _laid_over(lines):
        content = survey_picture_bytes(
            own, resolution_mm=resolution, edge_x_mm=edge_x_mm, length_mm=length_mm
        )
        marks = sum(len(line.marks) for line in own)
        what = "Readings" if any(line.is_read for line in own) else "Marks"
        pictures.append(
            {
                "source": "data:image/png;base64," + base64.b64encode(content).decode("ascii"),
                "alt": f"{what} at {marks} marks of {len(own)} line{'s' if len(own) > 1 else ''} "
                f"over the distance from the {edge} edge.",
            }
        )
    return pictures


def _laid_over(lines: Sequence[LineWorkUp]) -> list[tuple[str, list[LineWorkUp]]]:
    """Edge, and the walks that share a picture."""
    keys: tuple[Callable[[LineWorkUp], tuple[object, ...]], ...] = (
        lambda line: (line.datum_edge,),
        lambda line: (line.datum_edge, line.line_y_mm, line.y_from),
        lambda line: (line.datum_edge, line.line_y_mm, line.y_from, line.operator),
    )
    groups = [list(lines)]
    for number, key in enumerate(keys):
        finer: list[list[LineWorkUp]] = []
        for group in groups:
            if number and len(group) <= MOST_WALKS:
                finer.append(group)
                continue
            parts: dict[tuple[object, ...], list[LineWorkUp]] = {}
            for line in group:
                parts.setdefault(key(line), []).append(line)
            finer += parts.values()
        groups = finer
    cut = [
        group[k : k + MOST_NAMED] for group in groups for k in range(0, len(group), MOST_NAMED)
    ]
    return [(group[0].datum_edge, group) for group in cut]


def _table(line: LineWorkUp, resolution: float | None) -> dict[str, Any]:
    """Half waves of one line, one a row, each beside the mark that ends it."""
    waves = {int(row["to_mark"]): row for row in line.half_waves.to_dict(orient="records")}
    rows = []
    for mark in line.marks.to_dict(orient="records"):
        wave = waves.get(int(mark["mark"])) if not mark["excluded"] else None
        cells = ["–"] * 6
        if wave is not None:
            cells = [
                _or_dash(as_the_dial(wave["depth_mm"], resolution)),
                _or_dash(whole_mm(wave["full_wave_mm"])),
                _or_dash(shown(wave["distortion_full_wave_mdpt"])),
                _or_dash(whole_mm(wave["half_wave_mm"])),
                _or_dash(shown(wave["distortion_half_wave_mdpt"])),
                _or_dash(shown(wave["gain"], 0.03)),
            ]
        rows.append(
            {
                "mark": str(mark["mark"]),
                "kind": "excluded" if mark["excluded"] else mark["kind"] or "–",
                "zone": mark["zone"],
                "distance": whole_mm(mark["distance_mm"]),
                "reading": _or_dash(as_the_dial(mark["reading_mm"], resolution)),
                "cells": cells,
            }
        )
    return {"name": line.name, "edge": line.datum_edge, "rows": rows}


def _or_dash(text: str) -> str:
    return "–" if text == NO_VALUE_TEXT else text
