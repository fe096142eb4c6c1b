"""Where the samples of a stored grid lie: positions along each axis, in mm and ascending.

The file's own coordinates are believed where they are lengths; else the source description gives
a pitch, or names the positions. An axis may be stored backwards, or be counted against the frame:
both are turned here, and nowhere else (see :mod:`midchord_io.source` for what the signs mean).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.errors import MissingMetadata, SourceConflict, UnevenGrid, UnsupportedScan
from midchord_io.scan import EVENNESS, even_pitch_mm
from midchord_io.source import UNITS_MM, SourceDescription, known_unit

__all__ = ["Along", "RawPositions", "along_of", "kind_of", "positions_mm", "raw_positions_mm"]


@dataclass(frozen=True)
class Along:
    """Positions along one stored axis, as the file has them."""

    values: npt.NDArray[Any]
    units: str | None


def along_of(values: npt.NDArray[Any], attrs: Mapping[str, Any]) -> Along:
    """Positions from stored numbers and their attributes by CF (units, scale, offset)."""
    for name, apply in (("scale_factor", np.multiply), ("add_offset", np.add)):
        number = attrs.get(name)
        if isinstance(number, int | float) and values.dtype.kind in "iuf":
            values = apply(values.astype(np.float64), number)
    units = attrs.get("units")
    return Along(values, None if units is None else str(units))


@dataclass(frozen=True)
class RawPositions:
    """Positions along one stored axis in the frame, even or not."""

    positions_mm: npt.NDArray[np.float64]
    is_backwards: bool
    """Whether the axis is stored backwards."""
    is_read: bool
    """Whether they were read, not made of a pitch."""
    declared_pitch_mm: float | None


def positions_mm(
    own: Along | None,
    named_by: Callable[[str], Along | None] | None,
    count: int,
    axis: str,
    is_reversed: bool,
    source: SourceDescription,
    where: str,
) -> tuple[npt.NDArray[np.float64], bool]:
    """Even, ascending positions along a stored axis, mm, and whether it is stored backwards.

    own          the file's coordinates of this axis, None where it states none
    named_by     positions that a description names
    count        samples along the axis
    axis         "x" or "y" of the frame
    is_reversed  whether the axis, as declared, runs against the frame
    Raises       MissingMetadata, SourceConflict, UnevenGrid, UnsupportedScan
    """
    raw = raw_positions_mm(own, named_by, count, axis, is_reversed, source, where)
    even_pitch_mm(raw.positions_mm, axis=axis, where=where)
    return raw.positions_mm, raw.is_backwards


def raw_positions_mm(
    own: Along | None,
    named_by: Callable[[str], Along | None] | None,
    count: int,
    axis: str,
    is_reversed: bool,
    source: SourceDescription,
    where: str,
) -> RawPositions:
    """As :func:`positions_mm`, but uneven ones are left to the caller.

    Raises  MissingMetadata, SourceConflict, UnsupportedScan
    """
    named = getattr(source.source.positions, axis, None)
    pitch = getattr(source.source.pitch, axis, None)
    if named is not None:
        own = _named_positions(named_by, named, axis, count, where)
    elif own is not None and pitch is not None and not _states_lengths(own):
        own = None
    if own is None:
        if pitch is None:
            raise MissingMetadata(
                where,
                found=f"no positions along {axis} in the file and none in the source description",
                needed=f"the pitch or the positions along {axis}",
                do=f"add pitch.{axis} or positions.{axis} to the source description",
            )
        step = pitch * UNITS_MM[_position_unit(None, source, axis, where)]
        even = np.arange(count) * step
        even_pitch_mm(even, axis=axis, where=where)
        return RawPositions(even, is_reversed, False, step)
    if own.values.dtype.kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"positions along {axis} that are {kind_of(own.values.dtype)}",
            needed="positions as real numbers",
            do=f"name another dataset in positions.{axis}",
        )
    in_mm = UNITS_MM[_position_unit(own.units, source, axis, where)]
    with np.errstate(over="ignore", invalid="ignore"):  # refused later
        positions = own.values.astype(np.float64) * in_mm
        if is_reversed and positions.size > 1:
            if _ascend(positions):  # counted along the axis, so against the frame
                ends = _sum_of_ends(positions) if source.lite.frame == "lite" else 0.0
                positions = ends - positions
            positions = positions[::-1]
    declared = None
    if pitch is not None:
        declared = pitch * UNITS_MM[_position_unit(own.units, source, axis, where)]
        _check_pitch(declared, positions, axis, where)
    return RawPositions(positions, is_reversed, True, declared)


def _ascend(positions: npt.NDArray[np.float64]) -> bool:
    """Whether they ascend on the whole: single ones may be missing or garbled."""
    known = positions[np.isfinite(positions)]
    some = max(1, known.size // 10)
    return bool(known.size) and bool(np.median(known[-some:]) > np.median(known[:some]))


def _sum_of_ends(positions: npt.NDArray[np.float64]) -> float:
    known = positions[np.isfinite(positions)]
    return float(known[0] + known[-1])


def _check_pitch(
    declared_mm: float, positions: npt.NDArray[np.float64], axis: str, where: str
) -> None:
    steps = np.diff(positions[np.isfinite(positions)])
    found = float(np.median(steps)) if steps.size else 0.0
    if abs(declared_mm - found) > EVENNESS * abs(found):
        raise SourceConflict(
            where,
            found=f"a pitch of {declared_mm:g} mm along {axis} in the source description, but "
            f"{found:g} mm by the file's own coordinates",
            needed="one pitch",
            do=f"take pitch.{axis} out of the source description, or check that it is the "
            "right one",
        )


def _named_positions(
    named_by: Callable[[str], Along | None] | None,
    named: str,
    axis: str,
    count: int,
    where: str,
) -> Along:
    own = named_by(named) if named_by else None
    if own is None:
        raise MissingMetadata(
            where,
            found=f"no positions {named!r} along {axis}",
            needed="the dataset that positions names",
            do=f"correct positions.{axis} in the source description",
        )
    if own.values.shape != (count,):
        raise UnevenGrid(
            where,
            found=f"positions {named!r} of shape {own.values.shape}",
            needed=f"one position for each of the {count} samples along {axis}",
            do="check the axes and the positions in the source description",
        )
    return own


def _states_lengths(own: Along) -> bool:
    """Whether coordinates are positions, not mere sample numbers or pixels."""
    if own.units is not None:
        return known_unit(own.units) is not None
    first = own.values[0] if own.values.size else 0
    plain = np.arange(own.values.size) + (1 if first == 1 else 0)
    return not np.array_equal(own.values, plain)


def _position_unit(stated: str | None, source: SourceDescription, axis: str, where: str) -> str:
    declared = source.source.position_units
    if stated is None:
        if declared is None:
            raise MissingMetadata(
                where,
                found=f"no units of the positions along {axis}",
                needed=f"one of {', '.join(UNITS_MM)}",
                do="add position_units to the source description",
            )
        return declared
    unit = known_unit(stated)
    if unit is None:
        raise MissingMetadata(
            where,
            found=f"positions along {axis} in {stated!r}",
            needed=f"one of {', '.join(UNITS_MM)}",
            do=f"give pitch.{axis} in the source description, or convert the file",
        )
    if declared is not None and declared != unit:
        raise SourceConflict(
            where,
            found=f"position_units {declared!r} in the source description, but {stated!r} in the "
            f"file along {axis}",
            needed="one unit",
            do="take position_units out of the source description, or check that it is the right "
            "one",
        )
    return unit


def kind_of(dtype: np.dtype[Any]) -> str:
    """In words, what an array holds that are no real numbers."""
    names = {"b": "truth values", "c": "complex numbers", "O": "objects", "V": "records"}
    names |= {"S": "text", "U": "text", "T": "text", "M": "dates", "m": "durations"}
    return names.get(dtype.kind, f"values of type {dtype}")
