"""Two patterns that lie over each other: one fixed to the machine, one to the glass.

A value of lite k at its place p is

    z_k(p) = b_k + M(u, v) + F(p) + e_k(p),      (u, v) = where p of lite k lay in the machine

with M and F any functions of their cells. Where the lites lie differently in the machine the two
can be told apart; where they always lie alike, they cannot. Both are found together by least
squares, over all lites at once: crossed effects with unbalanced overlap. The normal equations need
no more than sums of the values by machine cell and by lite cell, and of each lite its place and
which of its cells have a value (a bit each), so thousands of lites fit and each is read once.
b_k is taken out exactly, by centring each lite on its mean. (Searle, Casella and McCulloch,
Variance Components, 1992, ch. 5, on sums of squares of unbalanced crossed data.)

Of the machine's pattern, parts that change along only, U(u), or across only, V(v), can be asked for
by themselves; a machine of one row or one column has only one of them.

The equations are solved by conjugate gradients, preconditioned by the counts, with a small ridge:
a cell that hardly any lite saw stays near zero instead of taking its noise for a pattern.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any, NamedTuple

import numba
import numpy as np
import numpy.typing as npt

__all__ = ["PARTS", "Crossed", "Effects", "Model", "cell_means"]

Floats = npt.NDArray[np.float64]
Array = npt.NDArray[Any]
Pair = tuple[float, float]
Shape = tuple[int, int]
PARTS = ("machine", "along", "across", "lite")
TOLERANCE, MOST_ROUNDS = 1e-3, 200
"""Of the right-hand side; the split then stands to five digits (tried down to 1e-5)."""


class Model(NamedTuple):
    """Which patterns are asked for together."""

    machine: bool = False
    along: bool = False
    across: bool = False
    lite: bool = False


class Effects(NamedTuple):
    """The patterns found, zero where not asked for or never seen: machine (mx, my), along (mx,),
    across (my,), lite (nx, ny)."""

    machine: Floats
    along: Floats
    across: Floats
    lite: Floats


class Crossed:
    """Sums over lites in blocks, and what the normal equations need besides.

    shape        (nx, ny) cells of the lite frame
    machine      (mx, my) cells of the machine; (1, my) or (mx, 1) where one way is not known;
                 (1, 1) where neither is
    cell_mm, origin_mm   size of a cell, lower corner of the machine's cells
    arrays       everything that changes as lites are added: a state is these
    """

    def __init__(
        self, shape: tuple[int, int], machine: tuple[int, int], *, lites: int, blocks: int,
        cell_mm: float, origin_mm: tuple[float, float] = (0.0, 0.0),
    ) -> None:  # fmt: skip
        self.shape, self.machine = shape, machine
        self.cell_mm, self.origin_mm = cell_mm, origin_mm
        self.lites, self.blocks = lites, blocks
        cells = shape[0] * shape[1]
        self.arrays: dict[str, npt.NDArray[np.generic]] = {
            "masks": np.zeros((lites, (cells + 7) // 8), np.uint8),
            "poses": np.zeros((lites, 3)),  # along, across, turn
            "block": np.full(lites, -1, np.int32),  # -1: not added
            "count": np.zeros(lites, np.int64),
            "mean": np.zeros(lites),
            "square": np.zeros(lites),  # about the mean of the lite
            "finer": np.zeros(lites),  # mean square within cells
            "sum_machine": np.zeros((blocks, *machine)),  # of centred values
            "seen_machine": np.zeros((blocks, *machine), np.int64),
            "sum_lite": np.zeros((blocks, *shape)),
            "seen_lite": np.zeros((blocks, *shape), np.int64),
        }

    def add(
        self, number: int, block: int, values: Floats, pose: tuple[float, float, float],
        finer: float = 0.0,
    ) -> None:  # fmt: skip
        """One lite: its cell means (up to nx, up to ny), NaN where there is none."""
        own = np.full(self.shape, np.nan)
        own[: values.shape[0], : values.shape[1]] = values
        seen = np.isfinite(own)
        count = int(seen.sum())
        if count < 2:
            return
        a = self.arrays
        mean = float(own[seen].mean())
        centred = np.where(seen, own - mean, 0.0)
        a["masks"][number] = np.packbits(seen.ravel())
        a["poses"][number] = pose
        a["block"][number], a["count"][number], a["mean"][number] = block, count, mean
        a["square"][number] = float((centred**2).sum())
        a["finer"][number] = finer
        a["sum_lite"][block] += centred
        a["seen_lite"][block] += seen
        _scatter(
            a["masks"][number], centred.ravel(), np.asarray(pose, dtype=np.float64), self.cell_mm,
            self.origin_mm, self.shape, a["sum_machine"][block], a["seen_machine"][block],
        )  # fmt: skip

    @property
    def used(self) -> npt.NDArray[np.bool_]:
        """Lites that were added."""
        return np.asarray(self.arrays["block"].astype(np.int64) >= 0)

    def sums(self, weights: npt.NDArray[np.int64] | None = None) -> tuple[Effects, Effects]:
        """Right-hand sides and counts, of blocks weighted 0 or 1 (all by default)."""
        w = np.ones(self.blocks) if weights is None else weights.astype(np.float64)
        a = self.arrays
        found = []
        for kind in ("sum", "seen"):
            machine = np.tensordot(w, a[f"{kind}_machine"].astype(np.float64), axes=1)
            lite = np.tensordot(w, a[f"{kind}_lite"].astype(np.float64), axes=1)
            found.append(Effects(machine, machine.sum(axis=1), machine.sum(axis=0), lite))
        return found[0], found[1]

    def solve(
        self, model: Model, *, ridge: float, without: int = -1, start: Effects | None = None
    ) -> Effects:
        """The patterns by least squares.

        ridge    of the mean count of the cells that were seen
        without  a block to leave out
        start    where to begin: those of all blocks, say
        """
        weights = np.ones(self.blocks, np.int64)
        if without >= 0:
            weights[without] = 0
        right, counts = self.sums(weights)
        asked = np.concatenate([
            np.full(part.size, wanted) for part, wanted in zip(right, model, strict=True)
        ])  # fmt: skip
        seen = _flat(counts)
        b = np.where(asked & (seen > 0), _flat(right), 0.0)
        diagonal = np.ones_like(seen)
        for part, at in zip(counts, _slices(counts), strict=True):
            visited = part.ravel()[part.ravel() > 0]
            level = float(visited.mean()) if visited.size else 1.0
            diagonal[at] = np.maximum(part.ravel(), 1.0)
            seen[at] = ridge * level
        penalty = seen

        def apply(x: Floats) -> Floats:
            y = self._apply(self._parts(x), model, weights)
            return np.where(asked, y + penalty * x, 0.0)

        x = np.zeros_like(b) if start is None else np.where(asked, _flat(start), 0.0)
        return self._parts(_conjugate_gradients(apply, b, diagonal, x))

    def _apply(self, effects: Effects, model: Model, weights: npt.NDArray[np.int64]) -> Floats:
        a = self.arrays
        out = Effects(*(np.zeros_like(part) for part in effects))
        _normal(
            a["masks"], a["poses"], a["block"], weights, self.cell_mm, self.origin_mm, self.shape,
            *effects, *model, *out,
        )  # fmt: skip
        return _flat(out)

    def fitted_means(self, effects: Effects) -> Floats:
        """Mean of the patterns over the seen cells of each lite (lites,); 0 where not added."""
        a = self.arrays
        return np.asarray(
            _means(a["masks"], a["poses"], a["block"], self.cell_mm, self.origin_mm, self.shape,
                   *effects)
        )  # fmt: skip

    def _parts(self, flat: Floats) -> Effects:
        (mx, my), (nx, ny) = self.machine, self.shape
        cuts = np.cumsum([mx * my, mx, my])
        one, two, three, four = np.split(flat, cuts)
        return Effects(one.reshape(mx, my), two, three, four.reshape(nx, ny))


def _flat(effects: Effects) -> Floats:
    return np.concatenate([part.ravel() for part in effects]).astype(np.float64)


def _slices(effects: Effects) -> list[slice]:
    ends = np.cumsum([0, *(part.size for part in effects)])
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(ends)]


def _conjugate_gradients(
    apply: Callable[[Floats], Floats], b: Floats, diagonal: Floats, x: Floats
) -> Floats:
    residual = b - apply(x) if x.any() else b.copy()
    z = residual / diagonal
    direction = z.copy()
    rz = float(residual @ z)
    # what is left is held against the whole right-hand side, so a good start is worth its rounds
    enough = TOLERANCE**2 * float(b @ (b / diagonal))
    for _ in range(MOST_ROUNDS):
        if rz <= enough:
            break
        image = apply(direction)
        step = rz / float(direction @ image)
        x = x + step * direction
        residual = residual - step * image
        z = residual / diagonal
        new = float(residual @ z)
        direction = z + (new / rz) * direction
        rz = new
    return x


@numba.njit(cache=True, nogil=True)
def _cell(at: float, origin: float, size: float, count: int) -> int:
    if count == 1:
        return 0
    cell = int(np.floor((at - origin) / size + 1e-7))
    return min(max(cell, 0), count - 1)


@numba.njit(cache=True, nogil=True)
def _seen_places(
    mask: Array, pose: Array, size: float, origin: Pair, shape: Shape, mx: int, my: int,
    cells: Array, rows: Array, columns: Array,
) -> int:  # fmt: skip
    """The lite's cells that have a value, and the machine's row and column of the centre of each;
    returns how many there are."""
    cos, sin = np.cos(pose[2]), np.sin(pose[2])
    is_turned = pose[2] != 0.0
    across = np.empty(shape[1], np.int32)
    for j in range(shape[1]):
        across[j] = _cell(pose[1] + (j + 0.5) * size, origin[1], size, my)
    found = 0
    for i in range(shape[0]):
        x = (i + 0.5) * size
        row = _cell(pose[0] + x, origin[0], size, mx)
        for j in range(shape[1]):
            bit = i * shape[1] + j
            if mask[bit >> 3] & (128 >> (bit & 7)):
                cells[found] = bit
                rows[found], columns[found] = row, across[j]
                if is_turned:
                    y = (j + 0.5) * size
                    rows[found] = _cell(pose[0] + x * cos - y * sin, origin[0], size, mx)
                    columns[found] = _cell(pose[1] + x * sin + y * cos, origin[1], size, my)
                found += 1
    return found


@numba.njit(cache=True, nogil=True)
def _scatter(
    mask: Array, centred: Array, pose: Array, size: float, origin: Pair, shape: Shape, sums: Array,
    counts: Array,
) -> None:  # fmt: skip
    room = shape[0] * shape[1]
    cells, rows, columns = (
        np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    )  # fmt: skip
    mx, my = sums.shape
    count = _seen_places(mask, pose, size, origin, shape, mx, my, cells, rows, columns)
    for n in range(count):
        sums[rows[n], columns[n]] += centred[cells[n]]
        counts[rows[n], columns[n]] += 1


@numba.njit(cache=True, nogil=True)
def _normal(
    masks: Array, poses: Array, block: Array, weights: Array, size: float, origin: Pair,
    shape: Shape, machine: Array, along: Array, across: Array, lite: Array, with_machine: bool,
    with_along: bool, with_across: bool, with_lite: bool, to_machine: Array, to_along: Array,
    to_across: Array, to_lite: Array,
) -> None:  # fmt: skip
    """The normal equations applied to patterns, lite by lite, always in the same order."""
    room = shape[0] * shape[1]
    cells, rows, columns = (
        np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    )  # fmt: skip
    values = np.empty(room)
    mx, my = machine.shape
    from_lite, into_lite = lite.reshape(room), to_lite.reshape(room)
    for k in range(block.size):
        if block[k] < 0 or weights[block[k]] == 0:
            continue
        count = _seen_places(
            masks[k], poses[k], size, origin, shape, mx, my, cells, rows, columns
        )
        total = 0.0
        for n in range(count):
            u, v = rows[n], columns[n]
            values[n] = machine[u, v] + along[u] + across[v] + from_lite[cells[n]]
            total += values[n]
        mean = total / count
        for n in range(count):
            u, v, value = rows[n], columns[n], values[n] - mean
            if with_machine:
                to_machine[u, v] += value
            if with_along:
                to_along[u] += value
            if with_across:
                to_across[v] += value
            if with_lite:
                into_lite[cells[n]] += value


@numba.njit(cache=True, nogil=True)
def _means(
    masks: Array, poses: Array, block: Array, size: float, origin: Pair, shape: Shape,
    machine: Array, along: Array, across: Array, lite: Array,
) -> Array:  # fmt: skip
    room = shape[0] * shape[1]
    cells, rows, columns = (
        np.empty(room, np.int32), np.empty(room, np.int32), np.empty(room, np.int32)
    )  # fmt: skip
    mx, my = machine.shape
    from_lite = lite.reshape(room)
    means = np.zeros(block.size)
    for k in range(block.size):
        if block[k] < 0:
            continue
        count = _seen_places(
            masks[k], poses[k], size, origin, shape, mx, my, cells, rows, columns
        )
        total = 0.0
        for n in range(count):
            u, v = rows[n], columns[n]
            total += machine[u, v] + along[u] + across[v] + from_lite[cells[n]]
        means[k] = total / count
    return means


@numba.njit(cache=True)
def cell_means(values: Array, use: Array, side: int) -> tuple[Array, float]:
    """Means over squares of ``side`` by ``side`` points, and the mean square within them.

    values, use  (nx, ny): points that count and have a value
    returns      (cells, cells), NaN where less than half of the points count; mean over the cells
                 of the mean square about their own mean, by n - 1, as the share of n points of it
    """
    nx, ny = (values.shape[0] + side - 1) // side, (values.shape[1] + side - 1) // side
    means = np.full((nx, ny), np.nan)
    within, cells = 0.0, 0
    for i in range(nx):
        for j in range(ny):
            total, square, count = 0.0, 0.0, 0
            for a in range(i * side, min((i + 1) * side, values.shape[0])):
                for b in range(j * side, min((j + 1) * side, values.shape[1])):
                    value = values[a, b]
                    if use[a, b] and np.isfinite(value):
                        total += value
                        square += value * value
                        count += 1
            if 2 * count >= side * side and count > 0:
                mean = total / count
                means[i, j] = mean
                within += max(0.0, square / count - mean * mean)
                cells += 1
    return means, within / cells if cells else 0.0
