"""Hand surveys read from CSV and XLSX, and everything that is refused, with its row."""

from __future__ import annotations

import io
import os
import re
import zipfile
from datetime import datetime, time, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from midchord.configs import shipped
from midchord_io.errors import OutputError, SurveyError
from midchord_io.survey import COLUMNS, datum_of, read_survey
from midchord_io.survey_template import template_columns, write_template

SPOTS = ["lite_id", "gauge", "operator", "repeat", "x_mm", "y_mm", "reading_mm"]
LINES = [
    *("lite_id", "gauge", "operator", "repeat", "line_y_mm"),
    *("datum_edge", "mark", "distance_mm", "reading_mm"),
]
SPOT_ROWS = [
    ["A-1", "Teal 120", "Ines", "1", "400", "300", "0.05"],
    ["A-1", "Teal 120", "Ines", "2", "400", "300", "0.052"],
    ["A-1", "Teal 120", "Ines", "1", "520.5", "310", "-0.061"],
]
LINE_ROWS = [
    ["A-1", "Teal 120", "Ines", "1", "620", "leading", "1", "350", "0.05"],
    ["A-1", "Teal 120", "Ines", "1", "620", "leading", "2", "470", "-0.06"],
    ["A-1", "Teal 120", "Ines", "1", "620", "leading", "3", "590", "0.04"],
    ["A-1", "Teal 120", "Ines", "1", "620", "leading", "4", "715", "-0.05"],
]


