"""From a stored grid of numbers to a scan: the part that all matrix formats have in common.

An adapter says how its format stores the grid and what the file states about it (``StoredGrid``);
here that is put together with the source description. Each thing is known once: what the file
states wins over silence, silence is filled by the description, a contradiction is refused, and
what neither says is refused. Units are converted here and nowhere else.

The grid is read in blocks of lines and written straight to its place in the frame, so that a file
of float64 or packed integers never costs more than one float32 grid and one block.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.heights import Conversion
from midchord_io.errors import (
    MissingMetadata,
    SourceConflict,
    UnevenGrid,
    UnsupportedScan,
)
from midchord_io.scan import EVENNESS, even_pitch_mm, make_scan
from midchord_io.source import UNITS_MM, Lite, SourceDescription, known_unit

__all__ = [
    "LARGEST_CELLS",
    "Along",
    "StoredGrid",
    "along_of",
    "blocks",
    "known_of",
    "refuse_unused",
    "scan_from_grid",
]

LARGEST_CELLS = 500_000_000
"""2 GB of float32: a lite of 6 x 3.2 m scanned at 0.2 mm. Beyond it a header is damaged, or a
small file is made to fill the memory."""

BLOCK_CELLS = 1_000_000


@dataclass(frozen=True)
class Along:
    """Positions along one stored axis, as the file has them."""

    values: npt.NDArray[Any]
    units: str | None


@dataclass(frozen=True)
class StoredGrid:
    """A grid as a file stores it, and what the file says about it."""

    name: str
    """What the user calls it, e.g. ``dataset 'scan/height'``."""
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    rows: Callable[[int, int], npt.NDArray[Any]]
    """Rows start to stop along the first stored axis."""
    attrs: Mapping[str, Any] = field(default_factory=dict)
    """Attributes by CF: units, scale_factor, add_offset, _FillValue, positive ..."""
    along: tuple[Along | None, ...] = (None, None)
    """The file's own coordinates of each stored axis."""
    positions: Callable[[str], Along | None] | None = None
    """Positions that a description names; None where there are none of that name."""
    attribute: Callable[[str], Any] | None = None
    """The value that ``attr:PATH`` names; None where there is none."""


def scan_from_grid(
    stored: StoredGrid, source: SourceDescription, path: Path, *, uses: frozenset[str]
) -> xr.Dataset:
    """The scan in a stored grid.

    uses    keys of ``[source]`` that mean something for the format; any other one is refused
    Raises  ScanError
    """
    where = str(path)
    refuse_unused(source, uses, where)
    _check_kind(stored, where)
    axes = source.source.axes
    if axes is None:
        raise MissingMetadata(
            where,
            found=f"{stored.name} of shape {stored.shape} and no word on what its axes are",
            needed='which axis is x (along the travel) and which is y, e.g. axes = ["x", "y"]',
            do="add axes to the source description",
        )
    conversion = Conversion.of(stored.attrs, source.source, stored.dtype, where)
    coords: dict[str, npt.NDArray[np.float64]] = {}
    backwards = []
    for number, axis in enumerate(axes):
        name = axis[-1]
        is_reversed = axis.startswith("-") != (name == "y" and source.source.handed == "left")
        coords[name], is_stored_backwards = _positions_mm(
            stored, number, name, is_reversed, source, where
        )
        backwards.append(is_stored_backwards)
    height = np.empty((coords["x"].size, coords["y"].size), dtype=np.float32)
    # a view of the result in the order of the file: the flips and the transpose cost no copy
    in_file_order = height if axes[0][-1] == "x" else height.T
    in_file_order = in_file_order[
        :: -1 if backwards[0] else 1,
        :: -1 if backwards[1] else 1,
    ]
    for start, stop in blocks(stored.shape):
        in_file_order[start:stop] = conversion.to_mm(stored.rows(start, stop))
    lite = source.lite
    known = known_of(lite)
    if conversion.datum_mm:
        known["height_datum_mm"] = conversion.datum_mm
    if lite.scanned_at_from == "mtime":
        known["scanned_at_from"] = "mtime"  # reports say that it is only the file's time
    return make_scan(
        height,
        x_mm=coords["x"],
        y_mm=coords["y"],
        lite_id=_lite_id(stored, lite, path),
        instrument=lite.instrument or "not stated",
        scanned_at=_scanned_at(stored, lite, path),
        frame=lite.frame,
        face=lite.face,
        known=known,
        where=where,
    )


def along_of(values: npt.NDArray[Any], attrs: Mapping[str, Any]) -> Along:
    """Positions from stored numbers and their attributes by CF (units, scale, offset)."""
    for name, apply in (("scale_factor", np.multiply), ("add_offset", np.add)):
        number = attrs.get(name)
        if isinstance(number, int | float) and values.dtype.kind in "iuf":
            values = apply(values.astype(np.float64), number)
    units = attrs.get("units")
    return Along(values, None if units is None else str(units))


