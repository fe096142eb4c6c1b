"""Shift and day: how much of a figure's scatter goes with either, and the means of the shifts.

A figure that is higher in every night shift is no drift, and neither is one that differs from day
to day; both look like drift in a chart. Here the first phase and what follows are split by least
squares into

    figure = mean + shift + day + rest

each part tested after the other is taken out (partial F, "type II"), with its share of the scatter
(partial omega squared: what a larger number of lites would show, not what chance adds). The mean of
a shift is adjusted for the days it was seen on, with the interval of the rest.

The day of production begins with its first shift; hours are those of the plant's clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["Part", "ShiftMean", "Split", "days_and_shifts", "shift_name", "split"]

Floats = npt.NDArray[np.float64]
LEAST_REST = 8
"""Degrees of freedom of the rest, with fewer of which nothing is said."""


class ShiftMean(NamedTuple):
    """Mean of one shift over the days, with the ends of its interval."""

    name: str
    lites: int
    mean: float
    low: float
    high: float


class Part(NamedTuple):
    """One part of the scatter; p_value None where there is only one shift or day."""

    groups: int
    p_value: float | None
    share: float | None


class Split(NamedTuple):
    """A figure by shift and day; both parts None where too few lites are left for the rest."""

    shift: Part
    day: Part
    rest_sd: float
    means: list[ShiftMean]


def days_and_shifts(
    scanned_at: Sequence[str], begins_h: Sequence[float], utc_offset_h: float
) -> tuple[list[str], list[str]] | None:
    """Day of production and shift of every lite; None where a time is missing.

    scanned_at  ISO 8601, UTC
    """
    days, shifts = [], []
    for text in scanned_at:
        try:
            when = dt.datetime.fromisoformat(text)
        except ValueError:
            return None
        if when.tzinfo is not None:
            when = when.astimezone(dt.UTC).replace(tzinfo=None)
        clock = when + dt.timedelta(hours=utc_offset_h)
        hour = clock.hour + clock.minute / 60 + clock.second / 3600
        begun = [begin for begin in begins_h if begin <= hour]
        shifts.append(shift_name(begun[-1] if begun else begins_h[-1]))
        days.append((clock - dt.timedelta(hours=begins_h[0])).date().isoformat())
    return days, shifts


def shift_name(begin_h: float) -> str:
    """``from 06:00``."""
    minutes = round(60 * begin_h)
    return f"from {minutes // 60:02d}:{minutes % 60:02d}"


def split(
    values: Floats, days: Sequence[str], shifts: Sequence[str], *, level: float = 0.95
) -> Split | None:
    """The split of one figure; None where too few lites are left for the rest.

    values  (lite,) NaN: no value
    """
    from scipy.stats import f as fisher
    from scipy.stats import t as student

    have = np.isfinite(values)
    x = values[have]
    by_day, day_names = _indicators([d for d, ok in zip(days, have, strict=True) if ok])
    by_shift, names = _indicators([s for s, ok in zip(shifts, have, strict=True) if ok])
    one = np.ones((x.size, 1))
    both = np.concatenate([one, by_shift[:, 1:], by_day[:, 1:]], axis=1)
    rest, rank = _rest(x, both)
    dof = x.size - rank
    if dof < LEAST_REST or not rest > 0:
        return None
    variance = rest / dof

    def part(groups: int, without: Floats) -> Part:
        more, lower = _rest(x, without)
        gained = rank - lower
        if gained <= 0:
            return Part(groups, None, None)
        ratio = max(0.0, (more - rest) / gained / variance)
        share = gained * (ratio - 1) / (gained * (ratio - 1) + x.size)
        return Part(groups, float(fisher.sf(ratio, gained, dof)), max(0.0, share))

    shift = part(len(names), np.concatenate([one, by_day[:, 1:]], axis=1))
    day = part(len(day_names), np.concatenate([one, by_shift[:, 1:]], axis=1))
    inverse = np.linalg.pinv(both.T @ both)
    solution = inverse @ both.T @ x
    reach = float(student.isf((1 - level) / 2, dof))
    means = []
    for number, name in enumerate(names):
        row = np.zeros(both.shape[1])
        row[0] = 1.0
        if number:
            row[number] = 1.0
        row[len(names) :] = by_day[:, 1:].mean(axis=0)
        mean, sd = float(row @ solution), float(np.sqrt(variance * (row @ inverse @ row)))
        means.append(
            ShiftMean(name, int(by_shift[:, number].sum()), mean, mean - reach * sd,
                      mean + reach * sd)
        )  # fmt: skip
    return Split(shift, day, float(np.sqrt(variance)), means)


def _indicators(labels: Sequence[str]) -> tuple[Floats, list[str]]:
    names = sorted(set(labels))
    table = np.array([[label == name for name in names] for label in labels], dtype=np.float64)
    return table.reshape(len(labels), len(names)), names


def _rest(x: Floats, design: Floats) -> tuple[float, int]:
    """Sum of squares that a design leaves, and its rank."""
    solution, _, rank, _ = np.linalg.lstsq(design, x, rcond=1e-10)
    return float(((x - design @ solution) ** 2).sum()), int(rank)
