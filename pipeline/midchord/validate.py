"""Maps against hand surveys: does the scan agree with the gauge, and within what tolerance?

Each reading is set beside the reading of *its* gauge's twin at its place. Agreement is judged on
swings where the survey walked along lines, since bow cancels in them, on single readings
otherwise; readings of gauges that measure different things are never pooled. What looks wrong (the
datum, single readings) is reported with the alternative that would agree, and never changed.

Verdict: the scan may stand in for the gauge within +-T if both limits of agreement, with their
one-sided 95 % bounds, lie inside +-T.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

import midchord
from midchord.statistics.comparison import Comparison, compare_pairs
from midchord.surveying.card_in_doubt import CARD_IN_DOUBT, is_card_in_doubt, lites_at_odds
from midchord.surveying.datum import DatumSuspicion
from midchord.surveying.gauge_factors import gauge_factors
from midchord.surveying.gauge_validation import GaugeValidation, reserves_of
from midchord.surveying.mark_turns import marks_out_of_turn
from midchord.surveying.pair_tables import mdpt_table, mm_table, place_mean
from midchord.surveying.pairing import Paired, lites_of, pair_readings
from midchord.surveying.placement import fit_shift
from midchord.surveying.reserves import (
    flatness_of_spots,
    suspect_rows,
    wide_tolerance,
    without_rows,
)
from midchord.surveying.settled_datum import settle_datum
from midchord.surveying.survey_notes import notes_of
from midchord.surveying.survey_study import check_further_scans, study_of_survey
from midchord.surveying.suspects import Flag, flag_readings
from midchord.surveying.twin_field import MappedLite
from midchord.surveying.written_doubts import (
    all_the_same,
    finer_than_the_dial,
    places_in_inches,
    step_above_tolerance,
    too_large,
)
from midchord_io.errors import SettingsError, SurveyError
from midchord_io.gauge_card import GaugeCard
from midchord_io.survey import Survey

__all__ = ["SCHEMA_VERSION", "GaugeValidation", "Validation", "validate"]

SCHEMA_VERSION = 1
PLACEMENT_SD_MM = 5.0
"""How far a hand is off its mark along each axis (common practice, no source)."""


@dataclass(frozen=True)
class Validation:
    """Result of ``validate``: one GaugeValidation a gauge, and what they were made from.

    files  name and SHA-256 of the maps and cards that were read
    """

    survey: Survey
    lites: Mapping[str, MappedLite]
    gauges: tuple[GaugeValidation, ...]
    tolerance: float | None
    tolerance_unit: str
    placement_sd_mm: float
    factors: tuple[dict[str, Any], ...] = field(default=())
    files: tuple[tuple[str, str], ...] = ()

    @property
    def verdict(self) -> str:
        """The worst of the gauges' verdicts."""
        order = ("shown", "not asked", "too few readings", "not shown")
        return max((one.judged.agreement.verdict for one in self.gauges), key=order.index)

    @property
    def headline(self) -> str:
        """The verdict with its reserves: ``shown, with 11 suspect readings (3 causes) inside``."""
        said = reserves_of(self.gauges)
        return self.verdict + (f", with {' and '.join(said)}" if said else "")

    @property
    def not_compared(self) -> tuple[str, ...]:
        """Lites whose maps were given and that nobody read."""
        read = {name for one in self.gauges for name in one.paired.twins}
        return tuple(name for name in self.lites if name not in read)

    def as_dict(self) -> dict[str, Any]:
        """``agreement.json``: strict JSON. Figures at the top are those of a lone gauge; with
        several they are null and stand by gauge, since they are never pooled."""
        gauges = [one.as_dict() for one in self.gauges]
        lone = self.gauges[0] if len(self.gauges) == 1 else None
        in_mm = (lone.swings or lone.singles) if lone else None
        figures = in_mm.as_dict() if in_mm else {}
        keys = ("bias_mm", "bias_ci_mm", "sd_mm", "limits_mm", "limits_ci_mm")
        return {
            "schema_version": SCHEMA_VERSION,
            "program_version": midchord.__version__,
            "survey": {
                "file": self.survey.where,
                "sha256": self.survey.sha256 or None,
                "kind": self.survey.kind,
                "units": self.survey.units,
                "n_readings": len(self.survey.readings),
                "n_excluded": int(self.survey.readings["excluded"].sum()),
            },
            "lites": [
                _lite_facts(lite) | {"is_compared": name not in self.not_compared}
                for name, lite in self.lites.items()
            ],
            "tolerance": self.tolerance,
            "tolerance_unit": self.tolerance_unit,
            "placement_sd_mm": self.placement_sd_mm,
            "judged_on": lone.judged.quantity if lone else None,
            "n_paired": sum(one["n_paired"] for one in gauges),
            "n_unpaired": sum(one["n_unpaired"] for one in gauges),
            **{key: figures.get(key) for key in keys},
            "flags": [flag | {"gauge": one["gauge"]} for one in gauges for flag in one["flags"]],
            "datum_suspicion": gauges[0]["datum_suspicion"] if lone else None,
            "factors": list(self.factors),
            "by_gauge": gauges,
            "files": [{"file": name, "sha256": digest} for name, digest in self.files],
            "n_suspects": sum(one["n_suspects"] for one in gauges),
            "n_causes": sum(one["n_causes"] for one in gauges),
            "headline": self.headline,
            "verdict": self.verdict,
            "statement": " ".join(one["statement"] for one in gauges),
        }


