"""The command that makes a flat reference."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from midchord.commands.options import (
    LogJson,
    OptionalFile,
    OptionalKind,
    Overwrite,
    Threads,
    Verbose,
    prepare,
)
from midchord.console import say

__all__ = ["commands"]

commands = typer.Typer()


@commands.command("reference")
def reference(
    context: typer.Context,
    scans: Annotated[
        list[Path], typer.Argument(metavar="SCAN...", help="Scans of one master flat.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The reference to write.")],
    kind: Annotated[
        OptionalKind,
        typer.Option("--kind", metavar="K", help="line or area, where the scans do not say it."),
    ] = None,
    source: Annotated[
        OptionalFile,
        typer.Option("--source", metavar="F", help="What the scans do not say themselves (TOML)."),
    ] = None,
    settings: Annotated[
        OptionalFile, typer.Option("--settings", metavar="F", help="Settings that differ (TOML).")
    ] = None,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Make the flat reference of a sensor from scans of a master flat."""
    prepare(context, verbose, log_json, threads)
    if kind not in (None, "line", "area"):
        raise typer.BadParameter(f"--kind {kind} was given; it is line or area; correct it.")
    from midchord.outputs import check_free
    from midchord.reference import make_reference, orientation_of
    from midchord.reference_use import write_reference
    from midchord.settings import Settings
    from midchord_io.adapters import open_scan
    from midchord_io.source import load_source

    inputs = (*scans, source, settings)
    check_free(out.parent, [out.name], overwrite=overwrite, inputs=inputs)
    described = None if source is None else load_source(source)
    made = make_reference(
        [open_scan(scan, described) for scan in scans],
        kind="line" if kind == "line" else "area" if kind == "area" else None,
        settings=Settings.load(settings),
        orientation=orientation_of(described),
    )
    write_reference(made, out)
    facts = made.data.attrs
    say(f"Flat reference of {facts['instrument']}, {facts['kind']}, from {facts['scans']} scans:")
    say(f"  {facts['scanned_from']} to {facts['scanned_to']}")
    floor, spread = facts["noise_floor_mdpt"], facts["repeatability_mm"]
    at = f"at a half-span of {facts['half_span_mm']:g} mm, a wave of {facts['wavelength_mm']:g} mm"
    say(
        "  noise floor not known: a flat shorter than two waves, or one scan of an area sensor"
        if floor is None
        else f"  noise floor {floor:.3g} mdpt {at}"
    )
    say(
        "  repeatability not known from a single scan: take three or more"
        if spread is None
        else f"  repeatability of one scan {1000 * spread:.3g} um"
    )
    say(str(out))
