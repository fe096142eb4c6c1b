"""Makes the example surveys under sample-scans/surveys anew.

They are hand surveys as two invented people would have written them of the demo lite, heron-07, on
the day after its scan. The true surface gives the readings, everything in, bow too; each person
then marks a turning point some millimetres off, reads with a little scatter and an offset of their
own, and rounds to the step of the dial. The seed is fixed: the files come out alike every time.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from midchord.configs import shipped
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord.simulating.truth import true_half_waves
from midchord_io.gauge_card import load_gauge_card

HALF_SPAN_MM = load_gauge_card(shipped("configs", "gauges", "three-point-120.toml")).half_span_mm
GAUGE, STEP_MM, EDGE_MM = "Teal 120", 0.001, 305.0
PEOPLE = (("Ines", 0.0), ("Oskar", 0.0015))  # name, offset of their zero in mm
PLACE_SD_MM, READING_SD_MM = 2.0, 0.001
SEED = 417


def reading_mm(surface: Surface, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """Three-point reading of the true surface, feet along x."""
    feet = [surface.height(x_mm + side * HALF_SPAN_MM, y_mm) for side in (-1, 1)]
    return surface.height(x_mm, y_mm) - (feet[0] + feet[1]) / 2


def written(surface: Surface, x: np.ndarray, y: np.ndarray, offset: float, rng) -> np.ndarray:
    """What a person writes down, in whole steps of the dial."""
    true = reading_mm(surface, x, y) + offset + rng.normal(0, READING_SD_MM, x.size)
    return np.round(true / STEP_MM) * STEP_MM


def lines(recipe: Recipe) -> str:
    """Centre line: two people, two repeats each, on the marks that each of them set."""
    rng = np.random.default_rng(SEED)
    surface = Surface(recipe)
    y = recipe.lite.width_mm / 2
    waves = true_half_waves(surface, line_y_mm=y, half_span_mm=HALF_SPAN_MM)
    turns = np.unique(np.concatenate([waves["x_from_mm"], waves["x_to_mm"]]))
    turns = turns[(turns > EDGE_MM + 5) & (turns < recipe.lite.length_mm - EDGE_MM - 5)]
    out = [
        "lite_id,gauge,operator,repeat,line_y_mm,datum_edge,mark,distance_mm,reading_mm,read_at,note"
    ]
    for person, offset in PEOPLE:
        marks = np.round(turns + rng.normal(0, PLACE_SD_MM, turns.size))
        for repeat in (1, 2):
            values = written(surface, marks, np.full(marks.size, y), offset, rng)
            out += [
                f"{recipe.lite.id},{GAUGE},{person},{repeat},{y:g},leading,{number},{x:.0f},"
                f"{value:.3f},2026-03-18,"
                for number, (x, value) in enumerate(zip(marks, values, strict=True), start=1)
            ]
    return "\n".join(out) + "\n"


def spots(recipe: Recipe) -> str:
    """Readings at places all over the clear zone, two people, with decimal commas and um."""
    rng = np.random.default_rng(SEED + 1)
    surface = Surface(recipe)
    count = 24
    x = np.round(rng.uniform(440, recipe.lite.length_mm - 440, count) / 5) * 5
    y = np.round(rng.uniform(120, recipe.lite.width_mm - 120, count) / 5) * 5
    out = ["lite_id;gauge;operator;repeat;x_mm;y_mm;reading_um;read_at"]
    for person, offset in PEOPLE:
        at = x + rng.normal(0, PLACE_SD_MM, count), y + rng.normal(0, PLACE_SD_MM, count)
        for place in zip(x, y, written(surface, *at, offset, rng), strict=True):
            shown = f"{1000 * place[2] + 0.0:.1f}".replace(".", ",")
            out.append(
                f"{recipe.lite.id};{GAUGE};{person};1;{place[0]:g};{place[1]:g};{shown};2026-03-18"
            )
    return "\n".join(out) + "\n"


FILES = {"heron-07.lines.csv": lines, "heron-07.spots.csv": spots}


def main() -> None:
    recipe = Recipe.load(shipped("configs", "recipes", "demo-heron.toml"))
    folder = Path(__file__).resolve().parents[1] / "sample-scans" / "surveys"
    folder.mkdir(exist_ok=True)
    for name, make in FILES.items():
        (folder / name).write_bytes(make(recipe).encode("utf-8"))


if __name__ == "__main__":
    main()
