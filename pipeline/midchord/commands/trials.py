"""The command about trials: lites made with several settings, held against each other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Optional

import typer

from midchord.commands.options import (
    LogJson,
    MapsFiles,
    OptionalFile,
    OutFolder,
    Overwrite,
    Threads,
    Verbose,
    prepare,
)
from midchord.console import progress, say

__all__ = ["commands"]

commands = typer.Typer()

FILES = ("trial.html", "trial.zones.csv", "trial.cells.csv", "trial.lites.csv", "trial.json")


@commands.command("trial")
def hold_settings(
    context: typer.Context,
    maps: MapsFiles,
    plan: Annotated[
        Path,
        typer.Option(
            "--plan", metavar="FILE", help="Which lite was made with which setting (CSV)."
        ),
    ],
    reference: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            "--reference",
            metavar="SETTING",
            help="That the others are held against; of the plan's first row if not given.",
        ),
    ] = None,
    settings: Annotated[
        OptionalFile,
        typer.Option("--settings", metavar="FILE", help="Settings of the comparison (TOML)."),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Hold settings of the machine against each other: effect, where, how sure, how many lites."""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free, write_together
    from midchord.trial import trial
    from midchord.trials.plan import read_plan
    from midchord.trials.trial_settings import TrialSettings
    from midchord_io.results import read_maps, write_csv, write_json, write_text

    check_free(out, FILES, overwrite=overwrite)
    chosen, planned = TrialSettings.load(settings), read_plan(plan)
    planned.levels(reference)  # a wrong one ends the call before any maps are read
    lites = (read_maps(path) for path in progress(maps, label="reading"))
    found = trial(lites, planned, chosen, reference=reference)
    from midchord.report.trial_page import trial_page
    from midchord.trial_facts import cell_table, conclusions, lite_table, trial_facts, zone_rows

    page, facts = trial_page(found), trial_facts(found)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_csv(zone_rows(found), path),
        lambda path: write_csv(cell_table(found), path),
        lambda path: write_csv(lite_table(found), path),
        lambda path: write_json(facts, path),
    )
    written = write_together(out, dict(zip(FILES, writers, strict=True)), overwrite=overwrite)
    for sentence in conclusions(found):
        say(sentence)
    say(str(written[0]))
