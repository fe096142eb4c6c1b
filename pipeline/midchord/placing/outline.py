"""The outline of a lite: four straight edges, their corners, and the skew.

A scan tells an edge only as the last cell without glass and the first with it, in every column
(or line): the edge lies between the two centres. Each edge is therefore fitted to intervals, not
to points. With a turned lite the steps of the staircase pin the line down to a small part of a
pitch, even where the pitch across the edge is coarse; with no turn, half a pitch remains open.
Columns may be wrong (dropouts at the rim, notches, cut corners).

The range of slopes that the columns leave likely is kept, and the skew is decided so:

1. the left-hand edge's, if it is seen and straight over at least ``STRAIGHT_SHARE``; but where it
   stands alone (square to none of the others, while two of those agree) or is short, the first of
   leading, right and trailing edge that agrees with another, or else the first that is straight;
2. where that edge leaves the skew open by more than ``OPEN_DEG`` (coarse pitch, hardly any skew),
   the others narrow it, taken as square to it, the most certain first, as far as they lie within
   its range;
3. with no straight edge in sight the lite is taken as not turned.

An edge whose own range of slopes agrees with the skew takes the skew's; otherwise (trapezoid) it
keeps its own. Where the glass runs to the border of the scan, the border is the edge.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.placing.region import MEASURED, Floats, Grid, States

__all__ = ["CORNERS", "SIDES", "Edge", "Outline", "Rim", "find_outline", "fit_edge", "grid_outline"]

SIDES = ("left", "leading", "right", "trailing")
CORNERS = {
    "leading_left": ("leading", "left"),
    "leading_right": ("leading", "right"),
    "trailing_left": ("trailing", "left"),
    "trailing_right": ("trailing", "right"),
}
STRAIGHT_SHARE = 0.3
OPEN_DEG = 0.01
SQUARE_DEG = 0.25
"""Edges that agree to this are square: 4 mm over 1 m, more than cutting tolerances allow."""
WITHIN_DEG = 0.02
FACING_DEG = 40.0
"""A piece of the convex hull turned further from a side belongs to a cut corner."""
CLUSTER_DEG = 1.5
WRONG = 0.03
"""Probability that a column at the rim is wrong: dropouts are a few per cent at most."""
ROOM_MM = 1e-7
END_SHARE, END_MM = 0.02, 30.0
"""Of each edge, not used for its slope."""
ZOOMS = 12


class Edge(NamedTuple):
    """across = offset_mm + slope * along; across is x for leading and trailing, else y."""

    side: str
    slope: float
    offset_mm: float
    is_seen: bool
    is_straight: bool
    range_deg: tuple[float, float]
    """Skews that this edge leaves likely."""

    @property
    def skew_deg(self) -> float:
        return 0.5 * (self.range_deg[0] + self.range_deg[1])

    @property
    def open_deg(self) -> float:
        return 0.5 * (self.range_deg[1] - self.range_deg[0])

    @property
    def tells_skew(self) -> bool:
        return self.is_seen and self.is_straight

    @property
    def inward(self) -> Floats:
        """(a, b, c) with a x + b y + c the distance inward from the edge; mm."""
        sign = 1.0 if self.side in ("leading", "left") else -1.0
        scale = sign / np.hypot(1.0, self.slope)
        a, b = (1.0, -self.slope) if _is_across_x(self.side) else (-self.slope, 1.0)
        return np.array([scale * a, scale * b, -scale * self.offset_mm])


class Outline(NamedTuple):
    edges: dict[str, Edge]
    skew_deg: float
    corners_mm: dict[str, Floats]
    """(2,), x and y on the scan's own axes."""
    is_square: bool


def _is_across_x(side: str) -> bool:
    return side in ("leading", "trailing")


def _slope(side: str, skew_deg: float) -> float:
    tangent = float(np.tan(np.deg2rad(skew_deg)))
    return -tangent if _is_across_x(side) else tangent


class Rim(NamedTuple):
    """One side as seen, a row for each column (or line) with glass in it.

    along_mm         position along the edge
    low_mm, high_mm  the edge lies between, across; infinite where the border hides it
    glass_mm         centre of the outermost cell with glass
    """

    along_mm: Floats
    low_mm: Floats
    high_mm: Floats
    glass_mm: Floats

    def missed_mm(self, slope: float, offset_mm: float) -> Floats:
        """How far outside of its interval a line passes; not positive where it passes inside."""
        line = offset_mm + slope * self.along_mm
        return np.maximum(self.low_mm - line, line - self.high_mm)


