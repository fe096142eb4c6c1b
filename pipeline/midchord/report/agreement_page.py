"""The page of scan against gauge: one HTML file for an auditor, on the screen or on A4.

The verdict is its first sentence. What was compared follows for each gauge: the card, its twin,
how the lite lay, how many readings were paired and why others were not; what looks wrong, with the
reading that would agree; the pictures that a reader of a method comparison looks for; the figures
with their intervals. Gauges that measure different things have chapters of their own.

Nothing on it offers a correlation as agreement. It carries its pictures inside, fetches nothing,
runs no script, holds no time of its own; all text that came from a file is escaped.
"""

from __future__ import annotations

import base64
import re
from collections import Counter
from collections.abc import Mapping
from typing import Any

import midchord
from midchord.report import agreement_pictures as pictures
from midchord.report import agreement_tables as tables
from midchord.report.house_style import shown
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled
from midchord.statistics.comparison import Comparison
from midchord.statistics.disagreement import CAVEAT
from midchord.surveying.reserves import counted
from midchord.surveying.suspects import Flag
from midchord.validate import GaugeValidation, Validation

__all__ = ["agreement_page"]

VERDICTS = {
    "shown": ("Agreement shown", "✓", "within"),
    "not shown": ("Agreement not shown", "✕", "outside"),
    "too few readings": ("No verdict: too few readings or lites", "?", "undecided"),
    "not asked": ("No tolerance asked for", "–", "not-judged"),
}
MOST_MAPS = 6
"""Lites whose differences are drawn over their map; further ones are in the workbook."""


def agreement_page(validation: Validation) -> str:
    """The page of a validation as HTML; see the module."""
    words, mark, kind = VERDICTS[validation.verdict]
    if validation.headline != validation.verdict:
        words += validation.headline.removeprefix(validation.verdict)
        mark, kind = ("!", "undecided") if validation.verdict == "shown" else (mark, kind)
    return filled(
        "agreement_page.html.j2",
        verdict={"words": words, "mark": mark, "kind": kind},
        statements=[text for one in validation.gauges for text in _statements(one)],
        about=_about(validation),
        gauges=[_gauge(validation, one) for one in validation.gauges],
        factors=[_factor(row) for row in validation.factors],
        exclusions=_exclusions(validation),
        placement_sd=f"{validation.placement_sd_mm:g}",
        provenance=_provenance(validation),
        trend_caveat=f"{CAVEAT[0].upper()}{CAVEAT[1:]}.",
        cautions=CAUTIONS,
    )


def _sentence(text: str) -> str:
    """With a capital at the head and one stop at the end."""
    text = text.strip().rstrip(".").replace("+-", "±")
    return f"{text[:1].upper()}{text[1:]}."


def _statements(one: GaugeValidation) -> list[str]:
    """What is said of one gauge, what it would be without suspects, and of which places."""
    said = [_statement(one)]
    if one.without_suspects is not None:
        limits, unit = one.without_suspects.agreement.limits, one.judged.unit
        doubt = (limits.high - limits.low) / 40
        said.append(
            "For information, not the verdict: without its "
            f"{counted(one.n_suspects, 'suspect reading')} the limits of agreement of "
            f"{one.card.gauge} would be {shown(limits.low, doubt)} to {shown(limits.high, doubt)} "
            f"{unit}."
        )
    elif one.flags:
        said.append(f"All readings of {one.card.gauge} are suspect: without them nothing is left.")
    if one.flatness.is_flatter:
        said.append(_sentence(one.flatness.sentence))
    return said


def _statement(one: GaugeValidation) -> str:
    """What is said of one gauge; without a tolerance, what the limits are."""
    found = one.judged.agreement
    if found.verdict != "not asked":
        on = pictures.QUANTITY_NAMES[one.judged.quantity]
        return _sentence(f"{one.statement} (judged on {on})")
    limits, unit = found.limits, one.judged.unit
    doubt = (limits.high - limits.low) / 40
    return _sentence(
        f"{one.card.gauge}: 95 % of the differences of "
        f"{pictures.QUANTITY_NAMES[one.judged.quantity]}, scan less gauge, are expected between "
        f"{shown(limits.low, doubt)} and {shown(limits.high, doubt)} {unit}"
    )


