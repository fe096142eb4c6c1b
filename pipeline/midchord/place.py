"""Where the lite lies in its scan, and its heights on the lite's own frame.

A scan in the frame of the machine holds a lite somewhere, turned by some skew, with conveyor
around it. Placing it is five steps: which points are glass (region.py), which of those are spikes
(clean.py), where the four edges are (outline.py), which missing points are holes and notches
(missing.py) and which short gaps are filled (clean.py). Then the heights are interpolated once
onto an even grid along the edges of the lite.

The lite frame has its zero in the corner of the leading and the left-hand edge, x along the skew
direction. Where the outline is no rectangle it is the leading left corner of the rectangle around
it, so that no glass has a negative coordinate. **Cell centres lie at half pitches** (x = pitch/2,
3 pitch/2 ...), so that cells tile the lite from the corner, and a scan that was cropped to an
unturned lite comes through unchanged.

Heights are interpolated by four-point Lagrange polynomials along each axis where all of the
sixteen neighbours exist, by the linear one along either axis where a neighbour is missing, and
not at all where one of the nearest four is missing: nothing is extrapolated. A wave of 120 mm
across is kept to 1e-5 of its amplitude at 1 mm pitch, and to 1e-4 at 3 degrees of skew with 25 mm
between columns. Interpolation averages neighbours, so noise between cell centres is less than in
the scan, down to 0.64 times the standard deviation (0.8 along each axis).

A scan that is on the lite frame already is neither moved nor interpolated.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import xarray as xr

from midchord.placing.clean import fill_gaps, find_spikes
from midchord.placing.missing import Openings, mark_openings, mark_outside
from midchord.placing.outline import CORNERS, Outline, find_outline, grid_outline
from midchord.placing.region import (
    DROPOUT,
    FILLED,
    MEASURED,
    NO_GLASS,
    OUTSIDE,
    SPIKE,
    Floats,
    Grid,
    Heights,
    States,
    find_glass,
)
from midchord.placing.scan_noise import scan_noise_mm, undithered_step_mm
from midchord_io.errors import LiteTooSmall, ScanError
from midchord_io.scan import even_pitch_mm

__all__ = ["STATE_MEANINGS", "place", "resample"]

STATE_MEANINGS = "measured filled spike dropout no_glass"
SPIKE_PASSES = 2
"""A spike in the window of another may hide it the first time."""


def place(
    scan: xr.Dataset,
    *,
    largest_skew_deg: float,
    spike_sigma: float,
    fill_mm: float,
    glass_range_mm: float,
) -> xr.Dataset:
    """The lite of a scan on its own frame, cleaned.

    scan              height (x, y), mm, by the scan contract; "machine" or "lite" frame
    largest_skew_deg  a lite turned further is refused
    spike_sigma       a point this many noise deviations off its neighbourhood is a spike
    fill_mm           gaps up to this long are filled
    glass_range_mm    points further than this from the plane of the lite are not glass
    returns           height (x, y), float32, mm: NaN where not measured, no glass, beyond the
                      outline. state (x, y), uint8: 0 measured, 1 filled dropout, 2 replaced spike,
                      3 dropout left (also: at the rim, too few neighbours), 4 no glass.
                      attrs: those of the scan with frame "lite", and length_mm, width_mm,
                      skew_deg (left-hand edge against machine x, counter-clockwise seen from
                      above), frame_of_scan, corners_machine_mm (name -> [x, y]), edges_seen (side
                      -> bool: false where the glass runs to the border of the scan), coverage
                      (measured share of the glass), dropout_share, filled_share, spike_count,
                      hole_count, notch_count, opening_share (of the lite, taken for holes and
                      notches), noise_mm, step_mm (that heights are rounded to, where noise does
                      not blur it; otherwise 0), rectangular (four square edges, no missing corner
                      or notch). Shares and counts are of the scan's own points, before
                      interpolation
    Raises            LiteTooSmall where no lite is found; ScanError where there are two, or one
                      turned too far
    """
    where = str(scan.attrs.get("source_file") or scan.attrs.get("lite_id") or "scan")
    grid = _grid(scan, where)
    height = np.array(scan["height"].transpose("x", "y").values, dtype=np.float32, order="C")
    state = find_glass(height, grid, glass_range_mm=glass_range_mm, where=where)
    height[state != MEASURED] = np.nan
    noise_mm = scan_noise_mm(height, pitch_x_mm=grid.pitch_x_mm)
    step_mm = undithered_step_mm(height, pitch_x_mm=grid.pitch_x_mm)
    for _ in range(SPIKE_PASSES):
        is_spike = find_spikes(height, noise_mm=noise_mm, spike_sigma=spike_sigma)
        if not is_spike.any():
            break
        height[is_spike] = np.nan
        state[is_spike] = SPIKE

    is_placed = scan.attrs["frame"] == "lite"
    outline = grid_outline(grid) if is_placed else find_outline(state, grid)
    if abs(outline.skew_deg) > largest_skew_deg:
        raise ScanError(
            where,
            found=f"a lite turned by {outline.skew_deg:.2f} degrees",
            needed=f"a skew of at most {largest_skew_deg:g} degrees",
            do="check how the lite was fed and the pitches declared, or raise largest_skew_deg",
        )
    inward = np.stack([edge.inward for edge in outline.edges.values()])
    mark_outside(state, grid, inward)
    openings = mark_openings(state, grid)
    attrs = _counts(state) | _facts(outline, openings, noise_mm) | {"step_mm": step_mm}
    attrs["frame_of_scan"] = scan.attrs["frame"]
    fill_gaps(height, state, grid, fill_mm=fill_mm)
    attrs["filled_share"] = _share(state, FILLED)
    if is_placed:
        state[state == OUTSIDE] = NO_GLASS
        target = grid
    else:
        frame, target = _lite_frame(outline, grid, where)
        height, state = resample(height, state, grid, target, frame, inward)
    attrs |= _size(outline)
    return _dataset(scan, height, state, target, attrs, keep_coords=is_placed)


def _grid(scan: xr.Dataset, where: str) -> Grid:
    x_mm, y_mm = scan["x"].values, scan["y"].values
    return Grid(
        float(x_mm[0]),
        float(y_mm[0]),
        even_pitch_mm(x_mm, axis="x", where=where),
        even_pitch_mm(y_mm, axis="y", where=where),
        x_mm.size,
        y_mm.size,
    )


def _counts(state: States) -> dict[str, Any]:
    return {
        "coverage": _share(state, MEASURED),
        "dropout_share": _share(state, DROPOUT),
        "spike_count": int(np.count_nonzero(state == SPIKE)),
    }


def _share(state: States, kind: int) -> float:
    """Share of the glass that is of a kind."""
    glass = int(np.count_nonzero(state < NO_GLASS))
    return int(np.count_nonzero(state == kind)) / max(1, glass)


def _facts(outline: Outline, openings: Openings, noise_mm: float) -> dict[str, Any]:
    return {
        "skew_deg": outline.skew_deg,
        "corners_machine_mm": {
            name: [float(value) for value in corner] for name, corner in outline.corners_mm.items()
        },
        "edges_seen": {side: edge.is_seen for side, edge in outline.edges.items()},
        "hole_count": openings.holes,
        "notch_count": openings.notches,
        "opening_share": openings.share,
        "noise_mm": noise_mm,
        "rectangular": outline.is_square and openings.notches == 0,
    }


def _own_corners(outline: Outline) -> dict[str, Floats]:
    """Corners seen from the leading left one, along the lite's own axes; mm."""
    turn = np.deg2rad(outline.skew_deg)
    along = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    start = outline.corners_mm["leading_left"]
    return {name: along @ (outline.corners_mm[name] - start) for name in CORNERS}


