"""The native file: the scan contract as netCDF-4 by CF conventions, which is plain HDF5.

It says everything itself: ``height (x, y)`` in mm, ``x``, ``y``, and the attributes of the
contract. So a source description has nothing to say about its layout, and of the lite only what
the file leaves out.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import xarray as xr

from midchord_io.adapters.hdf5_types import check_attributes, check_heaps, check_storage
from midchord_io.errors import (
    CorruptScan,
    MidchordError,
    SourceConflict,
    UnsupportedScan,
)
from midchord_io.ingest.facts import FileFacts, array_facts
from midchord_io.ingest.gridded import LARGEST_CELLS, Along, StoredGrid, blocks
from midchord_io.ingest.heights import plain_attribute
from midchord_io.results import restored, write_netcdf
from midchord_io.scan import POINT_VARIABLES, check_largest, check_scan, datum_of
from midchord_io.source import SourceDescription

__all__ = ["describe", "is_hdf5", "read", "sniff", "write_scan"]

SIGNATURE = b"\x89HDF\r\n\x1a\n"
CONTRACT_ATTRS = ("lite_id", "frame")
"""One of them, beside ``height``, tells a native file from a foreign one with the same name for
its heights; the others are then asked for by name."""


def is_hdf5(head: bytes) -> bool:
    """Whether a file starts as HDF5, which may come after a user block of 512 bytes or more."""
    return any(head[start : start + 8] == SIGNATURE for start in (0, 512, 1024, 2048))


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is HDF5 and speaks of a lite."""
    if not is_hdf5(head):
        return False
    try:
        with h5py.File(path, "r") as file:
            return "height" in file and any(name in file.attrs for name in CONTRACT_ATTRS)
    except Exception:  # damaged: the HDF5 adapter says how
        return False


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a native file. Raises ScanError."""
    where = str(path)
    try:
        check_heaps(path)
        with h5py.File(path, "r") as file:
            check_attributes(file)
            for name in ("height", "x", "y", *POINT_VARIABLES):
                if isinstance(file.get(name), h5py.Dataset):
                    check_storage(file[name])
        with xr.open_dataset(path, engine="h5netcdf", decode_times=False, cache=False) as stored:
            attrs = _plain(restored(stored.attrs))
            if "schema_version" in attrs:
                raise UnsupportedScan(
                    where,
                    found="the maps of a lite, not its scan",
                    needed="a scan",
                    do="open it as maps, or name the scan that it was made from",
                )
            scan, datum_mm = _loaded(stored, where)
    except MidchordError:
        raise
    except Exception as error:  # whatever the libraries make of a damaged file
        raise CorruptScan(
            where,
            found=f"it is damaged or cut short ({error})",
            needed="a whole netCDF-4 file",
            do="copy or scan it again",
        ) from error
    scan.attrs = attrs if source is None else _filled_in(attrs, source, path)
    if datum_mm:
        scan.attrs["height_datum_mm"] = _stated_datum(attrs, where) + datum_mm
    return scan


def describe(path: Path) -> FileFacts:
    """What the scan says of itself. Raises ScanError."""
    scan = read(path, None)
    x, y = scan["x"].values, scan["y"].values
    height = scan["height"]
    stored = StoredGrid(
        name="height",
        shape=height.shape,
        dtype=height.dtype,
        rows=lambda start, stop: np.asarray(height.values[start:stop]),
        attrs=dict(height.attrs),
        along=(Along(x, "mm"), Along(y, "mm")),
    )
    return FileFacts(
        content="a scan as midchord writes it",
        layout="matrix",
        uses=frozenset(),
        arrays=(array_facts(stored, "height"),),
        values={str(key): str(value)[:80] for key, value in scan.attrs.items()},
        notes=("It says everything itself: no source description is needed.",),
    )


def write_scan(scan: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """A scan as a native file, atomically: float32 heights, zlib 1 with shuffle.

    Raises  ScanError where the scan breaks the contract, OutputError where it cannot be written
    """
    scan = check_scan(scan)
    kept = ["height", *(name for name in POINT_VARIABLES if name in scan)]
    scan = scan[kept].assign_attrs({"Conventions": "CF-1.11", **scan.attrs})
    write_netcdf(scan, path)


def _stated_datum(attrs: dict[str, Any], where: str) -> float:
    stated = attrs.get("height_datum_mm", 0.0)
    if isinstance(stated, int | float) and np.isfinite(stated):
        return float(stated)
    raise UnsupportedScan(
        where,
        found=f"height_datum_mm = {stated!r}",
        needed="the datum as a number of mm",
        do="mend the attribute",
    )


def _loaded(stored: xr.Dataset, where: str) -> tuple[xr.Dataset, float]:
    """The heights in memory as (x, y), and their datum in mm.

    They are read in blocks, because packed heights are decoded to float64, and the datum is taken
    off before they become float32.
    """
    if "height" not in stored or set(stored["height"].dims) != {"x", "y"}:
        return check_scan(stored.drop_attrs(), where=where), 0.0  # which says what is missing
    field = stored["height"]
    if field.dtype.kind not in "iuf" or field.size > LARGEST_CELLS:
        raise UnsupportedScan(
            where,
            found=f"heights of type {field.dtype} and shape {field.shape}",
            needed=f"real numbers, at most {LARGEST_CELLS} of them",
            do="check that the file is whole",
        )
    height = np.empty(field.shape, dtype=np.float32)
    datum_mm = None
    for start, stop in blocks(field.shape):
        block = field[start:stop].values
        measured = block[np.isfinite(block)]
        check_largest(measured, where)
        if datum_mm is None and measured.size:
            datum_mm = datum_of(measured)
        if datum_mm:
            block = block.astype(np.float64) - datum_mm
        height[start:stop] = np.where(np.isfinite(block), block, np.nan)
    coords = {}
    for axis in ("x", "y"):
        if axis in stored.coords:
            values = stored[axis].values
            if values.dtype.kind not in "iuf":
                raise UnsupportedScan(
                    where,
                    found=f"a coordinate '{axis}' of type {values.dtype}",
                    needed="x and y in mm",
                    do="mend the file",
                )
            coords[axis] = (axis, values.astype(np.float64), _plain(stored[axis].attrs))
    fields = {"height": (field.dims, height, _plain(field.attrs))}
    for name in POINT_VARIABLES:
        if name in stored and stored[name].shape == field.shape:
            about = stored[name]
            fields[name] = (about.dims, about.values, _plain(about.attrs))
    scan = xr.Dataset(fields, coords=coords)
    return scan.transpose("x", "y"), datum_mm or 0.0


def _plain(attrs: Mapping[Any, Any]) -> dict[str, Any]:
    return {str(plain_attribute(name)): plain_attribute(value) for name, value in attrs.items()}


def _filled_in(attrs: dict[str, Any], source: SourceDescription, path: Path) -> dict[str, Any]:
    """The file's attributes, and from the description what the file leaves out."""
    layout = source.source.model_fields_set - {"format"}
    if layout:
        raise SourceConflict(
            str(path),
            found=f"a source description with {', '.join(sorted(layout))}, but a native file, "
            "which says all that itself",
            needed="no section [source]",
            do="open it without the description, or check that it is the right file",
        )
    given = source.lite.model_dump(include=source.lite.model_fields_set)
    if given.pop("id_from", None) == "name":
        attrs.setdefault("lite_id", path.stem)
    if given.pop("scanned_at_from", None) == "mtime" and "scanned_at" not in attrs:
        attrs["scanned_at"] = _mtime(path)
    for name, value in given.items():
        if attrs.setdefault(name, value) != value:
            raise SourceConflict(
                str(path),
                found=f"{name} = {value!r} in the source description, but {attrs[name]!r} in the "
                "file",
                needed="one value",
                do=f"take {name} out of the source description, or check that it is the right "
                "file",
            )
    return attrs


def _mtime(path: Path) -> str:
    stamp = np.datetime64(int(path.stat().st_mtime), "s")
    return f"{stamp}Z"
