"""The least-squares system behind three sensor rows (see :mod:`midchord_io.joining.three_rows`).

For a place of the glass seen by the rows P, the residuals are those of the rows about their mean:
the projection Q = diag(P) - P P' / |P|. Samples across y enter by sums of 1, y and y^2 over them,
so the system has three unknowns a line (heave b, pitch c, roll r) and six for the rows (zero
points o, tilts t), however many samples there are.

Pitch counts in mm at the outer rows, about the middle of the rows, roll in mm at the side edges:
all unknowns are mm of glass. A prior of the stated size of bounce holds what the rows do not tell;
combinations that nothing tells are fixed by conditions (Lagrange multipliers), not by the prior.
Once solved, samples far off their place's mean (glare, an edge) are left out and it is solved
again.

Where the rows are nearly blind the glass is held, too: its mean across the width has fourth
differences, at an eighth of the shortest wave, of about SMOOTH_MM. That says nothing of waves that
the rows see, because three rows times all samples outweigh it, but keeps bounce at blind
wavelengths out of the glass.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.joining.glass_motion import Attitude, noise_mm, surrogate
from midchord_io.lines.line_interpolation import BLOCK_CELLS

__all__ = ["RowSystem"]

SMOOTH_MM = 0.002
FEWEST_LINES = 20
OUTLYING = 6.0
LARGEST_BAND = 100_000_000
"""Numbers in the factorised band, 0.8 GB: 6 m of lines 0.4 mm apart, rows over 240 mm."""

DRAWS = 8
SEED = 20260101
ROWS = range(3)

Array = npt.NDArray[np.float64]
Heights = npt.NDArray[np.float32]


class RowSystem:
    """The system of one scan: assembled from its rows, then solved."""

    def __init__(
        self,
        rows: Sequence[Heights],
        *,
        steps: Sequence[int],
        pitch_mm: float,
        y_mm: Array,
        offset_mm: Sequence[float] | None,
        bounce_mm: float,
        shortest_wave_mm: float,
    ) -> None:
        self.rows, self.steps, self.y_mm = rows, tuple(steps), y_mm
        self.lines = rows[0].shape[0]
        self.cells = self.lines + max(steps) - min(steps)
        self.row_x_mm = pitch_mm * np.asarray(steps, dtype=np.float64)
        self.half_reach_mm = float(np.ptp(self.row_x_mm)) / 2
        self.lever = (self.row_x_mm - self.row_x_mm.mean()) / self.half_reach_mm
        self.middle_y_mm = float(y_mm.mean())
        self.half_width_mm = max(float(np.ptp(y_mm)) / 2, 1e-9)
        self.across = (y_mm - self.middle_y_mm) / self.half_width_mm
        self.offset_mm = None if offset_mm is None else np.asarray(offset_mm, dtype=np.float64)
        self.noise_mm = noise_mm(rows)
        self.bounce_mm = bounce_mm
        self.bend_steps = max(1, round(shortest_wave_mm / 8 / pitch_mm))
        self.bandwidth = 3 * (int(np.ptp(self.steps)) + 4 * self.bend_steps) + 2
        if self.bandwidth * 3 * self.lines > LARGEST_BAND:
            raise MemoryError("too many lines for the distance of the rows")
        some = rows[1][:: max(1, self.lines // 500)]
        seen = np.isfinite(some)
        form = np.where(seen, some, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        self.across_form = form.astype(np.float64)
        """Common shape across: where samples are missing, the mean of a line would jump by it."""
        self.solution = np.zeros(0)

    def solve(self) -> Attitude:
        """The attitude that the rows agree on best. Raises ValueError where they share no glass."""
        attitude, farthest = None, np.inf
        for _ in range(2):
            self._assemble(attitude, farthest)
            if np.count_nonzero(self.is_told) < max(FEWEST_LINES, int(np.ptp(self.steps))):
                raise ValueError("the rows hardly see the same glass")
            self._factorise()
            self.solution = self._solved(self.right)
            attitude = self._attitude(self.solution)
            farthest = OUTLYING * max(self.scatter(attitude), 1e-9)
        assert attitude is not None
        return attitude

    def left_over(self) -> Array:
        """(cells,), standard uncertainty of the bounce left in each line of the glass, mm.

        Motions with the spectra of those found, and the rows' noise, are passed through the
        solution; what the glass shows of them, free conditions apart, is what is left.
        """
        rng = np.random.default_rng(SEED)
        count = 3 * self.lines
        found = self.solution[:count].reshape(self.lines, 3)
        sigma_mm = self.noise_mm / np.sqrt(np.maximum(self.samples, 1.0))
        squares = np.zeros(self.cells)
        for _ in range(DRAWS):
            true = np.zeros(count + 6)
            motions = [surrogate(found[:, kind], rng) for kind in range(3)]
            true[:count] = np.stack(motions, axis=1).ravel()
            noise = sigma_mm * rng.standard_normal((3, self.cells))
            moments = np.einsum("klj,lj->kj", self.moments[0], noise)
            right = self.normal @ true + self._right_side(moments, np.zeros_like(moments))
            right += self.bends.T @ (self.bend @ noise.mean(axis=0))
            rest = true - self._solved(right)
            squares += self._shown(rest) ** 2
        return np.where(self.samples > 0, np.sqrt(squares / DRAWS), np.nan)

    @property
    def samples_a_line(self) -> float:
        """Samples across the glass that two or three rows saw, in a typical line."""
        some = self.samples[self.samples > 0]
        return float(np.median(some)) if some.size else 1.0

    @property
    def is_told(self) -> npt.NDArray[np.bool_]:
        """(lines,), where all three rows look at glass that others see, too."""
        told = np.ones(self.lines, dtype=bool)
        for row in ROWS:
            line = self.line_of(row)
            inside = (line >= 0) & (line < self.lines)
            told[line[inside]] &= self.samples[inside] > 0
        return told

    def line_of(self, row: int) -> npt.NDArray[np.intp]:
        """(cells,), the line at which a row sees each cell; may lie outside the scan."""
        return np.arange(self.cells) + min(self.steps) - self.steps[row]

    def _block(
        self, cells: slice, attitude: Attitude | None, farthest_mm: float
    ) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
        """Residuals of the rows about their mean (3, cells, columns), that mean (cells, columns),
        and which samples are used."""
        values = np.full((3, cells.stop - cells.start, self.y_mm.size), np.nan)
        motion = np.zeros_like(values)
        for row in ROWS:
            line = self.line_of(row)[cells]
            inside = (line >= 0) & (line < self.lines)
            if inside.any():
                lines = slice(int(line[inside][0]), int(line[inside][-1]) + 1)
                values[row, inside] = self.rows[row][lines]
                if attitude is not None:
                    motion[row, inside] = attitude.seen_by(row, lines, self.y_mm)
        is_used = np.isfinite(values)
        if attitude is not None:
            apart, _ = _about_mean(values - motion, is_used)
            is_used &= np.abs(apart) <= farthest_mm
        is_used &= is_used.sum(axis=0) > 1
        apart, mean = _about_mean(values, is_used)
        return apart, mean, is_used

    def _assemble(self, attitude: Attitude | None, farthest_mm: float) -> None:
        """moments (3, 3, 3, cells): sums of y^p Q_kl; normal matrix and right-hand side."""
        self.moments = np.zeros((3, 3, 3, self.cells))
        self.shares = np.zeros((2, 3, self.cells))  # of each row in the mean of a line of glass
        sums = np.zeros((2, 3, self.cells))
        self.samples = np.zeros(self.cells)
        level = np.zeros(self.cells)
        powers = np.stack([np.ones_like(self.across), self.across, self.across**2], axis=1)
        step = max(1, BLOCK_CELLS // self.y_mm.size)
        for start in range(0, self.cells, step):
            cells = slice(start, min(start + step, self.cells))
            apart, mean, is_used = self._block(cells, attitude, farthest_mm)
            share = 1.0 / np.maximum(is_used.sum(axis=0), 1)
            self.samples[cells] = is_used.any(axis=0).sum(axis=1)
            mean = np.where(is_used.any(axis=0), mean - self.across_form, 0.0)
            level[cells] = mean.sum(axis=1) / np.maximum(self.samples[cells], 1)
            for k in ROWS:
                sums[:, k, cells] = (apart[k] @ powers[:, :2]).T
                parts = np.where(is_used[k], share, 0.0) @ powers[:, :2]
                self.shares[:, k, cells] = (parts / np.maximum(self.samples[cells], 1)[:, None]).T
                for m in ROWS[k:]:
                    both = is_used[k] & is_used[m]
                    q = np.where(both, (1.0 if k == m else 0.0) - share, 0.0)
                    self.moments[:, k, m, cells] = self.moments[:, m, k, cells] = (q @ powers).T
        self.bend, self.bends = self._bends()
        self.right = self._right_side(sums[0], sums[1]) + self.bends.T @ (self.bend @ level)
        self.normal = self._normal() + self.bends.T @ self.bends

    def _right_side(self, level: Array, slope: Array) -> Array:
        """From sums of the residuals and of residuals times y, each (3, cells)."""
        right = np.zeros(3 * self.lines + 6)
        for row in ROWS:
            line = self.line_of(row)
            inside = (line >= 0) & (line < self.lines)
            at = 3 * line[inside]
            right[at] += level[row, inside]
            right[at + 1] += self.lever[row] * level[row, inside]
            right[at + 2] += slope[row, inside]
            right[3 * self.lines + row] += level[row].sum()
            right[3 * self.lines + 3 + row] += slope[row].sum()
        return right

    def _unknowns(self, row: int) -> list[tuple[npt.NDArray[np.intp], float, int]]:
        """Index of each unknown that a row feels in each cell, its factor, its power of y."""
        line, rows = self.line_of(row), 3 * self.lines
        same = np.zeros_like(line)
        return [
            (3 * line, 1.0, 0),
            (3 * line + 1, float(self.lever[row]), 0),
            (3 * line + 2, 1.0, 1),
            (same + rows + row, 1.0, 0),
            (same + rows + 3 + row, 1.0, 1),
        ]

    def _normal(self) -> Any:
        from scipy.sparse import coo_matrix

        parts: list[tuple[Array, Any, Any]] = []
        for k in ROWS:
            for m in ROWS:
                inside = np.ones(self.cells, dtype=bool)
                for row in (k, m):
                    line = self.line_of(row)
                    inside &= (line >= 0) & (line < self.lines)
                for at_k, factor_k, power_k in self._unknowns(k):
                    for at_m, factor_m, power_m in self._unknowns(m):
                        value = factor_k * factor_m * self.moments[power_k + power_m, k, m]
                        parts.append((value[inside], at_k[inside], at_m[inside]))
        values, rows, columns = (np.concatenate(part) for part in zip(*parts, strict=True))
        size = 3 * self.lines + 6
        return coo_matrix((values, (rows, columns)), shape=(size, size)).tocsc()

    def _bends(self) -> tuple[Any, Any]:
        """Fourth differences (n, cells) of the glass, weighed against the noise; and the same of
        what the unknowns take from its mean across the width (n, size)."""
        from scipy.sparse import coo_matrix, vstack

        weight = max(self.noise_mm, 1e-6) / SMOOTH_MM
        pieces = []
        # each lag is blind to waves that it holds whole: two of them see all
        for lag in {self.bend_steps, max(1, round(0.6 * self.bend_steps))}:
            first = np.arange(max(0, self.cells - 4 * lag))
            first = first[np.all([self.samples[first + k * lag] > 0 for k in range(5)], axis=0)]
            at = np.concatenate([first + k * lag for k in range(5)])
            factors = np.repeat(weight * np.array([1.0, -4.0, 6.0, -4.0, 1.0]), first.size)
            difference = np.tile(np.arange(first.size), 5)
            pieces.append(
                coo_matrix((factors, (difference, at)), shape=(first.size, self.cells))
            )
        bend = vstack(pieces).tocsr()
        parts: list[tuple[Array, Any, Any]] = []
        for row in ROWS:
            line = self.line_of(row)
            seen = np.flatnonzero((line >= 0) & (line < self.lines))
            for at, factor, power in self._unknowns(row):
                parts.append((factor * self.shares[power, row, seen], seen, at[seen]))
        values, cells, at = (np.concatenate(part) for part in zip(*parts, strict=True))
        taken = coo_matrix((values, (cells, at)), shape=(self.cells, 3 * self.lines + 6)).tocsr()
        return bend, (bend @ taken).tocsr()

    def _conditions(self) -> tuple[Array, Array]:
        """What nothing tells: rows of factors, and the values that they must give."""
        size, lines = 3 * self.lines + 6, self.lines
        told = self.is_told
        place = np.where(told, np.arange(lines) - np.flatnonzero(told).mean(), 0.0)
        place /= max(float(np.abs(place).max()), 1.0)
        rows, values = [], []

        def add(at: slice, factors: Array, value: float = 0.0) -> None:
            row = np.zeros(size)
            row[at] = factors
            rows.append(row / np.linalg.norm(row))
            values.append(value / float(np.linalg.norm(row)))

        for kind in range(3):
            add(slice(kind, 3 * lines, 3), told.astype(np.float64))
        add(slice(2, 3 * lines, 3), place)
        zeros, tilts = slice(3 * lines, 3 * lines + 3), slice(3 * lines + 3, size)
        add(tilts, np.ones(3))
        if self.offset_mm is None:
            add(slice(1, 3 * lines, 3), place)
            add(zeros, np.ones(3))
            add(zeros, self.lever)
        else:
            for row in ROWS:
                add(zeros, np.eye(3)[row], float(self.offset_mm[row]))
        return np.array(rows), np.array(values)

    def _factorise(self) -> None:
        """Of the lines alone, a band; rows and conditions come in by a Schur complement."""
        from scipy.linalg import cholesky_banded

        count = 3 * self.lines
        conditions, values = self._conditions()
        lines = self.normal[:count, :count].tocoo()
        band = np.zeros((self.bandwidth + 1, count))
        lower = lines.row >= lines.col
        band[(lines.row - lines.col)[lower], lines.col[lower]] = lines.data[lower]
        band[0] += (max(self.noise_mm, 1e-6) / self.bounce_mm) ** 2
        self.factors = cholesky_banded(band, overwrite_ab=True, lower=True, check_finite=False)
        number = len(values)
        size = float(self.normal.diagonal()[:count].mean()) or 1.0  # conditions as large as data
        self.condition_values = size * values
        self.border = np.concatenate(
            [self.normal[:count, count:].toarray(), size * conditions[:, :count].T], axis=1
        )
        corner = np.zeros((6 + number, 6 + number))
        corner[:6, :6] = self.normal[count:, count:].toarray()
        corner[:6, 6:] = size * conditions[:, count:].T
        corner[6:, :6] = corner[:6, 6:].T
        self.through = self._back(self.border)
        self.corner = corner - self.border.T @ self.through

    def _back(self, right: Array) -> Array:
        from scipy.linalg import cho_solve_banded

        return np.asarray(cho_solve_banded((self.factors, True), right, check_finite=False))

    def _solved(self, right: Array) -> Array:
        count = 3 * self.lines
        lines = self._back(right[:count])
        rest = np.append(right[count:], self.condition_values) - self.border.T @ lines
        rows = np.linalg.lstsq(self.corner, rest, rcond=None)[0]
        return np.concatenate([lines - self.through @ rows, rows[:6]])

    def _attitude(self, found: Array) -> Attitude:
        rows = 3 * self.lines
        motion = found[:rows].reshape(self.lines, 3)
        pitch = motion[:, 1] / self.half_reach_mm
        return Attitude(
            heave_mm=motion[:, 0] - pitch * self.row_x_mm.mean(),
            pitch=pitch,
            roll=motion[:, 2] / self.half_width_mm,
            row_x_mm=self.row_x_mm,
            row_offset_mm=found[rows : rows + 3],
            row_tilt=found[rows + 3 :] / self.half_width_mm,
            middle_y_mm=self.middle_y_mm,
        )

    def scatter(self, attitude: Attitude) -> float:
        """Of the rows about their mean once the attitude is taken off; some cells stand for all."""
        cells = np.linspace(0, self.cells - 1, 60).astype(int)
        rests = []
        for cell in cells:
            values = []
            for row in ROWS:
                line = int(self.line_of(row)[cell])
                if 0 <= line < self.lines:
                    seen = attitude.seen_by(row, slice(line, line + 1), self.y_mm)[0]
                    values.append(self.rows[row][line] - seen)
            if len(values) == 3:
                rests.append((np.array(values) - np.mean(values, axis=0)).ravel())
        rest = np.abs(np.concatenate(rests)) if rests else np.zeros(1)
        rest = rest[np.isfinite(rest)]
        return 1.4826 * float(np.median(rest)) if rest.size else np.inf

    def _shown(self, rest: Array) -> Array:
        """(cells,), what the glass shows of an attitude that was not found."""
        rows = 3 * self.lines
        total, number = np.zeros(self.cells), np.zeros(self.cells)
        for row in ROWS:
            line = self.line_of(row)
            inside = (line >= 0) & (line < self.lines)
            at = 3 * line[inside]
            total[inside] += rest[at] + self.lever[row] * rest[at + 1] + rest[rows + row]
            number[inside] += 1
        shown = total / np.maximum(number, 1)
        seen = self.samples > 0
        x = np.linspace(-1, 1, self.cells)
        order = 2 if self.offset_mm is None else 1
        inner = seen & (np.abs(x) < 1 - 2 * np.ptp(self.steps) / self.cells)
        fit = np.polynomial.legendre.legfit(x[inner], shown[inner], order)
        return np.asarray(shown - np.polynomial.legendre.legval(x, fit))


def _about_mean(values: Array, is_used: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
    count = np.maximum(is_used.sum(axis=0), 1)
    mean = np.where(is_used, values, 0.0).sum(axis=0) / count
    return np.where(is_used, values - mean, 0.0), mean
