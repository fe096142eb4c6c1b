"""Two-dimensional fields of a lite on the grid of its maps, and their statistics by zone.

Maps have a grid of their own, coarser than the scan: heights and readings are interpolated to its
points, a half wave's figures go to every point that lies in it, and curvature is a local fit.
Reflected power (normal incidence, first surface) is twice the second derivative of the height
with nothing taken out, so it sees bow and local defects that a line survey misses::

    P_x = 2 z_xx,  P_y = 2 z_yy      x 10^6 for mdpt; positive where the face is concave

A point is *clear* when all three contacts of the gauge stand outside the edge zones, *near* when
only the plunger does, *edge* otherwise. Statistics are over the clear points; cells are even, so
every point stands for the same area.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numba as nb
import numpy as np
import numpy.typing as npt

from midchord.lines import local_fit, pooled_lines, transfer

__all__ = [
    "CLEAR",
    "EDGE",
    "NEAR",
    "NO_GLASS",
    "Zoning",
    "cell_states",
    "half_wave_field",
    "interpolated",
    "map_positions",
    "power_field",
    "statistics",
    "zone_table",
]

Floats = npt.NDArray[np.float64]
Field = npt.NDArray[np.float32]

CLEAR, NEAR, EDGE, NO_GLASS = 0, 1, 2, 255
STATE_NO_GLASS = 4
LEAST_SAMPLES = 4
"""Samples either side that a curvature is fitted to, however coarse the pitch."""
MDPT = 1e6


def map_positions(at_mm: Floats, map_pitch_mm: float) -> Floats:
    """Positions of a map along one axis: whole cells from the rim, never finer than the scan."""
    pitch = float(at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    if map_pitch_mm <= pitch * (1 + 1e-6):
        return at_mm.copy()
    rim = at_mm[0] - 0.5 * pitch
    count = max(2, int((at_mm[-1] + 0.5 * pitch - rim) / map_pitch_mm + 1e-9))
    return np.asarray(rim + map_pitch_mm * (np.arange(count) + 0.5))


def interpolated(field: Field, x_mm: Floats, y_mm: Floats, to_x: Floats, to_y: Floats) -> Field:
    """Field (x, y) at the points of a coarser grid, linear along either axis; NaN where one of
    the neighbours it would use is."""
    row, along = _between(x_mm, to_x)
    column, across = _between(y_mm, to_y)
    return np.asarray(_bilinear(field, row, along, column, across))


def _between(at_mm: Floats, to_mm: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    place = (to_mm - at_mm[0]) / ((at_mm[-1] - at_mm[0]) / (at_mm.size - 1))
    index = np.clip(np.floor(place + 1e-9).astype(np.intp), 0, at_mm.size - 2)
    return index, np.clip(place - index, 0.0, 1.0)


@nb.njit(cache=True, parallel=True)
def _bilinear(field: Any, row: Any, along: Any, column: Any, across: Any) -> Any:
    out = np.empty((row.size, column.size), dtype=np.float32)
    for o in nb.prange(row.size):
        i, t = row[o], along[o]
        for p in range(column.size):
            j, s = column[p], across[p]
            total = 0.0
            # a weight of nothing must not bring in a neighbour that is missing
            if (1 - t) * (1 - s) > 1e-9:
                total += (1 - t) * (1 - s) * field[i, j]
            if t * (1 - s) > 1e-9:
                total += t * (1 - s) * field[i + 1, j]
            if (1 - t) * s > 1e-9:
                total += (1 - t) * s * field[i, j + 1]
            if t * s > 1e-9:
                total += t * s * field[i + 1, j + 1]
            out[o, p] = total
    return out


def cell_states(
    state: npt.NDArray[np.uint8], x_mm: Floats, y_mm: Floats, to_x: Floats, to_y: Floats
) -> npt.NDArray[np.uint8]:
    """Worst state of the samples in each cell of the map; no glass only where its middle has
    none."""
    cells = _cells(x_mm, to_x), _cells(y_mm, to_y)
    return np.asarray(_worst(state, *cells, _nearest(x_mm, to_x), _nearest(y_mm, to_y)))


def _cells(at_mm: Floats, to_mm: Floats) -> npt.NDArray[np.intp]:
    half = 0.5 * float(to_mm[1] - to_mm[0]) if to_mm.size > 1 else 0.5
    bounds = np.append(to_mm - half, to_mm[-1] + half)
    return np.searchsorted(at_mm, bounds - 1e-9)


def _nearest(at_mm: Floats, to_mm: Floats) -> npt.NDArray[np.intp]:
    index, part = _between(at_mm, to_mm)
    return np.asarray(index + (part >= 0.5), dtype=np.intp)


@nb.njit(cache=True, parallel=True)
def _worst(state: Any, rows: Any, columns: Any, middle_row: Any, middle_column: Any) -> Any:
    out = np.empty((middle_row.size, middle_column.size), dtype=np.uint8)
    for o in nb.prange(middle_row.size):
        for p in range(middle_column.size):
            worst = state[middle_row[o], middle_column[p]]
            if worst != STATE_NO_GLASS:
                for i in range(rows[o], rows[o + 1]):
                    for j in range(columns[p], columns[p + 1]):
                        here = state[i, j]
                        if here != STATE_NO_GLASS and here > worst:
                            worst = here
            out[o, p] = worst
    return out


def half_wave_field(
    line: npt.NDArray[np.intp],
    from_mm: Floats,
    to_mm: Floats,
    values: Floats,
    x_mm: Floats,
    line_count: int,
) -> Field:
    """Values of half waves at every map point that lies in one, (x, line); NaN elsewhere."""
    field = np.full((x_mm.size, line_count), np.nan, dtype=np.float32)
    first, last = np.searchsorted(x_mm, from_mm), np.searchsorted(x_mm, to_mm)
    count = np.maximum(last - first, 0)
    total = np.cumsum(count)
    inner = np.arange(count.sum()) - np.repeat(total - count, count)
    field[np.repeat(first, count) + inner, np.repeat(line, count)] = np.repeat(values, count)
    return field


def power_field(
    height: Field,
    x_mm: Floats,
    y_mm: Floats,
    to_x: Floats,
    to_y: Floats,
    *,
    window_mm: float,
    pool_mm: float,
) -> tuple[Field, float]:
    """Reflected power along x at the points of a map, and how it passes waves.

    height     (x, y), mm, NaN where not measured
    window_mm  half-width of the local fit of fourth degree along x
    pool_mm    neighbouring lines pooled either side
    returns    (x, y), mdpt, and the wavelength, mm, of which the fit passes 90 %
    """
    pitch = float(x_mm[-1] - x_mm[0]) / (x_mm.size - 1)
    half_width = max(LEAST_SAMPLES, round(window_mm / pitch))
    lines = pooled_lines(height, y_mm, to_y, pool_mm=pool_mm, x_pitch_mm=pitch)
    step = float(to_x[1] - to_x[0]) if to_x.size > 1 else pitch
    every = max(1, int(step / pitch + 1e-9))
    # fitted at the points of the map themselves where they are points of the scan
    first = round((to_x[0] - x_mm[0]) / pitch) % every
    bend = local_fit(lines, half_width, derivative=2, first=first, every=every) / pitch**2
    fitted_x = x_mm[first::every]
    power = (2 * MDPT * bend).astype(np.float32)
    if fitted_x.size < 2:
        return np.full((to_x.size, to_y.size), np.nan, dtype=np.float32), float("nan")
    there = (to_x >= fitted_x[0]) & (to_x <= fitted_x[-1])
    field = np.full((to_x.size, to_y.size), np.nan, dtype=np.float32)
    field[there] = _along(power, fitted_x, to_x[there])
    lengths = np.geomspace(2.5, 100 * half_width, 2000)
    passed = transfer(lengths, half_width, derivative=2)
    return field, float(lengths[np.flatnonzero(passed < 0.9)[-1]] * pitch)


def _along(field: Field, x_mm: Floats, to_x: Floats) -> Field:
    row, part = _between(x_mm, to_x)
    part = part[:, np.newaxis].astype(np.float32)
    low, high = field[row], field[row + 1]
    mixed = low + part * (high - low)
    return np.asarray(np.where(part < 1e-6, low, np.where(part > 1 - 1e-6, high, mixed)))


class Zoning(NamedTuple):
    """Distances that tell clear, near and edge apart, on the map's grid.

    leading_x, trailing_x  (y,): where the glass begins and ends in each line, mm
    left_y, right_y        (x,): and in each row
    """

    leading_x: Floats
    trailing_x: Floats
    left_y: Floats
    right_y: Floats
    edge_x_mm: float
    edge_y_mm: float

    def clear_range(self) -> tuple[Floats, Floats]:
        """Where contacts are clear of the leading and trailing edge; (y,) from and to, mm."""
        return self.leading_x + self.edge_x_mm, self.trailing_x - self.edge_x_mm

    def zones(
        self, x_mm: Floats, y_mm: Floats, half_span_mm: Floats, is_glass: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.uint8]:
        """CLEAR, NEAR, EDGE or NO_GLASS at every point, (x, y).

        half_span_mm  (1, 1), (1, y) or (x, y)
        """
        x = x_mm[:, np.newaxis]
        first, last = self.clear_range()
        beside = (y_mm - self.left_y[:, np.newaxis] >= self.edge_y_mm) & (
            self.right_y[:, np.newaxis] - y_mm >= self.edge_y_mm
        )
        plunger = (x >= first) & (x <= last) & beside
        feet = (x - half_span_mm >= first) & (x + half_span_mm <= last)
        zone = np.full(is_glass.shape, EDGE, dtype=np.uint8)
        zone[plunger] = NEAR
        zone[plunger & feet] = CLEAR
        zone[~is_glass] = NO_GLASS
        return zone


def statistics(
    values: npt.NDArray[np.floating[Any]],
    uncertainty: npt.NDArray[np.floating[Any]] | None,
    x_mm: Floats,
    y_mm: Floats,
    mask: npt.NDArray[np.bool_],
    *,
    half_wave_cells: float = 1.0,
) -> dict[str, Any]:
    """Smallest, mean, 95th percentile and largest of a field over a mask, with the place of the
    largest; None for all where there is no figure.

    uncertainty      (x, y): standard uncertainty of each value, if known
    half_wave_cells  cells that one independent half wave covers, for that of the mean
    """
    known = mask & np.isfinite(values)
    if not known.any():
        return dict.fromkeys(("min", "mean", "p95", "max", "u_mean", "u_max", "worst"))
    rows, columns = np.nonzero(known)
    chosen = values[known].astype(np.float64)
    top = int(chosen.argmax())
    result: dict[str, Any] = {
        "min": float(chosen.min()),
        "mean": float(chosen.mean()),
        "p95": float(np.percentile(chosen, 95)),
        "max": float(chosen[top]),
        "u_mean": None,
        "u_max": None,
        "worst": {"x_mm": float(x_mm[rows[top]]), "y_mm": float(y_mm[columns[top]])},
    }
    if uncertainty is not None:
        own = uncertainty[known].astype(np.float64)
        independent = max(chosen.size / max(half_wave_cells, 1.0), 1.0)
        result["u_mean"] = float(np.sqrt((own**2).mean() / independent))
        result["u_max"] = float(own[top])
    return result


def zone_table(
    fields: Mapping[str, tuple[Any, Any]],
    x_mm: Floats,
    y_mm: Floats,
    zone: npt.NDArray[np.uint8],
    *,
    length_mm: float,
    width_mm: float,
    grid: tuple[int, int],
    half_wave_mm2: float,
) -> list[dict[str, Any]]:
    """Statistics by zone: the clear, near and edge points, and a grid of zones of clear ones.

    fields         name -> (values, uncertainty or None), (x, y)
    grid           zones along x and along y, over the whole lite
    half_wave_mm2  area of one independent half wave
    """
    cell = float(x_mm[1] - x_mm[0]) * float(y_mm[1] - y_mm[0])
    rows: list[tuple[str, npt.NDArray[np.bool_], tuple[float, float, float, float]]] = []
    whole = (0.0, length_mm, 0.0, width_mm)
    for name, code in (("clear", CLEAR), ("near", NEAR), ("edge", EDGE)):
        rows.append((name, zone == code, whole))
    for i in range(grid[0]):
        for j in range(grid[1]):
            x0, x1 = (length_mm * k / grid[0] for k in (i, i + 1))
            y0, y1 = (width_mm * k / grid[1] for k in (j, j + 1))
            inside = ((x_mm >= x0) & (x_mm < x1))[:, np.newaxis] & ((y_mm >= y0) & (y_mm < y1))
            rows.append((f"r{i + 1}c{j + 1}", inside & (zone == CLEAR), (x0, x1, y0, y1)))
    table = []
    for name, mask, (x0, x1, y0, y1) in rows:
        area = float(mask.sum() * cell)
        figures = {
            figure: statistics(
                values, u, x_mm, y_mm, mask, half_wave_cells=half_wave_mm2 / cell
            )
            for figure, (values, u) in fields.items()
        }
        table.append(
            {
                "name": name,
                "x_from_mm": x0,
                "x_to_mm": x1,
                "y_from_mm": y0,
                "y_to_mm": y1,
                "area_mm2": area,
                "figures": figures,
            }
        )
    return table
