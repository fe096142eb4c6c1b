"""What a scan may state beside the contract: taken where it makes sense, never insisted on.

A file may come from anybody's program, so a thickness may be a text or negative. What is recorded
is kept as it is; what something is computed from is read here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

__all__ = ["known_mm"]


def known_mm(attrs: Mapping[str, Any], name: str) -> float | None:
    """A length among the attributes of a scan, mm; None where it is not stated as one."""
    value = attrs.get(name)
    if isinstance(value, int | float | np.integer | np.floating):
        length_mm = float(value)
        return length_mm if 0 < length_mm < math.inf else None
    return None
