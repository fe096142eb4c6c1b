"""The exact surface of a simulated lite: every part in closed form, at any place.

    z(x, y) = form + edge lift + roll + imprint          mm, on the lite's own frame

Each part is a method of :class:`Surface`, evaluated in float64 wherever it is asked, so that a
figure measured on a scan can be held against a value that went through no grid, no filter and no
interpolation. The slope of the roll wave along x is there too: turning points are its zeros.

The roll wave is A(x, y) cos(p(x, y)), with the phase

    p = phase0 + (2 pi / L0) [x - drift integral - shift of the ridge at y]

whose slope gives the local wavelength. The integral is in closed form because the drift is one of
the wavenumber (see :class:`midchord.simulating.recipe.RollWave`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.simulating.recipe import EDGES, Corners, Edge, EdgeLift, Recipe, RollWave, Variation

__all__ = ["BowFigure", "Surface"]

Array = npt.NDArray[np.float64]
_EDGE: dict[str, Edge] = {edge: edge for edge in EDGES}


class BowFigure(NamedTuple):
    """Overall bow along one chord: largest distance from it, absolute and per metre of chord."""

    mm: float
    mm_per_m: float


class _Side(NamedTuple):
    """One edge as a straight line, run from the leading or the left-hand end."""

    start: tuple[float, float]
    along: tuple[float, float]
    inward: tuple[float, float]
    length_mm: float

    def run(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        return _dot(x_mm, y_mm, self.start, self.along)

    def depth(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Distance from the edge into the glass, mm."""
        return _dot(x_mm, y_mm, self.start, self.inward)


