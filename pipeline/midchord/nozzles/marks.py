"""From the courses of all lites to the marks of columns of nozzles (or of rows): registered,
folded, and read nozzle by nozzle.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.machine import Machine
from midchord.nozzles.bell import Bell, bell_of
from midchord.nozzles.cells import Cells, cells_of
from midchord.nozzles.crossing import Crossing
from midchord.nozzles.grid import NozzleGrid
from midchord.nozzles.intervals import Resampling
from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord.nozzles.odd import Judged, Ranking, factor_and_move, judge_tracks, with_fit
from midchord.nozzles.registering import Registration, register

__all__ = ["Marks", "TrackFigures", "marks_of"]

Floats = npt.NDArray[np.float64]

LARGEST_SCATTER = 0.2
"""Of lites about their places, in periods of the tracks: beyond it one is taken for the next."""
LARGEST_P_ALIKE = 0.05
"""Chance that lites which lie anywhere look as if they were guided alike (Rayleigh's test)."""


class TrackFigures(NamedTuple):
    """What one track left: mean profile (u,) mm with its interval, and figures with theirs."""

    profile_mm: Floats
    profile_interval_mm: tuple[Floats, Floats] | None
    depth_mm: float
    depth_interval: tuple[float, float] | None
    power_mdpt: float
    power_interval: tuple[float, float] | None
    judged: Judged


class Marks(NamedTuple):
    """Columns (or rows) of nozzles, as far as these lites carry them.

    tracks        in the order of their numbers; empty where numbers cannot be given
    usual_mm      usual size of a mark, None where marks melt into each other
    spread_mm, spread_place_mm   in which a mark is usual (standard deviations)
    """

    grid: NozzleGrid
    registration: Registration
    bell: Bell
    u_mm: Floats
    folded_mm: Floats
    tracks: list[TrackFigures]
    usual_mm: float | None
    spread_mm: float
    spread_place_mm: float
    refused: str

    @property
    def odd(self) -> list[TrackFigures]:
        """The odd ones, the surest first."""
        found = [one for one in self.tracks if one.judged.is_odd]
        return sorted(found, key=lambda one: one.judged.p_value)


def marks_of(
    crossings: Sequence[Crossing], grid: NozzleGrid, machine: Machine, s: NozzleSettings
) -> Marks:
    """Marks of all lites on one grid.

    crossings  courses, one a lite, at least one
    grid       tracks of the machine
    """
    found = register(
        crossings, grid, baseline_pitches=s.baseline_pitches, presence_rate=s.presence_rate,
        lite_tolerance=machine.glass.shrinkage_tolerance_percent / 200,
    )  # fmt: skip
    bell = bell_of(found, grid, baseline_pitches=s.baseline_pitches)
    order = np.arange(1, found.signature.size + 1)
    u = np.linspace(-0.5, 0.5, 41)
    folded = (found.signature * np.exp(2j * np.pi * np.outer(u + bell.at, order))).sum(axis=1).real
    refused = _refusal(found, grid)
    empty = Marks(grid, found, bell, u * found.pitch_mm, folded, [], None, 0.0, 0.0, refused)
    if refused:
        return empty
    cells = cells_of(found, grid, bell, baseline_pitches=s.baseline_pitches)
    if len({track.column for track in cells.tracks}) < s.least_columns:
        few = len({track.column for track in cells.tracks})
        return empty._replace(
            refused=f"the lites carry {few} nozzles side by side, and at least {s.least_columns} "
            "are needed to say what is usual"
        )
    lites = len(crossings)
    resampling = (
        Resampling(lites, resamples=s.resamples, level=s.level, seed=s.seed)
        if lites >= s.bootstrap_lites
        else None
    )
    ranking = _ranked(found, grid, bell, cells, s, resampling)
    tracks = [_figures(cells, k, one, resampling) for k, one in enumerate(ranking.tracks)]
    return empty._replace(
        tracks=[one for one in tracks if one.judged.lites > 0], usual_mm=ranking.usual_mm,
        spread_mm=ranking.spread_mm, spread_place_mm=ranking.spread_place_mm,
    )  # fmt: skip


def _ranked(
    found: Registration,
    grid: NozzleGrid,
    bell: Bell,
    cells: Cells,
    s: NozzleSettings,
    resampling: Resampling | None,
) -> Ranking:
    """Judged twice where marks lie beside their places: a straight estimate that reaches too far
    also spoils their neighbours, so these marks are set aside where they stand."""

    def judge(of: Cells) -> Ranking:
        return judge_tracks(
            of, bell, _places_mm(found), gap_mm=grid.gap_mm,
            false_discovery_rate=s.false_discovery_rate,
            least_spread_percent=s.least_spread_percent, least_spread_mm=s.least_spread_mm,
            resampling=resampling,
        )  # fmt: skip

    first = judge(cells)
    aside = {
        k: (one.moved_mm + first.drift_mm[k]) / found.pitch_mm
        for k, one in enumerate(first.tracks)
        if one.kind == "beside its place" and one.moved_mm is not None
    }
    if not aside:
        return first
    moves = {first.tracks[k].track.kappa: move for k, move in aside.items()}
    moved = cells_of(found, grid, bell, baseline_pitches=s.baseline_pitches, moves=moves)
    again = judge(moved)
    tracks = list(again.tracks)
    for k in aside:
        factor, place = factor_and_move(moved, k, bell, again.usual_mm, grid.gap_mm)
        place = None if place is None else place - float(again.drift_mm[k])
        tracks[k] = with_fit(first.tracks[k], factor, place)
    return again._replace(tracks=tracks)


def _refusal(found: Registration, grid: NozzleGrid) -> str:
    if not found.is_present:
        return "no imprint of the nozzle pitch is seen, so that there is nothing to compare"
    limit = LARGEST_SCATTER * grid.period * grid.pitch_mm
    if found.scatter_mm > limit:
        return (
            f"the lites scatter by {found.scatter_mm:.1f} mm about their places, and from "
            f"{limit:.1f} mm on one nozzle is taken for the next"
        )
    if found.p_alike > LARGEST_P_ALIKE:
        return (
            f"the place of the lites across the machine is not known, and {len(found.lites)} lites "
            f"do not show that they were guided alike (p = {found.p_alike:.2g})"
        )
    return ""


def _places_mm(found: Registration) -> Floats:
    """Place of the left-hand edge of each lite across the machine."""
    return np.array(
        [
            one.kappa * found.pitch_mm - 0.5 * float(one.y_mm[0] + one.y_mm[-1])
            for one in found.lites
        ]
    )


def _figures(
    cells: Cells, number: int, judged: Judged, resampling: Resampling | None
) -> TrackFigures:
    profiles = cells.profiles[:, number]
    seen = np.isfinite(profiles).all(axis=1)
    nothing = np.full(cells.u_mm.size, np.nan)
    mean = profiles[seen].mean(axis=0) if seen.any() else nothing
    depth, power = cells.depth_mm[:, number], cells.power_mdpt[:, number]
    depth_mean = float(depth[seen].mean()) if seen.any() else float("nan")
    power_mean = float(power[seen].mean()) if seen.any() else float("nan")
    if resampling is None:
        return TrackFigures(mean, None, depth_mean, None, power_mean, None, judged)
    ends = [
        resampling.interval(column, float(value))
        for column, value in zip(profiles.T, mean, strict=True)
    ]
    band = None
    if all(end is not None for end in ends):
        table = np.array(ends, dtype=np.float64)
        band = (table[:, 0], table[:, 1])
    return TrackFigures(
        mean, band, depth_mean, resampling.interval(depth, depth_mean), power_mean,
        resampling.interval(power, power_mean), judged,
    )  # fmt: skip
