"""True figures of a simulated lite: half waves from the exact roll wave, by definition.

The noise-free roll wave is a formula (surface.py), so its turning points and those of
the three-point reading

    r(x) = z(x) - [z(x - a) + z(x + a)] / 2                 feet at +-a along x

are zeros of a slope, found by bisection to the last digits, not samples of a grid. From them, for
one half wave between the turning points i-1 and i of the reading:

    depth        W = |r_i - r_(i-1)|                        swing of the reading
    wavelength   centred: mean of the two full waves that contain it (x_i - x_(i-2) and
                 x_(i+1) - x_(i-1)), or the one that exists; backward: x_i - x_(i-2);
                 half: 2 (x_i - x_(i-1))
    distortion   D = 4 pi^2 W / L^2 x 10^6 mdpt             W, L in mm

and likewise from the turning points of the surface itself: the half wave of the surface that goes
the same way and has its middle nearest. What is computed here shares no code with the stages that
it is there to check.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.settings import Settings
from midchord.simulating.surface import Surface

__all__ = [
    "line_positions_mm",
    "true_half_waves",
    "true_mean_wavelength_mm",
]

Array = npt.NDArray[np.float64]
WavelengthRule = Literal["centred", "backward", "half"]

STEP_MM = 0.25
"""Between the places where a slope is looked at before its zeros are refined."""

BLIND = 1e-9
"""Share of the surface's swing below which a reading is rounding: the gauge is blind (a = L)."""

COLUMNS = (
    "line_y_mm",
    "x_from_mm",
    "x_to_mm",
    "length_mm",
    "wavelength_mm",
    "depth_mm",
    "surface_depth_mm",
    "gauge_distortion_mdpt",
    "surface_distortion_mdpt",
    "rising",
)


class _Turns(NamedTuple):
    """Turning points of one line; ``run`` numbers the stretches of glass that they are on."""

    x_mm: Array
    value_mm: Array
    run: npt.NDArray[np.int64]


def true_half_waves(
    surface: Surface,
    *,
    line_y_mm: float,
    half_span_mm: float,
    wavelength: WavelengthRule = "centred",
) -> pd.DataFrame:
    """Every half wave that a perfect gauge reads along one line, leading to trailing edge.

    line_y_mm     place of the line across the lite
    half_span_mm  plunger to foot; all three contacts are on glass, else there is no reading
    wavelength    rule, see above; NaN where it gives none
    returns       one row a half wave; columns as named in COLUMNS, mm and mdpt, ``rising`` where
                  it goes from a valley to a peak. Surface figures are NaN where no half wave of
                  the surface goes with that of the reading.
    """
    surface_turns = _surface_turns(surface, line_y_mm)
    readings = _half_waves(_reading_turns(surface, line_y_mm, half_span_mm), wavelength)
    own = _half_waves(surface_turns, wavelength)
    partner = [_partner(row, own) for row in readings.itertuples()]
    paired = own.reindex(partner)
    table = pd.DataFrame(
        {
            "line_y_mm": np.full(len(readings), line_y_mm, dtype=np.float64),
            "x_from_mm": readings["x_from_mm"],
            "x_to_mm": readings["x_to_mm"],
            "length_mm": readings["x_to_mm"] - readings["x_from_mm"],
            "wavelength_mm": readings["wavelength_mm"],
            "depth_mm": readings["depth_mm"],
            "surface_depth_mm": paired["depth_mm"].to_numpy(),
            "gauge_distortion_mdpt": _distortion_mdpt(readings),
            "surface_distortion_mdpt": _distortion_mdpt(paired).to_numpy(),
            "rising": readings["rising"],
        }
    )
    return table[list(COLUMNS)]


def true_mean_wavelength_mm(surface: Surface, settings: Settings | None = None) -> float | None:
    """Mean of all full waves of all lines, clear points only; None where there is no wave.

    The feet are at half the mean that they find: it is sought until it stands. A lite too short
    to have a clear full wave is taken whole.
    """
    settings = settings or Settings.load()
    lines = line_positions_mm(surface, settings=settings)
    turns = [_surface_turns(surface, y) for y in lines]
    mean_mm = _mean_full_wave(turns, surface, settings, half_span_mm=0.0)
    for _ in range(50):
        if mean_mm is None:
            return None
        half_span_mm = mean_mm / 2
        turns = [_reading_turns(surface, y, half_span_mm) for y in lines]
        found = _mean_full_wave(turns, surface, settings, half_span_mm=half_span_mm)
        if found is None or abs(found - mean_mm) < 1e-9 * mean_mm:
            return found
        mean_mm = found
    return mean_mm


def line_positions_mm(surface: Surface, settings: Settings | None = None) -> list[float]:
    """Lines of the line table: one in the middle of the width, the others ``lines.every_mm``
    apart, all clear of the side edges by ``zones.edge_y_mm``."""
    settings = settings or Settings.load()
    middle, every = surface.width_mm / 2, settings.lines.every_mm
    either_side = max(0, math.floor((middle - settings.zones.edge_y_mm) / every))
    return [middle + k * every for k in range(-either_side, either_side + 1)]


