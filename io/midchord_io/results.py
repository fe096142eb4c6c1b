"""Results on disk: whole or not there at all, and read back as they were.

A line controller, a watching service or a person may open a result at any moment. So every file
is written under a temporary name in the same folder, flushed to the disk, and only then moved
onto its final name, which the file system does in one step. After a failure nothing half-written
is left and an older result is still there.

Maps are netCDF-4 by CF conventions, written through h5netcdf: any netCDF or HDF5 tool opens them.
JSON is strict: a NaN is a fault of the program, never a token that other readers choke on.
"""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import h5netcdf
import numpy as np
import xarray as xr

from midchord_io.errors import (
    CorruptScan,
    OutputError,
    ScanError,
    UnknownFormat,
    UnsupportedScan,
    why,
)
from midchord_io.half_written import clear_stale, half_written
from midchord_io.whole_file import check_regular

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "MAPS_SCHEMA",
    "read_maps",
    "read_truth",
    "restored",
    "write_atomic",
    "write_bytes",
    "write_csv",
    "write_json",
    "write_maps",
    "write_netcdf",
    "write_text",
]

MAPS_SCHEMA = 1
NEEDED_FIELDS = ("height", "reading", "depth", "wavelength", "zone")
NEEDED_ATTRS = ("lite_id", "summary")
NEEDED_FIGURES = ("scanned_at", "length_mm", "width_mm", "half_span_mm", "mean_wavelength_mm")
"""``schema_version`` of the maps that this version writes and the newest that it reads."""

RECIPE = "recipe"
"""Attribute that only the truth of a simulated lite has."""

AS_JSON = "json_attrs"
"""Attribute that lists the attributes stored as JSON text, because netCDF has no such type."""


@contextlib.contextmanager
def write_atomic(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A temporary path beside ``path``; what is written there becomes ``path`` on leaving.

    After any exception the temporary file is gone and ``path`` is as it was.
    Raises  OutputError where the disk or the folder does not allow it
    """
    path = Path(path)
    prefix = f".{path.name[:50]}."  # a character may take four bytes
    clear_stale(path.parent, prefix)
    with half_written(path.parent, prefix) as part:
        try:
            yield part
            with open(part, "r+b") as file:
                os.fsync(file.fileno())  # a name must not outlive a power cut without its content
            os.replace(part, path)
        except OSError as error:
            raise OutputError(
                path,
                found=f"it cannot be written ({why(error)})",
                needed="a folder that exists, may be written to and has room",
                do="check the folder, and close the program that has the file open",
            ) from error
        finally:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)


def write_bytes(data: bytes, path: str | os.PathLike[str]) -> None:
    """``data`` as the file ``path``, atomically. Raises OutputError."""
    with write_atomic(path) as part:
        part.write_bytes(data)


def write_text(text: str, path: str | os.PathLike[str]) -> None:
    """``text`` as a UTF-8 file, its line ends kept, atomically. Raises OutputError."""
    write_bytes(text.encode("utf-8"), path)


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> None:
    """``table`` as CSV (UTF-8, comma, header, no index; missing is empty). Raises OutputError."""
    write_text(table.to_csv(index=False, lineterminator="\n"), path)


def write_json(data: Mapping[str, Any], path: str | os.PathLike[str]) -> None:
    """``data`` as strict JSON; numpy scalars and arrays become numbers and lists.

    Raises  ValueError that names the key of a NaN, an infinity or an object JSON does not know;
            OutputError
    """
    text = json.dumps(_plain(data, ""), indent=2, ensure_ascii=False, allow_nan=False)
    write_text(text + "\n", path)


def _plain(value: Any, key: str) -> Any:
    """``value`` in the types that JSON has."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {
            str(name): _plain(inner, f"{key}.{name}".strip(".")) for name, inner in value.items()
        }
    if isinstance(value, list | tuple):
        return [_plain(inner, f"{key}[{number}]") for number, inner in enumerate(value)]
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{key} is {value}: JSON has no such number, use None")
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise ValueError(f"{key} is a {type(value).__name__}: JSON has no such type")


