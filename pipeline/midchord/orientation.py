"""The orientation target: a lite with four unequal corner bumps, which prove axes, sign and units.

A flat lite looks the same whichever way its axes are taken. With a bump in each corner, 1, 2, 3 and
4 mm high, every wrong way looks different:

=================  ======  ============================================
corner             height  where the person stands who looks along the
                           travel, at the edge that comes first
=================  ======  ============================================
leading left       1 mm    first edge, left hand
leading right      2 mm    first edge, right hand
trailing left      3 mm    last edge, left hand
trailing right     4 mm    last edge, right hand
=================  ======  ============================================

Four different numbers in four corners leave one of the eight ways in which a matrix can lie, so the
axes follow from the numbers as stored, before anything is known of them. Bumps that point down are
distances. The largest is 4 mm, which tells the unit. ``midchord simulate --orientation-target``
makes the scan of such a lite; on a real conveyor, four pads of known thickness do.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.simulating.recipe import Recipe
from midchord_io.source import UNITS_MM

__all__ = ["TARGET_MM", "Target", "read_target", "target_recipe"]

Array = npt.NDArray[np.float64]

TARGET_MM = {"leading_left": 1.0, "leading_right": 2.0, "trailing_left": 3.0, "trailing_right": 4.0}
"""Heights of the bumps."""

LENGTH_MM, WIDTH_MM = 1200.0, 800.0
INSET_MM = 70.0
BUMP_SD_MM = 18.0

SHARE_TOLERANCE = 0.09
"""Of the highest bump: a quarter of it lies between two neighbours."""
CLEAR_OF_NOISE = 8.0
UNIT_FACTOR = 1.6
"""A thinned matrix cuts the top off a bump; the units of the table are 25 times apart."""


class Target(NamedTuple):
    """What the four bumps say of the numbers as stored."""

    axes: tuple[str, str]
    """What each stored axis is, for a right-handed description."""
    sign: str
    """``up``, or ``down`` where the numbers are distances."""
    largest: float
    """Stored numbers that the highest bump is high."""
    unit: str | None
    """Of the stored numbers, None where no unit of the table fits."""
    mm_per_number: float


def target_recipe() -> Recipe:
    """A flat lite, 1200 x 800 mm, with the four bumps 70 mm in from the edges.

    Its pitches differ (2 mm along, 4 mm across), so that swapped pitches show, too.
    """
    bumps = [
        {
            "x_mm": INSET_MM if corner.startswith("leading") else LENGTH_MM - INSET_MM,
            "y_mm": INSET_MM if corner.endswith("left") else WIDTH_MM - INSET_MM,
            "height_mm": height,
            "width_mm": BUMP_SD_MM,
        }
        for corner, height in TARGET_MM.items()
    ]
    return Recipe.of(
        {
            "seed": 1234,
            "lite": {
                "id": "orientation-target",
                "length_mm": LENGTH_MM,
                "width_mm": WIDTH_MM,
                "thickness_mm": 8.0,
            },
            "scanner": {"pitch_x_mm": 2.0, "pitch_y_mm": 4.0},
            "position": {"margin_mm": 12.0},
            "bumps": bumps,
            "noise": {"white_sigma_mm": 0.003},
        },
        where="orientation target",
    )


def read_target(numbers: Array) -> Target | None:
    """The target in a stored matrix, None where there are no such four bumps in it.

    numbers  (first axis, second axis) as stored, NaN where not measured; may be thinned
    """
    levelled = _levelled(numbers)
    if levelled is None:
        return None
    heights = np.array([_peak(corner) for corner in _quarters(levelled)])
    finite = levelled[np.isfinite(levelled)]
    noise = 1.4826 * float(np.median(np.abs(finite)))
    largest = float(heights[np.argmax(np.abs(heights))])
    shares = heights / largest if largest else heights
    expected = np.array(sorted(TARGET_MM.values())) / max(TARGET_MM.values())
    order = np.argsort(shares)
    if (
        np.abs(np.sort(shares) - expected).max() > SHARE_TOLERANCE
        or np.abs(heights).min() < CLEAR_OF_NOISE * noise
    ):
        return None
    ranks = np.empty(4, dtype=np.intp)
    ranks[order] = np.arange(4)
    axes = _axes_of(ranks.reshape(2, 2))
    if axes is None:
        return None
    mm_per_number = max(TARGET_MM.values()) / abs(largest)
    return Target(
        axes=axes,
        sign="up" if largest > 0 else "down",
        largest=abs(largest),
        unit=_unit_of(mm_per_number),
        mm_per_number=mm_per_number,
    )


def _axes_of(ranks: npt.NDArray[np.intp]) -> tuple[str, str] | None:
    """ranks    (first axis, second axis): 0 for the lowest bump to 3 for the highest
    returns  None where no way of laying a lite down gives them: the pads lie wrongly
    """
    for first, second in (("x", "y"), ("y", "x")):
        for signs in itertools.product(("", "-"), repeat=2):
            as_frame = ranks[:: -1 if signs[0] else 1, :: -1 if signs[1] else 1]
            if np.array_equal(as_frame if first == "x" else as_frame.T, [[0, 1], [2, 3]]):
                return signs[0] + first, signs[1] + second
    return None


def _unit_of(mm_per_number: float) -> str | None:
    for unit, in_mm in UNITS_MM.items():
        if 1 / UNIT_FACTOR < mm_per_number / in_mm < UNIT_FACTOR:
            return unit
    return None


def _levelled(numbers: Array) -> Array | None:
    """Less the plane through most of the points, in the box of what was measured."""
    is_there = np.isfinite(numbers)
    rows, columns = (np.flatnonzero(is_there.any(axis=axis)) for axis in (1, 0))
    if rows.size < 8 or columns.size < 8:
        return None
    box = numbers[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    u, v = np.mgrid[-1 : 1 : box.shape[0] * 1j, -1 : 1 : box.shape[1] * 1j]
    design = np.column_stack([np.ones(box.size), u.ravel(), v.ravel()])
    values = box.ravel()
    keep = np.isfinite(values)
    for _ in range(4):
        if keep.sum() < 100:
            return None
        plane = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        off = values - design @ plane
        finite = off[keep]
        middle = np.median(finite)
        spread = 1.4826 * np.median(np.abs(finite - middle))
        if not np.isfinite(spread) or spread == 0:
            break
        keep = np.isfinite(off) & (np.abs(off - middle) <= 4 * spread)
    result: Array = (off - np.median(off[keep])).reshape(box.shape)
    return result


def _quarters(box: Array) -> list[Array]:
    rows, columns = box.shape[0] // 2, box.shape[1] // 2
    return [
        part[:, cut]
        for part in (box[:rows], box[-rows:])
        for cut in (slice(None, columns), slice(-columns, None))
    ]


def _peak(quarter: Array) -> float:
    """Height of the bump, up or down; the few points beyond it may be spikes."""
    values = quarter[np.isfinite(quarter)]
    if values.size < 16:
        return 0.0
    furthest = values[np.argsort(np.abs(values))[-5:]]
    return float(furthest[0])
