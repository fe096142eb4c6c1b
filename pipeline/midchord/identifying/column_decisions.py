"""Which columns of a table of points are x, y and height: by their names, else by their order.

Units that stand in a name (``z_um``, ``across [mm]``) are proposed with it. A column that names the
lite is not taken for a place. Where the orientation target is in view, it says which column is
which, and which one counts against the frame.
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.identifying.decision import Decision
from midchord.orientation import Target
from midchord_io.ingest.facts import CODES, FileFacts
from midchord_io.source import UNITS_MM, known_unit

__all__ = ["ID_WORDS", "columns_line", "point_decisions", "points_in_order"]

WORDS = {
    "x": {"x", "travel", "along", "encoder", "enc", "length", "weg", "längs"},
    "y": {"y", "across", "cross", "width", "lateral", "quer", "breite"},
    "height": {"z", "height", "distance", "dist", "depth", "höhe", "abstand"},
}
"""How such columns are named (common practice, no source)."""
ID_WORDS = ("serial", "lite", "glass", "barcode", "part")
IN_NAME = re.compile(r"(?:[\[(/]\s*|_|\s)([A-Za-zµμ]+)\s*[\])]?$")
LIKELY_EXTENT_MM = (100.0, 10_000.0)
LIKELY_RANGE_MM = (0.02, 200.0)
TRIED_UNITS = ("mm", "m", "um", "inch")
CODE_BEYOND = 3.0
"""A code lies this many spreads of the heights beyond them."""


class _Picked(NamedTuple):
    x: str
    y: str
    height: str


def columns_line(facts: FileFacts, target: Target | None) -> str:
    """The line of the description that says which column is which.

    A name that was not readable as text is given by its place, as a description may.
    """
    picked = _picked(facts)
    names = [column.name for column in facts.columns]
    spelled = [
        str(names.index(name)) if "\ufffd" in name and name in names else name for name in picked
    ]
    said = {"x": spelled[0], "y": spelled[1]}
    if target is not None:
        said = {
            axis[-1]: ("-" if axis.startswith("-") else "") + name
            for axis, name in zip(target.axes, spelled[:2], strict=True)
        }
    return f'columns = {{ x = "{said["x"]}", y = "{said["y"]}", height = "{spelled[2]}" }}'


def points_in_order(facts: FileFacts) -> npt.NDArray[np.float64] | None:
    """(n, 3) some points: x, y, height as picked, without those at a code for not measured.

    As stored where what was picked is not among the columns that came along.
    """
    if facts.points is None:
        return None
    points = facts.points
    along = _numeric(facts)[:3]
    picked = _picked(facts)
    if len(along) == 3 and set(picked) == set(along):
        points = points[:, [along.index(name) for name in picked]]
    points = points[np.isfinite(points).all(axis=1)]
    return points[~np.isin(points[:, 2], list(_codes(points[:, 2])))]


def point_decisions(
    facts: FileFacts, target: Target | None, stated: list[str], decisions: list[Decision]
) -> None:
    """Adds what is stated and what must be said about a table of points."""
    picked = _picked(facts)
    why = 'x is the column along the travel; "-NAME" where it counts against it'
    if target is not None:
        why = "the bumps of the orientation target lie so; check it against the picture"
    decisions.append(Decision("source", columns_line(facts, target), why))
    units = {column.name: column.units for column in facts.columns}
    for key, name in (("position_units", picked.x), ("height_units", picked.height)):
        if units.get(name):
            stated.append(f"{key}: the file says {units[name]!r}")
            continue
        unit, why = _unit_of(facts, key, name, picked, target)
        decisions.append(Decision("source", f'{key} = "{unit}"', why))
    is_down = target is not None and target.sign == "down"
    why = '"down" for distances'
    if target is not None:
        why = f"the bumps of the orientation target point {target.sign}"
    sign = "down" if is_down else "up"
    decisions.append(Decision("source", f'height_sign = "{sign}"', why, is_needed=False))
    if codes := _height_codes(facts):
        seen = ", ".join(f"{code:g} stands in {100 * share:.2g} % of the points looked at"
                         for code, share in codes.items())  # fmt: skip
        listed = ", ".join(f"{code!r}" for code in codes)
        decisions.append(
            Decision("source", f"invalid = [{listed}]", f"{seen}: not measured?", is_needed=False)
        )
    decisions.append(
        Decision(
            "source",
            "grid_pitch = { x = 1.0, y = 1.0 }",
            "left out, the points propose it",
            is_needed=False,
        )
    )


def _numeric(facts: FileFacts) -> list[str]:
    return [column.name for column in facts.columns if column.low is not None]


def _words(name: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]+", name.lower()))


def _picked(facts: FileFacts) -> _Picked:
    names = _numeric(facts) or [column.name for column in facts.columns]
    found: dict[str, str] = {}
    for axis, words in WORDS.items():
        exact = [name for name in names if name.lower() == axis or (axis, name.lower()) == (
            "height", "z")]  # fmt: skip
        named = exact or [name for name in names if _words(name) & words]
        named = [name for name in named if name not in found.values()]
        if named:
            found[axis] = named[0]
    ids = [name for name in names if any(word in name.lower() for word in ID_WORDS)]
    rest = [name for name in names if name not in found.values() and name not in ids] + ids
    rest = [name for name in rest if name not in found.values()]
    picked = (found[axis] if axis in found else (rest.pop(0) if rest else "?") for axis in WORDS)
    return _Picked(*picked)


def _unit_of(
    facts: FileFacts, key: str, name: str, picked: _Picked, target: Target | None
) -> tuple[str, str]:
    in_name = IN_NAME.search(name)
    unit = known_unit(in_name.group(1)) if in_name else None
    if unit:
        return unit, f"the name {name!r} says so"
    points = points_in_order(facts)
    if key == "height_units" and target is not None:
        return target.scale[0], "the highest bump of the orientation target is 4 mm"
    if points is None or len(points) < 4:
        return "mm", "m, mm, um, nm, inch"
    if key == "height_units":
        low, high = np.percentile(points[:, 2], (1, 99))
        extents, likely = [float(high - low)], LIKELY_RANGE_MM
    else:
        ends = {c.name: (c.low, c.high) for c in facts.columns}
        extents = [
            float(high - low)
            for low, high in (ends.get(n, (None, None)) for n in picked[:2])
            if low is not None and high is not None
        ]
        likely = LIKELY_EXTENT_MM
    said = " x ".join(f"{extent:.4g}" for extent in extents)
    fitting = [
        unit
        for unit in TRIED_UNITS
        if all(likely[0] <= extent * UNITS_MM[unit] <= likely[1] for extent in extents)
    ]
    if not fitting or not extents:
        return "mm", f"the numbers reach over {said}: m, mm, um, nm, inch"
    in_mm = " x ".join(f"{extent * UNITS_MM[fitting[0]]:.4g}" for extent in extents)
    return fitting[0], f"the numbers reach over {said}: {in_mm} mm if {fitting[0]}"


def _height_codes(facts: FileFacts) -> dict[float, float]:
    points = facts.points
    along = _numeric(facts)[:3]
    height = _picked(facts).height
    if points is None or height not in along:
        return {}
    return _codes(points[:, along.index(height)])


def _codes(values: npt.NDArray[np.float64]) -> dict[float, float]:
    """Numbers that instruments write for not measured, far from the heights; share of each."""
    known = values[np.isfinite(values)]
    found = {}
    for code in CODES:
        seen = known == code
        if seen.sum() < 2 or known.size - seen.sum() < 16:
            continue
        low, middle, high = np.percentile(known[~np.isin(known, CODES)], (2, 50, 98))
        reach = CODE_BEYOND * max(high - middle, middle - low)
        if code < middle - reach or code > middle + reach:
            found[code] = float(seen.mean())
    return found
