"""Repeats of one mark: how well a person reads the same mark again, and what falls out of it.

The readings of one person with one gauge at one mark of one line are compared with one another.
Their pooled standard deviation is the repeatability of the hand. Repeats that lie apart by far
more than the others do are named, since one of them is a slip; the figures keep them all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from midchord.surveying.hand_line import LineWorkUp
from midchord.surveying.survey_remarks import Remark

__all__ = ["repeats_of"]

FAR = 6.0
"""Standard deviations between the repeats of one mark from which they are named."""
STEPS = 4.0
"""Steps of the dial that they must lie apart, too."""
LEAST_MARKS = 4
HALF_NORMAL = 0.6745
"""Median of the size of a standard normal deviate: a robust standard deviation of repeats."""


def repeats_of(
    lines: Sequence[LineWorkUp], *, lite_id: str, gauge: str, resolution_mm: float
) -> tuple[float | None, list[Remark]]:
    """Pooled standard deviation of the repeats of one mark in mm, and remarks on those far apart.

    lines  of one lite and one gauge;  None where no mark was read twice by one person
    """
    import pandas as pd

    walks = [
        line.marks.assign(operator=line.operator, y=line.line_y_mm, y_from=line.y_from,
                          edge=line.datum_edge, repeat=line.repeat)
        for line in lines
    ]  # fmt: skip
    read = pd.concat(walks, ignore_index=True)
    read = read[~read["excluded"] & read["reading_mm"].notna()]
    groups = [
        own
        for _, own in read.groupby(["y", "y_from", "edge", "mark", "operator"], sort=False)
        if len(own) > 1
    ]
    if not groups:
        return None, []
    squares = sum(float(own["reading_mm"].var(ddof=1)) * (len(own) - 1) for own in groups)
    pooled = math.sqrt(squares / sum(len(own) - 1 for own in groups))
    robust = float(np.median([own["reading_mm"].std(ddof=1) for own in groups])) / HALF_NORMAL
    remarks = []
    least = max(FAR * robust, STEPS * resolution_mm)
    for own in groups if len(groups) >= LEAST_MARKS else ():
        apart = float(own["reading_mm"].max() - own["reading_mm"].min())
        if apart > least:
            first = own.iloc[0]
            text = (
                f"the {len(own)} repeats of mark {first['mark']} lie {apart:.3g} mm apart, where "
                f"repeats of this survey scatter by {max(robust, resolution_mm):.2g} mm: one of "
                "them looks like a slip"
            )
            rows = tuple(int(row) for row in own["row"])
            name = f"{first['operator']}, y {first['y']:g} mm"
            remarks.append(Remark("repeats_apart", text, lite_id, gauge, name, rows))
    return pooled, remarks
