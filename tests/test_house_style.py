"""Scales that are even and safe for every eye; numbers with the digits they earn."""

from __future__ import annotations

import math

import colorspacious
import numpy as np
import pytest

from midchord.report.house_style import (
    FIGURES,
    NO_VALUE,
    colour_map,
    figure_style,
    printable,
    scale_ends,
    shown,
    shown_with,
)

SCALES = ("amount", "length", "signed")


def _steps(scale: str) -> np.ndarray:
    return np.asarray(colour_map(scale)(np.linspace(0, 1, 256)))[:, :3]


@pytest.mark.parametrize("scale", SCALES)
def test_equal_steps_of_a_figure_are_equal_steps_seen(scale):
    # CAM02-UCS (Luo, Cui, Li 2006) as computed by colorspacious, the yardstick by which
    # matplotlib's own even maps were made
    seen = colorspacious.cspace_convert(_steps(scale), "sRGB1", "CAM02-UCS")
    steps = np.linalg.norm(np.diff(seen, axis=0), axis=1)
    assert steps.min() > 0.8 * steps.mean()
    assert steps.max() < 1.25 * steps.mean()


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("eye", ["deuteranomaly", "protanomaly", "tritanomaly", "grey"])
def test_scales_run_one_way_in_lightness_for_every_eye(scale, eye):
    # colour-vision deficiency after Machado, Oliveira, Fernandes 2009 (in colorspacious)
    colours = _steps(scale)
    if eye != "grey":
        space = {"name": "sRGB1+CVD", "cvd_type": eye, "severity": 100}
        colours = np.clip(colorspacious.cspace_convert(colours, space, "sRGB1"), 0, 1)
    lightness = colorspacious.cspace_convert(colours, "sRGB1", "CAM02-UCS")[:, 0]
    down = scale != "signed"
    assert (np.diff(lightness[::8]) * (-1 if down else 1) > 0).all()
    assert abs(lightness[-1] - lightness[0]) > 65


def test_the_middle_of_the_signed_scale_is_neutral():
    middle = colorspacious.cspace_convert(_steps("signed")[128], "sRGB1", "JCh")
    assert middle[1] < 8


def test_no_value_is_transparent_and_no_colour_of_a_scale():
    for scale in SCALES:
        assert colour_map(scale)(np.ma.masked_invalid([np.nan]))[0][3] == 0
        grey = np.array([int(NO_VALUE[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        nearest = np.abs(_steps(scale) - grey).max(axis=1).min()
        assert nearest > 0.02


def test_every_figure_has_a_scale_and_conventions_are_in_the_titles():
    assert figure_style("gauge_distortion").title == "Distortion, gauge convention"
    assert figure_style("surface_depth_mm") is FIGURES["surface_depth"]
    for name, style in FIGURES.items():
        assert (style.convention is not None) == any(
            part in name for part in ("depth", "distortion")
        )


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # JCGM 100:2008, 7.2.6: 10.057 62 ohm with 27 mohm is stated as 10.058 with 0.027
        (10.05762, 0.027, "10.058 ± 0.027"),
        (0.06134, 0.0042, "0.061 ± 0.004"),
        (86.731, 1.84, "86.7 ± 1.8"),
        (1234.0, 56.0, "1230 ± 60"),
        (0.2, 0.0996, "0.20 ± 0.10"),
        (-0.0004, 0.005, "0.000 ± 0.005"),
        (-3.256, 0.4, "−3.3 ± 0.4"),
        (None, 0.1, "no value"),
        (math.nan, 0.1, "no value"),
        (math.inf, None, "no value"),
        (251.26, None, "251"),
        (0.061342, None, "0.0613"),
        (12345.6, None, "12346"),
        (0.0, None, "0.00"),
    ],
)
def test_no_more_digits_than_the_uncertainty_earns(value, uncertainty, text):
    assert shown_with(value, uncertainty) == text
    assert shown(value, uncertainty) == text.split(" ±")[0]


def test_scale_ends_follow_the_limit_then_the_ladder():
    distortion, power = FIGURES["gauge_distortion"], FIGURES["power_x"]
    assert scale_ends(np.array([3.0, 250.0]), distortion, limit=60.0) == (0.0, 120.0)
    assert scale_ends(np.linspace(0, 83, 100), distortion) == (0.0, 100.0)
    assert scale_ends(np.linspace(0, 91, 100), distortion) == (0.0, 100.0)
    assert scale_ends(np.linspace(-27, 12, 100), power) == (-30.0, 30.0)
    assert scale_ends(np.array([np.nan]), power) == (-1.0, 1.0)
    assert scale_ends(np.linspace(241, 263, 50), FIGURES["wavelength"]) == (200.0, 300.0)
    # what lies near the limit shows it on both sides; what stays far below has its own scale
    assert scale_ends(np.linspace(-27, 12, 100), power, limit=20.0) == (-30.0, 30.0)
    assert scale_ends(np.linspace(-27, 12, 100), power, limit=150.0) == (-30.0, 30.0)
    assert scale_ends(np.linspace(-27, 12, 100), power, limit=40.0) == (-50.0, 50.0)


def test_gain_and_height_have_their_own_range_and_uncertainties_their_own_ladder():
    gain, height = FIGURES["gain"], FIGURES["height"]
    assert scale_ends(np.linspace(1.82, 1.98, 99), gain) == pytest.approx((1.8, 2.0))
    low, high = scale_ends(np.linspace(36.0, 45.0, 500), height)
    assert (low, high) == pytest.approx((36.0, 45.0))
    doubt = np.linspace(0.0, 0.0047, 100)
    assert scale_ends(doubt, FIGURES["u_depth"], limit=0.2) == pytest.approx((0.0, 0.005))


@pytest.mark.parametrize(
    ("value", "uncertainty", "finest", "text"),
    [
        # 25 nm of noise says nothing of the calibration: no more than 0.1 um is told
        (0.0606732, 0.000025, -4, "0.0607 ± <0.0001"),
        (0.0606732, 0.00024, -4, "0.0607 ± 0.0002"),
        (77.89714, 0.0031, -2, "77.90 ± <0.01"),
        (246.2021, 0.027, -1, "246.2 ± <0.1"),
        (246.2021, 1.3, -1, "246.2 ± 1.3"),
    ],
)
def test_no_more_digits_than_a_scanner_is_worth(value, uncertainty, finest, text):
    assert shown_with(value, uncertainty, finest=finest) == text
    assert shown(value, uncertainty, finest=finest) == text.split(" ±")[0]


def test_each_figure_knows_its_finest_digit():
    finest = {name: FIGURES[name].finest for name in ("depth", "surface_distortion", "wavelength")}
    assert finest == {"depth": -4, "surface_distortion": -2, "wavelength": -1}


def test_text_from_a_file_is_made_printable():
    assert printable("K-0417 $x$") == "K-0417 $x$"
    assert printable("a\nb\u4e09") == "a\ufffdb\ufffd"
    assert printable("x" * 80) == "x" * 47 + "…"
