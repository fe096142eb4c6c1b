"""A spot that stays: in how many lites, of how many, a place was above a limit, and how sure.

The share of lites above the limit has a Wilson interval (Wilson 1927, J. Am. Stat. Assoc. 22, 209).
That takes lites for independent; lites that follow each other often
are not (a roller that is dirty for an hour). So the serial correlation r of being above, from one
lite to the next at the same place, is measured, and n lites count as n (1 - r) / (1 + r). A place
is persistent where the lower end of the interval reaches the share asked for; places that touch are
one spot. The interval is for a place by itself, not for the worst of a hundred thousand.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.production.frames import Frame
from midchord.production.sums import FrameSums

__all__ = ["Persistent", "Spot", "persistent_spots", "wilson"]

Floats = npt.NDArray[np.float64]


class Spot(NamedTuple):
    """Places that touch. x_mm, y_mm: centre, on the frame's own axes; share, interval, above,
    lites: of the place in it that was above most often, at worst_x_mm, worst_y_mm."""

    x_mm: float
    y_mm: float
    worst_x_mm: float
    worst_y_mm: float
    length_mm: float
    width_mm: float
    area_mm2: float
    above: int
    lites: int
    share: float
    interval: tuple[float, float]
    persistent: bool


class Persistent(NamedTuple):
    """share, low, high  (nx, ny) of lites above the limit and its interval
    correlation       from one lite to the next; deflation: of the number of lites, by it
    spots             persistent ones, the largest first; the most frequent place alone, where
                      none is persistent
    spot_count        persistent ones, listed or not
    """

    share: Floats
    low: Floats
    high: Floats
    correlation: float
    deflation: float
    spots: tuple[Spot, ...]
    spot_count: int


def wilson(share: npt.ArrayLike, n: npt.ArrayLike, level: float) -> tuple[Floats, Floats]:
    """Wilson's interval of a binomial share of ``n`` (need not be whole); NaN where n is 0."""
    from scipy.special import ndtri

    p, m = np.asarray(share, dtype=np.float64), np.asarray(n, dtype=np.float64)
    z = float(ndtri(0.5 + level / 2))
    told = m > 0
    m = np.where(told, m, 1.0)
    centre = (p + z**2 / (2 * m)) / (1 + z**2 / m)
    half = z / (1 + z**2 / m) * np.sqrt(p * (1 - p) / m + z**2 / (4 * m**2))
    # at 0 and 1 an end is exact, but for rounding
    low = np.where(p <= 0, 0.0, centre - half)
    high = np.where(p >= 1, 1.0, centre + half)
    return np.where(told, low, np.nan), np.where(told, high, np.nan)


def persistent_spots(
    sums: FrameSums, frame: Frame, *, least_share: float, least_lites: float, most: int,
    level: float,
) -> Persistent:  # fmt: skip
    """How often each place was above the limit, and the spots that stay.

    least_share  that the lower end of the interval must reach
    least_lites  with a value at a place: rims that few lites reached are not judged
    most         spots listed
    """
    from scipy import ndimage

    maps = sums.maps()
    seen = maps.lites > 0
    share = np.where(seen, maps.above / np.maximum(maps.lites, 1), np.nan)
    r = sums.serial_correlation()
    # spread that alternates would make lites count for more than they are
    held = min(max(r, 0.0), 0.98)
    deflation = (1 - held) / (1 + held)
    low, high = wilson(np.where(seen, share, 0.0), maps.lites * deflation, level)
    low, high = np.where(seen, low, np.nan), np.where(seen, high, np.nan)
    judged = seen & (maps.lites >= least_lites)
    stays = judged & (low >= least_share)
    labels, count = ndimage.label(stays, structure=np.ones((3, 3)))

    def spot(rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Spot:
        worst = int(np.argmax(low[rows, columns]))
        i, j = int(rows[worst]), int(columns[worst])
        x, y = frame.x_mm, frame.y_mm
        return Spot(
            float(x[rows].mean()), float(y[columns].mean()), float(x[i]), float(y[j]),
            float(np.ptp(rows) + 1) * frame.pitch_mm, float(np.ptp(columns) + 1) * frame.pitch_mm,
            rows.size * frame.pitch_mm**2, int(maps.above[i, j]), int(maps.lites[i, j]),
            float(share[i, j]), (float(low[i, j]), float(high[i, j])), bool(stays[i, j]),
        )  # fmt: skip

    spots: list[Spot] = []
    if count:
        sizes = np.bincount(labels.ravel(), minlength=count + 1)[1:]
        order = np.argsort(-sizes, kind="stable")[:most]
        around = ndimage.find_objects(labels)
        for number in order:
            rows, columns = np.nonzero(labels[around[number]] == number + 1)
            start = [part.start for part in around[number]]
            spots.append(spot(rows + start[0], columns + start[1]))
    elif (judged & (maps.above > 0)).any():
        i, j = np.unravel_index(int(np.argmax(np.where(judged, low, -1.0))), low.shape)
        spots.append(spot(np.array([i]), np.array([j])))
    return Persistent(share, low, high, r, deflation, tuple(spots), int(count))
