"""Source descriptions: what they may say, and how a misspelt one is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from midchord.configs import shipped
from midchord_io.errors import SettingsError
from midchord_io.source import UNITS_MM, SourceDescription, known_unit, load_source


def described(folder: Path, text: str) -> SourceDescription:
    path = folder / "source.toml"
    path.write_text(text, encoding="utf-8")
    return load_source(path)


def test_every_key_is_read_as_written(tmp_path: Path) -> None:
    source = described(
        tmp_path,
        """
        [source]
        format = "hdf5"
        dataset = "scan/height"
        axes = ["-y", "x"]
        handed = "left"
        height_units = "um"
        height_sign = "down"
        height_scale = 0.5
        height_offset = -3
        position_units = "inch"
        pitch = { y = 2.0 }
        positions = { x = "encoder/pos" }
        invalid = [-9999.0, 0]
        grid_pitch = { x = 1.0, y = 5.0 }
        [lite]
        frame = "lite"
        id_from = "attr:serial"
        scanned_at_from = "attr:time"
        instrument = "bench"
        face = "lower"
        thickness_mm = 8
        coated_face = "upper"
        support = "rollers"
        temperature_c = 21.5
        """,
    )
    assert source.source.axes == ("-y", "x")
    assert source.source.handed == "left"
    assert source.source.height_offset == -3.0
    assert source.source.pitch is not None
    assert (source.source.pitch.x, source.source.pitch.y) == (None, 2.0)
    assert source.source.positions is not None
    assert source.source.positions.x == "encoder/pos"
    assert source.source.invalid == (-9999.0, 0.0)
    assert source.lite.id_from == "attr:serial"
    assert source.lite.thickness_mm == 8.0
    assert source.lite.face == "lower"


def test_an_empty_description_leaves_everything_to_the_file(tmp_path: Path) -> None:
    source = described(tmp_path, "")
    assert source.source.axes is None
    assert source.source.height_units is None
    assert (source.lite.frame, source.lite.id_from) == ("machine", "name")
    assert source.lite.scanned_at_from == "mtime"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[source]\nheigth_units = 'um'", "'source.heigth_units', did you mean 'height_units'?"),
        ("[source]\npitch = { z = 1.0 }", "there is no key 'source.pitch.z'"),
        ("[light]\nframe = 'lite'", "there is no key 'light', did you mean 'lite'?"),
        ("[source]\naxes = ['x', 'x']", "axes = ['x', 'x']: one of them is x, the other y"),
        ("[source]\naxes = ['x']", "source.axes"),
        ("[source]\naxes = ['x', 'y', 'z']", "source.axes"),
        ("[source]\nheight_units = 'furlong'", "source.height_units = 'furlong'"),
        ("[source]\npitch = { x = 0.0 }", "source.pitch.x = 0.0"),
        ("[source]\npitch = { x = nan }", "source.pitch.x = nan"),
        ("[source]\nheight_scale = 0", "height_scale = 0 would make every height the same"),
        (
            "[source]\npitch = { x = 1.0 }\npositions = { x = 'p' }",
            "both pitch.x and positions.x are given, keep one",
        ),
        (
            "[source]\naxes = ['x', 'y']\ncolumns = { x = '0', y = '1', height = '2' }",
            "columns (points) and axes (a matrix) exclude each other",
        ),
        ("[lite]\nid_from = 'serial'", 'it must be "name" or "attr:..." or "column:..."'),
        ("[lite]\nscanned_at_from = 'attr:'", 'it must be "mtime" or "attr:..."'),
        ("[lite]\nface = 'top'", "lite.face = 'top'"),
        ("[source\n", "not TOML"),
    ],
)
def test_a_fault_is_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SettingsError) as refusal:
        described(tmp_path, text)
    assert words in str(refusal.value)
    assert str(tmp_path / "source.toml") in str(refusal.value)


def test_all_faults_are_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as refusal:
        described(tmp_path, "[source]\nhanded = 'both'\n[lite]\nframe = 'moon'")
    assert "source.handed" in str(refusal.value)
    assert "lite.frame" in str(refusal.value)


def test_a_missing_description_says_so(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="it cannot be read"):
        load_source(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("spelling", "mm"),
    [
        ("mm", 1.0),
        ("m", 1000.0),
        ("meters", 1000.0),
        ("metre", 1000.0),
        ("um", 1e-3),
        ("\N{MICRO SIGN}m", 1e-3),
        ("\N{GREEK SMALL LETTER MU}m", 1e-3),
        ("microns", 1e-3),
        ("nm", 1e-6),
        ("in", 25.4),  # the international inch, exactly 25.4 mm
        ("inches", 25.4),
        ("Millimeter", 1.0),
    ],
)
def test_units_and_their_spellings(spelling: str, mm: float) -> None:
    unit = known_unit(spelling)
    assert unit is not None
    assert UNITS_MM[unit] == mm


@pytest.mark.parametrize("text", ["MM", "Mm", "furlong", "s", "", "kg"])
def test_what_is_no_unit_of_the_table(text: str) -> None:
    # "Mm" is a megametre: the case of a symbol counts
    assert known_unit(text) is None


def test_every_shipped_description_is_valid() -> None:
    files = sorted(shipped("configs", "sources").glob("*.toml"))
    assert len(files) >= 4
    frames = {file.stem: load_source(file).lite.frame for file in files}
    assert frames["npy-grid"] == "lite"
    assert frames["hdf5-line-sensor"] == "machine"


@pytest.mark.parametrize("pitch", ["1e-300", "1e300", "-1.0", "inf"])
def test_a_pitch_out_of_all_bounds_is_refused(pitch: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"source\.pitch\.x = "):
        described(tmp_path, f"[source]\npitch = {{ x = {pitch}, y = 25.0 }}\n")
