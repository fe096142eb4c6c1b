"""The commands about surveys as a user calls them: what is written, said and returned."""

from __future__ import annotations

import inspect
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from python_calamine import CalamineWorkbook

import surveyed
from midchord import console
from midchord.cli import main
from midchord.commands import agreement, surveys
from midchord.configs import shipped
from midchord.validate import PLACEMENT_SD_MM
from midchord_io.results import read_maps, write_maps
from midchord_io.survey import read_survey
from surveyed import LINES, SPOTS, line_rows, spot_rows, write_survey

CARD = """
gauge = "Wren 115"
kind = "three-point"
half_span_mm = 115.0
depth_is = "swing"
resolution_mm = 0.001
reading_sign = 1
support = "granite table"
"""
AGREEMENT = ["agreement.html", "agreement.json", "agreement.xlsx"]
HERON = str(shipped("sample-scans", "surveys", "heron-07.lines.csv"))
TEAL = str(shipped("configs", "gauges", "three-point-120.toml"))


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Maps of the lites, surveys and a gauge card as files."""
    folder = tmp_path_factory.mktemp("inputs")
    for lite_id in surveyed.LITES:
        write_maps(surveyed.maps(lite_id), folder / f"{lite_id}.maps.nc")
    write_maps(surveyed.maps("Q-2", 1), folder / "again.maps.nc")
    write_survey(folder, SPOTS, spot_rows(), "spots.csv")
    write_survey(folder, LINES, line_rows(), "lines.csv")
    (folder / "wren.toml").write_text(CARD, encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    yield
    console.log.handlers.clear()


@pytest.fixture
def call(inputs: Path) -> Callable[..., int]:
    """``validate`` on the maps of all lites, spots and the right card, with what else is said."""

    def run(*words: str, survey: str = "spots.csv", card: str = "wren.toml") -> int:
        maps = [str(inputs / f"{lite_id}.maps.nc") for lite_id in surveyed.LITES]
        given = ["--survey", str(inputs / survey), "--gauge", str(inputs / card)]
        return main(["validate", *maps, *given, *words])

    return run


def files(folder: str = ".") -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


# --- validate -----------------------------------------------------------------------------------


def test_validate_writes_three_files_and_says_what_came_out(call: Any, capsys: Any) -> None:
    assert call("--tolerance-mm", "0.025", "--out", "a/b") == 0
    assert files("a/b") == AGREEMENT
    facts = json.loads(Path("a/b/agreement.json").read_text("utf-8"))
    assert (facts["n_paired"], facts["n_unpaired"], facts["verdict"]) == (96, 0, "shown")
    out, err = capsys.readouterr()
    assert err == ""
    lines = out.splitlines()
    assert lines[0] == "Gauge Wren 115, judged on singles:"
    assert lines[1].split() == ["pairs;", "readings", "not", "paired", "96;", "0"]
    assert lines[-2].startswith("shown: the scan may stand in for Wren 115 within")
    assert lines[-1] == str(Path("a/b/agreement.html"))
    assert [one["file"] for one in facts["files"]] == [
        "Q-1.maps.nc", "Q-2.maps.nc", "Q-3.maps.nc", "wren.toml"
    ]  # fmt: skip
    assert facts["headline"] == "shown"
    assert "Agreement shown" in Path("a/b/agreement.html").read_text("utf-8")
    book = CalamineWorkbook.from_path("a/b/agreement.xlsx")
    assert len(book.get_sheet_by_name("pairs").to_python()) == 97


@pytest.mark.parametrize(
    ("words", "survey", "code"),
    [
        ([], "spots.csv", 0),
        (["--tolerance-mm", "0.001"], "spots.csv", 1),
        (["--tolerance-mdpt", "30"], "lines.csv", 0),
        (["--tolerance-mdpt", "0.5"], "lines.csv", 1),
    ],
)
def test_the_exit_code_is_the_verdict(call: Any, words: list[str], survey: str, code: int) -> None:
    assert call(*words, survey=survey) == code
    assert files() == AGREEMENT


def test_too_few_lites_for_a_verdict_end_with_1(inputs: Path) -> None:
    rows = spot_rows(lites=["Q-3"])
    survey = write_survey(Path(), SPOTS, rows)
    words = ["validate", str(inputs / "Q-3.maps.nc"), "--survey", str(survey)]
    words += ["--gauge", str(inputs / "wren.toml"), "--tolerance-mm", "0.05", "--out", "o"]
    assert main(words) == 1
    assert json.loads(Path("o/agreement.json").read_text("utf-8"))["verdict"] == "too few readings"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--tolerance-mm", "0.01", "--tolerance-mdpt", "3"], 2, "one in mm and one in mdpt"),
        (["--tolerance-mm", "-1"], 2, "-1 was given; it must be from 1e-06 to 100"),
        (["--tolerance-mm", "much"], 2, "Invalid value for '--tolerance-mm'"),
        (["--tolerance-mdpt", "3"], 2, "a survey of single spots"),
        (["--again", "nothing.nc"], 3, "it cannot be read"),
    ],
)
def test_what_is_wrong_with_the_call_is_said_and_nothing_written(
    call: Any, capsys: Any, words: list[str], code: int, said: str
) -> None:
    assert call(*words) == code
    assert said in capsys.readouterr().err
    assert files() == []


def test_a_refused_survey_ends_with_3_and_leaves_nothing(
    call: Any, inputs: Path, capsys: Any
) -> None:
    rows = spot_rows()
    rows[4] = rows[4].replace("Wren 115", "Wren 151")
    write_survey(inputs, SPOTS, rows, "slip.csv")
    assert call(survey="slip.csv") == 3
    assert "row 6: a reading by the gauge 'Wren 151'" in capsys.readouterr().err
    assert files() == []


def test_survey_and_gauge_must_be_named(inputs: Path, capsys: Any) -> None:
    assert main(["validate", str(inputs / "Q-1.maps.nc")]) == 2
    assert "--survey" in capsys.readouterr().err


def test_names_match_that_differ_in_what_nobody_can_see(inputs: Path) -> None:
    held = read_maps(inputs / "Q-1.maps.nc")
    odd = held.assign_attrs(lite_id="Q\N{NO-BREAK SPACE} 1")
    write_maps(odd, "odd.maps.nc")
    rows = [row.replace("Q-1", "Q  1") for row in spot_rows() if row.startswith("Q-1")]
    rows = [row.replace("Wren 115", "Wren\N{NO-BREAK SPACE}115") for row in rows]
    write_survey(Path(), SPOTS, rows, "odd.csv")
    words = ["validate", "odd.maps.nc", "--survey", "odd.csv"]
    assert main([*words, "--gauge", str(inputs / "wren.toml")]) == 0
    facts = json.loads(Path("agreement.json").read_text("utf-8"))
    assert (facts["n_paired"], facts["n_unpaired"]) == (len(rows), 0)
    assert facts["lites"][0]["is_compared"]


def test_an_incomplete_set_is_told_and_redone(call: Any, capsys: Any) -> None:
    assert call() == 0
    capsys.readouterr()
    Path("agreement.json").unlink()  # as a person may; the leavings of a run are in test_together
    assert call() == 2
    assert capsys.readouterr().err == (
        "midchord: error: agreement.html: this result is already there, and so is 1 more, without "
        "agreement.json, which comes last: the set may be incomplete; results are written to names "
        "that are free; name another folder with --out, or say --overwrite.\n"
    )


def test_results_are_replaced_only_on_request(call: Any, capsys: Any) -> None:
    Path("agreement.xlsx").write_text("older", encoding="utf-8")
    assert call() == 2
    assert "this result is already there" in capsys.readouterr().err
    assert files() == ["agreement.xlsx"]
    assert call("--overwrite") == 0
    assert files() == AGREEMENT
    assert Path("agreement.xlsx").read_bytes().startswith(b"PK")


def test_a_full_disk_leaves_nothing(
    call: Any, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("midchord_io.results.os.fsync", full)
    assert call() == 2
    assert "No space left on device" in capsys.readouterr().err
    assert files() == []


def test_a_further_scan_gives_the_scanners_repeatability(call: Any, inputs: Path) -> None:
    assert call("--again", str(inputs / "again.maps.nc")) == 0
    study = json.loads(Path("agreement.json").read_text("utf-8"))["by_gauge"][0]["gauge_study"]
    assert study["scanner"] == {"lite_id": "Q-2", "n_scans": 2, "n_spots": 8}
    assert "scanner: repeatability" in [row["source"] for row in study["rows"]]


def test_the_truth_of_a_simulated_lite_is_no_map(inputs: Path, capsys: Any) -> None:
    words = ["validate", "HERE", "--survey", str(inputs / "spots.csv")]
    words += ["--gauge", str(inputs / "wren.toml")]
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main(["simulate", recipe, "--out", "made.nc"]) == 0
    assert main([word.replace("HERE", "made.truth.nc") for word in words]) == 3
    assert "of a simulated lite, not maps of it" in capsys.readouterr().err
    assert files() == ["made.nc", "made.truth.nc"]


def test_maps_without_a_measured_point_are_refused(call: Any, capsys: Any) -> None:
    maps = surveyed.maps("Q-1")
    write_maps(maps.assign(height=maps["height"].where(False)), "empty.maps.nc")
    assert call("--again", "empty.maps.nc") == 3
    assert "empty.maps.nc: maps without a measured point: there is nothing to show or to judge" in (
        capsys.readouterr().err
    )


# --- survey -------------------------------------------------------------------------------------


def test_a_hand_survey_alone_is_worked_up(capsys: Any) -> None:
    assert main(["survey", HERON, "--gauge", TEAL, "--length-mm", "2460", "--out", "o"]) == 0
    assert files("o") == ["heron-07.lines.survey.html", "heron-07.lines.survey.json"]
    facts = json.loads(Path("o/heron-07.lines.survey.json").read_text("utf-8"))
    (lite,) = facts["lites"]
    assert lite["lite_id"] == "heron-07"
    assert lite["half_span_mm"] == pytest.approx(124, abs=1)
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "Lite heron-07, gauge Teal 120: half-span for the feet 124 mm"
    assert said[-1] == str(Path("o/heron-07.lines.survey.html"))


def test_lengths_of_lites_by_name_and_remarks_that_say_where(capsys: Any) -> None:
    words = ["survey", HERON, "--gauge", TEAL, "--length-mm"]
    assert main([*words, "heron-07=2460", "--out", "a"]) == 0
    facts = json.loads(Path("a/heron-07.lines.survey.json").read_text("utf-8"))
    assert facts["lites"][0]["length_mm"] == 2460
    assert main([*words[:-1], "--out", "b"]) == 0
    assert "  lite heron-07, Teal 120: the length of the lite was not" in capsys.readouterr().out
    assert main([*words, "swan=2460", "--out", "c"]) == 3
    assert "a length for lite 'swan', which it does not name" in capsys.readouterr().err
    assert main([*words, "long", "--out", "d"]) == 2
    assert "LITE=length once for each" in capsys.readouterr().err
    assert files() == ["a", "b"]


def test_distances_in_inches_set_no_feet_and_say_so_first(capsys: Any) -> None:
    lines = Path(HERON).read_text("utf-8").splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("lite_id"))
    at = lines[head].split(",").index("distance_mm")
    for k in range(head + 1, len(lines)):
        cells = lines[k].split(",")
        cells[at] = f"{float(cells[at]) / 25.4:.2f}"
        lines[k] = ",".join(cells)
    Path("inches.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["survey", "inches.csv", "--gauge", TEAL, "--out", "o"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "Lite heron-07, gauge Teal 120: half-span for the feet cannot be told"
    assert "were they written in inches?" in said[1]
    assert not any("edge zone, where" in line for line in said)


def test_a_survey_of_spots_has_no_marks_to_work_up(inputs: Path, capsys: Any) -> None:
    words = ["survey", str(inputs / "spots.csv"), "--gauge", str(inputs / "wren.toml")]
    assert main(words) == 3
    assert "a survey of spots, which has no marks" in capsys.readouterr().err
    assert files() == []


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
@pytest.mark.parametrize("unit", ["mm", "um", "in"])
def test_a_template_is_written_once(ending: str, unit: str, capsys: Any) -> None:
    words = ["survey-template", f"mine{ending}", "--kind", "lines", "--unit", unit]
    assert main(words) == 0
    if ending == ".xlsx":
        head = CalamineWorkbook.from_path("mine.xlsx").get_sheet_by_index(0).to_python()[0]
    else:
        text = Path("mine.csv").read_text("ascii")
        told = ("#", "sep")
        head = next(line for line in text.splitlines() if not line.startswith(told)).split(";")
    assert f"reading_{unit}" in head
    assert main(words) == 2
    assert "it is already there" in capsys.readouterr().err
    assert main([*words, "--overwrite"]) == 0


def test_a_template_of_an_unknown_kind_is_a_wrong_call(capsys: Any) -> None:
    assert main(["survey-template", "a.csv", "--kind", "circles"]) == 2
    assert "'circles' is not one of" in capsys.readouterr().err
    assert files() == []


def test_the_procedure_is_written_with_the_feet_that_are_known(capsys: Any) -> None:
    assert main(["survey-procedure", "--out", "p/sheet.html", "--half-span-mm", "124"]) == 0
    text = Path("p/sheet.html").read_text("utf-8")
    assert "<strong>124 mm</strong>" in text
    assert capsys.readouterr().out.strip() == str(Path("p/sheet.html"))


def test_the_procedure_is_a_page(capsys: Any) -> None:
    for name, ending in (("p.txt", ".txt"), ("p", "a file without an ending")):
        assert main(["survey-procedure", "--out", name]) == 2
        assert capsys.readouterr().err == (
            f"midchord: error: {name}: the procedure cannot be written as {ending}; .html, which "
            "any browser prints; name the file so.\n"
        )
    assert files() == []


@pytest.mark.parametrize(
    "words",
    [
        ["survey", f"{'n' * 245}.csv"],
        ["survey", "gone.csv", "--out", "n" * 256],
        ["survey-procedure", "--out", f"{'n' * 300}.html"],
        ["survey-template", f"{'n' * 300}.csv", "--kind", "spots"],
    ],
)
def test_a_name_too_long_is_refused(words: list[str], capsys: Any) -> None:
    assert main(words) == 2
    said = capsys.readouterr().err
    assert "bytes a name" in said or "File name too long" in said
    assert said.count("\n") == 1
    assert files() == []


# --- survey-plan --------------------------------------------------------------------------------


def test_a_plan_is_written_and_its_file_is_a_survey_once_filled_in(
    inputs: Path, capsys: Any
) -> None:
    maps = [str(inputs / f"{lite_id}.maps.nc") for lite_id in surveyed.LITES]
    words = ["survey-plan", *maps, "--gauge", str(inputs / "wren.toml"), "--tolerance-mm", "0.05"]
    assert main([*words, "--out", "o"]) == 0
    assert files("o") == ["plan.csv", "plan.html"]
    said = capsys.readouterr().out.splitlines()
    assert said[0] == "3 lites, 6 spots on each, 2 repeats by 2 operators: 72 readings"
    assert said[1].startswith("assumed standard deviations / mm: lite 0.0025, spot 0.0025, ")
    page = Path("o/plan.html").read_text("utf-8")
    assert all(f"Lite {lite_id}" in page for lite_id in surveyed.LITES)

    text = Path("o/plan.csv").read_text("utf-8")
    assert main(["validate", *maps, "--survey", "o/plan.csv", "--gauge", TEAL]) == 3
    assert "row" in capsys.readouterr().err  # nobody has read anything yet
    rows = text.split("\n")
    at = next(k for k, row in enumerate(rows) if row.startswith("lite_id;"))
    for k in range(at + 1, len(rows) - 1):
        cells = rows[k].split(";")
        assert cells[6] == ""
        cells[6] = "0.012"
        rows[k] = ";".join(cells)
    Path("filled.csv").write_text("\n".join(rows), encoding="utf-8")
    survey = read_survey("filled.csv")
    assert len(survey.readings) == 72
    assert survey.readings.groupby("lite_id").size().tolist() == [24, 24, 24]
    assert sorted(survey.readings["operator"].unique()) == ["operator 1", "operator 2"]


def test_one_of_each_is_said_in_the_singular(inputs: Path, capsys: Any) -> None:
    maps = [str(inputs / f"{lite_id}.maps.nc") for lite_id in surveyed.LITES]
    words = ["survey-plan", *maps, "--gauge", str(inputs / "wren.toml"), "--tolerance-mm", "0.05"]
    assert main([*words, "--operators", "1", "--repeats", "1"]) == 0
    said = capsys.readouterr().out.splitlines()[0]
    assert " 1 repeat by 1 operator: " in said
    assert console.counted(1, "more lite") == "1 more lite"
    assert console.counted(0, "reading") == "0 readings"


def test_a_tolerance_that_no_survey_can_show_is_refused(inputs: Path, capsys: Any) -> None:
    words = ["survey-plan", str(inputs / "Q-1.maps.nc"), "--gauge", str(inputs / "wren.toml")]
    assert main([*words, "--tolerance-mm", "0.0005"]) == 2
    assert "no survey of up to 60 lites and 30 spots on each shows 0.0005 mm" in (
        capsys.readouterr().err
    )
    assert files() == []


def test_the_placement_of_a_hand_is_the_same_in_every_command() -> None:
    for command in (agreement.validate_maps, surveys.survey_plan):
        default = inspect.signature(command).parameters["placement_sd_mm"].default
        assert default == PLACEMENT_SD_MM


# --- help ---------------------------------------------------------------------------------------


def test_help_of_the_new_commands_loads_nothing_heavy() -> None:
    code = (
        "import sys; from midchord.cli import main\n"
        "for name in ('', '-plan', '-template', '-procedure'):\n"
        "    assert main([f'survey{name}', '--help']) == 0\n"
        "assert main(['validate', '--help']) == 0\n"
        "print(sorted({'numpy', 'xarray', 'pandas', 'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"
    for words in ("--tolerance-mdpt", "--power", "--kind", "--half-span-mm", "--length-mm"):
        assert words in done.stdout
