"""What stands beside a verdict and never changes it: suspects inside, and where the spots lie.

A verdict counts every reading that no person excluded. Whoever reads it must know at once how many
of them are suspect, and what the figures would be without these; excluding is left to a person.

Agreement holds for places like those that were read. A hand that is off by some mm reads another
height on a slope and hardly on a crest, so spots on crests scatter less than the lite at large:
the uncertainty from the place at the spots is held against that at clear places drawn at random.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from midchord.surveying.pairing import Paired, place_uncertainty
from midchord.surveying.suspects import Flag
from midchord.surveying.twin_field import MappedLite

__all__ = [
    "Flatness",
    "counted",
    "flatness_of_spots",
    "reserves",
    "suspect_rows",
    "wide_tolerance",
    "without_rows",
]

DRAWN, SEED = 400, 3
"""Clear places of each lite that the spots are held against, and the seed they are drawn with."""
FLATTER = 0.7
"""Share of the uncertainty at random places from which spots count as flatter (common practice,
no source)."""
PLACE_MM = 5.0
CLEAR = 0


class Flatness(NamedTuple):
    """Root mean squares of the uncertainty from the place: at the spots, at random clear places.

    Hands taken to be off by place_sd_mm along each axis. u_random_mm is None where no lite has a
    clear place; is_flatter is False then.
    """

    u_spots_mm: float
    u_random_mm: float | None
    place_sd_mm: float
    is_flatter: bool
    sentence: str


def flatness_of_spots(
    paired: Paired, lites: Mapping[str, MappedLite], *, placement_sd_mm: float
) -> Flatness:
    """Whether the spots of a survey lie flatter than the clear zone of their lites.

    placement_sd_mm  how far hands are off; where it is 0, 5 mm are taken to compare the places
    """
    sd = placement_sd_mm or PLACE_MM
    spots = paired.singles.drop_duplicates("spot")
    own, drawn = [], []
    rng = np.random.default_rng(SEED)
    for lite_id, rows in spots.groupby("lite_id", sort=False):
        twin, zone = paired.twins[str(lite_id)], lites[str(lite_id)].maps["zone"].values
        x, y = (rows[name].to_numpy(float) for name in ("x_mm", "y_mm"))
        own.append(place_uncertainty(twin, x, y, sd))
        i, j = np.nonzero((zone == CLEAR) & np.isfinite(twin.reading_mm))
        if i.size:
            pick = rng.choice(i.size, min(DRAWN, i.size), replace=False)
            u = place_uncertainty(twin, twin.x_mm[i[pick]], twin.y_mm[j[pick]], sd)
            drawn.append(u[np.isfinite(u)])
    at_spots = float(np.sqrt(np.nanmean(np.concatenate(own) ** 2)))
    every = np.concatenate(drawn) if drawn else np.empty(0)
    if not every.size:
        sentence = "no lite has a clear place to hold the spots against"
        return Flatness(at_spots, None, sd, False, sentence)
    at_random = float(np.sqrt(np.mean(every**2)))
    flatter = at_spots < FLATTER * at_random
    if flatter:
        sentence = (
            f"the spots lie on flatter places than the lites at large: a hand off by {sd:g} mm "
            f"changes a reading by {at_spots:.2g} mm there, by {at_random:.2g} mm at clear places "
            "drawn at random; agreement on chosen spots does not speak for slopes"
        )
    else:
        sentence = (
            f"the spots lie on places like the clear zone at large: a hand off by {sd:g} mm "
            f"changes a reading by {at_spots:.2g} mm there, by {at_random:.2g} mm at random places"
        )
    return Flatness(at_spots, at_random, sd, flatter, sentence)


def reserves(
    n_suspects: int,
    n_causes: int,
    *,
    n_out_of_turn: int = 0,
    is_datum_in_doubt: bool = False,
    others: Sequence[str] = (),
) -> tuple[str, ...]:
    """What is said in one breath with a verdict, as "144 suspect readings (1 cause) inside".

    n_suspects     readings that are flagged;  n_causes: flags, several readings may share one
    n_out_of_turn  neighbouring marks that are no peak beside a valley
    others         what else there is, each said once
    """
    said = []
    if n_suspects:
        causes = f" ({counted(n_causes, 'cause')})" if n_causes < n_suspects else ""
        said.append(f"{counted(n_suspects, 'suspect reading')}{causes} inside")
    if n_out_of_turn:
        said.append(f"{counted(n_out_of_turn, 'swing')} that {_is(n_out_of_turn)} no half wave")
    if is_datum_in_doubt:
        said.append("the datum in doubt")
    return (*said, *dict.fromkeys(others))


def wide_tolerance(table: pd.DataFrame, tolerance: float | None) -> str:
    """What to say of a tolerance that any reading would meet; or "".

    table  pairs that were judged: gauge, scan
    """
    if tolerance is None:
        return ""
    scan = table["scan"].to_numpy(float)
    # swings are sizes: the least is nothing, not the smallest that was read
    low = min(0.0, float(scan.min())) if "from_row" in table.columns else float(scan.min())
    if tolerance <= float(scan.max()) - low:
        return ""
    return "a tolerance wider than all that the twin varies by"


def counted(count: int, word: str) -> str:
    """E.g. "1 cause", "3 causes"."""
    return f"{count} {word}{'' if count == 1 else 's'}"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def suspect_rows(flags: Sequence[Flag]) -> frozenset[int]:
    """Rows of the survey file that flags are about, those of suspect groups among them."""
    return frozenset(row for flag in flags for row in (flag.row, *flag.rows))


def without_rows(pairs: pd.DataFrame, rows: frozenset[int]) -> pd.DataFrame:
    """Pairs, or swings, that no row of these is in."""
    inside = pairs["row"].isin(rows)
    if "from_row" in pairs.columns:
        inside |= pairs["from_row"].isin(rows)
    return pairs[~inside].reset_index(drop=True)
