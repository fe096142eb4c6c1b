"""The marks of a line survey: every one there, in order, once.

A half wave lies between neighbouring marks and a wavelength between every other one, so a mark
that is missing, swapped or written twice gives figures that look like any others and are wrong.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from midchord_io.survey_cells import Cells

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LINE_KEY", "check_marks"]

LINE_KEY = ("lite_id", "gauge", "operator", "repeat", "line_y_mm", "datum_x", "datum_y")
"""Columns whose values make one line walked once."""

MOST_MISSING, SHOWN = 1000, 8


def check_marks(readings: pd.DataFrame, cells: Cells) -> None:
    """Put down as faults the marks that are missing, out of order or there twice.

    readings  of a line survey; of an excluded reading the mark still counts as being there, and
              another reading of the same mark may stand beside it
    """
    for _, line in readings.groupby(list(LINE_KEY), sort=False):
        _check_line(line, cells)


def _check_line(line: pd.DataFrame, cells: Cells) -> None:
    seen: dict[int, tuple[int, float, bool]] = {}  # mark: row, distance, excluded
    last, faults = 0, len(cells.faults)
    for row, mark, distance, is_excluded in zip(
        line["row"].tolist(),
        line["mark"].tolist(),
        line["distance_mm"].tolist(),
        line["excluded"].tolist(),
        strict=True,
    ):
        if mark in seen:
            before, _, was_excluded = seen[mark]
            if not (is_excluded or was_excluded):
                cells.fault(
                    row,
                    f"mark {mark} is there twice, already in row {before}",
                    needed="each mark of a line once",
                    do="renumber or delete one of them; a repeated line has its own repeat",
                )
            if not is_excluded:
                seen[mark] = row, distance, is_excluded
        else:
            if mark < last:
                cells.fault(
                    row,
                    f"mark {mark} is out of order, after mark {last}",
                    needed="the marks of a line in ascending order",
                    do="sort the rows by mark, or renumber them",
                )
            seen[mark] = row, distance, is_excluded
        last = max(last, mark)
    # a mark mistyped in the millions leaves millions missing: enough of them is enough
    missing = list(
        itertools.islice((m for m in range(1, last + 1) if m not in seen), MOST_MISSING)
    )
    if missing:
        after = next(mark for mark in sorted(seen) if mark > missing[0])
        many = len(missing) > 1
        cells.fault(
            seen[after][0],
            f"mark{'s' if many else ''} {', '.join(map(str, missing[:SHOWN]))}"
            f"{f' and {len(missing) - SHOWN} more' if len(missing) > SHOWN else ''} "
            f"{'are' if many else 'is'} missing before it",
            needed="every mark of a line, numbered from 1",
            do="add the row, or renumber the marks if none was left out on the glass",
        )
    if len(cells.faults) == faults:  # distances of misnumbered marks would only blur the message
        _check_distances(seen, cells)
    _check_all_or_none_read(line, cells)


def _check_distances(seen: dict[int, tuple[int, float, bool]], cells: Cells) -> None:
    marks = sorted(seen)
    for before, mark in itertools.pairwise(marks):
        row, distance, _ = seen[mark]
        other = seen[before][1]
        if distance <= other:
            cells.fault(
                row,
                f"mark {mark} at {distance:g} mm is out of order: mark {before} is at {other:g} mm",
                needed="distances that grow from mark to mark, from the edge in datum_edge",
                do="correct the distance or the number, or name the other edge",
            )


def _check_all_or_none_read(line: pd.DataFrame, cells: Cells) -> None:
    used = line[~line["excluded"]]
    unread = used[used["reading_mm"].isna()]
    if 0 < len(unread) < len(used):
        cells.fault(
            int(unread["row"].iloc[0]),
            f"mark {unread['mark'].iloc[0]} has no reading, while others of its line have",
            needed="a reading at every mark, or at none (marks set, gauge not used yet)",
            do="fill it in, or exclude it with a reason",
        )
