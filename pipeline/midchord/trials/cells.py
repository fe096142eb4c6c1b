"""A field of one lite on the common grid of a trial: means over square cells.

Lites differ in size and in where they lay, and single points are noisy, so maps are compared as
means over cells of one grid: on the lite frame from the leading left corner, or on the machine
frame, where a lite's points are moved and turned to where it was scanned. A cell counts for a lite
where enough of it has values.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import ScanError

__all__ = ["Grid", "cell_means", "stack"]

Floats = npt.NDArray[np.float64]
CLEAR, NO_GLASS = 0, 255
Cells = dict[tuple[int, int], float]


class Grid(NamedTuple):
    """Cells of several lites.

    x_mm, y_mm  edges of the cells, ascending
    values      (lite, row along x, column along y), NaN where a lite has no value
    """

    x_mm: Floats
    y_mm: Floats
    values: Floats


def cell_means(
    maps: xr.Dataset,
    field: str,
    *,
    frame: Literal["lite", "machine"],
    cell_mm: float,
    points: Literal["clear", "all"],
    least_fill: float,
) -> Cells:
    """Mean of a field by cell: (number along x, number along y) -> mean.

    Raises  ScanError: no such field, or the machine frame where the lite's place is not known
    """
    lite = str(maps.attrs.get("lite_id"))
    if field not in maps:
        raise ScanError(
            lite, found=f"its maps have no field {field!r}", needed="maps as midchord wrote them",
            do="process the scan again",
        )  # fmt: skip
    x, y = np.meshgrid(maps["x"].values, maps["y"].values, indexing="ij")
    area = abs(float(maps["x"][1] - maps["x"][0]) * float(maps["y"][1] - maps["y"][0]))
    if frame == "machine":
        x, y = _on_machine(maps.attrs, lite, x, y)
    values = maps[field].values.astype(np.float64)
    zone = maps["zone"].values
    used = np.isfinite(values) & ((zone == CLEAR) if points == "clear" else (zone != NO_GLASS))
    if not used.any():
        return {}
    i = np.floor(x[used] / cell_mm).astype(np.int64)
    j = np.floor(y[used] / cell_mm).astype(np.int64)
    base_i, base_j = int(i.min()), int(j.min())
    wide = int(j.max()) - base_j + 1
    code = (i - base_i) * wide + (j - base_j)
    count = np.bincount(code)
    total = np.bincount(code, weights=values[used])
    whole = cell_mm**2 / area
    return {
        (base_i + int(c) // wide, base_j + int(c) % wide): float(total[c] / count[c])
        for c in np.flatnonzero(count >= max(1.0, least_fill * whole))
    }


def _on_machine(attrs: Mapping[Any, Any], lite: str, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    corners = attrs.get("corners_machine_mm")
    if attrs.get("frame_of_scan", "lite") != "machine" or not isinstance(corners, Mapping):
        raise ScanError(
            lite,
            found="where it lay in the machine is not known",
            needed="lites scanned on the machine frame",
            do='set map.frame to "lite"',
        )
    along, across = (float(value) for value in corners["leading_left"])
    turn = math.radians(float(attrs.get("skew_deg", 0.0)))
    return (
        along + x * math.cos(turn) - y * math.sin(turn),
        across + x * math.sin(turn) + y * math.cos(turn),
    )


def stack(lites: Sequence[Cells], cell_mm: float) -> Grid:
    """The cells of several lites on one grid that holds all of them."""
    every: Iterable[tuple[int, int]] = {place for cells in lites for place in cells}
    places = np.array(sorted(every), dtype=np.int64).reshape(-1, 2)
    if not len(places):
        return Grid(np.zeros(1), np.zeros(1), np.zeros((len(lites), 0, 0)))
    low, high = places.min(axis=0), places.max(axis=0)
    shape = high - low + 1
    values = np.full((len(lites), int(shape[0]), int(shape[1])), np.nan)
    for number, cells in enumerate(lites):
        for (i, j), value in cells.items():
            values[number, i - low[0], j - low[1]] = value
    x_mm, y_mm = (
        cell_mm * np.arange(low[axis], high[axis] + 2, dtype=np.float64) for axis in (0, 1)
    )
    return Grid(x_mm, y_mm, values)
