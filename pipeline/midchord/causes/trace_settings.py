"""Settings of the trace; every default stands in ``configs/settings/trace.toml``."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord.settings import Defaulted
from midchord_io.toml_models import Strict

__all__ = ["Claims", "Intervals", "Profile", "Search", "SpectrumSettings", "TraceSettings"]

Share = Annotated[float, Field(gt=0.0, le=1.0, allow_inf_nan=False)]
Rate = Annotated[float, Field(ge=1e-6, lt=0.5, allow_inf_nan=False)]
Reach = Annotated[float, Field(ge=0.0, le=10_000.0, allow_inf_nan=False)]
# two points a wave are no wave; 5 m is longer than most lites
WaveLength = Annotated[float, Field(ge=5.0, le=5_000.0, allow_inf_nan=False)]


class Profile(Strict):
    edge_mm: Reach
    side_mm: Reach
    least_share: Share
    piece_mm: Reach


class SpectrumSettings(Strict):
    time_bandwidth: Annotated[float, Field(ge=1.5, le=8, allow_inf_nan=False)]
    tapers: Annotated[int, Field(ge=2, le=15)]

    @model_validator(mode="after")
    def _tapers_that_do_not_leak(self) -> Self:
        if self.tapers > 2 * self.time_bandwidth - 1:
            raise ValueError(
                f"tapers is {self.tapers}: at most 2 time_bandwidth - 1 = "
                f"{2 * self.time_bandwidth - 1:g}, the others leak"
            )
        return self


class Search(Strict):
    shortest_mm: WaveLength
    longest_mm: WaveLength
    most_waves: Annotated[int, Field(ge=1, le=30)]
    false_rate: Rate

    @model_validator(mode="after")
    def _has_width(self) -> Self:
        if self.longest_mm < 2 * self.shortest_mm:
            raise ValueError("longest_mm must be at least twice shortest_mm")
        return self


class Claims(Strict):
    false_rate: Rate
    least_wander_percent: Annotated[float, Field(ge=0.05, le=10, allow_inf_nan=False)]
    least_lites: Annotated[int, Field(ge=2, le=100)]
    least_cells: Annotated[float, Field(ge=0.3, le=5, allow_inf_nan=False)]


class Intervals(Strict):
    level: Annotated[float, Field(ge=0.5, le=0.999)]
    resamples: Annotated[int, Field(ge=199, le=100_000)]
    bootstrap_lites: Annotated[int, Field(ge=4, le=1000)]
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)]


class TraceSettings(Defaulted, defaults="trace.toml"):
    """``TraceSettings.load()`` gives the defaults."""

    profile: Profile
    spectrum: SpectrumSettings
    search: Search
    claims: Claims
    intervals: Intervals
    nozzles: NozzleSettings
