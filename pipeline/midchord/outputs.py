"""Results that belong together: all of their files or none. The four files of one lite are

=====================  ==========================================================
``NAME.maps.nc``       every map and line, to be opened again by any netCDF tool
``NAME.lines.csv``     the half waves of the line table, one a row
``NAME.html``          the page for people
``NAME.summary.json``  figures and verdict for machines
=====================  ==========================================================

All are first written whole into a hidden folder beside their places, and only then moved onto
their names, each in one step of the file system. The summary comes last, and where older results
are replaced it goes first: **a set without its last file is incomplete, one that has it is whole
and of one run**, so a controller that sees the summary may rely on the other three. A run that
fails leaves no result behind, and what was there before is untouched. One that is killed while it
writes leaves a hidden folder, which the next run for the same names removes; if it was killed in
the midst of moving, the next run says that the set is incomplete and redoes it, without being told
to overwrite (``midchord_io.together``).
"""

from __future__ import annotations

import contextlib
import logging
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr

from midchord_io.errors import OutputError, why
from midchord_io.half_written import clear_stale, half_written
from midchord_io.together import NEW, clear_unfinished, move_together, unfinished_sets

__all__ = [
    "Outputs",
    "check_free",
    "check_outputs",
    "line_table",
    "outputs_of",
    "write_lite",
    "write_together",
]


log = logging.getLogger("midchord")

LONGEST_NAME = 255
"""Bytes of a file's or a folder's name; the common file systems take no more."""


class Outputs(NamedTuple):
    """Paths in the order in which they appear."""

    maps: Path
    lines: Path
    page: Path
    summary: Path


def outputs_of(folder: str | Path, name: str) -> Outputs:
    """Where the results of the lite ``name`` go."""
    endings = (".maps.nc", ".lines.csv", ".html", ".summary.json")
    return Outputs(*(Path(folder) / f"{name}{ending}" for ending in endings))


def check_outputs(
    folder: str | Path,
    names: Iterable[str],
    *,
    overwrite: bool,
    inputs: Iterable[Path | None] = (),
) -> None:
    """Whether the results of these lites can be written there; as ``check_free``."""
    sets = [[path.name for path in outputs_of(folder, name)] for name in names]
    _check_sets(Path(folder), sets, overwrite, inputs)


def check_free(
    folder: str | Path,
    files: Iterable[str],
    *,
    overwrite: bool,
    inputs: Iterable[Path | None] = (),
) -> None:
    """Whether files can be written there, before any work is done. Writes nothing that stays.

    files   of one set, in their order. What a run that was ended left of the set is not in the way
    inputs  what the call reads: never written onto, not even to overwrite
    Raises  OutputError: not a folder, not writable, or a result is there and not to be overwritten
    """
    _check_sets(Path(folder), [list(files)], overwrite, inputs)


def _check_sets(
    folder: Path,
    sets: Sequence[Sequence[str]],
    overwrite: bool,
    inputs: Iterable[Path | None],
) -> None:
    files = [file for one in sets for file in one]
    probe = folder
    try:
        while not probe.exists() and probe != probe.parent:
            probe = probe.parent  # folders still missing will be made
        with tempfile.TemporaryFile(dir=probe):
            pass
    except OSError as error:
        raise _unwritable(folder, error) from error
    for part in (*folder.parts[1:], *files):
        _check_length(part, folder)
    folders = [path for path in (folder / file for file in files) if path.is_dir()]
    if folders:
        raise OutputError(
            folders[0],
            found="a folder has this name",
            needed="results are files",
            do="name another place with --out",
        )
    read = {path.resolve() for path in inputs if path is not None}
    for path in (folder / file for file in files):
        if path.resolve() in read:
            raise OutputError(
                path,
                found="a result would replace this file, which the call reads",
                needed="results beside what they come from",
                do="name another place with --out",
            )
        if path.exists() and not path.is_file() and not path.is_dir():
            raise OutputError(
                path,
                found="a device or a pipe has this name",
                needed="results are files",
                do="name another place with --out",
            )
    if overwrite:
        return
    there = [path for path in (folder / file for file in files) if path.exists()]
    if there:
        left = {path for one in unfinished_sets(folder, files) for path in one.there}
        there = [path for path in there if path not in left]
    if there:
        first = next(one for one in sets if there[0].name in one)
        raise _already_there(there, last=folder / first[-1])


def _check_length(name: str, folder: Path) -> None:
    """File systems refuse a long name only once the file is made, after all the work."""
    length = len(os.fsencode(name))
    if length > LONGEST_NAME:
        raise OutputError(
            folder,
            found=f"a name of {length} bytes, {name[:40]!r} ...",
            needed=f"at most {LONGEST_NAME} bytes a name",
            do="shorten the name of the scan, the survey or the place in --out",
        )


