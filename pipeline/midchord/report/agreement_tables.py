"""Rows of the tables of scan against gauge, as text: here the statistics are rounded, nowhere else.

A figure that has an interval is shown with as many digits as half of it earns, its ends to the
same place. What the survey could not tell is a dash, never a zero.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from midchord.report.agreement_pictures import QUANTITY_NAMES
from midchord.report.house_style import shown
from midchord.statistics.comparison import Comparison, group_biases
from midchord_io.gauge_card import GaugeCard

__all__ = [
    "bias_rows",
    "card_rows",
    "component_rows",
    "further_rows",
    "headings",
    "key_rows",
    "line_rows",
    "probability",
    "reason_counts",
    "study_rows",
    "three_digits",
    "with_interval",
]

DASH = "–"
SURE = 0.05
"""Level of a test from which its outcome is put into words."""
KINDS = {
    "three-point": "three-point gauge",
    "short-feet": "three-point gauge with its feet close together",
    "flat-base": "gauge with a flat base",
    "straight-edge": "straight edge",
    "edge-lift": "straight edge over the edge",
}
Row = tuple[str, list[str]]


def with_interval(value: float | None, interval: Sequence[float | None] | None) -> str:
    """``−0.8 (−1.2 to −0.4)``; the value alone where there is no interval."""
    if value is None or not math.isfinite(value):
        return DASH
    low, high = interval if interval is not None else (None, None)
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return f"{shown(value)} (no interval)"
    doubt = (high - low) / 4
    return f"{shown(value, doubt)} ({shown(low, doubt)} to {shown(high, doubt)})"


def three_digits(value: float | None, interval: Sequence[float | None] | None) -> str:
    """With three digits of its own, its ends likewise: a wide interval hides no small figure."""
    if value is None or not math.isfinite(value):
        return DASH
    low, high = interval if interval is not None else (None, None)
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return f"{_three(value)} (no interval)"
    return f"{_three(value)} ({_three(low)} to {_three(high)})"


def _three(value: float) -> str:
    return "0" if value == 0 else shown(value)


def probability(p: float | None) -> str:
    """A p value; small ones are not spelled out."""
    if p is None or not math.isfinite(p):
        return DASH
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def headings(comparisons: Sequence[Comparison]) -> list[str]:
    """One a comparison: what was compared, and its unit."""
    return [f"{QUANTITY_NAMES[one.quantity]} / {one.unit}" for one in comparisons]


def _row(
    name: str, comparisons: Sequence[Comparison], cell: Callable[[Comparison], str | None]
) -> Row:
    return name, [cell(one) or DASH for one in comparisons]


def key_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """How many, bias, scatter, limits and bounds; each with its 95 % interval."""

    def count(one: Comparison) -> str:
        a = one.agreement
        return f"{a.n_readings} at {a.n_spots}, {a.n_lites}, {a.n_operators}"

    def bounds(one: Comparison) -> str:
        ends = one.agreement.limits.bounds
        if not all(map(math.isfinite, ends)):
            return DASH
        doubt = (ends.high - ends.low) / 16
        return f"{shown(ends.low, doubt)} to {shown(ends.high, doubt)}"

    def test(one: Comparison) -> str | None:
        found = one.agreement.equivalence
        if found is None:
            return None
        words = "inside" if found.shown else "not shown inside"
        return f"{words} ±{found.tolerance:g}, p {probability(found.p)}"

    rows = [
        _row("readings at spots, lites, operators", comparisons, count),
        _row(
            "bias (scan − gauge)",
            comparisons,
            lambda one: with_interval(one.agreement.bias, one.agreement.bias_ci),
        ),
        _row(
            "standard deviation of one difference",
            comparisons,
            lambda one: with_interval(one.agreement.sd, one.agreement.sd_ci),
        ),
        _row(
            "upper 95 % limit of agreement",
            comparisons,
            lambda one: with_interval(one.agreement.limits.high, one.agreement.limits.high_ci),
        ),
        _row(
            "lower 95 % limit of agreement",
            comparisons,
            lambda one: with_interval(one.agreement.limits.low, one.agreement.limits.low_ci),
        ),
        _row("outward 95 % bounds of both limits, which the verdict rests on", comparisons, bounds),
    ]
    if any(one.agreement.equivalence for one in comparisons):
        rows.append(_row("bias by two one-sided tests (TOST)", comparisons, test))
    return rows


def component_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """Where the scatter comes from, as standard deviations."""

    def sd(name: str) -> Callable[[Comparison], str]:
        def cell(one: Comparison) -> str:
            variance = getattr(one.agreement.components, name)
            return DASH if variance is None else shown(math.sqrt(variance), one.agreement.sd / 20)

        return cell

    return [
        _row("from lite to lite", comparisons, sd("lite")),
        _row("from spot to spot of a lite", comparisons, sd("spot")),
        _row("from operator to operator", comparisons, sd("operator")),
        _row("between repeats at one spot", comparisons, sd("within")),
    ]


def line_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """Both regression lines, gauge on x and scan on y, errors in both."""

    def part(line: str, name: str) -> Callable[[Comparison], str | None]:
        def cell(one: Comparison) -> str | None:
            found = getattr(one, line)
            if found is None:
                return None
            return with_interval(getattr(found, name), getattr(found, f"{name}_ci"))

        return cell

    def bend(one: Comparison) -> str | None:
        return None if one.passing_bablok is None else probability(one.passing_bablok.linearity_p)

    return [
        _row("Deming: slope", comparisons, part("deming", "slope")),
        _row("Deming: intercept", comparisons, part("deming", "intercept")),
        _row("Passing-Bablok: slope", comparisons, part("passing_bablok", "slope")),
        _row("Passing-Bablok: intercept", comparisons, part("passing_bablok", "intercept")),
        _row("p of a straight line (cusum; small: it bends)", comparisons, bend),
    ]


def further_rows(comparisons: Sequence[Comparison]) -> list[Row]:
    """Trends, concordance, and whether the stated uncertainties are right."""

    def trend(one: Comparison) -> str | None:
        found = one.trend
        if found is None or not math.isfinite(found.slope):
            return None
        narrow = "; range too narrow to mean much" if found.is_narrow else ""
        return with_interval(found.slope, (found.low, found.high)) + narrow

    def spread(one: Comparison) -> str | None:
        found = one.spread
        if found is None or not math.isfinite(found.p):
            return None
        way = {None: "", True: ", grows", False: ", shrinks"}[found.grows]
        return f"p {probability(found.p)}{way}"

    def agreement(one: Comparison) -> str | None:
        found = one.concordance
        if found is None:
            return None
        return with_interval(found.coefficient, (found.low, found.high))

    def inside(one: Comparison) -> str | None:
        found = one.normalised
        if found is None:
            return None
        ends = ", ".join(f"{100 * value:.0f}" for value in (found.share_low, found.share_high))
        return f"{100 * found.share_inside:.0f} % ({ends.replace(', ', ' to ')} %)"

    def birge(one: Comparison) -> str | None:
        found = one.normalised
        if found is None:
            return None
        way = "small" if found.birge > 1 else "large"
        words = f"; uncertainties stated too {way}" if found.p < SURE else ""
        return f"{shown(found.birge, 0.03)}, p {probability(found.p)}{words}"

    def repeats(one: Comparison) -> str:
        return "left out" if one.repeatability is None else shown(one.repeatability)

    return [
        _row("slope of differences on means (proportional bias)", comparisons, trend),
        _row("spread that follows the size (Koenker)", comparisons, spread),
        _row("Lin's concordance", comparisons, agreement),
        _row("differences within their expanded uncertainty, about 95 % expected", comparisons,
             inside),
        _row("repeatability of the survey that is in these uncertainties", comparisons, repeats),
        _row("scatter over stated uncertainty (Birge ratio, 1 expected)", comparisons, birge),
    ]  # fmt: skip


def bias_rows(comparison: Comparison) -> list[list[str]]:
    """Operator or lite, its bias, readings and spots."""
    doubt = comparison.agreement.sd / 20
    return [
        [words, one["name"], shown(one["bias"], doubt), str(one["n_readings"]), str(one["n_spots"])]
        for words, by in (("operator", "operator"), ("lite", "lite_id"))
        for one in group_biases(comparison.table, by)
    ]


def study_rows(study: Mapping[str, Any]) -> list[list[str]]:
    """Source, standard deviation with interval in mm, share of the variance."""
    rows = []
    for row in study["rows"]:
        share = row["share_of_variance"]
        rows.append(
            [
                str(row["source"]),
                three_digits(row["sd"], row["sd_ci"]),
                DASH if share is None else f"{100 * share:.1f} %",
            ]
        )
    return rows


def card_rows(card: GaugeCard) -> list[tuple[str, str]]:
    """What the card says, and where it is silent about what matters."""
    contacts = (
        f"{card.half_span_mm:g} mm from plunger to foot"
        if card.half_span_mm is not None
        else f"{card.base_mm:g} mm long"
    )
    meaning = {
        "swing": "the swing of the dial, uncorrected",
        "surface": "the depth of the surface",
    }[card.depth_is]
    rows = [
        ("Kind", f"{KINDS[card.kind]}, {contacts}"),
        ("A depth by it is", meaning),
        ("Resolution", f"{card.resolution_mm:g} mm"),
        ("Face it stands on", card.face or "not stated, upper taken"),
        ("Zeroed on", card.zeroed_on or "not stated"),
        ("Calibrated on", card.calibrated_on.isoformat() if card.calibrated_on else "not stated"),
        (
            "Calibration offset",
            "not stated, none taken off"
            if card.calibration_offset_mm is None
            else f"{card.calibration_offset_mm:g} mm, taken off every reading",
        ),
    ]
    if card.contact_radius_mm is not None:
        rows.append(("Radius of the tip", f"{card.contact_radius_mm:g} mm"))
    if card.contact_force_n is not None:
        rows.append(("Contact force", f"{card.contact_force_n:g} N"))
    return rows


def reason_counts(unpaired: pd.DataFrame) -> list[tuple[str, str]]:
    """How many readings could not be paired, by reason; exclusions are told apart."""
    reasons = unpaired["reason"].astype(str)
    grouped = reasons.where(~reasons.str.startswith("excluded"), "excluded by a person")
    return [(str(reason), str(count)) for reason, count in grouped.value_counts().items()]
