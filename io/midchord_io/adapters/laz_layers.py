"""Sizes that a LAZ file declares for its packed pieces, held against the size of the file.

The points are packed in chunks. From LAS 1.4 on, a chunk holds its first point as it is, the number
of its points, and then the sizes of its layers (x and y, z, intensity ...), four bytes each, before
the layers themselves. The reader takes memory for a layer before it reads it, so a damaged size
would cost gigabytes. (LASzip specification; the items of a point stand in its own record.)
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

from midchord_io.adapters.zipped import LARGEST_RATIO, SMALL_BYTES
from midchord_io.ingest.extras import optional, reading
from midchord_io.ingest.records import corrupt

__all__ = ["check_layers"]

LAYERED = 3
LAYERS = {10: 9, 11: 1, 12: 2, 13: 1}
"""Of the items point, colour, colour with near infrared, wave packet; extra bytes: one each."""
EXTRA_BYTES = 14


def check_layers(path: Path, record: bytes, *, start: int, record_bytes: int) -> None:
    """Raises CorruptScan where a chunk or a layer is declared larger than the file allows.

    record        of LASzip: how the points are packed
    start         byte of the points
    record_bytes  of one point, unpacked
    """
    if len(record) < 34:
        raise corrupt(path, f"a LASzip record of {len(record)} bytes", "LAZ")
    lazrs: Any = optional(path, "lazrs", kind="a LAZ file", extra="clouds")
    count = struct.unpack_from("<H", record, 32)[0]
    if struct.unpack_from("<I", record, 12)[0] == 0:
        raise corrupt(path, "chunks of no points", "LAZ")
    if len(record) < 34 + 6 * count:
        raise corrupt(path, f"{count} items in a LASzip record of {len(record)} bytes", "LAZ")
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(start)
        with reading(path, "LAZ", may_panic=True):
            chunks = lazrs.read_chunk_table(file, lazrs.LazVlr(record))
        if sum(packed for _, packed in chunks) > size - start:
            raise corrupt(path, "chunks of more bytes than it has", "LAZ")
        # the reader makes room for all the points that a chunk may have
        most = max((points for points, _ in chunks), default=0)
        if most * record_bytes > max(SMALL_BYTES, LARGEST_RATIO * size):
            raise corrupt(path, f"chunks of {most} points in {size} bytes", "LAZ")
        if struct.unpack_from("<H", record)[0] != LAYERED:
            return
        items = [struct.unpack_from("<HHH", record, 34 + 6 * number) for number in range(count)]
        layers = sum(
            wide if kind == EXTRA_BYTES else LAYERS.get(kind, 0) for kind, wide, _ in items
        )
        at = start + 8
        for _, packed in chunks:
            file.seek(at + record_bytes + 4)
            sizes = file.read(4 * layers)
            declared = sum(struct.unpack(f"<{len(sizes) // 4}I", sizes[: len(sizes) // 4 * 4]))
            if declared > packed:
                raise corrupt(path, f"layers of {declared} bytes in a chunk of {packed}", "LAZ")
            at += packed
