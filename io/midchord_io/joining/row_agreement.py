"""Whether three sensor rows see the same glass, and from the places that are stated.

For each line there are three mean heights and, with heave, pitch and the glass, three unknowns:
on a glass that is alike all across, the rows can be made to agree whatever they hold. So they are
asked where they cannot be made to agree:

* two rows with the same numbers are one row named twice: noise makes that impossible by chance;
* a row that hardly measured leaves two, and two tell no pitch;
* the glass has one leading and one trailing end: rows that meet it elsewhere are not where stated;
* what varies across the glass, apart from a tilt, is the glass alone: once the attitude is taken
  off, no more than noise may be left;
* where the conveyor is so still that the rows' own profiles are alike, so must be their size.

The last two need a glass that varies across, or a still conveyor; the first three always speak.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.errors import EmptyScan, SourceConflict

__all__ = ["check_rows", "misfit_findings"]

LEAST_SHARE = 0.5
"""Of the heights of the fullest row, that each must have: all see the same glass in turn."""

END_MM = 15.0
"""Ends that rows see may lie this far apart: dropouts at the edge, a sloping end."""

GROSS, MODERATE = (5.0, 0.02), (2.0, 0.004)
"""What is left over the noise, and in mm: refused beyond both of the first, a doubt beyond both of
the second. Noise alone leaves 0.8."""

ALIKE, OPPOSITE = 0.8, -0.7
"""Correlation of the rows' profiles on the same glass."""

LARGEST_GAIN, WRONG_UNIT = 0.05, 1.5
"""Off 1, beside what bounce makes of it, and as a factor: a doubt, and a refusal."""

Array = npt.NDArray[np.float64]
Heights = npt.NDArray[np.float32]


def check_rows(
    rows: Sequence[Heights], *, row_x_mm: Sequence[float], pitch_mm: float, where: str
) -> tuple[Finding, ...]:
    """Refuse rows that are not three views of one glass; doubts where their sizes differ.

    rows      three of (lines, columns), mm, NaN where not measured
    row_x_mm  (3,), how much further along x each row looks
    Raises    EmptyScan, SourceConflict
    """
    counts = [int(np.count_nonzero(np.isfinite(row))) for row in rows]
    fewest = int(np.argmin(counts))
    if counts[fewest] < LEAST_SHARE * max(counts) or not max(counts):
        raise EmptyScan(
            where,
            found=f"a row at {row_x_mm[fewest]:g} mm with {counts[fewest]} heights, where another "
            f"has {max(counts)}",
            needed="three rows that all see the glass: two cannot tell it from bounce",
            do="check which datasets the rows are, and the sensors of that row",
        )
    for one, other in itertools.combinations(range(3), 2):
        if np.array_equal(rows[one], rows[other], equal_nan=True):
            raise SourceConflict(
                where,
                found=f"rows at {row_x_mm[one]:g} and {row_x_mm[other]:g} mm with the same heights",
                needed="three rows that each look at the glass themselves",
                do="check which datasets the rows are",
            )
    _check_ends(rows, row_x_mm, pitch_mm, where)
    return _sizes(rows, row_x_mm, pitch_mm, where)


def misfit_findings(
    left_mm: float, noise_mm: float, is_varied: bool, where: str
) -> tuple[Finding, ...]:
    """Whether the rows agree once the attitude is taken off.

    left_mm    scatter of the rows about their mean, standard deviation
    noise_mm   of one sample
    is_varied  whether the glass varies enough across to tell
    Raises     SourceConflict
    """
    times = float(left_mm / max(noise_mm, 1e-9))
    if times > GROSS[0] and left_mm > GROSS[1]:
        raise SourceConflict(
            where,
            found=f"three rows that differ by {1000 * left_mm:.3g} um on the same glass, "
            f"{times:.0f} times their noise",
            needed="rows that agree once heave, pitch and roll are taken off",
            do="check x_mm of the rows, their order, signs and units, and their scale",
        )
    is_doubt = times > MODERATE[0] and left_mm > MODERATE[1]
    sentence = (
        f"Once heave, pitch and roll are taken off, the rows differ by {1000 * left_mm:.2g} um on "
        f"the same glass, at a noise of {1000 * noise_mm:.2g} um"
    )
    if is_doubt:
        sentence += ": check x_mm and the scale of each row."
    elif is_varied:
        sentence += "."
    else:
        sentence += "; the glass is so alike all across that this hardly tests their places."
    figures = {"left_mm": left_mm, "noise_mm": noise_mm, "times_the_noise": times}
    return (Finding("agreement of the rows", int(is_doubt), sentence, figures, is_doubt),)


