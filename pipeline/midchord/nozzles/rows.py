"""Rows of nozzles, where the motion of the glass left them apart.

The marks at x, Z(x) of :mod:`midchord.nozzles.crossing`, turned back by the place of the columns,
give the size of the marks along the lite: a course along the travel, in which each row is a bell as
each column is in the course across. So rows are registered, fitted and judged by the same code, x
in the place of y.

Where every second row is shifted, its marks are turned back by its own columns: the course is put
together of the one and the other, changing half way between rows, where there are no marks. Which
row is odd and which even follows from the place along the machine, made finer by where the sum of
all marks is largest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from midchord.machine import Machine, Nozzles
from midchord.machine_place import MachinePlace
from midchord.nozzles.bell import Bell
from midchord.nozzles.crossing import Crossing
from midchord.nozzles.grid import NozzleGrid, pitch_tolerance
from midchord.nozzles.registering import Registered, Registration

__all__ = ["row_courses"]

Floats = npt.NDArray[np.float64]

SHIFTS = np.linspace(-0.3, 0.3, 25)
"""Rows by which the place along may be off."""


def row_courses(
    crossings: Sequence[Crossing], registration: Registration, bell: Bell, machine: Machine,
    grid: NozzleGrid,
) -> tuple[NozzleGrid, list[Crossing]]:  # fmt: skip
    """The grid of rows, and the courses along of all lites.

    crossings                  with places known along the machine
    registration, bell, grid   of the columns, lite by lite
    """
    nozzles = machine.nozzles
    assert nozzles is not None
    pitch = nozzles.pitch_along_mm * (1 - machine.glass.shrinkage_percent / 100)
    rows = NozzleGrid(
        nozzles.pitch_along_mm, pitch, pitch_tolerance(machine), (0.0,), ("",),
        nozzles.first_along_mm, nozzles.rows,
    )  # fmt: skip
    return rows, [
        _course(one, lite, bell.at, nozzles, rows, grid.pitch_mm)
        for one, lite in zip(crossings, registration.lites, strict=True)
    ]


def _course(
    one: Crossing, lite: Registered, at: float, nozzles: Nozzles, rows: NozzleGrid,
    turned_by_mm: float,
) -> Crossing:  # fmt: skip
    """Size of the marks along one lite, as a course of its own."""
    assert one.place.along_mm is not None
    aside = (one.x_mm - one.x_mm.mean()) * lite.slant / lite.pitch_mm
    phase = lite.kappa - at + aside - one.centre_mm / turned_by_mm
    size = (one.marks * np.exp(-2j * math.pi * phase)).real
    if nozzles.stagger_mm > 0:
        stagger = nozzles.stagger_mm / nozzles.pitch_across_mm
        even = (one.marks * np.exp(-2j * math.pi * (phase - stagger))).real
        hot = one.place.along_mm + one.x_mm * rows.drawn_mm / rows.pitch_mm
        size = _put_together(size, even, (hot - rows.first_across_mm) / rows.drawn_mm)
    place = MachinePlace(across_mm=one.place.along_mm, across_sd_mm=one.place.along_sd_mm)
    return one._replace(y_mm=one.x_mm, blocks=size[None, :], at_mm=np.zeros(1), place=place)


def _put_together(odd: Floats, even: Floats, row: Floats) -> Floats:
    """The course of odd rows near odd rows and that of even ones near even ones.

    row  (x,) rows from the first one
    """
    tried = [np.where(np.round(row + shift).astype(int) % 2 == 0, odd, even) for shift in SHIFTS]
    return tried[int(np.argmax([abs(float(np.nansum(course))) for course in tried]))]
