"""Accuracy of whole lites against their truth, written to docs/accuracy.md.

    python benchmarks/accuracy.py

Errors are relative, per half wave of a line each 100 mm; "CRB" is the RMS error as a multiple of
the Cramer-Rao bound for the glass that the figure is made of. Run by ``make long``.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from accuracy import FIGURES, Comparison, compare, cramer_rao, target_recipe, waves_used  # noqa: E402

TITLES = (
    "depth, gauge",
    "wavelength",
    "distortion, gauge",
    "depth, surface",
    "distortion, surface",
)
NOISE_MM = 0.005


def roll(wavelength_mm: float, amplitude_mm: float) -> list[dict[str, Any]]:
    base = target_recipe().model_dump(mode="json")["roll_waves"][0]
    return [base | {"wavelength_mm": wavelength_mm, "amplitude_mm": amplitude_mm}]


CASES: dict[str, tuple[dict[str, Any], float]] = {
    "the target lite, 0.08 mm deep, L 300 mm": ({}, 25.0),
    "0.03 mm deep or a little more, L 165 mm": ({"roll_waves": roll(165.0, 0.0215)}, 25.0),
    "the same, L 300 mm": ({"roll_waves": roll(300.0, 0.0215)}, 25.0),
    "the same, L 405 mm": ({"roll_waves": roll(405.0, 0.0215)}, 25.0),
    "pitch 0.5 x 25 mm, the same, L 165 mm": (
        {
            "roll_waves": roll(165.0, 0.0215),
            "scanner": {"pitch_x_mm": 0.5, "pitch_y_mm": 25.0},
        },
        2.0,
    ),
    "pitch 0.5 x 25 mm, the same, L 405 mm": (
        {
            "roll_waves": roll(405.0, 0.0215),
            "scanner": {"pitch_x_mm": 0.5, "pitch_y_mm": 25.0},
        },
        2.0,
    ),
}


def rows(title: str, one: Comparison, samples_per_mm: float) -> list[str]:
    wave = one.surface.recipe.roll_waves[0]
    lines = []
    for figure, name in zip(FIGURES, TITLES, strict=True):
        bound = cramer_rao(
            amplitude_mm=wave.amplitude_mm,
            wavelength_mm=one.summary["mean_wavelength_mm"],
            noise_mm=NOISE_MM,
            samples_per_mm=samples_per_mm,
            waves=waves_used(figure),
        )
        least = 100 * bound["wavelength" if name == "wavelength" else "depth"]
        if name.startswith("distortion"):
            least = 100 * (bound["depth"] ** 2 + (2 * bound["wavelength"]) ** 2) ** 0.5
        lines.append(
            f"| {title} | {name} | {one.bias_percent(figure):+.2f} | "
            f"{one.rms_percent(figure):.2f} | {one.rms_percent(figure) / least:.1f} | "
            f"{100 * one.covered(figure).mean():.0f} | {one.rms_percent(figure, 'near'):.1f} |"
        )
        title = ""
    return lines


def main() -> None:
    table = []
    for title, (sections, samples_per_mm) in CASES.items():
        one = compare(target_recipe(**sections))
        table += rows(title, one, samples_per_mm)
        print("\n".join(table[-5:]), flush=True)
    text = (
        "# How near the truth\n\n"
        "Simulated lites of 3600 x 2400 mm, 5 um white noise, 2 % dropouts, 4 mm bow, edge lift, 1 "
        "degree of skew, wavelength drifting by an eighth either way. Truth: the same definitions "
        "on the noise-free analytic surface. Made by `python benchmarks/accuracy.py`.\n\n"
        "Bias and RMS error per half wave over the clear points, in per cent of the figure; RMS as "
        "a multiple of the Cramer-Rao bound (below one: the bound is for one wave on its own, the "
        "figures pool more glass); share of 95 % intervals that hold the truth; RMS of near "
        "points.\n\n"
        "| lite | figure | bias % | RMS % | of CRB | covered % | near, RMS % |\n"
        "|---|---|---|---|---|---|---|\n" + "\n".join(table) + "\n"
    )
    (ROOT / "docs" / "accuracy.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
