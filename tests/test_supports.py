"""A wave at the pitch of the supports is named as doubtful, and only such a wave."""

from __future__ import annotations

import numpy as np
import pytest

import surfaces
from midchord.run import process, summary
from midchord.supports import drift_findings, line_at_pitch_mm, support_findings
from midchord_io.acquisition import findings_of

X = np.arange(1.0, 2400.0, 2.0)


def _lines(*waves, noise_mm=0.001, columns=40):
    """(x, line): cosines of (peak to valley, wavelength, turned by so much across)."""
    across = np.linspace(0.0, 1.0, columns)
    z = noise_mm * np.random.default_rng(4).standard_normal((X.size, columns))
    for depth_mm, length_mm, turns in waves:
        z += depth_mm / 2 * np.cos(2 * np.pi * (X[:, None] / length_mm + turns * across))
    return z.astype(np.float32)


@pytest.mark.parametrize("depth_mm", [0.01, 0.08])
@pytest.mark.parametrize("pitch_mm", [160.0, 320.0, 600.0])
def test_a_wave_at_the_pitch_is_measured(depth_mm, pitch_mm):
    lines = _lines((depth_mm, pitch_mm, 0.0))
    assert line_at_pitch_mm(lines, X, pitch_mm) == pytest.approx(depth_mm, rel=0.05)
    lines[np.random.default_rng(5).random(lines.shape) < 0.05] = np.nan
    lines[:200] = np.nan
    assert line_at_pitch_mm(lines, X, pitch_mm) == pytest.approx(depth_mm, rel=0.1)


def test_other_waves_are_none_of_it():
    assert line_at_pitch_mm(_lines(), X, 320.0) is None
    for length_mm in (200.0, 250.0, 420.0):
        assert line_at_pitch_mm(_lines((0.09, length_mm, 0.0)), X, 320.0) is None
    # beside a roll wave of its own, as deep
    both = _lines((0.05, 220.0, 0.0), (0.05, 320.0, 0.0))
    assert line_at_pitch_mm(both, X, 320.0) == pytest.approx(0.05, rel=0.05)
    # a whole turn across: not common to all y
    assert line_at_pitch_mm(_lines((0.05, 320.0, 1.0)), X, 320.0) is None
    assert line_at_pitch_mm(_lines((0.05, 900.0, 0.0)), X, 900.0) is None  # too few of them


def test_the_sentence_goes_with_the_scanner_and_the_reference():
    lines = _lines((0.05, 320.0, 0.0))
    (area,) = support_findings(lines, X, {"support_pitch_mm": 320.0, "scanner": "area"})
    assert area.is_doubt
    assert area.figures["depth_mm"] == pytest.approx(0.05, rel=0.02)
    assert area.sentence == (
        "The surface has a wave of 320 mm, the pitch of the supports, 0.050 mm from peak to valley "
        "and the same across: the lite may hang between its supports. No flat reference was taken "
        "off, so it cannot be told from roll wave, and it is in the figures."
    )
    (line,) = support_findings(lines, X, {"support_pitch_mm": 320.0, "scanner": "line"})
    assert "run-out of the rollers" in line.sentence
    known = {"support_pitch_mm": 320.0, "scanner": "area", "reference": "{}"}
    (after,) = support_findings(lines, X, known)
    assert not after.is_doubt
    for pitch in (None, "320", -5.0, float("nan")):
        stated = {"scanner": "area", "support_pitch_mm": pitch}
        assert tuple(support_findings(lines, X, stated)) == ()


def test_bow_may_be_drift_only_under_a_line_sensor_and_alike():
    (found,) = drift_findings({"left": 2.5, "right": 2.45}, {"scanner": "line"})
    assert found.sentence.startswith("Left and right edge are bowed alike, 2.50 and 2.45 mm: under")
    for bow, attrs in (
        ({"left": 2.5, "right": 2.45}, {"scanner": "area"}),
        ({"left": 2.5, "right": 2.45}, {}),
        ({"left": 2.5, "right": 1.5}, {"scanner": "line"}),
        ({"left": 0.1, "right": 0.1}, {"scanner": "line"}),
        ({"left": None, "right": 0.1}, {"scanner": "line"}),
    ):
        assert tuple(drift_findings(bow, attrs)) == ()


def test_sag_of_a_lite_on_an_area_scanner_is_a_doubt() -> None:
    scanner = {"kind": "area", "support_pitch_mm": 380.0}
    assert findings_of(process(surfaces.lite(scanner=scanner)[0])) == ()
    sag = {"sag": {"depth_mm": 0.04, "pitch_mm": 380.0}}
    found = summary(process(surfaces.lite(scanner=scanner, sensor=sag)[0]))
    (finding,) = found["acquisition"]
    assert finding["what"] == "wave at the support pitch"
    assert finding["figures"]["depth_mm"] == pytest.approx(0.04, rel=0.15)
    assert finding["sentence"] in found["doubts"]
    assert (found["scanner"], found["support_pitch_mm"]) == ("area", 380.0)
