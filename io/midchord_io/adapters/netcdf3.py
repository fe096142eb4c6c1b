"""netCDF-3, the classic format that many older instruments and programs still write.

Read through SciPy. What the file states by the CF conventions is believed, the rest stands in a
source description, as for HDF5.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.adapters.hdf5 import MATRIX_KEYS, choose, needs_source
from midchord_io.errors import CorruptScan
from midchord_io.ingest.facts import FileFacts, array_facts, is_matrix, series_facts
from midchord_io.ingest.gridded import Along, StoredGrid, along_of, scan_from_grid
from midchord_io.ingest.heights import plain_attribute
from midchord_io.source import SourceDescription

__all__ = ["describe", "read", "sniff"]


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file is netCDF-3 with 32-bit or 64-bit offsets."""
    return head[:4] in (b"CDF\x01", b"CDF\x02")


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a variable of a netCDF-3 file. Raises ScanError."""
    where = str(path)
    file = _loaded(path, where)
    arrays = {
        name: variable.data.dtype
        for name, variable in file.variables.items()
        if variable.dimensions != (name,)
    }
    if source is None:
        raise needs_source("a netCDF-3 file", arrays, where)

    def other(named: str | None) -> StoredGrid:
        return file.grid(choose(arrays, named, where))

    stored = other(source.source.first_dataset)
    return scan_from_grid(stored, source, path, uses=MATRIX_KEYS, other=other)


def describe(path: Path) -> FileFacts:
    """What variables there are, and what their attributes state. Raises ScanError."""
    file = _loaded(path, str(path))
    lines = {name: file.positions(name) for name in file.variables}
    series = (series_facts(name, along) for name, along in lines.items() if along is not None)
    grids = (file.grid(name) for name in file.variables)
    return FileFacts(
        content="a netCDF-3 file",
        layout="matrix",
        uses=MATRIX_KEYS,
        arrays=tuple(
            array_facts(grid, name)
            for name, grid in zip(file.variables, grids, strict=True)
            if is_matrix(grid.shape, grid.dtype)
        ),
        series=tuple(found for found in series if found is not None),
        values={str(key): str(value)[:80] for key, value in file.root.items()},
    )


class _Variable(NamedTuple):
    data: npt.NDArray[Any]
    dimensions: tuple[str, ...]
    attrs: dict[str, Any]


class _Loaded(NamedTuple):
    """All of the file, in memory."""

    variables: dict[str, _Variable]
    root: dict[str, Any]

    def positions(self, named: str) -> Along | None:
        if named not in self.variables:
            return None
        return along_of(self.variables[named].data, self.variables[named].attrs)

    def attribute(self, named: str) -> Any:
        parent, _, key = named.strip("/").rpartition("/")
        if not parent:
            return self.root.get(key)
        return self.variables[parent].attrs.get(key) if parent in self.variables else None

    def grid(self, name: str) -> StoredGrid:
        data, dimensions, attrs = self.variables[name]
        return StoredGrid(
            name=f"variable {name!r}",
            shape=data.shape,
            dtype=data.dtype,
            rows=lambda start, stop: np.asarray(data[start:stop]),
            attrs=attrs,
            along=tuple(self.positions(dimension) for dimension in dimensions),
            positions=self.positions,
            series=lambda: {
                name: along
                for name in self.variables
                if (along := self.positions(name)) is not None
            },
            attribute=self.attribute,
        )


class _Bounded(io.FileIO):
    """A file that never makes room for more bytes than it has, whatever its header declares."""

    def read(self, size: int | None = -1, /) -> bytes:
        left = max(0, os.fstat(self.fileno()).st_size - self.tell())
        return super().read(left if size is None or size < 0 else min(size, left)) or b""


def _loaded(path: Path, where: str) -> _Loaded:
    from scipy.io import netcdf_file

    try:
        with _Bounded(path) as content, netcdf_file(content, "r", mmap=False) as file:
            variables = {
                name: _Variable(variable.data, variable.dimensions, _attributes(variable))
                for name, variable in file.variables.items()
            }
            return _Loaded(variables, _attributes(file))
    except Exception as error:  # whatever the library makes of a damaged file
        raise CorruptScan(
            where,
            found=f"it is damaged or cut short ({error})",
            needed="a whole netCDF-3 file",
            do="copy or scan it again",
        ) from error


def _attributes(item: Any) -> dict[str, Any]:
    return {name: plain_attribute(value) for name, value in item._attributes.items()}