def validate(
    maps: Sequence[xr.Dataset],
    survey: Survey,
    cards: Sequence[GaugeCard],
    *,
    tolerance_mm: float | None = None,
    tolerance_mdpt: float | None = None,
    placement_sd_mm: float = PLACEMENT_SD_MM,
    again: Sequence[xr.Dataset] = (),
    files: Sequence[Path] = (),
) -> Validation:
    """Hold maps of one lite or many against a hand survey.

    maps             of ``process`` or ``read_maps``, one a lite
    survey           of ``read_survey``
    cards            one for every gauge that the survey names
    tolerance_mm     T of the verdict; or tolerance_mdpt, for surveys along lines; not both
    placement_sd_mm  how far hands are off their places, standard deviation along each axis
    again            maps of further scans of the same lites: the scanner's own repeatability
    files            that maps and cards were read from: their SHA-256 goes into the provenance
    Raises           SurveyError: no pair, an unknown lite or gauge, a place off the lite ...;
                     SettingsError for a tolerance that cannot be used
    """
    unit, tolerance = _tolerance(tolerance_mm, tolerance_mdpt, survey)
    lites = lites_of([MappedLite(one) for one in maps])
    own = _cards_of(survey, cards)
    repeats = [MappedLite(one) for one in again]
    check_further_scans(lites, repeats)
    gauges = tuple(
        _one_gauge(survey, card, lites, tolerance, unit, placement_sd_mm, repeats) for card in own
    )
    return Validation(
        survey, lites, gauges, tolerance, unit, placement_sd_mm, gauge_factors(own, lites),
        tuple((path.name, hashlib.sha256(path.read_bytes()).hexdigest()) for path in files),
    )  # fmt: skip


def _tolerance(
    in_mm: float | None, in_mdpt: float | None, survey: Survey
) -> tuple[str, float | None]:
    for value, name in ((in_mm, "tolerance_mm"), (in_mdpt, "tolerance_mdpt")):
        if value is not None and not 0 < value < float("inf"):
            raise SettingsError(
                name,
                found=f"a tolerance of {value:g}",
                needed="a size above zero",
                do="correct it",
            )
    if in_mm is not None and in_mdpt is not None:
        raise SettingsError(
            "tolerance",
            found="one in mm and one in mdpt",
            needed="one tolerance",
            do="keep the one that the contract states",
        )
    if in_mdpt is not None and survey.kind != "lines":
        raise SettingsError(
            "tolerance_mdpt",
            found="a survey of single spots",
            needed="a survey along lines, whose swings are depths of half waves",
            do="give tolerance_mm, or survey along lines",
        )
    return ("mdpt", in_mdpt) if in_mdpt is not None else ("mm", in_mm)


def _cards_of(survey: Survey, cards: Sequence[GaugeCard]) -> list[GaugeCard]:
    known: dict[str, GaugeCard] = {}
    for card in cards:
        if card.gauge in known:
            raise SurveyError(
                card.gauge, found="two cards", needed="one card a gauge", do="keep the right one"
            )
        known[card.gauge] = card
    used = []
    for gauge, rows in survey.readings.groupby("gauge", sort=False):
        if gauge not in known:
            raise SurveyError(
                f"{survey.where}, row {rows.iloc[0]['row']}",
                found=f"a reading by the gauge {gauge!r}",
                needed=f"its card (there are: {', '.join(known) or 'none'})",
                do="give its card, or correct the name",
            )
        used.append(known[str(gauge)])
    return used