def _take(rim: Rim, keep: npt.NDArray[np.bool_]) -> Rim:
    return Rim(*(values[keep] for values in rim))


def find_outline(state: States, grid: Grid) -> Outline:
    """Edges, corners and skew of the lite in a scan.

    state    (x, y); the cells that are MEASURED make the lite
    returns  edges on the axes of the scan, corners where the edges' lines meet
    """
    is_body = _body(state)
    rims = {side: _rim(is_body, grid, side) for side in SIDES}
    points = np.concatenate([_points(rims[side], side) for side in SIDES])
    edges = {side: _edge(side, rims[side], points, grid) for side in SIDES}
    skew_deg = _skew(edges)
    return _outline({s: _turned(edges[s], rims[s], skew_deg, grid) for s in SIDES}, skew_deg)


def grid_outline(grid: Grid) -> Outline:
    """The outer sides of the border cells: the outline of a scan that is on the lite frame."""
    edges = {side: _border(side, grid) for side in SIDES}
    return _outline(edges, 0.0)


def _outline(edges: dict[str, Edge], skew_deg: float) -> Outline:
    corners = {}
    for name, (across, along) in CORNERS.items():
        one, other = edges[across].inward, edges[along].inward
        normals = np.stack([one[:2], other[:2]])
        corners[name] = np.linalg.solve(normals, -np.array([one[2], other[2]]))
    is_square = all(
        abs(edge.skew_deg - skew_deg) <= SQUARE_DEG + edge.open_deg
        and (edge.is_straight or not edge.is_seen)
        for edge in edges.values()
    )
    return Outline(edges, skew_deg, corners, is_square)


def _body(state: States) -> npt.NDArray[np.bool_]:
    """Measured cells with at least two measured among their eight neighbours: no stray points."""
    measured = state == MEASURED
    padded = np.pad(measured, 1).view(np.uint8)
    rows = padded[:-2] + padded[1:-1]
    rows += padded[2:]
    count = rows[:, :-2] + rows[:, 1:-1]
    count += rows[:, 2:]
    return np.asarray(measured & (count >= 3))


def _rim(is_body: npt.NDArray[np.bool_], grid: Grid, side: str) -> Rim:
    axis = 0 if _is_across_x(side) else 1
    x_mm, y_mm = grid.x_mm, grid.y_mm
    across_mm, along_mm, pitch = (
        (x_mm, y_mm, grid.pitch_x_mm) if axis == 0 else (y_mm, x_mm, grid.pitch_y_mm)
    )
    has = is_body.any(axis=axis)
    if side in ("leading", "left"):
        first = is_body.argmax(axis=axis)[has]
        glass = across_mm[first]
        low, high = np.where(first == 0, -np.inf, glass - pitch), glass
    else:
        flipped = is_body[::-1] if axis == 0 else is_body[:, ::-1]
        first = flipped.argmax(axis=axis)[has]
        glass = across_mm[::-1][first]
        low, high = glass, np.where(first == 0, np.inf, glass + pitch)
    return Rim(along_mm[has], low, high, glass)


def _points(rim: Rim, side: str) -> Floats:
    pair = (rim.glass_mm, rim.along_mm) if _is_across_x(side) else (rim.along_mm, rim.glass_mm)
    return np.stack(pair, axis=1)


def _border(side: str, grid: Grid) -> Edge:
    centres, pitch = (
        (grid.x_mm, grid.pitch_x_mm) if _is_across_x(side) else (grid.y_mm, grid.pitch_y_mm)
    )
    offset = centres[0] - pitch / 2 if side in ("leading", "left") else centres[-1] + pitch / 2
    return Edge(side, 0.0, float(offset), False, True, (0.0, 0.0))


