"""Which lite a foreign file holds, and when it was scanned: as the source description says."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

from midchord_io.errors import MissingMetadata
from midchord_io.source import Lite

__all__ = ["Lookup", "lite_id", "scanned_at"]

Lookup = Callable[[str], Any] | None
"""The value in the file that a name stands for; None where there is none of that name."""


def lite_id(lite: Lite, path: Path, *, attribute: Lookup, column: Lookup = None) -> str:
    """The id by ``id_from``. Raises MissingMetadata where the file has nothing there."""
    if lite.id_from == "name":
        return path.stem
    return str(_value(lite.id_from, "id_from", path, attribute, column)).strip()


def scanned_at(lite: Lite, path: Path, *, attribute: Lookup) -> str | dt.datetime:
    """The time by ``scanned_at_from``. Raises MissingMetadata where it is no time with offset."""
    if lite.scanned_at_from == "mtime":
        return dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC)
    value = _value(lite.scanned_at_from, "scanned_at_from", path, attribute, None)
    try:
        when = dt.datetime.fromisoformat(str(value).strip())
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise MissingMetadata(
            str(path),
            found=f"scanned_at {str(value)!r}",
            needed="a time by ISO 8601 with its offset from UTC, e.g. 2026-03-01T08:30:00+01:00",
            do='write it so, or say scanned_at_from = "mtime"',
        )
    return when


def _value(said: str, key: str, path: Path, attribute: Lookup, column: Lookup) -> Any:
    kind, _, name = said.partition(":")
    lookup = attribute if kind == "attr" else column
    value = lookup(name) if lookup else None
    if value is None:
        raise MissingMetadata(
            str(path),
            found=f"nothing at {key} = {said!r}",
            needed="an attribute of the file there" if kind == "attr" else "a column of the file",
            do=f"correct {key} in the source description",
        )
    return value
