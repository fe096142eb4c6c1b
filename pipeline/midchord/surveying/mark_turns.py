"""Marks of a line survey that do not turn: one was left out, or one stands on a slope.

A half wave lies between a peak and a valley. Where a mark was passed over and the rest renumbered,
two peaks (or two valleys) stand side by side; their swing is next to nothing by gauge and by scan
alike, so it agrees perfectly and says nothing. Neither the numbers nor the agreement show it, but
gauge and scan both stop rising and falling in turn there. A lone reading that is wrong does so by
the gauge only, a wrong datum by the scan only: neither is meant here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["OutOfTurn", "marks_out_of_turn"]

Floats = npt.NDArray[np.float64]

FAR = 1.5
"""Distances of two marks over that of most from which one between them was passed over."""
SMALL = 0.25
"""Swing over that of most below which two marks far apart are alike."""
ABOVE_NOISE = 4.0
"""Standard deviations of the twin's swings that most swings must reach: below, nothing turns."""
LEAST_MARKS = 4


class OutOfTurn(NamedTuple):
    """Two neighbouring marks that are no peak beside a valley; rows: of the survey file."""

    sentence: str
    lite_id: str
    rows: tuple[int, int]


def marks_out_of_turn(singles: pd.DataFrame) -> tuple[OutOfTurn, ...]:
    """Every pair of neighbouring marks between which neither gauge nor scan turns.

    singles  pairs as of ``pair_readings``, of a line survey; of spots there are none
    """
    if "line" not in singles:
        return ()
    found = []
    for _, walk in singles.groupby("line", sort=False):
        walk = walk.sort_values("mark").reset_index(drop=True)
        breaks = np.flatnonzero(np.diff(walk["mark"]) != 1) + 1
        for part in np.split(np.arange(len(walk)), breaks):
            if part.size >= LEAST_MARKS:
                found += _of_walk(walk.iloc[part].reset_index(drop=True))
    return tuple(found)


def _of_walk(walk: pd.DataFrame) -> list[OutOfTurn]:
    gauge, scan = (np.diff(walk[name].to_numpy(float)) for name in ("gauge_mm", "scan_mm"))
    apart = np.abs(np.diff(walk["x_mm"].to_numpy(float)))
    usual = float(np.median(np.abs(scan)))
    noise = float(np.sqrt(2) * np.median(walk["u_scan_mm"].to_numpy(float)))
    if usual < ABOVE_NOISE * noise:
        return []
    far = apart > FAR * float(np.median(apart))
    alike = far & (np.abs(scan) < SMALL * usual)
    alike &= np.abs(gauge) < SMALL * float(np.median(np.abs(gauge)))
    swings = set(np.flatnonzero(alike).tolist())
    by_gauge = _neither(gauge)
    for mark in _neither(scan):
        # of both swings beside a mark that does not turn, the smaller one is no half wave
        swing = min((mark - 1, mark), key=lambda k: abs(scan[k]))
        if {swing, swing + 1} & by_gauge:
            swings.add(swing)
    return [_described(walk, gauge, swing, bool(far[swing])) for swing in sorted(swings)]


def _neither(steps: Floats) -> set[int]:
    """Marks between two steps of one direction."""
    return set((np.flatnonzero(steps[:-1] * steps[1:] > 0) + 1).tolist())


def _described(walk: pd.DataFrame, gauge: Floats, swing: int, is_far: bool) -> OutOfTurn:
    first, second = walk.iloc[swing], walk.iloc[swing + 1]
    rows = int(first["row"]), int(second["row"])
    why = (
        "a peak or valley between them was left out, and those after it are numbered one too low"
        if is_far
        else "one of them stands on a slope"
    )
    sentence = (
        f"lite {first['lite_id']}, {first['operator']}, repeat {first['repeat']}, y = "
        f"{first['y_mm']:g} mm: between marks {first['mark']} and {second['mark']}, at x = "
        f"{first['x_mm']:.0f} and {second['x_mm']:.0f} mm (rows {rows[0]} and {rows[1]}), neither "
        f"gauge nor scan turns: {why}; their swing of {abs(gauge[swing]):.2g} mm is no half wave"
    )
    return OutOfTurn(sentence, str(first["lite_id"]), rows)
