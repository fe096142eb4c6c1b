"""netCDF-3, the classic format that many older instruments and programs still write.

Read through SciPy. What the file states by the CF conventions is believed, the rest stands in a
source description, as for HDF5.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from midchord_io.adapters.gridded import Along, StoredGrid, along_of, scan_from_grid
from midchord_io.adapters.hdf5 import MATRIX_KEYS, choose, needs_source
from midchord_io.adapters.heights import plain_attribute
from midchord_io.errors import CorruptScan
from midchord_io.source import SourceDescription

__all__ = ["read", "sniff"]


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is netCDF-3 with 32-bit or 64-bit offsets."""
    return head[:4] in (b"CDF\x01", b"CDF\x02")


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a variable of a netCDF-3 file. Raises ScanError."""
    from scipy.io import netcdf_file

    where = str(path)
    try:
        with netcdf_file(path, "r", mmap=False) as file:
            variables = {
                name: (variable.data, variable.dimensions, _attributes(variable))
                for name, variable in file.variables.items()
            }
            root = _attributes(file)
    except Exception as error:  # whatever the library makes of a damaged file
        raise CorruptScan(
            where,
            found=f"it is damaged or cut short ({error})",
            needed="a whole netCDF-3 file",
            do="copy or scan it again",
        ) from error
    arrays = {
        name: data.dtype for name, (data, dims, _) in variables.items() if dims != (name,)
    }
    if source is None:
        raise needs_source("a netCDF-3 file", arrays, where)
    name = choose(arrays, source.source.dataset, where)
    data, dimensions, attrs = variables[name]

    def positions(named: str) -> Along | None:
        if named not in variables:
            return None
        return along_of(variables[named][0], variables[named][2])

    def attribute(named: str) -> Any:
        parent, _, key = named.strip("/").rpartition("/")
        holder = variables[parent][2] if parent in variables else {} if parent else root
        return holder.get(key)

    stored = StoredGrid(
        name=f"variable {name!r}",
        shape=data.shape,
        dtype=data.dtype,
        rows=lambda start, stop: np.asarray(data[start:stop]),
        attrs=attrs,
        along=tuple(positions(dimension) for dimension in dimensions),
        positions=positions,
        attribute=attribute,
    )
    return scan_from_grid(stored, source, path, uses=MATRIX_KEYS)


def _attributes(item: Any) -> dict[str, Any]:
    return {name: plain_attribute(value) for name, value in item._attributes.items()}
