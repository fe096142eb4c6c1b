"""What is not roll wave: bow, warp and edge lift, measured and then removed.

A placed lite is the sum of a long *form* (bow, warp, twist), *edge lift* (a rim that stands up or
hangs down), the roll wave, and short things. Form and edge lift are fitted together, by robust
least squares on block means::

    form       sum of c_ij P_i(x) P_j(y)              Legendre, i/n_x + j/n_y <= 1
    edge lift  splines and exponentials of the distance from each edge (edge_lift.py)

The order of the form is held so low that the shortest wavelength it can follow, two lengths over
the order, stays above twice the longest roll wave; it never falls below two, since a parabola
only shifts a three-point reading.

What is fitted near an edge can swallow part of the roll wave there. So the roll wave is in the
fit as well: for every strip along x a narrow band around the lite's own phase phi(x)
(rollwave.py), cosine and sine with slowly varying amplitude. The strips' amplitudes are
eliminated strip by strip (the fit is exact, not alternating), phi comes from what is left, and
the two are repeated until phi settles.

What must never happen here: levelling line by line across the travel. The roll wave is nearly
the same at every y, so taking each line's mean away takes the wave itself away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr
from numpy.polynomial import legendre

from midchord.detrending.edge_lift import (
    ALONG_ORDER,
    EDGES,
    Rims,
    Shapes,
    edge_distances,
    subtract_lift,
)
from midchord.detrending.gaussian_regression import areal_mean_surface
from midchord.detrending.rollwave import phase_along, roll_basis
from midchord_io.errors import LiteTooSmall
from midchord_io.scan import like

__all__ = ["Detrended", "LiteModel", "detrend"]

Floats = npt.NDArray[np.float64]

BLOCK_MM = 10.0
BLOCK_FILLED = 0.6
"""Share of a block that must be measured: below it the mean stands for another place."""
LIFT_PRIOR_MM = 0.1
"""Spread of edge lift coefficients before the data: keeps near-equal shapes from cancelling, and
on lites below some 1.2 m keeps lift of two opposite edges from passing for bow."""
BIWEIGHT = 6.0
PASSES = 3
SAMPLES_TO_KNOT = 6
"""Samples that must lie between the edge and a knot for the spline to be held there."""
LARGEST_REACH = 1 / 3
"""Of edge lift, as a share of the lite."""
STRENGTH = 4.0
"""Drop of the squared misfit, in units of what noise alone would give, that makes a roll wave."""


@dataclass(frozen=True)
class LiteModel:
    """Form and edge lift of one lite, to be evaluated anywhere on it."""

    rims: Rims
    order: tuple[int, int]
    pairs: tuple[tuple[int, int], ...]
    form_coefficients: Floats
    shapes: tuple[Shapes, ...]  # by EDGES
    lift_coefficients: tuple[Floats, ...]  # by EDGES, (k, order along) each

    def form(self, x_mm: Floats, y_mm: Floats) -> npt.NDArray[np.float32]:
        """Form at the grid of x and y, (x, y), mm."""
        table = np.zeros((self.order[0] + 1, self.order[1] + 1))
        for (i, j), value in zip(self.pairs, self.form_coefficients, strict=True):
            table[i, j] = value
        along_x = legendre.legvander(self.rims.along_x(x_mm), self.order[0])
        along_y = legendre.legvander(self.rims.along_y(y_mm), self.order[1])
        return np.asarray((along_x @ table).astype(np.float32) @ along_y.T.astype(np.float32))

    def edge_profile(self, edge: str, at_mm: Floats, *, inset_mm: float = 0.0) -> Floats:
        """Edge lift along an edge, at a distance inward from it; mm.

        at_mm  positions along the edge: y for the leading and trailing edge, x for the sides
        """
        number = EDGES.index(edge)
        place = self.rims.along_y if number < 2 else self.rims.along_x
        slow = legendre.legvander(place(at_mm), ALONG_ORDER)
        fall = self.shapes[number](np.array(inset_mm)) @ self.lift_coefficients[number]
        return np.asarray(slow @ fall)

    def subtract_lift(
        self, height: npt.NDArray[np.float32], rims: Rims, x_mm: Floats, y_mm: Floats
    ) -> None:
        """Take edge lift off heights (x, y), in place; rims: of the same grid."""
        tables = tuple(
            own.table(coefficients)
            for own, coefficients in zip(self.shapes, self.lift_coefficients, strict=True)
        )
        subtract_lift(height, rims, x_mm, y_mm, tables)


class Detrended(NamedTuple):
    """residual: (x, y), mm, heights less form and edge lift; model: what was taken out; varied:
    the same with other edge shapes, whose difference from model is the doubt near the edges;
    filtered_form: (x, y), mm, the form where a filter gave it instead of polynomials."""

    residual: xr.DataArray
    model: LiteModel
    varied: LiteModel
    filtered_form: xr.DataArray | None


def detrend(
    height: xr.DataArray,
    is_glass: xr.DataArray,
    *,
    largest_order: int,
    edge_lift_knots_mm: tuple[float, ...],
    edge_lift_decay_mm: tuple[float, ...],
    filter_cutoff_mm: float | None,
    longest_wave_mm: float,
    shortest_wave_mm: float,
    where: str = "lite",
) -> Detrended:
    """Split heights into form, edge lift and what is left.

    height              (x, y), mm, on the lite frame; NaN where not measured
    is_glass            (x, y), bool: inside the outline, measured or not
    largest_order       of the polynomial form along each axis, if the lite is long enough
    edge_lift_knots_mm  distances where the splines of edge lift are joined, the last its reach
    edge_lift_decay_mm  decay lengths of its exponentials
    filter_cutoff_mm    none, or the form is the mean surface of a robust areal Gaussian regression
                        filter (ISO 16610-61, -71) that transmits half of this wavelength
    longest_wave_mm     the roll-wave band, which form must not follow
    shortest_wave_mm
    where               named in errors
    returns             Detrended; residual NaN where height is
    Raises              LiteTooSmall where fewer blocks were measured than the fit needs
    """
    x_mm, y_mm = height["x"].values, height["y"].values
    rims = Rims.of(is_glass.values, x_mm, y_mm)
    order = (
        _order(rims.length_mm, longest_wave_mm, largest_order),
        _order(rims.width_mm, longest_wave_mm, largest_order),
    )
    shapes = _shapes(height, edge_lift_knots_mm, edge_lift_decay_mm)
    blocks = _Blocks.of(height.values, is_glass.values, x_mm, y_mm)
    fit = _Fit(blocks, order, shapes)
    if np.count_nonzero(blocks.weight) < 4 * fit.size:
        raise LiteTooSmall(
            where,
            found=f"{np.count_nonzero(blocks.weight)} measured blocks of {BLOCK_MM:g} mm",
            needed=f"at least {4 * fit.size} to tell bow and edge lift from roll wave",
            do="scan more of the lite",
        )
    model = fit.settled((shortest_wave_mm, longest_wave_mm), rims)
    other = _shapes(
        height,
        tuple(0.8 * knot for knot in edge_lift_knots_mm),
        tuple(0.8 * decay for decay in edge_lift_decay_mm),
    )
    varied_fit = replace(fit, shapes=other)
    varied_fit.basis, varied_fit.weight = fit.basis, fit.weight
    varied = varied_fit.model(varied_fit.solved(), rims)

    residual = height.values.copy()
    model.subtract_lift(residual, rims, x_mm, y_mm)
    filtered = None
    if filter_cutoff_mm is not None:
        form = areal_mean_surface(residual, x_mm, y_mm, cutoff_mm=filter_cutoff_mm)
        filtered = like(height, form, name="form", units="mm", long_name="form, by filter")
    else:
        form = model.form(x_mm, y_mm)
    residual -= form
    return Detrended(
        like(height, residual, name="residual", units="mm", long_name="residual height"),
        model,
        varied,
        filtered,
    )


def _shapes(
    height: xr.DataArray, knots_mm: tuple[float, ...], decay_mm: tuple[float, ...]
) -> tuple[Shapes, ...]:
    """Shapes of edge lift by EDGES: none finer than the pitch can tell, none that reach so far
    across the lite that they could be bow."""

    def across(axis: str) -> Shapes:
        at_mm = height[axis].values
        extent = float(at_mm[-1] - at_mm[0])
        finest = SAMPLES_TO_KNOT * extent / (at_mm.size - 1)
        knots = tuple(k for k in knots_mm if finest <= k <= LARGEST_REACH * extent)
        # an exponential goes on for some four decay lengths
        decays = tuple(k for k in decay_mm if 4 * k <= LARGEST_REACH * extent)
        if not knots and not decays:
            decays = tuple(sorted(decay_mm)[:1])
        return Shapes(knots, decays)

    return across("x"), across("x"), across("y"), across("y")


def _order(extent_mm: float, longest_wave_mm: float, largest_order: int) -> int:
    """Order whose shortest wavelength, 2 extent / order, exceeds twice the longest roll wave."""
    return max(2, min(largest_order, int(extent_mm / longest_wave_mm)))


class _Blocks(NamedTuple):
    """Means of blocks of the grid, (x, y); weight: share of the block measured, or zero."""

    mean: Floats
    weight: Floats
    x_mm: Floats
    y_mm: Floats
    rims: Rims

    @classmethod
    def of(
        cls,
        height: npt.NDArray[np.float32],
        is_glass: npt.NDArray[np.bool_],
        x_mm: Floats,
        y_mm: Floats,
    ) -> _Blocks:
        starts_x, starts_y = _starts(x_mm), _starts(y_mm)
        good = np.isfinite(height)
        total = np.add.reduceat(
            np.add.reduceat(np.where(good, height, 0), starts_x, axis=0, dtype=np.float64),
            starts_y,
            axis=1,
        )
        count = np.add.reduceat(
            np.add.reduceat(good, starts_x, axis=0, dtype=np.float64), starts_y, axis=1
        )
        share = count / np.outer(_sizes(starts_x, x_mm.size), _sizes(starts_y, y_mm.size))
        fine = Rims.of(is_glass, x_mm, y_mm)
        rims = Rims(
            _means(fine.leading_x, starts_y),
            _means(fine.trailing_x, starts_y),
            _means(fine.left_y, starts_x),
            _means(fine.right_y, starts_x),
        )
        return cls(
            np.divide(total, count, out=np.zeros_like(total), where=count > 0),
            np.where(share >= BLOCK_FILLED, share, 0.0),
            _means(x_mm, starts_x),
            _means(y_mm, starts_y),
            rims,
        )


def _starts(at_mm: Floats) -> npt.NDArray[np.intp]:
    pitch = (at_mm[-1] - at_mm[0]) / (at_mm.size - 1)
    return np.arange(0, at_mm.size, max(1, round(BLOCK_MM / pitch)))


def _sizes(starts: npt.NDArray[np.intp], end: int) -> Floats:
    return np.diff(np.append(starts, end)).astype(float)


def _means(values: Floats, starts: npt.NDArray[np.intp]) -> Floats:
    return np.asarray(np.add.reduceat(values, starts) / _sizes(starts, values.size))


@dataclass
class _Fit:
    """The joint fit on blocks. State: the roll-wave basis and the robust weights so far."""

    blocks: _Blocks
    order: tuple[int, int]
    shapes: tuple[Shapes, ...]

    def __post_init__(self) -> None:
        n, m = self.order
        self.pairs = tuple(
            (i, j)
            for i in range(n + 1)
            for j in range(m + 1)
            if i / n + j / m <= 1 + 1e-9 or (i <= 1 and j <= 1)
        )
        b = self.blocks
        u, v = b.rims.along_x(b.x_mm), b.rims.along_y(b.y_mm)
        self.poly_x = legendre.legvander(u, max(n, ALONG_ORDER))
        self.poly_y = legendre.legvander(v, max(m, ALONG_ORDER))
        self.form_x = self.poly_x[:, [i for i, _ in self.pairs]]
        self.form_y = self.poly_y[:, [j for _, j in self.pairs]]
        distances = edge_distances(b.rims, b.x_mm, b.y_mm)
        self.near = [own(d) for own, d in zip(self.shapes, distances, strict=True)]
        self.shape_counts = [near.shape[-1] for near in self.near]
        self.size = len(self.pairs) + sum(self.shape_counts) * (ALONG_ORDER + 1)
        self.weight = b.weight
        self.basis = np.empty((b.x_mm.size, 0))

    def design(self, strip: int) -> Floats:
        """Design matrix of one strip along x, (blocks, unknowns)."""
        columns = [self.form_x * self.form_y[strip]]
        for number, near in enumerate(self.near):
            slow = (
                self.poly_y[strip, np.newaxis, : ALONG_ORDER + 1]
                if number < 2
                else self.poly_x[:, : ALONG_ORDER + 1]
            )
            lift = near[:, strip, :, np.newaxis] * slow[:, np.newaxis, :]
            columns.append(lift.reshape(lift.shape[0], -1))
        return np.hstack(columns)

    def settled(self, band_mm: tuple[float, float], rims: Rims) -> LiteModel:
        known = self.weight > 0
        coefficients = self.solved()
        for _ in range(PASSES):
            left = self.left_over(coefficients)
            phase = phase_along(left, known, self.blocks.x_mm, band_mm=band_mm)
            basis = roll_basis(phase)
            roll = self.in_strips(left, basis)
            # without a wave the basis would only take freedom away from the edges
            if _explains(left, roll, known, basis.shape[1]):
                self.basis, left = basis, left - roll
            self.weight = self.blocks.weight * _biweight(left, known)
            coefficients = self.solved()
        return self.model(coefficients, rims)

    def model(self, coefficients: Floats, rims: Rims) -> LiteModel:
        forms = len(self.pairs)
        ends = forms + np.cumsum(self.shape_counts) * (ALONG_ORDER + 1)
        lift = tuple(
            own.reshape(-1, ALONG_ORDER + 1) for own in np.split(coefficients[forms:], ends - forms)
        )[: len(EDGES)]
        return LiteModel(rims, self.order, self.pairs, coefficients[:forms], self.shapes, lift)

    def left_over(self, coefficients: Floats) -> Floats:
        left = self.blocks.mean.copy()
        for strip in range(left.shape[1]):
            left[:, strip] -= self.design(strip) @ coefficients
        return left

    def solved(self) -> Floats:
        """Least squares for form and edge lift with the basis free in every strip."""
        normal, right = np.zeros((self.size, self.size)), np.zeros(self.size)
        total = 0.0
        for strip in range(self.blocks.y_mm.size):
            w = self.weight[:, strip, np.newaxis]
            if np.count_nonzero(w) < 2 * self.basis.shape[1] + 2:
                continue
            design = np.column_stack([self.design(strip), self.blocks.mean[:, strip]])
            if self.basis.shape[1]:
                design -= self.basis @ _projected(self.basis, w, design)
            gram = design.T @ (design * w)
            normal += gram[:-1, :-1]
            right += gram[:-1, -1]
            total += float(gram[-1, -1])
        # noise of a block, from what a plain fit leaves: sets only the weight of the prior
        free = np.linalg.lstsq(normal, right, rcond=1e-10)[0]
        spread = max(total - float(right @ free), 0.0)
        noise2 = spread / max(np.count_nonzero(self.weight) - self.size, 1)
        prior = np.zeros(self.size)
        prior[len(self.pairs) :] = noise2 / LIFT_PRIOR_MM**2
        solution = np.linalg.lstsq(normal + np.diag(prior), right, rcond=1e-13)[0]
        return np.asarray(solution, dtype=np.float64)

    def in_strips(self, values: Floats, basis: Floats) -> Floats:
        """The basis fitted to every strip along x by itself."""
        fitted = np.zeros_like(values)
        for strip in range(values.shape[1]):
            w = self.weight[:, strip, np.newaxis]
            if np.count_nonzero(w) >= 2 * basis.shape[1] + 2:
                fitted[:, strip] = basis @ _projected(basis, w, values[:, strip])
        return fitted


def _projected(basis: Floats, weight: Floats, values: Floats) -> Floats:
    """Weighted least-squares coefficients of the basis."""
    weighted = basis * weight
    gram = basis.T @ weighted
    gram[np.diag_indices_from(gram)] += 1e-9 * np.trace(gram) / gram.shape[0]
    return np.asarray(np.linalg.solve(gram, weighted.T @ values))


def _explains(left: Floats, roll: Floats, known: npt.NDArray[np.bool_], unknowns: int) -> bool:
    """Whether the roll wave takes away far more of the misfit than as many unknowns would."""
    before, after = float((left[known] ** 2).sum()), float(((left - roll)[known] ** 2).sum())
    freedom = unknowns * known.shape[1] / max(np.count_nonzero(known), 1)
    return bool(before - after > STRENGTH * freedom * after)


def _biweight(left: Floats, known: npt.NDArray[np.bool_]) -> Floats:
    scale = 1.4826 * float(np.median(np.abs(left[known])))
    if scale == 0:
        return known.astype(float)
    ratio = left / (BIWEIGHT * scale)
    return np.where(known & (np.abs(ratio) < 1), (1 - ratio**2) ** 2, 0.0)