def _edge(side: str, rim: Rim, hull_points: Floats, grid: Grid) -> Edge:
    """One edge by itself, with the range of its slope."""
    at_border = np.isinf(rim.low_mm) | np.isinf(rim.high_mm)
    if 2 * np.count_nonzero(at_border) >= at_border.size:
        return _border(side, grid)
    pitch = grid.pitch_x_mm if _is_across_x(side) else grid.pitch_y_mm
    slope = _slope(side, _rough_skew(side, hull_points, pitch))
    sign = 1.0 if side in ("leading", "left") else -1.0
    # from the outermost glass inward, then ever closer to the line that was found
    level = sign * (rim.glass_mm - slope * rim.along_mm)
    # rounded corners look like one more step of the staircase
    end = min(END_MM, END_SHARE * float(np.ptp(rim.along_mm)))
    is_inner = (rim.along_mm >= rim.along_mm[0] + end) & (rim.along_mm <= rim.along_mm[-1] - end)
    keep = is_inner & (level <= level.min() + 2.5 * pitch)
    if np.count_nonzero(keep) < 3:
        return Edge(side, slope, 0.0, True, False, (0.0, 0.0))
    span = max(1e-9, float(np.ptp(rim.along_mm)))
    width = 5.0 * pitch / span + np.deg2rad(CLUSTER_DEG)
    for tolerance in (1.5, 1.0):
        slope, offset = _least_missed(_take(rim, keep), slope, width)
        inside = is_inner & (rim.missed_mm(slope, offset) <= tolerance * pitch)
        if np.count_nonzero(inside) < max(3.0, 0.6 * np.count_nonzero(keep)):
            break
        keep = inside
    slope, offset, least, largest = fit_edge(_take(rim, keep), slope=slope, pitch_mm=pitch)
    keep = rim.missed_mm(slope, offset) <= 0.5 * pitch
    is_straight = np.count_nonzero(keep) >= max(3.0, STRAIGHT_SHARE * keep.size)
    turns = sorted(np.rad2deg(np.arctan([least, largest])))
    if _is_across_x(side):
        turns = [-turns[1], -turns[0]]
    return Edge(side, slope, offset, True, bool(is_straight), (float(turns[0]), float(turns[1])))


def _rough_skew(side: str, points: Floats, pitch_mm: float) -> float:
    """Direction of most of the convex hull that faces the side; degrees."""
    from scipy.spatial import ConvexHull

    hull = points[ConvexHull(points).vertices]  # counter-clockwise
    step = np.roll(hull, -1, axis=0) - hull
    length = np.hypot(step[:, 0], step[:, 1])
    faces = {"left": 0.0, "trailing": 90.0, "right": 180.0, "leading": 270.0}[side]
    turn = np.rad2deg(np.arctan2(step[:, 1], step[:, 0])) - faces
    turn = (turn + 180.0) % 360.0 - 180.0
    facing = np.abs(turn) <= FACING_DEG
    if not facing.any():
        return 0.0
    turn, length = turn[facing], length[facing]
    window = max(CLUSTER_DEG, float(np.rad2deg(np.arctan(2 * pitch_mm / length.sum()))))
    near = np.abs(turn[:, None] - turn[None, :]) <= window
    best = near[(near * length).sum(axis=1).argmax()]
    return float(np.average(turn[best], weights=length[best]))


def _least_missed(rim: Rim, slope: float, half_width: float) -> tuple[float, float]:
    """Slope and offset of the line that misses the intervals by the least total distance.

    For a given slope the best offset is a median of all ends; over the slopes the sum is convex.
    Robust, but where hardly any skew leaves the line free to move, the few wrong columns push it
    to the rim of that freedom: a start for fit_edge.
    """

    def fit(s: float) -> tuple[float, float]:
        low, high = rim.low_mm - s * rim.along_mm, rim.high_mm - s * rim.along_mm
        n = low.size
        ends = np.partition(np.concatenate([low, high]), (n - 1, n))[n - 1 : n + 1]
        offset = float(ends[np.isfinite(ends)].mean())
        return np.maximum(low - offset, 0).sum() + np.maximum(offset - high, 0).sum(), offset

    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    left, right = slope - half_width, slope + half_width
    one, two = right - golden * (right - left), left + golden * (right - left)
    cost_one, cost_two = fit(one)[0], fit(two)[0]
    while right - left > 1e-5:
        if cost_one <= cost_two:
            right, two, cost_two = two, one, cost_one
            one = right - golden * (right - left)
            cost_one = fit(one)[0]
        else:
            left, one, cost_one = one, two, cost_two
            two = left + golden * (right - left)
            cost_two = fit(two)[0]
    best = one if cost_one <= cost_two else two
    return best, fit(best)[1]


