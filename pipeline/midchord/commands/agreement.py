"""The commands that hold the scan against the hand gauge.

``validate`` ends with 0 where agreement is shown or no tolerance was asked for, with 1 where it is
not shown or the readings are too few for a verdict.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from midchord.commands.options import (
    LogJson,
    MapsFiles,
    OptionalFiles,
    OptionalNumber,
    OutFolder,
    Overwrite,
    Placement,
    Threads,
    Verbose,
    number,
    prepare,
)
from midchord.console import Exit, agreement_lines, say

__all__ = ["commands"]

commands = typer.Typer()


@commands.command("validate")
def validate_maps(
    context: typer.Context,
    maps: MapsFiles,
    survey: Annotated[
        Path, typer.Option("--survey", metavar="FILE", help="The hand survey (CSV, XLSX).")
    ],
    gauge: Annotated[
        list[Path],
        typer.Option("--gauge", metavar="CARD", help="Card of a gauge (TOML); once for each."),
    ],
    tolerance_mm: Annotated[
        OptionalNumber,
        number(
            "--tolerance-mm",
            metavar="T",
            help="Judge agreement within +-T, in mm.",
            least=1e-6,
            most=100,
        ),
    ] = None,
    tolerance_mdpt: Annotated[
        OptionalNumber,
        number(
            "--tolerance-mdpt",
            metavar="T",
            help="In mdpt, for surveys along lines.",
            least=1e-3,
            most=1e5,
        ),
    ] = None,
    placement_sd_mm: Placement = 5.0,
    again: Annotated[
        OptionalFiles,
        typer.Option("--again", metavar="MAPS", help="A further scan of a lite; repeatable."),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Hold maps against a hand survey: does the scan agree with the gauge?"""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free, write_together
    from midchord.validate import validate
    from midchord_io.gauge_card import load_gauge_card
    from midchord_io.results import read_maps, write_bytes, write_json, write_text
    from midchord_io.survey import read_survey

    files = ("agreement.html", "agreement.xlsx", "agreement.json")
    check_free(out, files, overwrite=overwrite)
    validation = validate(
        [read_maps(path) for path in maps],
        read_survey(survey),
        [load_gauge_card(path) for path in gauge],
        tolerance_mm=tolerance_mm,
        tolerance_mdpt=tolerance_mdpt,
        placement_sd_mm=placement_sd_mm,
        again=[read_maps(path) for path in again or ()],
        files=[*maps, *(again or ()), *gauge],
    )
    from midchord.report.agreement_page import agreement_page
    from midchord.report.agreement_workbook import agreement_workbook

    page, workbook, facts = (
        agreement_page(validation), agreement_workbook(validation), validation.as_dict()
    )  # fmt: skip
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_bytes(workbook, path),
        lambda path: write_json(facts, path),
    )
    written = write_together(out, dict(zip(files, writers, strict=True)), overwrite=overwrite)
    say("\n".join(agreement_lines(facts)))
    say(str(written[0]))
    if validation.verdict not in ("shown", "not asked"):
        raise typer.Exit(Exit.OUTSIDE)
