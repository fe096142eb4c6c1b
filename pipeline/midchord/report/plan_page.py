"""The sheet of a planned survey that is taken to the line: what to read, where, and room to write.

For each lite a sketch with its spots by number, and a table of their places with an empty field for
every reading. What the scan says of a spot is not on the sheet: whoever knows the figure reads it.
"""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Any

from midchord.report import house_style as house
from midchord.report.agreement_tables import KINDS
from midchord.report.house_style import shown
from midchord.report.map_marks import add_frame
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled
from midchord.surveying.survey_plan import PlannedLite, SurveyPlan, operator_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["costliest_in_words", "plan_page"]

_LITE_IN = 5.6
_AROUND_IN = 1.3
PART_NAMES = {
    "bias": "the bias of the scan",
    "lite_sd": "the scatter from lite to lite",
    "spot_sd": "the scatter from spot to spot",
    "operator_sd": "the scatter from operator to operator",
    "repeatability": "the repeatability of the gauge",
    "place": "hands off their place",
}
"""Parts of the scatter, as in ``SurveyPlan.lites_without``."""

SPREADS = {
    "chosen": "All spots were chosen on crests and valleys, where a hand that is off changes "
    "little: agreement on them does not speak for slopes.",
    "mixed": "Half of the spots were chosen on crests and valleys, half drawn at random from the "
    "clear zone (marked ◦): agreement on chosen spots alone does not speak for slopes.",
    "random": "All spots were drawn at random from the clear zone, slopes among them.",
}


def plan_page(plan: SurveyPlan) -> str:
    """The sheet as one HTML file that needs nothing else."""
    numbers = plan.plan
    fields = numbers.n_operators * numbers.repeats
    return filled(
        "plan_page.html.j2",
        gauge=plan.card.gauge,
        summary=_summary(plan),
        assumptions=_assumptions(plan),
        costliest=costliest_in_words(plan),
        missing=plan.lites_missing,
        fields=[
            f"{k // numbers.repeats + 1}, {k % numbers.repeats + 1}"
            for k in range(fields)
        ],
        operators=[operator_name(k) for k in range(numbers.n_operators)],
        dropped=plan.dropped,
        spread=SPREADS[plan.spread],
        lites=[_lite(planned) for planned in plan.lites],
        cautions=CAUTIONS,
    )


def _summary(plan: SurveyPlan) -> list[tuple[str, str]]:
    card, numbers = plan.card, plan.plan
    contacts = (
        f"{card.half_span_mm:g} mm from plunger to foot"
        if card.half_span_mm is not None
        else f"{card.base_mm:g} mm long"
    )
    return [
        ("Gauge", f"{card.gauge}, {KINDS[card.kind]}, {contacts}"),
        ("To be shown", f"scan and gauge agree within ±{plan.tolerance_mm:g} mm: the outward 95 % "
                        "bounds of both limits of agreement lie inside it"),
        ("Readings", f"{numbers.n_lites} lites × {numbers.spots_per_lite} spots × "
                     f"{numbers.repeats} repeats × {numbers.n_operators} operators = "
                     f"{numbers.n_readings}"),
        ("Chance to show it", f"{100 * numbers.power:.0f} %, if the differences scatter as "
                              f"assumed ({100 * plan.power:.0f} % were asked for)"),
    ]  # fmt: skip


def _assumptions(plan: SurveyPlan) -> list[tuple[str, str, str, str]]:
    """What, how much, lites without it, why."""
    scatter = plan.scatter
    stated = "stated"
    share = "assumed: half the repeatability, or one step of the dial"

    def row(words: str, value: float, name: str, assumed: str) -> tuple[str, str, str, str]:
        why = stated if name in plan.stated else assumed
        fewer = plan.lites_without.get(name, plan.plan.n_lites)
        return words, f"{value:g}" if name == "bias" else shown(value), str(fewer), why

    place = (
        f"hands off by {plan.placement_sd_mm:g} mm along each axis, by the slopes of the maps at "
        "the spots"
    )
    return [
        row("bias of the scan", scatter.bias, "bias", "assumed: none"),
        *(
            row(PART_NAMES[name].removeprefix("the scatter "), getattr(scatter, name), name, share)
            for name in ("lite_sd", "spot_sd", "operator_sd")
        ),
        row("repeatability of the gauge", plan.repeatability_mm, "repeatability",
            "assumed: what a hand gauge usually has"),
        row("from the place", plan.place_sd_mm, "place", place),
        ("within a spot, in all", shown(scatter.within_sd), "",
         "both of these, the dial and the noise of the scan"),
    ]  # fmt: skip


def costliest_in_words(plan: SurveyPlan) -> str:
    """Which assumption costs most lites; "" where none costs one."""
    if plan.costliest is None:
        return ""
    names, least = plan.costliest
    listed = ", or without ".join(PART_NAMES[name] for name in names)
    return (
        f"{least} lites would do instead of {plan.plan.n_lites} without {listed}: a trial survey "
        "of a few lites tells what it really is; state it and plan again"
    )


def _lite(planned: PlannedLite) -> dict[str, Any]:
    lite = planned.lite
    content = _sketch(planned)
    return {
        "name": lite.lite_id,
        "size": f"{lite.length_mm:.0f} × {lite.width_mm:.0f} mm",
        "scanned": str(lite.summary.get("scanned_at")),
        "sketch": "data:image/png;base64," + base64.b64encode(content).decode("ascii"),
        "alt": f"Lite {lite.lite_id} from above with {len(planned.spots)} spots by number.",
        "spots": [
            (f"{spot.x_mm:.0f}", f"{spot.y_mm:.0f}", f"{lite.length_mm - spot.x_mm:.0f}",
             f"{lite.width_mm - spot.y_mm:.0f}", "◦" if is_random else "")
            for spot, is_random in zip(planned.spots, planned.is_random, strict=True)
        ],
    }  # fmt: skip


def _sketch(planned: PlannedLite) -> bytes:
    import matplotlib
    from matplotlib.figure import Figure

    lite = planned.lite
    box_w = min(_LITE_IN, 3.6 * lite.length_mm / lite.width_mm)
    box_h = box_w * lite.width_mm / lite.length_mm
    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        wide, high = _LITE_IN + 1.7, box_h + _AROUND_IN
        figure = Figure(figsize=(wide, high), dpi=150)
        _draw(figure, planned, (0.8 / wide, 0.55 / high, box_w / wide, box_h / high))
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _draw(figure: Figure, planned: PlannedLite, box: tuple[float, float, float, float]) -> None:
    ax = figure.add_axes(box)
    lite = planned.lite
    for number, spot in enumerate(planned.spots, start=1):
        ax.plot(
            spot.x_mm, spot.y_mm, "+", color=house.INK, markersize=8, markeredgewidth=1.1, zorder=5
        )
        right, high = spot.x_mm > 0.9 * lite.length_mm, spot.y_mm > 0.8 * lite.width_mm
        ax.annotate(
            str(number), (spot.x_mm, spot.y_mm), xytext=(-5 if right else 5, -5 if high else 4),
            textcoords="offset points", ha="right" if right else "left",
            va="top" if high else "bottom", fontsize=8.5, zorder=6,
        )  # fmt: skip
    add_frame(ax, lite.length_mm, lite.width_mm)
