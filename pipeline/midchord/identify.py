"""What a scan file is, what it leaves unsaid, and a source description to start from.

A new sensor's file is opened without knowing what its numbers mean. What it states is listed; what
it leaves unsaid becomes a *decision*: a line for the source description with a proposal and the
reason for it, which a person takes over or corrects. A proposal is never applied by itself: the
lines stand in the description as comments, and the scan is refused until somebody has decided.

With a description the file is opened as any scan would be, and shown in the frame that results.
Either way there is a coarse preview with its corners, so that a person who knows the lite can see
whether leading, trailing, left and right are where they ought to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from midchord.identifying.decisions import Decision, decide, is_table, without_codes
from midchord.identifying.previews import Preview, preview_of, thinned
from midchord.orientation import Target, read_target
from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import ScanError
from midchord_io.ingest.facts import ArrayFacts, FileFacts
from midchord_io.source import SourceDescription

__all__ = ["Decision", "Identity", "Preview", "identify"]


@dataclass(frozen=True)
class Identity:
    """Everything that can be said of a file."""

    path: Path
    adapter: str
    facts: FileFacts
    chosen: ArrayFacts | None
    """The matrix that the decisions are about."""
    stated: tuple[str, ...]
    """What need not be said because the file does."""
    decisions: tuple[Decision, ...]
    scan: xr.Dataset | None
    """Where it could be opened."""
    refusal: str | None
    """Why it could not."""
    preview: Preview | None
    target: Target | None
    """The orientation target, if the bumps of one are in view."""
    placed_right: bool | None
    """Of a target in an opened scan: whether every bump is in its corner, up, and so high."""


def identify(path: str | Path, source: SourceDescription | None = None) -> Identity:
    """What a file holds, with or without a source description.

    Raises  ScanError where no adapter knows it, or it is damaged
    """
    path = Path(path)
    adapter, facts = describe_scan(path)
    scan, refusal = None, None
    try:
        scan = open_scan(path, source)
    except ScanError as error:
        refusal = str(error)
    chosen = _chosen(facts, source)
    target = read_target(without_codes(chosen)) if chosen is not None else None
    stated, decisions = decide(facts, chosen, target, is_native=not facts.uses)
    placed_right = None
    if scan is not None:
        found = read_target(thinned(scan["height"].values.astype(np.float64)))
        if found is not None:
            target = target or found
            placed_right = (found.axes, found.sign, found.unit) == (("x", "y"), "up", "mm")
    return Identity(
        path=path,
        adapter=adapter,
        facts=facts,
        chosen=chosen,
        stated=stated,
        decisions=decisions,
        scan=scan,
        refusal=refusal,
        preview=preview_of(facts, chosen, source, scan, target),
        target=target,
        placed_right=placed_right,
    )


def _chosen(facts: FileFacts, source: SourceDescription | None) -> ArrayFacts | None:
    """The matrix that a description names, or the largest one."""
    if not facts.arrays or is_table(facts):
        return None
    named = source.source.dataset.strip("/") if source and source.source.dataset else None
    for array in facts.arrays:
        if array.name == named:
            return array
    return max(facts.arrays, key=lambda array: array.shape[0] * array.shape[1])
