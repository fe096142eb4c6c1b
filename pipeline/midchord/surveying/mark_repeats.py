"""Repeats of one mark: how well a person reads the same mark again, and what falls out of it.

Walks of one line are laid over one another by place, not by number: whoever passes over a mark
numbers all that follow one too low, and would be compared with the wrong ones. That he did so is
said once. The readings of one person at one mark are then compared: their pooled standard deviation
is the repeatability of the hand. Repeats that lie apart by far more than the others do are named,
since one of them is a slip; the figures keep them all, and say what they are without them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from midchord.surveying.hand_line import LineWorkUp
from midchord.surveying.survey_remarks import Remark

__all__ = ["Repeats", "repeats_of"]

FAR = 6.0
"""Standard deviations between the repeats of one mark from which they are named."""
STEPS = 4.0
"""Steps of the dial that they must lie apart, too."""
LEAST_MARKS = 4
HALF_NORMAL = 0.6745
"""Median of the size of a standard normal deviate: a robust standard deviation of repeats."""
SAME_MARK_MM = 25.0
SAME_MARK = 0.25
"""Marks that near, and nearer than this part of their usual distance, are one mark."""
WIDE = 1.5
"""Distance of two marks over the usual one where one between them may have been passed over."""


class Repeats(NamedTuple):
    """Standard deviations of the repeats of one mark, mm; None where nothing was read twice.

    within_mark_sd_mm  pooled, over all
    without_slips_mm   without the marks whose repeats lie far apart; None where there are none
    """

    within_mark_sd_mm: float | None
    without_slips_mm: float | None
    remarks: list[Remark]


def repeats_of(
    lines: Sequence[LineWorkUp], *, lite_id: str, gauge: str, resolution_mm: float
) -> Repeats:
    """Repeats of the marks of all lines of one lite and one gauge, and remarks on them."""
    walks = [
        line.marks.assign(walk=number, name=line.name, operator=line.operator, y=line.line_y_mm,
                          y_from=line.y_from, edge=line.datum_edge)
        for number, line in enumerate(lines)
    ]  # fmt: skip
    table = pd.concat(walks, ignore_index=True)
    table["place"] = -1
    remarks: list[Remark] = []
    for _, own in table.groupby(["y", "y_from", "edge"], sort=False):
        table.loc[own.index, "place"] = _places(own)
        for text, name, rows in _left_out(table.loc[own.index]):
            remarks.append(Remark("mark_left_out", text, lite_id, gauge, name, rows))
    read = table[~table["excluded"] & table["reading_mm"].notna()]
    groups = [
        own
        for _, own in read.groupby(["y", "y_from", "edge", "place", "operator"], sort=False)
        if len(own) > 1
    ]
    if not groups:
        return Repeats(None, None, remarks)
    robust = float(np.median([own["reading_mm"].std(ddof=1) for own in groups])) / HALF_NORMAL
    least = max(FAR * robust, STEPS * resolution_mm)
    is_far = [len(groups) >= LEAST_MARKS and np.ptp(own["reading_mm"]) > least for own in groups]
    far = [own for own, falls_out in zip(groups, is_far, strict=True) if falls_out]
    good = [own for own, falls_out in zip(groups, is_far, strict=True) if not falls_out]
    usual = _pooled(good) if good else None
    for own in far:
        first = own.iloc[0]
        others = "" if usual is None else f", where those of other marks scatter by {usual:.2g} mm"
        text = (
            f"the {len(own)} repeats of the mark at {first['distance_mm']:.0f} mm lie "
            f"{np.ptp(own['reading_mm']):.3g} mm apart{others}: one of them looks like a slip"
        )
        rows = tuple(int(row) for row in own["row"])
        name = f"{first['operator']}, y {first['y']:g} mm"
        remarks.append(Remark("repeats_apart", text, lite_id, gauge, name, rows))
    return Repeats(_pooled(groups), usual if far else None, remarks)


def _pooled(groups: Sequence[pd.DataFrame]) -> float:
    squares = sum(float(own["reading_mm"].var(ddof=1)) * (len(own) - 1) for own in groups)
    return math.sqrt(squares / sum(len(own) - 1 for own in groups))


def _places(marks: pd.DataFrame) -> list[int]:
    """Number of the place of each mark of one line, counted along it whoever walked."""
    apart = [
        step
        for _, walk in marks.groupby("walk", sort=False)
        for step in np.diff(np.sort(walk["distance_mm"].to_numpy(float)))
        if step > 0
    ]
    near = min(SAME_MARK_MM, SAME_MARK * float(np.median(apart))) if apart else SAME_MARK_MM
    x = marks["distance_mm"].to_numpy(float)
    order = np.argsort(x, kind="stable")
    numbers = np.empty(len(x), dtype=int)
    numbers[order] = np.cumsum(np.diff(x[order], prepend=x[order[0]]) > near)
    return [int(number) for number in numbers]


def _left_out(marks: pd.DataFrame) -> list[tuple[str, str, tuple[int, ...]]]:
    """Sentence, walk and rows of every mark that half of the walks of a line have, and that one has
    not where its own marks lie far apart."""
    found: list[tuple[str, str, tuple[int, ...]]] = []
    count = marks["walk"].nunique()
    held = marks.groupby("place")["walk"].nunique()
    for _, walk in marks.groupby("walk", sort=False):
        walk = walk.sort_values("distance_mm")
        x = walk["distance_mm"].to_numpy(float)
        wide = WIDE * float(np.median(np.diff(x))) if x.size > 1 else math.inf
        for place in held.index[held >= max(1, count // 2)]:
            before, after = walk[walk["place"] < place], walk[walk["place"] > place]
            if (walk["place"] == place).any() or before.empty or after.empty:
                continue
            first, second = before.iloc[-1], after.iloc[0]
            if second["distance_mm"] - first["distance_mm"] < wide:
                continue
            there = marks.loc[marks["place"] == place, "distance_mm"].mean()
            text = (
                f"no mark near {there:.0f} mm, where {held[place]} of {count} walks of this line "
                f"have one: one mark fewer, from mark {second['mark']} on"
            )
            found.append((text, str(first["name"]), (int(first["row"]), int(second["row"]))))
    return found
