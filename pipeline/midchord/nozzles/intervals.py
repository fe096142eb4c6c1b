"""Intervals over lites: the bootstrap, with a seed.

Lites are drawn with replacement, the same ones for every nozzle, and the mean is taken again. The
percentiles of these means are a little too near to each other for few lites, by the root of
(n - 1) / n and by taking the normal for Student's distribution; they are moved out by just that
(the expanded percentile interval: Hesterberg, Am. Stat. 69 (2015) 371).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["Resampling"]

Floats = npt.NDArray[np.float64]


class Resampling:
    """Draws of lites, made once.

    lites      how many there are
    resamples  draws
    level      of the intervals, such as 0.95
    seed       makes the same draws again
    """

    def __init__(self, lites: int, *, resamples: int, level: float, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.level = level
        self.counts = rng.multinomial(lites, np.full(lites, 1 / lites), size=resamples).astype(
            np.float64
        )

    def interval(self, values: Floats, mean: float) -> tuple[float, float] | None:
        """Interval of a mean over the lites; None where fewer than four have a value.

        values  (lite,), NaN not seen
        mean    about which the interval lies, the mean of the values or that less a constant
        """
        from scipy.stats import norm
        from scipy.stats import t as student

        seen = np.isfinite(values)
        count = int(seen.sum())
        if count < 4:
            return None
        draws = self.counts[:, seen]
        totals = draws.sum(axis=1)
        drawn = (draws @ values[seen])[totals > 0] / totals[totals > 0]
        tail = 0.5 * (1 - self.level)
        own = float(values[seen].mean())
        low, high = np.quantile(drawn, (tail, 1 - tail)) - own
        wider = float(student.isf(tail, count - 1) / norm.isf(tail))
        wider *= math.sqrt(count / (count - 1))
        return mean + float(low) * wider, mean + float(high) * wider
