"""Foreign and native scan files to the scan contract: one module for each family of formats.

``ADAPTERS`` is the whole list. An adapter is known by the content of a file, never by its name
alone, and exactly one must know it. To add one: write ``sniff(path, head)``, cheap and never
raising, and ``read(path, source)``; add a row here, and a sample to the conformance table of
tests/test_adapters.py.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import xarray as xr

from midchord_io.adapters import hdf5, native, netcdf3, npy, text
from midchord_io.errors import CorruptScan, ScanError, SourceConflict, UnknownFormat, why
from midchord_io.scan import check_scan
from midchord_io.source import SourceDescription, load_source

__all__ = ["ADAPTERS", "Adapter", "open_scan"]

HEAD_BYTES = 65536


class Adapter(NamedTuple):
    """One row of the list."""

    name: str
    known_by: str
    """What ``sniff`` looks for, in words for the user."""
    sniff: Callable[[Path, bytes], bool]
    read: Callable[[Path, SourceDescription | None], xr.Dataset]


ADAPTERS = (
    Adapter("native", "HDF5 with height and lite_id or frame", native.sniff, native.read),
    Adapter("hdf5", "the signature of HDF5", hdf5.sniff, hdf5.read),
    Adapter("netcdf3", "the signature of netCDF-3", netcdf3.sniff, netcdf3.read),
    Adapter("npy", "the signature of NPY, or a zip of them", npy.sniff, npy.read),
    Adapter("text", "a line of two or more numbers", text.sniff, text.read),
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
    try:
        head = _head(path)
        adapter = _adapter_for(path, head, source)
        scan = adapter.read(path, source)
        digest = _sha256(path)
    except OSError as error:
        raise ScanError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a scan must be a file that exists and may be read",
            do="check the path and who may read it",
        ) from error
    scan.attrs.update(source_file=path.name, source_sha256=digest, adapter=adapter.name)
    return check_scan(scan, where=str(path))


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
    if path.is_dir():
        raise UnknownFormat(
            path,
            found="a folder",
            needed="the file of one scan",
            do="name a file in it",
        )
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
    tried = "; ".join(f"not {adapter.name} ({adapter.known_by})" for adapter in ADAPTERS)
    raise UnknownFormat(
        path,
        found=f"no known format, it starts with {repr(head[:16])[1:]}: {tried}".replace("; ", ", "),
        needed="a file of one of these",
        do="export the scan in one of them, and check that the file is whole",
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
