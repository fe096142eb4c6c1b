"""Settings: typed, complete, frozen; every default stands in ``configs/settings/default.toml``.

A settings file states only what differs. A key that does not exist is refused with the nearest
one that does, so that no setting is ever silently ignored.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from midchord.configs import shipped
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = [
    "Defaulted",
    "Detrend",
    "Gauge",
    "Judge",
    "Lines",
    "Maps",
    "Place",
    "Reference",
    "Settings",
    "Waves",
    "Zones",
]

LARGEST_MM = 10_000.0
"""No lite is longer: a setting in mm beyond it is a slip of units."""

Length = Annotated[float, Field(ge=1.0, le=LARGEST_MM, allow_inf_nan=False)]
"""From 1 mm on: what is finer than the finest scan of a roll wave is a slip too."""
Reach = Annotated[float, Field(ge=0.0, le=LARGEST_MM, allow_inf_nan=False)]
"""May be nothing at all."""


class Defaulted(Strict):
    """Settings whose defaults stand in a shipped file, which the class names:

    ``class Settings(Defaulted, defaults="default.toml")``, in ``configs/settings``.
    """

    _defaults: ClassVar[str]

    def __init_subclass__(cls, *, defaults: str, **rest: Any) -> None:
        super().__init_subclass__(**rest)
        cls._defaults = defaults

    @classmethod
    def load(cls, path: str | Path | None = None) -> Self:
        """The defaults, or the defaults changed by a settings file (TOML)."""
        return cls.of({} if path is None else load_toml(path), where=str(path or "settings"))

    @classmethod
    def of(cls, changes: Mapping[str, Any], *, where: str = "settings") -> Self:
        """The defaults changed by a nested mapping, e.g. ``{"gauge": {"feet": "fixed"}}``."""
        merged: dict[str, Any] = dict(_shipped(cls._defaults))
        for key, section in changes.items():
            if isinstance(section, Mapping) and isinstance(merged.get(key), Mapping):
                merged[key] = {**merged[key], **section}
            else:
                merged[key] = section
        return validated(cls, merged, where=where)


@functools.cache
def _shipped(name: str) -> dict[str, Any]:
    return load_toml(shipped("configs", "settings", name))


class Place(Strict):
    largest_skew_deg: Annotated[float, Field(gt=0, le=10)]
    # below 3 sound points are spikes, beyond 1000 nothing ever is
    spike_sigma: Annotated[float, Field(ge=3, le=1000, allow_inf_nan=False)]
    # over a longer gap the wave is invented, not followed
    fill_mm: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
    # finer than the noise no glass is left; beyond 1 m the floor is glass
    glass_range_mm: Annotated[float, Field(ge=0.1, le=1000, allow_inf_nan=False)]


class Detrend(Strict):
    largest_order: Annotated[int, Field(ge=2, le=8)]
    # more of either cannot be told apart over the few hundred mm that edge lift reaches
    edge_lift_knots_mm: Annotated[tuple[Length, ...], Field(max_length=12)]
    edge_lift_decay_mm: Annotated[tuple[Length, ...], Field(max_length=6)]
    # edge lift is a figure of the edge, not of the middle of the lite
    edge_lift_inset_mm: Annotated[float, Field(ge=0, le=300, allow_inf_nan=False)]
    filter_cutoff_mm: Length | None = None

    @model_validator(mode="after")
    def _ascending(self) -> Self:
        for name in ("edge_lift_knots_mm", "edge_lift_decay_mm"):
            values = list(getattr(self, name))
            if any(after <= before for before, after in pairwise(values)):
                raise ValueError(f"{name} = {values}: they must ascend, each once")
        return self


class Gauge(Strict):
    feet: Literal["mean", "line", "local", "fixed"]
    # feet nearer than 10 mm see imprint and noise; 2 m are no gauge any more
    half_span_mm: Annotated[float, Field(ge=10, le=2000, allow_inf_nan=False)] | None = None
    fallback_half_span_mm: Annotated[float, Field(ge=10, le=2000, allow_inf_nan=False)]

    @model_validator(mode="after")
    def _length_is_of_fixed_feet(self) -> Self:
        if (self.feet == "fixed") != (self.half_span_mm is not None):
            raise ValueError('half_span_mm goes with feet = "fixed", and only with it')
        return self


class Zones(Strict):
    edge_x_mm: Reach
    edge_y_mm: Reach
    grid_x: Annotated[int, Field(ge=1, le=50)]
    grid_y: Annotated[int, Field(ge=1, le=50)]


class Waves(Strict):
    band_min_mm: Length
    band_max_mm: Length
    pool_mm: Reach
    wavelength: Literal["centred", "backward", "half"]
    # beyond one in a million the tail of the noise is not known well enough to say
    false_rate: Annotated[float, Field(ge=1e-6, lt=0.5)]

    @model_validator(mode="after")
    def _band_has_width(self) -> Self:
        if self.band_max_mm < 1.5 * self.band_min_mm:
            raise ValueError("band_max_mm must be at least 1.5 times band_min_mm")
        return self


class Maps(Strict):
    map_pitch_mm: Reach
    power_window_mm: Length
    gain_blind: Annotated[float, Field(ge=0, lt=2)]


class Lines(Strict):
    # 1 mm: a table of every half wave of a few thousand lines; 1 km asks for a single line
    every_mm: Annotated[float, Field(ge=1, le=1e6, allow_inf_nan=False)]


class Reference(Strict):
    # a day: a sensor that needs a new one more often needs a repair; ten years: never
    max_age_days: Annotated[float, Field(ge=1, le=3650, allow_inf_nan=False)]


class Judge(Strict):
    # 0 is simple acceptance; beyond 10 standard uncertainties every lite is undecided
    coverage_factor: Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)]


class Settings(Defaulted, defaults="default.toml"):
    """The settings of one run. ``Settings.load()`` gives the defaults."""

    place: Place
    detrend: Detrend
    gauge: Gauge
    zones: Zones
    waves: Waves
    maps: Maps
    lines: Lines
    judge: Judge
    reference: Reference

    @model_validator(mode="after")
    def _filter_leaves_the_waves(self) -> Self:
        cutoff, longest = self.detrend.filter_cutoff_mm, self.waves.band_max_mm
        if cutoff is not None and cutoff < longest:
            raise ValueError(
                f"detrend.filter_cutoff_mm is {cutoff:g}: at least waves.band_max_mm, {longest:g}, "
                "or the filter takes the roll wave for form"
            )
        return self
