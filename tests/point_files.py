"""Point files written by other libraries, or by hand: samples for the tests of the adapters.

Every writer takes a path and points (n, 3): x, y, height in mm, NaN where not measured. Formats
that keep metres get metres; formats that have no number for "not measured" leave the point out.
"""

from __future__ import annotations

import contextlib
import io
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import numpy.typing as npt
import pandas as pd
import plyfile
import pye57
from pypcd4 import Encoding, PointCloud

from midchord_io.source import SourceDescription

__all__ = ["POINT_FILES", "UNITS_STATED", "described_points", "grid_points_of"]

Points = npt.NDArray[np.float64]
Writer = Callable[[Path, Points], None]

LAS_STEP_MM = 1e-6
UNITS_STATED = {"e57"}
"""Formats that state their units."""


def grid_points_of(stored: npt.NDArray[Any], pitches: tuple[float, float]) -> Points:
    """A stored matrix as points: the first column counts along its first axis."""
    first = np.arange(stored.shape[0]) * pitches[0]
    second = np.arange(stored.shape[1]) * pitches[1]
    a, b = np.meshgrid(first, second, indexing="ij")
    return np.column_stack([a.ravel(), b.ravel(), stored.ravel().astype(np.float64)])


def described_points(
    name: str, axes: tuple[str, str] = ("x", "y"), **source: Any
) -> SourceDescription:
    """What a source description has to say of a point format; axes as of the stored matrix."""
    columns = {"height": "z"}
    for axis, column in zip(axes, ("x", "y"), strict=True):
        columns[axis[-1]] = ("-" if axis.startswith("-") else "") + column
    given: dict[str, Any] = {"columns": columns, "height_units": "mm", "position_units": "mm"}
    if name in UNITS_STATED:
        given = {"columns": columns}
    given |= source
    kept = {key: value for key, value in given.items() if value is not None}
    return SourceDescription.model_validate({"source": kept})


def _frame(points: Points) -> pd.DataFrame:
    return pd.DataFrame(points, columns=["x", "y", "z"])


def write_csv(path: Path, points: Points) -> None:
    """By pandas, as a European spreadsheet would: semicolons, comma decimals, Windows line ends."""
    _frame(points).to_csv(path, index=False, sep=";", decimal=",", lineterminator="\r\n")


def write_xyz(path: Path, points: Points) -> None:
    """By numpy: spaces, names in a remark."""
    np.savetxt(path, points, fmt="%.9g", header="x y z")


def write_parquet(path: Path, points: Points) -> None:
    _frame(points).to_parquet(path, row_group_size=100)


def ply_writer(*, text: bool, byte_order: str = "<") -> Writer:
    def write(path: Path, points: Points) -> None:
        vertex = np.empty(points.shape[0], dtype=[("x", "f8"), ("y", "f8"), ("z", "f4")])
        for number, name in enumerate(("x", "y", "z")):
            vertex[name] = points[:, number]
        element = plyfile.PlyElement.describe(vertex, "vertex")
        file = plyfile.PlyData([element], text=text, byte_order=byte_order)
        file.write(str(path))

    return write


def pcd_writer(encoding: Encoding) -> Writer:
    def write(path: Path, points: Points) -> None:
        PointCloud.from_xyz_points(points.astype(np.float32)).save(path, encoding)

    return write


def las_writer(version: str, point_format: int) -> Writer:
    """By laspy, which packs LAZ by lazrs; a point that was not measured is left out."""

    def write(path: Path, points: Points) -> None:
        header = laspy.LasHeader(version=version, point_format=point_format)
        header.scales = np.array([1e-3, 1e-3, LAS_STEP_MM])
        file = laspy.LasData(header)
        measured = points[np.isfinite(points[:, 2])]
        file.x, file.y, file.z = measured.T
        file.write(str(path))

    return write


def write_e57(path: Path, points: Points) -> None:
    """By libE57Format, in metres; points not measured are marked invalid."""
    is_missing = ~np.isfinite(points[:, 2])
    metres = np.where(np.isfinite(points), points, 0.0) / 1000.0
    scan = {name: metres[:, k] for k, name in enumerate(("cartesianX", "cartesianY", "cartesianZ"))}
    scan["cartesianInvalidState"] = is_missing.astype("b") * 2
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
        warnings.simplefilter("ignore")
        file = pye57.E57(str(path), mode="w")
        file.write_scan_raw(scan)
        file.close()


POINT_FILES: list[tuple[str, str, Writer]] = [
    ("xyz", "points.csv", write_csv),
    ("xyz", "points.xyz", write_xyz),
    ("ply", "text.ply", ply_writer(text=True)),
    ("ply", "little.ply", ply_writer(text=False)),
    ("ply", "big.ply", ply_writer(text=False, byte_order=">")),
    ("pcd", "text.pcd", pcd_writer(Encoding.ASCII)),
    ("pcd", "binary.pcd", pcd_writer(Encoding.BINARY)),
    ("pcd", "packed.pcd", pcd_writer(Encoding.BINARY_COMPRESSED)),
    ("las", "plain.las", las_writer("1.2", 0)),
    ("las", "packed.laz", las_writer("1.2", 0)),
    ("las", "layered.laz", las_writer("1.4", 6)),
    ("e57", "scan.e57", write_e57),
    ("parquet", "table.parquet", write_parquet),
]
