"""What a zip archive says it holds, checked before anything is unpacked.

NPZ, X3P and zipped Zarr stores are zip archives. The names of their members tell which; a file cut
short has lost the list of its members at the end, so the names are then read from the headers that
stand before each member. A member is unpacked only where its stated size is plausible for what was
packed, and a name that leads out of the archive is refused, though nothing here ever writes one to
a disk.
"""

from __future__ import annotations

import contextlib
import os
import struct
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from midchord_io.errors import CorruptScan, UnsupportedScan

__all__ = [
    "LARGEST_RATIO",
    "SMALL_BYTES",
    "ZARR_NAMES",
    "check_members",
    "check_names",
    "damaged",
    "is_zip",
    "kind_of_zip",
    "unpacks_within",
]

ZIP_SIGNATURE = b"PK\x03\x04"
LOCAL_HEADER = struct.Struct("<4s5H3L2H")
"""Of one member: signature, ..., packed size, size, length of the name, length of the rest."""
SIZES_FOLLOW = 0x8
"""Flag: the sizes stand behind the member, so the next one cannot be found from here."""

PACKINGS = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
"""What writers of these formats use. LZMA makes room for what its header asks for, up to 4 GB."""

LARGEST_RATIO = 200
"""Of unpacked to packed size. Noise does not pack: a measured surface stays below 30 even where
nine tenths of it are missing."""
SMALL_BYTES = 16 * 2**20
"""Members up to this size do no harm whatever their ratio."""
MOST_MEMBERS = 1_000_000

ZARR_NAMES = frozenset({".zarray", ".zattrs", ".zgroup", ".zmetadata", "zarr.json"})


def is_zip(head: bytes) -> bool:
    """Whether a file starts as a zip archive with at least one member."""
    return head.startswith(ZIP_SIGNATURE)


def kind_of_zip(path: Path, head: bytes) -> str | None:
    """``"x3p"``, ``"zarr"`` or ``"npy"`` by the names of the members; None for any other file."""
    if not is_zip(head):
        return None
    names = _names(path)
    last = {name.rpartition("/")[2] for name in names}
    if ZARR_NAMES & last:
        return "zarr"
    if "main.xml" in last:
        return "x3p"
    return "npy" if any(name.endswith(".npy") for name in last) else None


def check_names(archive: zipfile.ZipFile, where: str) -> None:
    """Raises UnsupportedScan where a member has a name that leads out of the archive, CorruptScan
    where one is said to be packed into more bytes than the archive has: room is made for them."""
    size = os.stat(where).st_size
    members = archive.infolist()
    if len(members) > MOST_MEMBERS:
        raise UnsupportedScan(
            where,
            found=f"an archive of {len(members)} members",
            needed=f"at most {MOST_MEMBERS}",
            do="write larger chunks, or no archive",
        )
    for info in members:
        if info.header_offset + info.compress_size > size:
            reason = f"{info.filename[:60]!r} of {info.compress_size} packed bytes in {size}"
            raise damaged(where, "zip", reason)
        name = info.filename.replace("\\", "/")
        if name.startswith("/") or ".." in name.split("/") or name[1:2] == ":":
            raise UnsupportedScan(
                where,
                found=f"a member {info.filename[:60]!r}, which leads out of the archive",
                needed="names within the archive",
                do="check where the file comes from",
            )


def check_members(members: Sequence[zipfile.ZipInfo], what: str, where: str) -> None:
    """Raises UnsupportedScan where so few packed bytes cannot be a measured surface, or cannot be
    unpacked safely.

    what  of the members together, e.g. "array 'z'"
    """
    unpacked = sum(info.file_size for info in members)
    packed = sum(info.compress_size for info in members)
    if unpacked > max(SMALL_BYTES, LARGEST_RATIO * packed):
        raise UnsupportedScan(
            where,
            found=f"{what} of {unpacked} bytes packed into {packed}",
            needed="a measured surface, whose noise does not pack so well",
            do="check where the file comes from",
        )
    if any(info.compress_type not in PACKINGS for info in members):
        raise UnsupportedScan(
            where,
            found=f"{what} packed by another method than deflate",
            needed="an archive whose members are stored or deflated",
            do="write it so: other methods take memory that the file does not back",
        )
    if any(info.flag_bits & 0x1 for info in members):
        raise UnsupportedScan(
            where,
            found=f"{what} under a password",
            needed="an archive that can be read",
            do="write it without a password",
        )


def unpacks_within(packed: bytes, room: int) -> bool:
    """Whether deflated bytes (zlib or gzip) unpack to at most ``room`` bytes.

    It is unpacked by and by and thrown away, because a strip or chunk may hold any amount whatever
    its neighbours declare. Damaged bytes are within any room: whoever unpacks them says so.
    """
    unpacking = zlib.decompressobj(wbits=47)
    unpacked = 0
    try:
        while packed and not unpacking.eof and unpacked <= room:
            unpacked += len(unpacking.decompress(packed, 2**20))
            packed = unpacking.unconsumed_tail
    except zlib.error:
        return True
    return unpacked <= room


def _names(path: Path) -> list[str]:
    """Names of the members; of a file cut short, those that can still be found."""
    with contextlib.suppress(Exception), zipfile.ZipFile(path) as archive:
        return [name.replace("\\", "/") for name in archive.namelist()]
    with contextlib.suppress(OSError):
        return list(_names_before_members(path))
    return []


def _names_before_members(path: Path) -> Iterator[str]:
    with path.open("rb") as file:
        while len(header := file.read(LOCAL_HEADER.size)) == LOCAL_HEADER.size:
            fields = LOCAL_HEADER.unpack(header)
            if fields[0] != ZIP_SIGNATURE:
                return
            flags, packed, length, rest = fields[2], fields[7], fields[9], fields[10]
            yield file.read(length).decode("utf-8", errors="replace").replace("\\", "/")
            if flags & SIZES_FOLLOW:
                return
            file.seek(rest + packed, 1)


def damaged(where: str, kind: str, reason: str) -> CorruptScan:
    """The error for an archive that cannot be read to its end.

    kind  of file it ought to be, e.g. "NPZ"
    """
    return CorruptScan(
        where,
        found=f"it is damaged or cut short ({reason})",
        needed=f"a whole {kind} file",
        do="copy or save it again",
    )
