"""The commands that make scans: lites whose true figures are known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from midchord.commands.options import LogJson, OptionalFile, Overwrite, Threads, Verbose, prepare
from midchord.console import say

__all__ = ["commands"]

commands = typer.Typer()


@commands.command("simulate")
def simulate(
    context: typer.Context,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The scan to write.")],
    recipe: Annotated[
        OptionalFile, typer.Argument(metavar="RECIPE", help="What lite to make (TOML).")
    ] = None,
    orientation_target: Annotated[
        bool,
        typer.Option(
            "--orientation-target",
            help="In place of a recipe: a flat lite with four unequal corner bumps.",
        ),
    ] = False,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Make the scan of a lite whose true figures are known."""
    prepare(context, verbose, log_json, threads)
    if (recipe is None) != orientation_target:
        raise typer.BadParameter("name a RECIPE or say --orientation-target, one of the two.")
    from midchord.orientation import target_recipe
    from midchord.outputs import check_free
    from midchord.simulate import truth_beside, write_simulated
    from midchord.simulating.recipe import Recipe

    made = target_recipe() if recipe is None else Recipe.load(recipe)
    check_free(out.parent, (out.name, truth_beside(out).name), overwrite=overwrite)
    for written in write_simulated(made, out):
        say(str(written))