def written(path: Path, header: list[str], rows: list[list[str]], separator: str = ";") -> Path:
    lines = [separator.join(row) for row in (header, *rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def changed(rows: list[list[str]], row: int, column: int, value: str) -> list[list[str]]:
    copy = [list(cells) for cells in rows]
    copy[row][column] = value
    return copy


def with_column(header: list[str], rows: list[list[str]], name: str, values: list[str]):
    return [*header, name], [[*row, value] for row, value in zip(rows, values, strict=True)]


def refused(path: Path) -> str:
    with pytest.raises(SurveyError) as error:
        read_survey(path)
    assert str(error.value).startswith(str(path))
    return str(error.value).removeprefix(str(path)).removeprefix(", ").removeprefix(": ")


def workbook(path: Path, header: list[str], rows: list[list[object]], sheet="survey") -> Path:
    with xlsxwriter.Workbook(str(path), {"default_date_format": "yyyy-mm-dd"}) as book:
        page = book.add_worksheet(sheet)
        for number, cells in enumerate((header, *rows)):
            page.write_row(number, 0, cells)
    return path


# ---- what is read


def test_a_spot_survey(tmp_path):
    survey = read_survey(written(tmp_path / "s.csv", SPOTS, SPOT_ROWS))
    assert survey.kind == "spots"
    table = survey.readings
    assert table["row"].tolist() == [2, 3, 4]
    assert table["reading_mm"].tolist() == [0.05, 0.052, -0.061]
    assert table["x_mm"].tolist() == [400.0, 400.0, 520.5]
    assert table["repeat"].tolist() == [1, 2, 1]
    assert set(table["datum_x"] + table["datum_y"]) == {"leadingleft"}
    assert table["read_at"].isna().all()
    assert not table["excluded"].any()
    assert survey.units == {"x": "mm", "y": "mm", "reading": "mm"}


def test_a_line_survey(tmp_path):
    survey = read_survey(written(tmp_path / "s.csv", LINES, LINE_ROWS))
    assert survey.kind == "lines"
    assert survey.readings["mark"].tolist() == [1, 2, 3, 4]
    assert survey.readings["distance_mm"].tolist() == [350.0, 470.0, 590.0, 715.0]
    assert survey.readings["line_y_mm"].tolist() == [620.0] * 4


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_separators_line_ends_and_encodings(tmp_path, separator, line_end, encoding):
    rows = changed(SPOT_ROWS, 0, 2, "Åsa")
    text = line_end.join(separator.join(row) for row in (SPOTS, *rows)) + line_end
    path = tmp_path / "s.csv"
    path.write_bytes(text.encode(encoding))
    table = read_survey(path).readings
    assert table["operator"].tolist() == ["Åsa", "Ines", "Ines"]
    assert table["reading_mm"].tolist() == [0.05, 0.052, -0.061]


@pytest.mark.parametrize("separator", [";", ","])
def test_decimal_commas(tmp_path, separator):
    rows = [[f'"{cell.replace(".", ",")}"' for cell in row] for row in SPOT_ROWS]
    table = read_survey(written(tmp_path / "s.csv", SPOTS, rows, separator)).readings
    assert table["reading_mm"].tolist() == [0.05, 0.052, -0.061]
    assert table["x_mm"].tolist() == [400.0, 400.0, 520.5]


def test_units_in_the_names(tmp_path):
    header = [*SPOTS[:6], "reading_um"]
    rows = [[*row[:6], f"{1000 * float(row[6]):g}"] for row in SPOT_ROWS]
    survey = read_survey(written(tmp_path / "s.csv", header, rows))
    np.testing.assert_allclose(survey.readings["reading_mm"], [0.05, 0.052, -0.061], rtol=1e-12)
    assert survey.units["reading"] == "um"
    header = [name.replace("_mm", "_in") for name in SPOTS]
    inches = read_survey(written(tmp_path / "i.csv", header, SPOT_ROWS)).readings
    # an inch is 25.4 mm exactly (ISO 31-1)
    np.testing.assert_allclose(inches["reading_mm"], np.array([0.05, 0.052, -0.061]) * 25.4)
    np.testing.assert_allclose(inches["x_mm"], np.array([400, 400, 520.5]) * 25.4)


def test_blank_rows_comments_case_and_typography(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text(
        "sep=;\n# by hand; on the table\n\nLite_ID;gauge;operator;repeat;X_mm;y_mm;reading_mm;;\n"
        ";;;;;;;;\nA-1;T;Ines;1; 400 ;300;−0,05;;\n",
        encoding="utf-8",
    )
    table = read_survey(path).readings
    assert table["reading_mm"].tolist() == [-0.05]
    assert table["row"].tolist() == [6]


def test_dates_are_kept_in_universal_time(tmp_path):
    moments = ["2026-03-17", "2026-03-17T08:30", "2026-03-17T08:30+02:00"]
    header, rows = with_column(SPOTS, SPOT_ROWS, "date", moments)
    table = read_survey(written(tmp_path / "s.csv", header, rows)).readings
    assert [moment.isoformat() for moment in table["read_at"]] == [
        "2026-03-17T00:00:00+00:00",
        "2026-03-17T08:30:00+00:00",
        "2026-03-17T06:30:00+00:00",
    ]


def test_an_excluded_reading_stays_in_the_table_with_its_reason(tmp_path):
    header, rows = with_column(SPOTS, SPOT_ROWS, "excluded", ["", "yes", "no"])
    header, rows = with_column(header, rows, "reason", ["", "dial stuck", ""])
    survey = read_survey(written(tmp_path / "s.csv", header, rows))
    assert survey.readings["excluded"].tolist() == [False, True, False]
    assert survey.readings["reason"].tolist() == ["", "dial stuck", ""]
    assert survey.used["row"].tolist() == [2, 4]


def test_an_excluded_reading_may_stand_beside_the_one_that_replaces_it(tmp_path):
    rows = [*SPOT_ROWS, SPOT_ROWS[0]]
    header, rows = with_column(SPOTS, rows, "excluded", ["yes", "", "", ""])
    header, rows = with_column(header, rows, "reason", ["slipped", "", "", ""])
    assert len(read_survey(written(tmp_path / "s.csv", header, rows)).used) == 3
    rows = [LINE_ROWS[0], *LINE_ROWS]
    header, rows = with_column(LINES, rows, "excluded", ["yes", "", "", "", ""])
    header, rows = with_column(header, rows, "reason", ["slipped", "", "", "", ""])
    assert read_survey(written(tmp_path / "l.csv", header, rows)).used["mark"].tolist() == [
        1,
        2,
        3,
        4,
    ]


def test_a_line_may_be_marked_and_not_read_yet(tmp_path):
    rows = [[*row[:8], ""] for row in LINE_ROWS]
    table = read_survey(written(tmp_path / "s.csv", LINES, rows)).readings
    assert table["reading_mm"].isna().all()
    message = refused(written(tmp_path / "h.csv", LINES, changed(LINE_ROWS, 2, 8, "")))
    assert message.startswith("row 4: mark 3 has no reading, while others of its line have")


# ---- frames


@pytest.mark.parametrize(
    ("text", "edges"),
    [
        ("", ("leading", "left")),
        ("leading", ("leading", "left")),
        ("Trailing edge", ("trailing", "left")),
        ("right", ("leading", "right")),
        ("trailing right", ("trailing", "right")),
        ("left+trailing", ("trailing", "left")),
        ("leading trailing", None),
        ("top", None),
    ],
)
def test_datum_edges(text, edges):
    assert datum_of(text) == edges


def test_spots_turn_onto_the_frame_of_the_lite(tmp_path):
    datums = ["", "trailing", "trailing right"]
    header, rows = with_column(SPOTS, SPOT_ROWS, "datum_edge", datums)
    survey = read_survey(written(tmp_path / "s.csv", header, rows))
    assert survey.readings["x_mm"].tolist() == [400.0, 400.0, 520.5]  # kept as given
    table = survey.on_lite_frame(2460.0, 1240.0)
    assert table["x_mm"].tolist() == [400.0, 2060.0, 1939.5]
    assert table["y_mm"].tolist() == [300.0, 300.0, 930.0]
    assert set(table["datum_x"]) == {"leading"}
    assert set(table["datum_y"]) == {"left"}


def test_lines_turn_onto_the_frame_of_the_lite(tmp_path):
    rows = [[*row[:5], "trailing", *row[6:]] for row in LINE_ROWS]
    survey = read_survey(written(tmp_path / "s.csv", LINES, rows))
    table = survey.on_lite_frame(2460.0, 1240.0, lite_id="A-1")
    assert table["x_mm"].tolist() == [2110.0, 1990.0, 1870.0, 1745.0]
    assert table["y_mm"].tolist() == [620.0] * 4
    assert len(survey.on_lite_frame(2460.0, 1240.0, lite_id="other")) == 0


def test_a_place_beyond_the_lite_is_named_with_its_row(tmp_path):
    survey = read_survey(written(tmp_path / "s.csv", SPOTS, SPOT_ROWS))
    with pytest.raises(SurveyError) as error:
        survey.on_lite_frame(500.0, 1240.0)
    assert str(error.value).endswith(
        "s.csv, row 4: x_mm is 520.5 mm on lite A-1; a place on the lite, which is 500 mm long "
        "and 1240 mm wide; correct the place, its unit or the lite."
    )


# ---- columns that are refused


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (["lite", *SPOTS[1:]], "there is no column 'lite', did you mean 'lite_id'?"),
        ([*SPOTS[:6], "reading"], "column 'reading' does not say its unit; one of reading_mm, "),
        ([*SPOTS[:6], "reading_cm"], "there is no column 'reading_cm', did you mean 'reading_mm'?"),
        ([*SPOTS[:6], "reading_in"], "mixed units: x_mm, y_mm, reading_in"),
        ([*SPOTS[:5], "y_um", "reading_mm"], "mixed units: x_mm, y_um, reading_mm"),
        ([*SPOTS[:6], "x_mm"], "columns 'x_mm' and 'x_mm' say the same thing"),
        ([*SPOTS[:5], "mark", "reading_mm"], "columns of a line survey (mark) beside those of a"),
        ([*SPOTS[:6], "note"], "no column reading_mm; lite_id, gauge, operator, repeat, x_mm,"),
    ],
)
def test_columns(tmp_path, header, words):
    message = refused(written(tmp_path / "s.csv", header, SPOT_ROWS))
    assert message.startswith("row 1: ")
    assert words in message


def test_the_same_column_in_two_units_is_refused(tmp_path):
    header, rows = with_column(SPOTS, SPOT_ROWS, "reading_in", ["1", "1", "1"])
    message = refused(written(tmp_path / "s.csv", header, rows))
    assert "columns 'reading_mm' and 'reading_in' say the same thing" in message


def test_lines_need_their_datum_edge(tmp_path):
    header = [name for name in LINES if name != "datum_edge"]
    rows = [[*row[:5], *row[6:]] for row in LINE_ROWS]
    assert "no column datum_edge" in refused(written(tmp_path / "s.csv", header, rows))
    message = refused(written(tmp_path / "t.csv", LINES, changed(LINE_ROWS, 1, 5, "left")))
    assert "row 3: datum_edge is 'left'; leading or trailing, the edge that the marks" in message


# ---- cells that are refused


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        (1, 6, "about 0.05", "row 3: reading_mm is 'about 0.05'; a number in reading_mm;"),
        (1, 6, "0.05 mm", "row 3: reading_mm is '0.05 mm'; a number in reading_mm; write the"),
        (1, 6, "nan", "row 3: reading_mm is 'nan'"),
        (1, 6, "1e999", "row 3: reading_mm is 1e999; 0, or a number from 1e-09"),
        (0, 3, "1e999", "row 2: repeat is 1e999"),
        (1, 6, "", "row 3: reading_mm is empty"),
        (2, 4, "-5", "row 4: x_mm is -5; a number of at least 0; count from the edge"),
        (0, 3, "1.5", "row 2: repeat is 1.5; a whole number: 1, 2, 3"),
        (0, 3, "0", "row 2: repeat is 0; a whole number"),
        (0, 3, "first", "row 2: repeat is 'first'"),
        (1, 0, "", "row 3: lite_id is empty; every row filled in"),
        (2, 6, "0,061", "'0,061' with a decimal comma, while row 2 has a point; one decimal mark"),
        (2, 6, "1.234,5", "row 4: reading_mm is '1.234,5'"),
    ],
)
def test_cells(tmp_path, row, column, value, words):
    message = refused(written(tmp_path / "s.csv", SPOTS, changed(SPOT_ROWS, row, column, value)))
    assert words in message


