"""Settings: typed, complete, frozen; every default stands in ``configs/settings/default.toml``.

A settings file states only what differs. A key that does not exist is refused with the nearest
one that does, so that no setting is ever silently ignored.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from midchord.configs import shipped
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "Detrend",
    "Gauge",
    "Judge",
    "Lines",
    "Maps",
    "Place",
    "Settings",
    "Waves",
    "Zones",
]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Place(Strict):
    largest_skew_deg: Annotated[float, Field(gt=0, le=10)]
    spike_sigma: Annotated[float, Field(ge=3)]
    fill_mm: NotNegative
    glass_range_mm: Positive


class Detrend(Strict):
    largest_order: Annotated[int, Field(ge=2, le=8)]
    edge_lift_knots_mm: tuple[Positive, ...]
    edge_lift_decay_mm: tuple[Positive, ...]
    edge_lift_inset_mm: NotNegative
    filter_cutoff_mm: Positive | None = None


class Gauge(Strict):
    feet: Literal["mean", "line", "local", "fixed"]
    half_span_mm: Positive | None = None
    fallback_half_span_mm: Positive

    @model_validator(mode="after")
    def _length_is_of_fixed_feet(self) -> Self:
        if (self.feet == "fixed") != (self.half_span_mm is not None):
            raise ValueError('half_span_mm goes with feet = "fixed", and only with it')
        return self


class Zones(Strict):
    edge_x_mm: NotNegative
    edge_y_mm: NotNegative
    grid_x: Annotated[int, Field(ge=1, le=50)]
    grid_y: Annotated[int, Field(ge=1, le=50)]


class Waves(Strict):
    band_min_mm: Positive
    band_max_mm: Positive
    pool_mm: NotNegative
    wavelength: Literal["centred", "backward", "half"]
    false_rate: Annotated[float, Field(gt=0, lt=0.5)]

    @model_validator(mode="after")
    def _band_has_width(self) -> Self:
        if self.band_max_mm < 1.5 * self.band_min_mm:
            raise ValueError("band_max_mm must be at least 1.5 times band_min_mm")
        return self


class Maps(Strict):
    map_pitch_mm: NotNegative
    power_window_mm: Positive
    gain_blind: Annotated[float, Field(ge=0, lt=2)]


class Lines(Strict):
    every_mm: Positive


class Judge(Strict):
    coverage_factor: NotNegative


class Settings(Strict):
    """The settings of one run. ``Settings.load()`` gives the defaults."""

    place: Place
    detrend: Detrend
    gauge: Gauge
    zones: Zones
    waves: Waves
    maps: Maps
    lines: Lines
    judge: Judge

    @model_validator(mode="after")
    def _filter_leaves_the_waves(self) -> Self:
        cutoff, longest = self.detrend.filter_cutoff_mm, self.waves.band_max_mm
        if cutoff is not None and cutoff < longest:
            raise ValueError(
                f"detrend.filter_cutoff_mm is {cutoff:g}: at least waves.band_max_mm, {longest:g}, "
                "or the filter takes the roll wave for form"
            )
        return self

    @classmethod
    def load(cls, path: str | Path | None = None) -> Settings:
        """The defaults, or the defaults changed by a settings file (TOML)."""
        if path is None:
            return cls.of({})
        return cls.of(load_toml(path), where=str(path))

    @classmethod
    def of(cls, changes: Mapping[str, Any], *, where: str = "settings") -> Settings:
        """The defaults changed by a nested mapping, e.g. ``{"gauge": {"feet": "fixed"}}``."""
        merged: dict[str, Any] = {key: dict(section) for key, section in _defaults().items()}
        for key, section in changes.items():
            if isinstance(section, Mapping) and key in merged:
                merged[key].update(section)
            else:
                merged[key] = section
        return validated(cls, merged, where=where)


@functools.cache
def _defaults() -> dict[str, Any]:
    return load_toml(shipped("configs", "settings", "default.toml"))