def _about(validation: Validation) -> list[tuple[str, str]]:
    readings = validation.survey.readings
    tolerance = "none asked for"
    if validation.tolerance is not None:
        tolerance = f"±{validation.tolerance:g} {validation.tolerance_unit}"
    excluded = int(readings["excluded"].sum())
    unit = validation.survey.units.get("reading", "mm")
    kind = "along lines" if validation.survey.kind == "lines" else "at spots"
    operators = counted(readings["operator"].nunique(), "operator")
    lites = counted(readings["lite_id"].nunique(), "lite")
    unread = validation.not_compared
    rest = [("Maps without a reading", f"{', '.join(unread)}: not compared")] if unread else []
    return [
        ("Tolerance", tolerance),
        ("Survey", f"{counted(len(readings), 'reading')} {kind} of {lites} by {operators}, "
                   f"written in {unit}; {excluded} excluded by a person"),
        *rest,
        ("Gauges", "; ".join(one.card.gauge for one in validation.gauges)),
        ("Difference", "scan less gauge, everywhere on this page"),
    ]  # fmt: skip


def _comparisons(one: GaugeValidation) -> list[Comparison]:
    """The judged one first."""
    every = [one.swings, one.distortion, one.singles]
    others = [other for other in every if other is not None and other is not one.judged]
    return [one.judged, *others]


def _with_the_rest(one: GaugeValidation) -> tuple[list[Comparison], list[str]]:
    """Comparisons and their headings, the judged one without suspects beside it."""
    comparisons = _comparisons(one)
    heads = tables.headings(comparisons)
    if one.without_suspects is not None:
        comparisons.insert(1, one.without_suspects)
        heads.insert(1, f"{heads[0]}, without suspects, for information")
    return comparisons, heads


def _gauge(validation: Validation, one: GaugeValidation) -> dict[str, Any]:
    comparisons = _comparisons(one)
    beside, key_headings = _with_the_rest(one)
    study = one.study
    return {
        "name": one.card.gauge,
        "judged_on": pictures.QUANTITY_NAMES[one.judged.quantity],
        "is_swings": one.judged.quantity != "singles",
        "compared": _compared(validation, one),
        "reasons": tables.reason_counts(one.paired.unpaired),
        "looks": bool(one.look_at_first),
        "turns": [_sentence(turn.sentence) for turn in one.out_of_turn],
        "doubts": [_sentence(doubt) for doubt in one.doubts],
        "flags": [_flag(flag) for flag in one.flags if flag.kind != "datum"],
        "datum": {
            "alarm": one.datum.status == "likely wrong",
            "text": _sentence(one.datum.sentence),
            # the sentence of a lone group is that of the whole
            "groups": [_sentence(group.sentence) for group in one.datum.groups]
            if len(one.datum.groups) > 1
            else [],
        },
        "shift": {"alarm": one.shift.needs_attention, **_shift(one)},
        "pictures": _pictures(one),
        "maps": _maps(one),
        "headings": tables.headings(comparisons),
        "key_headings": key_headings,
        "key_rows": tables.key_rows(beside),
        "flat": _sentence(one.flatness.sentence),
        "is_flatter": one.flatness.is_flatter,
        "biases": tables.bias_rows(one.judged),
        "bias_unit": one.judged.unit,
        "component_rows": tables.component_rows(comparisons),
        "line_rows": tables.line_rows(comparisons),
        "lines_note": _lines_note(one.judged),
        "further_rows": tables.further_rows(comparisons),
        "study": None if isinstance(study, str) else _study(study),
        "no_study": _sentence(study) if isinstance(study, str) else "",
        "notes": _notes(one, comparisons),
    }


