"""Slips of a whole walk, person or survey: another gauge than the card's, or one factor throughout.

A gauge whose foot-to-foot span is taken for its half-span (or the reverse) reads another gain of
every wave, so no single reading stands out. The readings of the whole survey, of each operator, and
of each walk along a line, are fitted with the twin at other half-spans and with one factor
throughout, all alike (``twin_fit``), the scale held near 1 (standard deviation 7 %). So are they
with another kind of gauge, since cards are mixed up: a flat base as long as the feet are apart for
a gauge on feet; for one with a base, feet at half of it and at half the mean wavelength, of either
sign. Feet at half the mean wavelength are tried, too, where the card's are far from that. Where
swings are known, they are compared instead of single readings: bow, which the feet change, cancels.

Another explanation is flagged when it is likelier than the card's by a factor of (number of
explanations x number of such groups) / 0.01 %: a walk with several blunders must not be taken for
one with other feet. Nor is a person's whole work called wrong where one walk of it agrees best with
the card. On an even wave a smaller half-span is just another gain, so that it looks like a factor:
what agrees as well is named beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.flags import (
    FACTORS,
    THROUGHOUT_IN_WORDS,
    Flag,
    as_dialled,
    times_as_likely,
)
from midchord.surveying.twin_field import MappedLite, TwinField
from midchord.surveying.twin_fit import Groups, fit_twins, grouped
from midchord_io.errors import LiteTooSmall, SurveyError
from midchord_io.gauge_card import GaugeCard

__all__ = ["Correction", "OtherGauge", "flag_walks", "other_gauge"]

Floats = npt.NDArray[np.float64]

RATIOS = (1 / 2, 2 / 3, 3 / 4, 4 / 3, 3 / 2, 2.0)
"""Half-spans that are tried, over the card's."""
FAR = 2.2
"""Ratio of half-spans beyond all of these."""
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


class OtherGauge(NamedTuple):
    """What explains a whole survey better than its card: kind of flag, factor, twins, in words."""

    kind: str
    factor: float
    twins: Mapping[str, TwinField]
    words: str


class _Setting(NamedTuple):
    """A kind of gauge, with plunger to foot, or the length of its base, mm."""

    kind: str
    length_mm: float

    @property
    def words(self) -> str:
        if self.kind == "three-point":
            return f"a three-point gauge with feet {self.length_mm:g} mm from the plunger"
        return f"a {self.kind} gauge of {self.length_mm:g} mm"


class _Explanation(NamedTuple):
    kind: str
    factor: float
    setting: _Setting | None
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
    table = table.reset_index(drop=True)
    fields = _fields(singles, twins, card, lites)
    steps = {setting: _steps(table, own) for setting, own in fields.items()}
    groups = _groups(singles, table, by)
    flags: list[Flag] = []
    flagged = np.zeros(len(singles), bool)
    for column, name, at, own in groups:
        if flagged[own].any():
            continue
        found = _explained(table, at, steps, card, len(groups))
        is_of_walks = name is not None and column != by
        if found is None or (is_of_walks and _speaks_for_card(table, at, by, steps, card)):
            continue
        flagged |= own
        _correct(correction, own, singles, fields, found.best)
        flags.append(_flag(singles[own], found, card, name, column))
    return flags, correction


def _speaks_for_card(
    table: pd.DataFrame,
    at: npt.NDArray[np.intp],
    by: str,
    steps: Mapping[_Setting | None, Floats],
    card: GaugeCard,
) -> bool:
    """Whether one of the walks of a person agrees best with the card: then not all are wrong."""
    walks = table.iloc[at].groupby(by, sort=False).indices.values()
    own = [at[walk] for walk in walks if len(walk) >= LEAST_READINGS]
    return any(_explained(table, walk, steps, card, None) is None for walk in own)


def _groups(
    singles: pd.DataFrame, table: pd.DataFrame, by: str
) -> list[tuple[str, object, npt.NDArray[np.intp], npt.NDArray[np.bool_]]]:
    """Column, name, positions in the table and readings of: the survey, each person, each walk.

    A group within one that was found says nothing more.
    """
    groups: list[tuple[str, object, npt.NDArray[np.intp], npt.NDArray[np.bool_]]] = [
        ("", None, np.arange(len(table)), np.ones(len(singles), bool))
    ]
    for column in dict.fromkeys(("operator", by)):
        for name, at in table.groupby(column, sort=False).indices.items():
            own = (singles[column] == name).to_numpy()
            groups.append((column, name, np.asarray(at, dtype=np.intp), own))
    return groups


