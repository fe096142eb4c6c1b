"""Rows of nozzles, where the motion of the glass left them apart.

The marks at x, Z(x) of :mod:`midchord.nozzles.crossing`, turned back by the place of the columns,
give the size of the marks along the lite: a course along the travel, in which each row is a bell as
each column is in the course across. So rows are registered, fitted and judged by the same code, x
in the place of y. Where every second row is shifted, odd and even rows are turned back each by
their own columns and stand two pitches apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from midchord.machine import Machine
from midchord.nozzles.crossing import Crossing
from midchord.nozzles.grid import NozzleGrid
from midchord.nozzles.nozzle_settings import NozzleSettings

if TYPE_CHECKING:
    from midchord.nozzles.imprint import Marks

__all__ = ["row_crossings", "row_grids"]


def row_crossings(
    crossings: Sequence[Crossing], columns: Marks, settings: NozzleSettings
) -> list[list[Crossing]]:
    raise NotImplementedError


def row_grids(
    machine: Machine, courses: list[list[Crossing]]
) -> Iterator[tuple[NozzleGrid, list[Crossing]]]:
    raise NotImplementedError
