"""Settings of the nozzle imprint: ``[nozzles]`` of ``configs/settings/trace.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import Field

from midchord.configs import shipped
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = ["NozzleSettings"]

Reach = Annotated[float, Field(ge=0.0, le=10_000.0, allow_inf_nan=False)]
Rate = Annotated[float, Field(ge=1e-6, lt=0.5, allow_inf_nan=False)]
Share = Annotated[float, Field(gt=0.0, le=1.0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0.0, le=50.0, allow_inf_nan=False)]


class NozzleSettings(Strict):
    """``NozzleSettings.load()`` gives the defaults."""

    edge_mm: Reach
    side_mm: Reach
    least_share: Share
    baseline_pitches: Annotated[float, Field(ge=2.0, le=20.0, allow_inf_nan=False)]
    presence_rate: Rate
    false_discovery_rate: Rate
    least_spread_percent: Percent
    least_spread_mm: Annotated[float, Field(ge=0.0, le=20.0, allow_inf_nan=False)]
    least_columns: Annotated[int, Field(ge=6, le=1000)]
    least_contrast: Share
    level: Annotated[float, Field(ge=0.5, le=0.999)]
    resamples: Annotated[int, Field(ge=199, le=100_000)]
    bootstrap_lites: Annotated[int, Field(ge=4, le=1000)]
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)]

    @classmethod
    def load(cls) -> NozzleSettings:
        """The defaults."""
        return cls.of({})

    @classmethod
    def of(cls, changes: Mapping[str, Any], *, where: str = "settings") -> NozzleSettings:
        """The defaults changed by a mapping, e.g. ``{"seed": 7}``."""
        usual = load_toml(shipped("configs", "settings", "trace.toml"))["nozzles"]
        return validated(cls, {**usual, **changes}, where=where)
