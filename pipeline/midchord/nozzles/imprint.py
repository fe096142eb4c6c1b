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
from typing import Any

import xarray as xr

from midchord.machine import Machine
from midchord.machine_place import MachinePlace, place_of
from midchord.nozzles.crossing import Crossing, crossing
from midchord.nozzles.grid import RowsAllowed, grid_of, rows_allowed
from midchord.nozzles.marks import Marks, marks_of
from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord.nozzles.rows import row_courses
from midchord_io.errors import LiteTooSmall, ScanError

__all__ = ["NozzleGathering", "NozzleImprint", "nozzle_imprint"]


@dataclass(frozen=True)
class NozzleImprint:
    """All that was found; ``as_dict()`` for a file, ``sentences()`` for people.

    columns   marks by column number
    rows      marks by row number, None where not allowed
    rows_allowed   with the reason
    """

    machine: Machine
    settings: NozzleSettings
    lite_ids: list[str]
    columns: Marks
    rows: Marks | None
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
        columns = marks_of(kept, grid_of(self.machine, coarsest), self.machine, s)
        allowed = _rows_seen(rows_allowed(self.machine, s.least_contrast), kept, self.machine)
        rows = None
        if allowed.allowed and columns.registration.is_present:
            grid, courses = row_courses(
                kept, columns.registration, columns.bell, self.machine, columns.grid
            )
            rows = marks_of(courses, grid, self.machine, s)
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
