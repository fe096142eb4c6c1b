"""Recipes: what is refused, and in which words."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midchord.configs import shipped
from midchord.simulate import simulate
from midchord.simulating.recipe import Recipe
from midchord.simulating.surface import Surface
from midchord_io.errors import SettingsError

LITE = {"length_mm": 1500.0, "width_mm": 700.0}


def refused(**sections: object) -> str:
    with pytest.raises(SettingsError) as caught:
        Recipe.of({"lite": LITE, **sections}, where="mine.toml")
    return str(caught.value)


def test_only_the_size_must_be_given() -> None:
    recipe = Recipe.of({"lite": LITE})
    assert recipe.roll_waves == ()
    assert recipe.lite.id == "simulated"
    assert recipe.scanner.frame == "machine"


def test_a_missing_size_is_named() -> None:
    with pytest.raises(SettingsError, match=r"recipe: the key 'lite.width_mm' is missing;"):
        Recipe.of({"lite": {"length_mm": 1500.0}})


@pytest.mark.parametrize(
    ("sections", "words"),
    [
        (
            {"roll_waves": [{"amplitud_mm": 0.1, "amplitude_mm": 0.1, "wavelength_mm": 250}]},
            "mine.toml: there is no key 'roll_waves.0.amplitud_mm', "
            "did you mean 'amplitude_mm'?; keys and values as",
        ),
        ({"noize": {}}, "there is no key 'noize', did you mean 'noise'?"),
        (
            {"edge_lift": {"leadin": {"size_mm": 1, "decay_mm": 60}}},
            "there is no key 'edge_lift.leadin', did you mean 'leading'?",
        ),
        (
            {
                "roll_waves": [
                    {
                        "amplitude_mm": 0.1,
                        "wavelength_mm": 250,
                        "drift": {"linear": 0.6, "sinusoidal": 0.4},
                    }
                ]
            },
            "linear and sinusoidal together must stay below 1",
        ),
        (
            {"scanner": {"frame": "lite"}, "position": {"skew_deg": 1}},
            "position is only for scanner.frame = 'machine'",
        ),
        (
            {"scanner": {"pitch_y_mm": 200}},
            "scanner.pitch_y_mm must be at most a quarter of the lite's size",
        ),
        ({"scanner": {"scanned_at": "2026-01-01T00:00:00"}}, "scanned_at needs its zone"),
        (
            {
                "roller_marks": [
                    {
                        "depth_mm": 0.01,
                        "period_mm": 60,
                        "length_mm": 11,
                        "y_mm": 3,
                        "width_mm": 3,
                    }
                ]
            },
            "length_mm must be at most a sixth of period_mm",
        ),
        ({"form": {"bow_across_mm": 180}}, "bow must be at most a quarter of the lite's size"),
        (
            {
                "outline": {
                    "corners_mm": {
                        "leading_left": (0, 700),
                        "leading_right": (0, 0),
                        "trailing_left": (1500, 0),
                        "trailing_right": (1500, 700),
                    }
                }
            },
            "must be a convex shape with no corner swapped",
        ),
        (
            {
                "outline": {
                    "corners_mm": {
                        "leading_left": (0, 0),
                        "leading_right": (0, 700),
                        "trailing_left": (1500, 0),
                        "trailing_right": (1510, 690),
                    }
                }
            },
            "must lie within length_mm and width_mm",
        ),
        ({"spikes": {"share": 1.0}}, "spikes.share = 1.0: it must be less than 1"),
    ],
)
def test_refusals_say_what_is_wrong(sections: dict[str, object], words: str) -> None:
    assert words in refused(**sections)


def test_every_fault_is_named_at_once() -> None:
    message = refused(seed=-1, spikes={"size": 3})
    assert "seed = -1" in message
    assert "'spikes.size', did you mean 'size_mm'?" in message


@pytest.mark.parametrize(
    ("name", "length_mm", "width_mm"),
    [
        ("demo-heron", 2460, 1240),
        ("target", 3600, 2400),
        ("coarse", 2100, 1000),
        ("no-wave", 2000, 1100),
        ("shaped", 2200, 1050),
        ("jumbo", 6000, 3210),
    ],
)
def test_shipped_recipes_load(name: str, length_mm: float, width_mm: float) -> None:
    surface = Surface(Recipe.load(shipped("configs", "recipes", f"{name}.toml")))
    assert (surface.length_mm, surface.width_mm) == (length_mm, width_mm)


def test_every_shipped_recipe_is_listed_above() -> None:
    found = {path.stem for path in Path(shipped("configs", "recipes")).glob("*.toml")}
    assert found == {"demo-heron", "target", "coarse", "no-wave", "shaped", "jumbo"}


WHOLE: dict[str, Any] = {
    "seed": 3,
    "lite": {"length_mm": 600.0, "width_mm": 300.0, "thickness_mm": 6.0},
    "scanner": {"pitch_x_mm": 10.0, "pitch_y_mm": 10.0},
    "position": {
        "skew_deg": 1.0,
        "offset_x_mm": 3.0,
        "offset_y_mm": 2.0,
        "margin_mm": 10.0,
        "belt_mm": -30.0,
    },
    "roll_waves": [
        {
            "amplitude_mm": 0.05,
            "wavelength_mm": 200.0,
            "drift": {"linear": 0.1, "sinusoidal": 0.1, "cycles": 1.0, "phase_deg": 10.0},
            "ridge_skew_deg": 1.0,
            "ridge_bow_mm": 3.0,
            "phase_deg": 5.0,
        }
    ],
    "form": {"bow_along_mm": 1.0, "bow_across_mm": 0.5, "twist_mm": 0.5},
    "edge_lift": {"leading": {"size_mm": 0.3, "decay_mm": 60.0}},
    "imprint": {
        "amplitude_mm": 0.01,
        "pitch_x_mm": 30.0,
        "pitch_y_mm": 30.0,
        "first_x_mm": 1.0,
        "odd_nozzles": [{"y_mm": 100.0, "width_mm": 20.0, "factor": 2.0}],
    },
    "roller_marks": [
        {"depth_mm": 0.05, "period_mm": 150.0, "length_mm": 10.0, "y_mm": 100.0, "width_mm": 20.0}
    ],
    "bumps": [{"x_mm": 100.0, "y_mm": 100.0, "height_mm": 0.1, "width_mm": 20.0}],
    "outline": {
        "holes": [{"x_mm": 100.0, "y_mm": 100.0, "diameter_mm": 30.0}],
        "notches": [{"edge": "left", "at_mm": 200.0, "width_mm": 40.0, "depth_mm": 20.0}],
        "cuts": [{"corner": "leading_left", "along_mm": 20.0, "across_mm": 20.0}],
    },
    "noise": {
        "white_sigma_mm": 0.005,
        "correlated_sigma_mm": 0.003,
        "correlation_x_mm": 10.0,
        "correlation_y_mm": 5.0,
        "quantum_mm": 0.001,
    },
    "spikes": {"share": 0.001, "size_mm": 0.5},
    "dropouts": {
        "share": 0.01,
        "patches": 2,
        "patch_mm": 20.0,
        "streaks": 1,
        "streak_width_mm": 3.0,
        "streak_length_mm": 100.0,
    },
}


def numbers(part: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    for key, value in part.items() if isinstance(part, dict) else enumerate(part):
        if isinstance(value, dict | list):
            yield from numbers(value, (*path, key))
        elif not isinstance(value, str):
            yield (*path, key)


@pytest.mark.parametrize("path", list(numbers(WHOLE)), ids=lambda path: ".".join(map(str, path)))
def test_numbers_that_are_none_are_refused_by_name(path: tuple[Any, ...]) -> None:
    name = ".".join(map(str, path))
    for value in (math.nan, math.inf, -math.inf, 1e300, -1e300, 10**400, "much"):
        recipe = copy.deepcopy(WHOLE)
        part = recipe
        for key in path[:-1]:
            part = part[key]
        part[path[-1]] = value
        with pytest.raises(SettingsError, match=re.escape(f"recipe: {name} = ")):
            Recipe.of(recipe)


def changed(**sections: dict[str, Any]) -> Recipe:
    return Recipe.of({**WHOLE, **{key: {**WHOLE[key], **sections[key]} for key in sections}})


def test_what_would_be_too_much_is_refused_beforehand() -> None:
    assert Recipe.of(WHOLE).seed == 3
    with pytest.raises(SettingsError, match=r"2\.1e\+09 points, more than 4e\+08; a wider pitch"):
        changed(scanner={"pitch_x_mm": 0.01, "pitch_y_mm": 0.01})
    with pytest.raises(SettingsError, match=r"noise\.quantum_mm = 1e-300: it must be 0, or at"):
        changed(noise={"quantum_mm": 1e-300})
    with pytest.raises(SettingsError, match="scanned_at must be from 1970 to 2199"):
        changed(scanner={"scanned_at": "9999-12-31T00:00:00Z"})


def test_a_streak_longer_than_the_scan_goes_through_it() -> None:
    dropouts = {"streak_length_mm": 1e5, "streak_width_mm": 20.0, "share": 0.0, "patches": 0}
    scan, truth = simulate(changed(dropouts=dropouts))
    is_blind = np.isnan(scan.height.sel(x=slice(50, 550))).all("x")
    assert int(is_blind.sum()) == 2  # lines of 10 mm
    assert truth.attrs["dropout_count"] == pytest.approx(2 * 60, abs=2)


def test_a_lite_that_is_all_hole_has_no_place_for_dropouts() -> None:
    hole = {"x_mm": 300.0, "y_mm": 150.0, "diameter_mm": 1000.0}
    with pytest.raises(SettingsError, match="hardly any glass is left for dropouts"):
        simulate(changed(outline={"holes": [hole]}))
