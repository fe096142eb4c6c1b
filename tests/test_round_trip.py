"""One simulated lite, written in every format by another library: the same maps come out.

Equal within the resolution of the format itself, which stands beside each: what a float32, nine
digits, or a step of 1 nm or 1 um can hold. A reading is at most four times as far off as a height.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import sdfio
import tifffile
import x3pio
import xarray as xr
from PIL import Image
from scipy.io import netcdf_file

from midchord.run import process
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord_io.adapters import ADAPTERS, open_scan
from midchord_io.source import Lite, SourceDescription
from point_files import POINT_FILES, Points, described_points

PITCH_X_MM, PITCH_Y_MM = 6.0, 10.0
Array = npt.NDArray[np.float32]

AXES: dict[str, Any] = {"axes": ("x", "y")}
PITCH: dict[str, Any] = {
    "position_units": "mm",
    "pitch": {"x": PITCH_X_MM, "y": PITCH_Y_MM},
}
IN_MM = {**AXES, **PITCH, "height_units": "mm"}


@pytest.fixture(scope="module")
def lite() -> xr.Dataset:
    """Frame "lite", so that the machine's zero, which some formats do not state, is no matter."""
    recipe = {
        "seed": 8,
        "lite": {"length_mm": 1300.0, "width_mm": 300.0},
        "scanner": {"pitch_x_mm": PITCH_X_MM, "pitch_y_mm": PITCH_Y_MM, "frame": "lite"},
        "roll_waves": [{"amplitude_mm": 0.04, "wavelength_mm": 290.0, "ridge_skew_deg": 1.0}],
        "form": {"bow_along_mm": 1.0},
        "noise": {"white_sigma_mm": 0.002},
        "dropouts": {"share": 0.01, "patches": 1},
    }
    return simulate(Recipe.of(recipe))[0]


@pytest.fixture(scope="module")
def expected(lite: xr.Dataset) -> xr.Dataset:
    return process(lite)


def write_hdf5(path: Path, height: Array) -> None:
    with h5py.File(path, "w") as file:
        data = file.create_dataset("z", data=height.astype("f8") / 25.4, shuffle=True, chunks=True)
        data.attrs["units"] = "inch"


def write_netcdf4(path: Path, height: Array) -> None:
    grid = xr.Dataset(
        {"z": (("row", "column"), height * 1000, {"units": "um"})},
        coords={
            "row": ("row", np.arange(height.shape[0]) * PITCH_X_MM, {"units": "mm"}),
            "column": ("column", np.arange(height.shape[1]) * PITCH_Y_MM, {"units": "mm"}),
        },
    )
    grid.to_netcdf(path, engine="h5netcdf")


def write_netcdf3(path: Path, height: Array) -> None:
    with netcdf_file(path, "w") as file:
        file.createDimension("column", height.shape[1])
        file.createDimension("row", height.shape[0])
        file.createVariable("z", "f8", ("column", "row"))[:] = height[:, ::-1].T


def write_npz(path: Path, height: Array) -> None:
    np.savez_compressed(path, z=height.T)


def write_csv(path: Path, height: Array) -> None:
    pd.DataFrame(height).to_csv(
        path, sep=";", decimal=",", header=False, index=False, lineterminator="\r\n"
    )


def write_x3p(path: Path, height: Array) -> None:
    x3pio.write(
        path, height.astype("f8") / 1000, x_scale=PITCH_Y_MM / 1000, y_scale=PITCH_X_MM / 1000,
        z_type=x3pio.DataType.INT32,
    )  # fmt: skip


def write_sdf(form: str) -> Callable[[Path, Array], None]:
    def write(path: Path, height: Array) -> None:
        sdfio.write(
            path, height.T.astype("f8") / 1000, x_scale=PITCH_X_MM / 1000,
            y_scale=PITCH_Y_MM / 1000, z_scale=1e-9, format=sdfio.FileFormat[form],
            metadata=sdfio.Metadata(data_type=sdfio.DataType.INT32),
        )  # fmt: skip

    return write


def write_float_tiff(path: Path, height: Array) -> None:
    Image.fromarray(height).save(path, compression="tiff_lzw", tiffinfo={317: 3})


def write_counts_tiff(path: Path, height: Array) -> None:
    counts = np.where(np.isnan(height), 0, np.round((height + 5) * 1000)).astype("u2")
    tifffile.imwrite(path, counts, tile=(64, 64), compression="zlib", predictor=2)


def write_zarr(version: int) -> Callable[[Path, Array], None]:
    def write(path: Path, height: Array) -> None:
        grid = xr.Dataset({"z": (("row", "column"), height, {"units": "mm"})})
        grid.to_zarr(path, zarr_format=version, consolidated=False)

    return write


