"""The command line: its groups of commands, and how a call begins and ends.

Exit codes: 0 done (and within the limits, if any were given), 1 done, and a lite is outside or
undecided, 2 the call, the settings, the limits or the output place is wrong, 3 a scan was refused,
70 a fault of the program, 130 interrupted. Of several scans all are tried.

The commands stand in ``midchord.commands``, a module for each group.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any, TypeGuard

import typer

from midchord.commands import (
    agreement,
    causes,
    drift,
    identification,
    lites,
    lots,
    references,
    simulation,
    surveys,
    trials,
)
from midchord.commands.options import LogJson, Threads, Verbose
from midchord.console import (
    Exit,
    accept_any_text,
    exit_for,
    log,
    report_fault,
    say,
    start_logging,
)
from midchord_io.errors import MidchordError, OutputError

__all__ = ["app", "main"]

GROUPS = (
    lites,
    identification,
    references,
    simulation,
    agreement,
    surveys,
    causes,
    lots,
    trials,
    drift,
)
"""Modules with ``commands``, in the order of the help."""

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


for group in GROUPS:
    app.add_typer(group.commands)


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
            return int(report_fault(error))
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
