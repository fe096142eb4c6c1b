"""One thing that a file leaves unsaid, and which way a matrix lies as long as nobody knows."""

from __future__ import annotations

from typing import NamedTuple

from midchord_io.ingest.facts import FileFacts
from midchord_io.lines.line_series import role_of

__all__ = ["Decision", "likely_axes"]


class Decision(NamedTuple):
    """One thing that the file leaves unsaid."""

    section: str
    """``source`` or ``lite``."""
    line: str
    """As it would stand in the description."""
    why: str
    """What a person must know to decide it."""
    is_needed: bool = True
    """Whether the scan is refused without it."""


def likely_axes(facts: FileFacts, shape: tuple[int, ...] | None = None) -> tuple[str, str]:
    """A row is a scan line; where lengths are stated by a standard, its own x stays x.

    Times or speeds, one for each column and none for each row, say that a column is the line.
    """
    if "invalid" not in facts.uses:
        return "y", "x"
    counts = {s.count for s in facts.series if role_of(s.name, s.units) in ("time", "speed")}
    if shape is not None and shape[1] in counts and shape[0] not in counts:
        return "y", "x"
    return "x", "y"
