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

Heights are interpolated once, and nothing is extrapolated (resampling.py).

A scan that is on the lite frame already is neither moved nor interpolated.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from midchord.placing.clean import fill_gaps, find_spikes
from midchord.placing.dust import find_dust
from midchord.placing.jumps import find_jumps
from midchord.placing.missing import Openings, mark_openings, mark_outside
from midchord.placing.outline import CORNERS, Outline, find_outline, grid_outline
from midchord.placing.region import (
    DROPOUT,
    FILLED,
    HIDDEN,
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
from midchord.placing.resampling import resample
from midchord.placing.saturation import at_level, find_saturated
from midchord.placing.scan_noise import scan_noise_mm, undithered_step_mm
from midchord.placing.sensor_findings import (
    dust_findings,
    lost_findings,
    saturation_findings,
    second_surface_findings,
    streak_findings,
)
from midchord.placing.streaks import find_streaks, lost_at_rim
from midchord_io.acquisition import with_findings
from midchord_io.errors import ImplausibleScan, LiteTooSmall, ScanError
from midchord_io.known_attrs import known_mm
from midchord_io.quantisation import doubtful_step_mm
from midchord_io.scan import even_pitch_mm

__all__ = ["STATE_MEANINGS", "place"]

STATE_MEANINGS = "measured filled spike dropout no_glass"
COARSEST_STEP_MM = 1.0
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
                      turned too far; ImplausibleScan where heights are rounded to over 1 mm

    What the sensor did (second surface, saturation, dropouts in streaks, lines lost, dust) is
    added to the findings of the scan. In ``state`` the second surface and saturated points are
    dropouts; grains of dust, and specks of several points, are spikes (spike_count has the specks).
    """
    where = str(scan.attrs.get("source_file") or scan.attrs.get("lite_id") or "scan")
    grid = _grid(scan, where)
    height = np.array(scan["height"].transpose("x", "y").values, dtype=np.float32, order="C")
    thickness_mm, face = known_mm(scan.attrs, "thickness_mm"), str(scan.attrs.get("face", "upper"))
    found_step_mm = undithered_step_mm(height, pitch_x_mm=grid.pitch_x_mm)
    _check_step(max(found_step_mm, doubtful_step_mm(scan)), where)
    second, is_speck = find_jumps(height, grid, thickness_mm=thickness_mm)
    for is_other in (second.is_second if second else None, is_speck):
        if is_other is not None:
            height[is_other] = np.nan
    state = find_glass(height, grid, glass_range_mm=glass_range_mm, where=where)
    height[state != MEASURED] = np.nan
    step_mm = max(
        undithered_step_mm(height, pitch_x_mm=grid.pitch_x_mm), doubtful_step_mm(scan)
    )
    saturated = find_saturated(height, step_mm=step_mm, pitch_x_mm=grid.pitch_x_mm)
    if second is not None:
        state[second.is_second] = HIDDEN
    if is_speck is not None:
        state[is_speck] = SPIKE
    for end in saturated:
        state[at_level(height, end.level_mm)] = HIDDEN
    height[state != MEASURED] = np.nan

    noise_mm = scan_noise_mm(height, pitch_x_mm=grid.pitch_x_mm)
    for _ in range(SPIKE_PASSES):
        is_spike = find_spikes(height, noise_mm=noise_mm, spike_sigma=spike_sigma)
        if not is_spike.any():
            break
        height[is_spike] = np.nan
        state[is_spike] = SPIKE

    is_placed = scan.attrs["frame"] == "lite"
    seen = _with_hidden(state)
    outline = grid_outline(grid) if is_placed else find_outline(seen, grid)
    if abs(outline.skew_deg) > largest_skew_deg:
        raise ScanError(
            where,
            found=f"a lite turned by {outline.skew_deg:.2f} degrees",
            needed=f"a skew of at most {largest_skew_deg:g} degrees",
            do="check how the lite was fed and the pitches declared, or raise largest_skew_deg",
        )
    grains = find_dust(height, grid, step_mm=step_mm, skew_deg=outline.skew_deg, face=face)
    rims = () if is_placed else lost_at_rim(scan["height"].values, seen, grid, _skews(outline))
    inward = np.stack([edge.inward for edge in outline.edges.values()])
    mark_outside(state, grid, inward)
    openings = mark_openings(state, grid)
    streaks = find_streaks(state, grid)
    state[state == HIDDEN] = DROPOUT
    if "point_count" in scan:  # cells that were bridged when points were put on the grid
        no_point = scan["point_count"].transpose("x", "y").values == 0
        state[no_point & (state == MEASURED)] = FILLED
    attrs = _counts(state) | _facts(outline, openings, noise_mm) | {"step_mm": step_mm}
    attrs["frame_of_scan"] = scan.attrs["frame"]
    glass_points = int(np.count_nonzero(state < NO_GLASS))
    findings = [
        *second_surface_findings(second, thickness_mm=thickness_mm, glass_points=glass_points),
        *saturation_findings(saturated, glass_points=glass_points),
        *streak_findings(streaks, lines=grid.nx),
        *lost_findings(rims),
        *dust_findings(grains, face=face),
    ]
    if grains is not None:
        is_dust = grains.is_dust & (state == MEASURED)
        height[is_dust], state[is_dust] = np.nan, SPIKE
    fill_gaps(height, state, grid, fill_mm=fill_mm)
    attrs["filled_share"] = _share(state, FILLED)
    if is_placed:
        state[state == OUTSIDE] = NO_GLASS
        target = grid
    else:
        frame, target = _lite_frame(outline, grid, where)
        height, state = resample(height, state, grid, target, frame, inward)
    attrs |= _size(outline)
    lite = _dataset(scan, height, state, target, attrs, keep_coords=is_placed)
    return with_findings(lite, *findings) if findings else lite


def _check_step(step_mm: float, where: str) -> None:
    if step_mm > COARSEST_STEP_MM:
        raise ImplausibleScan(
            where,
            found=f"heights rounded to steps of {step_mm:.3g} mm",
            needed="steps finer than roll wave is deep, 0.01 to 0.5 mm: no roll wave can be judged "
            "from these",
            do="store more digits, or check the height units",
        )


def _with_hidden(state: States) -> States:
    """The state with glass where there is glass, though it was not measured as such."""
    is_hidden = state == HIDDEN
    return np.where(is_hidden, np.uint8(MEASURED), state) if is_hidden.any() else state


def _skews(outline: Outline) -> dict[str, tuple[float, float]]:
    return {side: edge.range_deg for side, edge in outline.edges.items() if edge.tells_skew}


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