def _compared(validation: Validation, one: GaugeValidation) -> list[tuple[str, str]]:
    singles, card = one.paired.singles, one.card
    lites = [validation.lites[name] for name in one.paired.twins]
    under = sorted({str(lite.summary.get("support") or "not stated") for lite in lites})
    paired = f"{len(singles)} of {len(singles) + len(one.paired.unpaired)} readings"
    if one.swings is not None:
        paired += f", which make {counted(len(one.swings.table), 'swing')}"
    spread = singles["u_place_mm"].mean()
    return [
        *tables.card_rows(card),
        (
            "Its twin",
            "the same gauge laid on the scanned surface, bow and edge lift in, at the place of "
            f"each reading; standard uncertainty {shown(singles['u_scan_mm'].mean())} mm from the "
            "noise of the scan",
        ),
        ("Support", f"by hand: {card.support or 'not stated'}; under the scanner: "
                    f"{', '.join(under)}"),
        ("Paired", paired),
        (
            "Uncertainty from the place",
            f"{shown(spread)} mm on average: slope of the twin's map times a placement of "
            f"{validation.placement_sd_mm:g} mm (standard deviation along each axis)",
        ),
    ]  # fmt: skip


def _flag(flag: Flag) -> dict[str, str]:
    # the row stands before it already
    text = re.sub(rf"^row {flag.row}, ", "", flag.sentence, flags=re.IGNORECASE)
    return {
        "where": f"Rows from {flag.row}" if flag.rows else f"Row {flag.row}",
        "text": _sentence(text),
    }


def _shift(one: GaugeValidation) -> dict[str, str]:
    return {"text": _sentence(one.shift.sentence)}


def _picture(content: bytes, alt: str, caption: str = "") -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}


def _pictures(one: GaugeValidation) -> dict[str, dict[str, str]]:
    judged = one.judged
    found, unit = judged.agreement, judged.unit
    what = pictures.QUANTITY_NAMES[judged.quantity]
    doubt = (found.bias_ci.high - found.bias_ci.low) / 4
    bias, low, high = (
        shown(value, doubt) for value in (found.bias, found.limits.low, found.limits.high)
    )
    return {
        "differences": _picture(
            pictures.differences(judged),
            f"Differences of {found.n_readings} {what} over their mean: bias {bias} {unit}, 95 % "
            f"limits of agreement {low} to {high} {unit}.",
            "Each difference over the mean of scan and gauge; bands: 95 % confidence intervals of "
            "the bias and of both limits of agreement.",
        ),
        "lines": _picture(
            pictures.lines(judged),
            f"Scan over gauge, {what}, with the line of identity, Deming's line and "
            "Passing-Bablok's.",
            "Scan over gauge. Points on the wide grey line would be equal.",
        ),
        "people": _picture(
            pictures.people(judged),
            "Differences by operator and by lite, one dot each, for "
            f"{counted(found.n_operators, 'operator')} and {counted(found.n_lites, 'lite')}.",
            "Differences by operator, and by lite where there are several; grey: bias and limits "
            "of agreement.",
        ),
    }


def _maps(one: GaugeValidation) -> list[dict[str, str]]:
    """Differences of single readings where they are, on the lites with most readings."""
    shown_on = one.swings if one.swings is not None else one.singles
    assert shown_on is not None  # a gauge without pairs is refused
    counts = Counter(map(str, shown_on.table["lite_id"]))
    most = {name for name, _ in counts.most_common(MOST_MAPS)}
    made = []
    for lite_id in (name for name in counts if name in most):
        alt = (
            f"Lite {lite_id} from above: {counts[lite_id]} differences at their places over the "
            "map of the gauge's twin."
        )
        made.append(_picture(pictures.places(shown_on, one.paired.twins[lite_id]), alt))
    return made


