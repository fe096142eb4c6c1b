"""Recipe data of a trial: whether it differs between the settings, and whether the figure goes with
it.

*Balance.* What differs between the settings beside the setting itself is confounded with it: an
effect can be of either. Each column is compared between the settings by the same permutations.

*Slope.* Within the settings (and pairs) the figure may still follow a column, e.g. the temperature:
least squares of the figure on setting, pair and that column alone, with Student's t. Slopes of
columns that go together are not told apart.

p-values are corrected for the number of columns (Holm).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = ["RecipeColumn", "slope_within"]

Floats = npt.NDArray[np.float64]


class RecipeColumn(NamedTuple):
    """One column of recipe data against one setting.

    mean_reference, mean_setting, difference   of the column, in its own unit
    p_balance    adjusted p-value of no difference; None where it cannot be told
    slope, low, high, p_slope   of the figure per unit of the column, within settings
    """

    column: str
    mean_reference: float | None
    mean_setting: float | None
    p_balance: float | None
    slope: float | None
    low: float | None
    high: float | None
    p_slope: float | None


def slope_within(
    figure: Floats, column: Floats, groups: Sequence[Sequence[str]], *, level: float
) -> tuple[float, float, float, float] | None:
    """Slope, ends of its interval and p-value, with groups held fixed; None where it has none.

    figure, column  (lite,), NaN: not known
    groups          labels of each lite, e.g. settings and pairs
    """
    from scipy.stats import t as student

    have = np.isfinite(figure) & np.isfinite(column)
    if have.sum() < 4:
        return None
    x, y = column[have], figure[have]
    spread = float(x.std())
    if not spread > 1e-12 * max(1e-300, float(np.abs(x).max())):
        return None
    parts = [np.ones((x.size, 1))]
    for labels in groups:
        known = np.asarray(labels, dtype=object)[have]
        names = sorted(set(known.tolist()))
        parts.append(np.array([[label == name for name in names[1:]] for label in known], float)
                     .reshape(x.size, len(names) - 1))  # fmt: skip
    design = np.concatenate(parts, axis=1)
    rank = int(np.linalg.matrix_rank(design))
    rest_x, rest_y = (v - design @ np.linalg.lstsq(design, v, rcond=1e-10)[0] for v in (x, y))
    square, dof = float((rest_x**2).sum()), x.size - rank - 1
    if dof < 2 or square < 1e-9 * x.size * spread**2:
        return None
    slope = float((rest_x * rest_y).sum()) / square
    rest = rest_y - slope * rest_x
    se = math.sqrt(float((rest**2).sum()) / dof / square)
    reach = float(student.isf((1 - level) / 2, dof)) * se
    p = float(2 * student.sf(abs(slope) / se, dof)) if se > 0 else 0.0
    return slope, slope - reach, slope + reach, p
