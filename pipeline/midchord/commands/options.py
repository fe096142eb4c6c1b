"""Options that many commands take, and what is done with them before a command starts.

A number in an option is declared by ``number``, with the smallest and the largest value that makes
sense: "nan", "inf" and slips of units are refused as a wrong call before any file is opened.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Optional, TypeVar

import typer

from midchord.console import set_threads, start_logging
from midchord_io.errors import brief

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
    "whole_number",
]

Number = TypeVar("Number", int, float)

# older typer reads no other spelling of these
OptionalFile = Optional[Path]  # noqa: UP045
OptionalFiles = Optional[list[Path]]  # noqa: UP045
OptionalKind = Optional[str]  # noqa: UP045
OptionalNumber = Optional[float]  # noqa: UP045
OptionalWords = Optional[list[str]]  # noqa: UP045

Verbose = Annotated[bool, typer.Option("--verbose", help="Say more; show where a fault arose.")]
LogJson = Annotated[bool, typer.Option("--log-json", help="Messages as one JSON object a line.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace results that are there.")]
OutFolder = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]


def number(name: str, *, metavar: str, help: str, least: float, most: float) -> Any:
    """An option that takes a number from ``least`` to ``most``; its help says so."""
    return _numeric(name, float, metavar, help, least, most)


def whole_number(name: str, *, metavar: str, help: str, least: int, most: int) -> Any:
    """As ``number``, of an option that takes a whole number."""
    return _numeric(name, int, metavar, help, least, most)


def _numeric(
    name: str, kind: type[Number], metavar: str, help: str, least: Number, most: Number
) -> Any:
    bounds = f"{least:g} to {most:g}"
    what = "a number, as 1.5" if kind is float else "a whole number, as 2"

    def read(text: str | Number) -> Number:
        try:
            return kind(text)  # a default comes as the number that it is
        except ValueError:
            raise typer.BadParameter(
                f"{brief(str(text))} was given; it must be {what}, from {bounds}; correct it."
            ) from None

    def check(value: Number | None) -> Number | None:
        if value is not None and not least <= value <= most:  # nan is not, either
            shown = f"{value:g}" if kind is float else brief(value)
            raise typer.BadParameter(f"{shown} was given; it must be from {bounds}; correct it.")
        return value

    taken: Callable[[Number | None], Number | None] = check
    return typer.Option(
        name, metavar=metavar, parser=read, callback=taken, help=f"{help}  [{bounds}]"
    )


MapsFiles = Annotated[
    list[Path], typer.Argument(metavar="MAPS...", help="Files NAME.maps.nc, one a lite.")
]
Threads = Annotated[
    Optional[int],  # noqa: UP045
    whole_number("--threads", metavar="N", help="Threads to compute with.", least=1, most=512),
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
