"""The command for many lites at once: what stays with the machine, what with the glass."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from midchord.commands.options import (
    LogJson,
    OptionalFile,
    OptionalKind,
    OptionalNumber,
    OutFolder,
    Overwrite,
    Threads,
    Verbose,
    number,
    prepare,
)
from midchord.console import Exit, log, progress, say

__all__ = ["commands"]

commands = typer.Typer()
STATE = ".lots.state.npz"


@commands.command("lots")
def bring_lots_together(
    context: typer.Context,
    maps: Annotated[
        list[Path],
        typer.Argument(metavar="MAPS...", help="Files NAME.maps.nc, or folders that hold some."),
    ],
    machine: Annotated[
        OptionalFile,
        typer.Option("--machine", metavar="FILE", help="What the machine is like (TOML)."),
    ] = None,
    places: Annotated[
        OptionalFile,
        typer.Option("--places", metavar="FILE", help="Where lites lay in the machine (CSV)."),
    ] = None,
    field: Annotated[
        OptionalKind,
        typer.Option(
            "--field", metavar="NAME",
            help="Which figure: residual, reading, depth, surface_depth, gauge_distortion, "
            "surface_distortion, power_x or power_y.",
        ),
    ] = None,
    limit: Annotated[
        OptionalNumber,
        number("--limit", metavar="X", help="A spot is above it, in the unit of the field.",
               least=1e-9, most=1e6),
    ] = None,
    settings: Annotated[
        OptionalFile,
        typer.Option("--settings", metavar="FILE", help="Settings that differ (TOML)."),
    ] = None,
    out: OutFolder = Path(),
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Bring the maps of many lites together: what stays where, how much, and since when."""
    prepare(context, verbose, log_json, threads)
    from midchord.lots import lots
    from midchord.machine import Machine
    from midchord.machine_place import read_places
    from midchord.outputs import check_free, write_together
    from midchord.production.facts import lite_table, lots_facts, lots_maps
    from midchord.production.lots_settings import LotsSettings
    from midchord.production.sentences import conclusions
    from midchord.production.state import remove_state
    from midchord.report.lots_page import lots_page
    from midchord_io.results import write_csv, write_json, write_netcdf, write_text
    from midchord_io.toml_models import load_toml

    files = ("lots.html", "lots.csv", "lots.nc", "lots.json")
    check_free(out, files, overwrite=overwrite)
    changes: dict[str, Any] = {} if settings is None else load_toml(settings)
    if field is not None:
        changes["field"] = field
    if limit is not None:
        changes["persistence"] = {**changes.get("persistence", {}), "limit": limit}
    chosen = LotsSettings.of(changes, where=str(settings or "settings"))
    described = None if machine is None else Machine.load(machine)
    table = None if places is None else read_places(places)
    quiet = log_json or context.obj["log_json"]

    def watch(items: Sequence[Any]) -> Iterator[Any]:
        return progress(items, label="lites", quiet=quiet)

    found = lots(
        maps, described, chosen, places=table, state=out / STATE, watch=watch,
        tell=log.warning,
    )  # fmt: skip
    page, facts, drawn = lots_page(found), lots_facts(found), lots_maps(found)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_text(page, path),
        lambda path: write_csv(lite_table(found), path),
        lambda path: write_netcdf(drawn, path),
        lambda path: write_json(facts, path),
    )
    written = write_together(out, dict(zip(files, writers, strict=True)), overwrite=overwrite)
    remove_state(out / STATE)
    for sentence in conclusions(found):
        say(sentence)
    say(str(written[0]))
    if found.refused:
        raise typer.Exit(Exit.REFUSED)
