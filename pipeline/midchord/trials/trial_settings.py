"""Settings of a trial; every default stands in ``configs/settings/trial.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from midchord.configs import shipped
from midchord_io.toml_models import Strict, load_toml, validated

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


class TrialSettings(Strict):
    """``TrialSettings.load()`` gives the defaults."""

    figure: Figure
    map: EffectMap
    test: Test
    power: Power

    @classmethod
    def load(cls, path: str | Path | None = None) -> TrialSettings:
        """The defaults, or the defaults changed by a settings file (TOML)."""
        return cls.of({} if path is None else load_toml(path), where=str(path or "settings"))

    @classmethod
    def of(cls, changes: Mapping[str, Any], *, where: str = "settings") -> TrialSettings:
        """The defaults changed by a nested mapping, e.g. ``{"test": {"seed": 7}}``."""
        merged = load_toml(shipped("configs", "settings", "trial.toml"))
        for key, section in changes.items():
            if isinstance(section, Mapping) and key in merged:
                merged[key] = {**merged[key], **section}
            else:
                merged[key] = section
        return validated(cls, merged, where=where)
