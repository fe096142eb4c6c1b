"""Foreign and native scan files to the scan contract: one module for each family of formats.

``ADAPTERS`` is the whole list. An adapter is known by the content of a file, never by its name
alone, and exactly one must know it. To add one: write ``sniff(path, head)``, cheap and never
raising, and ``read(path, source)``; add a row here, and a sample to the conformance table of
tests/test_adapters.py.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import xarray as xr

from midchord_io.adapters import (
    e57,
    hdf5,
    las,
    native,
    netcdf3,
    npy,
    parquet,
    pcd,
    ply,
    sdf,
    text,
    tiff,
    x3p,
    xyz,
    zarr,
)
from midchord_io.errors import CorruptScan, ScanError, SourceConflict, UnknownFormat, why
from midchord_io.ingest.facts import FileFacts
from midchord_io.ingest.point_facts import describing
from midchord_io.quantisation import with_quantisation
from midchord_io.scan import check_scan
from midchord_io.source import SourceDescription, load_source
from midchord_io.whole_file import check_regular

__all__ = ["ADAPTERS", "Adapter", "describe_scan", "open_scan"]

HEAD_BYTES = 65536


class Adapter(NamedTuple):
    """One row of the list."""

    name: str
    known_by: str
    """What ``sniff`` looks for, in words for the user."""
    sniff: Callable[[Path, bytes], bool]
    read: Callable[[Path, SourceDescription | None], xr.Dataset]
    describe: Callable[[Path], FileFacts]
    """What is in the file, asked without a source description."""
    wants: Callable[[SourceDescription | None], bool] = lambda _: True
    """Whether a description is of this kind of file, where two kinds have the same content."""


ADAPTERS = (
    Adapter(
        "native",
        "HDF5 with height and lite_id or frame",
        native.sniff,
        native.read,
        native.describe,
    ),
    Adapter("hdf5", "the signature of HDF5", hdf5.sniff, hdf5.read, hdf5.describe),
    Adapter("netcdf3", "the signature of netCDF-3", netcdf3.sniff, netcdf3.read, netcdf3.describe),
    Adapter("npy", "the signature of NPY, or a zip of them", npy.sniff, npy.read, npy.describe),
    Adapter("x3p", "a zip with main.xml", x3p.sniff, x3p.read, x3p.describe),
    Adapter("sdf", "the mark aISO-, bISO-, aBCR- or bBCR-", sdf.sniff, sdf.read, sdf.describe),
    Adapter("tiff", "the signature of TIFF", tiff.sniff, tiff.read, tiff.describe),
    Adapter("zarr", "a folder or zip with Zarr metadata", zarr.sniff, zarr.read, zarr.describe),
    Adapter("ply", "the word ply on the first line", ply.sniff, ply.read, describing(ply.points)),
    Adapter("las", "the signature of LAS", las.sniff, las.read, describing(las.points)),
    Adapter("e57", "the signature of E57", e57.sniff, e57.read, describing(e57.points)),
    Adapter(
        "pcd", "the header of PCD, FIELDS to DATA", pcd.sniff, pcd.read, describing(pcd.points)
    ),
    Adapter(
        "parquet",
        "the signature of Parquet",
        parquet.sniff,
        parquet.read,
        describing(parquet.points),
    ),
    Adapter(
        "text",
        "a line of two or more numbers",
        text.sniff,
        text.read,
        text.describe,
        wants=lambda source: not xyz.wants(source),
    ),
    Adapter(
        "xyz",
        "a line of three or more numbers, and columns in a source description",
        xyz.sniff,
        xyz.read,
        describing(xyz.points),
        wants=xyz.wants,
    ),
)


def open_scan(
    path: str | os.PathLike[str],
    source: SourceDescription | str | os.PathLike[str] | None = None,
) -> xr.Dataset:
    """The scan in a file, by the contract of ``midchord_io.scan``, loaded into memory.

    source   a source description, or the TOML file of one, for a file that does not say what its
             numbers are; None for a native file
    Raises   ScanError (UnknownFormat, CorruptScan, MissingMetadata, SourceConflict, UnevenGrid,
             EmptyScan ...) for the file, SettingsError for the description
    """
    path = Path(path)
    _check_name(path)
    if source is not None and not isinstance(source, SourceDescription):
        source = load_source(Path(source))
    with _readable(path):
        adapter = _adapter_for(path, _head(path), source)
        scan = adapter.read(path, source)
        digest = _sha256(path)
    scan.attrs.update(source_file=path.name, source_sha256=digest, adapter=adapter.name)
    return with_quantisation(check_scan(scan, where=str(path)))


def describe_scan(path: str | os.PathLike[str]) -> tuple[str, FileFacts]:
    """The adapter that knows a file, and what it finds in it, whatever is still unsaid.

    Raises  ScanError where no adapter knows the file, or it is damaged
    """
    path = Path(path)
    _check_name(path)
    with _readable(path):
        head = _head(path)
        adapter = _adapter_for(path, head, None)
        facts = adapter.describe(path)
        for other in ADAPTERS:  # a text of numbers may be a matrix or a table of points
            if other is not adapter and other.sniff(path, head):
                with contextlib.suppress(ScanError):
                    points = other.describe(path)
                    facts = replace(
                        facts, columns=points.columns, count=points.count, points=points.points
                    )
        return adapter.name, facts


@contextlib.contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise ScanError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a scan must be a file that exists and may be read",
            do="check the path and who may read it",
        ) from error


def _check_name(path: Path) -> None:
    """The name of a file goes into results as text, which a name that is no text would break."""
    try:
        path.name.encode("utf-8")
    except UnicodeEncodeError as error:
        raise ScanError(
            str(path).encode("utf-8", "backslashreplace").decode("utf-8"),
            found="a file name that is not UTF-8",
            needed="the name must be one that every program can show",
            do="rename the file",
        ) from error


def _head(path: Path) -> bytes:
    """The start of a file; empty for a folder, which an adapter knows by what is in it."""
    if path.is_dir():
        return b""
    check_regular(path)
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if not head:
        raise CorruptScan(
            path,
            found="an empty file (0 bytes)",
            needed="a scan",
            do="wait until the scanner has written it, or copy it again",
        )
    return head


def _adapter_for(path: Path, head: bytes, source: SourceDescription | None) -> Adapter:
    """The one adapter that knows the file; ``format`` decides where the content does not."""
    named = source.source.format if source else None
    if named is not None and named not in (names := [adapter.name for adapter in ADAPTERS]):
        raise SourceConflict(
            path,
            found=f"format {named!r} in the source description",
            needed=f"one of {', '.join(names)}",
            do="correct format, or leave it out: the content tells",
        )
    knowing = [adapter for adapter in ADAPTERS if adapter.sniff(path, head)]
    knowing = [adapter for adapter in knowing if adapter.wants(source)] or knowing
    chosen = [adapter for adapter in knowing if named in (None, adapter.name)]
    if len(chosen) == 1:
        return chosen[0]
    if len(chosen) > 1:
        raise UnknownFormat(
            path,
            found=f"{' and '.join(adapter.name for adapter in chosen)} both take it for their own",
            needed="one format",
            do="name the right one as format in a source description (--source)",
        )
    if knowing:
        raise SourceConflict(
            path,
            found=f"format {named!r} in the source description, but the content is "
            f"{' or '.join(adapter.name for adapter in knowing)}",
            needed="one format",
            do="correct format, or leave it out: the content tells",
        )
    if not head:
        raise UnknownFormat(
            path,
            found="a folder",
            needed="the file of one scan, or the folder of a Zarr store",
            do="name a file in it",
        )
    tried = "; ".join(f"not {adapter.name} ({adapter.known_by})" for adapter in ADAPTERS)
    raise UnknownFormat(
        path,
        found=f"no known format, it starts with {repr(head[:16])[1:]}: {tried}".replace("; ", ", "),
        needed="a file of one of these",
        do="export the scan in one of them, and check that the file is whole",
    )


def _sha256(path: Path) -> str:
    """Of the content; of a folder, over the names in it and their contents, in order."""
    if not path.is_dir():
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    whole = hashlib.sha256()
    files = {item.relative_to(path).as_posix(): item for item in path.rglob("*") if item.is_file()}
    for name in sorted(files):
        whole.update(f"{len(name.encode())}:{name}:".encode())
        whole.update(bytes.fromhex(_sha256(files[name])))
    return whole.hexdigest()
