"""A flag on a hand reading, and the slips that change a reading by a factor.

Slips happen to what was written down, the dial as it stood; readings are compared with the twin
after the sign and the calibration offset of the gauge card. ``as_dialled`` and ``dial_of`` go from
the one to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

from midchord_io.gauge_card import GaugeCard

__all__ = ["FACTORS", "Flag", "as_dialled", "dial_of"]

FACTORS = {
    "sign": -1.0,
    "factor 2": 2.0,
    "factor 1/2": 0.5,
    "factor 25.4": 25.4,
    "factor 1/25.4": 1 / 25.4,
    "factor 10": 10.0,
    "factor 1/10": 0.1,
}
"""What was written down, over what should have been."""


@dataclass(frozen=True)
class Flag:
    """A suspect reading, or a suspect walk by its first row; nothing was changed.

    row             of the survey file
    kind            see ``suspects``
    sentence        the reason, and what would agree
    reading_mm      as written down
    expected_mm     what the gauge should have shown there
    alternative_mm  the reading that the slip makes of it; None where there is no one figure
    z               how many standard deviations of the survey's scatter it is off
    """

    row: int
    lite_id: str
    kind: str
    sentence: str
    reading_mm: float
    expected_mm: float
    alternative_mm: float | None
    z: float


def as_dialled(gauge_mm: float, card: GaugeCard) -> float:
    """What the dial showed, of a reading by the sign of the twin."""
    return float(card.reading_sign or 1) * gauge_mm + (card.calibration_offset_mm or 0.0)


def dial_of(dialled_mm: float, card: GaugeCard) -> float:
    """The reading by the sign of the twin, of what the dial showed."""
    return float(card.reading_sign or 1) * (dialled_mm - (card.calibration_offset_mm or 0.0))
