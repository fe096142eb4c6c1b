"""What came out of many maps, as numbers; ``facts`` puts it into words and files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.machine import Machine
from midchord.machine_place import MachinePlace
from midchord.production.changes import Change
from midchord.production.frames import Frame
from midchord.production.inventory import Refused
from midchord.production.lots_settings import LotsSettings
from midchord.production.persistence import Persistent
from midchord.production.split import Split
from midchord.production.stored import Head
from midchord.production.sums import FrameMaps

__all__ = ["ChangeMaps", "Known", "LotLite", "Lots", "OnFrame", "how_known"]

Floats = npt.NDArray[np.float64]
Known = Literal["both", "across", "along", "none"]


class LotLite(NamedTuple):
    """One lite as it went in; figures of the field over the points that count, NaN without one."""

    head: Head
    place: MachinePlace
    sha256: str
    points: int
    mean: float
    sd: float
    largest: float
    zones: tuple[float, ...]
    mean_square_u: float | None


class OnFrame(NamedTuple):
    """The maps of one frame, and what stays there; ``persistent`` None without a limit."""

    frame: Frame
    maps: FrameMaps
    persistent: Persistent | None


class ChangeMaps(NamedTuple):
    """Means before and after the surest change, of whole blocks of lites: ``before`` and ``after``
    say which lites (numbers from 0, end not in it); the block that holds the change is left out."""

    zone: str
    before: tuple[int, int]
    after: tuple[int, int]
    lite: tuple[Floats, Floats]
    machine: tuple[Floats, Floats] | None


@dataclass(frozen=True)
class Lots:
    """All that was found.

    lites       in order of time (time_known), else of their names; without those refused
    known       how the places of the lites that were split are known
    split       None where too few lites could be split; cells: of the machine in the split; ranks:
                of the lites in it
    limit       for persistence, None without one; limit_from says where it comes from
    """

    machine: Machine
    settings: LotsSettings
    lites: list[LotLite]
    refused: list[Refused]
    time_known: bool
    units: str
    convention: str
    known: Known
    split: Split | None
    cells: Frame | None
    ranks: dict[str, int]
    on_lite: OnFrame
    on_machine: OnFrame | None
    limit: float | None
    limit_from: str
    changes: list[Change]
    change_maps: ChangeMaps | None

    @property
    def known_places(self) -> dict[str, int]:
        """How many lites are known both ways, across only, along only, not at all."""
        counts = dict.fromkeys(("both", "across", "along", "none"), 0)
        for lite in self.lites:
            counts[how_known(lite.place)] += 1
        return counts

    @property
    def split_numbers(self) -> list[int | None]:
        """Number of each lite among those that were split; None for the others."""
        return [self.ranks.get(lite.head.lite_id) for lite in self.lites]

    def scatter_mm(self) -> dict[str, float | None]:
        """Standard deviation of the places of the lites, along and across; None: too few known."""
        return {axis: _sd(self._places(axis)) for axis in ("along", "across")}

    def place_sd_mm(self) -> dict[str, float | None]:
        """How well the places are known: root mean square of their standard deviations."""
        found: dict[str, float | None] = {}
        for axis in ("along", "across"):
            sds = [getattr(lite.place, f"{axis}_sd_mm") for lite in self.lites]
            told = np.array([sd for sd in sds if sd is not None], dtype=np.float64)
            found[axis] = float(np.sqrt((told**2).mean())) if told.size else None
        return found

    def _places(self, axis: str) -> list[float]:
        places = [getattr(lite.place, f"{axis}_mm") for lite in self.lites]
        return [float(place) for place in places if place is not None]

    def as_dict(self) -> dict[str, Any]:
        """The content of ``lots.json``, by ``lots.schema.json``."""
        from midchord.production.facts import lots_facts

        return lots_facts(self)


def how_known(place: MachinePlace) -> Known:
    """Which ways the place of a lite is known."""
    along, across = place.along_mm is not None, place.across_mm is not None
    if along and across:
        return "both"
    return "along" if along else "across" if across else "none"


def _sd(values: list[float]) -> float | None:
    return float(np.std(values, ddof=1)) if len(values) > 1 else None
