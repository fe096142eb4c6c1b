"""What the support of a lite, and a sensor that drifts, may put into its figures.

Glass hangs between its supports. An *area* sensor takes the lite at once, at rest or nearly so:
its sag has the period of the supports and stands still in the machine, the same at all y. Under a
fixed *line* sensor the lite moves over the supports: the sag at the sensor stays the same (an
offset), and only run-out of the rollers and the ends of the lite, as they come down on one roller
after the other, come back with the pitch of the rollers. Either way it looks like a roll wave of
that length, and one scan cannot tell it from one: a wave that does come at that period is named as
doubtful, and never taken out. A flat reference takes out what the master flat sags alike.

Nor can a line sensor tell bow along the travel from a zero that creeps while the lite passes; an
area sensor, which takes all at once, can.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from midchord_io.acquisition import Finding
from midchord_io.known_attrs import known_mm

__all__ = ["drift_findings", "line_at_pitch_mm", "support_findings"]

Floats = npt.NDArray[np.float64]

LEAST_MM = 0.003
"""Peak to valley: what is less changes no figure."""
STANDS_OUT = 1.5
"""Of the amplitude at the pitch to those well beside it."""
LEAST_PERIODS = 3.0
ALIKE = 0.2
LEAST_BOW_MM = 0.3


def line_at_pitch_mm(lines: npt.NDArray[np.float32], x_mm: Floats, pitch_mm: float) -> float | None:
    """Peak to valley of the part of the surface, common to all y, that has this period; mm.

    lines    (x, line), mm, bow and edge lift out
    returns  None where it does not stand out from its neighbours or the lite is too short to tell
    """
    known = np.isfinite(lines)
    count = known.sum(axis=1)
    mean = np.where(known, lines, 0).sum(axis=1) / np.maximum(count, 1)
    length_mm = float(x_mm[-1] - x_mm[0])
    if length_mm < LEAST_PERIODS * pitch_mm:
        return None
    window = np.hanning(x_mm.size) * (count > 0)

    def amplitude(cycles_per_mm: float) -> float:
        turned = np.exp(-2j * np.pi * cycles_per_mm * x_mm)
        return float(2 * np.abs((window * mean * turned).sum()) / window.sum())

    # the window tells two waves apart from two cycles over the length on
    own = max(amplitude(1 / pitch_mm + shift / length_mm) for shift in (-0.5, 0.0, 0.5))
    beside = max(amplitude(1 / pitch_mm + shift / length_mm) for shift in (-2.5, -2.0, 2.0, 2.5))
    depth_mm = 2 * own
    return depth_mm if depth_mm > LEAST_MM and own > STANDS_OUT * beside else None


def support_findings(
    lines: npt.NDArray[np.float32], x_mm: Floats, attrs: Mapping[str, Any]
) -> Iterator[Finding]:
    """A wave at the pitch of the supports, where the scan states that pitch.

    lines  (x, line), mm, bow and edge lift out
    attrs  of the lite: support_pitch_mm, scanner, reference
    """
    pitch_mm = known_mm(attrs, "support_pitch_mm")
    depth_mm = None if pitch_mm is None else line_at_pitch_mm(lines, x_mm, pitch_mm)
    if pitch_mm is None or depth_mm is None:
        return
    if attrs.get("scanner") == "line":
        source = "run-out of the rollers and the ends of the lite as they pass them"
    else:
        source = "the lite may hang between its supports"
    is_doubt = "reference" not in attrs
    left = "No flat reference was taken off, so it" if is_doubt else "What the flat did not share"
    yield Finding(
        "wave at the support pitch",
        1,
        f"The surface has a wave of {pitch_mm:g} mm, the pitch of the supports, {depth_mm:.3f} mm "
        f"from peak to valley and the same across: {source}. {left} cannot be told from roll wave, "
        "and it is in the figures.",
        {"support_pitch_mm": pitch_mm, "depth_mm": depth_mm},
        is_doubt,
    )


def drift_findings(
    bow_mm: Mapping[str, float | None], attrs: Mapping[str, Any]
) -> Iterator[Finding]:
    """Bow along the travel that may be drift: a line sensor, and both side edges bowed alike.

    bow_mm  of the edges, mm
    """
    left, right = bow_mm.get("left"), bow_mm.get("right")
    if attrs.get("scanner") != "line" or left is None or right is None:
        return
    largest = max(abs(left), abs(right))
    if largest < LEAST_BOW_MM or abs(left - right) > ALIKE * largest:
        return
    yield Finding(
        "bow or drift",
        1,
        f"Left and right edge are bowed alike, {left:.2f} and {right:.2f} mm: under a line sensor "
        "a zero that creeps while the lite passes looks the same. Scan a master flat before and "
        "after to tell them apart; roll wave is not touched by it.",
        {"left_mm": left, "right_mm": right},
    )
