"""Machine files: the shipped one is read, and a machine that cannot be built is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from midchord.configs import shipped
from midchord.machine import (
    Disturbance,
    Encoder,
    Glass,
    Machine,
    Nozzles,
    Oscillation,
    PlaceKnown,
    Rollers,
    ScannerDescription,
    Speeds,
)
from midchord_io.errors import SettingsError

BITTERN = shipped("configs", "machines", "bittern.toml")
ROLLERS = {"name": "rollers", "diameter_mm": 80.0, "pitch_mm": 120.0}


def test_the_shipped_machine_is_read() -> None:
    machine = Machine.load(BITTERN)
    assert machine.name == "bittern"
    assert [rollers.diameter_mm for rollers in machine.rollers] == [90.0, 62.0, 120.0]
    assert machine.nozzles is not None
    assert (machine.nozzles.pitch_along_mm, machine.nozzles.pitch_across_mm) == (50.0, 40.0)
    assert machine.scanner.kind == "line"
    assert machine.place.across
    assert not machine.place.along


def test_the_least_that_a_file_may_say(tmp_path: Path) -> None:
    path = tmp_path / "curlew.toml"
    path.write_text(
        "[[rollers]]\nname = 'r'\ndiameter_mm = 80\npitch_mm = 120\n"
        "[nozzles]\npitch_along_mm = 50\npitch_across_mm = 40\n"
        "[scanner]\nsupport_pitch_mm = 450\n",
        encoding="utf-8",
    )
    machine = Machine.load(path)
    assert machine.name == "curlew"
    assert machine.rollers[0].diameter_tolerance_mm == 0.5
    assert machine.glass.shrinkage_percent == 0.5  # common practice, no source
    assert machine.scanner.kind is None


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (
            {"rollers": [{**ROLLERS, "pitch_mm": 60.0}]},
            "rollers 'rollers': pitch_mm is 60 and diameter_mm 80, so neighbouring rollers would "
            "overlap",
        ),
        ({"oscillation": {"stroke_mm": -10.0}}, "oscillation.stroke_mm = -10.0"),
        (
            {"oscillation": {"stroke_mm": 600.0, "reversal_points_mm": [0.0, 300.0]}},
            "reversal_points_mm are 300 mm apart, and stroke_mm is 600",
        ),
        (
            {"oscillation": {"stroke_mm": 600.0, "reversal_points_mm": [0.0]}},
            "reversal_points_mm must be two",
        ),
        (
            {"nozzles": {"pitch_along_mm": 50.0, "pitch_across_mm": 40.0, "stagger_mm": 40.0}},
            "stagger_mm is 40: it must be less than pitch_across_mm, 40",
        ),
        (
            {"nozzles": {"pitch_along_mm": 50.0, "pitch_across_mm": 40.0, "diameter_mm": 45.0}},
            "nozzles 40 mm apart would overlap",
        ),
        ({"rollers": [ROLLERS, ROLLERS]}, "the name 'rollers' stands twice"),
        (
            {"rollers": [{**ROLLERS, "diameter_tolerance_mm": 30.0}]},
            "diameter_tolerance_mm is over a fifth of diameter_mm",
        ),
        (
            {"disturbances": [{"name": "fan", "frequency_hz": 2.0}]},
            "disturbance 'fan' needs speeds.scanner_mm_per_s",
        ),
        (
            {"glass": {"shrinkage_percent": 0.1, "shrinkage_tolerance_percent": 0.2}},
            "shrinkage_tolerance_percent is more than shrinkage_percent itself",
        ),
        (
            {"rollers": [{**ROLLERS, "diametre_mm": 3}]},
            "there is no key 'rollers.0.diametre_mm', did you mean 'diameter_mm'?",
        ),
        ({"rollers": [{**ROLLERS, "diameter_mm": float("nan")}]}, "rollers.0.diameter_mm = nan"),
    ],
)
def test_a_machine_that_cannot_be_is_refused_in_one_sentence(
    values: dict[str, Any], words: str
) -> None:
    with pytest.raises(SettingsError) as refused:
        Machine.of(values, where="mine.toml")
    assert words in str(refused.value)
    assert str(refused.value).startswith("mine.toml: ")
    assert "\n" not in str(refused.value)


def test_every_key_is_in_the_table_of_keys() -> None:
    table = (Path(__file__).resolve().parents[1] / "docs" / "keys.md").read_text("utf-8")
    part = table[table.index("## Machine") :]
    for section in (Glass, Rollers, Nozzles, Oscillation, ScannerDescription, Encoder, Speeds,
                    Disturbance, PlaceKnown):  # fmt: skip
        for key in section.model_fields:
            assert f"{key}`" in part, f"{section.__name__}.{key}"
