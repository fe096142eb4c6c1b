"""The commands. No computation here: each reads options, calls the pipeline, says what came out.

Exit codes: 0 done (and within the limits, if any were given), 1 done, and a lite is outside or
undecided, 2 the call, the settings, the limits or the output place is wrong, 3 a scan was refused,
70 a fault of the program, 130 interrupted. Of several scans all are tried.

Heavy imports stand inside the commands, so that asking for help answers at once.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeGuard

import typer

from midchord import cli_survey
from midchord.cli_options import (
    LogJson,
    OptionalFile,
    OutFolder,
    Overwrite,
    Threads,
    Verbose,
    prepare,
)
from midchord.console import (
    Exit,
    accept_any_text,
    exit_for,
    figure_lines,
    log,
    progress,
    say,
    start_logging,
)
from midchord_io.errors import MidchordError, OutputError

if TYPE_CHECKING:
    from midchord.judging.limits import Limits
    from midchord.settings import Settings
    from midchord_io.source import SourceDescription

__all__ = ["app", "main"]

DEMO_SCAN = "demo-heron.nc"
DEMO_LIMITS = "contract-example.toml"

# typer brings click along or asks for it, by version: this is its UsageError either way
WrongCall: type[Exception] = typer.BadParameter.__bases__[0]

app = typer.Typer(
    name="midchord",
    help="From a scan of heat-treated flat glass to a judged map of its roll wave.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from midchord import __version__

        say(f"midchord {__version__}")
        raise typer.Exit()


@app.callback()
def _every_command(
    context: typer.Context,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Say which.")
    ] = False,
) -> None:
    context.obj = {"verbose": verbose, "log_json": log_json, "threads": threads}


@app.command()
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


@app.command("map")
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
    check_outputs(out, [scan.stem for scan in scans], overwrite=overwrite)
    quiet = log_json or context.obj["log_json"]
    codes = [
        _map_one(scan, described, resolved, asked, out, overwrite)
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
    out: Path,
    overwrite: bool,
) -> Exit:
    """Map, judge and write one scan. A refused scan or a fault in it leaves the others alone."""
    from midchord.outputs import write_lite
    from midchord.run import map_file, summary

    try:
        maps = map_file(scan, source=source, settings=settings, limits=limits)
        written = write_lite(maps, out, scan.stem, overwrite=overwrite)
    except MidchordError as error:
        code = exit_for(error)
        fields = {"scan": str(scan), "exit_code": int(code)}
        log.error("%s", error, extra={"fields": fields})
        return code
    except Exception as error:
        return _report_fault(error, f"{scan}: ")
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


@app.command()
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
    from midchord.report.pictures import save_picture
    from midchord_io.results import read_maps

    say(str(save_picture(read_maps(maps), what, out, overwrite=overwrite)))


@app.command()
def simulate(
    context: typer.Context,
    recipe: Annotated[Path, typer.Argument(metavar="RECIPE", help="What lite to make (TOML).")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The scan to write.")],
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Make the scan of a lite whose true figures are known."""
    prepare(context, verbose, log_json, threads)
    if out.exists() and not overwrite:
        raise OutputError(
            out,
            found="a file is already there",
            needed="the scan is written to a name that is free",
            do="name another with --out, or say --overwrite",
        )
    from midchord.simulate import write_simulated
    from midchord.simulating.recipe import Recipe

    for written in write_simulated(Recipe.load(recipe), out):
        say(str(written))


app.add_typer(cli_survey.commands)


def _report_fault(error: Exception, where: str = "") -> Exit:
    verbose = log.isEnabledFor(logging.DEBUG)
    log.error(
        "%sa fault of midchord itself (%s: %s); %s.",
        where,
        type(error).__name__,
        error,
        "please send what stands here" if verbose else "call it again with --verbose for the place",
        exc_info=error if verbose else None,
    )
    return Exit.FAULT


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. ``arguments`` are those of the process by default."""
    _open_closed_streams()
    accept_any_text()
    words = list(sys.argv[1:] if arguments is None else arguments)
    start_logging(verbose="--verbose" in words, log_json="--log-json" in words)
    command: Any = typer.main.get_command(app)
    # None lets the library itself expand * on Windows, where the shell does not
    passed = None if arguments is None else words
    try:
        code = command.main(passed, prog_name="midchord", standalone_mode=False)
    except WrongCall as error:
        return _report_wrong_call(error, as_json="--log-json" in words)
    except MidchordError as error:
        log.error("%s", error)
        return int(exit_for(error))
    except (KeyboardInterrupt, typer.Abort):
        code = Exit.INTERRUPTED
    except Exception as error:
        if not _is_of_a_full_output(error):
            return int(_report_fault(error))
        _abandon_output()
        refusal = OutputError(
            "standard output",
            found=f"it cannot be written to ({error.strerror})",
            needed="what is said must have room where it is sent",
            do="send it elsewhere; results that are complete were kept",
        )
        log.error("%s", refusal)
        return int(Exit.USAGE)
    if code == Exit.INTERRUPTED:
        log.error("interrupted; results that are complete were kept.")
    return int(code or 0)


def _open_closed_streams() -> None:
    """A caller may close a stream (``2>&-``): Python then has None, and its number is free for the
    next file that is opened, into which messages of libraries would be written."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            # kept open for as long as the process lives
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115


def _is_of_a_full_output(error: Exception) -> TypeGuard[OSError]:
    """Whether standard output refused: errors of files say which file, and are caught before."""
    full = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EBADF)
    return isinstance(error, OSError) and error.filename is None and error.errno in full


def _abandon_output() -> None:
    """What could not be written is tried again when Python ends, and must not fail again."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def _report_wrong_call(error: Any, *, as_json: bool) -> int:
    if as_json:
        log.error("%s", error.format_message())
    else:
        error.show()
    return int(Exit.USAGE)


if __name__ == "__main__":
    sys.exit(main())
