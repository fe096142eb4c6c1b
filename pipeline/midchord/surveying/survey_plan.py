"""A survey planned on the maps: how many lites and spots, and where on each the gauge should stand.

What is not known before the first survey is assumed, and every assumption stands on the sheet:
the differences scatter within a spot by the repeatability of the gauge, the dial, the noise of the
scan and by how far a hand is off its place, turned into mm by the slopes of the map where the spots
are; from lite to lite, from spot to spot and from person to person by half that repeatability each,
or a step of the dial where that is more (common practice, no source), unless stated. A trial
survey tells better: its components can be given instead.

Spots lie in the clear zone. *Chosen* ones are spread over the depths of the wave, on its crests and
valleys, where the map of the gauge's twin is flat and a hand that is off by some mm changes little;
they do not speak for slopes. *Random* ones do. By default half of the spots are of each kind. Of
more lites than are needed those are taken that spread over the depth; the others are named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import xarray as xr

from midchord.statistics.sampling_plan import (
    Plan,
    Scatter,
    Spot,
    choose_spots,
    plan_survey,
    random_spots,
)
from midchord.surveying.pairing import lites_of, place_uncertainty
from midchord.surveying.twin_field import MappedLite, TwinField
from midchord.validate import PLACEMENT_SD_MM
from midchord_io.errors import SettingsError, SurveyError
from midchord_io.gauge_card import GaugeCard

__all__ = [
    "REPEATABILITY_MM",
    "PlannedLite",
    "Spread",
    "SurveyPlan",
    "operator_name",
    "plan_on_maps",
    "survey_rows",
]

Spread = Literal["mixed", "random", "chosen"]

REPEATABILITY_MM = 0.005
"""Of a hand gauge, one person at one mark, standard deviation (common practice, no source)."""

TRIAL_SPOTS = 12
"""Spots on which the effect of a misplaced hand is taken before their number is known."""
LEAST_SPOTS = 6
"""On each lite: agreement at one depth says nothing about another."""
FLATTEST_SHARE = 0.1
"""Of the places of one depth those on a crest or in a valley are looked at."""
CLEAR = 0


@dataclass(frozen=True)
class PlannedLite:
    """Where to read one lite. spots: places, depth of the wave there, slope of the twin's map.

    is_random  of each spot: drawn at random, not chosen on a crest or in a valley
    """

    lite: MappedLite
    twin: TwinField
    spots: tuple[Spot, ...]
    is_random: tuple[bool, ...]


@dataclass(frozen=True)
class SurveyPlan:
    """How many, on which lites, where.

    plan           lites, spots on each, repeats, operators, and the power of the rule
    scatter        what was assumed, mm;  assumed: names of its parts that nobody stated
    lites          those whose maps are there, with their spots
    lites_missing  how many more lites need maps
    repeatability_mm, place_sd_mm  parts of scatter.within_sd: gauge, and hands off their place
    dropped        lites that the plan has no need of, with the reason
    stated         names of the options that were stated, others are assumed
    lites_without  lites that would do if a part were nought: bias, lite_sd, spot_sd, operator_sd,
                   repeatability, place; each alone
    """

    card: GaugeCard
    tolerance_mm: float
    power: float
    placement_sd_mm: float
    scatter: Scatter
    assumed: tuple[str, ...]
    plan: Plan
    lites: tuple[PlannedLite, ...]
    lites_missing: int
    spread: Spread
    repeatability_mm: float
    place_sd_mm: float
    dropped: tuple[tuple[str, str], ...]
    stated: frozenset[str] = frozenset()
    lites_without: Mapping[str, int] = field(default_factory=dict)

    @property
    def costliest(self) -> tuple[tuple[str, ...], int] | None:
        """The parts without any one of which fewest lites would do, and how many; None where none
        costs a lite."""
        least = min(self.lites_without.values(), default=self.plan.n_lites)
        names = tuple(name for name, lites in self.lites_without.items() if lites == least)
        return (names, least) if least < self.plan.n_lites else None


def operator_name(number: int) -> str:
    """What people are called until they sign, counted from 0."""
    return f"operator {number + 1}"


def plan_on_maps(
    maps: Sequence[xr.Dataset],
    card: GaugeCard,
    *,
    tolerance_mm: float,
    power: float = 0.9,
    repeats: int = 2,
    n_operators: int = 2,
    bias_mm: float | None = None,
    lite_sd_mm: float | None = None,
    spot_sd_mm: float | None = None,
    operator_sd_mm: float | None = None,
    placement_sd_mm: float = PLACEMENT_SD_MM,
    repeatability_mm: float | None = None,
    spread: Spread = "mixed",
) -> SurveyPlan:
    """Plan a survey of spots that shows agreement within +-tolerance_mm with this power.

    maps            of ``process`` or ``read_maps``, one a lite
    card            of the gauge that will be used
    power           chance to show it, if the scatter is as assumed
    bias_mm         of the scan against the gauge; none if not stated
    lite_sd_mm, spot_sd_mm, operator_sd_mm  of the differences; if not stated, half the
                    repeatability, or a step of the dial where that is more
    placement_sd_mm  how far hands are off, along each axis
    repeatability_mm of the gauge, one person at one mark; REPEATABILITY_MM if not stated
    spread          spots on crests and valleys ("chosen"), "random" clear ones, or half of each
    Raises          SettingsError where the power is not between 0 and 1, or where no plan of a size
                    that anyone would take reaches it; SurveyError for two maps of one lite, and
                    where the gauge can stand nowhere
    """
    if not 0 < power < 1:
        raise SettingsError(
            "power",
            found=f"a power of {power:g}",
            needed="a chance between 0 and 1",
            do="give 0.9, or what was agreed",
        )
    bias, repeatability = bias_mm or 0.0, repeatability_mm
    if repeatability is None:
        repeatability = REPEATABILITY_MM
    if abs(bias) > tolerance_mm > 0:
        raise SettingsError(
            "bias_mm",
            found=f"a bias of {bias:g} mm, which exceeds the tolerance of {tolerance_mm:g} mm",
            needed="a bias well inside the tolerance: no number of readings averages it out",
            do="remove the bias first (zero, calibration), or widen the tolerance",
        )
    lites = list(lites_of([MappedLite(one) for one in maps]).values())
    twins = [lite.twin(card) for lite in lites]
    trial = [
        _spots_on(lite, twin, TRIAL_SPOTS, spread)
        for lite, twin in zip(lites, twins, strict=True)
    ]
    stated = {"lite_sd": lite_sd_mm, "spot_sd": spot_sd_mm, "operator_sd": operator_sd_mm}
    assumed = tuple(name for name, value in stated.items() if value is None)
    own = max(card.resolution_mm, 0.5 * repeatability)
    parts = {name: own if value is None else value for name, value in stated.items()}
    place = _place_sd_mm(twins, [spots for spots, _ in trial], placement_sd_mm)
    noise = float(np.mean([twin.sd_mm**2 for twin in twins])) + card.resolution_mm**2 / 12
    within = float(np.sqrt(place**2 + noise + repeatability**2))
    scatter = Scatter(bias=bias, within_sd=within, **parts)

    def planned_for(assumed: Scatter) -> Plan | None:
        return plan_survey(
            assumed, tolerance_mm, power=power, repeats=repeats, n_operators=n_operators,
            least_spots=LEAST_SPOTS,
        )  # fmt: skip

    plan = planned_for(scatter)
    if plan is None:
        raise SettingsError(
            "tolerance_mm",
            found=f"no survey of up to 60 lites and 30 spots on each shows {tolerance_mm:g} mm "
            f"with a power of {power:g}",
            needed="a tolerance that the scatter assumed leaves room for",
            do="widen the tolerance, or find out by a trial survey what the scatter is",
        )
    others = {
        "bias": replace(scatter, bias=0.0),
        **{name: replace(scatter, **{name: 0.0}) for name in parts},
        "repeatability": replace(scatter, within_sd=float(np.sqrt(place**2 + noise))),
        "place": replace(scatter, within_sd=float(np.sqrt(noise + repeatability**2))),
    }
    fewer = {name: planned_for(other) for name, other in others.items() if other != scatter}
    given = {**stated, "bias": bias_mm, "repeatability": repeatability_mm}
    order = np.argsort([_mean_depth(lite) for lite in lites], kind="stable")
    taken = min(plan.n_lites, len(lites))
    picks = order[np.unique(np.linspace(0, len(lites) - 1, taken).round().astype(int))]
    planned = tuple(
        PlannedLite(lites[k], twins[k], *_spots_on(lites[k], twins[k], plan.spots_per_lite, spread))
        for k in sorted(picks)
    )
    return SurveyPlan(
        card, tolerance_mm, power, placement_sd_mm, scatter, assumed, plan, planned,
        plan.n_lites - len(planned), spread, repeatability, place,
        tuple(
            (lite.lite_id, f"{plan.n_lites} lites do, and those taken spread better over the depth")
            for k, lite in enumerate(lites)
            if k not in picks
        ),
        frozenset(name for name, value in given.items() if value is not None),
        {name: other.n_lites for name, other in fewer.items() if other is not None},
    )  # fmt: skip


def _spots_on(
    lite: MappedLite, twin: TwinField, count: int, spread: Spread
) -> tuple[tuple[Spot, ...], tuple[bool, ...]]:
    """In the clear zone, on whole millimetres, by x; and which of them are random."""
    x, y = np.meshgrid(twin.x_mm, twin.y_mm, indexing="ij")
    along, across = twin.gradient(x, y)
    is_clear = (lite.maps["zone"].values == CLEAR) & np.isfinite(twin.reading_mm)
    if not is_clear.any():
        raise SurveyError(
            f"lite {lite.lite_id}",
            found="the gauge can stand nowhere in the clear zone",
            needed="a lite on which all its contacts find measured glass",
            do="leave this lite out, or check the half-span or base on the card",
        )
    depth = lite.maps["depth"].values
    if not np.isfinite(depth[is_clear]).any():
        depth = twin.reading_mm  # no wave: over what bow there is
    slope = np.hypot(along, across)
    n_random = {"chosen": 0, "mixed": count // 2, "random": count}[spread]
    chosen: list[Spot] = []
    if n_random < count:
        chosen = choose_spots(
            depth, slope, is_clear, twin.x_mm, twin.y_mm, n_spots=count - n_random,
            flattest_share=FLATTEST_SHARE,
        )  # fmt: skip
    drawn = random_spots(
        depth, slope, is_clear, twin.x_mm, twin.y_mm, n_spots=count - len(chosen), beside=chosen
    )
    both = [(spot, False) for spot in chosen] + [(spot, True) for spot in drawn]
    both.sort(key=lambda one: (one[0].x_mm, one[0].y_mm))
    return (
        tuple(spot._replace(x_mm=round(spot.x_mm), y_mm=round(spot.y_mm)) for spot, _ in both),
        tuple(is_random for _, is_random in both),
    )


def _place_sd_mm(
    twins: Sequence[TwinField], trial: Sequence[Sequence[Spot]], placement_sd_mm: float
) -> float:
    """Root mean square over the trial spots of what a hand off its place changes."""
    squares = []
    for twin, spots in zip(twins, trial, strict=True):
        x, y = np.array([(spot.x_mm, spot.y_mm) for spot in spots]).T
        place = place_uncertainty(twin, x, y, placement_sd_mm)
        squares.append(np.nanmean(place**2))
    return float(np.sqrt(np.mean(squares)))


def _mean_depth(lite: MappedLite) -> float:
    depth = (lite.summary.get("depth_mm") or {}).get("mean")
    return 0.0 if depth is None else float(depth)


def survey_rows(plan: SurveyPlan) -> list[dict[str, object]]:
    """Readings to take, in order, as rows of ``template_text``; the reading is empty.

    Each person walks all spots of a lite once before the next round, so that no reading is
    remembered.
    """
    return [
        {
            "lite_id": planned.lite.lite_id,
            "gauge": plan.card.gauge,
            "operator": operator_name(operator),
            "repeat": repeat,
            "x": spot.x_mm,
            "y": spot.y_mm,
            "note": f"spot {number}, {'random' if is_random else 'chosen'}",
        }
        for planned in plan.lites
        for operator in range(plan.plan.n_operators)
        for repeat in range(1, plan.plan.repeats + 1)
        for number, (spot, is_random) in enumerate(
            zip(planned.spots, planned.is_random, strict=True), start=1
        )
    ]
