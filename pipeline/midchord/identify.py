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

from midchord.identifying.decision import Decision
from midchord.identifying.decisions import decide, is_table, without_codes
from midchord.identifying.previews import (
    Preview,
    coarse_points,
    preview_of,
    thinned,
    thinning,
)
from midchord.orientation import PADS_APART_MM, Target, read_target
from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import ScanError
from midchord_io.ingest.facts import ArrayFacts, FileFacts
from midchord_io.source import SourceDescription

__all__ = ["Decision", "Identity", "Preview", "identify"]

APART_TOLERANCE = 0.02
"""Of distances between pads: they are laid down by hand."""


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
    seen: Target | None
    """The target as the opened scan shows it, in mm."""
    pads_apart_mm: tuple[float, float] | None
    """Between the pads along x and y, in an opened scan."""

    @property
    def has_exchanged_pitches(self) -> bool:
        """Whether the pads would lie as in the simulated target with x and y pitch exchanged.

        Exchanged pitches stretch one distance by what they shorten the other one.
        """
        if self.pads_apart_mm is None:
            return False
        (x, y), (x_known, y_known) = self.pads_apart_mm, PADS_APART_MM
        is_same_area = abs(x * y / (x_known * y_known) - 1) <= APART_TOLERANCE
        return is_same_area and abs(x / x_known - 1) > 2 * APART_TOLERANCE


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
    if is_table(facts) and (points := coarse_points(facts)) is not None:
        target = read_target(points[0], is_coarse=True)
    stated, decisions = decide(facts, chosen, target, is_native=not facts.uses)
    placed_right, found, apart = None, None, None
    if scan is not None:
        found = read_target(thinned(scan["height"].values.astype(np.float64)))
        if found is not None:
            apart = _apart_mm(found, scan)
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
        seen=found,
        pads_apart_mm=apart,
    )


def _apart_mm(found: Target, scan: xr.Dataset) -> tuple[float, float]:
    steps = thinning(scan["height"].shape)
    pitches = (float(np.median(np.diff(scan[axis].values))) for axis in ("x", "y"))
    x, y = (
        samples * step * pitch
        for samples, step, pitch in zip(found.apart, steps, pitches, strict=True)
    )
    return x, y


def _chosen(facts: FileFacts, source: SourceDescription | None) -> ArrayFacts | None:
    """The matrix that a description names, or the largest one."""
    if not facts.arrays or is_table(facts):
        return None
    named = source.source.dataset.strip("/") if source and source.source.dataset else None
    for array in facts.arrays:
        if array.name == named:
            return array
    return max(facts.arrays, key=lambda array: array.shape[0] * array.shape[1])
