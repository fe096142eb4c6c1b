"""From stored numbers to heights in mm: scale, offset, units, sign, and what was not measured.

A file by the CF conventions states ``units``, ``scale_factor``, ``add_offset``, ``_FillValue``,
``missing_value``, ``valid_min``, ``valid_max``, ``valid_range`` and ``positive``; the fill value
and the valid range are numbers as stored, before the scale. (CF Conventions 1.11, sections 2.5.1,
4.3 and 8.1.) A source description fills in what is not stated and may not contradict the rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.errors import (
    MissingMetadata,
    SourceConflict,
    UnsupportedScan,
)
from midchord_io.scan import check_largest, datum_of
from midchord_io.source import UNITS_MM, Source, known_unit

__all__ = ["Conversion", "plain_attribute"]

NETCDF_FILL = 9.969209968386869e36
"""What netCDF puts where a float was never written (NC_FILL_FLOAT and NC_FILL_DOUBLE)."""

NOT_LENGTHS = ("", "1", "count", "counts", "digit", "digits")
"""Units that say that the numbers are not lengths yet."""


class Conversion:
    """Turns blocks of stored numbers into heights, mm, up, NaN where not measured."""

    def __init__(
        self,
        *,
        scale_mm: float,
        offset_mm: float,
        codes: npt.NDArray[Any],
        valid: tuple[float, float],
        where: str,
    ) -> None:
        self.scale_mm = scale_mm
        self.offset_mm = offset_mm
        self.codes = codes
        self.valid = valid
        self.where = where
        self.datum_mm: float | None = None
        """Subtracted from every height; known once the first block with heights was read."""

    @classmethod
    def of(
        cls, attrs: Mapping[str, Any], source: Source, dtype: np.dtype[Any], where: str
    ) -> Conversion:
        """The conversion that the file's attributes and the source description add up to.

        Raises  MissingMetadata, SourceConflict, UnsupportedScan
        """
        if str(attrs.get("_Unsigned", "false")).lower() == "true":
            raise UnsupportedScan(
                where,
                found="signed integers that are meant unsigned (attribute _Unsigned)",
                needed="heights stored in the type that they have",
                do="write the file as netCDF-4 with an unsigned type",
            )
        units = _units(attrs, source, where)
        scale = _agreed("height_scale", source.height_scale, attrs, "scale_factor", where)
        offset = _agreed("height_offset", source.height_offset, attrs, "add_offset", where)
        declared = {
            "height_scale": source.height_scale not in (None, 1.0),
            "height_offset": source.height_offset not in (None, 0.0),
        }
        packed = "scale_factor" in attrs or "add_offset" in attrs
        for key, changes in declared.items():
            if changes and known_unit(str(attrs.get("units", ""))) and not packed:
                raise SourceConflict(
                    where,
                    found=f"{key} in the source description, but the file says that its numbers "
                    f"are {attrs['units']!r} as they are",
                    needed="one scale",
                    do=f"take {key} out of the source description, or mend the file's units",
                )
        sign = -1.0 if _points_down(attrs, source, where) else 1.0
        to_mm = sign * UNITS_MM[units]
        return cls(
            scale_mm=(1.0 if scale is None else scale) * to_mm,
            offset_mm=(offset or 0.0) * to_mm,
            codes=_codes(attrs, source, dtype),
            valid=_valid_range(attrs),
            where=where,
        )

    def to_mm(self, stored: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
        """A block of stored numbers as heights, mm. Raises ImplausibleScan."""
        with np.errstate(invalid="ignore"):  # signalling NaN, as damage makes them
            height = stored.astype(np.float64)
        is_missing = ~np.isfinite(height)
        is_missing |= (height < self.valid[0]) | (height > self.valid[1])
        for code in self.codes:
            is_missing |= stored == code
        with np.errstate(over="ignore", invalid="ignore"):  # refused below
            height *= self.scale_mm
            height += self.offset_mm
        height[is_missing] = np.nan
        measured = height[~is_missing]
        if not measured.size:
            return height
        check_largest(measured, self.where)
        if self.datum_mm is None:
            self.datum_mm = datum_of(measured)
        height -= self.datum_mm
        return height


def plain_attribute(value: Any) -> Any:
    """An attribute as text or a number, whatever a library wrapped it in."""
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.reshape(-1)[0]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bytes):
        value = value.decode("utf-8", errors="replace")
    if isinstance(value, str):  # bytes that are not UTF-8 come as surrogates, which no file takes
        value = value.encode("utf-8", "surrogateescape").decode("utf-8", errors="replace")
    return value


def _number(attrs: Mapping[str, Any], name: str, where: str) -> float | None:
    value = attrs.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise MissingMetadata(
            where,
            found=f"attribute {name} = {value!r}",
            needed=f"{name} as a number",
            do="mend the file",
        )
    return float(value)


def _agreed(
    key: str, declared: float | None, attrs: Mapping[str, Any], name: str, where: str
) -> float | None:
    stated = _number(attrs, name, where)
    if stated is not None and declared is not None and stated != declared:
        raise SourceConflict(
            where,
            found=f"{key} = {declared:g} in the source description, but {name} = {stated:g} in "
            "the file",
            needed="one value",
            do=f"take {key} out of the source description, or check that it is the right one",
        )
    return declared if stated is None else stated


def _units(attrs: Mapping[str, Any], source: Source, where: str) -> str:
    stated = attrs.get("units")
    needed = f"one of {', '.join(UNITS_MM)}"
    if stated is None or str(stated).strip().lower() in NOT_LENGTHS:
        if source.height_units is None:
            raise MissingMetadata(
                where,
                found="no height units in the file and none in the source description",
                needed=needed,
                do="add height_units to the source description",
            )
        return source.height_units
    unit = known_unit(str(stated))
    if unit is None:
        if source.height_units is not None and source.height_scale is not None:
            return source.height_units
        raise MissingMetadata(
            where,
            found=f"height units {str(stated)!r}",
            needed=needed,
            do="give height_units and height_scale in the source description, or convert the file",
        )
    if source.height_units not in (None, unit):
        raise SourceConflict(
            where,
            found=f"height_units {source.height_units!r} in the source description, but "
            f"{str(stated)!r} in the file",
            needed="one unit",
            do="take height_units out of the source description, or check that it is the right one",
        )
    return unit


def _points_down(attrs: Mapping[str, Any], source: Source, where: str) -> bool:
    stated = attrs.get("positive")
    if stated is not None and source.height_sign not in (None, str(stated).lower()):
        raise SourceConflict(
            where,
            found=f"height_sign {source.height_sign!r} in the source description, but positive = "
            f"{stated!r} in the file",
            needed="one direction",
            do="take height_sign out of the source description, or check that it is the right one",
        )
    return str(stated or source.height_sign).lower() == "down"


def _codes(
    attrs: Mapping[str, Any], source: Source, dtype: np.dtype[Any]
) -> npt.NDArray[Any]:
    """Codes for not measured, in the type of the stored numbers."""
    codes: list[float] = list(source.invalid)
    for name in ("_FillValue", "missing_value"):
        stated: Any = attrs.get(name)
        codes += [float(code) for code in np.atleast_1d(stated) if _is_real(code)]
    if dtype.kind == "f":
        codes.append(NETCDF_FILL)
        with np.errstate(over="ignore"):
            return np.array(codes).astype(dtype)
    limits = np.iinfo(dtype)
    fitting = [int(code) for code in codes if code == int(code)]
    return np.array([code for code in fitting if limits.min <= code <= limits.max], dtype=dtype)


def _is_real(code: Any) -> bool:
    return isinstance(code, int | float | np.integer | np.floating) and bool(np.isfinite(code))


def _valid_range(attrs: Mapping[str, Any]) -> tuple[float, float]:
    low, high = attrs.get("valid_min", -np.inf), attrs.get("valid_max", np.inf)
    both = np.atleast_1d(attrs.get("valid_range", (low, high)))
    if both.size != 2 or both.dtype.kind not in "iuf":
        return -np.inf, np.inf
    return float(both[0]), float(both[1])
