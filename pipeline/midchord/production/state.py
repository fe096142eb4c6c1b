"""A run that was killed goes on where its last state was written.

The state is one file: every array that changes as lites are added, and a head that says what they
are sums of: the program's version, the settings, the inventory, and of every lite that is in them
the size, time and SHA-256 of its file. It is written beside the results under a temporary name and
moved onto its own in one step, so it is whole or the one before. A state is only taken up when all
of that still holds: where one of the files that are in it has changed (another time or size, and
then another hash), or anything was asked for otherwise, the run begins anew and says so.

Sums are of doubles and are stored as they are: the result of a run that was killed is the same,
bit for bit, as that of one that was not.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.production.stored import Head, file_hash
from midchord_io.results import write_atomic

__all__ = ["Done", "State", "read_state", "remove_state", "write_state"]

VERSION = 1
Arrays = Mapping[str, npt.NDArray[np.generic]]


class Done(NamedTuple):
    """A lite that is in the sums: its file as it was read."""

    sha256: str
    bytes_: int
    mtime_ns: int


class State(NamedTuple):
    """done    lites in the sums, in order; an empty hash: refused when its fields were read
    rows    what was kept of each lite by itself
    arrays  name -> array
    """

    done: list[Done]
    rows: list[dict[str, Any]]
    arrays: dict[str, npt.NDArray[np.generic]]


def write_state(
    path: Path, key: Mapping[str, Any], done: list[Done], rows: list[dict[str, Any]],
    arrays: Arrays,
) -> None:  # fmt: skip
    """Write a state atomically.

    key     what was asked for, of whom: a state with another key is not taken up
    Raises  OutputError
    """
    head = {"version": VERSION, "key": key, "done": done, "rows": rows}
    # NaN is a figure that a lite does not have; the head is read by this module only
    text = json.dumps(head, ensure_ascii=False)
    stored: dict[str, Any] = {"head": np.frombuffer(text.encode("utf-8"), np.uint8), **arrays}
    path.parent.mkdir(parents=True, exist_ok=True)
    with write_atomic(path) as part, open(part, "wb") as file:
        np.savez(file, **stored)


def read_state(path: Path, key: Mapping[str, Any], heads: list[Head]) -> State | str | None:
    """The state to go on from; None where there is none; a reason where it does not hold."""
    if not path.is_file():
        return None
    try:
        # opened here: a damaged file would be left open by the library
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        head = json.loads(arrays.pop("head").tobytes().decode("utf-8"))
        version, done = head["version"], [Done(*one) for one in head["done"]]
        rows: list[dict[str, Any]] = head["rows"]
    except Exception:  # whatever a damaged file makes of it
        return "it is damaged"
    # as JSON gives it back: tuples are lists there
    if version != VERSION or head["key"] != json.loads(json.dumps(key)):
        return "other maps, settings or places were asked for, or another version wrote it"
    for one, of in zip(done, heads, strict=False):
        same = (one.bytes_, one.mtime_ns) == (of.bytes_, of.mtime_ns)
        if not same and file_hash(of.path) != one.sha256:
            return f"{of.path} has changed since"
    return State(done, rows, arrays)


def remove_state(path: Path) -> None:
    """Once the results are there it has done its work."""
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
