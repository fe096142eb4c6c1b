"""What there is: the heads of all maps, in order of time, each lite once, each with its place.

Read before any field is, so that what would spoil the whole (two lites of one name) is refused in
seconds, and what spoils one map alone (damaged, foreign, on another frame) is put aside with the
sentence that says why, and counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from midchord.machine import Machine
from midchord.machine_place import MachinePlace, place_of
from midchord.production.stored import Head, read_head
from midchord_io.errors import MidchordError, ScanError

__all__ = ["ENDING", "Inventory", "Refused", "Watch", "files_of", "take_inventory"]

ENDING = ".maps.nc"
Watch = Callable[[Sequence[Path]], Iterable[Path]]
"""Hands its items on one by one; a command draws its progress with it."""


class Refused(NamedTuple):
    """A file that was put aside, and why."""

    file: str
    sentence: str


class Inventory(NamedTuple):
    """heads, places   lites in order of time
    refused         files put aside
    time_known      whether the order is that of time: scanned_at differs and none lacks it
    """

    heads: list[Head]
    places: list[MachinePlace]
    refused: list[Refused]
    time_known: bool


def files_of(paths: Iterable[str | Path]) -> list[Path]:
    """Files as named, and the files NAME.maps.nc of each folder that is named.

    Raises  ScanError: a folder without any
    """
    files: list[Path] = []
    for path in map(Path, paths):
        if not path.is_dir():
            files.append(path)
            continue
        inside = sorted(one for one in path.iterdir() if one.name.endswith(ENDING))
        if not inside:
            raise ScanError(
                path,
                found=f"no file NAME{ENDING} in this folder",
                needed="files of maps, or folders that hold some",
                do="map the scans first, or name another folder",
            )
        files += inside
    return files


def take_inventory(
    files: Iterable[Path],
    field: str,
    machine: Machine,
    places: Mapping[str, MachinePlace] | None = None,
    watch: Watch = iter,
) -> Inventory:
    """Heads and places of all maps.

    Raises  ScanError: none can be used, two of one lite, or the field in several units
    """
    heads: list[Head] = []
    refused: list[Refused] = []
    for file in watch(list(files)):
        try:
            heads.append(read_head(file, field))
        except MidchordError as error:
            refused.append(Refused(str(file), str(error)))
    if not heads:
        raise ScanError(
            refused[0].file if refused else "maps",
            found=f"none of the {len(refused)} files can be used; of the first: "
            f"{refused[0].sentence.rstrip('.')}" if refused else "no maps were named",
            needed="maps as midchord stores them",
            do="name other maps",
        )  # fmt: skip
    _check_names(heads)
    units = Counter((head.units, head.convention) for head in heads)
    if len(units) > 1:
        rare = min(units, key=lambda key: units[key])
        odd = next(head for head in heads if (head.units, head.convention) == rare)
        raise ScanError(
            odd.path,
            found=f"{field} in {odd.units}, convention {odd.convention or 'none'}, unlike others",
            needed="one field, one unit, one convention",
            do="process the scan again with this version",
        )
    moments = [head.scanned_at for head in heads]
    time_known = None not in moments and (len(heads) == 1 or len(set(moments)) > 1)
    heads.sort(
        key=lambda head: (
            head.scanned_at.timestamp() if time_known and head.scanned_at else 0.0,
            head.lite_id,
        )
    )
    found = [place_of(head.attrs, machine, places) for head in heads]
    return Inventory(heads, found, refused, time_known)


def _check_names(heads: Sequence[Head]) -> None:
    first: dict[str, Head] = {}
    for head in heads:
        other = first.setdefault(head.lite_id, head)
        if other is not head:
            raise ScanError(
                head.path,
                found=f"maps of lite {head.lite_id}, as {other.path} are",
                needed="each lite once: a lite counted twice makes every interval too narrow",
                do="leave one of them out, or name them apart",
            )
