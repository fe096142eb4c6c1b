"""How far points reach, how many of them have a height, and the paraboloid that they lie on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from midchord_io.errors import EmptyScan, ImplausibleScan
from midchord_io.gridding import kernels
from midchord_io.gridding.grid_sample import Chunks

__all__ = ["Extent", "extent_of"]

Array = npt.NDArray[np.float64]

LARGEST_SPAN_MM = 1e6
"""No lite is a kilometre long, nor is the conveyor that a sensor sees."""
FORM_POINTS = 4096
"""Of each chunk, for the paraboloid."""


@dataclass(frozen=True)
class Extent:
    """What the first pass found."""

    low: Array
    high: Array
    points: int
    """With a position; those without a height too."""
    measured: int
    without_position: int
    form: Array
    """Of the paraboloid: centre x, centre y, then 1, u, v, uu, uv, vv with u and v in m, mm."""


def extent_of(chunks: Chunks, where: str) -> Extent:
    """One pass over all points. Raises EmptyScan, ImplausibleScan."""
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    points = measured = without = 0
    some = []
    for chunk in chunks():
        ends = kernels.extent(chunk)
        low, high = np.minimum(low, ends[:2]), np.maximum(high, ends[2:4])
        points += int(ends[4])
        measured += int(ends[5])
        without += chunk.shape[0] - int(ends[4])
        part = chunk[:: max(1, chunk.shape[0] // FORM_POINTS)]
        some.append(part[np.isfinite(part).all(axis=1)])
    if not measured:
        found = "no points" if not points + without else "no point with a measured height"
        raise EmptyScan(
            where,
            found=found,
            needed="points of a lite",
            do="check that the file is whole, its columns, and the codes declared as invalid",
        )
    _check_span(low, high, where)
    return Extent(low, high, points, measured, without, _form(np.concatenate(some)))


def _check_span(low: Array, high: Array, where: str) -> None:
    with np.errstate(over="ignore"):
        widest = float((high - low).max())
    if not widest <= LARGEST_SPAN_MM:
        raise ImplausibleScan(
            where,
            found=f"points spread over {widest / 1000:g} m",
            needed=f"points of a lite, within {LARGEST_SPAN_MM / 1000:g} m",
            do="check the position units, and leave out points far from the lite",
        )


def _form(points: Array) -> Array:
    """A paraboloid through points, mm, fitted robustly; zero where there are too few."""
    form = np.zeros(8)
    if points.shape[0] < 30:
        return form
    form[:2] = points[:, :2].mean(axis=0)
    u, v = ((points[:, :2] - form[:2]) / 1000.0).T
    terms = np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])
    z = points[:, 2]
    keep = np.ones(z.size, dtype=bool)
    for _ in range(4):
        fitted, *_ = np.linalg.lstsq(terms[keep], z[keep], rcond=1e-9)
        off = np.abs(z - terms @ fitted)
        keep = off <= 4 * 1.4826 * np.median(off)
        if keep.sum() < 30:
            break
    form[2:] = fitted
    return form
