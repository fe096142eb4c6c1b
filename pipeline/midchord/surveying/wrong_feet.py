"""Slips of a whole walk or survey: other feet than the gauge card says, or one factor throughout.

A gauge whose foot-to-foot span is taken for its half-span (or the reverse) reads another gain of
every wave, so no single reading stands out. The readings of each walk along a line (of spots: of
each operator), and those of the whole survey, are fitted with the twin at other half-spans and
with one factor throughout, all alike (``twin_fit``), the scale held near 1 (standard deviation
7 %). Where swings are known, they are compared instead of single readings: bow, which the feet
change, cancels.

Another explanation is flagged when it is likelier than the card's by a factor of (number of
explanations x number of walks) / 0.01 %: a walk with several blunders must not be taken for one
with other feet. On an even wave a smaller half-span is just another gain, so that it looks like a
factor: what agrees as well is named beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.flags import FACTORS, Flag, as_dialled, times_as_likely
from midchord.surveying.twin_field import MappedLite, TwinField
from midchord.surveying.twin_fit import fit_twins, grouped
from midchord_io.errors import LiteTooSmall
from midchord_io.gauge_card import GaugeCard

__all__ = ["Correction", "flag_walks"]

Floats = npt.NDArray[np.float64]

RATIOS = (1 / 2, 2 / 3, 3 / 4, 4 / 3, 3 / 2, 2.0)
"""Half-spans that are tried, over the card's."""
SCALE_SD = 0.07
LEVEL = 1e-4
AS_WELL = math.log(20.0)
LEAST_READINGS = 6
SMALLEST_GAIN = 0.2
"""A gauge that is nearly blind is no explanation of readings turned into depths of the surface."""


class Correction(NamedTuple):
    """What single readings are compared with.

    scan_mm  the twin, where a walk speaks for other feet at those; NaN where they cannot stand
    factor   of what was written
    """

    scan_mm: Floats
    factor: Floats


class _Explanation(NamedTuple):
    kind: str
    factor: float
    half_span_mm: float | None
    words: str


class _Found(NamedTuple):
    best: _Explanation
    others: tuple[str, ...]
    gain: float
    scale: float


def flag_walks(
    singles: pd.DataFrame,
    swings: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
) -> tuple[list[Flag], Correction]:
    """Flags of the survey as a whole, or else of its walks; and what to compare readings with.

    Parameters as of ``flag_readings``
    """
    singles = singles.reset_index(drop=True)
    scan = singles["scan_mm"].to_numpy(float).copy()
    correction = Correction(scan, np.ones(len(singles)))
    by = "line" if "line" in singles else "operator"
    table = _unturned(swings, twins) if len(swings) else singles
    fields = _fields(singles, twins, card, lites)
    names = list(dict.fromkeys(table[by]))
    flags = []
    for name in (None, *names):
        rows = table if name is None else table[table[by] == name]
        found = _explained(rows.reset_index(drop=True), fields, card, len(names) + 1)
        if found is None:
            continue
        own = np.ones(len(singles), bool) if name is None else (singles[by] == name).to_numpy()
        _correct(correction, own, singles, fields, found.best)
        flags.append(_flag(singles[own], found, card, name, by))
        if name is None:
            break
    return flags, correction


def _unturned(swings: pd.DataFrame, twins: Mapping[str, TwinField]) -> pd.DataFrame:
    """Swings as second mark less first, up and down in turn: an offset cannot pass for a scale."""
    rows = swings.reset_index(drop=True)
    step = _steps(rows, twins)
    turn = np.where(step < 0, -1.0, 1.0)
    return rows.assign(gauge_mm=turn * rows["gauge_mm"], scan_mm=step)


def _steps(rows: pd.DataFrame, twins: Mapping[str, TwinField]) -> Floats:
    """What the twin reads at each place, less (of swings) at the mark before."""
    read = np.empty(len(rows))
    own = rows["lite_id"].astype(str).to_numpy()
    for lite_id in dict.fromkeys(own):
        on, field = own == lite_id, twins[lite_id]
        y = rows["y_mm"].to_numpy(float)[on]
        read[on] = field.at(rows["x_mm"].to_numpy(float)[on], y)
        if "from_x_mm" in rows:
            read[on] -= field.at(rows["from_x_mm"].to_numpy(float)[on], y)
    return read


def _fields(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
) -> dict[float | None, Mapping[str, TwinField]]:
    """Twins at the card's half-span (None), and at every other one that fits on the lites."""
    fields: dict[float | None, Mapping[str, TwinField]] = {None: twins}
    if card.half_span_mm is None:
        return fields
    own = list(dict.fromkeys(singles["lite_id"].astype(str)))
    for ratio in RATIOS:
        half_span = ratio * card.half_span_mm
        blind = [lites[name].gain(half_span) < SMALLEST_GAIN for name in own]
        if card.depth_is == "surface" and any(blind):
            continue
        try:
            fields[half_span] = {
                name: lites[name].twin(card, half_span_mm=half_span) for name in own
            }
        except LiteTooSmall:
            continue
    return fields


