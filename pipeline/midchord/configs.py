"""Where the shipped configuration and sample scans are: inside the package, or at the root of a
checkout."""

from __future__ import annotations

from pathlib import Path

__all__ = ["shipped"]


def shipped(*parts: str) -> Path:
    """Path of a shipped file or folder, e.g. ``shipped("configs", "settings", "default.toml")``."""
    package = Path(__file__).resolve().parent
    for root in (package, package.parents[1]):
        if (root / parts[0]).is_dir():
            return root.joinpath(*parts)
    raise FileNotFoundError(f"midchord was installed without its {parts[0]}: install it again")
