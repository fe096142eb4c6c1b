"""Half-written results: what they are called, and whether the run that made them is still at work.

Whatever is being written has a name that begins with a dot and ends in ``.part``, beside the place
that it will have. A run that fails removes it. A run that is killed cannot; the next one for the
same name does, once it is certain that nobody is at work on it any more:

- the name says on which machine and by which process it is made, and that process has gone; or
- it comes from another machine, or the number of its process has been given away since, and
  everything in it is older than STALE_S.

The machine is a number made of its name and, in a container, of the room of process numbers that
it lives in: process 7 of one container says nothing about process 7 of another.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import re
import shutil
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

__all__ = ["STALE_S", "clear_stale", "half_written", "is_abandoned"]

STALE_S = 600.0
"""Age at which a half-written file of unknown owner can only be that of a run that was killed: a
whole result is written within seconds."""

OWNER = re.compile(r"(?P<machine>[0-9a-f]{8})-(?P<process>\d{1,10})-[0-9a-f]{8}\.part")

_at_work: set[str] = set()
"""Names of what this very process is writing now."""


@contextlib.contextmanager
def half_written(folder: str | os.PathLike[str], prefix: str) -> Iterator[Path]:
    """A name in ``folder`` for what is being written; nothing is made, and nothing removed."""
    name = f"{prefix}{_machine()}-{os.getpid()}-{uuid.uuid4().hex[:8]}.part"
    _at_work.add(name)
    try:
        yield Path(folder) / name
    finally:
        _at_work.discard(name)


def clear_stale(folder: str | os.PathLike[str], prefix: str) -> None:
    """Removes what runs that have ended left in ``folder`` under names that begin with ``prefix``.

    What another process may still be writing is left alone: see ``is_abandoned``.
    """
    pattern = re.compile(re.escape(prefix) + rf"({OWNER.pattern}|[a-z0-9_]+\.part)")
    with contextlib.suppress(OSError):
        for left in Path(folder).iterdir():
            if pattern.fullmatch(left.name) and is_abandoned(left):
                shutil.rmtree(left, ignore_errors=True)
                with contextlib.suppress(OSError):
                    left.unlink(missing_ok=True)


def is_abandoned(left: Path) -> bool:
    """Whether the run that wrote this half-written file or folder has certainly ended."""
    owner = OWNER.search(left.name)
    if owner and owner["machine"] == _machine():
        process = int(owner["process"])
        if process == os.getpid():
            return left.name not in _at_work  # an earlier process had the same number
        if not _is_running(process):
            return True
    return _is_stale(left)


def _is_stale(left: Path) -> bool:
    try:
        inside = list(left.rglob("*")) if left.is_dir() else []
        latest = max(path.stat().st_mtime for path in (left, *inside))
    except OSError:  # it has just gone: somebody is at work there
        return False
    return time.time() - latest > STALE_S


@functools.cache
def _machine() -> str:
    room = ""
    with contextlib.suppress(OSError):
        room = os.readlink("/proc/self/ns/pid")
    return hashlib.sha256(f"{platform.node()} {room}".encode()).hexdigest()[:8]


def _is_running(process: int) -> bool:
    """Whether a process of this number runs on this machine; True where that cannot be told."""
    if sys.platform == "win32":  # where signal 0 is no question: it would interrupt the process
        import ctypes

        query, invalid_parameter, still_active = 0x1000, 87, 259
        kernel = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel.OpenProcess.restype = ctypes.c_void_p
        handle = kernel.OpenProcess(query, False, process)
        if not handle:
            return ctypes.get_last_error() != invalid_parameter
        code = ctypes.c_ulong(still_active)
        kernel.GetExitCodeProcess(ctypes.c_void_p(handle), ctypes.byref(code))
        kernel.CloseHandle(ctypes.c_void_p(handle))
        return code.value == still_active
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):  # it belongs to somebody else
        return True
    return True
