"""A drift in words and numbers: sentences, the content of ``drift.json``, tables. Unrounded but for
the sentences.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

import midchord
from midchord.charts.change_point import Change
from midchord.charts.figures import name_of, unit_of
from midchord.charts.limits import run_lengths
from midchord.charts.run_length import ewma_sd
from midchord.charts.running import Signal
from midchord.charts.seasons import Part, Split
from midchord.drift import SCHEMA_VERSION, Charted, Drift
from midchord.statistics.false_discovery import holm

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CHART_NAMES",
    "SHIFTS_SD",
    "change_words",
    "chart_table",
    "conclusions",
    "doubts",
    "drift_facts",
    "signal_table",
    "size_of",
    "state_table",
]

CHART_NAMES = {
    "individuals": "individuals",
    "moving_range": "moving range",
    "ewma": "EWMA",
    "cusum": "CUSUM",
}
SHIFTS_SD = (0.0, 1.0, 2.0, 3.0)
"""Steps for which run lengths are stated."""
MOST_SAID = 4
TOLD_APART = 0.9
"""Chance of the likelier kind of change, below which a doubt is said."""


def conclusions(drift: Drift) -> list[str]:
    """Sentences, the most important first."""
    first, said = drift.first_signal, []
    if first is None:
        said.append(
            f"No change is seen: none of {drift.chart_count} charts left its limits in the "
            f"{drift.watched} lites behind the first phase."
        )
    else:
        charted, signal = drift.signals[0]
        others = len({one.series for one, s in drift.signals if s.first == first}) - 1
        also = f", and {others} more figure{'s' * (others > 1)} with it" if others else ""
        said.append(
            f"Lite {_lite(drift, first)} is the first outside the limits: "
            f"{name_of(charted.series)} ({CHART_NAMES[signal.chart]}, "
            f"{_way(signal)}){also}."
        )
    changed = sorted(
        (one for one in drift.charted if one.change is not None),
        key=lambda one: (one.is_zone, _begin(one), -abs(_change(one).size)),
    )
    said += [change_words(drift, one) for one in changed[:MOST_SAID]]
    if len(changed) > MOST_SAID:
        said.append(f"{len(changed) - MOST_SAID} more figures changed: see the table.")
    alone = [one for one in drift.charted if one.signals and one.change is None]
    for one in alone[:MOST_SAID]:
        signal = one.signals[0]
        said.append(
            f"{_capital(name_of(one.series))}: lite {_lite(drift, signal.first)} alone stands out, "
            "and nothing lasting is seen."
        )
    said.append(
        f"The limits let all {drift.chart_count} charts together give one false alarm in "
        f"{drift.settings.false_alarms.lites:g} lites on average: a chance of at most "
        f"{100 * drift.false_alarm_chance:.2g} % in the {drift.watched} lites watched."
    )
    return said


def change_words(drift: Drift, one: Charted) -> str:
    """When a figure changed, how, and by how much."""
    change = _change(one)
    size, unit = size_of(one), unit_of(one.series)
    amount = f"{abs(size):.2g} {unit}".strip() if not one.baseline.logarithm else (
        f"{100 * abs(size):.2g} %"
    )  # fmt: skip
    way = "up" if change.size > 0 else "down"
    what = f"a step {way} by {amount}" if change.kind == "step" else (
        f"a ramp {way} by {amount} a lite"
    )  # fmt: skip
    told = max(change.p_step, 1 - change.p_step) >= TOLD_APART
    sure = "" if told else "; step and ramp are hardly told apart"
    per, digits = ("", 1) if change.kind == "step" else (" a lite", 2)
    return (
        f"{_capital(name_of(one.series))} changed with lite {drift.figures.lite_ids[change.first]} "
        f"(no. {change.first + 1}; {100 * drift.settings.changes.level:g} %: {change.low + 1} to "
        f"{change.high + 1}): {what}, {abs(change.size):.{digits}f} ± "
        f"{change.u_size:.{digits}f} standard deviations{per}{sure}."
    )


def size_of(one: Charted) -> float:
    """Size of its change in the figure's unit, or relative where logarithms are charted."""
    size = _change(one).size * one.baseline.sd
    return math.expm1(size) if one.baseline.logarithm else size


def _change(one: Charted) -> Change:
    if one.change is None:
        raise ValueError(f"{one.series} did not change")
    return one.change


def _begin(one: Charted) -> int:
    return _change(one).first


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _way(signal: Signal) -> str:
    return {"up": "high", "down": "low"}.get(signal.direction, "a jump")


def _lite(drift: Drift, number: int) -> str:
    return f"{drift.figures.lite_ids[number]} (no. {number + 1})"


