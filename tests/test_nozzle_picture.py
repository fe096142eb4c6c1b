"""Pictures and page section of the nozzle imprint."""

from __future__ import annotations

import struct

from blown import blown, quench
from midchord.nozzles.imprint import nozzle_imprint
from midchord.report.nozzle_picture import nozzle_fold, nozzle_grid
from midchord.report.nozzle_section import nozzle_section


def size_of(png: bytes) -> tuple[int, int]:
    assert png.startswith(b"\x89PNG")
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def test_the_drawing_is_the_same_each_time_and_changes_with_what_is_odd() -> None:
    found = nozzle_imprint(blown(1, lites=5), quench())
    other = nozzle_imprint(blown(1, lites=5, odd={12: 0.0}), quench())
    assert nozzle_grid(found) == nozzle_grid(found)
    assert nozzle_grid(found) != nozzle_grid(other)
    assert size_of(nozzle_grid(found)) == (1095, 690)
    fold = nozzle_fold(found)
    assert fold is not None
    assert size_of(fold) == (690, 480)


def test_the_section_puts_the_odd_first() -> None:
    section = nozzle_section(nozzle_imprint(blown(1, lites=5), quench()), "")
    assert section is not None
    assert [row["name"] for row in section["tracks"][:2]] == ["column 9", "column 20"]
    assert section["tracks"][0]["kind"] == "not there"
    assert section["grid"]["source"].startswith("data:image/png;base64,")
    assert section["tracks"][1]["factor"].startswith("0.")


def test_without_an_imprint_there_is_no_picture() -> None:
    found = nozzle_imprint(blown(2, lites=3, imprint=None), quench())
    section = nozzle_section(found, "")
    assert nozzle_fold(found) is None
    assert section is not None
    assert (section["grid"], section["fold"], section["tracks"]) == (None, None, [])
    assert nozzle_section(None, "") is None
    refused = nozzle_section(None, "lite 3: too coarse.")
    assert refused is not None
    assert refused["sentences"] == ["lite 3: too coarse."]
