"""Files to and from the scan contract. Never imports midchord."""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "load_gauge_card": "midchord_io.gauge_card",
    "read_survey": "midchord_io.survey",
    "open_scan": "midchord_io.adapters",
    "write_scan": "midchord_io.adapters.native",
    "make_scan": "midchord_io.scan",
    "check_scan": "midchord_io.scan",
    "load_source": "midchord_io.source",
    "read_maps": "midchord_io.results",
    "write_maps": "midchord_io.results",
    "MidchordError": "midchord_io.errors",
    "ScanError": "midchord_io.errors",
    "SettingsError": "midchord_io.errors",
    "SurveyError": "midchord_io.errors",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    # lazy, so that asking for help does not pay for xarray
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'midchord_io' has no attribute {name!r}")
