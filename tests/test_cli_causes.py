"""The command that traces causes, as a user calls it: what is written, said and returned."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from midchord import console
from midchord.cli import main
from midchord.configs import shipped
from midchord.simulating.production import residuals
from midchord_io.results import write_maps
from traced import FURNACE, production, stored_maps

BITTERN = str(shipped("configs", "machines", "bittern.toml"))
FILES = ["causes.csv", "causes.html", "causes.json", "nozzles.csv", "spectrum.csv"]


@pytest.fixture(scope="module")
def maps(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("maps")
    paths = []
    for lite in residuals(production(lites=9)):
        path = folder / f"{lite.attrs['lite_id']}.maps.nc"
        write_maps(stored_maps(lite), path)
        paths.append(str(path))
    return paths


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    yield
    console.log.handlers.clear()


def files(folder: str) -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


def test_trace_writes_its_files_and_says_what_came_out(maps: list[str], capsys: Any) -> None:
    assert main(["trace", *maps, "--machine", BITTERN, "--out", "out"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Furnace rollers: circumference is shown: a wave of 28")
    assert Path(out.splitlines()[-1]) == Path("out/causes.html")
    assert err == ""
    assert files("out") == FILES
    facts = json.loads(Path("out/causes.json").read_text("utf-8"))
    assert facts["causes"][0]["cause"] == FURNACE
    assert facts["machine"] == "bittern"
    assert Path("out/causes.csv").read_text("utf-8").splitlines()[1].startswith(FURNACE)

    assert main(["trace", *maps, "--machine", BITTERN, "--out", "out"]) == 2
    assert "already there" in capsys.readouterr().err


def test_settings_and_places_are_taken(maps: list[str]) -> None:
    Path("mine.toml").write_text("[profile]\npiece_mm = 1000.0\n", encoding="utf-8")
    Path("places.csv").write_text("lite_id,along_mm\nP-00001,500\n", encoding="utf-8")
    call = ["trace", *maps[:4], "--machine", BITTERN, "--settings", "mine.toml"]
    assert main([*call, "--places", "places.csv", "--out", "out"]) == 0
    facts = json.loads(Path("out/causes.json").read_text("utf-8"))
    assert facts["settings"]["profile"]["piece_mm"] == 1000.0
    assert facts["resolution"]["cycles_per_mm"] == pytest.approx(1 / 1135, rel=0.02)
    assert facts["lites"]["place_known"] == {"along": 1, "across": 4}


@pytest.mark.parametrize(
    ("machine", "words"),
    [
        ("[[rollers]]\nname='r'\ndiameter_mm=100\npitch_mm=60\n", "neighbouring rollers would"),
        ("[oscillation]\nstroke_mm=-1\n", "oscillation.stroke_mm = -1"),
    ],
)
def test_an_impossible_machine_ends_the_call(
    maps: list[str], capsys: Any, machine: str, words: str
) -> None:
    Path("mine.toml").write_text(machine, encoding="utf-8")
    assert main(["trace", maps[0], "--machine", "mine.toml", "--out", "out"]) == 2
    assert words in capsys.readouterr().err
    assert not Path("out").exists()


def test_a_lite_named_twice_is_refused(maps: list[str], capsys: Any) -> None:
    assert main(["trace", maps[0], maps[0], "--machine", BITTERN, "--out", "out"]) == 3
    err = capsys.readouterr().err
    assert "P-00001: two of the maps are of a lite of this name; each lite once" in err
    assert not Path("out").exists()
