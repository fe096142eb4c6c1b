"""The gauge comes before the datum: was it taken wrongly, or does the gauge read otherwise?

Readings by other feet than the card says, or all too large by one factor, agree with no place on
the lite, and some wrong datum may fit them a little better than the stated one. So where one other
gauge, one other setting of the feet or one factor explains the whole survey (``wrong_feet``), and
explains it better than the datum that would have been called wrong, the datum is asked once more,
of the readings as that gauge would have made them.

Both are fitted to the same readings, all alike (``twin_fit``): the twin of the card's gauge with
the suspected readings where that datum puts them, and the twin of the other gauge at the places as
stated. The likelier one is taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.datum import DatumSuspicion, suspect_datum
from midchord.surveying.datum_ways import twin_under, ways_of
from midchord.surveying.places import placed_twin, without_repeats
from midchord.surveying.twin_field import MappedLite, TwinField
from midchord.surveying.twin_fit import fit_twins, grouped
from midchord.surveying.wrong_feet import OtherGauge, other_gauge
from midchord_io.gauge_card import GaugeCard

__all__ = ["settle_datum"]

Floats = npt.NDArray[np.float64]


def settle_datum(
    singles: pd.DataFrame,
    swings: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
    *,
    placement_sd_mm: float,
) -> DatumSuspicion:
    """Whether the datum was taken as stated, by the gauge that the readings themselves speak for.

    Parameters as of ``flag_readings`` and ``suspect_datum``
    """
    stated = suspect_datum(singles, twins, placement_sd_mm=placement_sd_mm)
    other = other_gauge(singles, swings, twins, card, lites)
    # the other sign throughout is the other face, which is a datum
    if other is None or other.kind == "sign":
        return stated
    if stated.groups and not _explains_more(singles, twins, stated, other, placement_sd_mm):
        return stated
    # a reading's own uncertainties go with the reading
    small = 1 / abs(other.factor)
    made = singles.assign(
        gauge_mm=singles["gauge_mm"] / other.factor, u_gauge_mm=singles["u_gauge_mm"] * small
    )
    again = suspect_datum(made, other.twins, placement_sd_mm=placement_sd_mm)
    return replace(
        again,
        sentence=f"the gauge reads otherwise than its card says ({other.words} throughout); asked "
        f"by that: {again.sentence}",
    )


def _explains_more(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    stated: DatumSuspicion,
    other: OtherGauge,
    sd_mm: float,
) -> bool:
    pairs = without_repeats(singles)
    x, y = pairs["x_mm"], pairs["y_mm"]
    here = placed_twin(pairs, twins, x, y, sd_mm)
    moved, u_moved = here.twin_mm.copy(), here.u_mm.copy()
    for group in stated.groups:
        on = pairs["row"].isin(group.rows).to_numpy()
        own = pairs[on].reset_index(drop=True)
        ways = {way.name: way for way in ways_of(own, twins, 0.0)}
        at = twin_under(ways[group.way], own, twins, sd_mm)
        moved[on], u_moved[on] = at.twin_mm, at.u_mm
    by_other = placed_twin(pairs, other.twins, x, y, sd_mm)
    twin = np.stack([moved, other.factor * by_other.twin_mm])
    u = np.stack([u_moved, abs(other.factor) * by_other.u_mm])
    known = np.asarray(np.isfinite(twin).all(axis=0))
    if not known.any():
        return True
    groups = grouped(pairs, ("lite_id", "operator")).of(known)
    gauge = pairs["gauge_mm"].to_numpy(float)[known]
    by_datum, by_gauge = fit_twins(gauge, twin[:, known], u[:, known], groups).log_likelihood
    return bool(by_gauge > by_datum)
