"""The commands about one lite, or one after the other: map and judge scans, draw their maps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
from midchord.console import Exit, exit_for, figure_lines, log, progress, report_fault, say
from midchord_io.errors import MidchordError, OutputError

if TYPE_CHECKING:
    from midchord.judging.limits import Limits
    from midchord.reference import Reference
    from midchord.settings import Settings
    from midchord_io.source import SourceDescription

__all__ = ["commands"]

DEMO_SCAN = "demo-heron.nc"
DEMO_LIMITS = "contract-example.toml"

commands = typer.Typer()


@commands.command("demo")
def demo(
    context: typer.Context,
    out: OutFolder = Path("midchord-demo"),
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Map and judge the scan that comes with midchord. Replaces an earlier demo in that folder."""
    prepare(context, verbose, log_json, threads)
    from midchord.configs import shipped
    from midchord.judging.limits import load_limits
    from midchord.outputs import check_outputs, write_lite
    from midchord.run import map_file, summary
    from midchord.settings import Settings

    scan = shipped("sample-scans", DEMO_SCAN)
    limits = load_limits(shipped("configs", "limits", DEMO_LIMITS))
    check_outputs(out, [scan.stem], overwrite=True)
    maps = map_file(scan, source=None, settings=Settings.load(), limits=limits)
    written = write_lite(maps, out, scan.stem, overwrite=True)
    result = summary(maps)
    say(f"Lite {result['lite_id']}, an invented one:")
    say("\n".join(figure_lines(result)))
    say(f"  verdict by '{limits.name}': {result['verdict']}")
    for reason in result["reasons"]:
        say(f"  - {reason['sentence']}")
    say(f"Open {written.page.resolve()} in a browser.")
    say("The demo did its work, so it ends with exit code 0 whatever the verdict.")


@commands.command("map")
def map_scans(
    context: typer.Context,
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN...", help="Scans, one lite each.")],
    source: Annotated[
        OptionalFile,
        typer.Option("--source", metavar="F", help="What the scans do not say themselves (TOML)."),
    ] = None,
    settings: Annotated[
        OptionalFile, typer.Option("--settings", metavar="F", help="Settings that differ (TOML).")
    ] = None,
    limits: Annotated[
        OptionalFile, typer.Option("--limits", metavar="F", help="Limits to judge by (TOML).")
    ] = None,
    reference: Annotated[
        OptionalFile,
        typer.Option("--reference", metavar="F", help="Flat reference of the sensor, subtracted."),
    ] = None,
    out: OutFolder = Path(),
    full: Annotated[
        bool, typer.Option("--full", help="Store the maps at the pitch of the scan.")
    ] = False,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Map each scan, and judge it if limits are given."""
    prepare(context, verbose, log_json, threads)
    _refuse_equal_names(scans)
    from midchord.judging.limits import check_grid, load_limits
    from midchord.outputs import check_outputs
    from midchord.settings import Settings

    resolved = Settings.load(settings)
    if full:
        maps_section = resolved.maps.model_copy(update={"map_pitch_mm": 0.0})
        resolved = resolved.model_copy(update={"maps": maps_section})
    asked = None if limits is None else load_limits(limits)
    if asked is not None:
        check_grid(asked, grid_x=resolved.zones.grid_x, grid_y=resolved.zones.grid_y)
    described = None
    if source is not None:
        from midchord_io.source import load_source

        described = load_source(source)
    flat = None
    if reference is not None:
        from midchord.reference_use import read_reference

        flat = read_reference(reference)
    inputs = (*scans, source, settings, limits, reference)
    check_outputs(out, [scan.stem for scan in scans], overwrite=overwrite, inputs=inputs)
    quiet = log_json or context.obj["log_json"]
    codes = [
        _map_one(scan, described, resolved, asked, flat, out, overwrite)
        for scan in progress(scans, label="mapping", quiet=quiet)
    ]
    raise typer.Exit(max(codes))


def _refuse_equal_names(scans: Sequence[Path]) -> None:
    seen: dict[str, Path] = {}
    for scan in scans:
        first = seen.setdefault(scan.stem.casefold(), scan)  # some file systems ignore case
        if first is not scan:
            raise OutputError(
                scan,
                found=f"its results would have the name {scan.stem!r} of those of {first}",
                needed="another name for each scan",
                do="map them in two calls with an --out each",
            )


def _map_one(
    scan: Path,
    source: SourceDescription | None,
    settings: Settings,
    limits: Limits | None,
    reference: Reference | None,
    out: Path,
    overwrite: bool,
) -> Exit:
    """Map, judge and write one scan. A refused scan or a fault in it leaves the others alone."""
    from midchord.outputs import write_lite
    from midchord.run import map_file, summary

    try:
        maps = map_file(
            scan, source=source, settings=settings, limits=limits, reference=reference
        )
        written = write_lite(maps, out, scan.stem, overwrite=overwrite)
    except MidchordError as error:
        code = exit_for(error)
        fields = {"scan": str(scan), "exit_code": int(code)}
        log.error("%s", error, extra={"fields": fields})
        return code
    except Exception as error:
        return report_fault(error, f"{scan}: ")
    result = summary(maps)
    verdict = str(result["verdict"])
    say(f"{scan.stem}: {verdict} ({written.page})")
    for doubt in result["doubts"]:
        log.warning("%s: %s", scan.stem, doubt, extra={"fields": {"scan": str(scan)}})
    for reason in result["reasons"]:
        if reason["verdict"] != "within":
            log.info("%s: %s", scan.stem, reason["sentence"])
    fields = {"scan": str(scan), "verdict": verdict, "summary": str(written.summary)}
    log.debug("%s mapped: %s", scan.stem, verdict, extra={"fields": fields})
    return Exit.OUTSIDE if verdict in ("outside", "undecided") else Exit.DONE


@commands.command("show")
def show(
    context: typer.Context,
    maps: Annotated[Path, typer.Argument(metavar="MAPS", help="A file NAME.maps.nc.")],
    what: Annotated[
        str,
        typer.Option(
            "--what",
            metavar="NAME",
            help="What to draw: gauge_distortion, surface_distortion, depth, surface_depth, "
            "wavelength, power_x, power_y, reading, residual, height, gain, zone, quality; u_ "
            "before one of the first five for its uncertainty, histogram_ for its histogram; or "
            "centre_line. A name it does not know is answered with all that these maps hold.",
        ),
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The picture: .png, .svg or .pdf.")
    ],
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Draw one map, the centre line or a histogram as a picture."""
    prepare(context, verbose, log_json, threads)
    from midchord.outputs import check_free
    from midchord.report.pictures import has_values, save_picture
    from midchord_io.results import read_maps

    check_free(out.parent, [out.name], overwrite=overwrite, inputs=[maps])
    of_lite = read_maps(maps)
    say(str(save_picture(of_lite, what, out, overwrite=overwrite)))
    if not has_values(of_lite, what):
        log.warning("%s: %s has no value anywhere, so there is nothing to show.", maps, what)