class Surface:
    """The surface of a recipe. All methods take places on the lite in mm (broadcast together) and
    give float64 mm, also beyond the outline: :meth:`is_glass` says where there is glass."""

    def __init__(self, recipe: Recipe) -> None:
        self.recipe = recipe
        self.length_mm = recipe.lite.length_mm
        self.width_mm = recipe.lite.width_mm
        self.corners_mm = _corners(recipe)
        self._sides = {edge: _side(edge, self.corners_mm) for edge in EDGES}

    def height(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Everything together."""
        total = self.form(x_mm, y_mm)
        total = total + self.edge_lift(x_mm, y_mm)
        total += self.roll(x_mm, y_mm)
        total += self.imprint(x_mm, y_mm)
        return total

    def roll(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Sum of the roll waves."""
        x, y, total = _places(x_mm, y_mm)
        for wave in self.recipe.roll_waves:
            total += self._amplitude(wave, x, y) * np.cos(self._phase(wave, x, y))
        return total

    def roll_slope(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Slope of the roll waves along x, mm/mm."""
        x, y, total = _places(x_mm, y_mm)
        for wave in self.recipe.roll_waves:
            phase = self._phase(wave, x, y)
            across = _factor(wave.amplitude_across, y, self.width_mm)
            along_slope = _factor_slope(wave.amplitude_along, x, self.length_mm)
            total += wave.amplitude_mm * across * along_slope * np.cos(phase)
            total -= self._amplitude(wave, x, y) * self._wavenumber(wave, x) * np.sin(phase)
        return total

    def local_wavelength_mm(self, wave: RollWave, x_mm: npt.ArrayLike) -> Array:
        """2 pi over the slope of the phase of one roll wave along x."""
        return 2 * math.pi / self._wavenumber(wave, np.asarray(x_mm, dtype=np.float64))

    def form(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Bow along, bow across and twist."""
        form = self.recipe.form
        x, y, total = _places(x_mm, y_mm)
        for place, size, bow in (
            (x, self.length_mm, form.bow_along_mm),
            (y, self.width_mm, form.bow_across_mm),
        ):
            if bow and form.shape == "parabolic":
                total += bow * (1 - (2 * place / size - 1) ** 2)
            elif bow:
                total += _arc(place - size / 2, chord=size, rise=bow)
        if form.twist_mm:
            total += form.twist_mm / 4 * (2 * x / self.length_mm - 1) * (2 * y / self.width_mm - 1)
        return total

    def edge_lift(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Sum of the lifts of the four edges."""
        x, y, total = _places(x_mm, y_mm)
        for edge in EDGES:
            if getattr(self.recipe.edge_lift, edge) is not None:
                total += self.lift_of(edge, x, y)
        return total

    def lift_of(self, edge: Edge, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """The lift of one edge alone."""
        x, y, total = _places(x_mm, y_mm)
        lift: EdgeLift | None = getattr(self.recipe.edge_lift, edge)
        if lift is None:
            return total
        side = self._sides[edge]
        # beyond the edge as at the edge: there is no glass to lift
        decays = np.maximum(side.depth(x, y), 0.0) / lift.decay_mm
        fall = np.exp(-decays if lift.shape == "exponential" else -0.5 * decays**2)
        total += lift.size_mm * _factor(lift.along, side.run(x, y), side.length_mm) * fall
        return total

    def imprint(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Array:
        """Nozzles, roller marks and single bumps: all that is short."""
        x, y, total = _places(x_mm, y_mm)
        nozzles = self.recipe.imprint
        if nozzles is not None:
            strength = np.full_like(y, nozzles.amplitude_mm)
            for odd in nozzles.odd_nozzles:
                window = np.exp(-0.5 * ((y - odd.y_mm) / odd.width_mm) ** 2)
                strength *= 1 + (odd.factor - 1) * window
            strength *= np.cos(2 * math.pi * (y - nozzles.first_y_mm) / nozzles.pitch_y_mm)
            total += strength * np.cos(2 * math.pi * (x - nozzles.first_x_mm) / nozzles.pitch_x_mm)
        for mark in self.recipe.roller_marks:
            turns = (x - mark.first_x_mm) / mark.period_mm
            from_dent = (turns - np.rint(turns)) * mark.period_mm
            profile = sum(
                np.exp(-0.5 * ((from_dent + turn * mark.period_mm) / mark.length_mm) ** 2)
                for turn in (-1, 0, 1)
            )
            total -= mark.depth_mm * profile * np.exp(-0.5 * ((y - mark.y_mm) / mark.width_mm) ** 2)
        for bump in self.recipe.bumps:
            distance2 = (x - bump.x_mm) ** 2 + (y - bump.y_mm) ** 2
            total += bump.height_mm * np.exp(-0.5 * distance2 / bump.width_mm**2)
        return total

    def is_glass(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """True on the lite: within the outline (its line included), in no hole, notch or cut."""
        x, y, _ = _places(x_mm, y_mm)
        outline = self.recipe.outline
        inside = np.ones(np.broadcast_shapes(x.shape, y.shape), dtype=bool)
        for side in self._sides.values():
            inside &= side.depth(x, y) >= -1e-9
        for cut in outline.cuts:
            end, side_edge = cut.corner.split("_")
            along, across = (self._sides[_EDGE[name]].depth(x, y) for name in (end, side_edge))
            inside &= along / cut.along_mm + across / cut.across_mm >= 1
        for notch in outline.notches:
            side = self._sides[notch.edge]
            within = np.abs(side.run(x, y) - notch.at_mm) < notch.width_mm / 2
            inside &= ~(within & (side.depth(x, y) < notch.depth_mm))
        for hole in outline.holes:
            distance2 = (x - hole.x_mm) ** 2 + (y - hole.y_mm) ** 2
            inside &= distance2 >= (hole.diameter_mm / 2) ** 2
        return inside

    def to_machine(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Array, Array]:
        """Places in the machine: x = x0 + u cos - v sin, y = y0 + u sin + v cos."""
        u, v = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
        cos, sin = math.cos(self.recipe.skew_rad), math.sin(self.recipe.skew_rad)
        position = self.recipe.position
        return position.offset_x_mm + u * cos - v * sin, position.offset_y_mm + u * sin + v * cos

    def to_lite(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Array, Array]:
        """The inverse of :meth:`to_machine`."""
        position = self.recipe.position
        x = np.asarray(x_mm, dtype=np.float64) - position.offset_x_mm
        y = np.asarray(y_mm, dtype=np.float64) - position.offset_y_mm
        cos, sin = math.cos(self.recipe.skew_rad), math.sin(self.recipe.skew_rad)
        return x * cos + y * sin, y * cos - x * sin

    def bow(self) -> dict[str, BowFigure]:
        """Overall bow of the form along the four edges and the two diagonals."""
        at = self.corners_mm
        chords = {
            "leading": (at.leading_left, at.leading_right),
            "trailing": (at.trailing_left, at.trailing_right),
            "left": (at.leading_left, at.trailing_left),
            "right": (at.leading_right, at.trailing_right),
            "diagonal_1": (at.leading_left, at.trailing_right),
            "diagonal_2": (at.leading_right, at.trailing_left),
        }
        share = np.linspace(0.0, 1.0, 20_001)
        figures = {}
        for name, ((x0, y0), (x1, y1)) in chords.items():
            z = self.form(x0 + share * (x1 - x0), y0 + share * (y1 - y0))
            length_mm = math.hypot(x1 - x0, y1 - y0)
            # distance from the chord, not height above it: they differ by the chord's slope
            lean = math.hypot(1.0, (z[-1] - z[0]) / length_mm)
            mm = float(np.abs(z - z[0] - share * (z[-1] - z[0])).max()) / lean
            figures[name] = BowFigure(mm, 1000 * mm / length_mm)
        return figures

    def edge_places(self, edge: Edge, inset_mm: float) -> tuple[Array, Array]:
        """Places along one edge, ``inset_mm`` inside it, 2001 from end to end: x, y."""
        side = self._sides[edge]
        run = np.linspace(0.0, side.length_mm, 2001)
        return (
            side.start[0] + run * side.along[0] + inset_mm * side.inward[0],
            side.start[1] + run * side.along[1] + inset_mm * side.inward[1],
        )

    def _amplitude(self, wave: RollWave, x: Array, y: Array) -> Array:
        along = _factor(wave.amplitude_along, x, self.length_mm)
        return wave.amplitude_mm * _factor(wave.amplitude_across, y, self.width_mm) * along

    def _phase(self, wave: RollWave, x: Array, y: Array) -> Array:
        half_width = self.width_mm / 2
        shift = math.tan(math.radians(wave.ridge_skew_deg)) * (y - half_width)
        shift = shift + wave.ridge_bow_mm * (y / half_width - 1) ** 2
        # the wavenumber is (2 pi / L0) (2 - factor)
        run = 2 * x - _factor_integral(wave.drift, x, self.length_mm)
        return math.radians(wave.phase_deg) + 2 * math.pi / wave.wavelength_mm * (run - shift)

    def _wavenumber(self, wave: RollWave, x: Array) -> Array:
        return 2 * math.pi / wave.wavelength_mm * (2 - _factor(wave.drift, x, self.length_mm))


def _places(x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Array, Array, Array]:
    """Both as float64, not broadcast (rows stay rows), and zeros of their common shape."""
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    return x, y, np.zeros(np.broadcast_shapes(x.shape, y.shape))


def _dot(
    x_mm: npt.ArrayLike,
    y_mm: npt.ArrayLike,
    start: tuple[float, float],
    along: tuple[float, float],
) -> Array:
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)
    return (x - start[0]) * along[0] + (y - start[1]) * along[1]


def _factor(variation: Variation, place: Array, size: float) -> Array:
    factor = 1 + variation.linear * (2 * place / size - 1)
    if variation.sinusoidal:
        rate = 2 * math.pi * variation.cycles / size
        factor = factor + variation.sinusoidal * np.sin(
            rate * place + math.radians(variation.phase_deg)
        )
    return factor


def _factor_slope(variation: Variation, place: Array, size: float) -> Array:
    rate = 2 * math.pi * variation.cycles / size
    phase = rate * place + math.radians(variation.phase_deg)
    return 2 * variation.linear / size + variation.sinusoidal * rate * np.cos(phase)


def _factor_integral(variation: Variation, place: Array, size: float) -> Array:
    """From 0 to ``place``."""
    total = place + variation.linear * place * (place / size - 1)
    if variation.sinusoidal:
        rate = 2 * math.pi * variation.cycles / size
        start = math.radians(variation.phase_deg)
        waving = math.cos(start) - np.cos(rate * place + start)
        total = total + variation.sinusoidal / rate * waving
    return total


def _arc(place: Array, *, chord: float, rise: float) -> Array:
    """Height above the chord of a circle through its ends, ``rise`` in the middle."""
    radius = (chord**2 / 4 + rise**2) / (2 * abs(rise))
    # the clip only matters beyond the lite, where the circle may end
    height = np.sqrt(np.clip(radius**2 - place**2, 0.0, None)) - (radius - abs(rise))
    return math.copysign(1.0, rise) * height


def _corners(recipe: Recipe) -> Corners:
    if recipe.outline.corners_mm is not None:
        return recipe.outline.corners_mm
    length, width = recipe.lite.length_mm, recipe.lite.width_mm
    return Corners(
        leading_left=(0.0, 0.0),
        leading_right=(0.0, width),
        trailing_left=(length, 0.0),
        trailing_right=(length, width),
    )


def _side(edge: Edge, at: Corners) -> _Side:
    start, end = {
        "leading": (at.leading_left, at.leading_right),
        "trailing": (at.trailing_left, at.trailing_right),
        "left": (at.leading_left, at.trailing_left),
        "right": (at.leading_right, at.trailing_right),
    }[edge]
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    along = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
    # +90 degrees from the run for the left edge and the trailing one, -90 for the other two
    turn = 1 if edge in ("left", "trailing") else -1
    return _Side(start, along, (-turn * along[1], turn * along[0]), length)
