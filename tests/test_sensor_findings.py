"""What placing says about the sensor: nothing of a clean lite, and each fault in its words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import surfaces
from midchord.configs import shipped
from midchord.place import place
from midchord.placing.dust import Grains
from midchord.placing.jumps import SecondSurface
from midchord.placing.saturation import Saturated
from midchord.placing.sensor_findings import (
    dust_findings,
    lost_findings,
    saturation_findings,
    second_surface_findings,
    streak_findings,
)
from midchord.placing.streaks import LostAtRim, Streaks
from midchord.settings import Settings
from midchord_io.acquisition import findings_of
from midchord_io.adapters import open_scan
from turned import steep, turned

FINE = {"pitch_x_mm": 2.0, "pitch_y_mm": 4.0}
"""Fine enough for every fault to be looked for."""
HOLES = [{"x_mm": 500.0 + 300 * k, "y_mm": 300.0, "diameter_mm": 8.0 + 15 * k} for k in range(4)]
CLEAN = {
    "as it is": {},
    "fine": {"scanner": {"pitch_x_mm": 1.0, "pitch_y_mm": 2.0}},
    "one millimetre": {"scanner": {"pitch_x_mm": 1.0, "pitch_y_mm": 1.0}},
    "coarse": {"scanner": {"pitch_x_mm": 0.5, "pitch_y_mm": 25.0}},
    "on the lite": {"scanner": {"frame": "lite", **FINE}},
    "lower face": {"scanner": {"face": "lower", **FINE}},
    "no noise": {"scanner": FINE, "noise": None},
    "loud": {"scanner": FINE, "noise": {"white_sigma_mm": 0.02}},
    "correlated": {
        "scanner": FINE,
        "noise": {
            "white_sigma_mm": 0.002,
            "correlated_sigma_mm": 0.004,
            "correlation_x_mm": 6.0,
            "correlation_y_mm": 4.0,
        },
    },
    "dithered": {"scanner": FINE, "noise": {"white_sigma_mm": 0.003, "quantum_mm": 0.005}},
    "rounded": {"scanner": FINE, "noise": {"white_sigma_mm": 0.0005, "quantum_mm": 0.01}},
    "flat": {"scanner": FINE, "roll_waves": [], "form": None, "edge_lift": None},
    "flat and rounded": {
        "scanner": FINE,
        "form": None,
        "edge_lift": None,
        "noise": {"white_sigma_mm": 0.0, "quantum_mm": 0.01},
    },
    "spikes": {"scanner": FINE, "spikes": {"share": 0.001, "size_mm": 0.5}},
    "dropouts": {"scanner": FINE, "dropouts": {"share": 0.15, "patches": 4}},
    "openings": {"scanner": FINE, "outline": {"holes": HOLES}},
    "belt and openings": {
        "scanner": FINE,
        "outline": {"holes": HOLES},
        "position": {"belt_mm": -80.0},
    },
    "imprint": {
        "scanner": FINE,
        "imprint": {"amplitude_mm": 0.01, "pitch_x_mm": 30.0, "pitch_y_mm": 50.0},
    },
    "local bump": {
        "scanner": FINE,
        "bumps": [{"x_mm": 800.0, "y_mm": 200.0, "height_mm": 0.4, "width_mm": 25.0}],
    },
    "steep edges": {
        "scanner": FINE,
        "edge_lift": {
            "leading": {"size_mm": 0.6, "decay_mm": 20.0},
            "right": {"size_mm": -0.5, "decay_mm": 15.0},
        },
    },
}


def _named(scan):
    return [finding.what for finding in findings_of(place(scan, **_options()))]


def _options():
    return Settings.load().place.model_dump()


@pytest.mark.parametrize("case", CLEAN)
def test_nothing_is_said_of_a_clean_lite(case):
    assert _named(surfaces.lite(**CLEAN[case])[0]) == []


@pytest.mark.parametrize("pitch_mm", [(1.0, 1.0), (1.0, 6.0), (0.5, 25.0), (5.0, 5.0)])
def test_nothing_is_said_of_a_steep_one(pitch_mm):
    scan = turned(steep, skew_deg=-1.7, pitch_mm=pitch_mm, noise_mm=0.003, dropout_share=0.02).scan
    assert _named(scan) == []


def test_of_the_samples_only_what_their_recipes_have():
    folder = shipped("sample-scans", "even.nc").parent
    said = {}
    for path in sorted(Path(folder).glob("*.nc")):
        scan = open_scan(path)
        before = len(findings_of(scan))
        said[path.stem] = _named(scan)[before:]
    # the demo has one streak of dropouts, and says so in its recipe
    assert said.pop("demo-heron") == ["dropout streaks"]
    assert set(map(tuple, said.values())) == {()}


def test_the_words():
    is_second = np.ones((5, 8), bool)
    (found,) = second_surface_findings(
        SecondSurface(is_second, 5.2632, 3), thickness_mm=8.0, glass_points=100_000
    )
    assert found.sentence == (
        "40 points in 3 patches lie 5.26 mm below the surface around them, all by as much: the "
        "second surface, seen through the glass (that fits the 5.26 mm of glass 8 mm thick seen "
        "from straight above). They count as not measured."
    )
    assert not found.is_doubt
    (found,) = second_surface_findings(
        SecondSurface(is_second, 4.2, 3), thickness_mm=8.0, glass_points=100
    )
    assert found.is_doubt
    assert "does not fit the 5.26 mm of glass 8 mm thick" in found.sentence
    assert "a sensor that triangulates sees another share of it" in found.sentence
    (found,) = saturation_findings([Saturated("smallest", -0.5, 120)], glass_points=6000)
    assert found.sentence == (
        "120 points (2 % of the glass) have exactly the smallest height, -0.5000 mm: the sensor "
        "was at the end of its range, or that number is a code. They may be less and count as not "
        "measured; of the valleys that are cut off there is no figure."
    )
    (found,) = streak_findings(Streaks(2, 1, 400.0, 600.0, 1, 900, 70), lines=1000)
    assert found.sentence == (
        "Dropouts stand in streaks: 2 along x, the longest 400 mm and 1 along y, the longest 600 "
        "mm, with 900 points in them; 70 other points are lost. 1 line is lost over the whole "
        "width."
    )
    (found,) = lost_findings([LostAtRim("right", 3, 15.0)])
    assert found.sentence == (
        "About 3 columns (15 mm) were lost at the right edge: the width of the lite, that edge and "
        "its edge lift are of what is left."
    )
    dust, rows = dust_findings(Grains(is_second, 2, 0.0312, 7), face="upper")
    assert dust.sentence == (
        "2 small bumps, up to 31 um high, stand alone on the upper face: dust, or faults of the "
        "glass as small. They were taken out (40 points)."
    )
    assert (rows.what, rows.count, rows.is_doubt) == ("bumps in rows", 7, False)
    for none in (
        second_surface_findings(None, thickness_mm=None, glass_points=1),
        saturation_findings((), glass_points=1),
        streak_findings(Streaks(0, 0, 0.0, 0.0, 0, 0, 5), lines=10),
        lost_findings(()),
        dust_findings(None, face="upper"),
    ):
        assert tuple(none) == ()
