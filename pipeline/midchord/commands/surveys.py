"""The commands about surveys by hand: template, procedure, plan, and a survey worked up."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from midchord.commands.options import (
    LogJson,
    MapsFiles,
    OptionalFiles,
    OptionalNumber,
    OptionalWords,
    OutFolder,
    Overwrite,
    Placement,
    Threads,
    Verbose,
    number,
    prepare,
    whole_number,
)
from midchord.console import counted, say
from midchord_io.errors import OutputError

if TYPE_CHECKING:
    from midchord_io.survey import SurveyKind

__all__ = ["commands"]

commands = typer.Typer()


class Kind(StrEnum):
    """Kinds of survey, as typer lists them."""

    spots = "spots"
    lines = "lines"


class Spread(StrEnum):
    """Where the spots of a plan are, as typer lists it."""

    mixed = "mixed"
    random = "random"
    chosen = "chosen"


class Unit(StrEnum):
    """Units of the readings of a template."""

    mm = "mm"
    um = "um"
    inch = "in"


@commands.command("survey")
def work_up_survey(
    context: typer.Context,
    survey: Annotated[
        Path, typer.Argument(metavar="FILE", help="A hand survey along lines (CSV, XLSX).")
    ],
    gauge: Annotated[
        OptionalFiles,
        typer.Option(
            "--gauge",
            metavar="CARD",
            help="Card of a gauge (TOML), once for each; needed when there are readings.",
        ),
    ] = None,
    length_mm: Annotated[
        OptionalWords,
        typer.Option(
            "--length-mm",
            metavar="[LITE=]L",
            help="Of the lites, or of one of them (repeatable), to know the far edge zone.",
        ),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Work up a hand survey by itself: wavelength, feet, depth, distortion."""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free, write_together
    from midchord.report.survey_sheet import survey_page
    from midchord.surveying.hand_survey import lite_lengths, work_up
    from midchord_io.gauge_card import load_gauge_card
    from midchord_io.results import write_json, write_text
    from midchord_io.survey import read_survey

    lengths_mm = lite_lengths(length_mm or ())
    files = (f"{survey.stem}.survey.html", f"{survey.stem}.survey.json")
    check_free(out, files, overwrite=overwrite)
    cards = [load_gauge_card(path) for path in gauge or ()]
    hand = work_up(read_survey(survey), cards, length_mm=lengths_mm)
    page = survey_page(hand)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_json(hand.as_dict(), path),
    )
    written = write_together(out, dict(zip(files, writers, strict=True)), overwrite=overwrite)
    for lite in hand.lites:
        half_span = lite.figures.half_span_mm
        feet = "cannot be told" if half_span is None else f"{half_span:.0f} mm"
        say(f"Lite {lite.lite_id}, gauge {lite.gauge}: half-span for the feet {feet}")
    for remark in hand.remarks:
        say(f"  {remark.about}: {remark.text}")
    say(str(written[0]))


@commands.command("survey-template")
def survey_template(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="To be written: .csv or .xlsx.")],
    kind: Annotated[Kind, typer.Option("--kind", help="Single spots, or marks along lines.")],
    unit: Annotated[Unit, typer.Option("--unit", help="Of the readings.")] = Unit.mm,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Write an empty survey file to fill in."""
    prepare(context, verbose, log_json, threads)
    from midchord_io.survey_template import write_template

    chosen: SurveyKind = "lines" if kind is Kind.lines else "spots"
    say(str(write_template(file, chosen, unit=unit.value, overwrite=overwrite)))


@commands.command("survey-procedure")
def survey_procedure(
    context: typer.Context,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="To be written: .html, one side of A4.")
    ],
    half_span_mm: Annotated[
        OptionalNumber,
        number(
            "--half-span-mm",
            metavar="A",
            help="To set the feet to, where it is known.",
            least=10,
            most=2000,
        ),
    ] = None,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Write the procedure of a line survey, with cautions and a form, to print."""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free, write_together
    from midchord.report.survey_sheet import procedure_page
    from midchord_io.results import write_text

    if out.suffix.lower() not in (".html", ".htm"):
        raise OutputError(
            out,
            found=f"the procedure cannot be written as {out.suffix or 'a file without an ending'}",
            needed=".html, which any browser prints",
            do="name the file so",
        )
    check_free(out.parent, [out.name], overwrite=overwrite)
    page = procedure_page(half_span_mm=half_span_mm)
    files = {out.name: lambda path: write_text(page, path)}
    say(str(write_together(out.parent, files, overwrite=overwrite)[0]))


