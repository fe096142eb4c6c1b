"""Recipes: what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path

import pytest

from midchord.configs import shipped
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
        ({"spikes": {"share": 1.0}}, "spikes.share = 1.0: Input should be less than 1"),
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
