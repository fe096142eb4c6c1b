"""Hand surveys of known truth: what people would have written down of lites whose surface is known.

The true surface gives the readings (everything in, bow too); people are some mm off their stated
place, read with scatter, an offset of their own and a scale of the gauge, round to the step of the
dial, and now and then blunder. The maps come from a noisy scan of the same lite.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

import surfaces
from midchord.run import process
from midchord.simulate import simulate
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord.surveying.pairing import Paired, pair_readings
from midchord.surveying.twin_field import MappedLite
from midchord_io.gauge_card import GaugeCard, card_of
from midchord_io.survey import Survey

HALF_SPAN_MM = 115.0
STEP_MM = 0.001
PLACEMENT_SD_MM = 5.0

BLUNDERS = (
    "sign",
    "factor 2",
    "factor 1/2",
    "factor 25.4",
    "factor 1/25.4",
    "factor 10",
    "factor 1/10",
    "swapped marks",
    "neighbouring spot",
)
FACTORS = {
    "sign": -1.0,
    "factor 2": 2.0,
    "factor 1/2": 0.5,
    "factor 25.4": 25.4,
    "factor 1/25.4": 1 / 25.4,
    "factor 10": 10.0,
    "factor 1/10": 0.1,
}


@dataclass(frozen=True)
class KnownLite:
    """A lite whose maps and whose true surface are known."""

    mapped: MappedLite
    surface: Surface
    length_mm: float
    width_mm: float

    def reading_mm(
        self, x_mm: np.ndarray, y_mm: np.ndarray, half_span_mm: float = HALF_SPAN_MM
    ) -> np.ndarray:
        """Three-point reading of the true surface."""
        z = self.surface.height
        feet = z(x_mm - half_span_mm, y_mm) + z(x_mm + half_span_mm, y_mm)
        return z(x_mm, y_mm) - feet / 2


def card(**changes: Any) -> GaugeCard:
    values = {
        "gauge": "Slate 115",
        "kind": "three-point",
        "half_span_mm": HALF_SPAN_MM,
        "depth_is": "swing",
        "resolution_mm": STEP_MM,
        "reading_sign": 1,
    }
    return card_of({k: v for k, v in (values | changes).items() if v is not None})


@functools.cache
def known_lite(number: int) -> KnownLite:
    """Number 0, 1, 2 ...: each with a wave, a drift and noise of its own."""
    rng = np.random.default_rng(100 + number)
    length, width = 2200.0 + 100 * (number % 4), 620.0 + 40 * (number % 3)
    recipe = surfaces.recipe(
        seed=number + 1,
        lite={"id": f"lite-{number}", "length_mm": length, "width_mm": width},
        scanner={"pitch_x_mm": 5.0, "pitch_y_mm": 10.0, "frame": "lite"},
        roll_waves=[
            {
                "amplitude_mm": float(rng.uniform(0.03, 0.05)),
                "wavelength_mm": float(rng.uniform(215, 260)),
                "drift": {"sinusoidal": 0.06, "phase_deg": float(rng.uniform(0, 360))},
                "amplitude_across": {"linear": 0.3},
                "ridge_skew_deg": 1.5,
                "phase_deg": float(rng.uniform(0, 360)),
            }
        ],
    )
    return _known(recipe)


def _known(recipe: Any) -> KnownLite:
    scan, _ = simulate(recipe)
    lite = recipe.lite
    return KnownLite(
        MappedLite(process(scan)), Surface(recipe), lite.length_mm, lite.width_mm
    )


@functools.cache
def symmetric_lite() -> KnownLite:
    """Straight ridges, even wave with a crest in the middle: it reads alike from every corner."""
    recipe = surfaces.recipe(
        lite={"id": "symmetric", "length_mm": 2200.0, "width_mm": 600.0},
        scanner={"pitch_x_mm": 5.0, "pitch_y_mm": 10.0, "frame": "lite"},
        roll_waves=[{"amplitude_mm": 0.045, "wavelength_mm": 220.0, "phase_deg": 0.0}],
        form=None,
        edge_lift=None,
        dropouts=None,
    )
    return _known(recipe)


@dataclass
class People:
    """How a survey is taken. Offsets in mm, of each operator's zero."""

    operators: dict[str, float] = field(default_factory=lambda: {"Anna": 0.0})
    repeats: int = 1
    bias_mm: float = 0.0
    scale: float = 1.0
    placement_sd_mm: float = PLACEMENT_SD_MM
    reading_sd_mm: float = 0.002
    step_mm: float = STEP_MM
    blunder_share: float = 0.0
    blunders: tuple[str, ...] = BLUNDERS
    shift_mm: tuple[float, float] = (0.0, 0.0)
    half_span_mm: float = HALF_SPAN_MM


