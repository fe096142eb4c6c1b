"""Lites with maps and with hand surveys of known truth: people wrote what the true surface reads.

Three small lites of unequal depth go through the whole pipeline, skew and noise in; the surveys
come from the formula of their surface, bow and edge lift in, so that scan and gauge share nothing
but the lite.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

import midchord
import surfaces
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord_io.gauge_card import GaugeCard, card_of
from midchord_io.survey import Survey, read_survey

LENGTH_MM, WIDTH_MM = 2200.0, 400.0
HALF_SPAN_MM = 115.0
EDGE_MM = 425.0
"""Kept clear: edge zone and feet."""
LITES = {"Q-1": 0.030, "Q-2": 0.040, "Q-3": 0.052}
"""Name and amplitude in mm."""
SPOTS = "lite_id,gauge,operator,repeat,x_mm,y_mm,reading_mm,read_at,excluded,reason"
LINES = "lite_id,gauge,operator,repeat,line_y_mm,datum_edge,mark,distance_mm,reading_mm"

Floats = npt.NDArray[np.float64]
Gauge = Callable[[Surface, Floats, Floats], Floats]


def card(**other: Any) -> GaugeCard:
    """A three-point gauge with a dial of 1 um."""
    values: dict[str, Any] = {
        "gauge": "Wren 115", "kind": "three-point", "half_span_mm": HALF_SPAN_MM,
        "depth_is": "swing", "resolution_mm": 0.001, "reading_sign": 1, "support": "granite table",
    }  # fmt: skip
    values |= other
    return card_of({name: value for name, value in values.items() if value is not None})


def recipe(lite_id: str) -> Recipe:
    number = list(LITES).index(lite_id)
    return surfaces.recipe(
        seed=40 + number,
        lite={"length_mm": LENGTH_MM, "width_mm": WIDTH_MM, "id": lite_id},
        position={"skew_deg": 0.4 * (number - 1)},
        roll_waves=[
            {
                **surfaces.SMALL_LITE["roll_waves"][0],
                "amplitude_mm": LITES[lite_id],
                "phase_deg": 25.0 + 70 * number,
            }
        ],
    )


@functools.cache
def maps(lite_id: str, scan_number: int = 0) -> xr.Dataset:
    """Of one lite; another scan_number is a further scan of it, with noise of its own."""
    values = recipe(lite_id).model_dump()
    values["seed"] += 100 * scan_number
    scan, _ = midchord.simulate(Recipe.of(values))
    return midchord.process(scan.assign_attrs(source_sha256=f"{scan_number:064x}"))


def all_maps() -> list[xr.Dataset]:
    return [maps(lite_id) for lite_id in LITES]


def three_point(surface: Surface, x: Floats, y: Floats) -> Floats:
    """Reading of the true surface, feet along x."""
    left, right = surface.height(x - HALF_SPAN_MM, y), surface.height(x + HALF_SPAN_MM, y)
    return surface.height(x, y) - (left + right) / 2


def places(lite_id: str, count: int) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(7 + list(LITES).index(lite_id))
    x = np.round(rng.uniform(EDGE_MM, LENGTH_MM - EDGE_MM, count))
    return x, np.round(rng.uniform(60.0, WIDTH_MM - 60.0, count))


def spot_rows(
    *,
    gauge: str = "Wren 115",
    read: Gauge = three_point,
    count: int = 8,
    offset_mm: float = 0.0,
    scale: float = 1.0,
    placement_sd_mm: float = 2.0,
    reading_sd_mm: float = 0.001,
    people: Sequence[tuple[str, float]] = (("Ada", 0.0), ("Bo", 0.001)),
    repeats: int = 2,
    lites: Sequence[str] = tuple(LITES),
    seed: int = 5,
) -> list[str]:
    """Lines of a spot survey; a person puts the plunger some mm off, each time anew."""
    rng = np.random.default_rng(seed)
    rows = []
    for lite_id in lites:
        surface = Surface(recipe(lite_id))
        x, y = places(lite_id, count)
        for person, own in people:
            for repeat in range(1, repeats + 1):
                at = x + rng.normal(0, placement_sd_mm, count), y + rng.normal(0, 2.0, count)
                value = scale * read(surface, *at) + offset_mm + own
                value = np.round(value + rng.normal(0, reading_sd_mm, count), 3)
                rows += [
                    f"{lite_id},{gauge},{person},{repeat},{a:g},{b:g},{v:.3f},2026-06-01,,"
                    for a, b, v in zip(x, y, value, strict=True)
                ]
    return rows


def line_rows(
    *,
    gauge: str = "Wren 115",
    offset_mm: float = 0.0,
    placement_sd_mm: float = 5.0,
    people: Sequence[tuple[str, float]] = (("Ada", 0.0), ("Bo", 0.001)),
    repeats: int = 2,
    lites: Sequence[str] = tuple(LITES),
    seed: int = 6,
) -> list[str]:
    """Marks on the turning points of the centre line, each person's some mm off; the plunger is
    then put some mm beside its mark, each time anew."""
    rng = np.random.default_rng(seed)
    rows = []
    y = WIDTH_MM / 2
    for lite_id in lites:
        surface = Surface(recipe(lite_id))
        waves = true_half_waves(surface, line_y_mm=y, half_span_mm=HALF_SPAN_MM)
        turns = np.unique(np.concatenate([waves["x_from_mm"], waves["x_to_mm"]]))
        turns = turns[(turns > EDGE_MM) & (turns < LENGTH_MM - EDGE_MM)]
        for person, own in people:
            marks = np.round(turns + rng.normal(0, 2.0, turns.size))
            for repeat in range(1, repeats + 1):
                at = marks + rng.normal(0, placement_sd_mm, marks.size)
                value = three_point(surface, at, np.full(marks.size, y)) + offset_mm + own
                value = np.round(value + rng.normal(0, 0.001, marks.size), 3)
                rows += [
                    f"{lite_id},{gauge},{person},{repeat},{y:g},leading,{k},{x:g},{v:.3f}"
                    for k, (x, v) in enumerate(zip(marks, value, strict=True), start=1)
                ]
    return rows


def write_survey(folder: Path, header: str, rows: Sequence[str], name: str = "survey.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def survey_of(folder: Path, header: str, rows: Sequence[str]) -> Survey:
    return read_survey(write_survey(folder, header, rows))
