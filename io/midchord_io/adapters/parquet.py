"""Parquet: a table of points, as data platforms keep them.

Columns are found by name; a null is "not measured", and so is a NaN. Of the units the format says
nothing, but a writer may: ``units`` in the metadata of a column is believed. ``attr:NAME`` is a
key of the file's own metadata, ``column:NAME`` a column with the same value in every row.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import MissingMetadata
from midchord_io.ingest.clouds import CHUNK_POINTS, StoredPoints, scan_from_points
from midchord_io.ingest.extras import each, optional, reading
from midchord_io.ingest.records import corrupt
from midchord_io.source import SourceDescription

__all__ = ["points", "read", "sniff"]

SIGNATURE = b"PAR1"
MOST_ROWS_A_BYTE = 200
"""Repeated values pack well, but three columns of measured numbers never to a 25th of a bit."""


def sniff(path: Path, head: bytes) -> bool:
    """Whether the file has the signature of Parquet."""
    return head.startswith(SIGNATURE)


def read(path: Path, source: SourceDescription | None) -> xr.Dataset:
    """The scan in a table of points. Raises ScanError."""
    return scan_from_points(points(path), source, path)


def points(path: Path) -> StoredPoints:
    """The points of a Parquet table. Raises CorruptScan, UnsupportedScan."""
    parquet = optional(path, "pyarrow.parquet", kind="a Parquet table", extra="tables")
    _check_tail(path)
    with reading(path, "Parquet"), parquet.ParquetFile(path) as file:
        schema = file.schema_arrow
        count = int(file.metadata.num_rows)
        groups = sum(
            file.metadata.row_group(number).num_rows
            for number in range(file.metadata.num_row_groups)
        )
        columns = tuple(str(field.name) for field in schema)
        units = tuple(_decoded(field.metadata).get("units") for field in schema)
        dtypes = tuple(_dtype(field.type) for field in schema)
        said = _decoded(schema.metadata)
    if groups != count or not 0 <= count <= MOST_ROWS_A_BYTE * path.stat().st_size:
        raise corrupt(path, f"{count} rows declared", "Parquet")

    def batches(names: list[str]) -> Iterator[Any]:
        # one thread, no reading ahead: memory stays bounded
        with parquet.ParquetFile(path, buffer_size=2**20, pre_buffer=False) as file:
            yield from file.iter_batches(CHUNK_POINTS, columns=names, use_threads=False)

    def chunks(numbers: tuple[int, ...]) -> Iterator[npt.NDArray[np.float64]]:
        names = [columns[number] for number in numbers]
        there = 0
        for values in each(path, "Parquet", lambda: map(partial(_values, names), batches(names))):
            there += values.shape[0]
            yield values
        if there != count:
            raise corrupt(path, f"{count} rows declared, {there} there", "Parquet")

    def column(name: str) -> Any:
        if name not in columns:
            return None
        value: Any = None
        for batch in each(path, "Parquet", lambda: batches([name])):
            with reading(path, "Parquet"):
                found = batch.column(0).unique().to_pylist()
            for other in found[:2]:
                if value is not None and other != value:
                    raise MissingMetadata(
                        path,
                        found=f"{value!r} and {other!r} in the column that names the lite",
                        needed="the points of one lite",
                        do="write one lite a file, or correct id_from in the source description",
                    )
                value = other
        return value

    return StoredPoints(
        name="a Parquet table",
        columns=columns,
        dtypes=dtypes,
        chunks=chunks,
        count=count,
        units=lambda number: units[number],
        attribute=said.get,
        column=column,
    )


def _values(names: list[str], batch: Any) -> npt.NDArray[np.float64]:
    values = np.empty((batch.num_rows, len(names)))
    with np.errstate(invalid="ignore"):  # signalling NaNs
        for number, name in enumerate(names):
            some = batch.column(batch.schema.get_field_index(name))
            values[:, number] = some.to_numpy(zero_copy_only=False)
    return values


def _check_tail(path: Path) -> None:
    """Raises CorruptScan where the file does not end as it must: the description stands there."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(max(0, size - 8))
        tail = file.read(8)
    length = int.from_bytes(tail[:4], "little")
    if tail[4:] != SIGNATURE or length > size - 12:
        raise corrupt(path, "it does not end with its description", "Parquet")


def _decoded(metadata: Any) -> dict[str, str]:
    return {
        key.decode("utf-8", "replace"): value.decode("utf-8", "replace")
        for key, value in (metadata or {}).items()
    }


def _dtype(kind: Any) -> np.dtype[Any]:
    """Of the numbers; an object where a column holds none."""
    try:
        dtype = np.dtype(kind.to_pandas_dtype())
    except (NotImplementedError, TypeError):
        return np.dtype(object)
    return dtype if dtype.kind in "iuf" else np.dtype(object)