@dataclass(frozen=True)
class Taken:
    """A survey, and what is true of each row: ``kind`` of blunder ("" for none), ``effect_mm``."""

    survey: Survey
    truth: pd.DataFrame
    lites: dict[str, MappedLite]

    def paired(self, gauge: GaugeCard | None = None, sd_mm: float = PLACEMENT_SD_MM) -> Paired:
        return pair_readings(self.survey, gauge or card(), self.lites, placement_sd_mm=sd_mm)


def turning_places(lite: KnownLite, y_mm: float) -> np.ndarray:
    """Peaks and valleys of the true reading along a line, clear of the edges."""
    key = (lite.mapped.lite_id, y_mm)
    if key not in _TURNS:
        _TURNS[key] = _turning_places(lite, y_mm)
    return _TURNS[key]


_TURNS: dict[tuple[str, float], np.ndarray] = {}


def _turning_places(lite: KnownLite, y_mm: float) -> np.ndarray:
    waves = true_half_waves(lite.surface, line_y_mm=y_mm, half_span_mm=HALF_SPAN_MM)
    turns = np.unique(np.concatenate([waves["x_from_mm"], waves["x_to_mm"]]).round(1))
    return turns[(turns > 310) & (turns < lite.length_mm - 310)]


def spread_places(
    lite: KnownLite, count: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Anywhere that the gauge can stand."""
    x = np.round(rng.uniform(140, lite.length_mm - 140, count))
    return x, np.round(rng.uniform(30, lite.width_mm - 30, count))


def flat_places(
    lite: KnownLite, count: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Near peaks and valleys, where a planned survey takes its spots."""
    y = np.round(rng.uniform(30, lite.width_mm - 30, count))
    x = [rng.choice(turning_places(lite, round(v / 20) * 20)) for v in y]
    return np.round(np.array(x) + rng.uniform(-10, 10, count)), y


def take_spots(
    lites: list[KnownLite],
    people: People,
    rng: np.random.Generator,
    *,
    spots: int = 12,
    places: Any = spread_places,
) -> Taken:
    rows = []
    for lite in lites:
        x, y = places(lite, spots, rng)
        for operator in people.operators:
            for repeat in range(1, people.repeats + 1):
                rows.append(_readings(lite, x, y, operator, repeat, people, rng))
    return _taken("spots", lites, pd.concat(rows, ignore_index=True), people, rng)


def take_lines(
    lites: list[KnownLite],
    people: People,
    rng: np.random.Generator,
    *,
    lines_mm: tuple[float, ...] | None = None,
) -> Taken:
    rows = []
    for lite in lites:
        for y in lines_mm or (lite.width_mm / 2,):
            turns = turning_places(lite, y)
            for operator in people.operators:
                for repeat in range(1, people.repeats + 1):
                    walk = _readings(
                        lite, np.round(turns), np.full(turns.size, y), operator, repeat, people,
                        rng,
                    )  # fmt: skip
                    rows.append(walk.assign(mark=np.arange(1, turns.size + 1)))
    return _taken("lines", lites, pd.concat(rows, ignore_index=True), people, rng)


def _readings(
    lite: KnownLite,
    x: np.ndarray,
    y: np.ndarray,
    operator: str,
    repeat: int,
    people: People,
    rng: np.random.Generator,
) -> pd.DataFrame:
    off = rng.normal(0, people.placement_sd_mm, (2, x.size)) if people.placement_sd_mm else [0, 0]
    # the gauge stays on the glass
    margin = people.half_span_mm + 1
    at_x = np.clip(x + people.shift_mm[0] + off[0], margin, lite.length_mm - margin)
    at_y = np.clip(y + people.shift_mm[1] + off[1], 0, lite.width_mm)
    true = lite.reading_mm(at_x, at_y, people.half_span_mm)
    value = people.scale * true + people.bias_mm + people.operators[operator]
    return pd.DataFrame(
        {
            "lite_id": lite.mapped.lite_id,
            "gauge": card().gauge,
            "operator": operator,
            "repeat": repeat,
            "x_mm": x,
            "y_mm": y,
            "meant_mm": value + rng.normal(0, people.reading_sd_mm, x.size),
        }
    )


def _taken(
    kind: str,
    lites: list[KnownLite],
    rows: pd.DataFrame,
    people: People,
    rng: np.random.Generator,
) -> Taken:
    meant = rows.pop("meant_mm").to_numpy()
    written, kinds = _blundered(rows, meant, people, rng)
    steps = round(1 / people.step_mm)
    written, shown = (np.round(v * steps) / steps for v in (written, meant))
    table = rows.assign(
        row=np.arange(2, len(rows) + 2),
        reading_mm=written,
        datum_x="leading",
        datum_y="left",
        read_at=pd.NaT,
        note="",
        excluded=False,
        reason="",
    )
    if kind == "lines":
        table = table.rename(columns={"x_mm": "distance_mm", "y_mm": "line_y_mm"})
    truth = pd.DataFrame({"row": table["row"], "kind": kinds, "effect_mm": written - shown})
    survey = Survey("survey.csv", "lines" if kind == "lines" else "spots", table, {})
    return Taken(survey, truth, {lite.mapped.lite_id: lite.mapped for lite in lites})


def _blundered(
    rows: pd.DataFrame, meant: np.ndarray, people: People, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    written, kinds = meant.copy(), np.full(meant.size, "", dtype=object)
    walk = (rows["lite_id"] + rows["operator"] + rows["repeat"].astype(str)).to_numpy()
    walk = walk + rows["y_mm"].astype(str).to_numpy() if "mark" in rows else walk
    for i in np.flatnonzero(rng.random(meant.size) < people.blunder_share):
        kind = str(rng.choice(people.blunders))
        partner = i + 1 if i + 1 < meant.size and walk[i + 1] == walk[i] else i - 1
        if kinds[i] or (kind == "swapped marks" and kinds[partner]):
            continue
        if kind == "swapped marks":
            written[i], written[partner] = meant[partner], meant[i]
            kinds[partner] = kind
        elif kind == "neighbouring spot":
            written[i] = meant[partner]
        else:
            written[i] = meant[i] * FACTORS[kind]
        kinds[i] = kind
    return written, kinds


def taken_wrongly(taken: Taken, way: str, lite: KnownLite) -> Taken:
    """The same survey with its datum the wrong way round: places and signs as written down."""
    table = taken.survey.readings.copy()
    x, y = ("x_mm", "y_mm") if taken.survey.kind == "spots" else ("distance_mm", "line_y_mm")
    if "trailing" in way or "turned" in way:
        table[x] = lite.length_mm - table[x]
    if "right" in way or "turned" in way:
        table[y] = lite.width_mm - table[y]
    if "other face" in way:
        table["reading_mm"] = -table["reading_mm"]
    if "reversed marks" in way:
        walks = table.groupby(["lite_id", "operator", "repeat", "line_y_mm"])["reading_mm"]
        table["reading_mm"] = walks.transform(lambda values: values.to_numpy()[::-1])
    survey = Survey(taken.survey.where, taken.survey.kind, table, {})
    return Taken(survey, taken.truth, taken.lites)
