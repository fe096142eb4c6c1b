"""Options that every command takes, and what is done with them before it starts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from midchord.console import set_threads, start_logging

__all__ = [
    "LogJson",
    "OptionalFile",
    "OutFolder",
    "Overwrite",
    "Threads",
    "Verbose",
    "prepare",
]

Verbose = Annotated[bool, typer.Option("--verbose", help="Say more; show where a fault arose.")]
LogJson = Annotated[bool, typer.Option("--log-json", help="Messages as one JSON object a line.")]
Threads = Annotated[
    Optional[int],  # noqa: UP045 - older typer reads no other spelling
    typer.Option("--threads", metavar="N", min=1, help="Threads to compute with."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace results that are there.")]
OptionalFile = Optional[Path]  # noqa: UP045
OutFolder = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]


def prepare(context: typer.Context, verbose: bool, log_json: bool, threads: int | None) -> None:
    """The common options count before and after the command's name."""
    given = context.obj
    start_logging(verbose=verbose or given["verbose"], log_json=log_json or given["log_json"])
    set_threads(threads or given["threads"])
