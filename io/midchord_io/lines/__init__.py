"""Scan lines that came out of step: uneven, twice, lost, slipped; made even, each case counted."""

from __future__ import annotations

__all__: list[str] = []