def _size(outline: Outline) -> dict[str, float]:
    """Length and width: means of opposite edges, of the rectangle around it where not square."""
    own = _own_corners(outline)
    if not outline.is_square:
        length_mm, width_mm = np.ptp(np.stack(list(own.values())), axis=0)
        return {"length_mm": float(length_mm), "width_mm": float(width_mm)}
    distance = {
        (one, other): float(np.hypot(*(own[one] - own[other])))
        for one, other in (
            ("trailing_left", "leading_left"),
            ("trailing_right", "leading_right"),
            ("leading_right", "leading_left"),
            ("trailing_right", "trailing_left"),
        )
    }
    sides = list(distance.values())
    return {"length_mm": 0.5 * (sides[0] + sides[1]), "width_mm": 0.5 * (sides[2] + sides[3])}


def _lite_frame(outline: Outline, grid: Grid, where: str) -> tuple[Floats, Grid]:
    """Where the lite frame lies (x and y of its zero, mm; skew, rad) and the grid on it."""
    own = np.stack(list(_own_corners(outline).values()))
    turn = np.deg2rad(outline.skew_deg)
    zero = np.zeros(2) if outline.is_square else own.min(axis=0)
    x0, y0 = outline.corners_mm["leading_left"] + np.array(
        [
            zero[0] * np.cos(turn) - zero[1] * np.sin(turn),
            zero[0] * np.sin(turn) + zero[1] * np.cos(turn),
        ]
    )
    size = _size(outline)
    # a cell belongs to the lite where its centre does; the tolerance takes rounding only
    nx = int(np.floor(size["length_mm"] / grid.pitch_x_mm + 0.5 + 1e-6))
    ny = int(np.floor(size["width_mm"] / grid.pitch_y_mm + 0.5 + 1e-6))
    if nx < 2 or ny < 2:
        raise LiteTooSmall(
            where,
            found=f"a lite of {size['length_mm']:.0f} mm by {size['width_mm']:.0f} mm, "
            f"{nx} by {ny} cells",
            needed="at least two cells each way",
            do="check the pitches, or scan with a finer one",
        )
    half_x, half_y = grid.pitch_x_mm / 2, grid.pitch_y_mm / 2
    target = Grid(half_x, half_y, grid.pitch_x_mm, grid.pitch_y_mm, nx, ny)
    return np.array([float(x0), float(y0), float(turn)]), target


