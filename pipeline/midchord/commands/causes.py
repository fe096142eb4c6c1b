"""The commands that ask for causes: maps held against the machine that made the lites."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

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
from midchord.console import say

__all__ = ["commands"]

commands = typer.Typer()


@commands.command("trace")
def trace_maps(
    context: typer.Context,
    maps: MapsFiles,
    machine: Annotated[
        Path, typer.Option("--machine", metavar="FILE", help="What the machine is like (TOML).")
    ],
    places: Annotated[
        OptionalFile,
        typer.Option("--places", metavar="FILE", help="Where lites lay in the machine (CSV)."),
    ] = None,
    settings: Annotated[
        OptionalFile,
        typer.Option("--settings", metavar="FILE", help="Settings of the trace (TOML)."),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Trace the waves of many lites to parts of the machine."""
    prepare(context, verbose, log_json, threads)
    from midchord.causes.trace_settings import TraceSettings
    from midchord.machine import Machine
    from midchord.machine_place import read_places
    from midchord.outputs import check_free, write_together
    from midchord.trace import trace
    from midchord_io.results import read_maps, write_csv, write_json, write_text

    described, chosen = Machine.load(machine), TraceSettings.load(settings)
    files: tuple[str, ...] = ("causes.html", "causes.csv", "spectrum.csv", "causes.json")
    files += ("nozzles.csv",) if described.nozzles is not None else ()
    check_free(out, files, overwrite=overwrite)
    table = None if places is None else read_places(places)
    found = trace((read_maps(path) for path in maps), described, chosen, places=table)
    from midchord.nozzles.facts import nozzle_table
    from midchord.report.trace_page import trace_page
    from midchord.trace_facts import cause_table, conclusions, spectrum_table, trace_facts

    page, facts = trace_page(found), trace_facts(found)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_csv(cause_table(found), path),
        lambda path: write_csv(spectrum_table(found), path),
        lambda path: write_json(facts, path),
        lambda path: write_csv(nozzle_table(found.nozzles), path),
    )
    # the last one only where the machine file describes nozzles
    written = write_together(out, dict(zip(files, writers, strict=False)), overwrite=overwrite)
    for sentence in conclusions(found):
        say(sentence)
    say(str(written[0]))
