"""From a scan of heat-treated flat glass to a judged distortion map."""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "Settings": "midchord.settings",
    "judge": "midchord.judge",
    "load_limits": "midchord.judge",
    "process": "midchord.run",
    "simulate": "midchord.simulate",
    "summary": "midchord.run",
    "sweep_gauge": "midchord.gauge",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    # lazy, so that asking for help does not pay for xarray
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'midchord' has no attribute {name!r}")
