"""Where the lines of a stored grid lie along x: by position, or by time and speed.

Positions come from the file or from a pitch (:mod:`midchord_io.ingest.along`) and need not be
even. Where a speed is stated, the places are its integral over the times of the lines. Times
beside an encoder's positions only show its slip.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from midchord_io.errors import MissingMetadata, SourceConflict, UnevenGrid, UnsupportedScan
from midchord_io.ingest.along import Along, kind_of, raw_positions_mm
from midchord_io.lines.scan_lines import travelled_mm
from midchord_io.source import SourceDescription, known_unit
from midchord_io.source_lines import (
    SPEED_UNITS_MM_PER_S,
    TIME_UNITS_S,
    Lines,
    known_speed_unit,
    known_time_unit,
)

__all__ = ["LinePlaces", "line_places"]

NamedBy = Callable[[str], Along | None] | None


@dataclass(frozen=True)
class LinePlaces:
    """The lines of a scan in the order of scanning."""

    positions_mm: npt.NDArray[np.float64]
    """(lines,), NaN where a line has none."""
    times_s: npt.NDArray[np.float64] | None
    """(lines,), from the first one."""
    is_backwards: bool
    """Whether they are stored last line first."""
    is_counted: bool
    """Whether the positions are an encoder's."""
    is_read: bool
    """Whether there is a position for each line, not a pitch."""


def line_places(
    own: Along | None,
    named_by: NamedBy,
    count: int,
    *,
    is_reversed: bool,
    source: SourceDescription,
    where: str,
) -> LinePlaces:
    """The places of the lines.

    own          the file's coordinates along x, None where it states none
    named_by     a dataset by its name, with its units
    is_reversed  whether the axis runs against the frame
    Raises       MissingMetadata, SourceConflict, UnevenGrid, UnsupportedScan
    """
    lines = source.source.lines or Lines()
    if not lines.has_speed:
        raw = raw_positions_mm(own, named_by, count, "x", is_reversed, source, where)
        times = _times_s(lines, named_by, count, raw.is_backwards, where)
        return LinePlaces(raw.positions_mm, times, raw.is_backwards, True, raw.is_read)
    if own is not None and own.units is not None and known_unit(own.units):
        raise SourceConflict(
            where,
            found="a speed of the lines in the source description, but positions along x in the "
            "file",
            needed="one of them",
            do="take the speed out of the source description: times alone show encoder slip",
        )
    times = _times_s(lines, named_by, count, is_reversed, where)
    assert times is not None  # the description has no speed without them
    speed: npt.NDArray[np.float64] | float = lines.speed_mm_per_s or 0.0
    if lines.speed is not None:
        speed = _speed(lines, named_by, count, is_reversed, where)
    return LinePlaces(travelled_mm(times, speed), times, is_reversed, False, True)


def _series(
    named: str, key: str, named_by: NamedBy, count: int, is_backwards: bool, where: str
) -> Along:
    found = named_by(named) if named_by else None
    if found is None:
        raise MissingMetadata(
            where,
            found=f"no dataset {named!r} in the file",
            needed=f"the dataset that lines.{key} names",
            do=f"correct lines.{key} in the source description",
        )
    if found.values.shape != (count,):
        raise UnevenGrid(
            where,
            found=f"lines.{key} = {named!r} of shape {found.values.shape}",
            needed=f"one number for each of the {count} lines",
            do="check the axes and the lines in the source description",
        )
    if found.values.dtype.kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"lines.{key} = {named!r} that holds {kind_of(found.values.dtype)}",
            needed="real numbers",
            do=f"name another dataset in lines.{key}",
        )
    return Along(found.values[::-1] if is_backwards else found.values, found.units)


def _unit(
    stated: str | None, declared: str | None, known: dict[str, float], key: str, where: str
) -> float:
    """What one unit is, in s or mm/s; stated by the file, or declared."""
    unit = known_time_unit(stated or "")
    unit = unit if unit in known else known_speed_unit(stated or "")
    unit = unit if unit in known else None
    if stated is not None and unit not in known:
        raise MissingMetadata(
            where,
            found=f"lines.{key} in {stated!r}",
            needed=f"one of {', '.join(known)}",
            do="convert the file",
        )
    if unit and declared not in (None, unit):
        raise SourceConflict(
            where,
            found=f"lines.{key} {declared!r} in the source description, but {stated!r} in the file",
            needed="one unit",
            do=f"take lines.{key} out of the source description, or check that it is the right one",
        )
    if unit is None and declared is None:
        raise MissingMetadata(
            where,
            found=f"no {key.replace('_', ' ')} of the lines",
            needed=f"one of {', '.join(known)}",
            do=f"add lines.{key} to the source description",
        )
    return known[unit or declared or ""]


def _times_s(
    lines: Lines, named_by: NamedBy, count: int, is_backwards: bool, where: str
) -> npt.NDArray[np.float64] | None:
    """(lines,), s from the first, never descending."""
    if lines.line_rate_hz is not None:
        return np.arange(count) / lines.line_rate_hz
    if lines.times is None:
        return None
    found = _series(lines.times, "times", named_by, count, is_backwards, where)
    unit = _unit(found.units, lines.time_units, TIME_UNITS_S, "time_units", where)
    values = found.values
    # stamps may be large whole numbers, of which a float would lose the last digits
    start = values[0] if count else 0
    above = values >= start
    since = np.where(above, values - start, -(start - values).astype(np.float64))
    times = np.asarray(since, dtype=np.float64) * unit
    if not np.isfinite(times).all() or (np.diff(times) < 0).any():
        back = int(np.count_nonzero(~(np.diff(times) >= 0)))
        raise UnevenGrid(
            where,
            found=f"times {lines.times!r} that are no numbers or go back {back} times",
            needed="times that ascend in the order of scanning",
            do="check the clock of the scanner, and the sign of the axis x",
        )
    return times


def _speed(
    lines: Lines, named_by: NamedBy, count: int, is_backwards: bool, where: str
) -> npt.NDArray[np.float64]:
    """(lines,), mm/s."""
    assert lines.speed is not None
    found = _series(lines.speed, "speed", named_by, count, is_backwards, where)
    unit = _unit(found.units, lines.speed_units, SPEED_UNITS_MM_PER_S, "speed_units", where)
    speed = found.values.astype(np.float64) * unit
    if not np.isfinite(speed).all():
        raise UnevenGrid(
            where,
            found=f"speed {lines.speed!r} with {np.count_nonzero(~np.isfinite(speed))} values that "
            "are no numbers",
            needed="a speed for each line",
            do="mend the file",
        )
    return speed
