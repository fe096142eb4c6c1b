"""The commands that chart figures and hold settings against each other, as a user calls them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from charted import WHOLE, production, trial_lites, write_plan
from midchord import console
from midchord.charts.figures import figure_table, read_figures
from midchord.cli import main
from midchord_io.results import write_csv, write_json, write_maps

DRIFT = ["drift.charts.csv", "drift.figures.csv", "drift.html", "drift.json", "drift.signals.csv",
         "drift.states.csv"]  # fmt: skip
TRIAL = ["trial.cells.csv", "trial.html", "trial.json", "trial.lites.csv", "trial.zones.csv"]


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    yield
    console.log.handlers.clear()


def files(folder: str) -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


def test_drift_of_a_table_writes_six_files_and_says_what_came_out(capsys: Any) -> None:
    write_csv(figure_table(production(1, names=WHOLE, begin=140, step=3.0)), "figures.csv")
    assert main(["drift", "figures.csv", "--out", "out"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Lite C-014")
    assert err == ""
    assert Path(out.splitlines()[-1]) == Path("out/drift.html")
    assert files("out") == DRIFT
    facts = json.loads(Path("out/drift.json").read_text("utf-8"))
    assert facts["first_signal"]["lite"] in range(141, 151)
    again = read_figures("out/drift.figures.csv")
    assert again.series[WHOLE[0]] == pytest.approx(read_figures("figures.csv").series[WHOLE[0]])
    assert main(["drift", "figures.csv", "--out", "out"]) == 2


def test_drift_of_summaries_and_maps(capsys: Any) -> None:
    lites = trial_lites(pairs=11)
    names = []
    for lite in lites[:21]:
        names.append(f"{lite.attrs['lite_id']}.summary.json")
        write_json(json.loads(lite.attrs["summary"]), names[-1])
    names.append("last.maps.nc")
    write_maps(lites[21], names[-1])
    Path("mine.toml").write_text(
        "[first_phase]\nlites = 20\nleast_values = 15\n"
        "[figures]\nwhole = ['gauge_distortion_mdpt.mean']\nzones = []\n",
        encoding="utf-8",
    )
    assert main(["drift", *names, "--settings", "mine.toml", "--out", "out"]) == 0
    facts = json.loads(Path("out/drift.json").read_text("utf-8"))
    assert (facts["lites"]["count"], facts["lites"]["watched"]) == (22, 2)
    assert main(["drift", *names, "--out", "more"]) == 3
    assert "more than the 80 of the first phase" in capsys.readouterr().err
    assert not Path("more").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lite_id,f\nA,1\n,2\n", "row 3: no lite"),
        ("lite_id,f\nA,1\nB,x\n", "row 3: f is 'x', which is no number"),
        ("lite_id\nA\n", "no column with a figure"),
    ],
)
def test_a_wrong_table_ends_the_call(capsys: Any, text: str, words: str) -> None:
    Path("figures.csv").write_text(text, encoding="utf-8")
    assert main(["drift", "figures.csv"]) == 2
    assert words in capsys.readouterr().err


def test_trial_writes_five_files_and_says_what_came_out(capsys: Any) -> None:
    for lite in trial_lites():
        write_maps(lite, f"{lite.attrs['lite_id']}.maps.nc")
    maps = [str(path) for path in sorted(Path().glob("*.maps.nc"))]
    write_plan(Path("plan.csv"))
    Path("mine.toml").write_text("[map]\ncell_mm = 200.0\n", encoding="utf-8")
    call = ["trial", *maps, "--plan", "plan.csv", "--settings", "mine.toml", "--out", "out"]
    assert main([*call, "--reference", "fast"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("No effect is shown: with 'slow' the mean distortion (gauge) of a lite")
    assert " less than with 'fast'" in out
    assert err == ""
    assert files("out") == TRIAL
    assert main([*call, "--overwrite", "--reference", "gone"]) == 2
    assert "no lite has the setting 'gone'" in capsys.readouterr().err
    assert files("out") == TRIAL