def _check_ends(
    rows: Sequence[Heights], row_x_mm: Sequence[float], pitch_mm: float, where: str
) -> None:
    tolerance = max(END_MM, 5 * pitch_mm)
    for name, is_last in (("begins", False), ("ends", True)):
        ends = [_end(row, is_last) for row in rows]
        seen = [
            (end * pitch_mm + x, x)
            for end, x in zip(ends, row_x_mm, strict=True)
            if end is not None
        ]
        if len(seen) < 2:
            continue
        low, high = min(seen), max(seen)
        if high[0] - low[0] > tolerance:
            raise SourceConflict(
                where,
                found=f"glass that {name} {high[0] - low[0]:.0f} mm later for the row at "
                f"{high[1]:g} mm than for that at {low[1]:g} mm",
                needed="rows that look where x_mm says",
                do="check x_mm of the rows, their signs and which dataset is which",
            )


def _end(row: Heights, is_last: bool) -> float | None:
    """Line at which the glass begins or ends, median of the columns; None where the scan does."""
    some = np.isfinite(row[:, :: max(1, row.shape[1] // 200)])
    some = some[:, 2 * some.sum(axis=0) > some.sum(axis=0).max()]
    lines = row.shape[0]
    at = float(np.median(np.argmax(some[::-1] if is_last else some, axis=0)))
    if at < 3:
        return None
    return lines - 1 - at if is_last else at


def _sizes(
    rows: Sequence[Heights], row_x_mm: Sequence[float], pitch_mm: float, where: str
) -> tuple[Finding, ...]:
    profiles = _on_the_same_glass(rows, row_x_mm, pitch_mm)
    if profiles is None:
        return ()
    size = profiles.std(axis=1)
    if not (size > 0).all():
        return ()
    alike = np.asarray(np.corrcoef(profiles))[np.triu_indices(3, 1)]
    doubtful = 1 + LARGEST_GAIN + (1 - float(alike.min()))
    ratio = float(size.max() / size.min())
    listed = ", ".join(f"{x:g}" for x in row_x_mm)
    if alike.min() > ALIKE and ratio > WRONG_UNIT:
        raise SourceConflict(
            where,
            found=f"rows at {listed} mm that see the same profile {ratio:.3g} times as large",
            needed="rows in one unit and of one scale",
            do="check the units and the scale of each row",
        )
    figures = {"largest_ratio": ratio, "least_correlation": float(alike.min())}
    if alike.min() > ALIKE and ratio > doubtful:
        sentence = (
            f"On the same glass one of the rows at {listed} mm sees a profile {ratio:.3g} times as "
            "large as another: the scale of a row is wrong."
        )
        return (Finding("size of the rows", 1, sentence, figures, is_doubt=True),)
    if alike.min() < OPPOSITE and alike.max() > -OPPOSITE:
        sentence = (
            f"On the same glass one of the rows at {listed} mm sees valleys where the others see "
            "hills: a sign is wrong, or the bounce repeats with the distance of the rows."
        )
        return (Finding("size of the rows", 1, sentence, figures, is_doubt=True),)
    return ()


def _on_the_same_glass(
    rows: Sequence[Heights], row_x_mm: Sequence[float], pitch_mm: float
) -> Array | None:
    """(3, n), mean of each row across, at places that all see; without form. None if too few."""
    steps = np.rint(np.asarray(row_x_mm) / pitch_mm).astype(int)
    lines = rows[0].shape[0]
    count = lines - int(np.ptp(steps))
    profiles = np.full((3, max(count, 0)), np.nan)
    for number, (row, step) in enumerate(zip(rows, steps, strict=True)):
        start = int(steps.max() - step)
        part = row[start : start + count]
        seen = np.isfinite(part)
        number_seen = seen.sum(axis=1)
        total = np.where(seen, part, 0.0).sum(axis=1, dtype=np.float64)
        enough = 2 * number_seen > row.shape[1] // 2
        profiles[number, enough] = total[enough] / number_seen[enough]
    known = np.flatnonzero(np.isfinite(profiles).all(axis=0))
    if known.size < 50:
        return None
    place = np.linspace(-1, 1, profiles.shape[1])[known]
    fit = np.polynomial.legendre.legfit(place, profiles[:, known].T, 3)
    return np.asarray(profiles[:, known] - np.polynomial.legendre.legval(place, fit))
