"""The command that brings lots together, as a user calls it: written, said and returned."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from lot_files import Truth, streaks, write_lots
from midchord import console
from midchord.cli import main

FILES = ["lots.csv", "lots.html", "lots.json", "lots.nc"]
MACHINE = """
name = "heron"
[place]
across = true
across_sd_mm = 1.0
along = true
along_sd_mm = 1.0
"""


@pytest.fixture(scope="module")
def maps(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("maps")
    truth = Truth(streaks, lite_sd=0.5)
    write_lots(folder, 12, truth, length_mm=600.0, width_mm=300.0, scatter_mm=(120.0, 50.0))
    return folder


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    Path("heron.toml").write_text(MACHINE, encoding="utf-8")
    yield
    console.log.handlers.clear()


def files(folder: str) -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


def test_lots_writes_four_files_and_says_what_came_out(maps: Path, capsys: Any) -> None:
    call = ["lots", str(maps), "--machine", "heron.toml", "--limit", "41", "--out", "out"]
    assert main(call) == 0
    out, err = capsys.readouterr()
    assert "of the variance is fixed to the machine" in out.splitlines()[0]
    assert Path(out.splitlines()[-1]) == Path("out/lots.html")
    assert err == ""
    assert files("out") == FILES
    facts = json.loads(Path("out/lots.json").read_text("utf-8"))
    assert facts["persistence"]["limit"] == 41.0
    assert facts["lites"]["count"] == 12
    assert facts["machine"] == "heron"
    assert len(Path("out/lots.csv").read_text("utf-8").splitlines()) == 13

    assert main(call) == 2
    assert "already there" in capsys.readouterr().err
    assert main([*call, "--overwrite"]) == 0


def test_places_field_and_settings_are_taken(maps: Path) -> None:
    Path("mine.toml").write_text("[split]\ncell_mm = 25.0\n", encoding="utf-8")
    rows = "".join(f"L-{number:05d},{100 * number},0\n" for number in range(9))
    Path("places.csv").write_text("lite_id,along_mm,across_mm\n" + rows, encoding="utf-8")
    call = ["lots", str(maps), "--places", "places.csv", "--settings", "mine.toml"]
    assert main([*call, "--field", "depth", "--out", "out"]) == 0
    facts = json.loads(Path("out/lots.json").read_text("utf-8"))
    assert facts["field"] == "depth"
    assert facts["settings"]["split"]["cell_mm"] == 25.0
    assert facts["lites"]["place_known"] == {"both": 9, "across": 0, "along": 0, "none": 3}


def test_a_file_put_aside_is_said_and_returned(maps: Path, capsys: Any) -> None:
    Path("foreign.maps.nc").write_bytes(b"junk")
    assert main(["lots", str(maps), "foreign.maps.nc", "--out", "out"]) == 3
    out, err = capsys.readouterr()
    assert "warning: foreign.maps.nc: not a netCDF-4 file" in err
    assert files("out") == FILES
    assert json.loads(Path("out/lots.json").read_text("utf-8"))["refused"][0]["file"] == (
        "foreign.maps.nc"
    )
    assert out


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--field", "heights"], 2, "field"),
        (["--limit", "-1"], 2, "must be from 1e-09 to 1e+06"),
        (["--machine", "none.toml"], 2, "none.toml"),
    ],
)
def test_a_wrong_call_writes_nothing(
    maps: Path, capsys: Any, words: list[str], code: int, told: str
) -> None:
    assert main(["lots", str(maps), *words, "--out", "out"]) == code
    assert told in capsys.readouterr().err
    assert not Path("out").exists()


def test_one_lite_twice_ends_the_call(maps: Path, capsys: Any) -> None:
    Path("twin.maps.nc").write_bytes((maps / "L-00003.maps.nc").read_bytes())
    assert main(["lots", str(maps), "twin.maps.nc", "--out", "out"]) == 3
    assert "maps of lite L-00003" in capsys.readouterr().err
    assert not Path("out").exists()