@commands.command("survey-plan")
def survey_plan(
    context: typer.Context,
    maps: MapsFiles,
    gauge: Annotated[
        Path, typer.Option("--gauge", metavar="CARD", help="Card of the gauge to be used (TOML).")
    ],
    tolerance_mm: Annotated[
        float,
        number(
            "--tolerance-mm",
            metavar="T",
            help="To be shown: within +-T, in mm.",
            least=1e-6,
            most=100,
        ),
    ],
    power: Annotated[
        float,
        number(
            "--power",
            metavar="P",
            help="Chance to show it, if it is so.",
            least=0.01,
            most=0.999,
        ),
    ] = 0.9,
    operators: Annotated[
        int,
        whole_number("--operators", metavar="N", help="People who read.", least=1, most=8),
    ] = 2,
    repeats: Annotated[
        int,
        whole_number("--repeats", metavar="N", help="Rounds by each of them.", least=1, most=10),
    ] = 2,
    bias_mm: Annotated[
        OptionalNumber,
        number(
            "--bias-mm", metavar="B", help="Of scan less gauge; none assumed.", least=-100, most=100
        ),
    ] = None,
    lite_sd_mm: Annotated[
        OptionalNumber,
        number("--lite-sd-mm", metavar="S", help="From lite to lite.", least=0, most=100),
    ] = None,
    spot_sd_mm: Annotated[
        OptionalNumber,
        number("--spot-sd-mm", metavar="S", help="Scatter from spot to spot.", least=0, most=100),
    ] = None,
    operator_sd_mm: Annotated[
        OptionalNumber,
        number(
            "--operator-sd-mm", metavar="S", help="From operator to operator.", least=0, most=100
        ),
    ] = None,
    placement_sd_mm: Placement = 5.0,
    repeatability_mm: Annotated[
        OptionalNumber,
        number(
            "--repeatability-mm",
            metavar="S",
            help="Of the gauge, one person at one mark; 0.005 assumed.",
            least=0,
            most=100,
        ),
    ] = None,
    spread: Annotated[
        Spread,
        typer.Option("--spread", help="Spots on crests and valleys (chosen), random, or both."),
    ] = Spread.mixed,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Plan a survey: how many lites and spots, and where; with a sheet and a file to fill in."""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free, write_together
    from midchord.report.plan_page import costliest_in_words, plan_page
    from midchord.surveying.survey_plan import plan_on_maps, survey_rows
    from midchord_io.gauge_card import load_gauge_card
    from midchord_io.results import read_maps, write_text
    from midchord_io.survey_template import template_text

    files = ("plan.html", "plan.csv")
    check_free(out, files, overwrite=overwrite)
    plan = plan_on_maps(
        [read_maps(path) for path in maps],
        load_gauge_card(gauge),
        tolerance_mm=tolerance_mm,
        power=power,
        repeats=repeats,
        n_operators=operators,
        bias_mm=bias_mm,
        lite_sd_mm=lite_sd_mm,
        spot_sd_mm=spot_sd_mm,
        operator_sd_mm=operator_sd_mm,
        placement_sd_mm=placement_sd_mm,
        repeatability_mm=repeatability_mm,
        spread=spread.value,
    )
    page, table = plan_page(plan), template_text("spots", rows=survey_rows(plan))
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_text(table, path),
    )
    written = write_together(out, dict(zip(files, writers, strict=True)), overwrite=overwrite)
    numbers = plan.plan
    say(
        f"{counted(numbers.n_lites, 'lite')}, {counted(numbers.spots_per_lite, 'spot')} on each, "
        f"{counted(numbers.repeats, 'repeat')} by {counted(numbers.n_operators, 'operator')}: "
        f"{counted(numbers.n_readings, 'reading')}"
    )
    parts = plan.scatter
    say(
        f"assumed standard deviations / mm: lite {parts.lite_sd:.2g}, spot {parts.spot_sd:.2g}, "
        f"operator {parts.operator_sd:.2g}, gauge {plan.repeatability_mm:.2g}, place "
        f"{plan.place_sd_mm:.2g} (hands off by {placement_sd_mm:g} mm)"
    )
    if costly := costliest_in_words(plan):
        say(costly)
    for name, reason in plan.dropped:
        say(f"lite {name} is not in the plan: {reason}")
    if plan.lites_missing:
        missing = counted(plan.lites_missing, "more lite")
        needed = "is" if plan.lites_missing == 1 else "are"
        say(f"maps of {missing} {needed} needed: plan again with all of them")
    say(str(written[0]))
