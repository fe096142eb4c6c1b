"""What a file leaves unsaid: each a line for a source description, a proposal and its reason.

A proposal is what most files of the kind mean, or what the numbers themselves suggest. It is never
more than that: the lines are written as comments, for a person to decide.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from midchord.identifying.column_decisions import ID_WORDS, point_decisions
from midchord.identifying.decision import Decision, likely_axes
from midchord.identifying.head_decisions import dataset_decision
from midchord.identifying.line_decisions import STAND_IN, place_decisions
from midchord.orientation import Target
from midchord_io.ingest.facts import ArrayFacts, FileFacts
from midchord_io.source import UNITS_MM, known_unit

__all__ = ["codes_apart", "decide", "is_table", "without_codes"]

CODE_BEYOND = 3.0
"""A code for not measured lies this many spreads of the heights beyond them."""
PLAUSIBLE_RANGE_MM = (0.02, 200.0)
"""Range of heights that a lite can have, tilted or bowed."""
FEWEST_COLUMNS = 8
"""No scan of a lite has fewer."""
MOST_TABLE_COLUMNS = 12
FEWEST_TABLE_ROWS = 20
"""A text with few columns and this many times as many rows is rather points than a matrix."""


def decide(
    facts: FileFacts, chosen: ArrayFacts | None, target: Target | None, *, is_native: bool
) -> tuple[tuple[str, ...], tuple[Decision, ...]]:
    """What need not be said because the file does, and what must or may be said.

    chosen  the matrix that they are about, None for points
    target  the orientation target, if it is in view
    """
    if is_native:
        return ("everything: it is a scan as midchord writes it",), ()
    stated: list[str] = []
    decisions: list[Decision] = []
    if chosen is not None:
        if len(facts.arrays) > 1:
            decisions.append(dataset_decision(chosen, facts))
        decisions.append(_axes(chosen, target, facts))
        _heights_of(chosen, target, facts, stated, decisions)
        axes = target.axes if target is not None else likely_axes(facts, chosen.shape)
        place_decisions(chosen, axes, facts, stated, decisions)
    elif is_table(facts):
        point_decisions(facts, target, stated, decisions)
    decisions += _about_the_lite(facts)
    return tuple(stated), tuple(decisions)


def is_table(facts: FileFacts) -> bool:
    """Whether a file is rather a table of points than a matrix."""
    if facts.layout == "points":
        return True
    if not facts.columns or not facts.arrays:
        return bool(facts.columns)
    rows, columns = facts.arrays[0].shape
    if columns < FEWEST_COLUMNS:
        return True
    return columns <= MOST_TABLE_COLUMNS and rows >= FEWEST_TABLE_ROWS * columns


def codes_apart(chosen: ArrayFacts) -> dict[float, int]:
    """Of the suspected codes, those that lie apart from the heights."""
    values = chosen.preview[np.isfinite(chosen.preview)]
    apart = {}
    for code, count in chosen.codes.items():
        others = values[values != code]
        if others.size < 16:
            continue
        low, middle, high = np.percentile(others, (2, 50, 98))
        reach = CODE_BEYOND * max(high - middle, middle - low)
        if code < middle - reach or code > middle + reach:
            apart[code] = count
    return apart


def without_codes(chosen: ArrayFacts) -> npt.NDArray[np.float64]:
    """The preview, NaN where a suspected code stands."""
    preview = chosen.preview.copy()
    for code in codes_apart(chosen):
        preview[preview == code] = np.nan
    return preview


def _axes(chosen: ArrayFacts, target: Target | None, facts: FileFacts) -> Decision:
    first, second = chosen.shape
    if target is not None:
        return Decision(
            "source",
            _axes_line(target.axes),
            "the bumps of the orientation target lie so; check it against the picture",
        )
    return Decision(
        "source",
        _axes_line(likely_axes(facts, chosen.shape)),
        f"which axis runs along the travel, from the leading edge on: the first ({first} samples) "
        f'or the second ({second})? Write "-x" or "-y" where an index runs the other way',
    )


def _axes_line(axes: tuple[str, str]) -> str:
    return f'axes = ["{axes[0]}", "{axes[1]}"]'


def _heights_of(
    chosen: ArrayFacts,
    target: Target | None,
    facts: FileFacts,
    stated: list[str],
    decisions: list[Decision],
) -> None:
    units = chosen.stated.get("units")
    if units is not None and known_unit(str(units)):
        stated.append(f"height_units: the file says {units!r}")
    else:
        unit, why = _likely_unit(chosen, target)
        if units is not None:
            why = f"the file says {units!r}; {why}"
        decisions.append(Decision("source", f'height_units = "{unit}"', why))
    scale = chosen.stated.get("scale_factor")
    if scale is not None:
        stated.append(f"height_scale: the file says {scale!r}")
    elif "height_scale" in facts.uses:
        decisions += _scale_of(chosen, target)
    sign = chosen.stated.get("positive")
    if sign is not None:
        stated.append(f"height_sign: the file says {sign!r}")
    else:
        why = '"down" for a sensor above the glass that gives its distance to it'
        if target is not None:
            why = f"the bumps of the orientation target point {target.sign}"
        is_down = target is not None and target.sign == "down"
        line = f'height_sign = "{"down" if is_down else "up"}"'
        decisions.append(Decision("source", line, why, is_needed=False))
    codes = codes_apart(chosen)
    if codes and "invalid" in facts.uses:
        seen = ", ".join(f"{code:g} stands {count} times" for code, count in codes.items())
        listed = ", ".join(f"{code!r}" for code in codes)
        decisions.append(
            Decision("source", f"invalid = [{listed}]", f"{seen}: not measured?", is_needed=False)
        )


def _scale_of(chosen: ArrayFacts, target: Target | None) -> list[Decision]:
    """Needed for whole numbers; of others where the target shows that a unit is not enough."""
    is_whole = chosen.dtype.lstrip("<>=|")[0] in "iu"
    if target is None:
        why = "the numbers are whole: how many height_units is one count worth? " + STAND_IN
        return [Decision("source", "height_scale = 1.0", why)] if is_whole else []
    unit, number = target.scale
    own = known_unit(str(chosen.stated.get("units", "")))
    if own is not None and own != unit:
        number = float(f"{target.mm_per_number / UNITS_MM[own]:.3e}")
        unit = own
    if number == 1.0 and not is_whole:
        return []
    why = (
        f"with it the bumps of the orientation target are 1, 2, 3 and 4 mm high: one number is "
        f"{target.mm_per_number / UNITS_MM[unit]:.4g} {unit}, to {100 * target.accuracy:.1g} %"
    )
    return [Decision("source", f"height_scale = {number!r}", why)]


def _likely_unit(chosen: ArrayFacts, target: Target | None) -> tuple[str, str]:
    if target is not None:
        beside = "" if target.unit else ", with height_scale"
        return target.scale[0], f"the highest bump of the orientation target is 4 mm{beside}"
    known = without_codes(chosen)
    values = known[np.isfinite(known)]
    if not values.size:
        return "mm", "no number is known"
    low, high = (float(end) for end in np.percentile(values, (1, 99)))
    spread = high - low
    plausible = [
        unit
        for unit in ("mm", "um", "inch", "m", "nm")
        if PLAUSIBLE_RANGE_MM[0] <= spread * UNITS_MM[unit] <= PLAUSIBLE_RANGE_MM[1]
    ]
    said = ", ".join(f"{spread * UNITS_MM[unit]:.3g} mm if {unit}" for unit in plausible)
    why = f"nearly all numbers lie within {spread:.4g}"
    return (plausible or ["mm"])[0], f"{why}: {said}" if said else why


TIME_WORDS = ("time", "date", "start", "scanned")


def _about_the_lite(facts: FileFacts) -> list[Decision]:
    ids = [name for name in facts.values if _speaks_of(name, ID_WORDS)]
    times = [name for name in facts.values if _speaks_of(name, TIME_WORDS)]
    found = [
        Decision(
            "lite", 'frame = "machine"', '"lite" where the grid starts at the lite\'s own corner',
            is_needed=False,
        )
    ]  # fmt: skip
    for key, names, otherwise in (("id_from", ids, "name"), ("scanned_at_from", times, "mtime")):
        line = f'{key} = "attr:{names[0]}"' if names else f'{key} = "{otherwise}"'
        why = f"the file says {facts.values[names[0]]!r}" if names else "of the file"
        columns = [column.name for column in facts.columns if _speaks_of(column.name, ID_WORDS)]
        if key == "id_from" and not names and columns and is_table(facts):
            line, why = f'id_from = "column:{columns[0]}"', "a column of that name is there"
        found.append(Decision("lite", line, why, is_needed=False))
    instrument = Decision(
        "lite", 'instrument = "line sensor 1"', "its name, for the reports", False
    )
    found.append(instrument)
    return found


def _speaks_of(name: str, words: tuple[str, ...]) -> bool:
    last = name.rpartition("/")[2].lower()
    return any(word in last for word in words)