def blocks(shape: tuple[int, ...]) -> Iterator[tuple[int, int]]:
    """Start and stop of the blocks of rows that a grid is read in."""
    step = max(1, BLOCK_CELLS // max(1, shape[1]))
    for start in range(0, shape[0], step):
        yield start, min(start + step, shape[0])


def known_of(lite: Lite) -> dict[str, Any]:
    """The attributes of a lite that are recorded where known."""
    named = lite.model_dump(include={"thickness_mm", "coated_face", "support", "temperature_c"})
    return {name: value for name, value in named.items() if value is not None}


def refuse_unused(source: SourceDescription, uses: frozenset[str], where: str) -> None:
    """Raises SourceConflict where the description says what means nothing for the format."""
    given = source.source.model_fields_set - uses - {"format", "handed"}
    if {"columns", "grid_pitch"} & given:
        raise UnsupportedScan(
            where,
            found="a source description of points (columns or grid_pitch)",
            needed="a matrix of heights with axes: points cannot be read from this format yet",
            do="write the scan as a matrix, and say axes and pitch instead",
        )
    if given:
        keys = ", ".join(sorted(given))
        raise SourceConflict(
            where,
            found=f"a source description with {keys}, which this format has no use for",
            needed=f"only keys that it uses: {', '.join(sorted(uses))}",
            do="take those keys out, or check that it is the right description",
        )


def _check_kind(stored: StoredGrid, where: str) -> None:
    if stored.dtype.kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"{stored.name} holds {_kind(stored.dtype)}",
            needed="heights as real numbers",
            do="name the dataset of the heights in the source description",
        )
    if len(stored.shape) != 2:
        raise UnsupportedScan(
            where,
            found=f"{stored.name} has {len(stored.shape)} axes (shape {stored.shape})",
            needed="a matrix with two axes, x and y",
            do="name another dataset, or write one lite a file as a matrix",
        )
    if stored.shape[0] * stored.shape[1] > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"{stored.name} declares {stored.shape[0]} x {stored.shape[1]} samples",
            needed=f"at most {LARGEST_CELLS} samples",
            do="check that the file is whole, or scan at a coarser pitch",
        )


def _kind(dtype: np.dtype[Any]) -> str:
    names = {"b": "truth values", "c": "complex numbers", "O": "objects", "V": "records"}
    names |= {"S": "text", "U": "text", "T": "text", "M": "dates", "m": "durations"}
    return names.get(dtype.kind, f"values of type {dtype}")


def _positions_mm(
    stored: StoredGrid,
    number: int,
    axis: str,
    is_reversed: bool,
    source: SourceDescription,
    where: str,
) -> tuple[npt.NDArray[np.float64], bool]:
    """Ascending positions along a stored axis, mm, and whether it is stored backwards."""
    count = stored.shape[number]
    named = getattr(source.source.positions, axis, None)
    pitch = getattr(source.source.pitch, axis, None)
    own = stored.along[number]
    if named is not None:
        own = _named_positions(stored, named, axis, count, where)
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
        return even, is_reversed
    if own.values.dtype.kind not in "iuf":
        raise UnsupportedScan(
            where,
            found=f"positions along {axis} that are {_kind(own.values.dtype)}",
            needed="positions as real numbers",
            do=f"name another dataset in positions.{axis}",
        )
    in_mm = UNITS_MM[_position_unit(own.units, source, axis, where)]
    with np.errstate(over="ignore", invalid="ignore"):  # refused below
        positions = own.values.astype(np.float64) * in_mm
    is_backwards = is_reversed
    if is_reversed and positions.size > 1:
        if positions[-1] > positions[0]:  # counted along the axis, so against the frame
            ends = positions[0] + positions[-1] if source.lite.frame == "lite" else 0.0
            positions = ends - positions
        positions = positions[::-1]
    found = even_pitch_mm(positions, axis=axis, where=where)
    if pitch is not None:
        declared = pitch * UNITS_MM[_position_unit(own.units, source, axis, where)]
        if abs(declared - found) > EVENNESS * found:
            raise SourceConflict(
                where,
                found=f"a pitch of {declared:g} mm along {axis} in the source description, but "
                f"{found:g} mm by the file's own coordinates",
                needed="one pitch",
                do=f"take pitch.{axis} out of the source description, or check that it is the "
                "right one",
            )
    return positions, is_backwards


def _named_positions(
    stored: StoredGrid, named: str, axis: str, count: int, where: str
) -> Along:
    own = stored.positions(named) if stored.positions else None
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


def _lite_id(stored: StoredGrid, lite: Lite, path: Path) -> str:
    if lite.id_from == "name":
        return path.stem
    return str(_attribute(stored, lite.id_from, "id_from", path)).strip()


def _scanned_at(stored: StoredGrid, lite: Lite, path: Path) -> str | dt.datetime:
    if lite.scanned_at_from == "mtime":
        return dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC)
    value = _attribute(stored, lite.scanned_at_from, "scanned_at_from", path)
    try:
        when = dt.datetime.fromisoformat(str(value).strip())
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise MissingMetadata(
            str(path),
            found=f"scanned_at {str(value)!r}",
            needed="a time by ISO 8601 with its offset from UTC, e.g. 2026-03-01T08:30:00+01:00",
            do='write it so, or say scanned_at_from = "mtime"',
        )
    return when


def _attribute(stored: StoredGrid, said: str, key: str, path: Path) -> Any:
    kind, _, name = said.partition(":")
    value = stored.attribute(name) if kind == "attr" and stored.attribute else None
    if value is None:
        raise MissingMetadata(
            str(path),
            found=f"nothing at {key} = {said!r}",
            needed="an attribute of the file there",
            do=f"correct {key} in the source description",
        )
    return value
