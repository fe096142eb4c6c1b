"""Several heads across the width, or several rows along the travel, made one scan."""

from __future__ import annotations

__all__: list[str] = []
