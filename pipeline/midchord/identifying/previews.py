"""A coarse picture of a file in the frame of the lite, or in the one that is proposed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.identifying.column_decisions import points_in_order
from midchord.identifying.decision import likely_axes
from midchord.identifying.decisions import without_codes
from midchord.orientation import Target
from midchord_io.ingest.facts import ArrayFacts, FileFacts
from midchord_io.source import SourceDescription

__all__ = ["Preview", "coarse_points", "preview_of", "thinned", "thinning"]

Array = npt.NDArray[np.float64]

PREVIEW_CELLS = 512


class Preview(NamedTuple):
    """A coarse picture in the frame: x from the leading edge, y from the left-hand edge."""

    height: Array
    """(x, y), thinned, NaN where not measured."""
    size: tuple[float, float]
    """Along x and y, mm; samples where the pitch is not known."""
    unit: str
    """Of the size: ``mm`` or ``samples``."""
    height_unit: str
    """``mm``, or ``as stored``."""
    axes: tuple[str, str] | None
    """Of the stored matrix; None for points and scans that say it themselves."""
    is_confirmed: bool
    """Whether the file and a description say so, and not a proposal."""
    start: tuple[float, float] = (0.0, 0.0)
    """Of the size: the least x and y, where they are as stored."""


def preview_of(
    facts: FileFacts,
    chosen: ArrayFacts | None,
    source: SourceDescription | None,
    scan: xr.Dataset | None,
    target: Target | None,
) -> Preview | None:
    """The scan where it could be opened, else the matrix or the points as proposed."""
    if scan is not None:
        x, y = scan["x"].values, scan["y"].values
        return Preview(
            thinned(scan["height"].values.astype(np.float64)),
            (float(x[-1] - x[0]), float(y[-1] - y[0])),
            "mm",
            "mm",
            source.source.axes if source else None,
            True,
        )
    if chosen is not None:
        said = source.source.axes if source else None
        axes = said or (target.axes if target is not None else likely_axes(facts, chosen.shape))
        height = without_codes(chosen)
        is_turned = target is not None and target.sign == "down"
        height = -height if is_turned else height
        flips = [axis.startswith("-") for axis in axes]
        if source is not None and source.source.handed == "left":
            across = 0 if axes[0][-1] == "y" else 1
            flips[across] = not flips[across]
        height = height[:: -1 if flips[0] else 1, :: -1 if flips[1] else 1]
        shape = chosen.shape
        if axes[0][-1] == "y":
            height, shape = height.T, shape[::-1]
        unit = "as stored, sign turned" if is_turned else "as stored"
        return Preview(height, (float(shape[0]), float(shape[1])), "samples", unit, axes, False)
    return _preview_of_points(facts)


def _preview_of_points(facts: FileFacts) -> Preview | None:
    gridded = coarse_points(facts)
    if gridded is None:
        return None
    height, size, start = gridded
    return Preview(height, size, "as stored", "as stored", None, False, start)


def coarse_points(
    facts: FileFacts,
) -> tuple[Array, tuple[float, float], tuple[float, float]] | None:
    """Mean height in the cells of a coarse grid, over x, y and height as picked; its size and where
    it begins."""
    points = points_in_order(facts)
    if points is None or len(points) < 4:
        return None
    x, y, z = points.T
    if x.size < 4 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    cells = int(np.clip(np.sqrt(x.size) / 2, 8, 200))
    edges = [np.linspace(v.min(), v.max(), cells + 1) for v in (x, y)]
    count = np.histogram2d(x, y, bins=edges)[0]
    total = np.histogram2d(x, y, bins=edges, weights=z)[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        height = np.where(count > 0, total / count, np.nan)
    return height, (float(np.ptp(x)), float(np.ptp(y))), (float(x.min()), float(y.min()))


def thinned(height: Array) -> Array:
    """Every n-th line and column."""
    first, second = thinning(height.shape)
    return height[::first, ::second]


def thinning(shape: tuple[int, ...]) -> tuple[int, int]:
    """Which n, along each axis."""
    return -(-shape[0] // PREVIEW_CELLS), -(-shape[1] // PREVIEW_CELLS)