def write_netcdf(data: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """A Dataset as netCDF-4, atomically: float32 fields, zlib 1 with shuffle. Raises OutputError.

    Coordinates stay float64 and unpacked. Attributes that netCDF has no type for (mappings,
    truth values, None) are stored as JSON text and listed in the attribute ``json_attrs``.
    """
    stored = data.assign_attrs(_storable(data.attrs))
    encoding: dict[str, dict[str, Any]] = {
        str(name): {"_FillValue": None} for name in stored.coords
    }
    for name, field in stored.variables.items():
        stored[name].encoding = {}
        if name in stored.coords:
            continue
        packed: dict[str, Any] = {}
        if field.dtype.kind in "fiub" and field.ndim:
            packed = {"zlib": True, "complevel": 1, "shuffle": True}
        if field.dtype.kind == "f":
            packed |= {"dtype": "float32", "_FillValue": np.float32(np.nan)}
        encoding[str(name)] = packed
    # made in memory: HDF5 on a disk that fills up ends in a crash of the whole process
    with io.BytesIO() as memory:
        with h5netcdf.File(memory, "w") as file:
            stored.dump_to_store(xr.backends.H5NetCDFStore(file), encoding=encoding)
        whole = memory.getvalue()
    write_bytes(whole, path)


def _storable(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    stored: dict[str, Any] = {}
    as_json = []
    for name, value in attrs.items():
        if value is None or isinstance(value, Mapping | bool | np.bool_):
            value = json.dumps(_plain(value, str(name)), allow_nan=False)
            as_json.append(str(name))
        stored[str(name)] = value
    if as_json:
        stored[AS_JSON] = " ".join(as_json)
    return stored


def restored(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    """Attributes as they were before ``write_netcdf`` stored some of them as JSON text."""
    whole = {str(name): value for name, value in attrs.items() if name != AS_JSON}
    for name in str(attrs.get(AS_JSON, "")).split():
        if name in whole:
            whole[name] = json.loads(whole[name])
    return whole


def write_maps(maps: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """The maps of one lite as a netCDF-4 file by CF conventions, atomically. Raises OutputError."""
    maps = maps.copy()
    maps.attrs = {"Conventions": "CF-1.11", "schema_version": MAPS_SCHEMA, **maps.attrs}
    write_netcdf(maps, path)


def read_maps(path: str | os.PathLike[str]) -> xr.Dataset:
    """The maps that ``write_maps`` stored, loaded into memory, the file closed.

    Raises  UnknownFormat where the file is not maps, UnsupportedScan where a newer version wrote
            it or it is the truth of a simulated lite, CorruptScan where it is damaged, ScanError
            where it cannot be read
    """
    name = os.fspath(path)
    maps = _stored_maps(name)
    if RECIPE in maps.attrs:
        raise UnsupportedScan(
            name,
            found="the true surface and figures of a simulated lite, not maps of it",
            needed="maps as midchord stores them",
            do="process the scan beside it, and name the file of maps that comes out",
        )
    _check_whole(maps, name)
    return maps


def read_truth(path: str | os.PathLike[str]) -> xr.Dataset:
    """The truth of a simulated lite, as ``midchord.simulate`` gives it. Raises as ``read_maps``."""
    name = os.fspath(path)
    truth = _stored_maps(name)
    if RECIPE not in truth.attrs:
        raise _not_truth(name)
    return truth


def _not_truth(name: str) -> UnknownFormat:
    return UnknownFormat(
        name,
        found="no recipe of a simulated lite in it",
        needed="the file NAME.truth.nc that midchord simulate writes",
        do="name that file",
    )


def _stored_maps(path: str) -> xr.Dataset:
    """Maps or truth, as far as both have the same form."""
    name = path
    try:
        check_regular(path)
        with open(path, "rb") as file:
            is_hdf5 = file.read(8) == b"\x89HDF\r\n\x1a\n"
    except OSError as error:
        raise ScanError(
            name,
            found=f"it cannot be read ({why(error)})",
            needed="a file of maps",
            do="check the path",
        ) from error
    if not is_hdf5:
        raise _not_maps(name, "not a netCDF-4 file")
    try:
        maps = xr.load_dataset(path, engine="h5netcdf", decode_times=False)
    except Exception as error:  # whatever the libraries make of a damaged file
        raise CorruptScan(
            name,
            found=f"it is damaged or cut short ({error})",
            needed="a whole file of maps",
            do="process the scan again",
        ) from error
    version = maps.attrs.get("schema_version")
    if not isinstance(version, int | np.integer) or not {"x", "y"} <= set(maps.dims):
        raise _not_maps(name, "no maps (no schema_version, or no x and y)")
    if version < 1:
        raise _not_maps(name, f"a schema_version of {version}")
    if version > MAPS_SCHEMA:
        raise UnsupportedScan(
            name,
            found=f"maps of schema_version {version}",
            needed=f"schema_version {MAPS_SCHEMA} or older",
            do="read it with the newer midchord that wrote it, or process the scan again",
        )
    maps.attrs["schema_version"] = int(version)
    maps.attrs = restored(maps.attrs)
    return maps


def _check_whole(maps: xr.Dataset, name: str) -> None:
    """Refuse maps that lack what every reader of them relies on."""
    missing = [field for field in NEEDED_FIELDS if field not in maps]
    missing += [f"attribute {attr}" for attr in NEEDED_ATTRS if not maps.attrs.get(attr)]
    if not missing and min(maps.sizes["x"], maps.sizes["y"]) < 2:
        missing = ["more than one line and one column"]
    if not missing and not np.isfinite(maps["height"].values).any():
        missing = ["a measured point: there is nothing to show or to judge"]
    if not missing:
        try:
            summary = json.loads(maps.attrs["summary"])
            missing = [f"{key} in the summary" for key in NEEDED_FIGURES if key not in summary]
        except (TypeError, ValueError):
            missing = ["a summary that is JSON"]
    if missing:
        raise CorruptScan(
            name,
            found=f"maps without {missing[0]}",
            needed="maps as midchord wrote them",
            do="process the scan again",
        )


def _not_maps(name: str, found: str) -> UnknownFormat:
    return UnknownFormat(
        name,
        found=found,
        needed="maps as midchord stores them",
        do="process the scan first, and name the file of maps that comes out",
    )
