"""Many lites at once: what stays with the machine, what with the glass, and what changed.

    files --take_inventory--> heads, places       seconds: each lite once, in order of time
    each map --FrameSums.add, Crossed.add-->      sums in both frames; the maps are let go
    sums --split--> shares of the variance        machine, glass, between lites, noise
    sums --persistent_spots--> spots that stay
    zone means --find_changes--> what changed when, and the mean maps before and after it

Every map is read once and only sums are kept: memory does not grow with the lites (a few kilobytes
each for the split apart). A state is written every so many lites, so that a run that was killed
goes on; its result is the same bit for bit. Files that cannot be used are put aside with their
reason; two maps of one lite end the call, because every interval would be too narrow.

Lites whose place in the machine is not known count on the lite frame alone. Where it is known one
way only (guided across, but not timed along), the machine's pattern is looked for that way.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

import midchord
from midchord.machine import Machine
from midchord.machine_place import MachinePlace
from midchord.production.changes import ZONES, find_changes, zone_means
from midchord.production.crossed import Crossed, cell_means
from midchord.production.frames import (
    Frame,
    Frames,
    frames_of,
    nearest_points,
    on_lite_grid,
    pose_of,
)
from midchord.production.inventory import Inventory, Refused, files_of, take_inventory
from midchord.production.lots_settings import LotsSettings
from midchord.production.persistence import persistent_spots
from midchord.production.result import ChangeMaps, Known, LotLite, Lots, OnFrame, how_known
from midchord.production.split import split
from midchord.production.state import Done, read_state, write_state
from midchord.production.stored import Head, read_fields
from midchord.production.sums import FrameSums
from midchord_io.errors import MidchordError, ScanError

__all__ = ["Lots", "lots"]

SIGNED = ("residual", "reading", "power_x", "power_y")
LEAST_ZONE = {"clear": 0, "near": 1, "all": 2}
"""Zones of the maps up to which points count: 0 clear, 1 near, 2 edge."""

Watch = Callable[[Sequence[Any]], Iterable[Any]]


def lots(
    paths: Iterable[str | Path],
    machine: Machine | None = None,
    settings: LotsSettings | None = None,
    *,
    places: Mapping[str, MachinePlace] | None = None,
    state: str | Path | None = None,
    watch: Watch = iter,
    tell: Callable[[str], None] | None = None,
) -> Lots:
    """Bring many stored maps together.

    paths     files NAME.maps.nc, or folders that hold some
    machine   says how far the place in a scan is that in the machine; without it, and without
              places, only the lite frame is left
    settings  of ``LotsSettings.load``; the defaults where none are given
    places    where lites lay, of ``midchord.machine_place.read_places``
    state     file to go on from after a kill; none is written without it. It is left there, for
              the results may still fail to be written: ``remove_state`` once they are
    watch     hands the files, then the heads, on one by one: for a progress bar
    tell      takes sentences about what was taken up, begun anew or put aside
    Raises    ScanError: none can be used, two of one lite, places over more than one machine;
              OutputError: the state cannot be written
    """
    s = settings or LotsSettings.load()
    machine = machine or Machine()
    say = tell or (lambda sentence: None)
    found = take_inventory(files_of(paths), s.field, machine, places, watch)
    for one in found.refused:
        say(one.sentence)
    work = _Work(found, s)
    path = None if state is None else Path(state)
    if path is not None:
        work.take_up(path, say)
    every = s.state.every_lites
    for head in watch(found.heads[len(work.done) :]):
        work.add(head, say)
        if path is not None and len(work.done) % every == 0:
            work.write(path)
    if path is not None and len(work.done) >= every:
        work.write(path)
    return work.result(machine)


class _Work:
    """The sums, lite by lite."""

    def __init__(self, found: Inventory, settings: LotsSettings) -> None:
        s = self.settings = settings
        self.found = found
        self.done: list[Done] = []
        self.rows: list[dict[str, Any]] = []
        count = len(found.heads)
        self.blocks = max(1, min(s.split.blocks, count // 2))
        self.frames: Frames = frames_of(
            found.heads, found.places, pitch_mm=s.grid.pitch_mm, most_cells=s.grid.most_cells
        )
        self.limit, self.limit_from = _limit(found.heads, s)
        lite, machine = self.frames
        self.on_lite = FrameSums((lite.nx, lite.ny), self.blocks, self.limit)
        self.on_machine = machine and FrameSums((machine.nx, machine.ny), self.blocks, self.limit)
        self.known, self.members = _members(found.places, s.split.least_lites)
        self.rank = {number: rank for rank, number in enumerate(self.members)}
        side = s.points_a_cell
        self.cells = _machine_cells(found, self.members, self.known, s)
        self.crossed = Crossed(
            (math.ceil(lite.nx / side), math.ceil(lite.ny / side)),
            (self.cells.nx, self.cells.ny),
            lites=len(self.members),
            blocks=max(1, min(s.split.blocks, len(self.members) // 2)),
            cell_mm=s.split.cell_mm,
            origin_mm=(self.cells.x0_mm, self.cells.y0_mm),
        )

    def _arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        parts = {"lite": self.on_lite.arrays, "crossed": self.crossed.arrays}
        if self.on_machine is not None:
            parts["machine"] = self.on_machine.arrays
        return {f"{part}.{name}": one for part, held in parts.items() for name, one in held.items()}

    def _key(self) -> dict[str, Any]:
        return {
            "program": midchord.__version__,
            "settings": self.settings.model_dump(),
            "files": [str(head.path) for head in self.found.heads],
            "lites": [head.lite_id for head in self.found.heads],
            "places": [list(place) for place in self.found.places],
            "limit": self.limit,
            "frames": [None if frame is None else list(frame) for frame in self.frames],
        }

    def take_up(self, path: Path, say: Callable[[str], None]) -> None:
        old = read_state(path, self._key(), self.found.heads)
        if old is None:
            return
        if isinstance(old, str):
            say(f"{path}: the state of an earlier run is not taken up, {old}; begun anew.")
            return
        for name, array in self._arrays().items():
            array[...] = old.arrays[name]
        self.done, self.rows = old.done, old.rows
        say(f"{path}: {len(self.done)} of {len(self.found.heads)} lites were done before.")

    def write(self, path: Path) -> None:
        write_state(path, self._key(), self.done, self.rows, self._arrays())

    def add(self, head: Head, say: Callable[[str], None]) -> None:
        number = len(self.done)
        try:
            fields = read_fields(head, self.settings.field)
        except MidchordError as error:
            say(str(error))
            self.done.append(Done("", head.bytes_, head.mtime_ns))
            self.rows.append({"refused": str(error)})
            return
        values, zone = on_lite_grid(head, fields, self.frames.lite)
        values = np.where(np.isfinite(values), values, np.float32(np.nan))
        block = number * self.blocks // len(self.found.heads)
        signed = self.settings.field in SIGNED
        self.on_lite.add(block, values, signed)
        pose = pose_of(self.found.places[number])
        if pose is not None and self.on_machine is not None and self.frames.machine is not None:
            m = self.frames.machine
            first_i, first_j, index = nearest_points(
                *pose, values.shape, m.pitch_mm, m.x0_mm, m.y0_mm, m.nx, m.ny
            )
            self.on_machine.add(block, values, signed, (first_i, first_j), index)
        use = zone <= LEAST_ZONE[self.settings.split.area]
        self._add_to_split(number, values, use)
        picked = values[use & np.isfinite(values)].astype(np.float64)
        nan = math.nan
        self.rows.append({
            "points": int(picked.size),
            "mean": float(picked.mean()) if picked.size else nan,
            "sd": float(picked.std()) if picked.size else nan,
            "largest": float(np.abs(picked).max() if signed else picked.max())
            if picked.size else nan,
            "zones": zone_means(values, use).tolist(),
            "mean_square_u": fields.mean_square_u,
        })  # fmt: skip
        self.done.append(Done(fields.sha256, head.bytes_, head.mtime_ns))

    def _add_to_split(
        self, number: int, values: npt.NDArray[np.float32], use: npt.NDArray[np.bool_]
    ) -> None:
        rank = self.rank.get(number)
        if rank is None:
            return
        means, finer = cell_means(
            np.ascontiguousarray(values, dtype=np.float64), np.ascontiguousarray(use),
            self.settings.points_a_cell,
        )  # fmt: skip
        place = self.found.places[number]
        pose = (place.along_mm or 0.0, place.across_mm or 0.0, math.radians(place.skew_deg))
        block = rank * self.crossed.blocks // len(self.members)
        self.crossed.add(rank, block, means, pose, finer)

    def result(self, machine: Machine) -> Lots:
        s, found = self.settings, self.found
        lites, refused = [], list(found.refused)
        used: list[int] = []
        for number, (head, place) in enumerate(zip(found.heads, found.places, strict=True)):
            row = self.rows[number]
            if "refused" in row:
                refused.append(Refused(str(head.path), row["refused"]))
                continue
            used.append(number)
            lites.append(
                LotLite(
                    head, place, self.done[number].sha256, row["points"], row["mean"], row["sd"],
                    row["largest"], tuple(row["zones"]), row["mean_square_u"],
                )
            )  # fmt: skip
        if not lites:
            raise ScanError(
                refused[0].file,
                found=f"none of the {len(refused)} files can be used; of the first: "
                f"{refused[0].sentence.rstrip('.')}",
                needed="maps as midchord stores them",
                do="name other maps",
            )
        parted = None
        blocks = np.unique(self.crossed.arrays["block"][self.crossed.used])
        if self.crossed.used.sum() >= s.split.least_lites and blocks.size >= 4:
            parted = split(self.crossed, ridge=s.split.ridge, level=s.split.level)
        changes = find_changes(
            np.array([lite.zones for lite in lites]).reshape(len(lites), len(ZONES)),
            least_lites=s.changes.least_lites,
            false_rate=s.changes.false_rate,
            level=s.split.level,
        )
        return Lots(
            machine, s, lites, refused, found.time_known, found.heads[0].units,
            found.heads[0].convention, self.known, parted, self.cells if parted else None,
            {found.heads[number].lite_id: rank for number, rank in self.rank.items()},
            self._on(self.on_lite, self.frames.lite),
            None if self.on_machine is None or self.frames.machine is None
            else self._on(self.on_machine, self.frames.machine),
            self.limit, self.limit_from, changes, self._change_maps(changes, used),
        )  # fmt: skip

    def _on(self, sums: FrameSums, frame: Frame) -> OnFrame:
        p = self.settings.persistence
        stays = None
        if self.limit is not None:
            stays = persistent_spots(
                sums, frame, least_share=p.least_share, most=p.most_spots,
                least_lites=p.seen_share * len(self.done), level=self.settings.split.level,
            )  # fmt: skip
        return OnFrame(frame, sums.maps(), stays)

    def _change_maps(self, changes: Sequence[Any], used: Sequence[int]) -> ChangeMaps | None:
        shown = [one for one in changes if one.shown and one.first is not None]
        if not shown or not self.found.time_known:
            return None
        surest = min(shown, key=lambda one: (one.p_value, -abs(one.step)))
        count = len(self.found.heads)
        starts = [math.ceil(block * count / self.blocks) for block in range(self.blocks + 1)]
        first = used[surest.first]
        end = max(block for block in range(self.blocks + 1) if starts[block] <= first)
        again = min(block for block in range(self.blocks + 1) if starts[block] >= first)
        if end < 1 or again >= self.blocks:
            return None

        def both(sums: FrameSums) -> tuple[Any, Any]:
            return sums.mean_of(0, end), sums.mean_of(again, self.blocks)

        return ChangeMaps(
            surest.zone, (0, starts[end]), (starts[again], count), both(self.on_lite),
            None if self.on_machine is None else both(self.on_machine),
        )  # fmt: skip


def _limit(heads: Sequence[Head], s: LotsSettings) -> tuple[float | None, str]:
    """The limit of persistence, and where it comes from."""
    if s.persistence.limit > 0:
        return s.persistence.limit, "settings"
    unit = "mdpt" if "distortion" in s.field else "mm"
    figures = [head.summary.get(f"{s.field}_{unit}") for head in heads]
    known = [one["p95"] for one in figures if isinstance(one, Mapping)
             and isinstance(one.get("p95"), int | float)]  # fmt: skip
    if not known:
        return None, "none"
    return float(np.median(known)), "median over the lites of their 95th percentile"


def _members(places: Sequence[MachinePlace], least: int) -> tuple[Known, list[int]]:
    """Which lites are split, and how their places are known: the most that enough lites have."""
    how = [how_known(place) for place in places]
    both = [number for number, one in enumerate(how) if one == "both"]
    if len(both) >= least:
        return "both", both
    for axis in ("across", "along"):
        known = [number for number, one in enumerate(how) if one in (axis, "both")]
        if len(known) >= least:
            return ("across" if axis == "across" else "along"), known
    return "none", list(range(len(places)))


def _machine_cells(
    found: Inventory, members: Sequence[int], known: Known, s: LotsSettings
) -> Frame:
    """Cells of the machine for the split: one row or one column where a way is not known."""
    cell = s.split.cell_mm
    ends: list[tuple[float, int]] = []
    reach = [(found.heads[number].x, found.heads[number].y) for number in members]
    for axis, is_known in (("along", known in ("both", "along")),
                           ("across", known in ("both", "across"))):  # fmt: skip
        if not is_known:
            ends.append((0.0, 1))
            continue
        at = [float(getattr(found.places[number], f"{axis}_mm")) for number in members]
        # a turned lite reaches further, by less than its other side
        turns = [math.radians(found.places[number].skew_deg) for number in members]
        lows, highs = [], []
        for start, (x, y), turn in zip(at, reach, turns, strict=True):
            size = (x.points * x.step_mm, y.points * y.step_mm)
            own, other = size if axis == "along" else size[::-1]
            aside = other * abs(math.sin(turn))
            lows.append(start - aside)
            highs.append(start + own + aside)
        low = math.floor(min(lows) / cell + 1e-6)
        count = math.ceil(max(highs) / cell - 1e-6) - low
        if count > s.grid.most_cells:
            raise ScanError(
                "maps",
                found=f"places of lites over {max(highs) - min(lows):.0f} mm {axis}",
                needed="places in one machine, from its own zero",
                do="correct the places",
            )
        ends.append((low * cell, max(1, count)))
    (x0, nx), (y0, ny) = ends
    return Frame(x0, y0, nx, ny, cell)
