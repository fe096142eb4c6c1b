"""Many tests at once: how many of the findings are false.

``benjamini_hochberg``  holds the expected share of false findings among all findings (the false
                        discovery rate) at a level, for independent or positively dependent tests.
                        For long lists in which a known share of errors does no harm (nozzles).
                        Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289.
``holm``                holds the chance of any false finding (the family-wise error rate), whatever
                        the dependence. For short lists in which each finding is acted on (the
                        causes of a machine). Holm, Scand. J. Stat. 6 (1979) 65.

Both give adjusted p-values: a finding is one whose adjusted p-value is at most the level.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["benjamini_hochberg", "holm"]

Floats = npt.NDArray[np.float64]


def benjamini_hochberg(p_values: npt.ArrayLike) -> Floats:
    """Adjusted p-values, in the order given; NaN (not tested) stays NaN and is not counted.

    p_values  (test,) 0 to 1
    Raises    ValueError: a p-value outside 0 to 1
    """
    p, ranks, count = _ranked(p_values)
    scaled = p * count / ranks
    # from the largest on, so that the order of the tests is kept
    return _unranked(p_values, np.minimum.accumulate(scaled[::-1])[::-1])


def holm(p_values: npt.ArrayLike) -> Floats:
    """Adjusted p-values, in the order given; NaN (not tested) stays NaN and is not counted."""
    p, ranks, count = _ranked(p_values)
    return _unranked(p_values, np.maximum.accumulate(p * (count - ranks + 1)))


def _ranked(p_values: npt.ArrayLike) -> tuple[Floats, Floats, int]:
    values = np.asarray(p_values, dtype=np.float64)
    tested = values[np.isfinite(values)]
    if ((tested < 0) | (tested > 1)).any():
        raise ValueError("p-values lie between 0 and 1")
    return np.sort(tested), np.arange(1.0, tested.size + 1), tested.size


def _unranked(p_values: npt.ArrayLike, adjusted: Floats) -> Floats:
    values = np.asarray(p_values, dtype=np.float64)
    result = np.full(values.size, np.nan)
    tested = np.flatnonzero(np.isfinite(values))
    order = tested[np.argsort(values[tested], kind="stable")]
    result[order] = np.minimum(adjusted, 1.0)
    return result.reshape(values.shape)
