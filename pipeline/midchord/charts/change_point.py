"""With which lite a change began, as a step or as a ramp, and how well that is known.

A chart signals late. Looking back from a signal, the figure is mean + size * g(lite) with

    step  g = 1           from lite b on
    ramp  g = 1, 2, 3 ..  from lite b on

and the mean unknown, too. With a normal prior for the size, wide against what lites show, the
chance of every b and either kind follows in closed form (a constant is taken out of g and values),

    log m(b) = -1/2 log(1 + K^2 S) + 1/2 C^2 K^2 / (1 + K^2 S),   S = sum g^2,  C = sum g z

every lite and both kinds alike beforehand. The estimate is the likeliest lite; the interval reaches
over the likeliest lites that together hold the level. Being a posterior, it does not mind that one
looks because a chart has signalled.

Sources: Hinkley, Biometrika 57 (1970) 1; Samuel, Pignatiello and Calvin, Qual. Eng. 10 (1998) 521
(the likelihood, looked at from a signal); conjugate normal regression for the rest.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.charts.first_phase import chain

__all__ = ["Change", "change_before"]

Floats = npt.NDArray[np.float64]


class Change(NamedTuple):
    """A change that a signal looks back on.

    first     likeliest first lite of it; low, high: ends of the interval
    kind      the likelier; p_step: chance of a step against a ramp
    size      of the step, or of the ramp a lite, in standard deviations of the figure
    u_size    its standard uncertainty, the lite taken for known
    """

    first: int
    low: int
    high: int
    kind: Literal["step", "ramp"]
    p_step: float
    size: float
    u_size: float


def change_before(
    z: Floats,
    signal: int,
    *,
    earliest: int,
    coefficient: float = 0.0,
    step_ratio: float = 1.0,
    level: float = 0.95,
    after: int = 10,
    step_sd: float = 3.0,
    ramp_sd: float = 0.5,
    clip_sd: float = np.inf,
) -> Change:
    """The change that a signal looks back on.

    z            (lite,) standardised residuals, the first phase in front; NaN: no value
    signal       lite of the signal; earliest: first lite that may have begun it
    coefficient  of the AR(1) whose residuals these are; step_ratio: standard deviation of the
                 figure over that of the residuals
    after        lites behind the signal that are used; clip_sd: largest deviation of one lite
    """
    stop = min(z.size, signal + after + 1)
    values = np.clip(z[:stop], -clip_sd, clip_sd)
    have = np.isfinite(values)
    lite = np.arange(stop)
    begins = np.arange(earliest, signal + 1)
    since = lite[:, None] - begins + 1
    logs, sizes, doubts = [], [], []
    for shape, width in ((since > 0).astype(float), step_sd), (np.maximum(since, 0.0), ramp_sd):
        g = shape * 1.0
        g[~have] = np.nan  # so that the lite behind a missing one is treated as in the residuals
        g = (chain(g, coefficient) * step_ratio)[have]
        g = g - g.mean(axis=0)
        square = np.maximum((g**2).sum(axis=0), 1e-12)
        product = values[have] @ g
        gain = width**2 / (1 + width**2 * square)
        logs.append(-0.5 * np.log1p(width**2 * square) + 0.5 * product**2 * gain)
        sizes.append(product * gain)
        doubts.append(np.sqrt(gain))
    joint = np.exp(np.stack(logs) - np.max(logs))
    joint /= joint.sum()
    p_step = float(joint[0].sum())
    kind = 0 if p_step >= 0.5 else 1
    by_lite = joint.sum(axis=0)
    order = np.argsort(-by_lite, kind="stable")
    held = np.cumsum(by_lite[order])
    inside = order[: int(np.searchsorted(held, level)) + 1]
    best = int(joint[kind].argmax())
    names: tuple[Literal["step"], Literal["ramp"]] = ("step", "ramp")
    return Change(
        int(begins[best]), int(begins[min(int(inside.min()), best)]),
        int(begins[max(int(inside.max()), best)]), names[kind], p_step,
        float(sizes[kind][best]), float(doubts[kind][best]),
    )  # fmt: skip
