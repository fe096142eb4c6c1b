"""Which lites take part in a trial: those of the plan of which there are maps, in whole pairs."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, NamedTuple

import xarray as xr

from midchord.trials.cells import Cells, cell_means
from midchord.trials.plan import Plan
from midchord.trials.trial_settings import TrialSettings
from midchord_io.errors import ScanError

__all__ = ["TrialLite", "check_counts", "gather", "order_remarks", "whole_pairs"]

LEAST_LITES = 2


class TrialLite(NamedTuple):
    """A lite that takes part: its figures, whole (NaN: none) and by zone."""

    lite_id: str
    scanned_at: str
    setting: str
    pair: str
    whole: float
    zones: dict[str, float]
    cells: Cells


def gather(
    lites: Iterable[xr.Dataset], plan: Plan, s: TrialSettings
) -> tuple[list[TrialLite], list[str]]:
    """The lites of the plan of which there are maps, in its order, and remarks.

    Raises  SettingsError: maps of a lite that has no row; ScanError: two of one name, or none
    """
    places = {lite: number for number, lite in enumerate(plan.lite_ids)}
    key = f"{s.figure.name}_{'mdpt' if 'distortion' in s.figure.name else 'mm'}"
    found: dict[str, TrialLite] = {}
    makes: set[str] = set()
    for maps in lites:
        facts = json.loads(maps.attrs["summary"])
        name = str(facts["lite_id"])
        if name in found:
            raise ScanError(
                name, found="two of the maps are of a lite of this name", needed="each lite once",
                do="leave one of the two out",
            )  # fmt: skip
        if name not in places:
            raise plan.fault(f"it has no row for lite {name!r}, of which there are maps")
        number = places[name]
        zones = {
            str(zone["name"]): _number(zone["figures"][key][s.figure.statistic])
            for zone in facts["zones"]
            if str(zone["name"]).startswith("r") and key in zone["figures"]
        }
        cells = cell_means(maps, s.figure.name, least_fill=s.map.least_fill, frame=s.map.frame,
                           cell_mm=s.map.cell_mm, points=s.map.points)  # fmt: skip
        makes.add(str(facts.get("settings")))
        found[name] = TrialLite(
            name, str(facts.get("scanned_at") or ""), plan.settings[number],
            plan.pairs[number] if plan.pairs is not None else "",
            _number(facts[key][s.figure.statistic]), zones, cells,
        )  # fmt: skip
    if not found:
        raise ScanError(
            "the lites", found="there are none", needed="maps of the lites of the plan",
            do="name their files",
        )  # fmt: skip
    remarks = []
    if len(makes) > 1:
        remarks.append("Not all lites were processed with the same settings of midchord.")
    return [found[name] for name in plan.lite_ids if name in found], remarks


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def whole_pairs(
    taken: list[TrialLite], levels: tuple[str, ...]
) -> tuple[list[TrialLite], list[TrialLite]]:
    """Lites of pairs that hold the reference and another setting, and the others."""
    seen: dict[str, set[str]] = {}
    for lite in taken:
        seen.setdefault(lite.pair, set()).add(lite.setting)
    is_whole = {
        pair: bool(pair) and levels[0] in found and len(found) > 1 for pair, found in seen.items()
    }
    return [x for x in taken if is_whole[x.pair]], [x for x in taken if not is_whole[x.pair]]


def check_counts(taken: list[TrialLite], levels: tuple[str, ...], plan: Plan, paired: bool) -> None:
    """Raises ScanError where a setting has too few lites, or whole pairs."""
    for level in levels:
        own = [lite for lite in taken if lite.setting == level]
        count = len({lite.pair for lite in own}) if paired else len(own)
        if count < LEAST_LITES:
            what = "whole pairs" if paired else "lites with maps"
            raise ScanError(
                plan.where,
                found=f"{count} {what} of the setting {level!r}",
                needed=f"at least {LEAST_LITES}, better 6 or more",
                do="name more maps, or correct the plan",
            )


def order_remarks(taken: list[TrialLite], levels: tuple[str, ...], paired: bool) -> list[str]:
    """A plan in which one setting came wholly before another is no randomised one."""
    times = {
        level: sorted(lite.scanned_at for lite in taken if lite.setting == level)
        for level in levels
    }
    said = []
    for level in levels[1:]:
        a, b = times[levels[0]], times[level]
        if paired or not a[0] or not b[0] or len(a) + len(b) < 4:
            continue
        if a[-1] < b[0] or b[-1] < a[0]:
            early, late = (levels[0], level) if a[-1] < b[0] else (level, levels[0])
            said.append(
                f"All lites with {early!r} were scanned before all with {late!r}: whatever else "
                "changed meanwhile shows as an effect of the setting. Only a plan in random order, "
                "or in pairs, can tell the two apart."
            )
    return said