def resample(
    height: Heights, state: States, grid: Grid, target: Grid, frame: Floats, inward: Floats
) -> tuple[Heights, States]:
    """Heights and states of a scan on a turned grid.

    height, state  (x, y) on ``grid``
    frame          x and y of the target's zero on the scan's axes, mm, and its turn, rad
    inward         (edges, 3): a, b, c with a x + b y + c the distance inward of an edge, mm
    returns        (x, y) on ``target``; a state is that of the nearest point of the scan, DROPOUT
                   where there is no height inside the outline, NO_GLASS outside and in holes
    """
    turned = np.empty((target.nx, target.ny), np.float32)
    kinds = np.empty((target.nx, target.ny), np.uint8)
    x0, y0, turn = (float(value) for value in frame)
    _resample(
        height, state, turned, kinds,
        np.array([grid.x0_mm, grid.y0_mm, grid.pitch_x_mm, grid.pitch_y_mm]),
        np.array([target.x0_mm, target.y0_mm, target.pitch_x_mm, target.pitch_y_mm]),
        np.array([x0, y0, np.cos(turn), np.sin(turn)]), inward,
    )  # fmt: skip
    return turned, kinds


@numba.njit(cache=True, nogil=True)
def _weights(fraction, weights):  # type: ignore[no-untyped-def]
    """Cubic (row 0) and linear (row 1) weights of the points at -1, 0, 1, 2."""
    t = fraction
    weights[0, 0] = -t * (t - 1.0) * (t - 2.0) / 6.0
    weights[0, 1] = (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
    weights[0, 2] = -(t + 1.0) * t * (t - 2.0) / 2.0
    weights[0, 3] = (t + 1.0) * t * (t - 1.0) / 6.0
    weights[1, 0] = 0.0
    weights[1, 1] = 1.0 - t
    weights[1, 2] = t
    weights[1, 3] = 0.0


@numba.njit(cache=True, nogil=True)
def _split(position):  # type: ignore[no-untyped-def]
    """Whole part and fraction of a position in cells; rounding does not make a fraction."""
    whole = int(np.floor(position))
    fraction = position - whole
    if fraction > 1.0 - 1e-7:
        return whole + 1, 0.0
    return whole, (0.0 if fraction < 1e-7 else fraction)


@numba.njit(cache=True, nogil=True)
def _weighted(height, i, j, weights_x, weights_y):  # type: ignore[no-untyped-def]
    """Weighted sum over the points with a weight; NaN where one of them is missing."""
    nx, ny = height.shape
    total = 0.0
    for a in range(4):
        if weights_x[a] == 0.0:
            continue
        k = i + a - 1
        if k < 0 or k >= nx:
            return np.nan
        line = 0.0
        for b in range(4):
            if weights_y[b] == 0.0:
                continue
            m = j + b - 1
            if m < 0 or m >= ny:
                return np.nan
            line += weights_y[b] * height[k, m]
        total += weights_x[a] * line
    return total


@numba.njit(cache=True, nogil=True)
def _resample(  # type: ignore[no-untyped-def]
    height, state, turned, kinds, source, target, frame, inward
):
    nx, ny = height.shape
    wx = np.empty((2, 4))
    wy = np.empty((2, 4))
    for p in range(turned.shape[0]):
        u = target[0] + p * target[2]
        for q in range(turned.shape[1]):
            v = target[1] + q * target[3]
            x = frame[0] + u * frame[2] - v * frame[3]
            y = frame[1] + u * frame[3] + v * frame[2]
            i, tx = _split((x - source[0]) / source[2])
            j, ty = _split((y - source[1]) / source[3])
            _weights(tx, wx)
            _weights(ty, wy)
            z = np.nan
            for order in range(4):
                z = _weighted(height, i, j, wx[order // 2], wy[order % 2])
                if np.isfinite(z):
                    break
            turned[p, q] = z
            near_i = i + (1 if tx > 0.5 else 0)
            near_j = j + (1 if ty > 0.5 else 0)
            kind = DROPOUT
            if 0 <= near_i < nx and 0 <= near_j < ny:
                kind = state[near_i, near_j]
            kinds[p, q] = kind
            if not np.isfinite(z):  # else the nearest of the four has a height, too
                kinds[p, q] = NO_GLASS if kind == NO_GLASS else DROPOUT
                for k in range(inward.shape[0]):
                    if inward[k, 0] * x + inward[k, 1] * y + inward[k, 2] < -1e-6:
                        kinds[p, q] = NO_GLASS


def _dataset(
    scan: xr.Dataset,
    height: Heights,
    state: States,
    grid: Grid,
    attrs: dict[str, Any],
    *,
    keep_coords: bool,
) -> xr.Dataset:
    lite = xr.Dataset(
        {"height": (("x", "y"), height), "state": (("x", "y"), state)},
        coords={"x": scan["x"].values, "y": scan["y"].values}
        if keep_coords
        else {"x": grid.x_mm, "y": grid.y_mm},
        attrs={**scan.attrs, "frame": "lite", **attrs},
    )
    lite["height"].attrs.update(units="mm", long_name="height")
    lite["state"].attrs.update(
        units="1",
        long_name="what a point is",
        flag_values=np.arange(5, dtype=np.uint8),
        flag_meanings=STATE_MEANINGS,
    )
    lite["x"].attrs.update(units="mm", axis="X", long_name="distance from the leading edge")
    lite["y"].attrs.update(units="mm", axis="Y", long_name="distance from the left-hand edge")
    return lite
