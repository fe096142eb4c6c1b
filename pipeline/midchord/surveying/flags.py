"""A flag on a hand reading, and the slips that change a reading by a factor.

Slips happen to what was written down, the dial as it stood; readings are compared with the twin
after the sign and the calibration offset of the gauge card. ``as_dialled`` and ``dial_of`` go from
the one to the other. Sentences say odds and rows in plain words; the figures are in the fields.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from midchord_io.gauge_card import GaugeCard

__all__ = [
    "FACTORS",
    "FACTORS_IN_WORDS",
    "THROUGHOUT_IN_WORDS",
    "Flag",
    "as_a_probability",
    "as_dialled",
    "dial_of",
    "span_of_rows",
    "times_as_likely",
]

FACTORS = {
    "sign": -1.0,
    "factor 2": 2.0,
    "factor 1/2": 0.5,
    "factor 25.4": 25.4,
    "factor 1/25.4": 1 / 25.4,
    "factor 10": 10.0,
    "factor 1/10": 0.1,
    "factor 100": 100.0,
    "factor 1/100": 0.01,
    "factor 1000": 1000.0,
    "factor 1/1000": 0.001,
}
"""What was written down, over what should have been."""

FACTORS_IN_WORDS = {
    "sign": "with the other sign it would agree",
    "factor 2": "half of it would agree: swing for depth",
    "factor 1/2": "twice as much would agree: depth for swing",
    "factor 25.4": "divided by 25.4 it would agree: inches converted that were millimetres",
    "factor 1/25.4": "times 25.4 it would agree: inches taken for millimetres",
    "factor 10": "a tenth of it would agree: the decimal point misplaced",
    "factor 1/10": "ten times as much would agree: the decimal point misplaced",
    "factor 100": "a hundredth of it would agree: steps of 0.01 mm counted, or the decimal point "
    "misplaced",
    "factor 1/100": "a hundred times as much would agree: the decimal point misplaced",
    "factor 1000": "a thousandth of it would agree: micrometres written as millimetres",
    "factor 1/1000": "a thousand times as much would agree: millimetres taken for micrometres",
}
"""Of one reading."""

THROUGHOUT_IN_WORDS = {
    "sign": "the other sign throughout would agree",
    "factor 2": "a factor 2 throughout would agree: swings for depths",
    "factor 1/2": "a factor 1/2 throughout would agree: depths for swings",
    "factor 25.4": "a factor 25.4 throughout would agree: inches converted that were millimetres",
    "factor 1/25.4": "a factor 1/25.4 throughout would agree: inches taken for millimetres",
    "factor 10": "a factor 10 throughout would agree: the decimal point misplaced",
    "factor 1/10": "a factor 1/10 throughout would agree: the decimal point misplaced",
    "factor 100": "a factor 100 throughout would agree: steps of 0.01 mm written as millimetres",
    "factor 1/100": "a factor 1/100 throughout would agree: the decimal point misplaced",
    "factor 1000": "a factor 1000 throughout would agree: micrometres written as millimetres",
    "factor 1/1000": "a factor 1/1000 throughout would agree: millimetres taken for micrometres",
}
"""Of a walk, a person or the whole survey."""


@dataclass(frozen=True)
class Flag:
    """A suspect reading, or a suspect group of them by its first row; nothing was changed.

    row             of the survey file
    kind            see ``suspects``
    sentence        the reason, and what would agree
    reading_mm      as written down
    expected_mm     what the gauge should have shown there
    alternative_mm  the reading that the slip makes of it; None where there is no one figure
    z               how many standard deviations of the survey's scatter it is off
    rows            of a group, all of its rows; empty for a single reading
    """

    row: int
    lite_id: str
    kind: str
    sentence: str
    reading_mm: float
    expected_mm: float
    alternative_mm: float | None
    z: float
    rows: tuple[int, ...] = ()


def as_dialled(gauge_mm: float, card: GaugeCard) -> float:
    """What the dial showed, of a reading by the sign of the twin."""
    return float(card.reading_sign or 1) * gauge_mm + (card.calibration_offset_mm or 0.0)


def dial_of(dialled_mm: float, card: GaugeCard) -> float:
    """The reading by the sign of the twin, of what the dial showed."""
    return float(card.reading_sign or 1) * (dialled_mm - (card.calibration_offset_mm or 0.0))


def times_as_likely(log_odds: float) -> str:
    """Odds in words, e.g. "about 40 times", "more than a million times"."""
    for size, words in ((1e6, "a million"), (1e3, "a thousand")):
        if log_odds > math.log(size):
            return f"more than {words} times"
    return f"about {math.exp(log_odds):.2g} times"


def as_a_probability(share: float) -> str:
    """E.g. "99.4 %"; never all of it."""
    return "more than 99.99 %" if share > 0.9999 else f"{100 * share:.4g} %"


def span_of_rows(rows: Sequence[int]) -> str:
    """E.g. "rows 2 to 13", "18 readings in rows 2 to 40" where others lie between."""
    low, high = min(rows), max(rows)
    between = f"rows {low} to {high}"
    return between if high - low + 1 == len(rows) else f"{len(rows)} readings in {between}"
