"""Whether a wave holds one frequency from lite to lite, as a machine makes it, or wanders.

Two hypotheses are tested, each with the pooled misfit Q = sum s_i^2 / g_i along the direction in
which a change of the frequency moves the fit (:mod:`midchord.causes.harmonics`):

``p_steady``  of "the frequency scatters by tau0 or more": small where Q is smaller than
              sum (sigma_i^2 + tau0^2 g_i) allows. A machine is claimed only where it is rejected,
              so that doubt counts against the claim.
``p_wander``  of "one common frequency": small where Q is larger than sum sigma_i^2 allows.

Q is held against a chi-square with the degrees of freedom of Satterthwaite, less the one frequency
that was fitted; for p_wander against an F, since the background is estimated too. A wave as weak as
the background has g near nothing (the share of it that is noise is taken out), and is neither.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.causes.harmonics import Ramp

__all__ = ["UNTESTED", "Steadiness", "steadiness"]

Floats = npt.NDArray[np.float64]

WANDER_CERTAIN = 1e-3


class Steadiness(NamedTuple):
    """state      steady, wandering or open (neither is shown)
    p_steady   chance to look this steady with a scatter of tau0
    p_wander   chance to scatter this much with one common frequency
    scatter    of the frequency from piece to piece, relative, less the noise of its estimates
    All but the state are None where there are too few lites.
    """

    state: str
    p_steady: float | None
    p_wander: float | None
    scatter: float | None


UNTESTED = Steadiness("open", None, None, None)


def steadiness(
    ramp: Ramp, tau0: float, *, lites: int, least_lites: int, claim_rate: float
) -> Steadiness:
    """Whether one wave holds one frequency.

    ramp         of harmonics.ramp_of, with the frequency fitted in common
    tau0         relative scatter from piece to piece that is too much for a machine
    lites        that the pieces are of; fewer than ``least_lites``: not tested
    claim_rate   chance to be called steady with a scatter of tau0
    """
    from scipy import stats

    count = ramp.along.size
    if lites < least_lites:
        return UNTESTED
    sound = ramp.size > 0
    noise = ramp.background
    seen = float((ramp.along[sound] ** 2 / ramp.size[sound]).sum())
    left = (count - 1) / count  # the common frequency is fitted
    size = ramp.size * ramp.true_share
    scatter2 = (seen - left * float(noise.sum())) / max(left * float(size.sum()), 1e-300)
    scatter = math.sqrt(max(0.0, scatter2))

    def tail(each: Floats, above: bool) -> float:
        expected = left * float(each.sum())
        dof = left * float(each.sum()) ** 2 / float((each**2).sum())
        # the background is estimated itself
        between = dof * ramp.dof / (dof + ramp.dof * count)
        ratio = seen / expected
        if above:
            return float(stats.f.sf(ratio, dof, max(between, ramp.dof * count)))
        return float(stats.chi2.cdf(ratio * dof, dof))

    p_steady = tail(noise + tau0**2 * size, above=False)
    p_wander = tail(noise, above=True)
    state = "open"
    if p_steady < claim_rate:
        state = "steady"
    elif p_wander < WANDER_CERTAIN and scatter >= tau0:
        state = "wandering"
    return Steadiness(state, p_steady, p_wander, scatter)
