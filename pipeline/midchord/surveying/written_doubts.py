"""What the numbers of a survey look like, whatever they are compared with: units, decimals.

A figure that was converted has more digits than a dial shows; micrometres in a column of
millimetres are no roll wave; inches in the places lie all in one corner of the lite. None of this
needs a fit, and it is said even where there are too few readings for one.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from midchord.surveying.flags import as_dialled
from midchord.surveying.twin_field import MappedLite
from midchord_io.gauge_card import GaugeCard
from midchord_io.survey import Survey

__all__ = [
    "INCH_MM",
    "all_the_same",
    "finer_than_the_dial",
    "places_in_inches",
    "step_above_tolerance",
    "too_large",
]

INCH_MM = 25.4
PART_OF_A_STEP = 0.1
"""Of the step of a dial, to which an eye divides it (common practice, no source)."""
LARGEST_MM = 3.0
"""No roll wave, by any gauge (common practice, no source)."""
TIMES_THE_TWIN = 10.0
IN_THE_CORNER = 1.05 / INCH_MM
LEAST_ALIKE = 6
"""Readings from which it is no chance that all are the same."""
STEPS_APART = 3.0
"""Steps of the dial by which the twin must vary for it to have moved."""


def all_the_same(singles: pd.DataFrame, card: GaugeCard) -> str:
    """A sentence on a dial that stood still where the twin moves; or "".

    singles  pairs as of ``pair_readings``
    """
    reading = singles["gauge_mm"].to_numpy(float)
    if reading.size < LEAST_ALIKE or np.ptp(reading) > 0:
        return ""
    moves = float(np.ptp(singles["scan_mm"].to_numpy(float)))
    if moves <= STEPS_APART * card.resolution_mm:
        return ""
    shown = as_dialled(float(reading[0]), card) + 0.0  # never -0
    return (
        f"all {reading.size} readings by {card.gauge} are the same, {shown:.4g} mm, where its twin "
        f"varies by {moves:.2g} mm: no gauge reads so; see whether the dial was stuck, or "
        "a column was filled in"
    )


def step_above_tolerance(card: GaugeCard, tolerance_mm: float | None) -> str:
    """A sentence on a dial too coarse for what is asked of it; or ""."""
    if tolerance_mm is None or card.resolution_mm <= tolerance_mm:
        return ""
    return (
        f"the card of {card.gauge} states a dial of {card.resolution_mm:g} mm, which cannot show a "
        f"tolerance of {tolerance_mm:g} mm: correct resolution_mm, or use a finer dial"
    )


def finer_than_the_dial(readings: pd.DataFrame, card: GaugeCard, unit: str) -> str:
    """A sentence on readings of one gauge with digits that its dial cannot show; or "".

    readings  row, reading_mm, as of ``Survey.readings``
    unit      that they were written in; nothing is said of inches, whose steps are no metric ones
    """
    read = readings[readings["reading_mm"].notna()]
    if unit == "in" or read.empty:
        return ""
    steps = read["reading_mm"].to_numpy(float) / (PART_OF_A_STEP * card.resolution_mm)
    between = np.abs(steps - np.round(steps)) > 0.01
    if not between.any():
        return ""
    first = read[between].iloc[0]
    count = int(between.sum())
    return (
        f"{count} of {len(read)} readings by {card.gauge} have more digits than its dial of "
        f"{card.resolution_mm:g} mm shows, the first in row {first['row']}, "
        f"{first['reading_mm']:.10g} mm: they were converted, from inches perhaps, or averaged"
    )


def too_large(singles: pd.DataFrame, known: frozenset[int]) -> str:
    """A sentence on readings that no roll wave makes and no flag explains; or "".

    singles  pairs as of ``pair_readings``;  known: rows that are flagged
    """
    largest = float(np.abs(singles["scan_mm"].to_numpy(float)).max(initial=0.0))
    size = np.abs(singles["gauge_mm"].to_numpy(float))
    is_known = singles["row"].isin(known).to_numpy()
    rows = singles[(size > max(LARGEST_MM, TIMES_THE_TWIN * largest)) & ~is_known]
    if rows.empty:
        return ""
    worst = rows.iloc[int(np.abs(rows["gauge_mm"].to_numpy(float)).argmax())]
    return (
        f"{len(rows)} reading{'' if len(rows) == 1 else 's'} above {LARGEST_MM:g} mm, the largest "
        f"{abs(worst['gauge_mm']):.4g} mm in row {worst['row']}, where the scan knows of no more "
        f"than {largest:.2g} mm: check the unit of the readings"
    )


def places_in_inches(survey: Survey, card: GaugeCard, lites: Mapping[str, MappedLite]) -> str:
    """What all places of a gauge have in common if they were written in inches; else "".

    They lie within a twenty-fourth of the lite's length and width of its corner.
    """
    along, across = ("x_mm", "y_mm") if survey.kind == "spots" else ("distance_mm", "line_y_mm")
    own = survey.readings[survey.readings["gauge"] == card.gauge]
    furthest = 0.0
    for lite_id, rows in own.groupby("lite_id"):
        lite = lites[str(lite_id)]
        reach = float(rows[along].max()), float(rows[across].max())
        if reach[0] > IN_THE_CORNER * lite.length_mm or reach[1] > IN_THE_CORNER * lite.width_mm:
            return ""
        furthest = max(furthest, *reach)
    return f"all places lie within {furthest:.0f} mm of one corner"
