"""What a scan file is, as plain lines, and a source description to start from, as TOML.

Every proposal stands in the description as a comment under its reason, so that the text is valid
TOML as it is, says nothing that nobody decided, and becomes a description line by line.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from midchord.identify import Decision, Identity
from midchord.identifying.column_decisions import columns_line
from midchord.identifying.line_decisions import range_of
from midchord.orientation import PADS_APART_MM
from midchord_io.ingest.facts import ArrayFacts, ColumnFacts, SeriesFacts

__all__ = ["description_text", "identity_lines"]

WIDTH = 100
MOST_LISTED = 20


def identity_lines(identity: Identity) -> Iterator[str]:
    """The facts, what is stated, what is missing, and what the orientation target says."""
    facts = identity.facts
    yield f"{identity.path.name}: {one_line(facts.content)} (format {identity.adapter})"
    for array in facts.arrays[:MOST_LISTED]:
        yield from _array_lines(array, is_chosen=array is identity.chosen)
    if facts.count is not None:
        yield f"  points     {facts.count}"
    for column in facts.columns[:MOST_LISTED]:
        yield f"  column     {_column(column)}"
    for series in facts.series[:MOST_LISTED]:
        yield f"  numbers    {one_line(series.name)}: {_series(series)}"
    for name, value in list(facts.values.items())[:MOST_LISTED]:
        yield f"  value      {one_line(name)} = {one_line(value)}"
    for note in facts.notes:
        yield f"  note       {one_line(note)}"
    for stated in identity.stated:
        yield f"  stated     {one_line(stated)}"
    yield from _scan_lines(identity)
    yield from _target_lines(identity)


def description_text(identity: Identity) -> str:
    """The source description to start from; empty where the file says everything itself."""
    if not identity.facts.uses:
        return ""
    lines = [
        f"# To start from: a source description for {one_line(identity.path.name)}, "
        f"{one_line(identity.facts.content)}.",
        "# Lines that begin with # are proposals. Take the # away once you know that one is right",
        "# (docs/new-sensor.md); until all that is needed is said, the scan is refused.",
    ]
    for section in ("source", "lite"):
        lines += ["", f"[{section}]"]
        if section == "source":
            lines += [line for stated in identity.stated for line in _comment(f"said: {stated}")]
        for decision in identity.decisions:
            if decision.section == section:
                lines += _proposal(decision)
    return "\n".join(lines) + "\n"


def one_line(text: str, longest: int = 200) -> str:
    """Text from a file on one line, without what a terminal or TOML would take for a command."""
    kept = "".join(c if c.isprintable() else " " for c in text)
    kept = " ".join(kept.split()).encode("utf-8", "replace").decode("utf-8")
    return kept if len(kept) <= longest else kept[: longest - 3] + "..."


def _proposal(decision: Decision) -> Iterable[str]:
    need = "needed" if decision.is_needed else "if so"
    return [*_comment(f"{need}: {decision.why}"), f"# {one_line(decision.line, 4000)}"]


def _comment(text: str) -> list[str]:
    return textwrap.wrap(
        one_line(text, 1200), WIDTH, initial_indent="#   ", subsequent_indent="#   "
    )


def _array_lines(array: ArrayFacts, *, is_chosen: bool) -> Iterator[str]:
    first, second = array.shape
    name = one_line(array.name) or "matrix"
    mark = ", taken for the heights" if is_chosen and array.name else ""
    yield f"  array      {name}: {first} x {second} numbers of type {array.dtype}{mark}"
    if array.low is None:
        yield "    range    no number in it"
    else:
        yield f"    range    {array.low:.6g} to {array.high:.6g}, as stored"
    cells = first * second
    share = 100 * array.missing / cells if cells else 0.0
    yield f"    dropouts {array.missing} of {cells} are not numbers ({share:.2g} %)"
    for code, count in array.codes.items():
        yield f"    repeats  {code:g} stands {count} times ({100 * count / cells:.2g} %)"
    for key, value in array.stated.items():
        yield f"    states   {one_line(str(key))} = {one_line(str(value))}"
    for place, along in zip(("first", "second"), array.along, strict=True):
        if along is not None:
            yield f"    along    the {place} axis: {_series(along)}"


def _column(column: ColumnFacts) -> str:
    unit = f" {column.units}" if column.units else ""
    missing = f", {column.missing} are not numbers" if column.missing else ""
    if column.low is None:
        return f"{one_line(column.name)}: no numbers"
    return f"{one_line(column.name)}: {column.low:.6g} to {column.high:.6g}{unit}{missing}"


def _series(series: SeriesFacts) -> str:
    return one_line(range_of(series))


def _scan_lines(identity: Identity) -> Iterator[str]:
    scan = identity.scan
    if scan is None:
        needed = [decision for decision in identity.decisions if decision.is_needed]
        for decision in needed:
            yield f"  missing    {one_line(decision.line.partition(' =')[0])}"
        if identity.refusal:
            yield f"  refused    {one_line(identity.refusal, 400)}"
        return
    x, y, height = scan["x"].values, scan["y"].values, scan["height"]
    yield (
        f"  opened     {x.size} lines along x, {y.size} columns along y, pitch "
        f"{x[1] - x[0]:.6g} x {y[1] - y[0]:.6g} mm"
    )
    yield (
        f"    extent   x {x[0]:.6g} to {x[-1]:.6g} mm, y {y[0]:.6g} to {y[-1]:.6g} mm, frame "
        f"{scan.attrs['frame']}, {scan.attrs['face']} face"
    )
    yield f"    heights  {float(height.min()):.6g} to {float(height.max()):.6g} mm"
    dropouts = 100 * float(height.isnull().mean())
    yield f"    dropouts {dropouts:.3g} % not measured, margins beside the glass included"
    yield f"    lite     {one_line(str(scan.attrs['lite_id']))}, {scan.attrs['scanned_at']}"


def _target_lines(identity: Identity) -> Iterator[str]:
    seen = identity.seen
    if identity.placed_right and seen is not None and not identity.has_exchanged_pitches:
        yield (
            "  target     orientation target in view, and right: 1 mm leading left, 2 mm leading "
            "right, 3 mm trailing left, 4 mm trailing right, all of them up"
        )
        yield (
            f"    proved   axes, height_sign, and heights: {1 / seen.mm_per_number:.4g} times the "
            f"pads, to {100 * seen.accuracy:.1g} %"
        )
        yield f"    to check {_apart(identity)}"
        yield "    unproved what lies between the pads: heads exchanged or not reversed"
        return
    if identity.placed_right and identity.has_exchanged_pitches:
        yield (
            f"  target     orientation target WRONG here: pitch.x and pitch.y exchanged? "
            f"{_apart(identity)}"
        )
        return
    target = identity.target or seen
    if target is None:
        return
    verb = "WRONG here" if identity.scan is not None else "in view"
    heights = target.unit or "{} with height_scale = {!r}".format(*target.scale)
    if identity.chosen is None and identity.facts.columns:
        yield (
            f"  target     orientation target {verb}: as stored, its bumps say "
            f'{columns_line(identity.facts, target)} (with handed = "right"), height_sign = '
            f'"{target.sign}", heights in {heights}'
        )
        return
    first, second = target.axes
    yield (
        f'  target     orientation target {verb}: as stored, its bumps say axes = ["{first}", '
        f'"{second}"] (with handed = "right"), height_sign = "{target.sign}", heights in {heights}'
    )


def _apart(identity: Identity) -> str:
    x, y = identity.pads_apart_mm or (float("nan"), float("nan"))
    return (
        f"the pads lie {x:.0f} mm apart along x and {y:.0f} mm along y by the pitches; measure "
        f"yours, the simulated ones lie {PADS_APART_MM[0]:.0f} mm and {PADS_APART_MM[1]:.0f} mm"
    )
