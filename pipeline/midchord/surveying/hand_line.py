"""One line of a hand survey: its wavelengths, depths and distortions.

The rules are those of ``hand_survey``. A line is one walk of one person with one gauge, its marks
in order from the edge that they are counted from.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.gauge import gain
from midchord.settings import Settings
from midchord.surveying.survey_remarks import zones_of
from midchord.waves import TurningPoints, distortion_mdpt, half_waves
from midchord_io.gauge_card import GaugeCard

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Figures", "LineWorkUp", "Spread", "clear_of_edges", "figures_of", "work_up_line"]

Floats = npt.NDArray[np.float64]


class Spread(NamedTuple):
    """Smallest, mean and largest of n figures; None where there is none."""

    n: int
    min: float | None
    mean: float | None
    max: float | None


def _spread(values: npt.ArrayLike) -> Spread:
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not known.size:
        return Spread(0, None, None, None)
    return Spread(known.size, float(known.min()), float(known.mean()), float(known.max()))


@dataclass(frozen=True)
class Figures:
    """What is reported of one line, or of several pooled; lengths mm, distortions mdpt.

    wavelength_mm           full waves;  half_span_mm: half of their mean, for the feet
    depth_mm                by the convention of the gauge
    distortion_full_wave_mdpt, distortion_half_wave_mdpt   of those depths, by the two forms of L
    surface_depth_mm, surface_distortion_mdpt   true peak to valley, and the distortion of that
                            (full wave): the depth itself, or swing / G of a gauge on feet
    local_distortion_mdpt   gauges with short feet only: at the marks, 4 |r| / a^2
    """

    wavelength_mm: Spread
    half_span_mm: float | None
    depth_mm: Spread
    distortion_full_wave_mdpt: Spread
    distortion_half_wave_mdpt: Spread
    surface_depth_mm: Spread
    surface_distortion_mdpt: Spread
    local_distortion_mdpt: Spread


@dataclass(frozen=True)
class LineWorkUp:
    """One line, walked once by one person with one gauge.

    marks       one row a mark: ``row, mark, distance_mm, reading_mm`` (calibration offset taken
                off), ``kind`` (peak, valley, neither; empty where not read), ``zone`` (clear, near,
                edge), ``excluded``, ``local_distortion_mdpt``
    half_waves  one row a half wave: ``from_mark, to_mark, from_mm, to_mm, rising, depth_mm,
                full_wave_mm, half_wave_mm`` (L by the two forms), ``distortion_full_wave_mdpt,
                distortion_half_wave_mdpt, gain, surface_depth_mm, surface_distortion_mdpt``;
                NaN: no figure
    """

    lite_id: str
    gauge: str
    operator: str
    repeat: int
    line_y_mm: float
    datum_edge: str
    y_from: str
    marks: pd.DataFrame
    half_waves: pd.DataFrame
    figures: Figures

    @property
    def name(self) -> str:
        """The line in words, for tables and messages."""
        return f"{self.operator}, repeat {self.repeat}, y {self.line_y_mm:g} mm"

    @property
    def is_read(self) -> bool:
        """Whether the gauge was read, or only the marks set."""
        return bool(self.marks["reading_mm"].notna().any())


def work_up_line(
    table: pd.DataFrame, card: GaugeCard | None, length_mm: float | None, settings: Settings
) -> LineWorkUp:
    """Work up the rows of one line of ``Survey.readings``.

    card       of its gauge; None where the gauge has not been used yet
    length_mm  of the lite, None where it is not known
    """
    import pandas as pd

    first = table.iloc[0]
    offset = (card.calibration_offset_mm or 0.0) if card else 0.0
    sign = (card.reading_sign or 1) if card else 1
    marks = table[["row", "mark", "distance_mm", "excluded"]].reset_index(drop=True)
    marks["reading_mm"] = table["reading_mm"].to_numpy() - offset
    half_span = card.half_span_mm if card else None
    marks["zone"] = zones_of(
        marks["distance_mm"].to_numpy(), half_span, length_mm, settings.zones.edge_x_mm
    )
    used = ~marks["excluded"].to_numpy()
    run = np.cumsum(~used)[used]
    x = marks["distance_mm"].to_numpy()[used]
    r = marks["reading_mm"].to_numpy()[used]
    kind = np.full(len(marks), "", dtype=object)
    kind[used] = _kinds(sign * r, run)
    marks["kind"] = kind
    local = np.full(len(marks), np.nan)
    if card is not None and card.kind == "short-feet" and half_span:
        local[used] = 4e6 * np.abs(r) / half_span**2
    marks["local_distortion_mdpt"] = local

    points = TurningPoints(np.zeros(x.size, np.intp), run.astype(np.intp), x, r, _rises(sign * r))
    waves = half_waves(points, wavelength="half", band_mm=(0.0, math.inf))
    at = np.searchsorted(x, waves.x_to_mm)
    number = marks["mark"].to_numpy()[used]
    full = waves.x_to_mm - waves.before_mm
    best = np.where(np.isfinite(full), full, waves.wavelength_mm)
    depth = waves.depth_mm
    gains = _gains(card, best)
    known = (gains >= settings.maps.gain_blind) & (gains > 0)
    surface = np.divide(depth, gains, out=np.full(depth.size, np.nan), where=known)
    half_wave_table = pd.DataFrame(
        {
            "from_mark": number[at - 1],
            "to_mark": number[at],
            "from_mm": waves.x_from_mm,
            "to_mm": waves.x_to_mm,
            "rising": waves.is_rising,
            "depth_mm": depth,
            "full_wave_mm": full,
            "half_wave_mm": waves.wavelength_mm,
            "distortion_full_wave_mdpt": distortion_mdpt(depth, full),
            "distortion_half_wave_mdpt": distortion_mdpt(depth, waves.wavelength_mm),
            "gain": gains,
            "surface_depth_mm": surface,
            "surface_distortion_mdpt": distortion_mdpt(surface, full),
        }
    )
    return LineWorkUp(
        lite_id=str(first["lite_id"]),
        gauge=str(first["gauge"]),
        operator=str(first["operator"]),
        repeat=int(first["repeat"]),
        line_y_mm=float(first["line_y_mm"]),
        datum_edge=str(first["datum_x"]),
        y_from=str(first["datum_y"]),
        marks=marks,
        half_waves=half_wave_table,
        figures=figures_of([half_wave_table], [marks]),
    )


def _gains(card: GaugeCard | None, wavelength_mm: Floats) -> Floats:
    """Depth as read over depth of the surface."""
    if card is None:
        return np.full_like(wavelength_mm, np.nan)
    if card.convention == "surface":
        return np.ones_like(wavelength_mm)
    return gain(float(card.half_span_mm or 0.0), wavelength_mm)


def _rises(r: Floats) -> npt.NDArray[np.bool_]:
    """Whether each mark is higher than the one before."""
    return np.concatenate([[False], np.diff(r) > 0])[: r.size]


def _kinds(r: Floats, run: npt.NDArray[np.intp]) -> list[str]:
    """Peak, valley or neither by the neighbours in the same run; empty where nothing is known."""
    kinds = []
    for i in range(r.size):
        beside = [j for j in (i - 1, i + 1) if 0 <= j < r.size and run[j] == run[i]]
        steps = [r[i] - r[j] for j in beside]
        if not steps or not np.isfinite(steps).all():
            kinds.append("")
        elif all(step > 0 for step in steps):
            kinds.append("peak")
        elif all(step < 0 for step in steps):
            kinds.append("valley")
        else:
            kinds.append("neither")
    return kinds


def clear_of_edges(line: LineWorkUp) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Half waves and marks of a line without those in the edge zone.

    A full wave that begins there has no figure left; its half wave keeps its depth.
    """
    in_edge = line.marks["zone"] == "edge"
    marks = line.marks[~in_edge]
    out, places = line.marks.loc[in_edge, "mark"], line.marks.loc[in_edge, "distance_mm"]
    waves = line.half_waves
    waves = waves[~(waves["from_mark"].isin(out) | waves["to_mark"].isin(out))].copy()
    begin = (waves["to_mm"] - waves["full_wave_mm"]).to_numpy(float)
    cut = (np.abs(begin[:, None] - places.to_numpy(float)) < 1e-6).any(axis=1)
    of_full_wave = ["full_wave_mm", "distortion_full_wave_mdpt", "surface_distortion_mdpt"]
    waves.loc[cut, of_full_wave] = np.nan
    return waves, marks


def figures_of(half_waves_of: Sequence[pd.DataFrame], marks_of: Sequence[pd.DataFrame]) -> Figures:
    """Figures over all half waves and marks of one line or of several."""

    def spread(name: str) -> Spread:
        return _spread(np.concatenate([table[name] for table in half_waves_of]))

    wavelength = spread("full_wave_mm")
    return Figures(
        wavelength_mm=wavelength,
        half_span_mm=None if wavelength.mean is None else wavelength.mean / 2,
        depth_mm=spread("depth_mm"),
        distortion_full_wave_mdpt=spread("distortion_full_wave_mdpt"),
        distortion_half_wave_mdpt=spread("distortion_half_wave_mdpt"),
        surface_depth_mm=spread("surface_depth_mm"),
        surface_distortion_mdpt=spread("surface_distortion_mdpt"),
        local_distortion_mdpt=_spread(
            np.concatenate([marks["local_distortion_mdpt"] for marks in marks_of])
        ),
    )
