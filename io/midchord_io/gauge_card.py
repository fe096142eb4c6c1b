"""A gauge card: what must be known of a hand gauge before its readings mean anything.

The same wave gives different numbers on different gauges. A three-point gauge with its feet half
a wavelength either side of the plunger swings through twice the true peak to valley; a gauge with
a long flat base rides on the peaks and swings through it once; with the feet pushed together it
measures curvature. So a card (TOML) says

- **kind**: ``three-point``, ``short-feet`` (the same gauge, feet far closer than half a wave),
  ``flat-base``, ``straight-edge``, ``edge-lift`` (a straight edge laid over the edge);
- **contacts**: ``half_span_mm`` (plunger to foot) or ``span_mm`` (foot to foot), never both, for
  the first two kinds; ``base_mm``, the length of base or edge, for the others;
- **depth_is**: ``"swing"``, the dial as it moves, or ``"surface"``, already turned into the true
  peak to valley. A card that does not say so is refused: the two differ by a factor up to 2.

``reading_sign`` is +1 where a peak of the face that the gauge stands on moves the dial to larger
numbers. ``calibration_offset_mm`` is what the dial shows on a known flat; it is subtracted.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, ConfigDict, Field, StringConstraints, model_validator

from midchord_io.errors import SettingsError, SurveyError
from midchord_io.survey_cells import YEARS, plain_name
from midchord_io.toml_models import Strict, load_toml, validated

__all__ = ["GaugeCard", "GaugeKind", "card_of", "load_gauge_card"]

GaugeKind = Literal["three-point", "short-feet", "flat-base", "straight-edge", "edge-lift"]
ON_FEET = ("three-point", "short-feet")

# bounds beyond which a number is a slip of units: no hand gauge is like that
Contact = Annotated[float, Field(ge=1, le=10_000, allow_inf_nan=False)]
Step = Annotated[float, Field(ge=1e-6, le=10, allow_inf_nan=False)]
Force = Annotated[float, Field(ge=1e-4, le=1000, allow_inf_nan=False)]
Radius = Annotated[float, Field(ge=1e-3, le=10_000, allow_inf_nan=False)]
Offset = Annotated[float, Field(ge=-100, le=100, allow_inf_nan=False)]


def _one_line(value: Any) -> Any:
    """A name is compared with what a survey says, so it is written as ``plain_name`` has it."""
    if not isinstance(value, str):
        return value
    if any(unicodedata.category(character) == "Cc" for character in value.strip()):
        raise ValueError("it must be one line of text, without tabs")
    name = plain_name(value)
    if not name:
        raise ValueError("it must not be empty")
    return name


def _sign(value: Any) -> Any:
    """TOML knows true and 1 apart, Python does not."""
    if isinstance(value, bool):
        raise ValueError("it must be 1 or -1")
    return value


Text = Annotated[str, StringConstraints(max_length=200), BeforeValidator(_one_line)]


def _day(value: Any) -> Any:
    """TOML has dates of its own; text in ISO 8601 is taken, too."""
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value)
        except ValueError:
            raise ValueError("it must be a date as 2026-03-17") from None
    if isinstance(value, datetime):
        value = value.date()
    if not isinstance(value, date) or value.year not in YEARS:
        raise ValueError("it must be a date as 2026-03-17, from 1970 to 2199")
    if value > datetime.now(UTC).date() + timedelta(days=1):  # it is tomorrow already in the east
        raise ValueError("it must be the day of the last calibration, which has not come yet")
    return value


class GaugeCard(Strict):
    """One hand gauge. ``load_gauge_card`` reads it; see the module for what the keys mean.

    half_span_mm        plunger to foot, mm; None for the kinds without feet
    base_mm             length of base or straight edge, mm; None for the kinds on feet
    resolution_mm       smallest step of the dial
    inset_mm            edge lift: how far inside the edge the gap is read
    contact_radius_mm   of the plunger's tip
    """

    model_config = ConfigDict(strict=True)  # no text where a number is meant

    gauge: Text
    kind: GaugeKind
    depth_is: Literal["swing", "surface"]
    resolution_mm: Step
    stated_half_span_mm: Annotated[Contact | None, Field(alias="half_span_mm")] = None
    span_mm: Contact | None = None
    base_mm: Contact | None = None
    inset_mm: Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)] | None = None
    reading_sign: Annotated[Literal[1, -1] | None, BeforeValidator(_sign)] = None
    face: Literal["upper", "lower"] | None = None
    contact_force_n: Force | None = None
    contact_radius_mm: Radius | None = None
    zeroed_on: Text | None = None
    support: Text | None = None
    calibration_offset_mm: Offset | None = None
    calibrated_on: Annotated[date, BeforeValidator(_day)] | None = None

    @model_validator(mode="after")
    def _can_be_laid_on_glass(self) -> Self:
        feet = [
            name
            for name, value in (
                ("half_span_mm", self.stated_half_span_mm),
                ("span_mm", self.span_mm),
            )
            if value is not None
        ]
        if len(feet) == 2:
            raise ValueError(
                "both half_span_mm (plunger to foot) and span_mm (foot to foot) are given, keep one"
            )
        if self.is_on_feet:
            if not feet:
                raise ValueError(
                    f"a {self.kind} gauge needs half_span_mm (plunger to foot) or span_mm "
                    "(foot to foot)"
                )
            if self.base_mm is not None:
                raise ValueError(f"base_mm means nothing for a {self.kind} gauge")
        else:
            if self.base_mm is None:
                raise ValueError(f"a {self.kind} gauge needs base_mm, the length it lies on")
            if feet:
                raise ValueError(f"{feet[0]} means nothing for a {self.kind} gauge")
        if self.inset_mm is not None and self.kind != "edge-lift":
            raise ValueError(f"inset_mm means nothing for a {self.kind} gauge")
        return self

    @property
    def is_on_feet(self) -> bool:
        """Whether it is a three-point gauge, feet wide or narrow."""
        return self.kind in ON_FEET

    @property
    def half_span_mm(self) -> float | None:
        """Plunger to foot in mm, however the card states it; None without feet."""
        return self.span_mm / 2 if self.span_mm is not None else self.stated_half_span_mm

    @property
    def convention(self) -> Literal["gauge", "surface"]:
        """Convention of its depths: ``gauge`` for the swing of a gauge on feet, else ``surface``.

        A gauge that lies on the peaks swings through the true peak to valley, as long as its base
        is at least one wavelength.
        """
        return "gauge" if self.is_on_feet and self.depth_is == "swing" else "surface"

    @property
    def sign_on_lite(self) -> int | None:
        """Factor from its readings to heights of the lite (z up); None where the card is silent.

        A peak of the lower face is a valley of the lite, so ``face = "lower"`` turns the sign.
        """
        if self.reading_sign is None:
            return None
        return -self.reading_sign if self.face == "lower" else self.reading_sign

    def as_dict(self) -> dict[str, Any]:
        """What the card says, as JSON has it; the half-span under its own name."""
        facts = self.model_dump(mode="json", exclude={"stated_half_span_mm", "span_mm"})
        return {**facts, "half_span_mm": self.half_span_mm, "convention": self.convention}


def card_of(values: Mapping[str, Any], *, where: str = "gauge card") -> GaugeCard:
    """The card that a mapping describes. Raises SurveyError, every fault named."""
    try:
        return validated(GaugeCard, values, where=where)
    except SettingsError as error:
        needed = "keys and values as in the examples under configs/gauges"
        if "depth_is" not in values:
            needed = (
                'depth_is = "swing" (the dial as it moves) or "surface" (already turned into the '
                "true peak to valley), because the two differ by up to a factor of 2"
            )
        raise SurveyError(
            where, found=error.found, needed=needed, do="correct the gauge card"
        ) from error


def load_gauge_card(path: str | Path) -> GaugeCard:
    """The gauge card in a TOML file. Raises SurveyError."""
    try:
        values = load_toml(path)
    except SettingsError as error:
        raise SurveyError(
            path, found=error.found, needed="a gauge card in TOML", do=error.do
        ) from error
    return card_of(values, where=str(path))