def other_gauge(
    singles: pd.DataFrame,
    swings: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
) -> OtherGauge | None:
    """The gauge, the feet or the factor that explains the survey as a whole, if one does.

    Parameters as of ``flag_readings``
    """
    table = _unturned(swings, twins) if len(swings) else singles
    fields = _fields(singles, twins, card, lites)
    groups = _groups(singles, table, "line" if "line" in table else "operator")
    table = table.reset_index(drop=True)
    steps = {setting: _steps(table, own) for setting, own in fields.items()}
    found = _explained(table, np.arange(len(table)), steps, card, len(groups))
    if found is None:
        return None
    best = found.best
    words = best.words.split(" would agree")[0].removesuffix(" throughout")
    return OtherGauge(best.kind, best.factor, fields[best.setting], words)


def _unturned(swings: pd.DataFrame, twins: Mapping[str, TwinField]) -> pd.DataFrame:
    """Swings as second mark less first, up and down in turn: an offset cannot pass for a scale."""
    rows = swings.reset_index(drop=True)
    step = _steps(rows, twins)
    turn = np.where(step < 0, -1.0, 1.0)
    return rows.assign(gauge_mm=turn * rows["gauge_mm"], scan_mm=step)


def _steps(rows: pd.DataFrame, twins: Mapping[str, TwinField]) -> Floats:
    """What the twin reads on average at each place, less (of swings) at the mark before."""
    read = np.empty(len(rows))
    own = rows["lite_id"].astype(str).to_numpy()
    for lite_id in dict.fromkeys(own):
        on, field = own == lite_id, twins[lite_id]
        y, sd = (rows[part].to_numpy(float)[on] for part in ("y_mm", "place_sd_mm"))
        read[on] = field.mean_at(rows["x_mm"].to_numpy(float)[on], y, float(sd[0]))
        if "from_x_mm" in rows:
            read[on] -= field.mean_at(rows["from_x_mm"].to_numpy(float)[on], y, float(sd[0]))
    return read


def _settings(
    singles: pd.DataFrame, card: GaugeCard, lites: Mapping[str, MappedLite]
) -> dict[_Setting, GaugeCard]:
    """Other gauges that are tried, each as a card."""
    stated = card.model_copy(update={"span_mm": None})
    if card.kind == "edge-lift":
        return {}
    waves = [lites[name].summary["mean_wavelength_mm"] for name in set(singles["lite_id"])]
    known = [wave for wave in waves if wave is not None]
    half_waves = [float(round(float(np.mean(known)) / 2))] if known else []
    if card.half_span_mm is not None:
        own = [_Setting(card.kind, ratio * card.half_span_mm) for ratio in RATIOS]
        own += [
            _Setting(card.kind, length)
            for length in half_waves
            if not 1 / FAR < length / card.half_span_mm < FAR
        ]
        cards = {
            one: stated.model_copy(update={"stated_half_span_mm": one.length_mm}) for one in own
        }
        if card.depth_is == "swing":
            base = _Setting("flat-base", 2 * card.half_span_mm)
            cards[base] = stated.model_copy(
                update={
                    "kind": base.kind, "base_mm": base.length_mm, "stated_half_span_mm": None,
                }
            )  # fmt: skip
        return cards
    lengths = [(card.base_mm or 0.0) / 2, *half_waves]
    return {
        _Setting("three-point", length): stated.model_copy(
            update={
                "kind": "three-point", "base_mm": None, "stated_half_span_mm": length,
                "depth_is": "swing",
            }
        )
        for length in lengths
    }  # fmt: skip


def _fields(
    singles: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
) -> dict[_Setting | None, Mapping[str, TwinField]]:
    """Twins of the card's gauge (None), and of every other one that fits on the lites."""
    fields: dict[_Setting | None, Mapping[str, TwinField]] = {None: twins}
    own = list(dict.fromkeys(singles["lite_id"].astype(str)))
    for setting, other in _settings(singles, card, lites).items():
        blind = [lites[name].gain(setting.length_mm) < SMALLEST_GAIN for name in own]
        if other.depth_is == "surface" and other.is_on_feet and any(blind):
            continue
        try:
            fields[setting] = {name: lites[name].twin(other) for name in own}
        except (LiteTooSmall, SurveyError):
            continue
    return fields


