"""The command that watches figures over time: control charts of many lites."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from midchord.commands.options import (
    LogJson,
    OptionalFile,
    OutFolder,
    Overwrite,
    Threads,
    Verbose,
    prepare,
)
from midchord.console import progress, say

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["commands"]

commands = typer.Typer()

FILES = ("drift.html", "drift.figures.csv", "drift.states.csv", "drift.charts.csv",
         "drift.signals.csv", "drift.json")  # fmt: skip


@commands.command("drift")
def watch_figures(
    context: typer.Context,
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILES...",
            help="NAME.maps.nc or NAME.summary.json, one a lite; or one table of figures (CSV).",
        ),
    ],
    settings: Annotated[
        OptionalFile,
        typer.Option("--settings", metavar="FILE", help="Settings of the charts (TOML)."),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Chart the figures of many lites: did anything change, and with which lite."""
    prepare(context, verbose, log_json, threads)
    from midchord.charts.drift_settings import DriftSettings
    from midchord.charts.figures import figure_table, read_figures
    from midchord.drift import drift
    from midchord.outputs import check_free, write_together
    from midchord_io.results import write_csv, write_json, write_text

    check_free(out, FILES, overwrite=overwrite)
    chosen = DriftSettings.load(settings)
    is_table = len(files) == 1 and files[0].suffix.lower() == ".csv"
    found = drift(read_figures(files[0]) if is_table else _lites(files), chosen)
    from midchord.drift_facts import (
        chart_table,
        conclusions,
        drift_facts,
        signal_table,
        state_table,
    )
    from midchord.report.drift_page import drift_page

    page, facts = drift_page(found), drift_facts(found)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_csv(figure_table(found.figures), path),
        lambda path: write_csv(state_table(found), path),
        lambda path: write_csv(chart_table(found), path),
        lambda path: write_csv(signal_table(found), path),
        lambda path: write_json(facts, path),
    )
    written = write_together(out, dict(zip(FILES, writers, strict=True)), overwrite=overwrite)
    for sentence in conclusions(found):
        say(sentence)
    say(str(written[0]))


def _lites(files: list[Path]) -> Iterator[xr.Dataset | Mapping[str, Any]]:
    """Maps or summaries, read one after the other."""
    from midchord.charts.figures import read_summary
    from midchord_io.results import read_maps

    for path in progress(files, label="reading"):
        yield read_summary(path) if path.suffix.lower() == ".json" else read_maps(path)
