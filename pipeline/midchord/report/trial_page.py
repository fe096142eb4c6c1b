"""The page of a trial: what the setting did, where, how sure, and how many lites it takes.

Self-contained HTML. Numbers are rounded here, by the digits that their standard errors earn.
"""

from __future__ import annotations

import base64
import math
from typing import Any

import midchord
from midchord.report import trial_pictures as pictures
from midchord.report.house_style import shown
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled
from midchord.trial import Contrast, Trial
from midchord.trial_facts import LABELS, conclusions, doubts
from midchord.trials.permutation import Compared
from midchord.trials.recipe import RecipeColumn

__all__ = ["trial_page"]


def trial_page(trial: Trial) -> str:
    """The page as one HTML file that needs nothing else."""
    return filled(
        "trial_page.html.j2",
        verdict=_verdict(trial),
        conclusions=conclusions(trial),
        doubts=doubts(trial),
        about=_about(trial),
        lites=_picture(
            pictures.lites(trial), "The figure of every lite by setting, with means.",
            "Every lite, side by side in the order of scanning; lines: means"
            + ("; thin: pairs." if trial.paired else "."),
        ),
        contrasts=[_contrast(trial, one) for one in trial.contrasts],
        reference=trial.reference,
        unit=trial.unit,
        level=f"{100 * trial.settings.test.level:g}",
        chance=f"{100 * trial.settings.power.power:g}",
        what="pairs" if trial.paired else "lites of each setting",
        settings=[(f"{group}.{key}", str(value)) for group, values in
                  trial.settings.model_dump(mode="json").items() for key, value in values.items()],
        version=midchord.__version__,
        cautions=CAUTIONS,
    )  # fmt: skip


def _verdict(trial: Trial) -> dict[str, str]:
    alpha = (1 - trial.settings.test.level) / len(trial.contrasts)
    hits = [one for one in trial.contrasts if float(one.whole.p_adjusted[0]) <= alpha]
    if not hits:
        return {"kind": "undecided", "mark": "○", "words": "No effect on a whole lite is shown"}
    best = max(hits, key=lambda one: abs(float(one.whole.t[0])))
    value, se = float(best.whole.difference[0]), float(best.whole.se[0])
    way = "raises" if value > 0 else "lowers"
    return {
        "kind": "within", "mark": "●",
        "words": f"{best.setting} {way} the {LABELS[trial.settings.figure.name]} by "
                 f"{shown(abs(value), se)} {trial.unit}",
    }  # fmt: skip


def _about(trial: Trial) -> list[tuple[str, str]]:
    counts = {name: sum(lite.setting == name for lite in trial.lites)
              for name in [trial.reference, *(one.setting for one in trial.contrasts)]}  # fmt: skip
    whole = trial.contrasts[0].whole
    ways = "all" if whole.exact else "a seeded sample of"
    return [
        ("Lites", ", ".join(f"{count} with {name}" for name, count in counts.items())
                  + (", in pairs" if trial.paired else ", in two groups" if len(counts) == 2
                     else ", in groups")),
        ("Figure", f"{trial.settings.figure.statistic} {LABELS[trial.settings.figure.name]} of the "
                   f"clear points, in {trial.unit}"),
        ("Test", f"{ways} {whole.ways} permutations, largest |t|: intervals and p-values hold for "
                 "all cells together, for all zones together, and for the whole lite"),
    ]  # fmt: skip


def _contrast(trial: Trial, one: Contrast) -> dict[str, Any]:
    map_picture = pictures.effect(trial, one)
    rows = [_row("whole lite", one.whole, 0)]
    rows += [_row(f"zone {name}", one.zones, n) for n, name in enumerate(one.zone_names)]
    return {
        "setting": one.setting,
        "map": None if map_picture is None else _picture(
            map_picture, "Maps: difference by cell, and the reference.",
            f"On the {trial.settings.map.frame} frame, cells of "
            f"{trial.settings.map.cell_mm:g} mm. Dots: cells that show an effect, all cells "
            "together held at the level. Grey: too few lites have a value.",
        ),
        "zones": _picture(
            pictures.zones(trial, one), "Differences with intervals, whole lite and zones.",
            "Filled: shown. Lines: intervals, of all zones together; the whole lite by itself.",
        ),
        "rows": rows,
        "recipe": [_recipe(column) for column in one.recipe],
        "power": None if one.power is None else {
            "sd": shown(one.power.sd), "upper": shown(one.power.upper_sd),
            "lites": str(one.power.lites), "detectable": shown(one.power.detectable),
            "rows": [
                {
                    "effect": f"{needed.effect:g}",
                    "whole": _count(needed.lites),
                    "whole_upper": _count(needed.lites_at_upper_sd),
                    "zone": _count(one.power.zone[n].lites) if one.power.zone else "–",
                }
                for n, needed in enumerate(one.power.whole)
            ],
        },
    }  # fmt: skip


def _row(name: str, of: Compared, n: int) -> dict[str, str]:
    se = float(of.se[n])
    low, high = float(of.low[n]), float(of.high[n])
    return {
        "name": name,
        "reference": shown(float(of.mean_a[n]), se),
        "setting": shown(float(of.mean_b[n]), se),
        "difference": shown(float(of.difference[n]), se),
        "between": f"{shown(low, se)} to {shown(high, se)}" if math.isfinite(low) else "–",
        "p": _p(float(of.p_adjusted[n])),
        "lites": f"{of.lites[n][0]:.0f} / {of.lites[n][1]:.0f}",
    }


def _recipe(column: RecipeColumn) -> dict[str, str]:
    slope = "–"
    if column.slope is not None and column.low is not None and column.high is not None:
        u = (column.high - column.low) / 4
        ends = f"{shown(column.low, u)} to {shown(column.high, u)}"
        slope = f"{shown(column.slope, u)} ({ends})"
    return {
        "column": column.column,
        "reference": shown(column.mean_reference),
        "setting": shown(column.mean_setting),
        "p_balance": _p(column.p_balance),
        "slope": slope,
        "p_slope": _p(column.p_slope),
    }


def _count(count: int | None) -> str:
    return "over a million" if count is None else str(count)


def _p(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:.4f}" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def _picture(content: bytes, alt: str, caption: str) -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}