def write_lite(
    maps: xr.Dataset, folder: str | Path, name: str, *, overwrite: bool = False
) -> Outputs:
    """Write the four files of one lite; returns their paths.

    Raises  OutputError where the disk refuses, or a result is there and ``overwrite`` is not set
    """
    from midchord.report.page import lite_page
    from midchord.run import summary
    from midchord_io.results import write_csv, write_json, write_maps, write_text

    page = lite_page(maps)
    final = outputs_of(folder, name)
    writers: tuple[Callable[[Path], object], ...] = (
        lambda path: write_maps(maps, path),
        lambda path: write_csv(line_table(maps), path),
        lambda path: write_text(page, path),
        lambda path: write_json(summary(maps), path),
    )
    files = {path.name: write for path, write in zip(final, writers, strict=True)}
    write_together(folder, files, overwrite=overwrite)
    return final


def write_together(
    folder: str | Path,
    files: Mapping[str, Callable[[Path], object]],
    *,
    overwrite: bool = False,
) -> tuple[Path, ...]:
    """Write files that belong together; returns their paths.

    What a run that was ended left of the same set is removed first, and a message says so.

    files   name -> what writes it to the path that it is given; the last one appears last
    Raises  OutputError where the disk refuses, or a result is there and ``overwrite`` is not set
    """
    final = tuple(Path(folder) / file for file in files)
    made = [path for path in (Path(folder), *Path(folder).parents) if not path.exists()]
    prefix = f".{final[0].stem[:50]}-"  # a character may take four bytes
    with half_written(folder, prefix) as hidden:
        try:
            Path(folder).mkdir(parents=True, exist_ok=True)
            _clear_left(folder, list(files), prefix)
            hidden.mkdir(mode=0o700)
            (hidden / NEW).mkdir()
        except OSError as error:
            _remove_empty(made)
            raise _unwritable(folder, error) from error
        try:
            for file, write in files.items():
                write(hidden / NEW / file)
            there = [path for path in final if path.exists()]
            if there and not overwrite:
                raise _already_there(there, last=final[-1])
            move_together(hidden, final)
        except OSError as error:
            raise _unwritable(folder, error) from error
        except OutputError as error:
            is_hidden = hidden in Path(error.where).parents
            if is_hidden and isinstance(error.__cause__, OSError):
                raise _unwritable(folder, error.__cause__) from error
            raise
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
            _remove_empty(made)
    return final


def _clear_left(folder: str | Path, names: Sequence[str], prefix: str) -> None:
    """Removes what runs that were ended left of these results, and says what was incomplete."""
    for one in unfinished_sets(folder, names):
        log.warning("%s: %s; it is redone.", folder, one)
        clear_unfinished(one)
    clear_stale(folder, prefix)


def _remove_empty(made: Iterable[Path]) -> None:
    """Removes the folders made for results that did not come, innermost first."""
    for path in made:
        with contextlib.suppress(OSError):
            path.rmdir()  # never one with something in it


def line_table(maps: xr.Dataset) -> pd.DataFrame:
    """The half waves of the line table, one a row; zones by name, lengths in mm."""
    columns: dict[str, object] = {}
    for name in (str(name) for name in maps.data_vars):
        if not name.startswith("hw_"):
            continue
        field = maps[name]
        values = field.values
        if "flag_meanings" in field.attrs:
            codes = np.asarray(field.attrs["flag_values"]).ravel().tolist()
            meanings = dict(zip(codes, str(field.attrs["flag_meanings"]).split(), strict=True))
            values = np.array([meanings[code] for code in values.tolist()], dtype=object)
        columns[name.removeprefix("hw_")] = values
    table = pd.DataFrame(columns)
    table.insert(0, "lite_id", str(maps.attrs["lite_id"]))
    return table


def _unwritable(folder: str | Path, error: OSError) -> OutputError:
    return OutputError(
        folder,
        found=f"it cannot be written to ({why(error)})",
        needed="results need a folder with room in it",
        do="name another with --out, or free this one",
    )


def _already_there(paths: list[Path], *, last: Path) -> OutputError:
    others = len(paths) - 1
    more = f", and so {'is' if others == 1 else 'are'} {others} more" if others else ""
    if not last.exists():
        more += f", without {last.name}, which comes last: the set may be incomplete"
    return OutputError(
        paths[0],
        found=f"this result is already there{more}",
        needed="results are written to names that are free",
        do="name another folder with --out, or say --overwrite",
    )
