"""What must be known beside the figures of a survey: its sign, its support, its exclusions."""

from __future__ import annotations

from collections.abc import Mapping

from midchord.surveying.pair_tables import WORTH_SAYING_MM, PlaceMean
from midchord.surveying.pairing import Paired
from midchord.surveying.twin_field import MappedLite
from midchord_io.gauge_card import GaugeCard

__all__ = ["notes_of"]


def notes_of(
    card: GaugeCard, lites: Mapping[str, MappedLite], paired: Paired, moved: PlaceMean
) -> list[str]:
    """Notes of one gauge, in sentences.

    lites  all that were given;  moved: what the mean over the hands' places does
    """
    notes = []
    if card.reading_sign is None:
        notes.append(
            "The card does not say which way the dial turns on a peak; + was taken for a peak."
        )
    compared = [lite for name, lite in lites.items() if name in paired.twins]
    supports = {str(lite.summary.get("support") or "not stated") for lite in compared}
    by_hand = card.support or "not stated"
    if supports != {by_hand} or by_hand == "not stated":
        notes.append(
            f"Support by hand: {by_hand}; under the scanner: {', '.join(sorted(supports))}. A lite "
            "lies differently on each, which shifts single readings; swings hardly notice."
            + (
                " State it as support = \"...\" in the gauge card and in the [lite] part of the "
                "source description of the scan."
                if "not stated" in {by_hand, *supports}
                else ""
            )
        )
    if abs(moved.mean_mm) >= WORTH_SAYING_MM:
        notes.append(f"{moved.sentence[0].upper()}{moved.sentence[1:]}.")
    excluded = paired.unpaired["reason"].astype(str).str.startswith("excluded")
    if excluded.any():
        count = int(excluded.sum())
        many = "reading was" if count == 1 else "readings were"
        theirs = "its reason is" if count == 1 else "their reasons are"
        notes.append(f"{count} {many} excluded by hand; {theirs} listed.")
    return notes
