"""Numbers of a recipe and how large they may be.

A number beyond these bounds is a slip of units or of the keyboard. It would end in an overflow, or
in millions of waves to draw, far from the line of the recipe that is wrong; so it is refused there.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

__all__ = [
    "MOST_POINTS",
    "Count",
    "GlassSize",
    "Name",
    "NotNegative",
    "Number",
    "Positive",
    "Repeated",
    "Seed",
]

LARGEST, SMALLEST = 1e5, 1e-6
MOST_POINTS = 400_000_000
"""Of a scan: 1.6 GB of heights."""


def _not_tiny(value: float) -> float:
    if 0 < abs(value) < SMALLEST:
        raise ValueError(f"it must be 0, or at least {SMALLEST:g} in size")
    return value


Number = Annotated[
    float, Field(ge=-LARGEST, le=LARGEST, allow_inf_nan=False), AfterValidator(_not_tiny)
]
NotNegative = Annotated[
    float, Field(ge=0, le=LARGEST, allow_inf_nan=False), AfterValidator(_not_tiny)
]
Positive = Annotated[float, Field(ge=SMALLEST, le=LARGEST, allow_inf_nan=False)]
GlassSize = Annotated[float, Field(ge=SMALLEST, le=20_000, allow_inf_nan=False)]
"""No lite is longer."""
Repeated = Annotated[float, Field(ge=1, le=LARGEST, allow_inf_nan=False)]
"""A distance from one to the next; finer ones would be made by the million."""
Count = Annotated[int, Field(ge=0, le=10_000)]
Seed = Annotated[int, Field(ge=0, lt=2**64)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
