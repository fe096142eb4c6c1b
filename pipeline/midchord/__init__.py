"""From a scan of heat-treated flat glass to a judged distortion map."""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
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
    "validate": "midchord.validate",
    "work_up": "midchord.hand_survey",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    # lazy, so that asking for help does not pay for xarray
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'midchord' has no attribute {name!r}")


class _Package(ModuleType):
    """Keeps ``midchord.judge`` the function, though its module has the same name.

    On its first import a module is put into its package under its own name, where it would hide
    the function from the second call on.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
