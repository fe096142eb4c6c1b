"""Encoder slip, seen by the times of the lines.

An encoder that rides on the belt or the glass counts too little while its wheel slips or sticks,
and too much where a disturbance is counted. The positions alone do not tell: the lines merely come
closer or wider. The times tell, because what is conveyed has mass: a speed that falls and rises
again faster than any drive can brake is no speed of the glass.

The speed between neighbouring lines is held against its running median. A median leaves every
monotone run as it is, so a ramp, a stop and a restart pass; what departs is a short excursion. It
is slip where following it would have taken more than the largest acceleration, and where it stands
clear of the encoder's own unevenness. The distance that the median speed makes of the excursion
then replaces the counted one, and all lines after it are moved by the difference.

A slip by less than a quarter of the travel, or over more than half the window, cannot be told from
a change of speed and stays; without times no slip is seen at all. Both are said.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.lines.line_findings import times

__all__ = ["WINDOW_MM", "Slip", "mend_slip", "no_times"]

WINDOW_MM = 100.0
"""Travel over which the running median is taken; slips over half of it are followed."""

FEWEST_IN_WINDOW = 11

LEAST_SHARE = 0.25
"""Of a pitch that an interval between two lines must be off before it counts as slip."""

OUTLYING = 8.0
"""Excursions within this many standard deviations of the encoder's unevenness are not slip."""

Array = npt.NDArray[np.float64]


class Slip(NamedTuple):
    """Positions after the slips are taken out, and what was found."""

    positions_mm: Array
    finding: Finding


def mend_slip(
    positions_mm: Array, times_s: Array, *, largest_acceleration_mm_per_s2: float
) -> Slip:
    """Positions whose short, impossible changes of speed are replaced.

    positions_mm   (lines,), as counted, ascending
    times_s        (lines,), strictly ascending
    returns        positions of the same lines, and a finding (count 0 where there is no slip)
    """
    from scipy.ndimage import label, median_filter

    steps, lasting = np.diff(positions_mm), np.diff(times_s)
    with np.errstate(over="ignore"):
        speed = steps / lasting
    moving = steps[steps > 0]
    pitch = float(np.median(moving)) if moving.size else 1.0
    window = max(FEWEST_IN_WINDOW, 2 * round(WINDOW_MM / pitch / 2) + 1)
    if steps.size < 2 * window or not np.isfinite(speed).all():
        return Slip(positions_mm, _too_short())
    usual = median_filter(speed, size=window, mode="nearest")
    departure = speed - usual
    unevenness = 1.4826 * float(np.median(np.abs(departure)))
    # over one interval even an impossible change is a small step
    is_odd = np.abs(departure) > OUTLYING * unevenness
    is_odd &= np.abs(departure) * lasting > LEAST_SHARE * pitch
    groups, count = label(_joined(is_odd))
    excess = np.zeros(steps.size)
    slips: list[float] = []
    for group in range(1, count + 1):
        which = np.flatnonzero(groups == group)
        lasted = float(lasting[which].sum())
        # up and down again within the excursion and one interval
        needed = float(np.abs(departure[which]).max()) / ((lasted + lasting[which[0]]) / 2)
        if needed <= largest_acceleration_mm_per_s2 or which.size > window // 2:
            continue
        excess[which] = departure[which] * lasting[which]
        slips.append(float(excess[which].sum()))
    mended = positions_mm - np.concatenate([[0.0], np.cumsum(excess)])
    lines = int(np.count_nonzero(excess))
    return Slip(mended, _finding(slips, lines, positions_mm.size, window * pitch))


def _joined(is_odd: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Excursions with one ordinary interval between them are one."""
    joined = is_odd.copy()
    joined[1:-1] |= is_odd[:-2] & is_odd[2:]
    return joined


def _finding(slips: list[float], lines: int, of: int, window_mm: float) -> Finding:
    seen = (
        f"a slip by less than {100 * LEAST_SHARE:.0f} % of the travel, or over more than "
        f"{window_mm / 2:.0f} mm, could not be told from a change of speed"
    )
    if not slips:
        return Finding(
            "encoder slip",
            0,
            f"The times of the lines show no encoder slip ({seen}).",
        )
    return Finding(
        what="encoder slip",
        count=len(slips),
        sentence=f"The encoder slipped {times(len(slips))}, by {max(map(abs, slips)):.2g} mm at "
        f"most and {sum(slips):+.2g} mm in all, by the times of the lines; the positions were "
        f"mended ({seen}).",
        figures={
            "lines": float(lines),
            "share": lines / of,
            "largest_slip_mm": max(slips, key=abs),
            "total_slip_mm": sum(slips),
        },
        is_doubt=True,
    )


def no_times() -> Finding:
    """Slip was not looked for, because there are no times."""
    return Finding(
        "encoder slip",
        0,
        "Encoder slip cannot be seen in this file: it has no times of the lines.",
    )


def _too_short() -> Finding:
    return Finding(
        "encoder slip",
        0,
        "Encoder slip cannot be seen in this file: it has too few lines.",
    )