@pytest.mark.parametrize(
    ("name", "values", "words"),
    [
        ("date", ["", "17/03/2026", ""], "row 3: read_at is '17/03/2026'; a date as 2026-03-17"),
        ("read_at", ["0001-01-01T00:00+14:00", "", ""], "row 2: read_at is in the year 1 (UTC)"),
        ("datum_edge", ["", "", "top"], "row 4: datum_edge is 'top'; leading, trailing, left or"),
        ("excluded", ["", "maybe", ""], "row 3: excluded is 'maybe'; yes or no"),
        ("excluded", ["", "", "yes"], "row 4: a reading is excluded without a reason"),
        ("reason", ["", "slipped", ""], "row 3: a reason ('slipped') for a reading that is not"),
    ],
)
def test_optional_cells(tmp_path, name, values, words):
    header, rows = with_column(SPOTS, SPOT_ROWS, name, values)
    assert words in refused(written(tmp_path / "s.csv", header, rows))


def test_the_other_faulty_rows_are_listed(tmp_path):
    rows = changed(changed(SPOT_ROWS, 0, 6, "?"), 2, 3, "x")
    message = refused(written(tmp_path / "s.csv", SPOTS, rows))
    assert message.startswith("row 2: reading_mm is '?' (faults, too, in row 4); a number")


