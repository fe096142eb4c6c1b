"""A line survey worked up by itself, as it is done by hand, without a scan.

Marks are set on the peaks and valleys of a line across the ridges. Common practice, no source:

    wavelengths  all distances peak to peak and valley to valley, x_i - x_(i-2)
    half-span    half of their mean: there the feet of a three-point gauge are set
    depth        W_i = |r_i - r_(i-1)| of neighbouring marks, either way
    distortion   D_i = 4 pi^2 W_i / L_i^2 x 10^6 mdpt
                 full wave: L_i = x_i - x_(i-2), the wave that ends with the half wave; the first
                            half wave of a line has no predecessor, hence no figure
                 half wave: L_i = 2 (x_i - x_(i-1))

Depths have the convention of their gauge. The swing of a three-point gauge ("gauge") is not the
depth of the surface: swing / G(a, L) estimates that, G = 1 - cos(2 pi a / L), and stands beside it
under its own name. Gauges are never pooled with one another; lines, operators and repeats of one
lite and one gauge are, after each has been worked up alone.

Every mark that a person did not exclude counts. What looks wrong with a line is said in a remark
and changes no figure. An excluded mark breaks its line in two.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from midchord.settings import Settings
from midchord.surveying.hand_line import (
    Figures,
    LineWorkUp,
    Spread,
    clear_of_edges,
    figures_of,
    work_up_line,
)
from midchord.surveying.mark_repeats import Repeats, repeats_of
from midchord.surveying.survey_remarks import Remark, line_remarks, lite_remarks
from midchord.surveying.written_doubts import finer_than_the_dial
from midchord_io.errors import SettingsError, SurveyError
from midchord_io.gauge_card import GaugeCard
from midchord_io.survey import SLACK_MM, Survey
from midchord_io.survey_cells import plain_name
from midchord_io.survey_marks import LINE_KEY

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SCHEMA_VERSION", "HandSurvey", "LiteWorkUp", "lite_lengths", "work_up"]

SCHEMA_VERSION = 1

LONGEST_MM = 100_000.0
"""No lite is longer, nor shorter than 1 mm: such a length is a slip."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LiteWorkUp:
    """All lines of one lite and one gauge pooled: the figures of all their half waves together.

    convention    "gauge" or "surface"; None where no reading was taken
    u_depth_mm    standard uncertainty of a depth from the resolution of the dial alone
    length_mm     of the lite, None where it was not given
    figures_clear_of_edges  without the marks in the edge zone; None where there are none
    within_mark_sd_mm  between repeats of one person at one mark; None where nothing was repeated
    within_mark_sd_without_slips_mm  without the marks whose repeats are named in remarks
    """

    lite_id: str
    gauge: str
    convention: str | None
    line_count: int
    operators: tuple[str, ...]
    figures: Figures
    u_depth_mm: float | None
    length_mm: float | None
    figures_clear_of_edges: Figures | None
    within_mark_sd_mm: float | None
    within_mark_sd_without_slips_mm: float | None


@dataclass(frozen=True)
class HandSurvey:
    """What ``work_up`` gives."""

    where: str
    lines: tuple[LineWorkUp, ...]
    lites: tuple[LiteWorkUp, ...]
    remarks: tuple[Remark, ...]
    cards: Mapping[str, GaugeCard]
    edge_x_mm: float

    def as_dict(self) -> dict[str, Any]:
        """Everything in the types of strict JSON: what has no value is None."""
        plain: dict[str, Any] = _plain(
            {
                "schema_version": SCHEMA_VERSION,
                "survey": self.where,
                "lites": [_flat(lite) for lite in self.lites],
                "lines": [_flat(line) for line in self.lines],
                "remarks": [remark._asdict() for remark in self.remarks],
                "gauges": {name: card.as_dict() for name, card in self.cards.items()},
                "edge_x_mm": self.edge_x_mm,
            }
        )
        return plain