def _explanations(
    settings: Sequence[_Setting | None], card: GaugeCard
) -> list[_Explanation]:
    gauges = []
    for setting in settings:
        if setting is None:
            continue
        if setting.kind == card.kind:
            words = (
                f"feet {setting.length_mm:g} mm from the plunger would agree, where the card says "
                f"{card.half_span_mm:g} mm"
            )
            gauges.append(_Explanation("half-span", 1.0, setting, words))
        else:
            words = f"{setting.words} would agree, where the card says {card.kind}"
            gauges.append(_Explanation("other gauge", 1.0, setting, words))
            if not card.is_on_feet:
                # what hangs below a base is read downwards, a plunger between feet mostly upwards
                words = f"{setting.words} and of the other sign would agree, where the card says "
                gauges.append(_Explanation("other gauge", -1.0, setting, words + card.kind))
    factors = [
        _Explanation(kind, factor, None, THROUGHOUT_IN_WORDS[kind])
        for kind, factor in FACTORS.items()
    ]
    return [_Explanation("", 1.0, None, ""), *gauges, *factors]


def _explained(
    table: pd.DataFrame,
    at: npt.NDArray[np.intp],
    of_table: Mapping[_Setting | None, Floats],
    card: GaugeCard,
    asked: int | None,
) -> _Found | None:
    """What explains some rows of a table better than the card: surely, where so many groups are
    asked; None: at all. of_table: ``_steps`` of all."""
    if at.size < LEAST_READINGS:
        return None
    rows = table.iloc[at]
    steps = {setting: own[at] for setting, own in of_table.items()}
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
    tried = [one for one in _explanations(list(of_table), card) if one.setting in steps]
    rows = rows[both]
    twin = np.stack([one.factor * steps[one.setting][both] for one in tried])
    names = ("u_gauge_mm", "u_scan_mm", "u_place_mm")
    u_gauge, u_scan, u_place = (rows[name].to_numpy(float) for name in names)
    size = np.array([abs(one.factor) for one in tried])[:, None]
    u = np.sqrt(u_gauge**2 + size**2 * (u_scan**2 + u_place**2))
    if "from_x_mm" in rows:
        groups = Groups.common(len(rows))  # offsets cancel in swings
    else:
        groups = grouped(rows, ("lite_id", "line" if "line" in rows else "operator"))
    fit = fit_twins(rows["gauge_mm"].to_numpy(float), twin, u, groups, scale_sd=SCALE_SD)
    prior = -0.5 * ((fit.scale - 1) / SCALE_SD) ** 2
    # readings of one place share what the twin is off there: together they count once
    once = len(rows[["lite_id", "x_mm", "y_mm"]].drop_duplicates()) / len(rows)
    total = once * (fit.log_likelihood - prior) + prior
    gains = total - total[0]
    best = int(gains.argmax())
    least = 0.0 if asked is None else math.log((len(tried) - 1) * asked / LEVEL)
    if gains[best] <= least:
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
    fields: Mapping[_Setting | None, Mapping[str, TwinField]],
    best: _Explanation,
) -> None:
    correction.factor[own] = best.factor
    if best.setting is not None:
        correction.scan_mm[own] = _steps(singles[own], fields[best.setting])


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
    # marks off the turning points read low, as feet of another span do
    beside = by == "line" and found.best.kind == "half-span"
    so_might = "; so might marks that lie beside the peaks and valleys" if beside else ""
    sentence = (
        f"{which}, {len(rows)} readings, rows {min(own)} to {max(own)}: {found.best.words}{also}; "
        f"{times_as_likely(found.gain)} as likely as what the card says{so_might}"
    )
    reading = as_dialled(float(first["gauge_mm"]), card)
    expected = as_dialled(float(first["scan_mm"]), card)
    # of a hypothesis, not of one reading: twice the gain is a chi-square, its root a normal z
    return Flag(
        int(first["row"]), str(first["lite_id"]), found.best.kind, sentence, reading, expected,
        None, math.sqrt(2 * found.gain), own,
    )  # fmt: skip
