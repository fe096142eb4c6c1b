"""Sines and cosines of shared periods, fitted to many ridge profiles at once.

The model of piece i (a ridge profile, or a part of one) is

    z_i(x) = level_i + slope_i x + sum over waves j of [a_ij cos(2 pi f_j x) + b_ij sin(2 pi f_j x)]
             + background_i(x)

The frequencies f_j are common to all pieces, because the machine is; amplitudes and phases are each
piece's own, because a roller's angle when a lite arrives is not known. Points that were not
measured are simply not there: least squares needs no grid.

The background is a continuous spectrum. Within a few resolutions (*cells*, 1 / length) it counts as
level: its height there is the mean of the residual's power in Hann-weighted sines 2 to 4 cells to
either side, the line's own neighbourhood left out. Everything that is fitted has been projected out
of these sines too, and their overlap is counted, so that under a locally white background

    F = (power explained by one more line / 2) / background

follows an F distribution with 2 and nu degrees of freedom for a piece, and its sums over pieces one
with 2 m and nu m, where m is the effective number of pieces (Satterthwaite: fewer where backgrounds
differ). It is the harmonic F-test (Thomson, Proc. IEEE 70 (1982) 1055, section XIII) with least
squares in the place of the tapers' line component. A *concave* background makes it say yes too
easily, and with many pieces it then always does: hence the second test below.

*Steadiness.* A shift of the frequency in piece i moves the fit along one direction,

    d_i = d fit_i / d ln f = 2 pi f x (-a_i sin + b_i cos)        (others projected out)

so s_i^2 / g_i, with s_i = d_i . residual_i and g_i = d_i . d_i, is sigma_i^2 chi^2_1 for a common
frequency, and sigma_i^2 + tau^2 g_i on average where the frequency scatters from piece to piece
with the relative standard deviation tau. A random background and a wave that wanders make it large;
a machine's line keeps it at the background. (Linear in the shift; derived.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "GroupFit",
    "Line",
    "Piece",
    "Ramp",
    "Weights",
    "fit",
    "line_at",
    "pooled_p",
    "power_over",
    "powers_of",
    "ramp_of",
    "step_towards",
]

Floats = npt.NDArray[np.float64]

OFFSETS = np.array([-4.0, -3.0, -2.0, 2.0, 3.0, 4.0])
FURTHER = np.array([-7.0, -6.0, -5.0, 5.0, 6.0, 7.0])
LEAST_DOF = 4.0


class Piece(NamedTuple):
    """One profile, its measured points only.

    lite     number of the lite it is of
    x_mm     (point,) from the middle of the piece
    z_mm     (point,)
    span_mm  length
    """

    lite: int
    x_mm: Floats
    z_mm: Floats
    span_mm: float


class GroupFit(NamedTuple):
    """The fit of all pieces that share points and frequencies.

    members      their numbers
    x_mm         (point,);  span_mm
    frequencies  (wave,) cycles per mm
    basis        (point, column) orthonormal
    coefficients (column, member): level, slope, then cosine and sine of each wave
    inverse      (column,) diagonal of (X'X)^-1
    rest         (point, member) residual
    """

    members: npt.NDArray[np.intp]
    x_mm: Floats
    span_mm: float
    frequencies: Floats
    basis: Floats
    coefficients: Floats
    inverse: Floats
    rest: Floats


class Weights(NamedTuple):
    """Where the background may be read: lowest and highest frequency, cycles per mm."""

    lowest: float
    highest: float


class Line(NamedTuple):
    """One more line at a frequency, piece by piece.

    explained   (piece,) sum of squares that it takes from the residual, mm^2
    background  (piece,) variance of one coefficient direction, mm^2
    dof         of the background of one piece
    """

    explained: Floats
    background: Floats
    dof: float


class Ramp(NamedTuple):
    """How far the frequency of one wave is off in each piece: shift = along / size, relative.

    along, size  (piece,) s_i and g_i;  background (piece,);  dof
    true_share   of the wave's power that is not noise: g is too large by the rest
    """

    along: Floats
    size: Floats
    background: Floats
    dof: float
    true_share: float


def fit(pieces: Sequence[Piece], frequencies: Floats) -> list[GroupFit]:
    """Least squares of every piece.

    frequencies  (piece, wave) cycles per mm; equal down a column for a common one
    """
    groups: dict[bytes, list[int]] = {}
    for number, piece in enumerate(pieces):
        key = piece.x_mm.tobytes() + frequencies[number].tobytes()
        groups.setdefault(key, []).append(number)
    return [_fit_group(pieces, np.array(m, dtype=np.intp), frequencies[m[0]])
            for m in groups.values()]  # fmt: skip


def _fit_group(
    pieces: Sequence[Piece], members: npt.NDArray[np.intp], frequencies: Floats
) -> GroupFit:
    first = pieces[int(members[0])]
    x, span = first.x_mm, first.span_mm
    columns = [np.ones_like(x), x / span]
    for f in frequencies:
        columns += [np.cos(2 * math.pi * f * x), np.sin(2 * math.pi * f * x)]
    basis, upper = np.linalg.qr(np.stack(columns, axis=1))
    heights = np.stack([pieces[int(number)].z_mm for number in members], axis=1)
    onto = basis.T @ heights
    # two waves closer than a thousandth of a cell leave a triangle that cannot be inverted
    inverse_upper = np.linalg.pinv(upper, rcond=1e-12)
    return GroupFit(
        members, x, span, frequencies, basis, inverse_upper @ onto,
        (inverse_upper**2).sum(axis=1), heights - basis @ onto,
    )  # fmt: skip


def power_over(fits: Sequence[GroupFit], grid: Floats, count: int) -> Floats:
    """Sum of squares that a line at each frequency of a grid would explain; (frequency, piece)."""
    power = np.empty((grid.size, count))
    for group in fits:
        angle = 2 * math.pi * np.outer(group.x_mm, grid)
        parts = []
        for wave in (np.cos(angle), np.sin(angle)):
            wave -= group.basis @ (group.basis.T @ wave)
            parts.append(wave)
        cosine, sine = parts
        cc, ss = (cosine**2).sum(axis=0), (sine**2).sum(axis=0)
        cs = (cosine * sine).sum(axis=0)
        determinant = cc * ss - cs**2
        # what is fitted already leaves nothing to explain
        sound = determinant > 1e-6 * (0.5 * group.x_mm.size) ** 2
        c, s = cosine.T @ group.rest, sine.T @ group.rest
        with np.errstate(divide="ignore", invalid="ignore"):
            explained = (
                ss[:, None] * c**2 - 2 * cs[:, None] * c * s + cc[:, None] * s**2
            ) / determinant[:, None]
        power[:, group.members] = np.where(sound[:, None], explained, 0.0)
    return power


def line_at(
    fits: Sequence[GroupFit], frequency: float, count: int, weights: Weights
) -> Line:
    """One more line on top of a fit that does not hold it."""
    explained, background, dofs = np.zeros(count), np.zeros(count), []
    for group in fits:
        angle = 2 * math.pi * frequency * group.x_mm
        pair = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        pair -= group.basis @ (group.basis.T @ pair)
        own, sizes, _ = np.linalg.svd(pair, full_matrices=False)
        own = own[:, sizes > 1e-3 * math.sqrt(group.x_mm.size)]
        onto = own.T @ group.rest
        explained[group.members] = (onto**2).sum(axis=0)
        basis = np.concatenate([group.basis, own], axis=1)
        level, dof = _background(group, basis, group.rest - own @ onto, frequency, weights)
        background[group.members] = level
        dofs.append(dof)
    return Line(explained, background, float(np.mean(dofs)))


def _background(
    group: GroupFit, basis: Floats, rest: Floats, frequency: float, weights: Weights
) -> tuple[Floats, float]:
    """Variance of one direction about a frequency, (member,), and its degrees of freedom."""
    window = 0.5 * (1 + np.cos(2 * math.pi * group.x_mm / (1.001 * group.span_mm)))
    offsets = OFFSETS
    level, dof = np.zeros(rest.shape[1]), 0.0
    for further in (None, FURTHER):
        offsets = OFFSETS if further is None else np.concatenate([OFFSETS, further])
        places = frequency + offsets / group.span_mm
        places = places[(places >= weights.lowest) & (places <= weights.highest)]
        angle = 2 * math.pi * np.outer(group.x_mm, places)
        looks = np.concatenate([np.cos(angle), np.sin(angle)], axis=1) * window[:, None]
        looks -= basis @ (basis.T @ looks)
        gram = looks.T @ looks
        trace = float(gram.trace())
        if trace > 0:
            level = ((looks.T @ rest) ** 2).sum(axis=0) / trace
            dof = trace**2 / float((gram**2).sum())
        if dof >= LEAST_DOF:
            break
    return level, max(dof, 1.0)


def pooled_p(line: Line) -> float:
    """Chance of a line as strong where there is only the background around it."""
    from scipy import stats

    total = float(line.background.sum())
    if total <= 0:
        return 1.0
    effective = total**2 / float((line.background**2).sum())
    ratio = float(line.explained.sum()) / 2 / total
    return float(stats.f.sf(ratio, 2 * effective, line.dof * effective))


def ramp_of(fits: Sequence[GroupFit], wave: int, count: int, weights: Weights) -> Ramp:
    """Shifts of the frequency of one fitted wave from piece to piece."""
    along, size, background = np.zeros(count), np.zeros(count), np.zeros(count)
    power = noise = 0.0
    dofs = []
    for group in fits:
        direction = _direction(group, wave)
        along[group.members] = (direction * group.rest).sum(axis=0)
        size[group.members] = (direction**2).sum(axis=0)
        level, dof = _background(
            group, group.basis, group.rest, float(group.frequencies[wave]), weights
        )
        background[group.members] = level
        dofs.append(dof)
        rows = slice(2 + 2 * wave, 4 + 2 * wave)
        power += float((group.coefficients[rows] ** 2).sum())
        noise += float(group.inverse[rows].sum() * level.sum())
    true_share = max(0.0, 1 - noise / power) if power > 0 else 0.0
    return Ramp(along, size, background, float(np.mean(dofs)), true_share)


def powers_of(
    fits: Sequence[GroupFit], wave: int, count: int, weights: Weights
) -> tuple[Floats, Floats, float]:
    """Mean square of one fitted wave.

    returns  (piece,) (a^2 + b^2) / 2 as fitted, mm^2; (piece,) what noise adds to it on average;
             degrees of freedom of the latter in one piece
    """
    power, noise = np.zeros(count), np.zeros(count)
    dofs = []
    for group in fits:
        level, dof = _background(
            group, group.basis, group.rest, float(group.frequencies[wave]), weights
        )
        rows = slice(2 + 2 * wave, 4 + 2 * wave)
        power[group.members] = 0.5 * (group.coefficients[rows] ** 2).sum(axis=0)
        noise[group.members] = 0.5 * group.inverse[rows].sum() * level
        dofs.append(dof)
    return power, noise, float(np.mean(dofs))


def _direction(group: GroupFit, wave: int) -> Floats:
    """Change of the fit with ln f of one wave, others projected out; (point, member)."""
    angle = 2 * math.pi * group.frequencies[wave] * group.x_mm
    a, b = group.coefficients[2 + 2 * wave], group.coefficients[3 + 2 * wave]
    direction = angle[:, None] * (-np.sin(angle)[:, None] * a + np.cos(angle)[:, None] * b)
    direction -= group.basis @ (group.basis.T @ direction)
    return np.asarray(direction, dtype=np.float64)


def step_towards(fits: Sequence[GroupFit], waves: Sequence[int]) -> tuple[Floats, Floats]:
    """Relative steps of common frequencies towards the least squares (Gauss-Newton).

    returns  (wave,) steps, and (wave,) 1 / sum of g: times the background, their variance
    """
    normal, right = np.zeros((len(waves), len(waves))), np.zeros(len(waves))
    for group in fits:
        directions = np.stack([_direction(group, wave) for wave in waves])
        normal += np.einsum("jpm,kpm->jk", directions, directions)
        right += np.einsum("jpm,pm->j", directions, group.rest)
    inverse = np.linalg.pinv(normal, rcond=1e-10)
    return inverse @ right, np.diag(inverse).copy()
