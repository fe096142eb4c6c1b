"""Settings of the control charts; every default stands in ``configs/settings/drift.toml``."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from midchord.settings import Defaulted
from midchord_io.toml_models import Strict

__all__ = [
    "Changes",
    "Charts",
    "DriftSettings",
    "FalseAlarms",
    "FirstPhase",
    "Seasons",
    "Series",
]

Rate = Annotated[float, Field(ge=1e-6, lt=0.5, allow_inf_nan=False)]
Weight = Annotated[float, Field(ge=0.001, le=1.0, allow_inf_nan=False)]
Hour = Annotated[float, Field(ge=0.0, lt=24.0, allow_inf_nan=False)]


class Series(Strict):
    whole: tuple[str, ...]
    zones: tuple[str, ...]

    @model_validator(mode="after")
    def _has_any(self) -> Self:
        if not self.whole and not self.zones:
            raise ValueError("whole and zones are both empty: name a figure")
        return self


class FirstPhase(Strict):
    lites: Annotated[int, Field(ge=20, le=10_000)]
    least_values: Annotated[int, Field(ge=15, le=10_000)]
    outlier_rate: Rate
    largest_outlier_share: Annotated[float, Field(ge=0.0, le=0.4, allow_inf_nan=False)]
    logarithm: Literal["auto", "always", "never"]
    lag_level: Rate
    pooled_lag_level: Rate
    check_level: Rate
    permutations: Annotated[int, Field(ge=199, le=100_000)]
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)]

    @model_validator(mode="after")
    def _enough(self) -> Self:
        if self.least_values > self.lites:
            raise ValueError("least_values is over lites: no figure would be charted")
        return self


class FalseAlarms(Strict):
    lites: Annotated[float, Field(ge=20, le=1e6, allow_inf_nan=False)]
    whole_share: Annotated[float, Field(ge=0.05, le=0.95, allow_inf_nan=False)]


class Charts(Strict):
    individuals_share: Weight
    moving_range_share: Weight
    ewma_share: Weight
    cusum_share: Weight
    ewma_weight: Annotated[float, Field(ge=0.03, le=0.9, allow_inf_nan=False)]
    cusum_reference: Annotated[float, Field(ge=0.1, le=2.0, allow_inf_nan=False)]
    clip_sd: Annotated[float, Field(ge=2.5, le=1000, allow_inf_nan=False)]

    @property
    def shares(self) -> tuple[float, float, float, float]:
        """Of individuals, moving range, EWMA and CUSUM; they sum to 1."""
        given = (self.individuals_share, self.moving_range_share, self.ewma_share, self.cusum_share)
        first, second, third, fourth = (share / sum(given) for share in given)
        return first, second, third, fourth


class Changes(Strict):
    level: Annotated[float, Field(ge=0.5, le=0.999)]
    after_lites: Annotated[int, Field(ge=0, le=1000)]
    step_sd: Annotated[float, Field(ge=0.1, le=100, allow_inf_nan=False)]
    ramp_sd: Annotated[float, Field(ge=0.01, le=10, allow_inf_nan=False)]


class Seasons(Strict):
    shift_begins_h: Annotated[tuple[Hour, ...], Field(min_length=1, max_length=12)]
    utc_offset_h: Annotated[float, Field(ge=-14, le=14, allow_inf_nan=False)]
    remove_shift: bool

    @model_validator(mode="after")
    def _ascending(self) -> Self:
        begins = self.shift_begins_h
        if list(begins) != sorted(set(begins)):
            raise ValueError("shift_begins_h must ascend")
        return self


class DriftSettings(Defaulted, defaults="drift.toml"):
    """``DriftSettings.load()`` gives the defaults."""

    figures: Series
    first_phase: FirstPhase
    false_alarms: FalseAlarms
    charts: Charts
    changes: Changes
    seasons: Seasons
