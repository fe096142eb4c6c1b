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
    """Mean readings of the twin where hands may have stood, and standard uncertainties of the
    pairs, (..., n), mm; NaN: none."""

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
        twin[..., on] = field.mean_at(x[..., on], y[..., on], placement_sd_mm)
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
    medians = singles.groupby(key, sort=False)["gauge_mm"].transform("median")
    rows = singles.assign(gauge_mm=medians).drop_duplicates(key).reset_index(drop=True)
    return rows.assign(u_scan_mm=rows["u_scan_mm"] * np.sqrt(_beside(rows)))


def _beside(rows: pd.DataFrame) -> Floats:
    """How many readings share the heights of the twin, each itself among them."""
    from scipy.spatial import KDTree

    count = np.ones(len(rows))
    for _, own in rows.groupby("lite_id", sort=False):
        x, y = (own[name].to_numpy(float) for name in ("x_mm", "y_mm"))
        # nearer than half of SMOOTHING_MM along and than POOL_MM across: a box of its own size
        scaled = np.column_stack([x / (SMOOTHING_MM / 2), y / POOL_MM])
        within = np.nextafter(1.0, 0.0)
        count[own.index.to_numpy()] = KDTree(scaled).query_ball_point(
            scaled, within, p=np.inf, return_length=True
        )
    return count
