"""A trial in words and numbers: sentences, the content of ``trial.json``, tables. Unrounded but for
the sentences.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

import midchord
from midchord.trial import SCHEMA_VERSION, Contrast, PowerStudy, Trial
from midchord.trials.permutation import Compared

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "LABELS",
    "cell_table",
    "conclusions",
    "doubts",
    "lite_table",
    "trial_facts",
    "zone_rows",
]

LABELS = {
    "gauge_distortion": "distortion (gauge)",
    "surface_distortion": "distortion (surface)",
    "depth": "depth (gauge)",
    "surface_depth": "depth (surface)",
    "wavelength": "wavelength",
}
CONFOUNDED = 0.05
"""p of a column of recipe data, below which its difference between settings is named."""


def conclusions(trial: Trial) -> list[str]:
    """Sentences, the most important first."""
    said = []
    for one in trial.contrasts:
        said.append(_whole_words(trial, one))
        said.append(_place_words(trial, one))
        said += [_power_words(trial, one, one.power)] if one.power is not None else []
    return said


def _figure(trial: Trial) -> str:
    return f"{trial.settings.figure.statistic} {LABELS[trial.settings.figure.name]}"


def _amount(value: float) -> str:
    return f"{value:.3g}".replace("-", "−")


def _whole_words(trial: Trial, one: Contrast) -> str:
    whole, unit, level = one.whole, trial.unit, 100 * trial.settings.test.level
    difference = float(whole.difference[0])
    if not math.isfinite(difference):
        return f"{one.setting!r} cannot be compared: its lites show no wave."
    p = float(whole.p_adjusted[0])
    p_level = 1 - _level(trial)
    way = "more" if difference > 0 else "less"
    head = (
        f"With {one.setting!r} the {_figure(trial)} of a lite is {_amount(abs(difference))} {unit} "
        f"{way} than with {trial.reference!r}"
    )
    low, high = float(whole.low[0]), float(whole.high[0])
    between = (
        f" ({level:g} %: {_amount(low)} to {_amount(high)} {unit}, p = {p:.2g})"
        if math.isfinite(low)
        else f" (p = {p:.2g})"
    )
    if whole.least_p > p_level + 1e-9:
        return (
            f"{head}{between}; so few lites cannot show any effect: no p-value below "
            f"{whole.least_p:.2g} is possible."
        )
    if p <= p_level:
        return f"{head}{between}."
    return f"No effect is shown: {head[0].lower()}{head[1:]}{between}."


def _level(trial: Trial) -> float:
    """Of one setting, where several share the family."""
    return 1 - (1 - trial.settings.test.level) / len(trial.contrasts)


def _place_words(trial: Trial, one: Contrast) -> str:
    alpha = 1 - _level(trial)
    hits = [
        (name, float(one.zones.difference[n]))
        for n, name in enumerate(one.zone_names)
        if np.nan_to_num(one.zones.p_adjusted[n], nan=1.0) <= alpha
    ]
    cells = int((np.nan_to_num(one.cells.p_adjusted, nan=1.0) <= alpha).sum())
    where = f"{cells} of {one.cells.t.size} cells of the effect map"
    if not hits and not cells:
        return f"{one.setting!r}: no zone and no cell of the map shows an effect by itself."
    if not hits:
        return f"{one.setting!r}: {where} show an effect, no zone by itself does."
    names = ", ".join(f"{name} ({_amount(d)} {trial.unit})" for name, d in hits)
    zone = "zone" if len(hits) == 1 else "zones"
    return f"{one.setting!r}: {zone} {names} and {where} show an effect."


def _power_words(trial: Trial, one: Contrast, power: PowerStudy) -> str:
    what = "pairs" if trial.paired else "lites of each setting"
    chance = 100 * trial.settings.power.power
    first = power.whole[len(power.whole) // 2]
    wanted = "more than a million" if first.lites is None else str(first.lites)
    return (
        f"{power.lites} {what} show an effect of {_amount(power.detectable)} {trial.unit} on a "
        f"whole lite with a chance of {chance:g} %; for {first.effect:g} {trial.unit} it takes "
        f"{wanted} {what}."
    )


def doubts(trial: Trial) -> list[str]:
    """What makes the result less sure."""
    said = list(trial.remarks)
    for one in trial.contrasts:
        said += [
            f"{column.column} differs between {trial.reference!r} and {one.setting!r}, too (p = "
            f"{column.p_balance:.2g}): its effect cannot be told from that of the setting."
            for column in one.recipe
            if column.p_balance is not None and column.p_balance < CONFOUNDED
        ]
        if np.isfinite(one.cells.critical) or one.cells.least_p <= 1 - _level(trial):
            continue
        said.append(
            f"{one.setting!r}: no intervals, since even the most extreme order of so few lites has "
            f"a chance of {one.cells.least_p:.2g}."
        )
    if trial.lost:
        rows = "; ".join(f"row {row}, {lite}: {why}" for row, lite, why in trial.lost[:6])
        more = f"; and {len(trial.lost) - 6} more" if len(trial.lost) > 6 else ""
        said.append(f"{len(trial.lost)} lites of the plan do not take part ({rows}{more}).")
    return said


def trial_facts(trial: Trial) -> dict[str, Any]:
    """The content of ``trial.json``; its schema is ``trial.schema.json``."""
    return {
        "schema_version": SCHEMA_VERSION,
        "program_version": midchord.__version__,
        "conclusions": conclusions(trial),
        "doubts": doubts(trial),
        "figure": trial.key,
        "statistic": trial.settings.figure.statistic,
        "unit": trial.unit,
        "frame": trial.settings.map.frame,
        "reference": trial.reference,
        "paired": trial.paired,
        "lites": {
            "count": len(trial.lites),
            "by_setting": {
                name: sum(lite.setting == name for lite in trial.lites)
                for name in dict.fromkeys(lite.setting for lite in trial.lites)
            },
            "lost": [{"row": row, "lite_id": lite, "reason": why} for row, lite, why in trial.lost],
        },
        "grid": {"x_mm": trial.grid.x_mm, "y_mm": trial.grid.y_mm},
        "contrasts": [_contrast(trial, one) for one in trial.contrasts],
        "settings": trial.settings.model_dump(mode="json"),
    }


def _contrast(trial: Trial, one: Contrast) -> dict[str, Any]:
    maps = {
        name: [[_finite(v) for v in row] for row in one.on_grid(getattr(one.cells, name))]
        for name in ("difference", "low", "high", "p_adjusted")
    }
    return {
        "setting": one.setting,
        "counts": list(one.lites),
        "whole": _row(one.whole, 0),
        "zones": [{"zone": name, **_row(one.zones, n)} for n, name in enumerate(one.zone_names)],
        "cells": maps,
        "permutations": {
            "ways": one.whole.ways,
            "exact": one.whole.exact,
            "least_p": one.whole.least_p,
            "critical_whole": _finite(one.whole.critical),
            "critical_zones": _finite(one.zones.critical),
            "critical_cells": _finite(one.cells.critical),
        },
        "recipe": [column._asdict() for column in one.recipe],
        "power": None if one.power is None else {
            **one.power._asdict(),
            "whole": [needed._asdict() for needed in one.power.whole],
            "zone": [needed._asdict() for needed in one.power.zone],
        },
    }  # fmt: skip


def _row(of: Compared, n: int) -> dict[str, Any]:
    names = {"reference": of.mean_a, "setting_mean": of.mean_b, "difference": of.difference,
             "standard_error": of.se, "low": of.low, "high": of.high, "p_single": of.p_single,
             "p_adjusted": of.p_adjusted}  # fmt: skip
    row: dict[str, Any] = {name: _finite(values[n]) for name, values in names.items()}
    return {**row, "counts": [int(v) for v in of.lites[n]]}


def _finite(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def zone_rows(trial: Trial) -> pd.DataFrame:
    """The whole lite and every zone, for every setting, one a row."""
    import pandas as pd

    rows = []
    for one in trial.contrasts:
        named = [("whole lite", one.whole, 0)]
        named += [(name, one.zones, n) for n, name in enumerate(one.zone_names)]
        for name, of, n in named:
            row = _row(of, n)
            first, second = row.pop("counts")
            rows.append({"setting": one.setting, "reference_setting": trial.reference,
                         "zone": name, "unit": trial.unit, **row, "lites_reference": first,
                         "lites_setting": second})  # fmt: skip
    return pd.DataFrame(rows)


def cell_table(trial: Trial) -> pd.DataFrame:
    """Every cell of every effect map that has a value, one a row; mm and the figure's unit."""
    import pandas as pd

    x, y = trial.grid.x_mm, trial.grid.y_mm
    parts = []
    for one in trial.contrasts:
        row, column = np.nonzero(one.shown)
        parts.append(
            pd.DataFrame(
                {
                    "setting": one.setting,
                    "x_from_mm": x[row],
                    "x_to_mm": x[row + 1],
                    "y_from_mm": y[column],
                    "y_to_mm": y[column + 1],
                    "reference": one.cells.mean_a,
                    "difference": one.cells.difference,
                    "low": one.cells.low,
                    "high": one.cells.high,
                    "p_adjusted": one.cells.p_adjusted,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def lite_table(trial: Trial) -> pd.DataFrame:
    """Every lite that took part with its setting, recipe data and figures, one a row."""
    import pandas as pd

    number_of = {lite: number for number, lite in enumerate(trial.plan.lite_ids)}
    rows = []
    for lite in trial.lites:
        number = number_of[lite.lite_id]
        rows.append(
            {
                "lite_id": lite.lite_id,
                "scanned_at": lite.scanned_at,
                "setting": lite.setting,
                "pair": lite.pair,
                **{name: float(values[number]) for name, values in trial.plan.recipe.items()},
                f"{trial.key}.{trial.settings.figure.statistic}": lite.whole,
                **{f"{trial.key}.{trial.settings.figure.statistic}@{zone}": value
                   for zone, value in lite.zones.items()},
            }
        )  # fmt: skip
    return pd.DataFrame(rows)
