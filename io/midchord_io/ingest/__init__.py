"""What all formats have in common: from stored numbers to a scan by the contract."""

from __future__ import annotations

__all__: list[str] = []
