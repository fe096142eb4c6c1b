"""The command that says what a file is, before anybody has described it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from midchord.commands.options import (
    LogJson,
    OptionalFile,
    Overwrite,
    Threads,
    Verbose,
    prepare,
)
from midchord.console import say

__all__ = ["commands"]

commands = typer.Typer()


@commands.command("inspect")
def inspect_file(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A scan, of whatever format.")],
    source: Annotated[
        OptionalFile,
        typer.Option("--source", metavar="F", help="A source description to try on it (TOML)."),
    ] = None,
    out: Annotated[
        OptionalFile,
        typer.Option("--out", metavar="DIR", help="Folder for the picture and the description."),
    ] = None,
    overwrite: Overwrite = False,
    verbose: Verbose = False,
    log_json: LogJson = False,
    threads: Threads = None,
) -> None:
    """Say what a file is, what it leaves unsaid, and propose a source description."""
    prepare(context, verbose, log_json, threads)
    from midchord.identify import identify
    from midchord.outputs import check_free, write_together
    from midchord.report.identity_picture import identity_picture_bytes
    from midchord.report.identity_text import description_text, identity_lines
    from midchord_io.results import write_bytes, write_text
    from midchord_io.source import load_source

    described = None if source is None else load_source(source)
    files = (f"{file.stem}.source.toml", f"{file.stem}.corners.png")
    if out is not None:
        check_free(out, files, overwrite=overwrite, inputs=(file, source))
    identity = identify(file, described)
    for line in identity_lines(identity):
        say(line)
    text = "" if described is not None and identity.scan is not None else description_text(identity)
    if text:
        say("")
        say(text.rstrip())
    if out is None:
        return
    picture = identity_picture_bytes(identity)
    writers = {
        name: content
        for name, content in (
            (files[0], (lambda path: write_text(text, path)) if text else None),
            (files[1], (lambda path: write_bytes(picture or b"", path)) if picture else None),
        )
        if content is not None
    }
    if writers:
        for path in write_together(out, writers, overwrite=overwrite):
            say(str(path))
