"""Where the samples of a matrix lie: what of it a file leaves unsaid, and what it seems to hold.

Datasets with one number for each line are told apart by their units, else by their names: places
become ``positions``, times and speeds become ``lines``. What is neither by unit nor by name, and
not an even row of numbers, is proposed for nothing.
"""

from __future__ import annotations

from midchord.identifying.decision import Decision
from midchord_io.ingest.facts import ArrayFacts, FileFacts, SeriesFacts
from midchord_io.lines.line_series import role_of
from midchord_io.source import known_unit
from midchord_io.source_lines import (
    SPEED_UNITS_MM_PER_S,
    TIME_UNITS_S,
    known_speed_unit,
    known_time_unit,
)

__all__ = ["STAND_IN", "place_decisions", "range_of"]

LIKELY_LENGTH_MM = (300.0, 7000.0)
"""Of a lite with its margins, from the smallest that is mapped to a whole float plate."""
TRIED_TIMES = ("ms", "s", "us", "ns")
TRIED_SPEEDS = ("mm/s", "m/min", "m/s")
STAND_IN_SPEED_MM_PER_S = 100.0
STAND_IN = "1.0 only stands in for what nobody can tell from the file"


def place_decisions(
    chosen: ArrayFacts,
    axes: tuple[str, str],
    facts: FileFacts,
    stated: list[str],
    decisions: list[Decision],
) -> None:
    """Adds what is stated and what must be said about the places along both axes.

    axes  what each stored axis is, as proposed
    """
    pitch: list[tuple[str, float | None]] = []
    positions: list[tuple[str, SeriesFacts]] = []
    lines: Decision | None = None
    units_needed = False
    for number, (count, along) in enumerate(zip(chosen.shape, chosen.along, strict=True)):
        axis = axes[number][-1]
        if along is not None and along.units is not None and known_unit(along.units):
            name = ("first", "second")[number]
            stated.append(f"positions of the {name} axis: {range_of(along)}")
            continue
        series = [s for s in facts.series if s.count == count and s.low < s.high]
        places = _places(series, axis) if "positions" in facts.uses else []
        if axis == "x" and "lines" in facts.uses and "positions" in facts.uses:
            lines = _lines(series, count, has_places=bool(places))
        if places:
            positions.append((axis, places[0]))
            units_needed |= not known_unit(places[0].units or "")
        elif axis == "y" or lines is None:
            known = along.pitch if along is not None and along.pitch not in (None, 1.0) else None
            pitch.append((axis, known))
            units_needed = True
    if units_needed:
        decisions.append(
            Decision("source", 'position_units = "mm"', "of pitch and positions: m, mm, um, nm, "
                     "inch")
        )  # fmt: skip
    if pitch:
        inside = ", ".join(f"{axis} = {known or 1.0!r}" for axis, known in pitch)
        why = "the distance between samples; x is the axis along the travel"
        if any(known is None for _, known in pitch):
            why += f"; {STAND_IN}"
        decisions.append(Decision("source", f"pitch = {{ {inside} }}", why))
    if positions:
        inside = ", ".join(f'{axis} = "{series.name}"' for axis, series in positions)
        why = "; ".join(f"{series.name}: {range_of(series)}" for _, series in positions)
        decisions.append(Decision("source", f"positions = {{ {inside} }}", why))
    if lines is not None:
        decisions.append(lines)


def range_of(series: SeriesFacts) -> str:
    """How many numbers, their ends and their step, in words."""
    unit = f" {series.units}" if series.units else ""
    said = f"{series.count} from {series.first:.6g} to {series.last:.6g}{unit}"
    if series.pitch is not None:
        return f"{said}, pitch {series.pitch:.6g}{unit}"
    if (series.low, series.high) != tuple(sorted((series.first, series.last))):
        said += f" (all within {series.low:.6g} to {series.high:.6g})"
    return f"{said}, uneven"


def _places(series: list[SeriesFacts], axis: str) -> list[SeriesFacts]:
    """Those that can be places, the likeliest first: by unit or name, then even rows of numbers.

    Even numbers by 1 are sample numbers. Uneven places are read along x only.
    """
    told = []
    even = []
    for one in series:
        role = role_of(one.name, one.units)
        is_even = one.pitch is not None and one.pitch != 1.0
        if role == "place" and (is_even or (one.pitch is None and axis == "x")):
            told.append(one)
        elif role == "unknown" and is_even:
            even.append(one)
    return told + even


def _lines(series: list[SeriesFacts], count: int, *, has_places: bool) -> Decision | None:
    """Times of the lines, with a speed where there are no places; None without times."""
    times = next((s for s in series if role_of(s.name, s.units) == "time"), None)
    if times is None:
        return None
    speed = next((s for s in series if role_of(s.name, s.units) == "speed"), None)
    time_unit = known_time_unit(times.units or "")
    said = [f'times = "{times.name}"']
    seen = f"{times.name}: {range_of(times)}"
    if has_places:
        said += [] if time_unit else ['time_units = "ms"']
        why = f"{seen}; beside places the times show where the encoder slipped"
        return Decision("source", f"lines = {{ {', '.join(said)} }}", why, is_needed=False)
    if speed is None:
        said += [] if time_unit else ['time_units = "ms"']
        said.append(f"speed_mm_per_s = {STAND_IN_SPEED_MM_PER_S!r}")
        why = (
            f"{seen}: times, no places. The lines lie where the glass was at these times: give its "
            f"speed ({STAND_IN_SPEED_MM_PER_S:g} only stands in for it"
            + ("" if time_unit else ", as ms does for s, ms, us or ns")
            + "), or take this line out and give pitch.x"
        )
        return Decision("source", f"lines = {{ {', '.join(said)} }}", why)
    speed_unit = known_speed_unit(speed.units or "")
    duration, mean = abs(times.last - times.first), (speed.low + speed.high) / 2
    ways = {
        (t, v): duration * TIME_UNITS_S[t] * abs(mean) * SPEED_UNITS_MM_PER_S[v]
        for t in ([time_unit] if time_unit else TRIED_TIMES)
        for v in ([speed_unit] if speed_unit else TRIED_SPEEDS)
    }
    likely = {
        way: length
        for way, length in ways.items()
        if LIKELY_LENGTH_MM[0] <= length <= LIKELY_LENGTH_MM[1]
    }
    (t, v), _ = next(iter((likely or ways).items()))
    said += [] if time_unit else [f'time_units = "{t}"']
    said.append(f'speed = "{speed.name}"')
    said += [] if speed_unit else [f'speed_units = "{v}"']
    lengths = "; ".join(
        f"{count} lines over about {length:.4g} mm if {way[0]} and {way[1]}"
        for way, length in (likely or ways).items()
    )
    why = f"{seen}; {speed.name}: {range_of(speed)}: times and speeds of the lines. {lengths}"
    return Decision("source", f"lines = {{ {', '.join(said)} }}", why)
