"""The verdict: measured figures against limits, with their uncertainty taken seriously.

A figure has an uncertainty, so near its limit nobody can know on which side it truly lies. The
decision rule is that of JCGM 106:2012, guarded acceptance and guarded rejection, for an upper
limit T, a value y, its standard uncertainty u and the coverage factor k of the settings:

===========  ==========================================================
within       y + k u <= T     (k = 1.645: at least 95 % sure to conform)
outside      y - k u > T      (at least 95 % sure not to)
undecided    otherwise: the guard bands overlap the limit
===========  ==========================================================

``conformance_probability`` is that of a normal distribution, Phi((T - y)/u). The worst verdict of
all limits is the verdict of the lite: outside before undecided before within.

How a statistic of a map gets its uncertainty: errors of neighbouring points share their causes, so
they are taken as fully correlated, and the statistic is taken again of every point's y - k u and
y + k u. That never understates. For a maximum the rule holds for *every* point of the zone, and the
point that decides is named. The largest of many noisy figures is biased upward; that expected bias
is held back from a rejection and never helps an acceptance.

Where a point is measured but no wave rises above detection, the figure is below the detection
bound: under the limit if the bound is, else unknown. Points not measured are counted: a figure
whose zone is covered too thinly is never called within.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from statistics import NormalDist
from typing import Any

import numpy as np
import xarray as xr

from midchord.judging.decision import DIAGONALS, Decision, sentence_of
from midchord.judging.limits import (
    EDGES,
    FIGURES,
    GRID_ZONE,
    Limit,
    Limits,
    check_grid,
    limits_of,
    load_limits,
)
from midchord.judging.zone_points import Floats, Points, grid_cell, points_of

__all__ = [
    "Decision",
    "Limit",
    "Limits",
    "check_grid",
    "decide",
    "judge",
    "limits_of",
    "load_limits",
]

VERDICTS = ("within", "undecided", "outside")
"""From best to worst."""

RULE = (
    "JCGM 106:2012, guarded acceptance and guarded rejection: within if value + k u <= limit, "
    "outside if value - k u > limit, else undecided"
)


def decide(
    value: float, uncertainty: float, limit: float, *, coverage_factor: float, bias: float = 0.0
) -> str:
    """Verdict of one figure by the decision rule; all in the unit of the limit.

    bias    expected upward bias of the value, held back from a rejection
    Source  JCGM 106:2012, clause 8.3 (guarded acceptance, guarded rejection)
    """
    guard = coverage_factor * uncertainty
    if value + guard <= limit:
        return "within"
    return "outside" if value - bias - guard > limit else "undecided"


def judge(
    summary: Mapping[str, Any], maps: xr.Dataset, limits: Limits, *, coverage_factor: float
) -> dict[str, Any]:
    """The verdict of a lite with its reasons, ready for the summary.

    summary  of midchord.run.summary; maps  of midchord.run.process
    returns  verdict, reasons (one a limit: limit, value, uncertainty, bias, lower, upper,
             conformance_probability, coverage, verdict, cause, edge, place, sentence),
             headline, limits, coverage_factor, decision_rule. ``lower`` is less the bias, as
             the rule used it; ``cause`` says why a verdict is undecided, null where it is not
    Raises   SettingsError where a limit names a zone that the maps do not have
    """
    reasons = [
        _reason(limit, _decide_one(limit, summary, maps, limits, coverage_factor), coverage_factor)
        for limit in limits.limit
    ]
    return {
        "verdict": max((reason["verdict"] for reason in reasons), key=VERDICTS.index),
        "reasons": reasons,
        "headline": limits.headline,
        "limits": limits.name,
        "coverage_factor": coverage_factor,
        "decision_rule": RULE,
    }


def _decide_one(
    limit: Limit, summary: Mapping[str, Any], maps: xr.Dataset, limits: Limits, k: float
) -> Decision:
    if limit.figure in ("bow", "edge_lift"):
        return _decide_edges(limit, summary, k)
    points = points_of(limit, summary, maps, where=limits.name)
    if points.measured + points.missing == 0:
        why = f"no point of the lite lies in the zone {limit.zone!r}"
        return Decision("undecided", why=why, cause="not measured")
    bias = _bias(limit, summary, limits.name)
    decision = dataclasses.replace(
        _decide_points(limit, points, _detection_bound(limit, summary), bias, k),
        coverage=points.coverage,
    )
    least = limits.least_coverage_percent
    if decision.verdict == "within" and 100.0 * points.coverage < least:
        why = (
            f"only {100.0 * points.coverage:.3g} % of the zone was measured, "
            f"{least:g} % is asked for"
        )
        return dataclasses.replace(decision, verdict="undecided", why=why, cause="coverage")
    return decision


def _decide_points(
    limit: Limit, points: Points, bound: float | None, bias: float, k: float
) -> Decision:
    top = limit.limit if limit.threshold is None else limit.threshold
    heard = bound is not None and bound <= top  # a wave over the limit would have been seen
    if points.value.size == 0:
        return _decide_silence(limit, points, bound, heard=heard)
    u = points.uncertainty
    if u is None:
        return Decision("undecided", why="its uncertainty is not known", cause="uncertainty")
    if limit.statistic == "max":
        decision = _decide_maximum(limit, points, u, bias, k)
    else:
        decision = _decide_statistic(limit, points, u, k, silent_may_exceed=not heard)
    unheard = points.silent > 0 and not heard and limit.statistic != "share_over"
    if decision.verdict == "within" and unheard and bound is not None:
        unit = FIGURES[limit.figure][0]
        why = f"elsewhere in the zone the detection bound, {bound:.4g} {unit}, is over the limit"
        return dataclasses.replace(
            decision, verdict="undecided", why=why, cause="detection bound"
        )
    return decision


def _decide_silence(
    limit: Limit, points: Points, bound: float | None, *, heard: bool
) -> Decision:
    """A zone without a figure: nothing to see is a result where the bound is under the limit."""
    if points.silent == 0:
        return Decision("undecided", why="nothing was measured in the zone", cause="not measured")
    if bound is None:
        return Decision("undecided", why="there is no wave to judge", cause="detection bound")
    unit = FIGURES[limit.figure][0]
    seen = f"no wave above the detection bound of {bound:.4g} {unit}"
    if not heard:
        hidden = "limit" if limit.threshold is None else "threshold"
        why = f"{seen}, but one over the {hidden} could hide below that bound"
        return Decision("undecided", why=why, cause="detection bound")
    if limit.threshold is not None:
        return Decision("within", why=f"{seen}, so no area is over the threshold")
    return Decision("within", why=seen)


def _decide_maximum(
    limit: Limit, points: Points, uncertainty: Floats, bias: float, k: float
) -> Decision:
    """Every point must conform; the point that decides is the one reported."""
    guard = k * uncertainty
    largest, surest, riskiest = (
        int(np.argmax(points.value + sign * guard)) for sign in (0.0, -1.0, 1.0)
    )
    found = []
    for index in (largest, surest, riskiest):
        value, u = float(points.value[index]), float(uncertainty[index])
        verdict = decide(value, u, limit.limit, coverage_factor=k, bias=bias)
        why, cause = "", "guard band" if verdict == "undecided" else ""
        if verdict == "undecided" and value - k * u > limit.limit:
            why = "without the bias of the largest of many it would be outside"
            cause = "bias"
        lower, upper = value - bias - k * u, value + k * u
        place = points.place(index)
        found.append(
            Decision(verdict, value, u, lower, upper, place, why=why, cause=cause, bias=bias)
        )
    worst = max(VERDICTS.index(decision.verdict) for decision in found)
    return next(decision for decision in found if VERDICTS.index(decision.verdict) == worst)


def _decide_statistic(
    limit: Limit, points: Points, uncertainty: Floats, k: float, *, silent_may_exceed: bool
) -> Decision:
    """The statistic of all points shifted together by their guard bands."""
    step = k or 1.0
    value, lower, upper = (
        _statistic(limit, points.value + shift * uncertainty, points.measured)
        for shift in (0.0, -step, step)
    )
    u = (upper - lower) / (2.0 * step)
    if k == 0.0:
        lower = upper = value
    if limit.statistic == "share_over" and silent_may_exceed:
        upper += 100.0 * points.silent / points.measured
    verdict = "outside" if lower > limit.limit else "undecided"
    if upper <= limit.limit:
        verdict = "within"
    pick = np.argmin if limit.statistic == "min" else np.argmax
    place = None
    if limit.statistic != "mean" and not (limit.statistic == "share_over" and upper == 0.0):
        place = points.place(int(pick(points.value)))
    cause = ""
    if verdict == "undecided":
        loud = limit.statistic == "share_over" and silent_may_exceed and points.silent > 0
        cause = "detection bound" if loud else "guard band"
    return Decision(verdict, value, u, lower, upper, place, cause=cause)


def _statistic(limit: Limit, value: Floats, measured: int) -> float:
    """Over even cells, so that shares of points are shares of area."""
    if limit.statistic == "share_over":
        over = np.count_nonzero(value > (limit.threshold or 0.0))
        return 100.0 * float(over) / measured
    if limit.statistic == "p95":
        return float(np.percentile(value, 95.0))
    return float(value.mean() if limit.statistic == "mean" else value.min())


def _detection_bound(limit: Limit, summary: Mapping[str, Any]) -> float | None:
    """Largest figure that could hide in the noise, in the unit of the figure."""
    by_gauge = limit.convention == "gauge"
    depth_mm = summary.get("detection_depth_mm" if by_gauge else "detection_surface_depth_mm")
    if depth_mm is None or limit.figure not in ("depth", "distortion"):
        return None
    if limit.figure == "depth":
        return float(depth_mm)
    # the shortest wave of the band makes most distortion of a depth: D = 4 pi^2 W / L^2
    shortest_mm = float(summary["settings"]["waves"]["band_min_mm"])
    return 4.0 * math.pi**2 * float(depth_mm) / shortest_mm**2 * 1e6


def _bias(limit: Limit, summary: Mapping[str, Any], where: str) -> float:
    """Expected upward bias of a maximum; of a grid zone its own where stated."""
    key = f"{limit.variable}_{FIGURES[limit.figure][0]}"
    figures = [summary.get(key)]
    if GRID_ZONE.fullmatch(limit.zone):
        figures.insert(0, grid_cell(limit.zone, summary, where).get("figures", {}).get(key))
    for figure in figures:
        if isinstance(figure, Mapping) and figure.get("max_bias") is not None:
            return max(0.0, float(figure["max_bias"]))
    return 0.0


def _decide_edges(limit: Limit, summary: Mapping[str, Any], k: float) -> Decision:
    """Bow or edge lift: the largest size over the edges that the limit names."""
    table = _edge_figures(limit, summary)
    names: tuple[str, ...] = (limit.zone,)
    if limit.zone == "all":
        names = tuple(table)
    elif limit.zone == "diagonals":
        names = tuple(name for name in table if name not in EDGES)
    sizes = {
        name: abs(float(value))
        for name in names
        if (value := table.get(name)) is not None
    }
    if len(sizes) < len(names) or not sizes:
        absent = ", ".join(name for name in names if name not in sizes)
        why = f"it could not be measured at: {absent}"
        return Decision("undecided", why=why, cause="not measured")
    worst = max(sizes, key=sizes.__getitem__)
    value, u = sizes[worst], limit.uncertainty
    if u is None:
        why = "its uncertainty is not known"
        return Decision("undecided", value, why=why, cause="uncertainty")
    verdict = decide(value, u, limit.limit, coverage_factor=k)
    where = DIAGONALS.get(worst, f"{worst}{'-hand' if worst in ('left', 'right') else ''} edge")
    cause = "guard band" if verdict == "undecided" else ""
    band = (value - k * u, value + k * u)
    return Decision(verdict, value, u, *band, why=where, cause=cause, edge=worst)


def _edge_figures(limit: Limit, summary: Mapping[str, Any]) -> Mapping[str, float | None]:
    """Figure of every edge, in the limit's unit."""
    if limit.figure == "bow":
        return dict(summary[f"bow_{limit.unit}"])
    if limit.statistic == "max":
        return dict(summary["edge_lift_mm"])
    return {edge: detail["mean"] for edge, detail in summary["edge_lift_detail"].items()}


def _reason(limit: Limit, decision: Decision, k: float) -> dict[str, Any]:
    probability = None
    if decision.value is not None and decision.uncertainty:
        probability = NormalDist().cdf((limit.limit - decision.value) / decision.uncertainty)
    place = decision.place
    return {
        "limit": {
            "figure": limit.figure,
            "convention": limit.convention,
            "statistic": limit.statistic,
            "zone": limit.zone,
            "ends_mm": limit.ends_mm,
            "limit": limit.limit,
            "unit": limit.unit,
            "threshold": limit.threshold,
            "source": limit.source,
        },
        "value": decision.value,
        "uncertainty": decision.uncertainty,
        "bias": decision.bias,
        "lower": decision.lower,
        "upper": decision.upper,
        "conformance_probability": probability,
        "coverage": decision.coverage,
        "verdict": decision.verdict,
        "cause": decision.cause or None,
        "edge": decision.edge or None,
        "place": None if place is None else {"x_mm": place[0], "y_mm": place[1]},
        "sentence": sentence_of(limit, decision, k),
    }
