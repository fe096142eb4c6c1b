"""Whole files that the fuzzing starts from: those of the conformance table, and other layouts of
the same formats, each with the description that opens it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import laspy
import numpy as np
import numpy.typing as npt
import pyarrow
import pyarrow.parquet
import tifffile
import x3pio
import xarray as xr
import zarr

import test_adapters as conformance
from midchord_io.adapters import open_scan
from midchord_io.adapters.native import write_scan
from midchord_io.source import SourceDescription
from point_files import described_points, grid_points_of

__all__ = ["Sample", "write_samples"]

AXES_ALONE: dict[str, Any] = {"height_units": None, "position_units": None, "pitch": None}
COUNTS: dict[str, Any] = {"height_units": "um", "invalid": (0.0,)}
SHAPE = (30, 17)


@dataclass(frozen=True)
class Sample:
    """A whole file, and what a description says of it."""

    adapter: str
    path: Path
    source: SourceDescription | None

    @property
    def parts(self) -> list[Path]:
        """The files that may be damaged: of a folder, all that are in it."""
        if self.path.is_file():
            return [self.path]
        return sorted(item for item in self.path.rglob("*") if item.is_file())


def counts() -> npt.NDArray[np.uint16]:
    return np.nan_to_num(conformance.truth() * 1000).round().astype(np.uint16)


def write_own(path: Path) -> None:
    """As midchord writes it: chunks, shuffled and deflated, dimension scales."""
    conformance.write_native(path, conformance.truth())
    write_scan(open_scan(path), path)


def write_cf(path: Path) -> None:
    grid = xr.Dataset(
        {"z": (("line", "sensor"), conformance.truth(), {"units": "mm"})},
        coords={
            "line": ("line", 2.0 * np.arange(SHAPE[0]), {"units": "mm"}),
            "sensor": ("sensor", 3.0 * np.arange(SHAPE[1]), {"units": "mm"}),
        },
        attrs={"serial": "L 7"},
    )
    grid.to_netcdf(path, engine="h5netcdf", encoding={"z": {"zlib": True, "fletcher32": True}})


def write_chunks(path: Path) -> None:
    """The newer layout of the format, with checksums on its records."""
    with h5py.File(path, "w", libver="latest") as file:
        data = file.create_dataset(
            "z", data=conformance.truth(), chunks=(7, 5), compression="lzf", shuffle=True
        )
        data.attrs["units"] = "mm"
        file.attrs["serial"] = "L 7"


def write_steps(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file.create_dataset("z", data=counts(), chunks=(8, 17), scaleoffset=0)


def write_tiles(path: Path) -> None:
    tifffile.imwrite(path, counts(), tile=(16, 16), compression="zlib", predictor=2)


def write_big(path: Path) -> None:
    tifffile.imwrite(path, conformance.truth(), bigtiff=True, byteorder=">", rowsperstrip=5)


def write_deflated(path: Path) -> None:
    tifffile.imwrite(path, conformance.truth(), compression="zlib", rowsperstrip=7)


def write_shards(path: Path) -> None:
    array = zarr.create_array(path, shape=SHAPE, chunks=(5, 5), shards=(20, 20), dtype="f4")
    array[:] = conformance.truth()


def write_blosc(path: Path) -> None:
    folder = path.parent / "blosc"
    grid = xr.Dataset({"z": (("line", "sensor"), conformance.truth(), {"units": "mm"})})
    grid.to_zarr(folder, zarr_format=2, consolidated=False)
    shutil.make_archive(str(path.with_suffix("")), "zip", folder)
    shutil.rmtree(folder)


def write_x3p_steps(path: Path) -> None:
    height = conformance.truth().astype("f8") / 1000
    x3pio.write(path, height, x_scale=0.003, y_scale=0.002, z_type=x3pio.DataType.INT32)


def points() -> npt.NDArray[np.float64]:
    return grid_points_of(conformance.truth(), (2.0, 3.0))


def write_las_extra(path: Path) -> None:
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.array([1e-3, 1e-3, 1e-6])
    header.add_extra_dim(laspy.ExtraBytesParams("range", "f4"))
    file = laspy.LasData(header)
    file.x, file.y, file.z = np.nan_to_num(points()).T
    file["range"] = file.z
    file.write(str(path))


def write_dictionary(path: Path) -> None:
    table = pyarrow.table({name: points()[:, k] for k, name in enumerate("xyz")})
    pyarrow.parquet.write_table(table, path, compression="zstd", row_group_size=100)


MATRICES: list[tuple[str, str, Callable[[Path], None], dict[str, Any] | None]] = [
    ("native", "own.nc", write_own, None),
    ("hdf5", "cf.nc", write_cf, AXES_ALONE),
    ("hdf5", "chunks.h5", write_chunks, {"height_units": None}),
    ("hdf5", "steps.h5", write_steps, COUNTS),
    ("tiff", "tiles.tif", write_tiles, COUNTS),
    ("tiff", "big.tif", write_big, {}),
    ("tiff", "deflated.tif", write_deflated, {}),
    ("zarr", "shards.zarr", write_shards, {}),
    ("zarr", "blosc.zip", write_blosc, {"height_units": None}),
    ("x3p", "steps.x3p", write_x3p_steps, AXES_ALONE),
]
CLOUDS: list[tuple[str, str, Callable[[Path], None]]] = [
    ("las", "extra.las", write_las_extra),
    ("parquet", "dictionary.parquet", write_dictionary),
]


def write_samples(folder: Path) -> list[Sample]:
    """Every sample, written anew into a folder."""
    samples = []
    for adapter, name, write in conformance.SAMPLES:
        write(folder / name, conformance.as_stored())
        source = None if adapter == "native" else conformance.described(adapter)
        samples.append(Sample(adapter, folder / name, source))
    for adapter, name, write_matrix, said in MATRICES:
        write_matrix(folder / name)
        source = None if said is None else conformance.description(**said)
        samples.append(Sample(adapter, folder / name, source))
    for adapter, name, write_cloud in CLOUDS:
        write_cloud(folder / name)
        samples.append(Sample(adapter, folder / name, described_points(adapter)))
    return sorted(samples, key=lambda sample: (sample.adapter, sample.path.name))
