"""Whether a survey fits its gauge card at all.

A datum is taken wrong by a person, not by a lite. Where the readings on one lite speak for one
wrong datum and those on another for another one, each as surely, what is wrong is what they have in
common: the card, or the gauge. They say nothing of any datum then, however well a wrong one fits.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from midchord.surveying.datum import DatumSuspicion
from midchord.surveying.flags import Flag
from midchord.surveying.reserves import suspect_rows

__all__ = ["CARD_IN_DOUBT", "is_card_in_doubt", "lites_at_odds"]

CARD_IN_DOUBT = "the gauge card in doubt"
SHARE = 1 / 3
"""Of the readings, from which lites at odds are no slips of single walks (common practice, no
source)."""


def is_card_in_doubt(flags: Sequence[Flag], n_readings: int) -> bool:
    """Whether another gauge, other feet or one factor explains half of the readings or more."""
    of_card = [flag for flag in flags if flag.rows and flag.kind != "datum"]
    return bool(of_card) and 2 * len(suspect_rows(of_card)) >= n_readings


def lites_at_odds(datum: DatumSuspicion, flags: Sequence[Flag], singles: pd.DataFrame) -> str:
    """A sentence on lites that speak for different wrong datums; or "".

    datum    of ``settle_datum``;  flags: of ``flag_readings``
    singles  pairs as of ``pair_readings``
    """
    # the other sign is the other face: a datum, too
    signs = [("other face", flag.rows) for flag in flags if flag.kind == "sign" and flag.rows]
    claims = [*((group.way, group.rows) for group in datum.groups), *signs]
    rows = {row for _, own in claims for row in own}
    if len(rows) < SHARE * len(singles):
        return ""
    lite_of = dict(zip(singles["row"], singles["lite_id"].astype(str), strict=True))
    ways: dict[str, dict[str, None]] = {}
    for way, own in claims:
        for lite_id in dict.fromkeys(lite_of[row] for row in own):
            ways.setdefault(lite_id, {})[way] = None
    said = [set(own) for own in ways.values()]
    if not any(one.isdisjoint(other) for one in said for other in said):
        return ""
    each = "; ".join(f"{lite_id}: {', '.join(own)}" for lite_id, own in ways.items())
    return (
        f"the survey does not fit its gauge card: the readings speak for another wrong datum from "
        f"lite to lite ({each}), which contradict one another; see whether the card is that of the "
        "gauge that was used; no datum and no single reading was judged"
    )
