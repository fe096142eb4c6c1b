"""Settings of lots; every default stands in ``configs/settings/lots.toml``."""

from __future__ import annotations

from typing import Annotated, Literal, Self, get_args

from pydantic import Field, model_validator

from midchord.settings import Defaulted
from midchord_io.toml_models import Strict

__all__ = [
    "FIELDS",
    "Changes",
    "FieldName",
    "GridSettings",
    "LotsSettings",
    "Persistence",
    "SplitSettings",
    "StateSettings",
]

FieldName = Literal[
    "residual", "reading", "depth", "surface_depth", "gauge_distortion", "surface_distortion",
    "power_x", "power_y",
]  # fmt: skip
FIELDS: tuple[FieldName, ...] = get_args(FieldName)

Share = Annotated[float, Field(gt=0.0, lt=1.0, allow_inf_nan=False)]
Level = Annotated[float, Field(ge=0.5, le=0.999, allow_inf_nan=False)]


class GridSettings(Strict):
    pitch_mm: Annotated[float, Field(ge=0.5, le=100, allow_inf_nan=False)]
    most_cells: Annotated[int, Field(ge=10_000, le=50_000_000)]


class SplitSettings(Strict):
    cell_mm: Annotated[float, Field(ge=0.5, le=500, allow_inf_nan=False)]
    area: Literal["clear", "near", "all"]
    blocks: Annotated[int, Field(ge=4, le=200)]
    least_lites: Annotated[int, Field(ge=8, le=1000)]
    ridge: Annotated[float, Field(ge=0.0, le=0.1, allow_inf_nan=False)]
    level: Level


class Persistence(Strict):
    limit: Annotated[float, Field(ge=0.0, le=1e6, allow_inf_nan=False)]
    least_share: Share
    seen_share: Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]
    most_spots: Annotated[int, Field(ge=1, le=1000)]


class Changes(Strict):
    false_rate: Annotated[float, Field(ge=1e-6, lt=0.5, allow_inf_nan=False)]
    least_lites: Annotated[int, Field(ge=3, le=1000)]


class StateSettings(Strict):
    every_lites: Annotated[int, Field(ge=1, le=100_000)]


class LotsSettings(Defaulted, defaults="lots.toml"):
    """``LotsSettings.load()`` gives the defaults."""

    field: FieldName
    grid: GridSettings
    split: SplitSettings
    persistence: Persistence
    changes: Changes
    state: StateSettings

    @model_validator(mode="after")
    def _cells_of_whole_points(self) -> Self:
        ratio = self.split.cell_mm / self.grid.pitch_mm
        if ratio < 0.999 or abs(ratio - round(ratio)) > 1e-6 * ratio:
            raise ValueError(
                f"split.cell_mm is {self.split.cell_mm:g}: it must be a whole multiple of "
                f"grid.pitch_mm, {self.grid.pitch_mm:g}"
            )
        return self

    @property
    def points_a_cell(self) -> int:
        """Points of the map along one side of a cell of the split."""
        return round(self.split.cell_mm / self.grid.pitch_mm)
