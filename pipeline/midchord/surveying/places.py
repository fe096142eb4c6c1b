"""Pairs moved elsewhere: what the twin reads, and how well, where a reading may have been taken.

A survey whose places are wrong as a whole, by a shift or by the datum, is tried at other places;
the uncertainty of each pair moves with it, since it hangs on the slope of the map there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.pairing import place_uncertainty
from midchord.surveying.twin_field import POOL_MM, SMOOTHING_MM, TwinField

__all__ = ["PlacedTwin", "placed_twin", "without_repeats"]

Floats = npt.NDArray[np.float64]


class PlacedTwin(NamedTuple):
    """Readings of the twin and standard uncertainties of the pairs, (..., n), mm; NaN: none."""

    twin_mm: Floats
    u_mm: Floats


def placed_twin(
    pairs: pd.DataFrame,
    twins: Mapping[str, TwinField],
    x_mm: npt.ArrayLike,
    y_mm: npt.ArrayLike,
    placement_sd_mm: float,
) -> PlacedTwin:
    """What the twin reads if the readings were taken at these places.

    pairs            (n,) as of ``pair_readings``
    x_mm, y_mm       (..., n)
    placement_sd_mm  how far a hand is off, along each axis
    """
    x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
    twin, place = np.full(x.shape, np.nan), np.full(x.shape, np.nan)
    own = pairs["lite_id"].astype(str).to_numpy()
    for lite_id in dict.fromkeys(own):
        on, field = own == lite_id, twins[lite_id]
        twin[..., on] = field.at(x[..., on], y[..., on])
        place[..., on] = place_uncertainty(field, x[..., on], y[..., on], placement_sd_mm)
    u_gauge, u_scan = (pairs[name].to_numpy(float) for name in ("u_gauge_mm", "u_scan_mm"))
    return PlacedTwin(twin, np.sqrt(u_gauge**2 + u_scan**2 + place**2))


def without_repeats(singles: pd.DataFrame) -> pd.DataFrame:
    """Pairs with the repeats of one operator at one place replaced by their median.

    r readings beside each other, by several operators, share what the twin is off there, v, the
    rest of their variance w being their own. The variance of their mean is w / r + v, that of r
    independent ones of w + r v each: so u_scan_mm is stated sqrt(r) times as large.
    """
    key = ["lite_id", "operator", "x_mm", "y_mm"]
    rows = singles.drop_duplicates(key).copy()
    medians = singles.groupby(key, sort=False)["gauge_mm"].median()
    rows["gauge_mm"] = medians.loc[list(rows[key].itertuples(index=False, name=None))].to_numpy()
    rows = rows.reset_index(drop=True)
    return rows.assign(u_scan_mm=rows["u_scan_mm"] * np.sqrt(_beside(rows)))


def _beside(rows: pd.DataFrame) -> Floats:
    """How many readings share the heights of the twin, each itself among them."""
    count = np.ones(len(rows))
    for _, own in rows.groupby("lite_id", sort=False):
        x, y = (own[name].to_numpy(float) for name in ("x_mm", "y_mm"))
        near = np.abs(x[:, None] - x) < SMOOTHING_MM / 2
        near &= np.abs(y[:, None] - y) < POOL_MM
        count[own.index.to_numpy()] = near.sum(axis=1)
    return count