def _study(study: Mapping[str, Any]) -> dict[str, Any]:
    scanner = study["scanner"]
    said = (
        f"{study['n_parts']} spots read by {study['n_operators']} operators, "
        f"{study['n_trials']:.3g} times each"
    )
    if not study["balanced"]:
        said += ", unevenly, so the figures are approximate"
    if study["parts_left_out"]:
        said += f"; {study['parts_left_out']} spots that not everybody read were left out"
    if study["pooled"]:
        said += "; no interaction of operator and spot was found, it is in the repeatability"
    if scanner is not None:
        said += (
            f". Scanner: {scanner['n_scans']} scans of lite {scanner['lite_id']} at "
            f"{scanner['n_spots']} spots"
        )
    ndc, low, high = study["ndc"]
    share, share_low, share_high = study["grr_share"]
    return {
        "rows": tables.study_rows(study),
        "about": _sentence(said),
        "ndc": tables.three_digits(ndc, (low, high)),
        "grr": tables.three_digits(
            *((None, None) if share is None else (100 * share, _percent(share_low, share_high)))
        ),
    }


def _lines_note(judged: Comparison) -> str:
    """What both lines and their intervals rest on."""
    line = judged.deming or judged.passing_bablok
    if line is None or line.variance_ratio is None:
        return "No line can be drawn through the judged readings; the reason is under Caveats."
    said = [
        f"error variance of the scan over the gauge's {shown(line.variance_ratio)}, from the "
        "uncertainties and repeats, place counted with the gauge"
    ]
    for name, found in (("Deming", judged.deming), ("Passing-Bablok", judged.passing_bablok)):
        if found is not None:
            said.append(f"interval of {name} by {found.interval}")
    if judged.passing_bablok is not None:
        published = shown(judged.passing_bablok.published_slope, 0.003)
        said.append(f"Passing-Bablok's slope as published, errors taken as equal: {published}")
    return f"Of the judged column: {'; '.join(said)}."


def _percent(low: float | None, high: float | None) -> tuple[float, float] | None:
    return None if low is None or high is None else (100 * low, 100 * high)


def _notes(one: GaugeValidation, comparisons: list[Comparison]) -> list[str]:
    own = [*one.notes, *one.judged.agreement.notes]
    for comparison in comparisons:
        name = pictures.QUANTITY_NAMES[comparison.quantity]
        own += [f"{name}: {note}" for note in comparison.notes]
    return [_sentence(note) for note in dict.fromkeys(own)]


def _factor(row: Mapping[str, Any]) -> dict[str, str]:
    return {
        "gauge": str(row["gauge"]),
        "kind": tables.KINDS[row["kind"]],
        "factor": shown(row["swing_over_surface"], 0.03),
        "why": str(row["why"]),
        "wavelength": shown(row["wavelength_mm"], 3.0),
    }


def _exclusions(validation: Validation) -> list[list[str]]:
    readings = validation.survey.readings
    out = readings[readings["excluded"].astype(bool)]
    return [
        [str(row["row"]), str(row["lite_id"]), str(row["gauge"]), str(row["operator"]),
         f"{row['reading_mm']:g}", str(row["reason"])]
        for row in out.to_dict("records")
    ]  # fmt: skip


def _provenance(validation: Validation) -> list[tuple[str, str]]:
    survey = validation.survey
    rows = [
        ("Survey", survey.where.replace("\\", "/").rsplit("/", 1)[-1]),
        ("SHA-256 of the survey", survey.sha256 or "not read from a file"),
    ]
    for lite in validation.lites.values():
        facts = lite.summary
        unread = "no reading, not compared; " if lite.lite_id in validation.not_compared else ""
        rows += [
            (
                f"Lite {lite.lite_id}",
                f"{unread}scanned {facts.get('scanned_at')} by {facts.get('instrument')}, "
                f"{lite.length_mm:.0f} × {lite.width_mm:.0f} mm, mapped by midchord "
                f"{facts.get('program_version')} from {facts.get('source_file') or 'no file'}",
            ),
            ("SHA-256 of its scan", str(facts.get("source_sha256") or "not stated")),
        ]
    rows += [(f"SHA-256 of {name}", digest) for name, digest in validation.files]
    rows.append(("Compared by", f"midchord {midchord.__version__}"))
    return rows