def doubts(drift: Drift) -> list[str]:
    """What makes the limits less sure, and what was not charted."""
    said, level = list(drift.remarks), drift.settings.first_phase.check_level
    for one, p in zip(drift.charted, _holm(drift, "p_steady"), strict=True):
        if p < level:
            near = _lite(drift, one.baseline.change_at)
            said.append(
                f"{_capital(name_of(one.series))} is not steady in the first phase itself (p = "
                f"{p:.2g}, near lite {near}): its limits are too wide. Take other lites for it."
            )
    for one, p in zip(drift.charted, _holm(drift, "p_normal"), strict=True):
        if p < level:
            said.append(
                f"{_capital(name_of(one.series))} is not normal in the first phase (p = {p:.2g}): "
                "single lites outside its limits may be more frequent than stated."
            )
    lagged = [one for one in drift.charted if one.baseline.lag.coefficient]
    pooled, p_pooled = drift.pooled_lag
    if p_pooled < drift.settings.first_phase.pooled_lag_level:
        lowest, highest = (f([o.baseline.lag.coefficient for o in lagged]) for f in (min, max))
        said.append(
            f"Lites depend on the lite before (mean autocorrelation of all figures {pooled:.2f}, p "
            f"= {p_pooled:.2g}): residuals of an AR(1) with {lowest:.2f} to {highest:.2f} are "
            "charted for all of them, in which a step shows less from its second lite on."
        )
        lagged = []
    for one in lagged:
        lag = one.baseline.lag
        said.append(
            f"{_capital(name_of(one.series))} depends on the lite before (autocorrelation "
            f"{lag.found:.2f}): residuals of an AR(1) with {lag.coefficient:.2f} are charted, in "
            f"which a step shows with {100 * (1 - lag.coefficient):.0f} % of its size from its "
            "second lite on."
        )
    for one, p in zip(drift.charted, _holm_of([o.baseline.lag.p_rest for o in drift.charted]),
                      strict=True):  # fmt: skip
        if p < level:
            said.append(
                f"{_capital(name_of(one.series))} has a memory that an AR(1) does not explain (p = "
                f"{p:.2g}): its false alarms are more frequent than stated."
            )
    for one in drift.charted:
        outliers = np.flatnonzero(one.baseline.is_outlier)
        if outliers.size:
            names = ", ".join(drift.figures.lite_ids[n] for n in outliers[:6])
            said.append(
                f"{_capital(name_of(one.series))}: {outliers.size} outlier"
                f"{'s' * (outliers.size > 1)} left out of the first phase ({names}"
                f"{' ...' * (outliers.size > 6)})."
            )
    said += [f"{_capital(name_of(name))} is not charted: {why}."
             for name, why in drift.not_charted]  # fmt: skip
    return said


def _holm(drift: Drift, which: str) -> list[float]:
    return _holm_of([float(getattr(one.baseline, which)) for one in drift.charted])


def _holm_of(p_values: list[float]) -> list[float]:
    return [float(p) for p in holm(p_values)]


def drift_facts(drift: Drift) -> dict[str, Any]:
    """The content of ``drift.json``; its schema is ``drift.schema.json``."""
    figures = drift.figures
    ids = figures.lite_ids
    first = drift.first_signal
    return {
        "schema_version": SCHEMA_VERSION,
        "program_version": midchord.__version__,
        "conclusions": conclusions(drift),
        "doubts": doubts(drift),
        "lites": {
            "count": len(figures),
            "first_phase": drift.first_phase,
            "watched": drift.watched,
            "first_id": ids[0],
            "last_of_first_phase_id": ids[drift.first_phase - 1],
            "last_id": ids[-1],
        },
        "false_alarms": {
            "one_in_lites": drift.settings.false_alarms.lites,
            "charts": drift.chart_count,
            "chance_at_most": drift.false_alarm_chance,
        },
        "memory": {"mean_autocorrelation": drift.pooled_lag[0], "p_value": drift.pooled_lag[1]},
        "first_signal": None if first is None else {"lite": first + 1, "lite_id": ids[first]},
        "signals": [_signal(drift, one, signal) for one, signal in drift.signals],
        "changes": [_changed(drift, one) for one in drift.charted if one.change is not None],
        "charts": [_charted(drift, one) for one in drift.charted],
        "not_charted": [{"series": name, "reason": why} for name, why in drift.not_charted],
        "settings": drift.settings.model_dump(mode="json"),
    }


def _named(series: str) -> dict[str, Any]:
    figure, _, zone = series.partition("@")
    return {"series": series, "figure": figure, "zone": zone or None, "unit": unit_of(series)}


def _signal(drift: Drift, one: Charted, signal: Signal) -> dict[str, Any]:
    ids, times = drift.figures.lite_ids, drift.figures.scanned_at
    return {
        "lite_id": ids[signal.first],
        "lite": signal.first + 1,
        "scanned_at": times[signal.first] or None,
        **_named(one.series),
        "chart": signal.chart,
        "direction": signal.direction,
        "last_lite_id": ids[signal.last],
        "largest_sd": signal.largest,
        "limit_sd": signal.limit,
    }


