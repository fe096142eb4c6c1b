"""Options that many commands take, and what is done with them before a command starts.

A number in an option is declared by ``number``, with the smallest and the largest value that makes
sense: "nan", "inf" and slips of units are refused as a wrong call before any file is opened.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Optional

import typer

from midchord.console import set_threads, start_logging

__all__ = [
    "LogJson",
    "MapsFiles",
    "OptionalFile",
    "OptionalFiles",
    "OptionalKind",
    "OptionalNumber",
    "OptionalWords",
    "OutFolder",
    "Overwrite",
    "Placement",
    "Threads",
    "Verbose",
    "number",
    "prepare",
]

# older typer reads no other spelling of these
OptionalFile = Optional[Path]  # noqa: UP045
OptionalFiles = Optional[list[Path]]  # noqa: UP045
OptionalKind = Optional[str]  # noqa: UP045
OptionalNumber = Optional[float]  # noqa: UP045
OptionalWords = Optional[list[str]]  # noqa: UP045

Verbose = Annotated[bool, typer.Option("--verbose", help="Say more; show where a fault arose.")]
LogJson = Annotated[bool, typer.Option("--log-json", help="Messages as one JSON object a line.")]
Threads = Annotated[
    Optional[int],  # noqa: UP045
    typer.Option("--threads", metavar="N", min=1, max=512, help="Threads to compute with."),
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace results that are there.")]
OutFolder = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]


def number(name: str, *, metavar: str, help: str, least: float, most: float) -> Any:
    """An option that takes a number from ``least`` to ``most``; its help says so."""
    bounds = f"{least:g} to {most:g}"

    def check(value: float | None) -> float | None:
        if value is not None and not (math.isfinite(value) and least <= value <= most):
            raise typer.BadParameter(f"{value:g} was given; it must be from {bounds}; correct it.")
        return value

    taken: Callable[[float | None], float | None] = check
    return typer.Option(name, metavar=metavar, callback=taken, help=f"{help}  [{bounds}]")


MapsFiles = Annotated[
    list[Path], typer.Argument(metavar="MAPS...", help="Files NAME.maps.nc, one a lite.")
]
Placement = Annotated[
    float,
    number(
        "--placement-sd-mm", metavar="S", help="How far hands are off, each way.", least=0, most=100
    ),
]


def prepare(context: typer.Context, verbose: bool, log_json: bool, threads: int | None) -> None:
    """The common options count before and after the command's name."""
    given = context.obj
    start_logging(verbose=verbose or given["verbose"], log_json=log_json or given["log_json"])
    set_threads(threads or given["threads"])
