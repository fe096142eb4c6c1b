"""Turning points along gauge lines, and the half waves between them.

Turning points alternate peak, valley, peak ... A swing counts only if it exceeds a threshold that
the scan's own noise sets. Between two neighbouring turning points lies a half wave:

    depth       W_i = |r_i - r_(i-1)|
    wavelength  centred   mean of the two full waves that contain it,
                          [(x_i - x_(i-2)) + (x_(i+1) - x_(i-1))] / 2; one of them where the other
                          is missing
                backward  x_i - x_(i-2), as hand surveys have it (common practice, no source)
                half      2 (x_i - x_(i-1))
    distortion  D_i = 4 pi^2 W_i / L_i^2 x 10^6 mdpt, W and L in mm

A half wave whose wavelength is outside the roll-wave band, or that no full wave contains, has no
figure. Where the line is broken by a gap the count starts anew.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba as nb
import numpy as np
import numpy.typing as npt

__all__ = [
    "HalfWaves",
    "TurningPoints",
    "distortion_mdpt",
    "half_waves",
    "turning_points",
]

Floats = npt.NDArray[np.float64]


class TurningPoints(NamedTuple):
    """Turning points of many lines, one after the other along each line.

    line     (n,) index of the line;  run: (n,) which unbroken stretch they belong to
    x_mm     (n,);  height_mm (n,);  is_peak (n,)
    """

    line: npt.NDArray[np.intp]
    run: npt.NDArray[np.intp]
    x_mm: Floats
    height_mm: Floats
    is_peak: npt.NDArray[np.bool_]


class HalfWaves(NamedTuple):
    """Half waves of many lines, those with a figure.

    line           (n,) index of the line
    x_from_mm, x_to_mm  (n,) the turning points at its ends
    before_mm, after_mm (n,) the turning points before and after those, NaN where there is none
    depth_mm       (n,) difference of the two turning points' heights
    wavelength_mm  (n,) by the rule asked for
    is_rising      (n,) valley to peak
    """

    line: npt.NDArray[np.intp]
    x_from_mm: Floats
    x_to_mm: Floats
    before_mm: Floats
    after_mm: Floats
    depth_mm: Floats
    wavelength_mm: Floats
    is_rising: npt.NDArray[np.bool_]

    def is_within(self, band_mm: tuple[float, float]) -> npt.NDArray[np.bool_]:
        """Whether the wavelength is known and in the band."""
        with np.errstate(invalid="ignore"):
            return np.asarray(
                (self.wavelength_mm >= band_mm[0]) & (self.wavelength_mm <= band_mm[1])
            )

    def where(self, mask: npt.NDArray[np.bool_]) -> HalfWaves:
        return HalfWaves(
            self.line[mask],
            self.x_from_mm[mask],
            self.x_to_mm[mask],
            self.before_mm[mask],
            self.after_mm[mask],
            self.depth_mm[mask],
            self.wavelength_mm[mask],
            self.is_rising[mask],
        )


def distortion_mdpt(depth_mm: npt.ArrayLike, wavelength_mm: npt.ArrayLike) -> Floats:
    """D = 4 pi^2 W / L^2 x 10^6 (common practice, no source)."""
    depth, length = np.asarray(depth_mm, float), np.asarray(wavelength_mm, float)
    return np.asarray(4e6 * np.pi**2 * depth / length**2)


def turning_points(
    smooth: Floats, x_mm: Floats, *, smallest_swing_mm: npt.ArrayLike, fit_mm: float
) -> TurningPoints:
    """Peaks and valleys of smoothed lines.

    smooth             (x, line), mm; NaN breaks a line
    smallest_swing_mm  a turn is one when the line comes back by more than this; for all lines
                       or one for each
    fit_mm             a parabola through three points this far apart gives place and height
    """
    pitch = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    swings = np.broadcast_to(np.asarray(smallest_swing_mm, float), (smooth.shape[1],)).copy()
    reach = max(1, round(fit_mm / pitch))
    columns = np.ascontiguousarray(smooth.T)
    place, height, kind, run, count = _zigzag(columns, swings, reach)
    used = np.arange(place.shape[1]) < count[:, np.newaxis]
    line = np.nonzero(used)[0]
    return TurningPoints(
        line, run[used], x_mm[0] + pitch * place[used], height[used], kind[used] > 0
    )


@nb.njit(cache=True, parallel=True)
def _zigzag(lines: Any, swings: Any, reach: int) -> Any:
    m, n = lines.shape
    most = n // 2 + 2
    place = np.empty((m, most))
    height = np.empty((m, most))
    kind = np.empty((m, most), dtype=np.int8)
    runs = np.empty((m, most), dtype=np.int64)
    count = np.zeros(m, dtype=np.int64)
    for row in nb.prange(m):
        line = lines[row]
        found = 0
        run = 0
        start = -1  # first sample of the unbroken stretch
        direction = 0
        top = bottom = 0
        for i in range(n):
            value = line[i]
            if not np.isfinite(value):
                start = -1
                continue
            if start < 0:
                start, direction, top, bottom = i, 0, i, i
                run += 1
                continue
            if value > line[top]:
                top = i
            if value < line[bottom]:
                bottom = i
            turned = -1
            if direction >= 0 and line[top] - value > swings[row]:
                turned, is_peak = top, 1
                direction, bottom = -1, i
            elif direction <= 0 and value - line[bottom] > swings[row]:
                turned, is_peak = bottom, -1
                direction, top = 1, i
            # the first sample of a stretch is no turning point, only where the stretch begins
            if turned > start and found < most:
                place[row, found], height[row, found] = _vertex(line, turned, reach)
                kind[row, found] = is_peak
                runs[row, found] = run
                found += 1
        count[row] = found
    return place, height, kind, runs, count


@nb.njit(cache=True)
def _vertex(line: Any, i: int, reach: int) -> Any:
    """Place and height of the vertex of a parabola about sample i."""
    while reach > 1 and (
        i - reach < 0
        or i + reach >= line.size
        or not np.isfinite(line[i - reach])
        or not np.isfinite(line[i + reach])
    ):
        reach -= 1
    before, here, after = line[i - reach], line[i], line[i + reach]
    bend = before - 2.0 * here + after
    if bend == 0.0 or not np.isfinite(bend):
        return float(i), here
    shift = 0.5 * (before - after) / bend
    if abs(shift) > 1.0:
        return float(i), here
    return i + reach * shift, here - 0.25 * (before - after) * shift


def half_waves(
    points: TurningPoints, *, wavelength: str, band_mm: tuple[float, float] | None = None
) -> HalfWaves:
    """The half waves between neighbouring turning points.

    wavelength  "centred", "backward" or "half"
    band_mm     shortest and longest wavelength that has a figure; none: all half waves, with NaN
                for the wavelength of those that no full wave contains
    """
    x, size = points.x_mm, points.x_mm.size
    same = np.zeros(size + 3, dtype=bool)  # same[i + 1]: point i goes on from point i - 1
    if size > 1:
        joined = (points.line[1:] == points.line[:-1]) & (points.run[1:] == points.run[:-1])
        same[2 : size + 1] = joined
    index = np.flatnonzero(same[1 : size + 1])  # half wave from point index - 1 to index
    has_before, has_after = same[index], same[index + 2]
    before = np.where(has_before, x[np.maximum(index - 2, 0)], np.nan)
    after = np.where(has_after, x[np.minimum(index + 1, size - 1)], np.nan) if size else x[:0]
    first, last = x[index - 1], x[index]
    backward, forward = last - before, after - first
    if wavelength == "half":
        length = 2 * (last - first)
    elif wavelength == "backward":
        length = backward
    else:
        length = np.where(has_before, backward, forward)
        both = has_before & has_after
        length = np.where(both, 0.5 * (backward + forward), length)
    waves = HalfWaves(
        points.line[index],
        first,
        last,
        before,
        after,
        np.abs(points.height_mm[index] - points.height_mm[index - 1]),
        length,
        points.is_peak[index],
    )
    return waves if band_mm is None else waves.where(waves.is_within(band_mm))