def test_a_thousand_that_may_be_one(tmp_path):
    rows = changed([[c.split(".")[0] for c in row] for row in SPOT_ROWS], 1, 4, '"1,234"')
    message = refused(written(tmp_path / "s.csv", SPOTS, rows, ","))
    assert "row 3: x_mm is '1,234', which may be a thousand" in message
    rows = changed(rows, 1, 4, "1,234")
    table = read_survey(written(tmp_path / "t.csv", SPOTS, rows, ";")).readings
    assert table["x_mm"].tolist()[1] == 1.234


def test_a_decimal_comma_between_commas(tmp_path):
    rows = [[*row[:6], row[6].replace(".", ",")] for row in SPOT_ROWS]
    message = refused(written(tmp_path / "s.csv", SPOTS, rows, ","))
    assert message.startswith("row 2: field 8 holds '05' under no column name; at most the 7")
    assert "separate the fields by semicolons" in message


def test_the_same_reading_twice(tmp_path):
    rows = [*SPOT_ROWS, [*SPOT_ROWS[1][:6], "0.9"]]
    message = refused(written(tmp_path / "s.csv", SPOTS, rows))
    assert message.startswith(
        "row 5: the same lite, gauge, operator, repeat and place as row 3; each reading once"
    )


# ---- marks


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([LINE_ROWS[0], *LINE_ROWS[2:]], "row 3: mark 2 is missing before it; every mark of a"),
        (LINE_ROWS[2:], "row 2: marks 1, 2 are missing before it"),
        ([*LINE_ROWS, LINE_ROWS[1]], "row 6: mark 2 is there twice, already in row 3"),
        (
            [LINE_ROWS[0], LINE_ROWS[2], LINE_ROWS[1], LINE_ROWS[3]],
            "row 4: mark 2 is out of order, after mark 3; the marks of a line in ascending",
        ),
        (
            changed(LINE_ROWS, 2, 7, "400"),
            "row 4: mark 3 at 400 mm is out of order: mark 2 is at 470 mm",
        ),
        (changed(LINE_ROWS, 2, 6, "2.5"), "row 4: mark is 2.5; a whole number"),
        (changed(LINE_ROWS, 2, 7, "-1"), "row 4: distance_mm is -1; a number of at least 0"),
    ],
)
def test_marks(tmp_path, rows, words):
    assert words in refused(written(tmp_path / "s.csv", LINES, rows))


def test_lines_of_several_people_are_checked_apart_though_mixed(tmp_path):
    other = [[*row[:2], "Oskar", *row[3:]] for row in LINE_ROWS]
    mixed = [row for pair in zip(LINE_ROWS, other, strict=True) for row in pair]
    assert len(read_survey(written(tmp_path / "s.csv", LINES, mixed)).readings) == 8
    message = refused(written(tmp_path / "t.csv", LINES, mixed[:5] + mixed[6:]))
    assert message.startswith("row 8: mark 3 is missing before it")


# ---- files that are refused


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "nothing in it; a header and at least one reading below it"),
        (b"\n\n# only words\n", "nothing in it"),
        (";".join(SPOTS).encode(), "a header and no row below it"),
        ("lite_id;Gr\u00f6\u00dfe".encode("latin-1"), "is not UTF-8; text in UTF-8"),
        (b"lite_id\0gauge", "not text; a survey as CSV or XLSX"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "a workbook of the old kind (XLS), or one with a"),
        (b"PK\x03\x04 and no more", "no workbook that can be read"),
        (b'lite_id;gauge\n"A;1\n', "row 2: not CSV ("),
    ],
)
def test_files(tmp_path, content, words):
    path = tmp_path / "s.csv"
    path.write_bytes(content)
    assert words in refused(path)


def test_no_file(tmp_path):
    assert "it cannot be read (" in refused(tmp_path / "none.csv")


@settings(max_examples=150, deadline=None)
@given(
    make=st.deferred(lambda: st.sampled_from([written, workbook])),
    place=st.floats(0, 1),
    cut=st.integers(0, 40),
    instead=st.binary(max_size=20),
)
def test_damage_gives_a_survey_or_a_clear_refusal(tmp_path_factory, make, place, cut, instead):
    path = tmp_path_factory.mktemp("damaged") / "s"
    good = make(path, LINES, LINE_ROWS).read_bytes()
    start = int(place * len(good))
    path.write_bytes(good[:start] + instead + good[start + cut :])
    try:
        read = read_survey(path).readings
    except SurveyError as error:
        refusal = str(error)
    else:
        refusal = f"{path}"
        assert np.isfinite(read["distance_mm"]).all()
        assert (read["repeat"] >= 1).all()
    assert refusal.startswith(str(path))


# ---- workbooks


def numbers(rows: list[list[str]], columns: tuple[int, ...]) -> list[list[object]]:
    return [[float(c) if i in columns else c for i, c in enumerate(row)] for row in rows]


def test_a_workbook_reads_like_its_csv(tmp_path):
    book = workbook(tmp_path / "s.xlsx", SPOTS, numbers(SPOT_ROWS, (3, 4, 5, 6)))
    text = written(tmp_path / "s.csv", SPOTS, SPOT_ROWS)
    pd.testing.assert_frame_equal(read_survey(book).readings, read_survey(text).readings)


