"""Rows of nozzles, where the motion of the glass left them apart.

The marks at x, Z(x) of :mod:`midchord.nozzles.crossing`, turned back by the place of the columns,
give the size of the marks along the lite: a course along the travel, in which each row is a bell as
each column is in the course across. So rows are registered, fitted and judged by the same code, x
in the place of y. Where every second row is shifted, odd and even rows are turned back each by
their own columns and stand two pitches apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from midchord.machine import Machine
from midchord.machine_place import MachinePlace
from midchord.nozzles.cells import Bell
from midchord.nozzles.crossing import Crossing
from midchord.nozzles.grid import NozzleGrid, across_tolerance
from midchord.nozzles.registering import Registration

__all__ = ["row_courses"]


def row_courses(
    crossings: Sequence[Crossing], registration: Registration, bell: Bell, machine: Machine,
    grid: NozzleGrid,
) -> list[tuple[NozzleGrid, list[Crossing]]]:  # fmt: skip
    """One grid of rows and the courses along of all lites, or two where rows are shifted.

    crossings, registration, bell, grid   of the columns, lite by lite
    """
    nozzles = machine.nozzles
    assert nozzles is not None
    parts = 2 if nozzles.stagger_mm > 0 else 1
    drawn = parts * nozzles.pitch_along_mm
    pitch = drawn * (1 - machine.glass.shrinkage_percent / 100)
    made = []
    for part in range(parts):
        shift = part * nozzles.stagger_mm / nozzles.pitch_across_mm
        names = ("odd rows", "even rows") if parts == 2 else ("",)
        rows = None if nozzles.rows is None else (nozzles.rows + 1 - part) // parts
        own = NozzleGrid(
            drawn, pitch, across_tolerance(machine), (0.0,), (names[part],),
            nozzles.first_along_mm + part * nozzles.pitch_along_mm, rows, 1 + part, parts,
        )  # fmt: skip
        courses = [
            _course(one, lite.kappa - bell.at - shift, lite.slant, lite.pitch_mm, grid.pitch_mm)
            for one, lite in zip(crossings, registration.lites, strict=True)
        ]
        made.append((own, courses))
    return made


def _course(
    one: Crossing, kappa: float, slant: float, pitch_mm: float, turned_by_mm: float
) -> Crossing:
    """Size of the marks along one lite, as a course of its own."""
    along = (one.x_mm - one.x_mm.mean()) * slant / pitch_mm
    phase = kappa + along - one.centre_mm / turned_by_mm
    size = (one.marks * np.exp(-2j * math.pi * phase)).real
    place = MachinePlace(
        across_mm=one.place.along_mm, across_sd_mm=one.place.along_sd_mm, skew_deg=0.0
    )
    return one._replace(y_mm=one.x_mm, blocks=size[None, :], at_mm=np.zeros(1), place=place)