def work_up(
    survey: Survey,
    card: GaugeCard | Sequence[GaugeCard] | None = None,
    *,
    length_mm: float | Mapping[str, float] | None = None,
    settings: Settings | None = None,
) -> HandSurvey:
    """Wavelengths, half-span, depths and distortions of a line survey.

    card       of each gauge in the survey; not needed where only the marks have been set
    length_mm  of the lite, or by lite_id: without it the far edge zone cannot be checked
    settings   edge zone, roll-wave band and blind gain for the remarks; the defaults otherwise
    Raises     SurveyError on a spot survey, a gauge without a card, a card that fits none, a gauge
               that has no peak to valley, a mark beyond the lite
    """
    if survey.kind != "lines":
        raise SurveyError(
            survey.where,
            found="this is a survey of spots, which has no marks",
            needed="by itself, a survey along lines is worked up, with mark and distance",
            do="compare the spots with a scan instead: midchord validate",
        )
    settings = settings or Settings.load()
    known = set(survey.readings["lite_id"].astype(str))
    for name in length_mm if isinstance(length_mm, Mapping) else ():
        if name not in known:
            raise SurveyError(
                survey.where,
                found=f"a length for lite {name!r}, which it does not name",
                needed=f"one of {', '.join(sorted(known))}",
                do="correct the name",
            )
    cards = _cards(card, survey)
    lines = [
        work_up_line(
            table,
            cards.get(str(table["gauge"].iloc[0])),
            _length_of(table, length_mm, survey.where),
            settings,
        )
        for _, table in survey.readings.groupby(list(LINE_KEY), sort=False)
    ]
    lites, remarks = [], []
    for lite_id, gauge in dict.fromkeys((line.lite_id, line.gauge) for line in lines):
        own = [line for line in lines if (line.lite_id, line.gauge) == (lite_id, gauge)]
        found = cards.get(gauge)
        length = _length_of_lite(lite_id, length_mm)
        repeats = repeats_of(
            own, lite_id=lite_id, gauge=gauge, resolution_mm=found.resolution_mm if found else 0.0
        )
        lite = _pool(own, found, length, repeats, settings)
        lites.append(lite)
        written = survey.readings[
            (survey.readings["lite_id"] == lite_id) & (survey.readings["gauge"] == gauge)
        ]
        # what is wrong with all of them comes before what is wrong with one
        remarks += lite_remarks(
            lite_id,
            gauge,
            found if lite.convention else None,
            wavelengths_mm=_all_wavelengths(own),
            depths_mm=np.concatenate([line.half_waves["depth_mm"] for line in own]),
            first_mm=min(line.marks["distance_mm"].min() for line in own),
            last_mm=max(line.marks["distance_mm"].max() for line in own),
            length_mm=length,
            settings=settings,
            finer=finer_than_the_dial(written, found, survey.units.get("reading", "mm"))
            if found
            else "",
        )
        remarks += repeats.remarks
        are_places_sure = lite.figures.half_span_mm is not None
        for line in own:
            remarks += line_remarks(
                line.name, lite_id, gauge, line.marks, are_places_sure=are_places_sure
            )
    used = {lite.gauge: cards[lite.gauge] for lite in lites if lite.gauge in cards}
    return HandSurvey(
        survey.where, tuple(lines), tuple(lites), tuple(remarks), used, settings.zones.edge_x_mm
    )


# ---- cards and lengths


def lite_lengths(words: Sequence[str]) -> float | dict[str, float] | None:
    """Lengths in mm as they are typed: one number for all lites, or ``LITE=number`` for each.

    Raises  SettingsError for what is no length, a lite named twice, and a mixture of both
    """

    def refuse(found: str) -> SettingsError:
        return SettingsError(
            "length_mm",
            found=found,
            needed="one length in mm for all lites, or LITE=length once for each",
            do="correct it",
        )

    lengths: dict[str, float] = {}
    for word in words:
        given, equals, number = word.rpartition("=")
        name = plain_name(given)
        try:
            length = float(number)
        except ValueError:
            raise refuse(f"{word!r}") from None
        if equals and not name:
            raise refuse(f"{word!r}, a length of a lite without a name")
        if not 1 <= length <= LONGEST_MM:
            raise refuse(f"a length of {number} mm")
        if name in lengths:
            raise refuse(f"two lengths of lite {name!r}" if name else "two lengths")
        lengths[name] = length
    if "" in lengths:
        if len(lengths) > 1:
            raise refuse("one length for all lites and others by name")
        return lengths[""]
    return lengths or None


