"""Readers that are not installed with midchord itself, and how their failures are told."""

from __future__ import annotations

import contextlib
import importlib
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

from midchord_io.errors import CorruptScan, MidchordError, UnsupportedScan
from midchord_io.ingest.panics import without_panics

__all__ = ["each", "optional", "reading"]

Item = TypeVar("Item")
END = object()


def optional(path: Path, module: str, *, kind: str, extra: str) -> Any:
    """A reader's module, imported. Raises UnsupportedScan where it is not installed.

    kind    of the file, e.g. ``a LAS file``
    extra   of midchord that brings the reader
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        raise UnsupportedScan(
            path,
            found=f"{kind}, whose reader {module.partition('.')[0]!r} is not installed",
            needed=f"the extra {extra!r} of midchord",
            do=f'pip install "midchord[{extra}]"',
        ) from error


@contextlib.contextmanager
def reading(path: Path, kind: str, *, may_panic: bool = False) -> Iterator[None]:
    """Damage shows as almost any exception of a reader, a panic of a compiled one too.

    may_panic  whether the reader is one that prints when it panics
    Raises     CorruptScan in their place; errors of midchord and of the system pass
    """
    quiet = without_panics() if may_panic else contextlib.nullcontext()
    try:
        with warnings.catch_warnings(), quiet:
            warnings.simplefilter("ignore")  # what they warn of shows in the numbers
            yield
    except (MidchordError, GeneratorExit, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        said = next(iter(str(error).splitlines()), "") or type(error).__name__
        raise CorruptScan(
            path,
            found=f"it is damaged or cut short ({said[:200]})",
            needed=f"a whole {kind} file",
            do="copy or export it again",
        ) from error


def each(
    path: Path, kind: str, items: Callable[[], Iterator[Item]], *, may_panic: bool = False
) -> Iterator[Item]:
    """The items that a reader yields, each got under ``reading``, which does not reach further."""
    with reading(path, kind, may_panic=may_panic):
        iterator = items()
    while True:
        with reading(path, kind, may_panic=may_panic):
            item: Any = next(iterator, END)
        if item is END:
            return
        yield item
