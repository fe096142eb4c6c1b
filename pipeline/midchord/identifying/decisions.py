"""What a file leaves unsaid: each a line for a source description, a proposal and its reason.

A proposal is what most files of the kind mean, or what the numbers themselves suggest. It is never
more than that: the lines are written as comments, for a person to decide.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.orientation import Target
from midchord_io.ingest.facts import ArrayFacts, FileFacts, SeriesFacts
from midchord_io.source import UNITS_MM, known_unit

__all__ = ["Decision", "codes_apart", "decide", "is_table", "likely_axes", "without_codes"]

CODE_BEYOND = 3.0
"""A code for not measured lies this many spreads of the heights beyond them."""
PLAUSIBLE_RANGE_MM = (0.02, 200.0)
"""Range of heights that a lite can have, tilted or bowed."""
FEWEST_COLUMNS = 8
"""No scan of a lite has fewer."""
MOST_TABLE_COLUMNS = 12
FEWEST_TABLE_ROWS = 20
"""A text with few columns and this many times as many rows is rather points than a matrix."""


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
            names = ", ".join(array.name for array in facts.arrays)
            decisions.append(Decision("source", f'dataset = "{chosen.name}"', f"there are {names}"))
        decisions.append(_axes(chosen, target, facts))
        _heights_of(chosen, target, facts, stated, decisions)
        _positions_of(chosen, facts, stated, decisions)
    elif is_table(facts):
        _points_of(facts, stated, decisions)
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


def likely_axes(facts: FileFacts) -> tuple[str, str]:
    """A row is a scan line; where lengths are stated by a standard, its own x stays x."""
    if "invalid" not in facts.uses:
        return "y", "x"
    return "x", "y"


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
        _axes_line(likely_axes(facts)),
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
    elif "height_scale" in facts.uses and chosen.dtype.lstrip("<>=|")[0] in "iu":
        decisions.append(
            Decision(
                "source",
                "height_scale = 1.0",
                "the numbers are whole: how many height_units is one count worth?",
            )
        )
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


def _likely_unit(chosen: ArrayFacts, target: Target | None) -> tuple[str, str]:
    if target is not None and target.unit is not None:
        return target.unit, "the highest bump of the orientation target is 4 mm"
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


def _positions_of(
    chosen: ArrayFacts, facts: FileFacts, stated: list[str], decisions: list[Decision]
) -> None:
    open_axes = []
    for number, (count, along) in enumerate(zip(chosen.shape, chosen.along, strict=True)):
        name = ("first", "second")[number]
        if along is not None and along.units is not None and known_unit(along.units):
            stated.append(f"positions of the {name} axis: {_range_of(along)}")
        else:
            open_axes.append((number, count, along))
    if not open_axes:
        return
    decisions.append(
        Decision("source", 'position_units = "mm"', "of pitch and positions: m, mm, um, nm, inch")
    )
    axes = [axis[-1] for axis in likely_axes(facts)]
    pitch, positions = [], []
    for number, count, along in open_axes:
        fitting = [s for s in facts.series if s.count == count and s.pitch and s.pitch != 1.0]
        fitting = [s for s in fitting if "positions" in facts.uses]
        if fitting:
            positions.append((axes[number], fitting[0]))
        else:
            known = along.pitch if along is not None and along.pitch not in (None, 1.0) else None
            pitch.append((axes[number], known))
    if pitch:
        inside = ", ".join(f"{axis} = {known or 1.0!r}" for axis, known in pitch)
        decisions.append(
            Decision("source", f"pitch = {{ {inside} }}", "the distance between samples; x is the "
                     "axis along the travel")
        )  # fmt: skip
    if positions:
        inside = ", ".join(f'{axis} = "{series.name}"' for axis, series in positions)
        why = "; ".join(f"{series.name}: {_range_of(series)}" for _, series in positions)
        decisions.append(Decision("source", f"positions = {{ {inside} }}", why))


def _range_of(series: SeriesFacts) -> str:
    unit = f" {series.units}" if series.units else ""
    steps = f"pitch {series.pitch:.6g}" if series.pitch is not None else "uneven"
    return f"{series.count} from {series.first:g} to {series.last:g}{unit}, {steps}"


def _points_of(facts: FileFacts, stated: list[str], decisions: list[Decision]) -> None:
    names = [column.name for column in facts.columns]
    lower = [name.lower() for name in names]
    picked = [names[lower.index(axis)] if axis in lower else None for axis in "xyz"]
    rest = [name for name in names if name not in picked]
    x, y, z = (name if name is not None else (rest.pop(0) if rest else "?") for name in picked)
    decisions.append(
        Decision(
            "source",
            f'columns = {{ x = "{x}", y = "{y}", height = "{z}" }}',
            'x is the column along the travel; "-NAME" where it counts against it',
        )
    )
    units = {column.name: column.units for column in facts.columns}
    for key, name in (("position_units", x), ("height_units", z)):
        if units.get(name):
            stated.append(f"{key}: the file says {units[name]!r}")
        else:
            decisions.append(Decision("source", f'{key} = "mm"', "m, mm, um, nm, inch"))
    decisions += [
        Decision("source", 'height_sign = "up"', '"down" for distances', is_needed=False),
        Decision(
            "source",
            "grid_pitch = { x = 1.0, y = 1.0 }",
            "left out, the points propose it",
            is_needed=False,
        ),
    ]


ID_WORDS = ("serial", "lite", "glass", "barcode", "part")
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
        found.append(Decision("lite", line, why, is_needed=False))
    instrument = Decision(
        "lite", 'instrument = "line sensor 1"', "its name, for the reports", False
    )
    found.append(instrument)
    return found


def _speaks_of(name: str, words: tuple[str, ...]) -> bool:
    last = name.rpartition("/")[2].lower()
    return any(word in last for word in words)
