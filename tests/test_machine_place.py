"""Where a lite lay in the machine: from its maps as far as the machine vouches for them, or a
table."""

from __future__ import annotations

from pathlib import Path

import pytest

from midchord.machine import Machine
from midchord.machine_place import MachinePlace, place_of, read_places
from midchord_io.errors import SettingsError

ATTRS = {
    "lite_id": "K-1",
    "frame_of_scan": "machine",
    "corners_machine_mm": {"leading_left": [1200.0, 85.0]},
    "skew_deg": 0.2,
}


def machine(*, along: bool, across: bool) -> Machine:
    return Machine.of({"place": {"along": along, "across": across, "across_sd_mm": 4.0}})


def test_only_what_the_machine_vouches_for_is_taken() -> None:
    place = place_of(ATTRS, machine(along=False, across=True))
    assert (place.along_mm, place.across_mm, place.across_sd_mm) == (None, 85.0, 4.0)
    assert place.skew_deg == 0.2
    assert place.sentence == "place in the machine known across to ±4 mm"
    assert place_of(ATTRS, machine(along=True, across=True)).along_mm == 1200.0


def test_a_lite_scanned_on_its_own_frame_has_no_place() -> None:
    place = place_of({**ATTRS, "frame_of_scan": "lite"}, machine(along=True, across=True))
    assert (place.along_mm, place.across_mm) == (None, None)
    assert place.sentence == "place not known"


def test_a_table_overrides_lite_by_lite(tmp_path: Path) -> None:
    path = tmp_path / "places.csv"
    path.write_text(
        "lite_id,along_mm,across_mm,across_sd_mm,side_up\nK-1,,90.5,1.5,tin\nK-2,10,20,,\n",
        encoding="utf-8",
    )
    places = read_places(path)
    assert places["K-2"] == MachinePlace(10.0, 20.0, None, None)
    place = place_of(ATTRS, machine(along=True, across=True), places)
    assert (place.along_mm, place.across_mm, place.across_sd_mm) == (1200.0, 90.5, 1.5)
    assert place.side_up == "tin"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lite_id,across_mm\nA,1\nA,2\n", "line 3: lite 'A' again"),
        ("lite_id,across_mm\nA,one\n", "line 2: across_mm is 'one'"),
        ("lite_id,across_mm,across_sd_mm\nA,1,-2\n", "line 2: across_sd_mm is '-2'"),
        ("lite_id,wide_mm\nA,1\n", "there is no column 'wide_mm'"),
        ("lite_id\nA\n", "neither along_mm nor across_mm"),
        ("lite_id,across_mm,side_up\nA,1,top\n", "side_up is 'top', not tin or air"),
    ],
)
def test_a_table_that_says_nothing_sound_is_refused(
    tmp_path: Path, text: str, words: str
) -> None:
    path = tmp_path / "places.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=words):
        read_places(path)


def test_a_table_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="it cannot be read"):
        read_places(tmp_path / "gone.csv")