def _one_gauge(
    survey: Survey,
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
    tolerance: float | None,
    unit: str,
    placement_sd_mm: float,
    again: Sequence[MappedLite],
) -> GaugeValidation:
    paired = pair_readings(survey, card, lites, placement_sd_mm=placement_sd_mm)
    on_swings = len(paired.swings) > 0
    in_mm = tolerance if unit == "mm" else None

    def compared(table: pd.DataFrame, quantity: str, unit: str, t: float | None) -> Comparison:
        name = card.gauge
        return compare_pairs(table, quantity=quantity, unit=unit, tolerance=t, gauge_name=name)

    if len(paired.singles) == 0:
        raise _nothing_paired(survey, card, lites, paired)
    singles = compared(mm_table(paired.singles), "singles", "mm", None if on_swings else in_mm)
    swings = distortion = None
    if on_swings:
        swings = compared(mm_table(paired.swings), "swings", "mm", in_mm)
        in_mdpt = mdpt_table(paired.swings, lites)
        if len(in_mdpt):
            asked = tolerance if unit == "mdpt" else None
            distortion = compared(in_mdpt, "distortion", "mdpt", asked)
    judged = distortion if unit == "mdpt" else swings if on_swings else singles
    if judged is None:
        raise SurveyError(
            f"{survey.where}, gauge {card.gauge}",
            found="no half wave has a distortion: no two neighbouring marks can be paired, or the "
            "scan shows no wave there",
            needed="at least one",
            do="check the marks, or give tolerance_mm",
        )
    stuck = all_the_same(paired.singles, card)
    datum, flags, at_odds = _suspicions(paired, card, lites, placement_sd_mm, stuck)
    shift = fit_shift(paired.singles, paired.twins, placement_sd_mm=placement_sd_mm)
    first = ""
    if stuck:
        first = "all readings are the same"
    elif at_odds or is_card_in_doubt(flags, len(paired.singles)):
        first = "the gauge card is in doubt and comes first"
    elif datum.status == "likely wrong":
        first = "the datum is likely wrong and comes first"
    if first:
        said = f"no shift is asked for, since {first}"
        shift = replace(shift, needs_attention=False, sentence=said)
    own = survey.readings[(survey.readings["gauge"] == card.gauge) & ~survey.readings["excluded"]]
    coarse = step_above_tolerance(card, in_mm)
    doubts = (
        stuck,
        at_odds,
        coarse,
        too_large(paired.singles, suspect_rows(flags)),
        finer_than_the_dial(own, card, survey.units.get("reading", "mm")),
    )
    more_reserves = (
        "readings that are all the same" if stuck else "",
        CARD_IN_DOUBT if at_odds else "",
        "a dial coarser than the tolerance" if coarse else "",
        wide_tolerance(judged.table, tolerance),
    )
    in_mm_judged = swings or singles
    moved = place_mean(
        paired.swings if swings else paired.singles, bias_mm=in_mm_judged.agreement.bias
    )
    rest = None
    if flags:
        left = without_rows(judged.table, suspect_rows(flags))
        rest = compared(left, judged.quantity, judged.unit, None) if len(left) else None
    return GaugeValidation(
        card,
        paired,
        singles,
        swings,
        distortion,
        judged,
        shift,
        datum,
        flags,
        study_of_survey(paired, card, again),
        tuple(notes_of(card, lites, paired, moved)),
        flatness_of_spots(paired, lites, placement_sd_mm=placement_sd_mm),
        rest,
        moved,
        marks_out_of_turn(paired.singles),
        tuple(filter(None, doubts)),
        tuple(filter(None, more_reserves)),
    )


def _suspicions(
    paired: Paired,
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
    placement_sd_mm: float,
    stuck: str,
) -> tuple[DatumSuspicion, tuple[Flag, ...], str]:
    """Datum and flags, and a sentence where lites are at odds: then neither is claimed, nor is it
    of a dial that stood still (``stuck``: the sentence on it)."""
    if stuck:
        said = "whether the datum was taken as stated cannot be told: all readings are the same"
        return DatumSuspicion("cannot be told", None, math.nan, (), (), said), (), ""
    taken = (paired.singles, paired.swings, paired.twins, card, lites)
    datum = settle_datum(*taken, placement_sd_mm=placement_sd_mm)
    flags = tuple(flag_readings(*taken, datum=datum))
    at_odds = lites_at_odds(datum, flags, paired.singles)
    if not at_odds:
        return datum, flags, ""
    said = (
        "whether the datum was taken as stated cannot be told: the survey does not fit its gauge "
        "card"
    )
    unclaimed = replace(
        datum, status="cannot be told", way=None, probability=math.nan, sentence=said, groups=()
    )
    return unclaimed, (), at_odds


def _nothing_paired(
    survey: Survey, card: GaugeCard, lites: Mapping[str, MappedLite], paired: Paired
) -> SurveyError:
    reasons = paired.unpaired["reason"].astype(str)
    by_hand = reasons.str.startswith("excluded")
    if (by_hand | (reasons == "not read")).all():
        none_read, none_left = not by_hand.any(), bool(by_hand.all())
        raise SurveyError(
            f"{survey.where}, gauge {card.gauge}",
            found="no reading was written down"
            if none_read
            else "every reading is excluded"
            if none_left
            else "every reading is excluded or was not written down",
            needed="at least one",
            do="fill in reading_mm" if none_read else "take readings back in, or read again",
        )
    first = paired.unpaired.iloc[0]
    corner = places_in_inches(survey, card, lites)
    return SurveyError(
        f"{survey.where}, gauge {card.gauge}",
        found=f"no reading that can be paired (row {first['row']}: {first['reason']})"
        + (f"; {corner}, and times 25.4 they would spread over the lite" if corner else ""),
        needed="at least one",
        do="convert the places to millimetres if they were written in inches"
        if corner
        else "check the places and the half-span of the card",
    )


def _lite_facts(lite: MappedLite) -> dict[str, Any]:
    names = ("lite_id", "source_file", "source_sha256", "scanned_at", "program_version")
    facts = {name: lite.summary.get(name) for name in names}
    return facts | {"support": lite.summary.get("support")}
