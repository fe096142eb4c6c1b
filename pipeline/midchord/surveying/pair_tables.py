"""Pairs as the statistics take them, in mm or as distortion; and what the hands' placement costs.

The statistics know nothing of glass: they want a table with gauge, scan and the uncertainty of
each. How far a hand is off counts with the scan, whose map says what that does to a reading.

On peaks and valleys every hand that is off reads low, so the scan is taken as the mean over where
hands may have stood (``pairing``). How much that is, and what the bias would be had every hand
stood exactly where the survey says, is stated with the figures: nobody measured the hands.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr

from midchord.surveying.twin_field import MappedLite

__all__ = ["WORTH_SAYING_MM", "PlaceMean", "mdpt_table", "mm_table", "place_mean"]

MDPT = 4e6 * np.pi**2
WORTH_SAYING_MM = 1e-4
"""A tenth of the finest step of a dial (common practice, no source)."""


class PlaceMean(NamedTuple):
    """What the mean over the hands' places takes off the twin, swings or single readings.

    mean_mm           mean over the pairs of (mean of the twin where hands may stand, less its
                      reading at the stated place); under 0: it makes swings smaller
    largest_mm        the largest of them in size, signed
    place_sd_mm       how far hands are off, along each axis
    bias_if_exact_mm  about what the bias would be with every hand exactly at its stated place
    """

    mean_mm: float
    largest_mm: float
    place_sd_mm: float
    bias_if_exact_mm: float
    sentence: str


def mm_table(pairs: pd.DataFrame) -> pd.DataFrame:
    """The columns of compare_pairs; how far the hand was off counts with the scan."""
    return pairs.assign(
        gauge=pairs["gauge_mm"],
        scan=pairs["scan_mm"],
        u_gauge=pairs["u_gauge_mm"],
        u_scan=np.hypot(pairs["u_scan_mm"], pairs["u_place_mm"]),
    )


def mdpt_table(swings: pd.DataFrame, lites: Mapping[str, MappedLite]) -> pd.DataFrame:
    """Swings as distortion, both by the scan's wavelength in the middle of the half wave."""
    table = mm_table(swings)
    length = np.full(len(table), np.nan)
    middle = 0.5 * (table["from_x_mm"] + table["x_mm"]).to_numpy(float)
    across = table["y_mm"].to_numpy(float)
    own = table["lite_id"].astype(str).to_numpy()
    for lite_id in dict.fromkeys(own):
        on, lite = own == lite_id, lites[lite_id]
        x, y = (xr.DataArray(part[on], dims="pair") for part in (middle, across))
        there = lite.maps["wavelength"].sel(x=x, y=y, method="nearest").values.astype(float)
        mean = lite.summary["mean_wavelength_mm"]
        length[on] = np.where(np.isfinite(there), there, np.nan if mean is None else mean)
    factor = MDPT / length**2
    names = ("gauge", "scan", "u_gauge", "u_scan")
    in_mdpt = table.assign(**{name: table[name] * factor for name in names})
    return in_mdpt.iloc[np.flatnonzero(np.isfinite(length))]


def place_mean(pairs: pd.DataFrame, *, bias_mm: float) -> PlaceMean:
    """How the mean over the hands' places moved these pairs.

    pairs    swings, or single readings, as of ``pair_readings``
    bias_mm  of these pairs, scan less gauge
    """
    moved = pairs["place_mean_mm"].to_numpy(float)
    mean, sd = float(moved.mean()), float(pairs["place_sd_mm"].iloc[0])
    largest = float(moved[np.abs(moved).argmax()])
    exact = bias_mm - mean
    what = "swings" if "from_x_mm" in pairs else "single readings"
    if abs(mean) < WORTH_SAYING_MM:
        sentence = (
            f"hands that are off by {sd:g} mm shift the {what} of this survey by no more than "
            f"{1000 * WORTH_SAYING_MM:g} um on average"
        )
    else:
        sentence = (
            f"each reading is compared with the mean of its twin over where a hand off by {sd:g} "
            "mm along each axis may have stood: being off a peak reads low, off a valley high; "
            f"this shifts the {what} by {1000 * mean:+.2g} um on average; had every hand stood "
            f"exactly where the survey says, the bias would be {1000 * exact:+.2g} um instead of "
            f"{1000 * bias_mm:+.2g} um"
        )
    return PlaceMean(mean, largest, sd, exact, sentence)
