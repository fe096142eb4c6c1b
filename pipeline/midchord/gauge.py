"""The virtual three-point gauge: from heights to what its dial would read.

Two feet stand on the glass a half-span either side of a plunger; the dial shows how far the
plunger stands above the line between the feet::

    r_a(x, y) = z(x, y) - [z(x - a, y) + z(x + a, y)] / 2

For a wave of wavelength L the reading is the wave itself times a gain that depends on the feet
alone, ``G(a, L) = 1 - cos(2 pi a / L)``: two at half a wavelength (the dial swings through twice
the true peak-to-valley), nothing at a whole one (the gauge is blind). On a radius R the reading
is ``a^2 / (2 R)`` everywhere, so bow shifts single readings and cancels in swings.

The half-span is any real length: the height under a foot between two samples is interpolated,
never rounded to the grid. There is a reading only where all three contacts stand on measured
glass; nothing is extrapolated past an edge, over a hole or over a dropout left open.

Source: the symmetric mid-chord offset of railway track geometry, where the same gain is tabled.
"""

from __future__ import annotations

import math
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import LiteTooSmall, SettingsError
from midchord_io.scan import like

__all__ = ["gain", "height_at", "sweep_gauge", "three_point"]

Array = npt.NDArray[np.float32]


def gain(half_span_mm: npt.ArrayLike, wavelength_mm: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Swing of the dial over the true peak-to-valley, 1 - cos(2 pi a / L); between 0 and 2."""
    a, length = np.asarray(half_span_mm, float), np.asarray(wavelength_mm, float)
    return np.asarray(1.0 - np.cos(2.0 * np.pi * a / length))


def sweep_gauge(height: xr.DataArray, *, half_span_mm: float | xr.DataArray) -> xr.DataArray:
    """Reading of a three-point gauge centred on every point, feet along x.

    height        (x, y), mm, even pitch; NaN where not measured
    half_span_mm  plunger to foot: one length for all points, or one for each line (dim y), or
                  one for each point (dims x, y; NaN gives no reading)
    returns       (x, y), mm, same grid; NaN where any contact is off the glass
    Raises        SettingsError for a half-span that is not a positive length, LiteTooSmall where
                  the feet span more than the lite
    Source        measurement by mid-chord offset; see the module's head
    """
    x_mm = height["x"].values
    pitch_mm = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    spans = _spans(half_span_mm, height)
    smallest = float(np.nanmin(spans)) if np.isfinite(spans).any() else math.nan
    if not smallest > 0 or not math.isfinite(float(np.nanmax(spans))):
        raise SettingsError(
            "gauge",
            found=f"a half-span of {smallest:g} mm",
            needed="a positive length, plunger to foot",
            do="correct half_span_mm",
        )
    if 2 * smallest > x_mm[-1] - x_mm[0]:
        raise LiteTooSmall(
            str(height.attrs.get("lite_id", "lite")),
            found=f"{x_mm[-1] - x_mm[0]:.0f} mm of glass along x",
            needed=f"more than the feet span, {2 * smallest:.0f} mm",
            do="use a smaller half-span or a longer scan",
        )
    values = np.ascontiguousarray(height.values, dtype=np.float32)
    reading = three_point(values, (spans / pitch_mm).astype(np.float64))
    return like(height, reading, name="reading", units="mm", long_name="three-point reading")


def _spans(half_span_mm: float | xr.DataArray, height: xr.DataArray) -> npt.NDArray[np.float64]:
    if not isinstance(half_span_mm, xr.DataArray):
        return np.full((1, 1), float(half_span_mm))
    missing = [dim for dim in half_span_mm.dims if dim not in ("x", "y")]
    if missing:
        raise SettingsError(
            "gauge",
            found=f"half-spans along {missing[0]!r}",
            needed="half-spans along y, or along x and y",
            do="correct half_span_mm",
        )
    if "x" in half_span_mm.dims:
        return np.asarray(half_span_mm.transpose("x", "y").values, dtype=np.float64)
    return np.asarray(half_span_mm.values, dtype=np.float64)[np.newaxis, :]


@nb.njit(cache=True, inline="always")
def height_at(z: Any, k: int, t: float, j: int) -> Any:
    """Height at row k + t (0 <= t < 1) of column j: cubic where four samples are there, a
    parabola where three are, a line where two are, NaN where the foot itself has none."""
    if t < 1e-6:
        return z[k, j]
    b, c = z[k, j], z[k + 1, j]
    if not (np.isfinite(b) and np.isfinite(c)):
        return np.nan
    a = z[k - 1, j] if k > 0 else np.nan
    d = z[k + 2, j] if k + 2 < z.shape[0] else np.nan
    linear = b + t * (c - b)
    bend = 0.5 * t * (t - 1.0)
    if np.isfinite(a):
        parabola = linear + bend * (a - 2.0 * b + c)
        if np.isfinite(d):
            return parabola + bend * (t + 1.0) / 3.0 * (d - 3.0 * c + 3.0 * b - a)
        return parabola
    if np.isfinite(d):
        return linear + bend * (b - 2.0 * c + d)
    return linear


@nb.njit(cache=True, parallel=True)
def three_point(z: Any, spans: Any) -> Any:
    """Readings of heights (n, m) with half-spans in samples, (1, 1), (1, m) or (n, m)."""
    n, m = z.shape
    out = np.empty((n, m), dtype=np.float32)
    rows, columns = spans.shape
    for row in nb.prange(n):
        i = np.int64(row)
        for j in range(m):
            span = spans[min(i, rows - 1), min(j, columns - 1)]
            out[i, j] = np.nan
            if not np.isfinite(span):
                continue
            low, high = i - span, i + span
            if low < -1e-6 or high > n - 1 + 1e-6:
                continue
            # a foot within 1e-6 of a sample stands on it
            k_low, k_high = int(np.floor(low + 1e-6)), int(np.floor(high + 1e-6))
            foot_low = height_at(z, k_low, low - k_low, j)
            foot_high = height_at(z, k_high, high - k_high, j)
            out[i, j] = z[i, j] - 0.5 * (foot_low + foot_high)
    return out
