"""Settings of a trial; every default stands in ``configs/settings/trial.toml``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from midchord.settings import Defaulted
from midchord_io.toml_models import Strict

__all__ = ["EffectMap", "Figure", "Power", "Test", "TrialSettings"]

Share = Annotated[float, Field(gt=0.0, le=1.0, allow_inf_nan=False)]
Effect = Annotated[float, Field(gt=0.0, le=1e6, allow_inf_nan=False)]


class Figure(Strict):
    name: Literal["gauge_distortion", "surface_distortion", "depth", "surface_depth", "wavelength"]
    statistic: Literal["mean", "p95", "max"]


class EffectMap(Strict):
    frame: Literal["lite", "machine"]
    cell_mm: Annotated[float, Field(ge=5.0, le=5000.0, allow_inf_nan=False)]
    points: Literal["clear", "all"]
    least_fill: Share
    least_share: Share


class Test(Strict):
    level: Annotated[float, Field(ge=0.5, le=0.999)]
    permutations: Annotated[int, Field(ge=199, le=1_000_000)]
    exact_up_to: Annotated[int, Field(ge=0, le=1_000_000)]
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)]


class Power(Strict):
    power: Annotated[float, Field(ge=0.01, le=0.999)]
    effects: Annotated[tuple[Effect, ...], Field(min_length=1, max_length=20)]


class TrialSettings(Defaulted, defaults="trial.toml"):
    """``TrialSettings.load()`` gives the defaults."""

    figure: Figure
    map: EffectMap
    test: Test
    power: Power
