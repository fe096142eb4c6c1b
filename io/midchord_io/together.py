"""Files that belong together, moved onto their names so that a mixture is never taken for a set.

The file system moves one file in one step, but not several. So the last file of a set stands for
all of it: it is the first that goes when an older set is replaced, and the last that comes. **A set
without its last file is incomplete; one that has it is whole and all of one run**, wherever a run
is killed and, as far as the file system keeps the order, wherever the power fails.

1. A record of what is about to be moved is left beside the new files, in their hidden folder.
2. The older files, if any, go into the hidden folder, the last of the set first.
3. The new files come onto their names, the last of the set last.

A step that the system refuses (on Windows a file that a program has open cannot be moved) takes all
back: the older set is there again. After a kill the record remains and tells the next run which of
the files are the leavings of an unfinished set, by size and time of writing, so that it may redo
the set without being told to overwrite, and yet never takes a file that somebody else put there.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from midchord_io.errors import OutputError, why
from midchord_io.half_written import is_abandoned
from midchord_io.results import write_json

__all__ = ["NEW", "Unfinished", "clear_unfinished", "move_together", "unfinished_sets"]

NEW, OLD, RECORD = "new", "old", "moving.json"
"""In the hidden folder: the files to come, those that were there before, and what is moved."""

Stamp = tuple[int, int]
"""Size in bytes and time of the last change, ns; moving a file changes neither."""


class Unfinished(NamedTuple):
    """A set that a run left incomplete when it ended in the midst of moving it.

    hidden   the folder that it left, with the record
    there    files of the set that are in place
    missing  names of those that are not
    """

    hidden: Path
    there: tuple[Path, ...]
    missing: tuple[str, ...]

    def __str__(self) -> str:
        there = ", ".join(path.name for path in self.there) or "nothing"
        missing = ", ".join(self.missing)
        return f"an incomplete set of a run that was ended ({there}, without {missing})"


def move_together(hidden: Path, final: Sequence[Path]) -> None:
    """Moves the files in ``hidden / NEW`` onto the names ``final``, all of one folder.

    Raises  OutputError where the system refuses; what was there before is there again
    """
    new, old = hidden / NEW, hidden / OLD
    if len(final) > 1:
        old.mkdir()
        before = {path.name: _stamp(path) for path in final if os.path.lexists(path)}
        after = {path.name: _stamp(new / path.name) for path in final}
        write_json({"new": after, "old": before}, hidden / RECORD)
        _settle(hidden)
    gone: list[Path] = []
    come: list[Path] = []
    at = final[-1]
    try:
        for at in reversed(final if len(final) > 1 else ()):
            if os.path.lexists(at):
                os.replace(at, old / at.name)
                gone.append(at)
        for at in final:
            if at == final[-1]:
                _settle(at.parent)
            os.replace(new / at.name, at)
            come.append(at)
        _settle(at.parent)
    except BaseException as error:
        for path in reversed(come):
            with contextlib.suppress(OSError):
                os.replace(path, new / path.name)
        for path in reversed(gone):
            with contextlib.suppress(OSError):
                os.replace(old / path.name, path)
        if isinstance(error, OSError):
            raise OutputError(
                at,
                found=f"it cannot be replaced ({why(error)})",
                needed="results are moved onto their names together, so none was",
                do="close the program that has it open, or name another folder with --out",
            ) from error
        raise


def unfinished_sets(folder: str | Path, names: Collection[str]) -> Iterator[Unfinished]:
    """The sets in ``folder`` with one of these names that a run which ended left incomplete."""
    with contextlib.suppress(OSError):
        for hidden in sorted(Path(folder).glob(".*.part")):
            new, old = _recorded(hidden)
            if not set(names) & set(new) or not is_abandoned(hidden):
                continue
            come = [name for name, stamp in new.items() if _is(hidden.parent / name, stamp)]
            kept = [name for name, stamp in old.items() if _is(hidden.parent / name, stamp)]
            is_untouched = not come and len(kept) == len(old)
            if is_untouched or len(come) == len(new):
                continue
            there = [name for name in new if name in come or name in kept]
            missing = [name for name in new if name not in there]
            yield Unfinished(hidden, tuple(hidden.parent / name for name in there), tuple(missing))


def clear_unfinished(unfinished: Unfinished) -> None:
    """Removes what is left of it, the record last. Raises OSError where that is not allowed."""
    for path in unfinished.there:
        path.unlink(missing_ok=True)
    shutil.rmtree(unfinished.hidden, ignore_errors=True)


def _recorded(hidden: Path) -> tuple[Mapping[str, Stamp], Mapping[str, Stamp]]:
    """New and old files by the record of a hidden folder; none where there is no whole record."""
    try:
        held = json.loads((hidden / RECORD).read_text("utf-8"))
        new, old = (
            {str(name): (int(size), int(time)) for name, (size, time) in held[key].items()}
            for key in ("new", "old")
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}, {}
    return new, old


def _stamp(path: Path) -> Stamp:
    held = path.lstat()
    return held.st_size, held.st_mtime_ns


def _is(path: Path, stamp: Stamp) -> bool:
    try:
        return _stamp(path) == stamp
    except OSError:
        return False


def _settle(folder: Path) -> None:
    """Has the moves so far on the disk before any later one, where the system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