def _changed(drift: Drift, one: Charted) -> dict[str, Any]:
    change, ids = _change(one), drift.figures.lite_ids
    return {
        **_named(one.series),
        "first_lite_id": ids[change.first],
        "first_lite": change.first + 1,
        "interval_lite_ids": [ids[change.low], ids[change.high]],
        "interval_lites": [change.low + 1, change.high + 1],
        "level": drift.settings.changes.level,
        "kind": change.kind,
        "p_step": change.p_step,
        "size_sd": change.size,
        "u_size_sd": change.u_size,
        "size": size_of(one),
        "size_is": "relative" if one.baseline.logarithm else "in the unit",
        "per_lite": change.kind == "ramp",
    }


def _charted(drift: Drift, one: Charted) -> dict[str, Any]:
    base, limits, s = one.baseline, one.limits, drift.settings.charts
    ids = drift.figures.lite_ids
    return {
        **_named(one.series),
        "logarithm": base.logarithm,
        "mean": base.mean,
        "sd": base.sd,
        "sd_charted": base.sd_step,
        "values": base.doubt.values,
        "degrees_of_freedom": base.doubt.dof,
        "outlier_ids": [ids[n] for n in np.flatnonzero(base.is_outlier)],
        "limits_sd": {
            "individuals": limits.individuals,
            "moving_range": limits.moving_range,
            "ewma": limits.ewma_width * ewma_sd(s.ewma_weight),
            "cusum": limits.cusum_interval,
        },
        "ewma_width": limits.ewma_width,
        "individuals_limits": [one.level(-limits.individuals), one.level(limits.individuals)],
        "lites_per_false_alarm": dict(
            zip(CHART_NAMES, (1 / (one.rate * share) for share in s.shares), strict=True)
        ),
        "run_lengths": [
            {"step_sd": shift, **run_lengths(limits, shift, ewma_weight=s.ewma_weight,
                                             cusum_reference=s.cusum_reference)}
            for shift in SHIFTS_SD
        ],
        "autocorrelation": base.lag._asdict(),
        "p_steady": base.p_steady,
        "p_normal": base.p_normal,
        "season": None if one.season is None else _season(one.season),
    }  # fmt: skip


def _season(season: Split) -> dict[str, Any]:
    def part(of: Part) -> dict[str, Any]:
        return of._asdict()

    return {
        "shift": part(season.shift),
        "day": part(season.day),
        "rest_sd": season.rest_sd,
        "shift_means": [mean._asdict() for mean in season.means],
    }


def signal_table(drift: Drift) -> pd.DataFrame:
    """Every signal, one a row."""
    import pandas as pd

    columns = ("lite_id", "lite", "scanned_at", "series", "figure", "zone", "unit", "chart",
               "direction", "last_lite_id", "largest_sd", "limit_sd")  # fmt: skip
    rows = [_signal(drift, one, signal) for one, signal in drift.signals]
    return pd.DataFrame(rows, columns=list(columns))


def chart_table(drift: Drift) -> pd.DataFrame:
    """Every figure with its limits, one a row."""
    import pandas as pd

    rows = []
    for one in drift.charted:
        facts = _charted(drift, one)
        limits, lag = facts.pop("limits_sd"), facts.pop("autocorrelation")
        low, high = facts.pop("individuals_limits")
        for key in ("run_lengths", "season", "lites_per_false_alarm"):
            facts.pop(key)
        facts["outlier_ids"] = "; ".join(facts["outlier_ids"])
        change = one.change
        rows.append(
            {
                **facts,
                **{f"limit_{name}_sd": value for name, value in limits.items()},
                "individuals_low": low,
                "individuals_high": high,
                "autocorrelation": lag["found"],
                "p_autocorrelation": lag["p_value"],
                "ar_coefficient": lag["coefficient"],
                "first_signal_id": drift.figures.lite_ids[one.signals[0].first]
                if one.signals else None,
                "change_id": None if change is None else drift.figures.lite_ids[change.first],
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def state_table(drift: Drift) -> pd.DataFrame:
    """The state of every chart after every lite behind the first phase, one a row."""
    import pandas as pd

    parts = []
    for one in drift.charted:
        t = one.tracks
        parts.append(
            pd.DataFrame(
                {
                    "lite_id": drift.figures.lite_ids[drift.first_phase :],
                    "series": one.series,
                    "value": one.values[drift.first_phase :],
                    "individuals_sd": t.individuals,
                    "moving_range_sd": t.moving_range,
                    "ewma_sd": t.ewma,
                    "cusum_up_sd": t.cusum_up,
                    "cusum_down_sd": t.cusum_down,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
