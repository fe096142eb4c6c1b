"""Why gauges are not pooled: the same wave moves each of them by another amount."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from midchord.surveying.twin_field import MappedLite
from midchord_io.gauge_card import GaugeCard

__all__ = ["gauge_factors"]


def gauge_factors(
    cards: Sequence[GaugeCard], lites: Mapping[str, MappedLite]
) -> tuple[dict[str, Any], ...]:
    """Swing of each gauge over the true peak-to-valley of the mean wave; nothing of a lone one."""
    rows = []
    waves = [lite.summary["mean_wavelength_mm"] for lite in lites.values()]
    known = [wave for wave in waves if wave is not None]
    if len(cards) < 2 or not known:
        return ()
    length = float(np.mean(known))
    for card in cards:
        if card.is_on_feet:
            half_span = card.half_span_mm or 0.0
            swing = 1 - float(np.cos(2 * np.pi * half_span / length))
            why = f"its feet stand {half_span:g} mm from the plunger"
        else:
            base = card.base_mm or 0.0
            swing = 1.0 if base >= length else (1 - float(np.cos(np.pi * base / length))) / 2
            why = f"its base of {base:g} mm rides on the peaks"
        rows.append(
            {
                "gauge": card.gauge,
                "kind": card.kind,
                "swing_over_surface": 1.0 if card.depth_is == "surface" else swing,
                "wavelength_mm": length,
                "why": why,
            }
        )
    return tuple(rows)
