"""The imprint of the quench nozzles on a set of lites: one call from maps to the ranking.

    maps --crossing--> courses across      roll wave out, averaged along the travel in blocks
    courses --register--> lites on the grid     pitch, place and slant of each, from the imprint
    --bell_of, cells_of--> marks           of every nozzle on every lite
    --judge_tracks--> odd nozzles          against what is usual, at a false discovery rate

Columns by default: the glass moves along under the nozzles, so what one nozzle does is shared out
over its column. Rows are looked at only where the oscillation of the glass left them apart
(:func:`midchord.nozzles.grid.rows_allowed`) and where the place of each lite along the machine is
known to a sixth of their pitch.

For a stream of maps: ``gathered = NozzleGathering(machine, settings)``, ``gathered.add(maps,
place)`` for each (a few hundred numbers are kept of each lite), then ``gathered.imprint()``.
``nozzle_imprint`` does just that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.machine import Machine
from midchord.machine_place import MachinePlace, place_of
from midchord.nozzles.cells import Bell, Cells, bell_of, cells_of, with_width_seen
from midchord.nozzles.crossing import Crossing, crossing
from midchord.nozzles.grid import NozzleGrid, RowsAllowed, grid_of, rows_allowed
from midchord.nozzles.intervals import Resampling
from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord.nozzles.odd import Judged, factor_and_move, judge_tracks, with_fit
from midchord.nozzles.registering import Registration, register
from midchord.nozzles.rows import row_courses
from midchord_io.errors import LiteTooSmall, ScanError

__all__ = ["Marks", "NozzleGathering", "NozzleImprint", "TrackFigures", "nozzle_imprint"]

Floats = npt.NDArray[np.float64]

LARGEST_SCATTER = 0.2
"""Of lites about their places, in pitches: beyond it one column is taken for the next."""
LARGEST_P_ALIKE = 0.01
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


@dataclass(frozen=True)
class NozzleImprint:
    """All that was found; ``as_dict()`` for a file, ``sentences()`` for people.

    columns   marks by column number
    rows      marks by row number, one entry for each set of rows; empty where not allowed
    rows_allowed   with the reason
    """

    machine: Machine
    settings: NozzleSettings
    lite_ids: list[str]
    columns: Marks
    rows: list[Marks]
    rows_allowed: RowsAllowed
    face: str | None
    left_out: list[tuple[str, str]]

    def as_dict(self) -> dict[str, Any]:
        """``nozzles`` of ``causes.json``: numbers unrounded."""
        from midchord.nozzles.facts import imprint_facts

        return imprint_facts(self)

    def sentences(self) -> list[str]:
        """What it says, the most important first."""
        from midchord.nozzles.facts import imprint_sentences

        return imprint_sentences(self)


class NozzleGathering:
    """Keeps of each lite what the imprint needs."""

    def __init__(self, machine: Machine, settings: NozzleSettings | None = None) -> None:
        self.machine = machine
        self.settings = settings or NozzleSettings.load()
        self.left_out: list[tuple[str, str]] = []
        self._crossings: list[Crossing] = []
        grid_of(machine, 0.0)  # says at once where no nozzles are described

    def add(self, maps: xr.Dataset, place: MachinePlace | None = None) -> None:
        """One lite; ``place`` as of ``place_of``.

        Raises  UnknownFormat: no residual; UnsupportedScan: too coarse across for the nozzles;
                ScanError: another face than the lites before
        """
        s = self.settings
        where = place_of(maps.attrs, self.machine) if place is None else place
        try:
            one = crossing(
                maps, self.machine, where, edge_mm=s.edge_mm, side_mm=s.side_mm,
                least_share=s.least_share,
            )  # fmt: skip
        except LiteTooSmall as error:
            self.left_out.append((str(maps.attrs.get("lite_id", "lite")), error.found))
            return
        if self._crossings and one.face != self._crossings[0].face:
            first = self._crossings[0]
            raise ScanError(
                one.lite_id,
                found=f"its {one.face or 'unknown'} face was scanned, and the "
                f"{first.face or 'unknown'} face of lite {first.lite_id}",
                needed="lites scanned on one face: each face has nozzles of its own",
                do="look at the two kinds apart",
            )
        self._crossings.append(one)

    def imprint(self) -> NozzleImprint:
        """The imprint of all lites that were added. Raises LiteTooSmall where there are none."""
        s, kept = self.settings, self._crossings
        if not kept:
            where, why = self.left_out[0] if self.left_out else ("maps", "no lites were given")
            raise LiteTooSmall(
                where,
                found=why,
                needed="at least one lite of three nozzle pitches across",
                do="name more maps",
            )
        coarsest = max(one.pitch_mm for one in kept)
        columns = _marks(kept, grid_of(self.machine, coarsest), self.machine, s)
        allowed = _rows_seen(rows_allowed(self.machine, s.least_contrast), kept, self.machine)
        rows: list[Marks] = []
        if allowed.allowed and columns.registration.is_present:
            rows = [
                _marks(courses, grid, self.machine, s)
                for grid, courses in row_courses(
                    kept, columns.registration, columns.bell, self.machine, columns.grid
                )
            ]
        return NozzleImprint(
            self.machine, s, [one.lite_id for one in kept], columns, rows, allowed,
            kept[0].face, self.left_out,
        )  # fmt: skip


def nozzle_imprint(
    maps_list: Iterable[xr.Dataset],
    machine: Machine,
    settings: NozzleSettings | None = None,
    *,
    places: Mapping[str, MachinePlace] | None = None,
) -> NozzleImprint:
    """Nozzle imprint of a set of maps.

    maps_list  maps, one a lite, each read once: a generator over stored files will do
    machine    with [nozzles]
    settings   of ``NozzleSettings.load``; the defaults where none are given
    places     where lites lay, of ``midchord.machine_place.read_places``
    Raises     SettingsError: no nozzles described; UnsupportedScan: maps too coarse across;
               ScanError: faces mixed; LiteTooSmall: no lite wide enough
    """
    gathered = NozzleGathering(machine, settings)
    for maps in maps_list:
        gathered.add(maps, place_of(maps.attrs, machine, places))
    return gathered.imprint()


def _rows_seen(allowed: RowsAllowed, kept: Sequence[Crossing], machine: Machine) -> RowsAllowed:
    """The rows that the motion left apart, seen in these maps?"""
    nozzles = machine.nozzles
    assert nozzles is not None
    pitch = nozzles.pitch_along_mm
    if not allowed.allowed:
        return allowed
    steps = max(float(one.x_mm[1] - one.x_mm[0]) for one in kept)
    if steps > pitch / 2:
        return allowed._replace(
            allowed=False,
            reason=f"{allowed.reason}, but the maps have a point every {steps:g} mm along, and at "
            f"most half the pitch of rows is needed",
        )
    unknown = sum(
        one.place.along_mm is None
        or one.place.along_sd_mm is None
        or one.place.along_sd_mm > pitch / 6
        for one in kept
    )
    if unknown:
        return allowed._replace(
            allowed=False,
            reason=f"{allowed.reason}, but of {unknown} of {len(kept)} lites the place along the "
            f"machine is not known to a sixth of that ({pitch / 6:.1f} mm)",
        )
    return allowed


def _marks(
    crossings: Sequence[Crossing], grid: NozzleGrid, machine: Machine, s: NozzleSettings
) -> Marks:
    found = register(
        crossings, grid, baseline_pitches=s.baseline_pitches, presence_rate=s.presence_rate,
        lite_tolerance=machine.glass.shrinkage_tolerance_percent / 200,
    )  # fmt: skip
    bell = bell_of(found, grid)
    if found.is_present:
        bell = with_width_seen(bell, found, grid, baseline_pitches=s.baseline_pitches)
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
    judged, spread, spread_place, usual = judge_tracks(
        cells, bell, _places_mm(found), gap_mm=grid.gap_mm,
        false_discovery_rate=s.false_discovery_rate, least_spread_percent=s.least_spread_percent,
        least_spread_mm=s.least_spread_mm, resampling=resampling,
    )  # fmt: skip
    judged = _set_aside(judged, found, grid, bell, usual, s)
    tracks = [_figures(cells, k, one, resampling) for k, one in enumerate(judged)]
    return empty._replace(
        tracks=[one for one in tracks if one.judged.lites > 0], usual_mm=usual, spread_mm=spread,
        spread_place_mm=spread_place,
    )  # fmt: skip


def _set_aside(
    judged: list[Judged],
    found: Registration,
    grid: NozzleGrid,
    bell: Bell,
    usual: float | None,
    s: NozzleSettings,
) -> list[Judged]:
    """Marks beside their places fitted again where they stand: a straight estimate that reaches too
    far also spoils their neighbours."""
    aside = {one.track.kappa: one.moved_mm / found.pitch_mm for one in judged
             if one.kind == "beside its place" and one.moved_mm is not None}  # fmt: skip
    for _ in range(2):
        if not aside:
            return judged
        cells = cells_of(found, grid, bell, baseline_pitches=s.baseline_pitches, moves=aside)
        for k, one in enumerate(judged):
            if one.track.kappa in aside:
                factor, moved = factor_and_move(cells, k, bell, usual, grid.gap_mm)
                judged[k] = with_fit(one, factor, moved)
                if moved is not None:
                    aside[one.track.kappa] = moved / found.pitch_mm
    return judged


def _refusal(found: Registration, grid: NozzleGrid) -> str:
    if not found.is_present:
        return "no imprint of the nozzle pitch is seen, so that there is nothing to compare"
    limit = LARGEST_SCATTER * grid.pitch_mm
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
