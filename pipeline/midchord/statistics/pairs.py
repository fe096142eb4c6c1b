"""Paired readings as arrays: the one check that every comparison of two methods starts with.

A pair is what the scan gave and what the gauge gave for the same thing. What could not be paired
stays outside, with its reason; nothing is dropped here in silence.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord_io.errors import SurveyError

__all__ = ["Floats", "Labels", "codes_of", "finite", "paired_readings"]

Floats = NDArray[np.float64]
Labels = Sequence[object] | NDArray[np.generic]


def finite(values: ArrayLike, *, what: str) -> Floats:
    """Values as a flat float64 array. Raises SurveyError on an empty or a non-finite one."""
    numbers = np.asarray(values, dtype=np.float64).ravel()
    if numbers.size == 0:
        raise SurveyError(
            what,
            found="there is not one reading",
            needed="at least one is needed",
            do="check that the survey and the maps name the same lites",
        )
    bad = np.flatnonzero(~np.isfinite(numbers))
    if bad.size:
        raise SurveyError(
            what,
            found=f"reading {bad[0] + 1} of {numbers.size} is not a finite number",
            needed="every reading that is compared must be one",
            do="leave the unpaired readings out, with their reason",
        )
    return numbers


def paired_readings(
    first: ArrayLike, second: ArrayLike, *, what: str = "paired readings"
) -> tuple[Floats, Floats]:
    """Two equally long flat float64 arrays. Raises SurveyError where they are not pairs."""
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.size != b.size:
        raise SurveyError(
            what,
            found=f"{a.size} readings stand against {b.size}",
            needed="both methods need one value for each pair",
            do="pair the readings first",
        )
    if a.size == 0:
        raise SurveyError(
            what,
            found="there is not one pair",
            needed="at least one is needed",
            do="check that the survey and the maps name the same lites",
        )
    return finite(a, what=what), finite(b, what=what)


def codes_of(labels: Labels, n: int, *, what: str) -> tuple[NDArray[np.intp], int]:
    """Labels as whole numbers 0 .. k-1, and k. Raises SurveyError on a wrong length."""
    if len(labels) != n:
        raise SurveyError(
            what,
            found=f"{len(labels)} labels stand against {n} readings",
            needed="each reading needs one",
            do="give one label a reading",
        )
    known: dict[object, int] = {}
    codes = np.fromiter(
        (known.setdefault(label, len(known)) for label in labels), dtype=np.intp, count=n
    )
    return codes, len(known)