def test_numbers_as_text_and_names_as_numbers(tmp_path):
    rows = [[417, "T", "Ines", 1, "400,5", 300, "0,05"]]
    table = read_survey(workbook(tmp_path / "s.xlsx", SPOTS, rows)).readings
    assert table["lite_id"].tolist() == ["417"]
    assert table["reading_mm"].tolist() == [0.05]


@pytest.mark.parametrize(("column", "name"), [(0, "lite_id"), (6, "reading_mm")])
def test_what_a_spreadsheet_made_a_date_is_refused(tmp_path, column, name):
    rows: list[list[object]] = numbers(SPOT_ROWS, (3, 4, 5, 6))
    rows[1][column] = pd.Timestamp("2026-05-01").to_pydatetime()
    message = refused(workbook(tmp_path / "s.xlsx", SPOTS, rows))
    assert f"row 3: {name} is the date 2026-05-01" in message
    assert "the spreadsheet made it a date" in message


def without_stale_mark(path: Path) -> Path:
    """The workbook as a spreadsheet saves it: nothing left to compute on loading."""
    kept = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(kept, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b' fullCalcOnLoad="1"', b""))
    path.write_bytes(kept.getvalue())
    return path


def formula_book(path: Path, value: object, *, row: int = 2) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        page = book.add_worksheet("survey")
        for number, cells in enumerate((SPOTS, *numbers(SPOT_ROWS, (3, 4, 5, 6)))):
            page.write_row(number, 0, cells)
        page.write_formula(row, 6, "=0.05+0.002", None, value)
    return path


def test_a_formula_with_its_value_is_read(tmp_path):
    path = without_stale_mark(formula_book(tmp_path / "s.xlsx", 0.052))
    assert read_survey(path).readings["reading_mm"].tolist() == [0.05, 0.052, -0.061]


@pytest.mark.parametrize("row", [2, 6])
def test_a_formula_without_its_value_is_refused_also_below_the_last_row(tmp_path, row):
    message = refused(without_stale_mark(formula_book(tmp_path / "s.xlsx", "", row=row)))
    assert message == (
        f"sheet 'survey': cell G{row + 1} is a formula whose value is not in the file; values; "
        "open and save it in a spreadsheet, or paste the values over the formulas."
    )


def test_a_formula_that_no_spreadsheet_has_computed_is_refused(tmp_path):
    message = refused(formula_book(tmp_path / "s.xlsx", 0))
    assert "cell G3 is a formula whose value is not in the file" in message


def test_an_error_in_a_cell_is_refused(tmp_path):
    path = without_stale_mark(formula_book(tmp_path / "s.xlsx", "#DIV/0!"))
    assert "cell G3 is an error (#DIV/0!)" in refused(path)


def test_which_sheet(tmp_path):
    path = tmp_path / "s.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("notes").write_row(0, 0, ["anything"])
        page = book.add_worksheet("Survey")
        for number, cells in enumerate((SPOTS, *SPOT_ROWS)):
            page.write_row(number, 0, cells)
    assert len(read_survey(path).readings) == 3
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("one")
        book.add_worksheet("two")
    assert "2 sheets, none called 'survey': one, two" in refused(path)
    workbook(path, SPOTS, SPOT_ROWS, sheet="whatever")
    assert len(read_survey(path).readings) == 3


# ---- templates


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
@pytest.mark.parametrize("kind", ["spots", "lines"])
@pytest.mark.parametrize("unit", ["mm", "um", "in"])
def test_a_template_filled_in_reads_back(tmp_path, ending, kind, unit):
    path = write_template(tmp_path / f"t.{ending}", kind, unit=unit)
    assert "a header and no row below it" in refused(path)
    rows = SPOT_ROWS if kind == "spots" else LINE_ROWS
    if ending == "csv":
        with path.open("a", encoding="utf-8", newline="") as file:
            file.writelines(";".join(row) + "\r\n" for row in rows)
    else:
        openpyxl = pytest.importorskip("openpyxl")  # another writer fills it in
        book = openpyxl.load_workbook(path)
        for row in rows:
            book["survey"].append(row)
        book.save(path)
    survey = read_survey(path)
    factor = {"mm": 1.0, "um": 1e-3, "in": 25.4}[unit]
    given = np.array([float(row[-1]) for row in rows])
    np.testing.assert_allclose(survey.readings["reading_mm"], given * factor, rtol=1e-12)
    assert survey.kind == kind
    assert survey.units["reading"] == unit


def test_a_template_explains_every_column_and_is_ascii(tmp_path):
    path = write_template(tmp_path / "t.csv", "lines")
    text = path.read_bytes().decode("ascii")
    for column in template_columns("lines"):
        assert f"# {column.header}: {column.meaning[:20]}" in text.replace(";", ",")
    assert [c.name for c in template_columns("spots")][:7] == list(COLUMNS["spots"])


