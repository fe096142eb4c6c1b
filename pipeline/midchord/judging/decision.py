"""One decision, a figure held against its limit, and the sentence that tells it.

A sentence must let its reader check the verdict: it names figure, zone and place, and prints the
guard band that the rule used with digits enough to see on which side of the limit its ends lie.
"""

from __future__ import annotations

import dataclasses
import math

from midchord.judging.limits import FIGURES, Limit

__all__ = ["CAUSES", "DIAGONALS", "Decision", "sentence_of", "told_apart"]

LABELS = {
    "depth": "depth by the gauge",
    "surface_depth": "depth of the surface",
    "gauge_distortion": "distortion by the gauge",
    "surface_distortion": "distortion of the surface",
    "wavelength": "wavelength",
    "power_x": "reflected power along x (size)",
    "power_y": "reflected power along y (size)",
    "bow": "bow as supported",
    "edge_lift": "edge lift as supported",
}
STATISTICS = {
    "max": "largest",
    "p95": "95th percentile of",
    "mean": "mean",
    "min": "smallest",
    "share_over": "share of area over the threshold,",
}


CAUSES = ("guard band", "bias", "detection bound", "coverage", "not measured", "uncertainty")
"""What can leave a limit undecided, in the order of the rule's own steps."""

DIAGONALS = {
    "diagonal_1": "diagonal from the leading left to the trailing right corner",
    "diagonal_2": "diagonal from the leading right to the trailing left corner",
}
MOST_DECIMALS = 12


@dataclasses.dataclass(frozen=True)
class Decision:
    """A figure held against its limit.

    lower, upper  ends of the guard band as the rule used them: the lower one less the bias
    cause         one of CAUSES where the verdict is undecided, otherwise ""
    edge          the edge or diagonal that decides, of bow and edge lift
    why           words for the end of the sentence
    """

    verdict: str
    value: float | None = None
    uncertainty: float | None = None
    lower: float | None = None
    upper: float | None = None
    place: tuple[float, float] | None = None
    why: str = ""
    cause: str = ""
    edge: str = ""
    bias: float = 0.0
    coverage: float | None = None


def sentence_of(limit: Limit, decision: Decision, k: float) -> str:
    """The decision in one sentence; k is the coverage factor of the guard band."""
    unit = {"percent": "%", "mm_per_m": "mm/m"}.get(limit.unit, limit.unit)
    what = f"{STATISTICS[limit.statistic]} {LABELS[limit.variable]}"
    if limit.threshold is not None:
        what = (
            f"share of area with {LABELS[limit.variable]} over "
            f"{limit.threshold:g} {FIGURES[limit.figure][0]}"
        )
    text = f"{what[0].upper()}{what[1:]}, zone {limit.zone}: "
    if decision.value is None or decision.lower is None or decision.upper is None:
        return f"{text}{decision.why}; limit {limit.limit:g} {unit}: {decision.verdict}."
    value, lower, upper = told_apart(
        decision.value, decision.lower, decision.upper, limit.limit
    )
    text += f"{value} {unit}"
    if decision.place is not None:
        most = "" if limit.statistic in ("max", "min") else "largest "
        place = f"{most}at x {decision.place[0]:.0f} mm, y {decision.place[1]:.0f} mm"
        text += f" ({place})" if most else f" {place}"
    text += f", with its guard band (k = {k:g}"
    if decision.bias > 0:
        text += f", lower end less the expected bias of {decision.bias:.2g} {unit}"
    text += f") {lower} to {upper} {unit}; limit {limit.limit:g} {unit}: {decision.verdict}"
    return f"{text} ({decision.why})." if decision.why else f"{text}."


def told_apart(value: float, lower: float, upper: float, limit: float) -> tuple[str, str, str]:
    """Value and guard band with the digits that the band earns, and more where the limit asks.

    An end that differs from the limit is printed so that it does: the reader sees on which side.
    """
    if lower == upper:
        return f"{value:.4g}", f"{lower:.4g}", f"{upper:.4g}"
    decimals = max(0, 1 - math.floor(math.log10((upper - lower) / 2.0)))
    while decimals < MOST_DECIMALS and any(
        end != limit and round(end, decimals) == round(limit, decimals) for end in (lower, upper)
    ):
        decimals += 1
    low, middle, high = (f"{number:.{decimals}f}" for number in (lower, value, upper))
    return middle, low, high
