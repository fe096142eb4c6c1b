"""What a dataset with one number for each line is: places, times or speeds of the glass.

Such a dataset lies beside the heights in many files. Its units say what it is where it states
them, else its name hints at it. A hint is good for a proposal and for a doubt, never for a figure:
times taken for places give waves of a wrong length, and so does an encoder that nobody reads.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Literal

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.source import UNITS_MM, Source, known_unit
from midchord_io.source_lines import known_speed_unit, known_time_unit

__all__ = ["SeriesRole", "place_findings", "role_of"]

SeriesRole = Literal["place", "time", "speed", "other", "unknown"]

TIME_WORDS = {"t", "ts", "clock", "tick", "ticks"}
TIME_PARTS = ("time", "stamp", "zeit")
SPEED_WORDS = {"v", "vel"}
SPEED_PARTS = ("speed", "veloc", "geschwind")
PLACE_WORDS = {"x", "y", "enc", "pos", "way", "weg", "travel", "along"}
PLACE_PARTS = ("encod", "posit", "distanc", "length", "coord")
"""How such datasets are named (common practice, no source)."""

EVEN_SHARE = 1e-3
"""Of the pitch: places that keep to it say nothing new."""

Numbers = npt.NDArray[np.float64]


def role_of(name: str, units: str | None) -> SeriesRole:
    """By the units where they are stated, else by the name: ``unknown`` where neither tells."""
    if units is not None and units.strip() not in ("", "1"):
        if known_unit(units):
            return "place"
        if known_time_unit(units):
            return "time"
        return "speed" if known_speed_unit(units) else "other"
    last = name.rpartition("/")[2].lower()
    words = set(re.findall(r"[^\W\d_]+", last))
    for role, whole, parts in (
        ("speed", SPEED_WORDS, SPEED_PARTS),
        ("time", TIME_WORDS, TIME_PARTS),
        ("place", PLACE_WORDS, PLACE_PARTS),
    ):
        if words & whole or any(part in last for part in parts):
            return role  # type: ignore[return-value]
    return "unknown"


def place_findings(
    series: Mapping[str, tuple[Numbers, str | None]], source: Source, lines: int
) -> tuple[Finding, ...]:
    """Doubts about the places of the lines that the other datasets of a file raise.

    series  by name: one number for each line, and its units as the file states them
    lines   how many lines there are along x
    """
    named = source.positions.x if source.positions is not None else None
    if named is not None:
        return _no_places(named.strip("/"), series)
    pitch = source.pitch.x if source.pitch is not None else None
    if pitch is None:
        return ()
    pitch_mm = pitch * UNITS_MM[source.position_units or "mm"]
    used = {source.lines.times, source.lines.speed} if source.lines else set()
    used |= {source.positions.y} if source.positions is not None else set()
    used = {name.strip("/") for name in used if name}
    found = []
    for name, (numbers, units) in series.items():
        if numbers.shape != (lines,) or name in used or role_of(name, units) != "place":
            continue
        unit = known_unit(units) if units else None
        steps = np.diff(numbers[np.isfinite(numbers)])
        if not steps.size or not np.ptp(numbers[np.isfinite(numbers)]):
            continue
        expected = pitch_mm / UNITS_MM[unit] if unit else abs(float(steps.mean()))
        if np.abs(np.abs(steps) - expected).max() <= EVEN_SHARE * expected:
            continue
        found.append(_unused(name, numbers, steps, unit, pitch_mm))
    return tuple(found)


def _no_places(
    named: str, series: Mapping[str, tuple[Numbers, str | None]]
) -> tuple[Finding, ...]:
    role = role_of(named, series[named][1]) if named in series else "unknown"
    if role not in ("time", "speed"):
        return ()
    return (
        Finding(
            "positions by name no places",
            1,
            f"positions.x = {named!r} states no unit, and by its name holds the {role}s of the "
            "lines, not their places: if so, every length along x is wrong, and it belongs into "
            f"source.lines as {'times' if role == 'time' else 'speed'}.",
            is_doubt=True,
        ),
    )


def _unused(
    name: str, numbers: Numbers, steps: Numbers, unit: str | None, pitch_mm: float
) -> Finding:
    known = numbers[np.isfinite(numbers)]
    said = f" {unit}" if unit else ""
    return Finding(
        "places unused",
        numbers.size,
        f"The source description gives a pitch of {pitch_mm:g} mm along x, but {name!r} in the "
        f"file has a place for each of the {numbers.size} lines, from {known.min():g} to "
        f"{known.max():g}{said} in steps of {steps.min():.3g} to {steps.max():.3g}{said}, and is "
        "not used: if it is the encoder, name it as positions.x instead of pitch.x.",
        {"pitch_mm": pitch_mm, "lines": float(numbers.size)},
        is_doubt=True,
    )