FORMATS: list[tuple[str, Callable[[Path, Array], None], dict[str, Any], str, float]] = [
    ("inches.h5", write_hdf5, {**AXES, **PITCH}, "hdf5", 1e-6),
    ("cf.nc", write_netcdf4, AXES, "hdf5", 1e-6),
    ("classic.nc", write_netcdf3, {**IN_MM, "axes": ("-y", "x")}, "netcdf3", 1e-6),
    ("plain.npy", np.save, IN_MM, "npy", 0.0),
    ("packed.npz", write_npz, {**IN_MM, "axes": ("y", "x")}, "npy", 0.0),
    ("comma.csv", write_csv, IN_MM, "text", 1e-6),
    ("surface.x3p", write_x3p, {**AXES, "handed": "left"}, "x3p", 1e-6),
    ("text.sdf", write_sdf("ASCII"), {"axes": ("y", "x")}, "sdf", 1e-6),
    ("binary.sdf", write_sdf("BINARY"), {"axes": ("y", "x")}, "sdf", 1e-6),
    ("float.tif", write_float_tiff, IN_MM, "tiff", 0.0),
    ("counts.tif", write_counts_tiff,
     {**IN_MM, "height_units": "um", "height_offset": -5000.0, "invalid": (0.0,)}, "tiff", 5.1e-4),
    ("two.zarr", write_zarr(2), {**AXES, **PITCH}, "zarr", 0.0),
    ("three.zarr", write_zarr(3), {**AXES, **PITCH}, "zarr", 0.0),
]  # fmt: skip


POINT_STEPS_MM = {
    "las": 0.6e-6,  # half a step of its integers
    "pcd": 1e-6,  # float32 throughout
    "ply": 1e-6,  # float32 heights
    "xyz": 1e-6,  # nine digits
    "e57": 1e-6,  # metres in float64
    "parquet": 1e-6,  # float64
}
"""Of heights below 4 mm, by the writers of point_files."""


def test_every_adapter_takes_part() -> None:
    """(The native one, too: the maps of its own file are what the others are held against.)"""
    adapters = {adapter for _, _, _, adapter, _ in FORMATS} | {name for name, _, _ in POINT_FILES}
    assert adapters | {"native"} == {adapter.name for adapter in ADAPTERS}
    assert set(POINT_STEPS_MM) == {name for name, _, _ in POINT_FILES}


@pytest.mark.parametrize(
    ("name", "write", "source", "adapter", "step_mm"), FORMATS, ids=[row[0] for row in FORMATS]
)
def test_the_maps_of_a_matrix(
    name: str,
    write: Callable[[Path, Array], None],
    source: dict[str, Any],
    adapter: str,
    step_mm: float,
    lite: xr.Dataset,
    expected: xr.Dataset,
    tmp_path: Path,
) -> None:
    height = lite.height.values
    if name == "surface.x3p":
        height = height[:, ::-1]  # as a left-handed source has it
    write(tmp_path / name, np.ascontiguousarray(height))
    given = {"source": source, "lite": {"frame": "lite"}}
    scan = open_scan(tmp_path / name, SourceDescription.model_validate(given))
    assert scan.attrs["adapter"] == adapter
    check_scan_and_maps(scan, lite, expected, step_mm)


@pytest.mark.parametrize(("adapter", "name", "write"), POINT_FILES, ids=[r[1] for r in POINT_FILES])
def test_the_maps_of_points_in_any_order(
    adapter: str,
    name: str,
    write: Callable[[Path, Points], None],
    lite: xr.Dataset,
    expected: xr.Dataset,
    tmp_path: Path,
) -> None:
    x, y = np.meshgrid(lite.x.values, lite.y.values, indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), lite.height.values.ravel().astype(float)])
    write(tmp_path / name, np.random.default_rng(1).permutation(points))
    source = described_points(adapter).model_copy(update={"lite": Lite(frame="lite")})
    scan = open_scan(tmp_path / name, source)
    assert scan.attrs["adapter"] == adapter
    check_scan_and_maps(scan, lite, expected, POINT_STEPS_MM[adapter])


def test_the_maps_of_a_native_file(lite: xr.Dataset, expected: xr.Dataset, tmp_path: Path) -> None:
    """Written by xarray and h5netcdf, without midchord."""
    lite.to_netcdf(tmp_path / "a.nc", engine="h5netcdf")
    scan = open_scan(tmp_path / "a.nc")
    assert scan.attrs["adapter"] == "native"
    check_scan_and_maps(scan, lite, expected, 0.0)


def check_scan_and_maps(
    scan: xr.Dataset, lite: xr.Dataset, expected: xr.Dataset, step_mm: float
) -> None:
    """The same places, the same missing points, heights and maps within the step."""
    np.testing.assert_array_equal(np.isnan(scan.height.values), np.isnan(lite.height.values))
    np.testing.assert_allclose(scan.height.values, lite.height.values, atol=step_mm + 1e-7)
    for axis, pitch_mm in (("x", PITCH_X_MM), ("y", PITCH_Y_MM)):
        np.testing.assert_allclose(np.diff(scan[axis].values), pitch_mm, rtol=1e-6)
    maps = process(scan)
    for figure in ("reading", "residual"):
        assert maps[figure].shape == expected[figure].shape
        np.testing.assert_allclose(
            maps[figure].values, expected[figure].values, atol=4 * step_mm + 2e-6, err_msg=figure
        )
    if step_mm < 1e-5:  # a swing may appear or vanish with its last um, not with a nm
        for figure in ("depth", "wavelength", "gauge_distortion", "surface_distortion"):
            np.testing.assert_allclose(
                maps[figure].values, expected[figure].values, rtol=2e-3, atol=2e-4, err_msg=figure
            )