def test_templates_that_cannot_be_written(tmp_path):
    path = write_template(tmp_path / "t.csv", "spots")
    before = path.read_bytes()
    with pytest.raises(OutputError, match="it is already there"):
        write_template(path, "lines")
    assert path.read_bytes() == before
    write_template(path, "lines", overwrite=True)
    assert b"mark" in path.read_bytes()
    with pytest.raises(OutputError, match=r"cannot be written as \.ods; \.csv or \.xlsx"):
        write_template(tmp_path / "t.ods", "spots")
    with pytest.raises(SurveyError, match="no kind of survey 'points'; one of spots, lines"):
        write_template(tmp_path / "u.csv", "points")  # type: ignore[arg-type]
    with pytest.raises(SurveyError, match="no unit 'cm'; one of mm, um, in"):
        write_template(tmp_path / "u.csv", "spots", unit="cm")
    assert not (tmp_path / "u.csv").exists()


# ---- the shipped examples


def test_the_shipped_examples_read_and_come_out_alike(tmp_path):
    import make_surveys

    folder = shipped("sample-scans", "surveys")
    recipe = make_surveys.Recipe.load(shipped("configs", "recipes", "demo-heron.toml"))
    assert set(make_surveys.FILES) == {path.name for path in folder.glob("*.csv")}
    for name, make in make_surveys.FILES.items():
        (tmp_path / name).write_bytes(make(recipe).encode("utf-8"))
        kept, made = (read_survey(path / name).readings for path in (folder, tmp_path))
        # another processor may round a reading to the neighbouring step of the dial
        np.testing.assert_allclose(kept.pop("reading_mm"), made.pop("reading_mm"), atol=1.001e-3)
        pd.testing.assert_frame_equal(kept, made)
        assert set(kept["lite_id"]) == {"heron-07"}


# ---- numbers, dates and names that nobody meant


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        (6, "1e-310", "reading_mm is 1e-310; 0, or a number from 1e-09 to 1e+09 in size; correct"),
        (6, "1e6", "reading_mm is 1e+06; at most 1000 mm; correct it, or the unit in the name"),
        (6, "-1001", "reading_mm is -1001; at most 1000 mm"),
        (4, "200000", "x_mm is 200000; at most 100000 mm"),
        (6, "nan", "reading_mm is 'nan'; a number in reading_mm"),
        (0, "n" * 201, "lite_id has 201 characters; a name of at most 200; shorten it"),
        (1, "n" * 300, "gauge has 300 characters; a name of at most 200; shorten it"),
    ],
)
def test_what_nobody_meant_is_refused_with_its_row(tmp_path, column, value, words):
    path = written(tmp_path / "s.csv", SPOTS, changed(SPOT_ROWS, 1, column, value))
    assert refused(path).startswith(f"row 3: {words}")


def test_a_zero_is_a_number_of_its_own(tmp_path):
    rows = changed(changed(SPOT_ROWS, 0, 6, "0"), 1, 6, "-0.0")
    survey = read_survey(written(tmp_path / "s.csv", SPOTS, rows))
    assert survey.readings["reading_mm"].tolist() == [0, 0, -0.061]


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("08:30", "read_at is '08:30', a time of day without its date; a date as 2026-03-17"),
        ("9999-12-31", "read_at is in the year 9999 (UTC); a date from 1970 to 2199; correct it"),
        ("1970-01-01T00:00+14:00", "read_at is in the year 1969 (UTC); a date from 1970 to"),
        ("2199-12-31T23:30-10:00", "read_at is in the year 2200 (UTC); a date from 1970 to"),
        ("17.03.2026", "read_at is '17.03.2026'; a date as 2026-03-17"),
    ],
)
def test_dates_that_are_none(tmp_path, value, words):
    header, rows = with_column(SPOTS, SPOT_ROWS, "read_at", ["2026-03-17", value, ""])
    assert refused(written(tmp_path / "s.csv", header, rows)).startswith(f"row 3: {words}")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (time(8, 30), "read_at is '08:30:00', a time of day without its date"),
        (datetime(9999, 12, 31), "read_at is in the year 9999"),
        (timedelta(hours=30), "read_at is "),
    ],
)
def test_dates_that_are_none_in_a_workbook(tmp_path, value, words):
    rows = [[*row, datetime(2026, 3, 17)] for row in SPOT_ROWS]
    rows[1][-1] = value
    path = tmp_path / "s.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        hour = book.add_format({"num_format": "hh:mm"})
        page = book.add_worksheet("survey")
        page.write_row(0, 0, [*SPOTS, "read_at"])
        for number, cells in enumerate(rows, start=1):
            page.write_row(number, 0, cells[:-1])
            style = day if isinstance(cells[-1], datetime) else hour
            page.write_datetime(number, 7, cells[-1], style)
    assert f"row 3: {words}" in refused(path)


def test_a_field_without_end_is_named_with_its_row(tmp_path):
    rows = changed(SPOT_ROWS, 1, 0, '"' + "n" * 140_000)
    assert refused(written(tmp_path / "s.csv", SPOTS, rows)) == (
        "row 3: a field of more than 131072 characters; short fields; shorten it, or close the "
        "quote that opens in that row."
    )


# ---- what a workbook hides


def hiding(path: Path, hide) -> Path:
    """A workbook of SPOTS with a column without a name to the right, in which ``hide`` works."""
    with xlsxwriter.Workbook(str(path)) as book:
        other = book.add_worksheet("other")
        page = book.add_worksheet("survey")
        page.write_row(0, 0, SPOTS)
        for number, cells in enumerate(SPOT_ROWS, start=1):
            page.write_row(number, 0, cells)
        other.activate()
        other.set_first_sheet()
        hide(page)
    return path


