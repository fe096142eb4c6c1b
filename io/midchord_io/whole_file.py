"""Files as they are read whole: a pipe or a device has no end, and is told before it is opened."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["check_regular", "content_of"]


def check_regular(path: str | os.PathLike[str]) -> None:
    """Raises OSError where there is no file, or a pipe or device, which reading would wait for."""
    path = Path(path)
    if path.stat() and not path.is_file() and not path.is_dir():
        raise OSError("a pipe or a device, which has no size; write it to a file first")


def content_of(path: str | os.PathLike[str], *, most_bytes: int) -> bytes:
    """The content of a file of at most so many bytes. Raises OSError."""
    check_regular(path)
    with Path(path).open("rb") as file:
        content = file.read(most_bytes + 1)
    if len(content) > most_bytes:
        raise OSError(f"more than {most_bytes / 1e6:g} MB")
    return content