def _cards(card: GaugeCard | Sequence[GaugeCard] | None, survey: Survey) -> dict[str, GaugeCard]:
    given = [card] if isinstance(card, GaugeCard) else list(card or ())
    cards: dict[str, GaugeCard] = {}
    for one in given:
        if one.gauge in cards:
            raise SurveyError(
                survey.where,
                found=f"two gauge cards for gauge {one.gauge!r}",
                needed="one",
                do="leave out the one that does not hold",
            )
        cards[one.gauge] = one
    table = survey.readings
    gauges = list(dict.fromkeys(table["gauge"]))
    read = table[table["reading_mm"].notna()]
    for gauge in gauges if cards else dict.fromkeys(read["gauge"]):
        if gauge in cards:
            continue
        near = difflib.get_close_matches(gauge, cards, n=1, cutoff=0.5)
        known = f"cards are for {', '.join(map(repr, cards))}" if cards else "no card was given"
        raise SurveyError(
            survey.where,
            found=f"gauge {gauge!r} has no gauge card ({known})",
            needed="one, to say whether its depth is a raw swing or the depth of the surface",
            do=f"give it, or write {near[0]!r} for the gauge" if near else "give it",
        )
    for gauge in gauges:
        if gauge in cards and cards[gauge].kind == "edge-lift":
            raise SurveyError(
                survey.where,
                found=f"gauge {gauge!r} reads edge lift",
                needed="a gauge that reads peaks and valleys",
                do="give its readings as spots",
            )
    return cards


def _length_of_lite(lite_id: str, length_mm: float | Mapping[str, float] | None) -> float | None:
    return length_mm.get(lite_id) if isinstance(length_mm, Mapping) else length_mm


def _length_of(
    table: pd.DataFrame, length_mm: float | Mapping[str, float] | None, where: str
) -> float | None:
    lite_id = str(table["lite_id"].iloc[0])
    length = _length_of_lite(lite_id, length_mm)
    beyond = table[table["distance_mm"] > (math.inf if length is None else length + SLACK_MM)]
    if len(beyond):
        raise SurveyError(
            f"{where}, row {beyond['row'].iloc[0]}",
            found=f"mark {beyond['mark'].iloc[0]} is at {beyond['distance_mm'].iloc[0]:g} mm",
            needed=f"a place on lite {lite_id}, which is {length:g} mm long",
            do="correct the distance, its unit or the length",
        )
    return length


# ---- pooling


def _all_wavelengths(lines: Sequence[LineWorkUp]) -> Floats:
    full = [line.half_waves["full_wave_mm"].to_numpy() for line in lines]
    joined: Floats = np.concatenate(full)
    return joined[np.isfinite(joined)]


def _pool(
    lines: Sequence[LineWorkUp],
    card: GaugeCard | None,
    length_mm: float | None,
    repeats: Repeats,
    settings: Settings,
) -> LiteWorkUp:
    inside = None
    if any((line.marks["zone"] == "edge").any() for line in lines):
        parts = [clear_of_edges(line) for line in lines]
        inside = figures_of([waves for waves, _ in parts], [marks for _, marks in parts])
    is_read = any(line.is_read for line in lines) and card is not None
    figures = figures_of([line.half_waves for line in lines], [line.marks for line in lines])
    mean = figures.wavelength_mm.mean
    if mean is not None and not settings.waves.band_min_mm <= mean <= settings.waves.band_max_mm:
        figures = replace(figures, half_span_mm=None)  # no feet for what is no roll wave
    return LiteWorkUp(
        lite_id=lines[0].lite_id,
        gauge=lines[0].gauge,
        convention=card.convention if card and is_read else None,
        line_count=len(lines),
        operators=tuple(dict.fromkeys(line.operator for line in lines)),
        figures=figures,
        # two readings, each rounded to the resolution: uniform, variance resolution^2 / 12 each
        u_depth_mm=card.resolution_mm / math.sqrt(6) if card and is_read else None,
        length_mm=length_mm,
        figures_clear_of_edges=inside,
        within_mark_sd_mm=repeats.within_mark_sd_mm,
        within_mark_sd_without_slips_mm=repeats.without_slips_mm,
    )


# ---- JSON


def _flat(part: LineWorkUp | LiteWorkUp) -> dict[str, Any]:
    """Fields with the figures among them, spreads by name, tables as lists of rows."""
    flat: dict[str, Any] = {}
    for name, value in vars(part).items():
        if isinstance(value, Figures):
            figures = {
                key: spread._asdict() if isinstance(spread, Spread) else spread
                for key, spread in vars(value).items()
            }
            flat |= figures if name == "figures" else {name: figures}
        elif name in ("marks", "half_waves"):
            flat[name] = value.to_dict(orient="records")
        else:
            flat[name] = value
    return flat


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