@pytest.mark.parametrize(
    ("hide", "words"),
    [
        (lambda page: page.set_row(2, None, None, {"hidden": True}), "row 3 is hidden; all"),
        (lambda page: page.set_row(2, 0), "row 3 is hidden; all that counts must be seen; show it"),
        (
            lambda page: [page.set_row(k, None, None, {"hidden": True}) for k in (1, 3)],
            "row 2 is hidden, and 1 more rows or columns; all",
        ),
        (lambda page: page.set_column(6, 6, None, None, {"hidden": True}), "column G is hidden"),
        (lambda page: page.set_column(2, 2, 0), "column C is hidden"),
        (lambda page: page.hide(), "the sheet is hidden"),
        (lambda page: page.very_hidden(), "the sheet is hidden"),
    ],
)
def test_what_is_hidden_does_not_count_in_silence(tmp_path, hide, words):
    said = refused(hiding(tmp_path / "s.xlsx", hide))
    assert said.startswith(f"sheet 'survey': {words}")
    assert said.endswith("say excluded with a reason where a reading is not to count.")


def test_a_filter_that_hides_a_reading_is_told(tmp_path):
    def hide(page):
        page.autofilter(0, 0, 3, 6)
        page.filter_column(3, "x == 1")
        page.set_row(2, None, None, {"hidden": True})

    assert "row 3 is hidden; all that counts must be seen; show it (clear the filter, too)" in (
        refused(hiding(tmp_path / "s.xlsx", hide))
    )


def test_hidden_places_with_nothing_in_them_do_not_matter(tmp_path):
    def hide(page):
        page.set_column(20, 16_383, None, None, {"hidden": True})
        page.set_row(9, None, None, {"hidden": True})
        page.write_string(10, 0, "# a remark")
        page.set_row(10, None, None, {"hidden": True})

    survey = read_survey(hiding(tmp_path / "s.xlsx", hide))
    assert survey.readings["reading_mm"].tolist() == [0.05, 0.052, -0.061]


# ---- cells far from the table


def spots_and(path: Path, address: str, value: object) -> Path:
    """A spot survey with one more cell; the file is as small as any."""
    book = openpyxl.Workbook()
    sheet = book.active
    for cells in (SPOTS, *numbers(SPOT_ROWS, (3, 4, 5, 6))):
        sheet.append(cells)
    sheet[address] = value
    book.save(path)
    return path


@pytest.mark.parametrize(
    ("address", "value"), [("XFD1048576", 1), ("ZZ1048576", " "), ("A1005", "x"), ("IW1", " ")]
)
def test_a_cell_far_from_the_table_is_named_before_the_values_are_read(tmp_path, address, value):
    assert refused(spots_and(tmp_path / "s.xlsx", address, value)) == (
        f"sheet 'Sheet': cell {address} holds something and lies far from the table; one table "
        "with nothing around it; delete that row and that column: a space or an old entry may be "
        "left there."
    )


@pytest.mark.parametrize(("address", "value"), [("A1004", "# seen"), ("IV1", " "), ("K30", " ")])
def test_a_cell_that_nobody_sees_does_no_harm_near_the_table(tmp_path, address, value):
    assert len(read_survey(spots_and(tmp_path / "s.xlsx", address, value)).readings) == 3


def test_far_places_that_are_only_formatted_are_nothing(tmp_path):
    path = spots_and(tmp_path / "s.xlsx", "A1", "lite_id")
    book = openpyxl.load_workbook(path)
    book.active["XFD1048576"].number_format = "0.00"
    book.save(path)
    assert read_survey(path).readings["reading_mm"].tolist() == [0.05, 0.052, -0.061]


def test_more_cells_than_anyone_reads_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("midchord_io.survey_unseen.MOST_CELLS", 27)
    path = spots_and(tmp_path / "s.xlsx", "A1", "lite_id")
    assert "4 rows of 7 columns; a table of at most 27 cells; make several" in refused(path)


