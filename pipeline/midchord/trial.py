"""A trial: what a change of a setting did to the lites, where on the lite, and how sure.

    maps + plan --cell_means, figures--> reference and setting --compare--> effect map, zone table

Each setting is held against the reference, in pairs where the plan has them. Three questions are
asked, each with its own family of intervals that are all true together with the level: the whole
lite (one figure), the zones of the zone table, the cells of the effect map. With several settings
each family is shared among them (Bonferroni).

Permutations take the lites for exchangeable under "no effect", which a randomised or paired plan
makes true and a plan "first all of this, then all of that" does not: there anything that changed
meanwhile shows as the effect, and the result says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.statistics.false_discovery import holm
from midchord.trials.cells import Grid, stack
from midchord.trials.permutation import Compared, compare_groups, compare_pairs
from midchord.trials.plan import Plan
from midchord.trials.power import Needed, detectable, lites_needed, upper_sd
from midchord.trials.recipe import RecipeColumn, slope_within
from midchord.trials.taking_part import (
    TrialLite,
    check_counts,
    gather,
    order_remarks,
    whole_pairs,
)
from midchord.trials.trial_settings import TrialSettings

__all__ = ["SCHEMA_VERSION", "Contrast", "PowerStudy", "Trial", "trial"]

SCHEMA_VERSION = 1
Floats = npt.NDArray[np.float64]


class PowerStudy(NamedTuple):
    """What the scatter found here means for the next trial.

    sd          between lites of one setting, or of differences of pairs; upper_sd: its 95 % bound
    lites       of each setting (harmonic mean), or pairs
    detectable  smallest effect that as many lites show with the power of the settings
    whole, zone lites of each setting (or pairs) for the effects of the settings, on the whole lite
                and in a typical zone, there at the simultaneous level
    """

    sd: float
    upper_sd: float
    lites: int
    detectable: float
    whole: list[Needed]
    zone: list[Needed]


@dataclass(frozen=True)
class Contrast:
    """One setting against the reference.

    whole, zones, cells  of one figure, of the zones named, of the cells of the grid in row order
    shown                (row, column) cells that have a value
    power                None where nothing scatters
    """

    setting: str
    lites: tuple[int, int]
    whole: Compared
    zone_names: list[str]
    zones: Compared
    cells: Compared
    shown: npt.NDArray[np.bool_]
    recipe: list[RecipeColumn]
    power: PowerStudy | None

    def on_grid(self, values: Floats) -> Floats:
        """(cell,) of ``cells`` put on the grid, (row, column); NaN elsewhere."""
        grid = np.full(self.shown.shape, np.nan)
        grid[self.shown] = values
        return grid


@dataclass(frozen=True)
class Trial:
    """The whole trial.

    grid      edges of the cells and (lite, row, column) values of all lites that took part
    paired    whether settings are compared within pairs
    lost      (row of the plan, lite, why) of lites that do not take part
    """

    plan: Plan
    settings: TrialSettings
    reference: str
    lites: list[TrialLite]
    grid: Grid
    paired: bool
    contrasts: list[Contrast]
    lost: list[tuple[int, str, str]]
    remarks: list[str]

    @property
    def unit(self) -> str:
        """Of the figure."""
        return "mdpt" if "distortion" in self.settings.figure.name else "mm"

    @property
    def key(self) -> str:
        """The figure as the summary names it."""
        return f"{self.settings.figure.name}_{self.unit}"

    def as_dict(self) -> dict[str, Any]:
        """The content of ``trial.json``, by ``trial.schema.json``."""
        from midchord.trial_facts import trial_facts

        return trial_facts(self)


def trial(
    lites: Iterable[xr.Dataset],
    plan: Plan,
    settings: TrialSettings | None = None,
    *,
    reference: str | None = None,
) -> Trial:
    """Hold settings against each other.

    lites      maps, one a lite; each is read once and only its cells are kept
    plan       of ``midchord.trials.plan.read_plan``
    reference  the setting that the others are held against; that of the plan's first row otherwise
    Raises     SettingsError: the plan lacks a lite, or has one setting; ScanError: two of one name,
               too few lites of a setting
    """
    s = settings or TrialSettings.load()
    levels = plan.levels(reference)
    taken, remarks = gather(lites, plan, s)
    there = {lite.lite_id for lite in taken}
    lost = [
        (row, lite, "no maps of it were named")
        for row, lite in zip(plan.rows, plan.lite_ids, strict=True)
        if lite not in there
    ]
    paired = plan.pairs is not None and any(plan.pairs)
    if paired:
        taken, alone = whole_pairs(taken, levels)
        row_of = dict(zip(plan.lite_ids, plan.rows, strict=True))
        lost += [(row_of[lite.lite_id], lite.lite_id, "it has no partner") for lite in alone]
    check_counts(taken, levels, plan, paired)
    grid = stack([lite.cells for lite in taken], s.map.cell_mm)
    contrasts = [
        _contrast(taken, grid, levels[0], level, plan, s, paired, len(levels) - 1)
        for level in levels[1:]
    ]
    remarks += order_remarks(taken, levels, paired)
    if plan.unused:
        remarks.append(
            "Not used, since they hold neither numbers nor times: " + ", ".join(plan.unused) + "."
        )
    return Trial(plan, s, levels[0], taken, grid, paired, contrasts, sorted(lost), remarks)


def _sides(
    taken: list[TrialLite], values: Floats, reference: str, setting: str, paired: bool
) -> tuple[Floats, Floats]:
    """(lite, ...) or (pair, ...) of the reference and of the setting."""
    groups = []
    for level in (reference, setting):
        rows = [number for number, lite in enumerate(taken) if lite.setting == level]
        if not paired:
            groups.append({str(row): [row] for row in rows})
            continue
        by_pair: dict[str, list[int]] = {}
        for row in rows:
            by_pair.setdefault(taken[row].pair, []).append(row)
        groups.append(by_pair)
    keys = [list(group) for group in groups]
    if paired:
        keys = [[pair for pair in keys[0] if pair in groups[1]]] * 2
    first, second = (
        np.stack([values[group[key]].mean(axis=0) for key in names])
        for group, names in zip(groups, keys, strict=True)
    )
    return first, second


def _contrast(
    taken: list[TrialLite],
    grid: Grid,
    reference: str,
    setting: str,
    plan: Plan,
    s: TrialSettings,
    paired: bool,
    family: int,
) -> Contrast:
    compare = compare_pairs if paired else compare_groups
    level = 1 - (1 - s.test.level) / family
    drawn: dict[str, Any] = {
        "level": level, "exact_up_to": s.test.exact_up_to, "seed": s.test.seed,
        "permutations": s.test.permutations,
    }  # fmt: skip

    def compared(values: Floats) -> Compared:
        return compare(*_sides(taken, values, reference, setting, paired), **drawn)

    whole = compared(np.array([[lite.whole] for lite in taken]))
    names = sorted({name for lite in taken for name in lite.zones})
    zones = compared(np.array([[lite.zones.get(name, np.nan) for name in names] for lite in taken]))
    a, b = _sides(taken, grid.values, reference, setting, paired)
    if paired:
        shown = np.isfinite(b - a).mean(axis=0) >= s.map.least_share
    else:
        shown = np.minimum(*(np.isfinite(side).mean(axis=0) for side in (a, b))) >= (
            s.map.least_share
        )
    cells = compare(a[:, shown], b[:, shown], **drawn)
    return Contrast(
        setting, (len(a), len(b)), whole, names, zones, cells, shown,
        _recipe(taken, plan, reference, setting, s, paired, drawn),
        _power(whole, zones, (len(a), len(b)), paired, 1 - level, s),
    )  # fmt: skip


def _power(
    whole: Compared,
    zones: Compared,
    count: tuple[int, int],
    paired: bool,
    alpha: float,
    s: TrialSettings,
) -> PowerStudy | None:
    from scipy.stats import t as student

    def sd_of(se: Floats) -> Floats:
        # of lites: as if both settings had the mean of their variances and these numbers of lites
        return np.asarray(se * np.sqrt(count[0] if paired else 1 / (1 / count[0] + 1 / count[1])))

    sd = float(sd_of(whole.se)[0])
    if not sd > 0:
        return None
    dof = count[0] - 1 if paired else sum(count) - 2
    equal = count[0] if paired else max(2, round(2 / (1 / count[0] + 1 / count[1])))
    upper = upper_sd(sd, dof)
    given: dict[str, Any] = {"power": s.power.power, "paired": paired}

    def needed(of: float, top: float, level: float) -> list[Needed]:
        return [
            Needed(effect, lites_needed(effect, of, alpha=level, **given),
                   lites_needed(effect, top, alpha=level, **given))
            for effect in s.power.effects
        ]  # fmt: skip

    zone_sd = sd_of(zones.se)
    zone_sd = zone_sd[np.isfinite(zone_sd)]
    by_zone: list[Needed] = []
    if zone_sd.size and np.isfinite(zones.critical):
        typical, single = float(np.median(zone_sd)), float(2 * student.sf(zones.critical, dof))
        by_zone = needed(typical, upper_sd(typical, dof), single)
    return PowerStudy(
        sd, upper, equal, detectable(sd, equal, alpha=alpha, **given),
        needed(sd, upper, alpha), by_zone,
    )  # fmt: skip


def _recipe(
    taken: list[TrialLite],
    plan: Plan,
    reference: str,
    setting: str,
    s: TrialSettings,
    paired: bool,
    drawn: dict[str, Any],
) -> list[RecipeColumn]:
    number_of = {lite: number for number, lite in enumerate(plan.lite_ids)}
    rows = [number_of[lite.lite_id] for lite in taken]
    names = list(plan.recipe)
    if not names:
        return []
    table = np.stack([plan.recipe[name][rows] for name in names], axis=1)
    compare = compare_pairs if paired else compare_groups
    balance = compare(*_sides(taken, table, reference, setting, paired), **drawn)
    used = [n for n, lite in enumerate(taken) if lite.setting in (reference, setting)]
    groups = [[taken[n].setting for n in used]]
    if paired:
        groups.append([taken[n].pair for n in used])
    figure = np.array([taken[n].whole for n in used])
    slopes = [
        slope_within(figure, table[used, place], groups, level=s.test.level)
        for place in range(len(names))
    ]
    p_balance = holm(balance.p_single)
    p_slope = holm([np.nan if slope is None else slope[3] for slope in slopes])
    columns = []
    for n, (name, found) in enumerate(zip(names, slopes, strict=True)):
        slope, low, high = (None, None, None) if found is None else found[:3]
        columns.append(
            RecipeColumn(name, _known(balance.mean_a[n]), _known(balance.mean_b[n]),
                         _known(p_balance[n]), slope, low, high, _known(p_slope[n]))
        )  # fmt: skip
    return columns


def _known(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None
