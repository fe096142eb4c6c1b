"""Text matrices: separators, decimal marks, headers, holes, and rows that do not fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midchord_io.adapters import open_scan, text
from midchord_io.errors import CorruptScan, MissingMetadata, ScanError, UnsupportedScan
from midchord_io.source import SourceDescription

SOURCE = SourceDescription.model_validate(
    {
        "source": {
            "axes": ("x", "y"),
            "height_units": "mm",
            "position_units": "mm",
            "pitch": {"x": 1.0, "y": 2.0},
        }
    }
)
TRUTH = np.array([[0.5, -1.25, np.nan], [2.0, 3.5, 4e-1]])


def read(folder: Path, content: str | bytes) -> np.ndarray:
    path = folder / "m.csv"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return np.asarray(open_scan(path, SOURCE).height.values)


@pytest.mark.parametrize(
    "content",
    [
        "0.5,-1.25,\n2.0,3.5,4e-1\n",
        "0.5,-1.25,NaN\n2.0,3.5,0.4",
        "0.5;-1.25;\n2.0;3.5;0.4\n",
        "0,5;-1,25;\n2;3,5;0,4\n",
        "0,5\t-1,25\tnan\n2\t3,5\t,4\n",
        "0.5\t-1.25\t\n2\t3.5\t.4\n",
        "0.5 -1.25 nan\n2 3.5 0.4\n",
        "  0,5  -1,25   NaN\n  2   3,5   0,4  \n",
        "0.5, -1.25, \n2.0, 3.5, 0.4\n",
        "0.5,-1.25,,\n2.0,3.5,0.4,\n",
        "0.5,-1.25,\r\n2.0,3.5,0.4\r\n",
        "0.5,-1.25,NA\r2.0,3.5,0.4\r",
        "\ufeff0.5,-1.25,\n2.0,3.5,0.4\n",
        "exported: µm?\nheights\n\n0.5,-1.25,\n\n2.0,3.5,0.4\n",
        "# 1,2,3\n% 4,5,6\n// 7,8,9\n0.5,-1.25,\n# a remark, in between\n2.0,3.5,0.4\n",
        "+0.5;-1.25;null\n2.;3.5;4E-1\n",
    ],
)
def test_the_text_tells_how_it_is_written(content: str, tmp_path: Path) -> None:
    np.testing.assert_allclose(read(tmp_path, content), TRUTH, rtol=1e-6)


def test_other_encodings(tmp_path: Path) -> None:
    content = "Höhen in µm\n0,5;-1,25;\n2;3,5;0,4\n"
    for encoding in ("utf-16", "cp1252"):
        np.testing.assert_allclose(read(tmp_path, content.encode(encoding)), TRUTH, rtol=1e-6)


def test_scan_lines_without_a_point_come_first_and_last(tmp_path: Path) -> None:
    height = read(tmp_path, "a header\n;;\n;;\n0,5;-1,25;\n2;3,5;0,4\n;;\n")
    assert height.shape == (5, 3)
    assert np.isnan(height[[0, 1, 4]]).all()
    np.testing.assert_allclose(height[2:4], TRUTH, rtol=1e-6)


def test_closing_separators_and_missing_points_are_told_apart(tmp_path: Path) -> None:
    # one row that does not end in a separator shows that the others miss their last point
    assert read(tmp_path, "1,2,\n3,4,5\n6,7,\n").shape == (3, 3)
    assert read(tmp_path, "1,2,\n3,4,\n6,7,\n").shape == (3, 2)


def test_a_matrix_of_many_blocks_keeps_its_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("midchord_io.ingest.gridded.BLOCK_CELLS", 6)
    values = np.arange(40.0).reshape(10, 4)
    rows = "\n".join(",".join(str(value) for value in row) for row in values)
    np.testing.assert_array_equal(read(tmp_path, rows), values)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("head\n1,2,3\n4,5\n", "line 3 has 2 fields, line 2 has 3; rows of equal length"),
        ("1 2 3\n4 5 6 7\n", "line 2 has 4 fields, line 1 has 3"),
        ("1,2,3\n4,5,6\nend of file\n", "line 3 has 1 fields, line 1 has 3"),
        ("1,2,3\n\n4,over,6\n", "'over' in line 3, field 2; numbers, or nothing where not"),
        ("1.5;2,5\n3;4\n", "numbers with a comma and numbers with a point; one decimal mark"),
        ("1.234,5;2\n3;4\n", "'1.234,5' in line 1, which is otherwise a row of numbers"),
        ("1,over,3\n4,5,6\n", "'over' in line 1, which is otherwise a row of numbers"),
        ("x/y,0,5\n0,1,2\n", "'x/y' in line 1, which is otherwise a row of numbers"),
    ],
)
def test_a_row_that_does_not_fit_is_named(content: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ScanError) as refusal:
        read(tmp_path, content)
    assert words in str(refusal.value)
    assert isinstance(refusal.value, CorruptScan)


def test_text_with_columns_or_with_neither_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "points.txt"
    path.write_text("0 1\n0 2\n", encoding="utf-8")
    with pytest.raises(MissingMetadata, match=r"with axes \(a matrix\) or columns \(points\)"):
        open_scan(path, SourceDescription())
    source = SourceDescription.model_validate(
        {"source": {"columns": {"x": "0", "y": "1", "height": "2"}}}
    )
    with pytest.raises(UnsupportedScan, match="but no row of three numbers; x, y and height"):
        open_scan(path, source)


def test_a_row_longer_than_the_head_is_still_known(tmp_path: Path) -> None:
    line = ",".join(["1.2345"] * 20_000)
    path = tmp_path / "m.csv"
    path.write_text(f"{line}\n{line}\n", encoding="ascii")
    assert text.sniff(path, path.read_bytes()[:65_536]) is True


@pytest.mark.parametrize(
    "content", ["", "one two\n", "12\n13\n", "100,\n", "{'a': 1}\n", "<a>1 2</a>\n", ";;;\n"]
)
def test_what_is_no_matrix(content: str, tmp_path: Path) -> None:
    assert text.sniff(tmp_path, content.encode()) is False


@pytest.mark.filterwarnings("error")
def test_a_scale_that_overflows_is_refused_without_a_murmur(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("0.5,-1.25\n2.0,3.5\n", encoding="utf-8")
    source = {**SOURCE.source.model_dump(exclude_unset=True), "height_scale": 1.7e308}
    with pytest.raises(ScanError, match="a height of inf mm; heights of a lite, within 100000 mm"):
        open_scan(path, SourceDescription.model_validate({"source": source}))


def test_without_a_description_it_is_said_how_to_pass_one(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("0.5,-1.25\n2.0,3.5\n", encoding="utf-8")
    with pytest.raises(MissingMetadata, match="as in configs/sources and pass it with --source"):
        open_scan(path)
