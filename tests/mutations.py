"""Damaged files: what a disk, a broken transfer or an ill-meaning sender makes of a whole one.

``mutated(content, rng)`` damages bytes; formats that guard themselves are damaged behind their
guard as well: members of a zip are damaged and packed again with right checksums, pages of an E57
get the checksum of what then stands in them. The same seed always makes the same damage.
"""

from __future__ import annotations

import io
import random
import re
import struct
import warnings
import zipfile

import numpy as np

from midchord_io.adapters.e57 import crc32c

__all__ = ["mutated"]

EXTREMES = (0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 2**24, 2**31 - 1, 2**31, 2**32 - 1, 2**62, 2**64 - 1)
FLOATS = (0.0, -1.0, 1e-300, 1e300, float("inf"), float("nan"))
NUMBERS = (b"0", b"-1", b"1e309", b"nan", b"4294967296", b"99999999999999999999", b"1000000", b"7")
HEADER = 4096
"""Damage near the start hits headers, where it hurts."""

BOMB_BYTES = 40 * 2**20
BOMB = bytes(BOMB_BYTES)
OUTSIDE = ("../../outside", "/outside", "C:/outside", "a/../../outside", "..\\outside")
ENTITIES = (
    b'<!DOCTYPE a [<!ENTITY b "' + b"c" * 5000 + b'"><!ENTITY d "' + b"&b;" * 5000 + b'">]>',
    b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>',
)
PAGE = 1024


def mutated(content: bytes, rng: random.Random) -> bytes:
    """The content of a file, damaged in one to four ways."""
    if content.startswith(b"PK\x03\x04") and rng.random() < 0.7:
        return _zip(content, rng)
    if content.startswith(b"ASTM-E57") and rng.random() < 0.8:
        return _sealed(_damaged(content, rng))
    return _damaged(content, rng)


def _damaged(content: bytes, rng: random.Random) -> bytes:
    some = bytearray(content)
    for _ in range(rng.randint(1, 4)):
        if some:
            _damage(some, rng)
    return bytes(some)


def _place(some: bytearray, rng: random.Random) -> int:
    near = rng.random() < 0.6
    return rng.randrange(min(len(some), HEADER) if near else len(some))


def _damage(some: bytearray, rng: random.Random) -> None:
    at, kind = _place(some, rng), rng.random()
    if kind < 0.35:
        some[at] = rng.randrange(256)
    elif kind < 0.45:
        some[at] ^= 1 << rng.randrange(8)
    elif kind < 0.65:
        number = _extreme(rng)
        at -= at % len(number) if rng.random() < 0.5 else 0
        some[at : at + len(number)] = number
    elif kind < 0.75:
        _number_in_text(some, rng)
    elif kind < 0.82:
        del some[at : at + rng.choice((1, 8, 64, 512))]
    elif kind < 0.9:
        start = _place(some, rng)
        some[at:at] = some[start : start + rng.choice((1, 8, 64, 512))]
    elif kind < 0.96:
        start, count = _place(some, rng), rng.choice((4, 8, 64))
        some[at : at + count] = some[start : start + count]
    else:
        del some[at:]


def _extreme(rng: random.Random) -> bytes:
    order = rng.choice("<>")
    if rng.random() < 0.25:
        return struct.pack(order + rng.choice("fd"), rng.choice(FLOATS[:3] + FLOATS[4:]))
    form = rng.choice("HIQ")
    size = 2 ** (8 * struct.calcsize(form))
    return struct.pack(order + form, rng.choice(EXTREMES) % size)


def _number_in_text(some: bytearray, rng: random.Random) -> None:
    """Of a header in words: PLY, PCD, NPY, SDF, XML, JSON."""
    found = list(re.finditer(rb"\d+(?:\.\d+)?", some[:HEADER]))
    if found:
        at = rng.choice(found)
        some[at.start() : at.end()] = rng.choice(NUMBERS)


def _sealed(content: bytes) -> bytes:
    """Each page with the checksum of what stands in it."""
    whole = bytearray(content)
    for start in range(0, len(whole) - PAGE + 1, PAGE):
        page = np.frombuffer(bytes(whole[start : start + PAGE - 4]), dtype=np.uint8)
        whole[start + PAGE - 4 : start + PAGE] = struct.pack(">I", crc32c(page))
    return bytes(whole)


def _zip(content: bytes, rng: random.Random) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = [(info, archive.read(info)) for info in archive.infolist()]
    number = rng.randrange(len(members))
    info, inside = members[number]
    kind = rng.random()
    name = info.filename
    if kind < 0.6:
        inside = _damaged(inside, rng)
    elif kind < 0.68:
        inside = BOMB
    elif kind < 0.72:
        inside = inside[:64] + BOMB  # behind a right header
    elif kind < 0.78:
        name = rng.choice(OUTSIDE)
    elif kind < 0.84:
        head, mark, rest = inside.partition(b"?>")
        inside = head + mark + rng.choice(ENTITIES) + rest
    elif kind < 0.9:
        members.append(members[rng.randrange(len(members))])  # twice the same name
    else:
        del members[number]
    if kind < 0.84:
        members[number] = (zipfile.ZipInfo(name), inside)
    packing = rng.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA))
    if len(inside) > BOMB_BYTES // 2:
        packing = zipfile.ZIP_DEFLATED
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", packing) as archive:
        warnings.simplefilter("ignore")  # of the duplicates
        for member, data in members:
            archive.writestr(zipfile.ZipInfo(member.filename), data, packing)
    packed = bytearray(out.getvalue())
    if rng.random() < 0.25:  # a list of members that lies
        end = packed.rfind(b"PK\x01\x02")
        at = end + rng.choice((8, 10, 16, 20, 24, 28, 42))
        number_bytes = _extreme(rng)[:4]
        packed[at : at + len(number_bytes)] = number_bytes
    return bytes(packed)
