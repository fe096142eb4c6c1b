"""Gauge lines: neighbouring scan lines pooled along the ridges, and local fits along them.

One scan line alone is too noisy for a shallow wave, so a gauge line is the mean of the lines
within a few millimetres either side, each shifted by the slant of the ridges. Along it, heights
(or readings) are smoothed by a local polynomial of fourth degree under the weights
``(1 - u^2)^2``, u = distance over half-width. In the middle of complete data that is a fixed
filter, whose transfer of a wave of wavelength L is known and flat::

    half-width   0.40 L    1 - H(L) = 0.0023    noise sd = 2.26 s / sqrt(L / pitch)

so that a swing read off it can be corrected by 1/H; near gaps and ends the fit uses what is
there. A fit, not the largest sample: the largest of many noisy samples is too large.
"""

from __future__ import annotations

import functools
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt

__all__ = [
    "HALF_WIDTH",
    "fit_kernel",
    "local_fit",
    "pooled_lines",
    "ridge_slant",
    "transfer",
]

Floats = npt.NDArray[np.float64]
Lines = npt.NDArray[np.float32]

HALF_WIDTH = 0.40
"""Of the smoothing, in wavelengths."""
DEGREE = 4
POWER = 2
SUPPORT = 0.65
"""Share of the weights that must lie on measured points; below it there is no fit."""
SIDE_SUPPORT = 0.12


def pooled_lines(
    height: Lines,
    y_mm: Floats,
    line_y_mm: Floats,
    *,
    pool_mm: float,
    x_pitch_mm: float,
    slant: Floats | None = None,
) -> Lines:
    """Means of the columns within pool_mm of each line, (x, line), mm.

    height      (x, y), mm, NaN where not measured
    slant       (line,): how far the ridges run along x per mm across; none: straight across
    returns     NaN where fewer than half of the columns were measured, unless the nearest is one
    """
    low = np.searchsorted(y_mm, line_y_mm - pool_mm - 1e-6)
    high = np.searchsorted(y_mm, line_y_mm + pool_mm + 1e-6)
    nearest = np.abs(y_mm[:, np.newaxis] - line_y_mm).argmin(axis=0)
    low, high = np.minimum(low, nearest), np.maximum(high, nearest + 1)
    shift = np.zeros(line_y_mm.size) if slant is None else slant / x_pitch_mm
    return np.asarray(_pool(height, y_mm, line_y_mm, low, high, nearest, shift))


@nb.njit(cache=True, parallel=True)
def _pool(
    height: Any, y: Any, line_y: Any, low: Any, high: Any, nearest: Any, shift: Any
) -> Any:
    n, m = height.shape[0], line_y.size
    out = np.empty((n, m), dtype=np.float32)
    for row in nb.prange(n):
        i = np.int64(row)
        for j in range(m):
            total, count, has_nearest = 0.0, 0, False
            for c in range(low[j], high[j]):
                place = i + shift[j] * (y[c] - line_y[j])
                k = int(np.floor(place))
                t = place - k
                if k < 0 or k > n - 1:
                    continue
                value = height[k, c]
                if t > 1e-3:
                    if k + 1 > n - 1:
                        continue
                    value += t * (height[k + 1, c] - value)
                if np.isfinite(value):
                    total += value
                    count += 1
                    has_nearest = has_nearest or c == nearest[j]
            enough = has_nearest or (count > 0 and 2 * count >= high[j] - low[j])
            out[i, j] = total / count if enough else np.nan
    return out


def ridge_slant(
    lines: Lines, line_y_mm: Floats, *, wavelength_mm: float, x_pitch_mm: float
) -> Floats:
    """Slant of the ridges at every line, mm along x per mm across; (line,).

    The phase of the wave is compared from line to line; lines without a wave count for nothing.
    """
    x = np.arange(lines.shape[0]) * x_pitch_mm
    carrier = np.exp(-2j * np.pi * x / wavelength_mm) * np.hanning(x.size)
    amplitude = carrier @ np.nan_to_num(lines)
    turn = amplitude[1:] * amplitude[:-1].conj()
    steps = np.diff(line_y_mm)
    around = max(1, round(50.0 / float(np.median(steps)))) if steps.size else 1
    box = np.ones(2 * around + 1)
    # at the ends the sum is over what there is: zeros do not turn it
    turn = np.convolve(np.pad(turn, around), box, mode="valid")
    # a ridge that comes later along x has a phase that lags
    slope = -np.angle(turn) / steps * wavelength_mm / (2 * np.pi)
    return np.interp(line_y_mm, 0.5 * (line_y_mm[1:] + line_y_mm[:-1]), slope)


@functools.lru_cache(maxsize=64)
def _kernel(half_width: int, derivative: int, degree: int) -> Floats:
    u = np.arange(-half_width, half_width + 1) / (half_width + 1)
    weight = (1 - u**2) ** POWER
    powers = np.vander(u, degree + 1, increasing=True)
    weighted = powers * weight[:, np.newaxis]
    rows = np.linalg.solve(powers.T @ weighted, weighted.T)
    scale = (1.0, 1.0, 2.0)[derivative] / (half_width + 1) ** derivative
    kernel = np.ascontiguousarray(rows[derivative] * scale)
    kernel.flags.writeable = False
    return kernel


