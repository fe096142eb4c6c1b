"""The workbook of scan against gauge, read back by another library."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from python_calamine import CalamineWorkbook

import midchord
import surveyed
from midchord.report.agreement_workbook import SHEETS, agreement_workbook
from midchord.validate import Validation
from surveyed import LINES, SPOTS, card, line_rows, spot_rows, survey_of


def sheets(content: bytes) -> dict[str, list[list[Any]]]:
    book = CalamineWorkbook.from_filelike(io.BytesIO(content))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


def columns(table: list[list[Any]]) -> dict[str, list[Any]]:
    return {str(name): [row[k] for row in table[1:]] for k, name in enumerate(table[0])}


def stored(values: Any) -> Any:
    """As the file format keeps them: 16 significant digits."""
    return pytest.approx(getattr(values, "tolist", lambda: values)(), rel=2e-15, abs=0)


@pytest.fixture(scope="module")
def on_spots(tmp_path_factory: pytest.TempPathFactory) -> Validation:
    rows = spot_rows(repeats=1)
    rows[1] = rows[1].replace("2026-06-01,,", "2026-06-01,yes,=1+1 is no formula")
    rows.append("Q-1,Wren 115,Ada,1,60,200,0.01,2026-06-01,,")
    cells = rows[20].split(",")
    cells[6] = f"{25.4 * float(cells[6]):.3f}"
    rows[20] = ",".join(cells)
    folder = tmp_path_factory.mktemp("spots")
    survey = survey_of(folder, SPOTS, rows)
    return midchord.validate(surveyed.all_maps(), survey, [card()], tolerance_mm=0.5)


@pytest.fixture(scope="module")
def book(on_spots: Validation) -> dict[str, list[list[Any]]]:
    return sheets(agreement_workbook(on_spots))


def test_all_sheets_are_there_in_order(book: dict[str, list[list[Any]]]) -> None:
    assert tuple(book) == SHEETS


def test_every_pair_stands_in_its_row_unrounded(
    on_spots: Validation, book: dict[str, list[list[Any]]]
) -> None:
    singles = on_spots.gauges[0].paired.singles
    pairs = columns(book["pairs"])
    assert pairs["row of the survey file"] == singles["row"].tolist()
    assert pairs["reading of its twin / mm"] == stored(singles["scan_mm"])
    assert pairs["reading of the hand gauge / mm"] == stored(singles["gauge_mm"])
    assert pairs["scan - gauge / mm"] == stored(singles["scan_mm"] - singles["gauge_mm"])
    # the repeatability that the survey found stands for the dial, which is finer
    found = on_spots.gauges[0].singles
    assert found is not None
    assert found.repeatability is not None
    assert found.repeatability > singles["u_gauge_mm"].max()
    assert pairs["repeatability found / mm"] == pytest.approx([found.repeatability] * len(singles))
    others = (singles[["u_scan_mm", "u_place_mm"]] ** 2).sum(axis=1)
    assert pairs["u combined / mm"] == pytest.approx(
        np.sqrt(found.repeatability**2 + others).tolist()
    )
    assert pairs["x / mm"] == singles["x_mm"].tolist()


def test_units_are_in_the_headers_and_codes_are_not(book: dict[str, list[list[Any]]]) -> None:
    heads = [str(cell) for name in SHEETS[1:] for cell in book[name][0]]
    assert heads
    assert not [head for head in heads if head.endswith(("_mm", "_id"))]


def test_what_was_not_paired_keeps_its_reason(book: dict[str, list[list[Any]]]) -> None:
    table = columns(book["not paired"])
    assert table["row of the survey file"] == [3, 50]
    assert table["reason"] == [
        "excluded: =1+1 is no formula",
        "the twin cannot stand there: a contact is off the glass, or was not measured",
    ]
    assert table["operator"] == ["Ada", "Ada"]
    assert table["x / mm"][1] == 60


def test_flags_have_row_reason_and_what_would_agree(
    on_spots: Validation, book: dict[str, list[list[Any]]]
) -> None:
    table = columns(book["flags"])
    assert table["what"][-2:] == ["datum", "shift"]
    assert 22 in table["row of the survey file"]
    at = table["row of the survey file"].index(22)
    flag = next(flag for flag in on_spots.gauges[0].flags if flag.row == 22)
    assert table["reason"][at] == flag.sentence
    assert table["would agree as / mm"][at] == stored(flag.alternative_mm)


def test_statistics_are_those_of_agreement_json(
    on_spots: Validation, book: dict[str, list[list[Any]]]
) -> None:
    facts = on_spots.as_dict()
    table = columns(book["statistics"])
    rows = zip(table["of"], table["figure"], table["value"], strict=True)
    values = {(of, figure): value for of, figure, value in rows}
    assert values["singles", "bias_mm"] == stored(facts["bias_mm"])
    assert values["singles", "limits_ci_mm[2][1]"] == stored(facts["limits_ci_mm"][1][0])
    study = facts["by_gauge"][0]["gauge_study"]
    assert values["gauge_study", "ndc[1]"] == stored(study["ndc"][0])
    assert values["placement", "sentence"] == facts["by_gauge"][0]["placement"]["sentence"]
    summary = dict(row[:2] for row in book["summary"])
    assert summary["verdict"] == on_spots.verdict
    assert summary["SHA-256 of the survey"] == on_spots.survey.sha256
    assert summary["gauge Wren 115: half_span_mm"] == 115


def test_swings_have_both_their_marks(tmp_path: Path) -> None:
    survey = survey_of(tmp_path, LINES, line_rows(lites=["Q-2"]))
    found = midchord.validate(surveyed.all_maps(), survey, [card()])
    table = columns(sheets(agreement_workbook(found))["swings"])
    swings = found.gauges[0].paired.swings
    assert table["from x / mm"] == swings["from_x_mm"].tolist()
    assert table["from row"] == [row - 1 for row in table["row of the survey file"]]
    assert table["scan - gauge / mm"] == stored(swings["scan_mm"] - swings["gauge_mm"])


def test_lines_are_in_words_and_numbers_have_few_decimals(tmp_path: Path) -> None:
    survey = survey_of(tmp_path, LINES, line_rows(lites=["Q-2"]))
    content = agreement_workbook(midchord.validate(surveyed.all_maps(), survey, [card()]))
    table = columns(sheets(content)["pairs"])
    assert set(table["line"]) == {"y 200 mm from the left edge, marks from the leading edge"}
    book = openpyxl.load_workbook(io.BytesIO(content))
    head = [cell.value for cell in book["pairs"][1]]
    for name, shape in (
        ("reading of its twin / mm", "0.00000"),
        ("x / mm", "0.0"),
        ("u combined / mm", "0.00000"),
        ("row of the survey file", "General"),
    ):
        assert book["pairs"].cell(2, head.index(name) + 1).number_format == shape, name


def test_the_same_survey_gives_the_same_bytes_dated_by_its_readings(on_spots: Validation) -> None:
    content = agreement_workbook(on_spots)
    assert content == agreement_workbook(on_spots)
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        core = parts.read("docProps/core.xml").decode("utf-8")
        strings = parts.read("xl/sharedStrings.xml").decode("utf-8")
        cells = parts.read("xl/worksheets/sheet4.xml").decode("utf-8")
    assert "2026-06-01T00:00:00Z</dcterms:created>" in core
    assert "=1+1 is no formula" in strings
    assert "<f>" not in cells
