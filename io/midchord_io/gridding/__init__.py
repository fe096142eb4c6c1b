"""Points to an even grid."""

from __future__ import annotations

__all__: list[str] = []