def _surface_turns(surface: Surface, line_y_mm: float) -> _Turns:
    return _turns(
        value=lambda x: surface.roll(x, line_y_mm),
        slope=lambda x: surface.roll_slope(x, line_y_mm),
        is_there=lambda x: surface.is_glass(x, line_y_mm),
        length_mm=surface.length_mm,
    )


def _reading_turns(surface: Surface, line_y_mm: float, half_span_mm: float) -> _Turns:
    def swept(field: Callable[[Array, float], Array]) -> Callable[[Array], Array]:
        def three_points(x: Array) -> Array:
            feet = field(x - half_span_mm, line_y_mm) + field(x + half_span_mm, line_y_mm)
            return field(x, line_y_mm) - feet / 2

        return three_points

    def contacts_on_glass(x: Array) -> npt.NDArray[np.bool_]:
        there = surface.is_glass(x, line_y_mm)
        for foot in (x - half_span_mm, x + half_span_mm):
            there &= surface.is_glass(foot, line_y_mm)
        return there

    swing = 2 * sum(wave.amplitude_mm for wave in surface.recipe.roll_waves)
    turns = _turns(
        value=swept(surface.roll),
        slope=swept(surface.roll_slope),
        is_there=contacts_on_glass,
        length_mm=surface.length_mm,
    )
    if turns.value_mm.size and np.ptp(turns.value_mm) < BLIND * swing:
        return _Turns(turns.x_mm[:0], turns.value_mm[:0], turns.run[:0])
    return turns


def _turns(
    *,
    value: Callable[[Array], Array],
    slope: Callable[[Array], Array],
    is_there: Callable[[Array], npt.NDArray[np.bool_]],
    length_mm: float,
) -> _Turns:
    x = np.linspace(0.0, length_mm, math.ceil(length_mm / STEP_MM) + 1)
    there = is_there(x)
    run = np.cumsum(np.diff(there, prepend=False) & there)
    up = slope(x) > 0
    at = np.flatnonzero((up[1:] != up[:-1]) & there[1:] & there[:-1])
    low, high = x[at], x[at + 1]
    for _ in range(60):  # each halves the bracket: down to the spacing of the numbers
        middle = (low + high) / 2
        before = (slope(middle) > 0) == up[at]
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    turns = (low + high) / 2
    return _Turns(turns, value(turns), run[at].astype(np.int64))


def _half_waves(turns: _Turns, wavelength: WavelengthRule) -> pd.DataFrame:
    same_run = turns.run[1:] == turns.run[:-1]
    x, z = turns.x_mm, turns.value_mm
    # of the half wave that ends at i+1: the full wave that ends with it, and the one that
    # starts with it
    ends = np.full(same_run.size, np.nan)
    starts = np.full(same_run.size, np.nan)
    whole = same_run[1:] & same_run[:-1]
    ends[1:][whole] = (x[2:] - x[:-2])[whole]
    starts[:-1][whole] = (x[2:] - x[:-2])[whole]
    if wavelength == "half":
        length = 2 * np.diff(x)
    elif wavelength == "backward":
        length = ends
    else:
        length = np.where(np.isnan(ends), starts, np.where(np.isnan(starts), ends, 0.0))
        both = ~np.isnan(ends) & ~np.isnan(starts)
        length[both] = (ends[both] + starts[both]) / 2
    swing = np.diff(z)
    return pd.DataFrame(
        {
            "x_from_mm": x[:-1][same_run],
            "x_to_mm": x[1:][same_run],
            "wavelength_mm": length[same_run],
            "depth_mm": np.abs(swing)[same_run],
            "rising": swing[same_run] > 0,
        }
    )


def _partner(reading: object, own: pd.DataFrame) -> int:
    """Row of the surface's half wave that goes with one of the reading; -1 for none."""
    candidates = own[own["rising"] == reading.rising]  # type: ignore[attr-defined]
    if candidates.empty:
        return -1
    middle = (reading.x_from_mm + reading.x_to_mm) / 2  # type: ignore[attr-defined]
    off = ((candidates["x_from_mm"] + candidates["x_to_mm"]) / 2 - middle).abs()
    nearest = int(off.idxmin())
    length_mm = candidates["x_to_mm"] - candidates["x_from_mm"]
    return nearest if off[nearest] < length_mm[nearest] / 2 else -1


def _distortion_mdpt(half_waves: pd.DataFrame) -> pd.Series[float]:
    return 4 * math.pi**2 * half_waves["depth_mm"] / half_waves["wavelength_mm"] ** 2 * 1e6


def _mean_full_wave(
    turns: list[_Turns], surface: Surface, settings: Settings, *, half_span_mm: float
) -> float | None:
    clear: list[Array] = []
    whole: list[Array] = []
    inset = settings.zones.edge_x_mm + half_span_mm
    for x, _, run in turns:
        full = x[2:] - x[:-2]
        unbroken = run[2:] == run[:-2]
        is_clear = (x[:-2] >= inset) & (x[2:] <= surface.length_mm - inset)
        whole.append(full[unbroken])
        clear.append(full[unbroken & is_clear])
    for waves in (np.concatenate(clear), np.concatenate(whole)):
        if waves.size:
            return float(waves.mean())
    return None