def _explanations(
    fields: Mapping[float | None, Mapping[str, TwinField]], card: GaugeCard
) -> list[_Explanation]:
    feet = [
        _Explanation(
            "half-span",
            1.0,
            half_span,
            f"feet {half_span:g} mm from the plunger would agree, where the card says "
            f"{card.half_span_mm:g} mm",
        )
        for half_span in fields
        if half_span is not None
    ]
    factors = [
        _Explanation(
            kind,
            factor,
            None,
            f"{'the other sign' if kind == 'sign' else f'a {kind}'} throughout would agree",
        )
        for kind, factor in FACTORS.items()
    ]
    return [_Explanation("", 1.0, None, ""), *feet, *factors]


def _explained(
    rows: pd.DataFrame,
    fields: Mapping[float | None, Mapping[str, TwinField]],
    card: GaugeCard,
    walks: int,
) -> _Found | None:
    if len(rows) < LEAST_READINGS:
        return None
    steps = {half_span: _steps(rows, twins) for half_span, twins in fields.items()}
    stands = {k: np.isfinite(v) for k, v in steps.items()}
    both = stands[None].copy()
    for k, known in stands.items():
        # wider feet stand at fewer places: such that lose most of them are not compared
        if (both & known).sum() >= max(LEAST_READINGS, len(rows) / 2):
            both &= known
        else:
            steps.pop(k)
    if None not in steps:
        return None
    tried = [one for one in _explanations(fields, card) if one.half_span_mm in steps]
    rows = rows[both]
    twin = np.stack([one.factor * steps[one.half_span_mm][both] for one in tried])
    names = ("u_gauge_mm", "u_scan_mm", "u_place_mm")
    u_gauge, u_scan, u_place = (rows[name].to_numpy(float) for name in names)
    size = np.array([abs(one.factor) for one in tried])[:, None]
    u = np.sqrt(u_gauge**2 + size**2 * (u_scan**2 + u_place**2))
    groups = grouped(rows, ("lite_id", "line" if "line" in rows else "operator"))
    if "from_x_mm" in rows:
        groups = groups[:, :1]  # offsets cancel in swings
    fit = fit_twins(rows["gauge_mm"].to_numpy(float), twin, u, groups, scale_sd=SCALE_SD)
    prior = -0.5 * ((fit.scale - 1) / SCALE_SD) ** 2
    # readings of one place share what the twin is off there: together they count once
    once = len(rows[["lite_id", "x_mm", "y_mm"]].drop_duplicates()) / len(rows)
    total = once * (fit.log_likelihood - prior) + prior
    gains = total - total[0]
    best = int(gains.argmax())
    if gains[best] <= math.log((len(tried) - 1) * walks / LEVEL):
        return None
    others = tuple(
        one.words.split(" would agree")[0]
        for k, one in enumerate(tried)
        if k not in (0, best) and gains[best] - gains[k] < AS_WELL
    )
    return _Found(tried[best], others, float(gains[best]), float(fit.scale[best]))


def _correct(
    correction: Correction,
    own: npt.NDArray[np.bool_],
    singles: pd.DataFrame,
    fields: Mapping[float | None, Mapping[str, TwinField]],
    best: _Explanation,
) -> None:
    correction.factor[own] = best.factor
    if best.half_span_mm is not None:
        correction.scan_mm[own] = _steps(singles[own], fields[best.half_span_mm])


def _flag(
    rows: pd.DataFrame, found: _Found, card: GaugeCard, name: object, by: str
) -> Flag:
    first, own = rows.iloc[0], tuple(int(row) for row in rows["row"])
    if name is None:
        which = "the whole survey"
    elif by == "line":
        which = (
            f"this line by this person (lite {first['lite_id']}, {first['operator']}, repeat "
            f"{first['repeat']}, y = {first['y_mm']:g} mm)"
        )
    else:
        which = f"all that {name} read"
    also = f" (so would {'; '.join(found.others)})" if found.others else ""
    sentence = (
        f"{which}, {len(rows)} readings, rows {min(own)} to {max(own)}: {found.best.words}{also}; "
        f"{times_as_likely(found.gain)} as likely as what the card says"
    )
    reading = as_dialled(float(first["gauge_mm"]), card)
    expected = as_dialled(float(first["scan_mm"]), card)
    # of a hypothesis, not of one reading: twice the gain is a chi-square, its root a normal z
    return Flag(
        int(first["row"]), str(first["lite_id"]), found.best.kind, sentence, reading, expected,
        None, math.sqrt(2 * found.gain), own,
    )  # fmt: skip