def fit_kernel(half_width: int, *, derivative: int = 0, degree: int = DEGREE) -> Floats:
    """Weights of the local fit in the middle of complete data, (2 half_width + 1,).

    derivative  0, or 1 or 2 per sample (squared)
    """
    return _kernel(half_width, derivative, min(degree, 2 * half_width))


def transfer(
    wavelength: npt.ArrayLike, half_width: int, *, derivative: int = 0, degree: int = DEGREE
) -> Floats:
    """Gain of the fit for a wave; for the second derivative, over the true one's.

    wavelength  in samples
    """
    kernel = fit_kernel(half_width, derivative=derivative, degree=degree)
    k = 2 * np.pi / np.atleast_1d(np.asarray(wavelength, float))
    place = np.arange(-half_width, half_width + 1)
    gain = np.cos(k[:, np.newaxis] * place) @ kernel
    return np.asarray(gain if derivative == 0 else -gain / k**2)


def local_fit(
    lines: Lines,
    half_width: int,
    *,
    derivative: int = 0,
    degree: int = DEGREE,
    first: int = 0,
    every: int = 1,
) -> Floats:
    """Local polynomial fit along x of every line, (ceil((x - first) / every), line).

    lines       (x, line), NaN where not measured
    half_width  of the weights, in samples
    derivative  0: the smoothed value; 2: the second derivative per sample squared
    first, every  only every so many positions along x, from this one
    returns     float64; NaN where too little was measured round about, on either side
    """
    degree = min(degree, 2 * half_width)
    kernel = fit_kernel(half_width, derivative=derivative, degree=degree)
    columns = np.ascontiguousarray(lines.T)
    return np.asarray(_fit(columns, kernel, derivative, degree, first, every).T)


@nb.njit(cache=True)
def _solve_spd(a: Any, b: Any) -> bool:
    """Solve a symmetric positive system in place by Cholesky; False where it is not."""
    n = b.size
    for i in range(n):
        for j in range(i + 1):
            total = a[i, j]
            for k in range(j):
                total -= a[i, k] * a[j, k]
            if i == j:
                if total <= 1e-12:
                    return False
                a[i, i] = np.sqrt(total)
            else:
                a[i, j] = total / a[j, j]
    for i in range(n):
        for k in range(i):
            b[i] -= a[i, k] * b[k]
        b[i] /= a[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            b[i] -= a[k, i] * b[k]
        b[i] /= a[i, i]
    return True


@nb.njit(cache=True)
def _partial(line: Any, i: int, half: int, derivative: int, degree: int) -> Any:
    """The fit where some of the window is missing."""
    a = np.zeros((degree + 1, degree + 1))
    b = np.zeros(degree + 1)
    seen, left, right, total = 0.0, 0.0, 0.0, 0.0
    moments = np.zeros(2 * degree + 1)
    for k in range(-half, half + 1):
        u = k / (half + 1)
        w = (1 - u * u) ** POWER
        total += w
        if i + k < 0 or i + k >= line.size or not np.isfinite(line[i + k]):
            continue
        seen += w
        if k < 0:
            left += w
        elif k > 0:
            right += w
        p = w
        for q in range(2 * degree + 1):
            moments[q] += p
            if q <= degree:
                b[q] += p * line[i + k]
            p *= u
    if seen < SUPPORT * total or min(left, right) < SIDE_SUPPORT * total:
        return np.nan
    for q in range(degree + 1):
        for r in range(degree + 1):
            a[q, r] = moments[q + r] / total
        b[q] /= total
    if not _solve_spd(a, b):
        return np.nan
    scale = 1.0
    for _ in range(derivative):
        scale /= half + 1
    return b[derivative] * scale * (2.0 if derivative == 2 else 1.0)


@nb.njit(cache=True, parallel=True)
def _fit(
    lines: Any, kernel: Any, derivative: int, degree: int, first: int, every: int
) -> Any:
    m, n = lines.shape
    half = kernel.size // 2
    out = np.empty((m, (n - first + every - 1) // every))
    for row in nb.prange(m):
        line = lines[row]
        # how many are missing up to and with each position
        gaps = np.zeros(n + 1, dtype=np.int64)
        for i in range(n):
            gaps[i + 1] = gaps[i] + (0 if np.isfinite(line[i]) else 1)
        for o in range(out.shape[1]):
            i = first + o * every
            if i >= half and i + half < n and gaps[i + half + 1] == gaps[i - half]:
                total = 0.0
                for k in range(kernel.size):
                    total += kernel[k] * line[i - half + k]
                out[row, o] = total
            else:
                out[row, o] = _partial(line, i, half, derivative, degree)
    return out
