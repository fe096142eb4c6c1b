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

__all__ = [
    "PADS_APART_MM",
    "TARGET_MM",
    "UNIT_TOLERANCE",
    "Target",
    "read_target",
    "target_recipe",
]

Array = npt.NDArray[np.float64]

TARGET_MM = {"leading_left": 1.0, "leading_right": 2.0, "trailing_left": 3.0, "trailing_right": 4.0}
"""Heights of the bumps."""

LENGTH_MM, WIDTH_MM = 1200.0, 800.0
INSET_MM = 70.0
BUMP_SD_MM = 18.0

SHARE_TOLERANCE = 0.09
"""Of the highest bump: a quarter of it lies between two neighbours."""
CLEAR_OF_NOISE = 8.0
UNIT_TOLERANCE = 0.05
"""Of a unit, and of heights that are right: pads are cut and laid no better, by far."""
COARSE_TOLERANCE = 0.6
"""Of a coarse grid of points, whose cells are as wide as a bump."""
LEAST_ACCURACY = 0.005
"""Pads are not known better than this (common practice, no source)."""
BUMP_FROM = 0.7
"""Of its top: what lies above belongs to the bump."""
FLAT_SHARE = 0.02
"""A bump of which half the points agree so well is a pad with a flat top."""

PADS_APART_MM = (LENGTH_MM - 2 * INSET_MM, WIDTH_MM - 2 * INSET_MM)
"""Of the simulated target, along x and y."""


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
    """Slope through all four bumps."""
    accuracy: float
    """Share by which ``mm_per_number`` may be off: the largest by which one bump disagrees."""
    apart: tuple[float, float]
    """Samples between the bumps along the first and the second axis."""

    @property
    def scale(self) -> tuple[str, float]:
        """A unit of the table, and the plainest ``height_scale`` that the bumps allow."""
        if self.unit is not None:
            return self.unit, 1.0
        unit = next(
            (name for name in ("mm", "um", "nm", "m")
             if 0.1 <= self.mm_per_number / UNITS_MM[name] < 100), "mm",
        )  # fmt: skip
        exact = self.mm_per_number / UNITS_MM[unit]
        rounded = (float(f"{exact:.{digits}e}") for digits in range(4))
        plain = (number for number in rounded if abs(number / exact - 1) <= self.accuracy)
        return unit, next(plain, float(f"{exact:.3e}"))


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


def read_target(numbers: Array, *, is_coarse: bool = False) -> Target | None:
    """The target in a stored matrix, None where there are no such four bumps in it.

    numbers    (first axis, second axis) as stored, NaN where not measured; may be thinned
    is_coarse  whether cells are about as wide as a bump, which lowers it
    """
    levelled = _levelled(numbers)
    if levelled is None:
        return None
    bumps = [_bump(corner) for corner in _quarters(levelled)]
    heights = np.array([bump.height for bump in bumps])
    finite = levelled[np.isfinite(levelled)]
    noise = 1.4826 * float(np.median(np.abs(finite)))
    largest = float(heights[np.argmax(np.abs(heights))])
    shares = heights / largest if largest else heights
    known = np.array(sorted(TARGET_MM.values()))
    order = np.argsort(shares)
    if (
        np.abs(shares[order] - known / known.max()).max() > SHARE_TOLERANCE
        or np.abs(heights).min() < CLEAR_OF_NOISE * noise
    ):
        return None
    ranks = np.empty(4, dtype=np.intp)
    ranks[order] = np.arange(4)
    axes = _axes_of(ranks.reshape(2, 2))
    if axes is None:
        return None
    read = np.abs(heights[order])
    mm_per_number = float(read @ known / (read @ read))
    off = float(np.abs(mm_per_number * read / known - 1).max())
    size = levelled.shape
    row, column = (np.array([bump.at[k] for bump in bumps]).reshape(2, 2) for k in (0, 1))
    return Target(
        axes=axes,
        sign="up" if largest > 0 else "down",
        largest=abs(largest),
        unit=_unit_of(mm_per_number, COARSE_TOLERANCE if is_coarse else UNIT_TOLERANCE),
        mm_per_number=mm_per_number,
        accuracy=max(LEAST_ACCURACY, off),
        apart=(
            float((row[1] - row[0]).mean()) + size[0] - size[0] // 2,
            float((column[:, 1] - column[:, 0]).mean()) + size[1] - size[1] // 2,
        ),
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


def _unit_of(mm_per_number: float, tolerance: float) -> str | None:
    for unit, in_mm in UNITS_MM.items():
        if 1 / (1 + tolerance) < mm_per_number / in_mm < 1 + tolerance:
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


class _Bump(NamedTuple):
    height: float
    """As stored, negative for a hollow."""
    at: tuple[float, float]
    """Row and column within the quarter."""


def _bump(quarter: Array) -> _Bump:
    """The bump in a quarter, up or down; the few points beyond it may be spikes.

    A thinned matrix misses the very top, so that is read from all points of its upper part: their
    median where it is flat, else the top of the Gaussian through them, whose logarithm is a
    paraboloid.
    """
    is_there = np.isfinite(quarter)
    if is_there.sum() < 16:
        return _Bump(0.0, (0.0, 0.0))
    values = quarter[is_there]
    rough = float(values[np.argsort(np.abs(values))[-5]])
    if rough == 0:
        return _Bump(0.0, (0.0, 0.0))
    shares = np.where(is_there, quarter, 0.0) / rough
    rows, columns = np.nonzero((shares > BUMP_FROM) & (shares < 2 - BUMP_FROM))
    middle = np.array([np.median(rows), np.median(columns)])
    away = np.hypot(rows - middle[0], columns - middle[1])
    near = away <= 2.5 * np.median(away) + 1
    rows, columns = rows[near], columns[near]
    tops = shares[rows, columns]
    at = (float(rows.mean()), float(columns.mean()))
    lower, upper = np.percentile(tops, (25, 75))
    if tops.size < 12 or upper - lower <= FLAT_SHARE:
        top = float(np.median(tops)) if tops.size >= 12 else 1.0
        return _Bump(rough * top, at)
    u, v = rows - at[0], columns - at[1]
    design = np.column_stack([np.ones(u.size), u, v, u * u, u * v, v * v])
    c, c_u, c_v, c_uu, c_uv, c_vv = np.linalg.lstsq(design, np.log(tops), rcond=None)[0]
    bend = np.array([[2 * c_uu, c_uv], [c_uv, 2 * c_vv]])
    if np.linalg.eigvalsh(bend).max() >= 0:
        return _Bump(rough * float(np.median(tops)), at)
    to_top = np.linalg.solve(bend, [-c_u, -c_v])
    height = float(np.exp(c + 0.5 * (c_u * to_top[0] + c_v * to_top[1])))
    if not 0.8 < height < 1.5:
        return _Bump(rough, at)
    return _Bump(rough * height, (at[0] + float(to_top[0]), at[1] + float(to_top[1])))
