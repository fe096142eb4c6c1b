"""Figures of many lites over time: whether anything changed, from which lite on, and by how much.

    summaries --figures_of--> series --baseline_of--> first phase --limits_for--> limits
    series + limits --run_charts--> signals --change_before--> changes

Each figure of a lite, and each figure of each zone, has four charts: individuals, moving range,
EWMA and CUSUM. Their limits are set so that all charts together give one false alarm in a stated
number of lites, with the doubt of the first phase allowed for (``midchord.charts.limits``).
Autocorrelation in the first phase is tested and, where it is shown, charted as residuals.

A chart says that something changed, never why. The rate of false alarms holds as far as values are
normal in the first phase and an AR(1) is all the memory they have; both are tested, and a doubt is
said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.charts.change_point import Change, change_before
from midchord.charts.drift_settings import DriftSettings
from midchord.charts.figures import Figures, figures_of
from midchord.charts.first_phase import Baseline, Unchartable, baseline_of, pooled_lag
from midchord.charts.limits import Limits, limits_for
from midchord.charts.running import Signal, Tracks, run_charts, signals_of
from midchord.charts.seasons import Split, days_and_shifts, split
from midchord_io.errors import ScanError

__all__ = ["SCHEMA_VERSION", "Charted", "Drift", "drift"]

SCHEMA_VERSION = 1
EVERY_LAG = 1.1
"""Level at which every autocorrelation is taken out."""
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Charted:
    """One figure with its charts.

    series   "FIGURE" or "FIGURE@ZONE"
    values   (lite,) as measured, less the means of shifts where those are removed
    z        (lite,) standardised; NaN: no value, or an outlier of the first phase
    tracks   (lite,) behind the first phase
    signals  in the order of the lites, counted from 0 over all lites
    change   what the first lasting signal looks back on
    rate     false alarms a lite of the four charts together
    season   by shift and day; None where times are missing or lites too few
    """

    series: str
    values: Floats
    baseline: Baseline
    limits: Limits
    z: Floats
    tracks: Tracks
    signals: list[Signal]
    change: Change | None
    rate: float
    season: Split | None

    @property
    def is_zone(self) -> bool:
        """Whether it is a figure of one zone."""
        return "@" in self.series

    def level(self, z: float) -> float:
        """The value of the figure at ``z`` standard deviations of its own."""
        x = self.baseline.mean + z * self.baseline.sd
        return float(np.exp(x)) if self.baseline.logarithm else x


@dataclass(frozen=True)
class Drift:
    """All charts.

    first_phase  number of lites that the limits come from
    pooled_lag   mean first autocorrelation of all figures there, and its p-value
    not_charted  (series, why)
    """

    figures: Figures
    settings: DriftSettings
    first_phase: int
    pooled_lag: tuple[float, float]
    charted: list[Charted]
    not_charted: list[tuple[str, str]]
    remarks: list[str]

    @property
    def watched(self) -> int:
        """Lites behind the first phase."""
        return len(self.figures) - self.first_phase

    @property
    def chart_count(self) -> int:
        """All charts together."""
        return 4 * len(self.charted)

    @property
    def false_alarm_chance(self) -> float:
        """Upper bound of the chance that any chart gave a false alarm in the lites watched."""
        return min(1.0, self.watched / self.settings.false_alarms.lites)

    @property
    def signals(self) -> list[tuple[Charted, Signal]]:
        """Of all charts, in the order of the lites."""
        found = [(one, signal) for one in self.charted for signal in one.signals]
        return sorted(found, key=lambda pair: pair[1].first)

    @property
    def first_signal(self) -> int | None:
        """Number of the first lite that any chart signals, from 0."""
        return min((signal.first for _, signal in self.signals), default=None)

    def as_dict(self) -> dict[str, Any]:
        """The content of ``drift.json``, by ``drift.schema.json``."""
        from midchord.drift_facts import drift_facts

        return drift_facts(self)


def drift(
    lites: Figures | Iterable[xr.Dataset | Mapping[str, Any]],
    settings: DriftSettings | None = None,
) -> Drift:
    """Chart the figures of many lites.

    lites   figures, of ``midchord.charts.figures``; or maps, or summaries, one a lite, e.g. a
            generator over stored files: each is read once
    Raises  ScanError: too few lites, two of one name, nothing to chart; SettingsError: no figure of
            that name
    """
    s = settings or DriftSettings.load()
    figures = lites if isinstance(lites, Figures) else figures_of(lites, **s.figures.model_dump())
    first = s.first_phase.lites
    if len(figures) <= first:
        raise ScanError(
            "the lites",
            found=f"{len(figures)} of them",
            needed=f"more than the {first} of the first phase, from which the limits come",
            do="name more lites, or set first_phase.lites lower (at least 20)",
        )
    seasons = _seasons(figures, s)
    ready, not_charted = _baselines(figures, s, seasons, first, s.first_phase.lag_level)
    if not ready:
        raise ScanError(
            "the lites",
            found=f"none of {len(not_charted)} figures can be charted ({not_charted[0][0]}: "
            f"{not_charted[0][1]})",
            needed="a figure that scatters, with values in the first phase",
            do="look at the figures named in the settings",
        )
    memory = _memory(ready, s, first)
    if memory[1] < s.first_phase.pooled_lag_level:
        ready, not_charted = _baselines(figures, s, seasons, first, EVERY_LAG)
    rates = _rates([name for name, *_ in ready], s)
    charted = [
        _chart(name, values, baseline, rates[name], first, s, seasons)
        for name, values, baseline in ready
    ]
    return Drift(figures, s, first, memory, charted, not_charted, list(figures.remarks))


def _seasons(figures: Figures, s: DriftSettings) -> tuple[list[str], list[str]] | None:
    known = days_and_shifts(figures.scanned_at, s.seasons.shift_begins_h, s.seasons.utc_offset_h)
    if known is not None and figures.shifts is not None:
        known = known[0], list(figures.shifts)
    return known


def _baselines(
    figures: Figures,
    s: DriftSettings,
    seasons: tuple[list[str], list[str]] | None,
    first: int,
    lag_level: float,
) -> tuple[list[tuple[str, Floats, Baseline]], list[tuple[str, str]]]:
    given = s.first_phase
    ready, not_charted = [], []
    for name, values in figures.series.items():
        try:
            lost, charted = 0, values
            if s.seasons.remove_shift:
                charted, lost = _without_shifts(values, seasons, first)
            baseline = baseline_of(
                charted[:first], lost_dof=lost, least_values=given.least_values,
                outlier_rate=given.outlier_rate, logarithm=given.logarithm,
                largest_outlier_share=given.largest_outlier_share, lag_level=lag_level,
                permutations=given.permutations, seed=given.seed,
            )  # fmt: skip
        except Unchartable as error:
            not_charted.append((name, str(error)))
        else:
            ready.append((name, charted, baseline))
    return ready, not_charted


def _memory(
    ready: list[tuple[str, Floats, Baseline]], s: DriftSettings, first: int
) -> tuple[float, float]:
    early = [
        np.where(baseline.is_outlier, np.nan, baseline.scale(values[:first]))
        for _, values, baseline in ready
    ]
    given = s.first_phase
    return pooled_lag(np.stack(early, axis=1), given.permutations, given.seed)


def _without_shifts(
    values: Floats, seasons: tuple[list[str], list[str]] | None, first: int
) -> tuple[Floats, int]:
    """Values less what their shift was off the mean in the first phase (medians: robust)."""
    if seasons is None:
        raise Unchartable("its shifts are not known: a lite has no time")
    shifts = np.asarray(seasons[1], dtype=object)
    result = values - 0.0
    early = values[:first]
    middle = float(np.nanmedian(early)) if np.isfinite(early).any() else 0.0
    names = sorted(set(seasons[1]))
    for name in names:
        own = early[shifts[:first] == name]
        if np.isfinite(own).sum() < 8:
            raise Unchartable(
                f"only {int(np.isfinite(own).sum())} values of the shift {name!r} in the first "
                "phase, 8 are needed to take its mean out"
            )
        result[shifts == name] -= float(np.nanmedian(own)) - middle
    return result, len(names) - 1


def _rates(names: list[str], s: DriftSettings) -> dict[str, float]:
    """False alarms a lite of each figure; they sum to what was asked for."""
    whole = [name for name in names if "@" not in name]
    zones = [name for name in names if "@" in name]
    share = s.false_alarms.whole_share if whole and zones else float(bool(whole))
    total = 1 / s.false_alarms.lites
    return {
        **{name: total * share / len(whole) for name in whole},
        **{name: total * (1 - share) / len(zones) for name in zones},
    }


def _chart(
    name: str,
    values: Floats,
    baseline: Baseline,
    rate: float,
    first: int,
    s: DriftSettings,
    seasons: tuple[list[str], list[str]] | None,
) -> Charted:
    weight, reference = s.charts.ewma_weight, s.charts.cusum_reference
    one, two, three, four = (rate * share for share in s.charts.shares)
    limits = limits_for(
        (one, two, three, four), baseline.doubt, ewma_weight=weight, cusum_reference=reference
    )
    used = values.copy()
    used[:first][baseline.is_outlier] = np.nan
    z = baseline.standardised(used)
    tracks = run_charts(
        z[first:], ewma_weight=weight, cusum_reference=reference,
        clip_sd=s.charts.clip_sd, before=float(z[first - 1]),
    )  # fmt: skip
    signals = signals_of(tracks, limits, ewma_weight=weight, first_lite=first)
    lasting = [signal for signal in signals if signal.chart in ("ewma", "cusum")]
    change = None
    if lasting:
        change = change_before(
            z, lasting[0].first, earliest=first, coefficient=baseline.lag.coefficient,
            step_ratio=baseline.sd / baseline.sd_step, level=s.changes.level,
            after=s.changes.after_lites, step_sd=s.changes.step_sd, ramp_sd=s.changes.ramp_sd,
            clip_sd=s.charts.clip_sd,
        )  # fmt: skip
    season = None if seasons is None else split(values, *seasons)
    return Charted(name, values, baseline, limits, z, tracks, signals, change, rate, season)
