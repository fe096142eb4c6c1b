"""What happens while lines are taken, simulated: pure functions of a known surface.

``Lines`` are what a line scanner delivers: where each line truly was on the glass, what the encoder
says of it, and when it was taken. Faults of the encoder and the drive are functions from lines to
lines; ``taken`` then measures a surface on them. Heads and rows measure the same surface each in
its own way. All is known to the last digit, so that what ingest makes of it can be held against
the surface itself.

Everything random comes from the generator that is passed in. Lengths mm, times s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "HeadErrors",
    "Lines",
    "Motion",
    "bouncing",
    "creeping_back",
    "even_lines",
    "head_view",
    "row_view",
    "sent_twice",
    "slipping",
    "stopping",
    "taken",
    "uneven_ticks",
    "varying_speed",
    "without_lines",
    "without_positions",
]

Array = npt.NDArray[np.float64]
Surface = Callable[[Array, Array], Array]
"""Height of the glass at places (x, y), broadcast together, mm; NaN beside it."""


class Lines(NamedTuple):
    """Lines in the order in which they were stored."""

    true_mm: Array
    """Where each line really was."""
    counted_mm: Array
    """What the encoder says; NaN where it says nothing."""
    times_s: Array
    speed_mm_per_s: Array
    frame: npt.NDArray[np.intp]
    """Which exposure each line is: two lines of one number are copies."""


def even_lines(count: int, *, pitch_mm: float, speed_mm_per_s: float) -> Lines:
    """Lines at an even pitch and speed: no fault at all."""
    places = pitch_mm * np.arange(count, dtype=np.float64)
    return Lines(
        places,
        places.copy(),
        places / speed_mm_per_s,
        np.full(count, speed_mm_per_s),
        np.arange(count),
    )


def uneven_ticks(lines: Lines, share: float, rng: np.random.Generator) -> Lines:
    """Lines triggered unevenly, by up to ``share`` of a pitch either way; the encoder knows it."""
    pitch = float(np.median(np.diff(lines.true_mm)))
    off = share * pitch * rng.uniform(-1, 1, lines.true_mm.size)
    return lines._replace(
        true_mm=lines.true_mm + off,
        counted_mm=lines.counted_mm + off,
        times_s=lines.times_s + off / lines.speed_mm_per_s,
    )


def varying_speed(
    count: int, *, line_rate_hz: float, speed_mm_per_s: float, share: float, cycles: float
) -> Lines:
    """Lines at an even rate while the speed swings by ``share``: places are its exact integral."""
    times = np.arange(count) / line_rate_hz
    rate = 2 * np.pi * cycles / times[-1]
    speed = speed_mm_per_s * (1 + share * np.sin(rate * times))
    places = speed_mm_per_s * (times + share / rate * (1 - np.cos(rate * times)))
    return Lines(places, places.copy(), times, speed, np.arange(count))


def slipping(lines: Lines, at: Sequence[int], lost_mm: float, over: int) -> Lines:
    """The encoder loses ``lost_mm`` over ``over`` lines from each line ``at`` on (gains: minus)."""
    lost = np.zeros(lines.true_mm.size)
    for first in at:
        lost[first + 1 : first + 1 + over] += lost_mm / over
    return lines._replace(counted_mm=lines.counted_mm - np.cumsum(lost))


def without_positions(lines: Lines, which: npt.NDArray[np.intp]) -> Lines:
    """The encoder says nothing of some lines."""
    counted = lines.counted_mm.copy()
    counted[which] = np.nan
    return lines._replace(counted_mm=counted)


def without_lines(lines: Lines, which: npt.NDArray[np.intp]) -> Lines:
    """Some lines were never stored."""
    kept = np.delete(np.arange(lines.true_mm.size), which)
    return _picked(lines, kept)


def sent_twice(lines: Lines, first: int, count: int) -> Lines:
    """A buffer of lines is stored twice in a row."""
    order = np.arange(lines.true_mm.size)
    order = np.insert(order, first + count, order[first : first + count])
    return _picked(lines, order)


def _picked(lines: Lines, which: npt.NDArray[np.intp]) -> Lines:
    return Lines(
        lines.true_mm[which],
        lines.counted_mm[which],
        lines.times_s[which],
        lines.speed_mm_per_s[which],
        lines.frame[which],
    )


def stopping(
    lines: Lines, at: int, count: int, jitter_mm: float, rng: np.random.Generator
) -> Lines:
    """The glass stands still at a line while ``count`` more are taken; the encoder trembles."""
    step = float(np.median(np.diff(lines.times_s)))
    return _inserted(
        lines,
        at,
        np.full(count, lines.true_mm[at]),
        lines.counted_mm[at] + jitter_mm * rng.uniform(-1, 1, count),
        step,
    )


def creeping_back(lines: Lines, at: int, back_mm: float) -> Lines:
    """The glass goes back by ``back_mm`` and forward again, line by line, before it goes on."""
    step = float(np.median(np.diff(lines.times_s)))
    pitch = float(np.median(np.diff(lines.true_mm)))
    way = pitch * np.arange(1, round(back_mm / pitch) + 1)
    places = lines.true_mm[at] - np.concatenate([way, way[::-1][1:]])
    counted = places + lines.counted_mm[at] - lines.true_mm[at]
    return _inserted(lines, at, places, counted, step)


def _inserted(lines: Lines, at: int, true: Array, counted: Array, step_s: float) -> Lines:
    count = true.size
    later = lines.times_s[at + 1 :] + count * step_s
    speed = np.gradient(true, step_s) if count > 1 else np.zeros(count)
    return Lines(
        np.insert(lines.true_mm, at + 1, true),
        np.insert(lines.counted_mm, at + 1, counted),
        np.concatenate(
            [lines.times_s[: at + 1], lines.times_s[at] + step_s * np.arange(1, count + 1), later]
        ),
        np.insert(lines.speed_mm_per_s, at + 1, speed),
        np.insert(lines.frame, at + 1, lines.frame.max() + 1 + np.arange(count)),
    )


def taken(
    surface: Surface, lines: Lines, y_mm: Array, *, noise_mm: float, rng: np.random.Generator
) -> npt.NDArray[np.float32]:
    """Heights (lines, columns) of a surface on such lines; copies have the same noise."""
    clean = surface(lines.true_mm[:, None], y_mm[None, :])
    exposures = np.unique(lines.frame)
    noise = noise_mm * rng.standard_normal((exposures.size, y_mm.size))
    noisy = clean + noise[np.searchsorted(exposures, lines.frame)]
    return np.asarray(noisy, dtype=np.float32)


class HeadErrors(NamedTuple):
    """What is wrong with one head; measured = (height + offset + tilt (y - middle)) / scale."""

    offset_mm: float = 0.0
    tilt_mm_per_m: float = 0.0
    scale: float = 1.0
    drift_mm_per_m: float = 0.0
    off_x_mm: float = 0.0
    """It looks this much further along x than it is said to."""


def head_view(
    surface: Surface,
    x_mm: Array,
    y_mm: Array,
    errors: HeadErrors,
    *,
    noise_mm: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.float32]:
    """Heights (x, y) as one head of several measures them."""
    height = surface(x_mm[:, None] + errors.off_x_mm, y_mm[None, :])
    across = errors.offset_mm + errors.tilt_mm_per_m / 1000 * (y_mm - y_mm.mean())
    along = errors.drift_mm_per_m / 1000 * (x_mm - x_mm.mean())
    noise = noise_mm * rng.standard_normal(height.shape)
    measured = (height + across + along[:, None]) / errors.scale + noise
    return np.asarray(measured, dtype=np.float32)


class Motion(NamedTuple):
    """How the glass moves while each line is taken."""

    heave_mm: Array
    pitch: Array
    """Slope along x."""
    roll: Array
    """Slope along y."""


def bouncing(
    lines: int,
    *,
    heave_mm: float,
    pitch_mm_per_m: float,
    roll_mm_per_m: float,
    correlated_lines: float,
    rng: np.random.Generator,
) -> Motion:
    """Random bounce of the given standard deviations, smooth over some lines (0: not at all)."""
    from scipy.ndimage import gaussian_filter1d

    series = []
    for size in (heave_mm, pitch_mm_per_m / 1000, roll_mm_per_m / 1000):
        walk = rng.standard_normal(lines)
        if correlated_lines:
            walk = gaussian_filter1d(walk, correlated_lines)
        series.append(size * walk / walk.std())
    return Motion(*series)


def row_view(
    surface: Surface,
    line_x_mm: Array,
    y_mm: Array,
    motion: Motion,
    *,
    row_x_mm: float,
    offset_mm: float = 0.0,
    noise_mm: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.float32]:
    """Heights (lines, columns) as one of several sensor rows sees moving glass."""
    height = surface(line_x_mm[:, None] + row_x_mm, y_mm[None, :])
    alone = motion.heave_mm + motion.pitch * row_x_mm + offset_mm
    across = motion.roll[:, None] * (y_mm - y_mm.mean())
    noise = noise_mm * rng.standard_normal(height.shape)
    return np.asarray(height + alone[:, None] + across + noise, dtype=np.float32)
