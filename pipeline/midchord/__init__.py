"""From a scan of heat-treated flat glass to a judged distortion map."""

from __future__ import annotations

import importlib
import os
import sys
from types import ModuleType
from typing import Any

__version__ = "0.2.0"

_HOMES = {
    "Settings": "midchord.settings",
    "drift": "midchord.drift",
    "judge": "midchord.judge",
    "load_limits": "midchord.judge",
    "lots": "midchord.lots",
    "process": "midchord.run",
    "simulate": "midchord.simulate",
    "summary": "midchord.run",
    "sweep_gauge": "midchord.gauge",
    "trace": "midchord.trace",
    "trial": "midchord.trial",
    "validate": "midchord.validate",
    "work_up": "midchord.surveying.hand_survey",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    # lazy, so that asking for help does not pay for xarray
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'midchord' has no attribute {name!r}")


def _settle_kernel_cache() -> None:
    """Name a place for the compiled kernels where the package's own folder cannot be written.

    numba keeps them beside the modules, and fails where it finds no place at all: a read-only
    installation used by somebody without a home. A place of the user's own is tried first; a
    folder that all may write to is trusted only where it was made here, since what is kept in it
    is run.
    """
    package = os.path.dirname(os.path.abspath(__file__))
    beside = os.path.join(package, "__pycache__")
    if os.environ.get("NUMBA_CACHE_DIR"):
        return
    if os.access(beside if os.path.isdir(beside) else package, os.W_OK):
        return
    folder = _own_cache() or _temporary_cache()
    os.environ["NUMBA_CACHE_DIR"] = folder
    if "numba" in sys.modules:  # it has read its environment already
        sys.modules["numba"].config.CACHE_DIR = folder


def _own_cache() -> str | None:
    home = os.environ.get("LOCALAPPDATA" if os.name == "nt" else "XDG_CACHE_HOME")
    home = home or os.path.join(os.path.expanduser("~"), ".cache")
    if not os.path.isabs(home):  # a user without a home: "~" stays as it is
        return None
    folder = os.path.join(home, "midchord", "kernels")
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
    except OSError:
        return None
    return folder if os.access(folder, os.W_OK) else None


def _temporary_cache() -> str:
    import atexit
    import shutil
    import tempfile

    folder = tempfile.mkdtemp(prefix="midchord-kernels-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


_settle_kernel_cache()


class _Package(ModuleType):
    """Keeps ``midchord.judge`` the function, though its module has the same name.

    On its first import a module is put into its package under its own name, where it would hide
    the function from the second call on.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