def _evidence(rim: Rim, slope: float) -> tuple[float, float]:
    """Log of the probability of a slope (up to a constant), and the mean offset with it.

    Every column is right, or wrong with the probability WRONG; integrated over the offset.
    """
    low = np.sort(rim.low_mm - slope * rim.along_mm)
    high = np.sort(rim.high_mm - slope * rim.along_mm)
    ends = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    step = np.ones(ends.size, np.int64)
    step[: np.count_nonzero(np.isfinite(low))] = -1
    order = np.argsort(ends, kind="stable")
    ends = ends[order]
    wrong = np.cumsum(step[order])[:-1]
    width = np.diff(ends)
    # columns that only just meet leave no room at all, but rounding does
    roomy = width > ROOM_MM
    if not roomy.any():
        return -np.inf, float(ends.mean())
    fewest = wrong[roomy].min()
    weight = np.where(roomy, width * WRONG ** np.clip(wrong - fewest, 0, 60), 0.0)
    total = weight.sum()
    middle = 0.5 * (ends[1:] + ends[:-1])
    return float(fewest * np.log(WRONG) + np.log(total)), float((weight * middle).sum() / total)


def fit_edge(rim: Rim, *, slope: float, pitch_mm: float) -> tuple[float, float, float, float]:
    """The line across = offset + slope * along that the intervals of a rim speak for.

    slope    a start, within a pitch over the length of the rim
    returns  mean slope, offset with it, 1 % and 99 % quantile of the slope

    Bayes with even priors: a column is right with the line anywhere in its interval, or wrong
    (dropout at the rim, part of a rounded corner) with the probability WRONG. Wrong columns
    cannot move the line within the freedom that the right ones leave, as a sum of distances
    would let them.
    """
    half_width = 4.0 * pitch_mm / max(1e-9, float(np.ptp(rim.along_mm)))
    centre = slope
    for _ in range(ZOOMS):
        slopes = centre + half_width * np.linspace(-1.0, 1.0, 33)
        log = np.array([_evidence(rim, s)[0] for s in slopes])
        weight = np.exp(np.maximum(log - log.max(), -60.0))
        likely = np.flatnonzero(weight > 1e-4)
        first, last = max(0, likely[0] - 1), min(32, likely[-1] + 1)
        if last - first > 16:
            break
        centre = 0.5 * (slopes[first] + slopes[last])
        half_width = 0.5 * (slopes[last] - slopes[first])
    share = np.cumsum(weight) / weight.sum()
    mean = float((weight * slopes).sum() / weight.sum())
    least, largest = np.interp([0.01, 0.99], share, slopes)
    return mean, _evidence(rim, mean)[1], float(min(least, mean)), float(max(largest, mean))


def _agree(one: Edge, other: Edge) -> bool:
    return abs(one.skew_deg - other.skew_deg) <= SQUARE_DEG + max(one.open_deg, other.open_deg)


def _skew(edges: dict[str, Edge]) -> float:
    """By the three rules of the module docstring; degrees."""
    telling = [edges[side] for side in SIDES if edges[side].tells_skew]
    if not telling:
        return 0.0
    agreeing = [e for e in telling if any(_agree(e, o) for o in telling if o is not e)]
    datum = agreeing[0] if agreeing and telling[0] not in agreeing else telling[0]
    low, high = datum.range_deg
    others = sorted((e for e in telling if e is not datum), key=lambda e: e.open_deg)
    for other in others:
        if high - low <= 2 * OPEN_DEG:
            break
        narrow = max(low, other.range_deg[0]), min(high, other.range_deg[1])
        if narrow[0] <= narrow[1]:
            low, high = narrow
    return 0.5 * (low + high)


def _turned(edge: Edge, rim: Rim, skew_deg: float, grid: Grid) -> Edge:
    """The edge with the slope of the skew where its range allows it."""
    if not edge.is_seen:
        return edge
    slope = _slope(edge.side, skew_deg)
    pitch = grid.pitch_x_mm if _is_across_x(edge.side) else grid.pitch_y_mm
    if not edge.is_straight:
        # a round lite: the tangent
        sign = 1.0 if edge.side in ("leading", "left") else -1.0
        level = sign * (rim.glass_mm - slope * rim.along_mm)
        return edge._replace(slope=slope, offset_mm=sign * (float(level.min()) - pitch / 2))
    if not edge.range_deg[0] - WITHIN_DEG <= skew_deg <= edge.range_deg[1] + WITHIN_DEG:
        return edge
    keep = rim.missed_mm(edge.slope, edge.offset_mm) <= 1.5 * pitch
    return edge._replace(slope=slope, offset_mm=_evidence(_take(rim, keep), slope)[1])