def test_cells_without_an_address_stand_one_after_the_other(tmp_path):
    path = workbook(tmp_path / "s.xlsx", SPOTS, [[*row[:6], 0.05] for row in SPOT_ROWS])
    kept = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(kept, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name.startswith("xl/worksheets/sheet"):
                content = re.sub(rb'(<(?:c|row)) r="[A-Z]*\d+"', rb"\1", content)
                content = content.replace(b"</row>", b'<c t="e"><v>#N/A</v></c></row>', 1)
            new.writestr(name, content)
    path.write_bytes(kept.getvalue())
    assert "cell H1 is an error (#N/A)" in refused(path)


# ---- what a person cannot see


@pytest.mark.parametrize("others", [["0.05", "0.061"], [0.05, 0.061]])
def test_a_thousand_that_a_workbook_kept_as_text(tmp_path, others):
    rows: list[list[object]] = numbers(SPOT_ROWS, (3, 5))
    for row, reading in zip(rows, ("1", *others), strict=True):
        row[4], row[6] = 400.5, reading
    rows[0][6] = "1,500"
    assert refused(workbook(tmp_path / "s.xlsx", SPOTS, rows)).startswith(
        "row 2: reading_mm is '1,500', which may be a thousand (faults"
        if isinstance(others[0], str)
        else "row 2: reading_mm is '1,500', which may be a thousand; a number that can be read one "
        "way only; format the column as numbers and type it again"
    )


def test_names_are_compared_as_they_look(tmp_path):
    rows = changed(SPOT_ROWS, 0, 0, "A\N{NO-BREAK SPACE}\N{EN SPACE}1")
    rows = changed(changed(rows, 1, 0, "A  1"), 2, 1, "Bru\N{COMBINING DIAERESIS}n 120")
    table = read_survey(written(tmp_path / "s.csv", SPOTS, rows)).readings
    assert table["lite_id"].tolist() == ["A 1", "A 1", "A-1"]
    assert table["gauge"].tolist()[2] == "Brün 120"


@pytest.mark.parametrize("name", ["ines", "INES", "\N{FULLWIDTH LATIN CAPITAL LETTER I}nes"])
def test_one_person_under_two_names_is_refused(tmp_path, name):
    message = refused(written(tmp_path / "s.csv", SPOTS, changed(SPOT_ROWS, 1, 2, name)))
    assert message == (
        f"row 3: operator is '{name}', while row 2 has 'Ines'; each person by one name; write it "
        "alike, or tell two people apart by more than capitals."
    )


@pytest.mark.parametrize(
    ("column", "words"),
    [
        (6, f"row 3: reading_mm is {'9' * 79} ...; 0, or a number from"),
        (3, f"row 3: repeat is {'9' * 79} ...; 0, or a number from"),
    ],
)
def test_digits_without_end_are_not_repeated_whole(tmp_path, column, words):
    path = written(tmp_path / "s.csv", SPOTS, changed(SPOT_ROWS, 1, column, "9" * 5000))
    assert refused(path).startswith(words)


def test_no_text_without_end_is_repeated_whole(tmp_path):
    endless = "n" * 5000
    for name, column in (("x_mm", 4), ("reading_mm", 6)):
        message = refused(
            written(tmp_path / "s.csv", SPOTS, changed(SPOT_ROWS, 1, column, endless))
        )
        assert message.startswith(f"row 3: {name} is '{'n' * 79} ...; a number in {name}; write")
    for name in ("datum_edge", "excluded", "read_at", "reason"):
        header, rows = with_column(SPOTS, SPOT_ROWS, name, ["", endless, ""])
        message = refused(written(tmp_path / "s.csv", header, rows))
        assert f"'{'n' * 79} ..." in message, name
        assert len(message) < 400
    header, rows = with_column(SPOTS, SPOT_ROWS, endless, ["", "", ""])
    assert f"no column '{'n' * 79} ...; only" in refused(written(tmp_path / "s.csv", header, rows))


def test_a_place_on_the_very_edge_is_on_the_lite(tmp_path):
    rows = [["A-1", "T", "Ines", "1", "2460", "1240", "0.05"]]
    header, rows = with_column(SPOTS, [*rows, [*rows[0][:3], "2", *rows[0][4:]]], "datum_edge", [
        "", "trailing right"
    ])  # fmt: skip
    survey = read_survey(written(tmp_path / "s.csv", header, rows))
    table = survey.on_lite_frame(2459.5, 1239.99)
    assert table["x_mm"].tolist() == [2459.5, 0.0]
    assert table["y_mm"].tolist() == [1239.99, 0.0]
    with pytest.raises(SurveyError, match="y_mm is 1240 mm on lite A-1; a place on the lite"):
        survey.on_lite_frame(2460.0, 1238.9)


def test_two_sheets_of_the_name_are_both_named(tmp_path):
    path = tmp_path / "s.xlsx"
    book = openpyxl.Workbook()
    book.active.title = "survey"
    book.create_sheet("Survey ")
    book.save(path)
    assert refused(path) == (
        "2 sheets called 'survey': 'survey', 'Survey '; one, as capitals and spaces do not tell "
        "names apart; give the other another name."
    )


def test_a_workbook_on_a_full_disk_is_one_sentence_and_leaves_nothing(tmp_path, monkeypatch):
    def full(path: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    for ending in ("csv", "xlsx"):
        path = tmp_path / f"t.{ending}"
        with pytest.raises(OutputError) as refusal:
            write_template(path, "spots")
        assert str(refusal.value) == (
            f"{path}: it cannot be written ({os.strerror(28)}); a folder that exists, may be "
            "written to and has room; check the folder, and close the program that has the file "
            "open."
        )
    assert list(tmp_path.iterdir()) == []


def test_a_hidden_column_of_a_number_that_no_sheet_has_is_none(tmp_path):
    path = workbook(tmp_path / "s.xlsx", SPOTS, [[*row[:6], 0.05] for row in SPOT_ROWS])
    kept = io.BytesIO()
    columns = b'<cols><col min="-5" max="-2" hidden="1"/></cols><sheetData>'
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(kept, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b"<sheetData>", columns))
    path.write_bytes(kept.getvalue())
    assert len(read_survey(path).readings) == 3
