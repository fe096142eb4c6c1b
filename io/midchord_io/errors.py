"""Every error that midchord raises on purpose.

The message is one sentence in three parts, after the place where it happened:
*what was found, what is needed, what to do*. A bug is never one of these.
"""

from __future__ import annotations

import os

__all__ = [
    "CorruptScan",
    "EmptyScan",
    "ImplausibleScan",
    "LiteTooSmall",
    "MidchordError",
    "MissingMetadata",
    "OutputError",
    "ScanError",
    "SettingsError",
    "SourceConflict",
    "SurveyError",
    "UnevenGrid",
    "UnknownFormat",
    "UnsupportedScan",
    "brief",
    "why",
]


LONGEST_SHOWN = 80
"""Characters of a faulty value in a message."""


class MidchordError(Exception):
    """One sentence: ``where: found; needed; do.``"""

    def __init__(
        self, where: str | os.PathLike[str], *, found: str, needed: str, do: str
    ) -> None:
        self.where = os.fspath(where)
        self.found = found
        self.needed = needed
        self.do = do
        super().__init__(f"{self.where}: {found}; {needed}; {do}.")

    def __reduce__(self) -> tuple[object, ...]:
        # keyword-only arguments do not survive the default pickling between processes
        return (_rebuild, (type(self), self.where, self.found, self.needed, self.do))


def _rebuild(
    kind: type[MidchordError], where: str, found: str, needed: str, do: str
) -> MidchordError:
    return kind(where, found=found, needed=needed, do=do)


def why(error: OSError) -> str:
    """What the system says, in one line: libraries put a page of their own state after it."""
    if error.errno is not None and error.errno > 0:
        return os.strerror(error.errno)
    return next(iter(str(error).splitlines()), type(error).__name__)


def brief(value: object) -> str:
    """A value as Python writes it, cut where it is long."""
    if isinstance(value, str):
        text = repr(value[: LONGEST_SHOWN + 1])  # of millions of characters only the first
    else:
        try:
            text = repr(value)
        except ValueError:  # Python writes no whole number of thousands of digits
            text = "a number of thousands of digits"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]} ..."


class ScanError(MidchordError):
    """A scan was refused."""


class UnknownFormat(ScanError):
    """No adapter, or more than one, takes this file for its own."""


class UnsupportedScan(ScanError):
    """The format is known, but not this kind of it."""


class CorruptScan(ScanError):
    """The format is known, but the file is damaged or cut short."""


class MissingMetadata(ScanError):
    """Neither the file nor the source description says what must be known."""


class SourceConflict(ScanError):
    """The source description contradicts the file, or says what it has no use for."""


class UnevenGrid(ScanError):
    """Coordinates are not ascending in even steps."""


class EmptyScan(ScanError):
    """Nothing was measured."""


class ImplausibleScan(ScanError):
    """The heights cannot be those of a lite in the units declared."""


class LiteTooSmall(ScanError):
    """The lite is too short for the waves or the feet."""


class SettingsError(MidchordError):
    """Settings, limits, a recipe or a source description were refused."""


class SurveyError(MidchordError):
    """A survey or a gauge card was refused."""


class OutputError(MidchordError):
    """Results cannot be written where they were asked for."""
