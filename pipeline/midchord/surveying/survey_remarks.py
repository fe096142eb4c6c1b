"""What looks wrong with a line survey, in words. A remark changes no figure.

Most slips of a hand survey leave numbers that look like any others: feet set for another wave,
marks where edge lift enters, a mark that is neither peak nor valley, micrometres in a column of
millimetres. Each remark names its rows, so that they can be looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.gauge import gain
from midchord.settings import Settings
from midchord_io.gauge_card import GaugeCard

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "DEEPEST_MM",
    "FEET_TOLERANCE",
    "Remark",
    "in_spans",
    "line_remarks",
    "lite_remarks",
    "zones_of",
]

FEET_TOLERANCE = 0.05
"""Share of half the mean wavelength by which the feet may be off: the gain is then still 1.99."""

DEEPEST_MM = 1.0
"""A depth beyond this is no roll wave but a unit that was mistaken (common practice, no source)."""

COARSE = 0.1
"""Resolution of the dial over the mean depth from which on the steps of the dial show."""

Floats = npt.NDArray[np.float64]


class Remark(NamedTuple):
    """A doubt about a survey.

    code   for machines;  text: one sentence
    lite_id, gauge, line   what it is about; line is "" where it is about all of their lines
    rows   in the file
    """

    code: str
    text: str
    lite_id: str
    gauge: str
    line: str = ""
    rows: tuple[int, ...] = ()

    @property
    def about(self) -> str:
        """Lite, gauge and, where it is about one, the line with who walked it."""
        return f"lite {self.lite_id}, {self.gauge}" + (f", {self.line}" if self.line else "")


def zones_of(
    distance_mm: Floats, half_span_mm: float | None, length_mm: float | None, edge_x_mm: float
) -> list[str]:
    """Zone of each mark: ``edge`` inside the edge zone, ``near`` where only a foot is, ``clear``.

    length_mm  of the lite; None: the far end is not known, and counts as clear
    """
    far = np.inf if length_mm is None else length_mm
    inside = np.minimum(distance_mm, far - distance_mm) - edge_x_mm
    reach = half_span_mm or 0.0
    return ["edge" if d < 0 else "near" if d < reach else "clear" for d in inside.tolist()]


def in_spans(numbers: Sequence[int]) -> str:
    """E.g. "1 to 4, 18"; two in a row are named."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    parts = [
        f"{span[0]} to {span[-1]}" if len(span) > 2 else ", ".join(map(str, span))
        for span in spans
    ]
    return ", ".join(parts)


def line_remarks(
    name: str, lite_id: str, gauge: str, marks: pd.DataFrame, *, are_places_sure: bool = True
) -> list[Remark]:
    """Remarks about one line.

    name   of the line, in words
    marks  as in ``LineWorkUp.marks``
    are_places_sure  False where the waves are no roll waves: then no zone is spoken of
    """
    remarks: list[Remark] = []

    def remark(code: str, text: str, of: pd.DataFrame) -> None:
        listed = in_spans(of["mark"].tolist())
        many = len(of) > 1
        words = text.format(
            marks=f"mark{'s' if many else ''} {listed}", verb="are" if many else "is"
        )
        rows = tuple(int(row) for row in of["row"].tolist())
        remarks.append(Remark(code, words, lite_id, gauge, name, rows))

    used = marks[~marks["excluded"]]
    if len(used) < 3:
        text = f"{len(used)} mark{'' if len(used) == 1 else 's'} on this line: a wavelength needs 3"
        remarks.append(Remark("too_few_marks", text, lite_id, gauge, name))
    edge = used[used["zone"] == "edge"]
    if len(edge) and are_places_sure:
        remark("edge_zone", "{marks} {verb} inside the edge zone, where edge lift enters", edge)
    turned = used[used["kind"] == "neither"]
    if len(turned):
        remark(
            "not_alternating",
            "{marks} {verb} neither peak nor valley: the readings do not alternate there",
            turned,
        )
    left_out = marks[marks["excluded"]]
    if len(left_out):
        remark("excluded", "{marks} {verb} excluded; the line is broken there", left_out)
    if marks["reading_mm"].isna().all():
        remarks.append(Remark("unread", "marks set, gauge not read yet", lite_id, gauge, name))
    return remarks


