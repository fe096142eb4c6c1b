"""Attributes of an HDF5 file whose damage would crash libhdf5 itself, told before they are read.

A text of variable length stands apart from its attribute, and the attribute says how it is laid
out. Where a damaged byte turns the text into a sequence of numbers, the library follows what is
left as if it were one, and the process dies without a word. The type can be asked for without
reading the value: among attributes, sequences of variable length are only ever references
(dimension scales), so any other is refused.
"""

from __future__ import annotations

from typing import Any

import h5py

__all__ = ["check_attributes", "is_safe"]


def check_attributes(file: h5py.File) -> None:
    """Raises ValueError where an attribute of the file, its groups or datasets is not safe."""

    def check(name: Any, item: Any) -> None:
        for key in item.attrs:
            if not is_safe(item, key):
                raise ValueError(f"attribute {key!r} of {name or '/'!r} is no text any more")

    check("", file)
    file.visititems(check)


def is_safe(item: Any, key: str) -> bool:
    """Whether the value of an attribute can be read; asks for its type alone."""
    kind = h5py.h5a.open(item.id, key.encode("utf-8", "surrogateescape")).get_type()
    return not isinstance(kind, h5py.h5t.TypeVlenID) or isinstance(
        kind.get_super(), h5py.h5t.TypeReferenceID
    )