def lite_remarks(
    lite_id: str,
    gauge: str,
    card: GaugeCard | None,
    *,
    wavelengths_mm: Floats,
    depths_mm: Floats,
    first_mm: float,
    last_mm: float,
    length_mm: float | None,
    settings: Settings,
    finer: str = "",
) -> list[Remark]:
    """Remarks about all lines of one lite and one gauge.

    card               None where no reading was taken
    wavelengths_mm     all full waves;  depths_mm: all half waves, NaN where not read
    first_mm, last_mm  nearest and furthest mark, from the edges they are counted from
    finer              of ``finer_than_the_dial``
    """
    remarks: list[Remark] = []

    def remark(code: str, text: str) -> None:
        remarks.append(Remark(code, text, lite_id, gauge))

    low, high = settings.waves.band_min_mm, settings.waves.band_max_mm
    outside = wavelengths_mm[(wavelengths_mm < low) | (wavelengths_mm > high)]
    if outside.size:
        remark(
            "band",
            f"{outside.size} of {wavelengths_mm.size} wavelengths, {outside.min():.0f} to "
            f"{outside.max():.0f} mm, are outside the roll-wave band of {low:g} to {high:g} mm: "
            f"{_why_outside(float(wavelengths_mm.mean()), low, high)}",
        )
    if finer:
        remark("finer_than_dial", finer)
    if length_mm is None:
        remark(
            "length_unknown",
            "the length of the lite was not given, so marks in the far edge zone are not found",
        )
    if card is None:
        return remarks
    _check_depths(remark, card, depths_mm[np.isfinite(depths_mm)])
    mean = float(wavelengths_mm.mean()) if wavelengths_mm.size else None
    if mean is not None and not low <= mean <= high:
        return remarks  # of feet nothing can be said by places in a wrong unit
    if card.is_on_feet:
        _check_feet(remark, card, mean, settings.maps.gain_blind)
        half_span = card.half_span_mm or 0.0
        far = np.inf if length_mm is None else length_mm
        if min(first_mm, far - last_mm) < half_span:
            remark(
                "foot_off_glass",
                f"a mark is nearer to the edge than the {half_span:g} mm from plunger to foot: "
                "with these feet it cannot have been read",
            )
    elif wavelengths_mm.size and (card.base_mm or 0.0) < wavelengths_mm.max():
        remark(
            "base_too_short",
            f"the base of {card.base_mm:g} mm is shorter than the longest wave, "
            f"{wavelengths_mm.max():.0f} mm: such a gauge reads less than the true depth",
        )
    if card.reading_sign is None:
        remark(
            "sign_unknown",
            "the gauge card does not say whether a peak reads larger: taken as so, to name peaks "
            "and valleys (depths do not depend on it)",
        )
    return remarks


def _why_outside(mean: float, low: float, high: float) -> str:
    if low <= mean <= high:
        return "check the unit and whether a peak or a valley was passed over"
    for factor, words in ((25.4, "inches"), (10.0, "centimetres"), (0.1, "tenths of a millimetre")):
        if low <= factor * mean <= high:
            return (
                f"check the unit of the distances; times {factor:g} their mean would be "
                f"{factor * mean:.0f} mm: were they written in {words}?"
            )
    return "check the unit of the distances"


def _check_feet(
    remark: Callable[[str, str], None], card: GaugeCard, mean: float | None, blind: float
) -> None:
    if mean is None:
        return
    half_span = card.half_span_mm or 0.0
    dial = float(gain(half_span, mean))
    off = half_span / (mean / 2) - 1
    if card.kind == "short-feet" or dial < blind:
        remark(
            "blind",
            f"with {half_span:g} mm from plunger to foot the gain at the mean wavelength is only "
            f"{dial:.2f}: depth and distortion from the swing are far too small",
        )
    elif abs(off) > FEET_TOLERANCE:
        remark(
            "feet",
            f"{half_span:g} mm from plunger to foot is {100 * abs(off):.0f} % "
            f"{'more' if off > 0 else 'less'} than half of the mean wavelength, {mean / 2:.0f} mm: "
            f"the gain is {dial:.2f} instead of 2",
        )


def _check_depths(remark: Callable[[str, str], None], card: GaugeCard, depths: Floats) -> None:
    if not depths.size:
        return
    if depths.max() > DEEPEST_MM:
        remark(
            "deep",
            f"a depth of {depths.max():.3g} mm is no roll wave: check the unit of the readings",
        )
    if card.resolution_mm > COARSE * depths.mean():
        remark(
            "coarse",
            f"one step of the dial, {card.resolution_mm:g} mm, is "
            f"{100 * card.resolution_mm / max(depths.mean(), card.resolution_mm / 100):.0f} % of "
            "the mean depth",
        )
