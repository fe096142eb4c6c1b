"""Points as text: separators, decimal marks, names, line ends, and rows that do not fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midchord_io.adapters import open_scan, xyz
from midchord_io.errors import CorruptScan, MissingMetadata, UnknownFormat
from midchord_io.source import SourceDescription

SOURCE = SourceDescription.model_validate(
    {
        "source": {
            "columns": {"x": "0", "y": "1", "height": "2"},
            "height_units": "mm",
            "position_units": "mm",
        }
    }
)
TRUTH = np.array([[0.5, -1.25], [np.nan, 2.0], [3.5, 0.4]])


def read(folder: Path, content: str | bytes) -> np.ndarray:
    path = folder / "p.txt"
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return np.asarray(open_scan(path, SOURCE).height.values)


@pytest.mark.parametrize(
    "content",
    [
        "0 0 0.5\n0 2 -1.25\n1 0 nan\n1 2 2\n2 0 3.5\n2 2 .4\n",
        "x,y,z\n0,0,0.5\n0,2,-1.25\n1,0,\n1,2,2\n2,0,3.5\n2,2,0.4",
        "x;y;z\r\n0,0;0,0;0,5\r\n0;2;-1,25\r\n1;0;\r\n1;2;2\r\n2;0;3,5\r\n2;2;0,4\r\n",
        "0\t0\t0,5\n0\t2\t-1,25\n1\t0\tNA\n1\t2\t2\n2\t0\t3,5\n2\t2\t0,4\n",
        "  0   0  0,5\n  0   2 -1,25\n  1   0  NaN\n  1   2  2\n  2   0  3,5\n  2   2  0,4\n",
        "6\nof a lite\n0 0 0.5\n0 2 -1.25\n1 0 null\n1 2 2\n2 0 3.5\n2 2 4e-1\n",
        "# x y z\n0 0 0.5\n\n0 2 -1.25\n# a remark\n1 0 nan\n// another\n1 2 2\n2 0 3.5\n2 2 0.4\n",
        "0,0,0.5,\n0,2,-1.25,\n1,0,nan,\n1,2,2,\n2,0,3.5,\n2,2,0.4,\n",
        "0 0 0.5\r0 2 -1.25\r1 0 nan\r1 2 2\r2 0 3.5\r2 2 0.4\r",
        "\ufeffx,y,z\n2,2,0.4\n2,0,3.5\n0,0,0.5\n1,2,2\n0,2,-1.25\n1,0,inf\n",
        'x,y,z,lite\n0,0,0.5,"L 7"\n0,2,-1.25,"L 7"\n1,0,,"L, 7"\n1,2,2,L\n2,0,3.5,L\n2,2,0.4,L\n',
    ],
)
def test_the_text_tells_how_it_is_written(content: str, tmp_path: Path) -> None:
    np.testing.assert_allclose(read(tmp_path, content), TRUTH, rtol=1e-6)


def test_other_encodings(tmp_path: Path) -> None:
    content = "Länge;Breite;Höhe\n0;0;0,5\n0;2;-1,25\n1;0;\n1;2;2\n2;0;3,5\n2;2;0,4\n"
    for encoding in ("utf-16", "cp1252"):
        np.testing.assert_allclose(read(tmp_path, content.encode(encoding)), TRUTH, rtol=1e-6)


def test_a_text_longer_than_a_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("midchord_io.ingest.text_table.BLOCK_BYTES", 64)
    x, y = np.meshgrid(np.arange(40), np.arange(30), indexing="ij")
    rows = [f"{a},{b},{a * 0.5 + b}" for a, b in zip(x.ravel(), y.ravel(), strict=True)]
    for end in ("\n", "\r\n", "\r"):
        height = read(tmp_path, "x,y,z" + end + end.join(rows))
        np.testing.assert_allclose(height, x * 0.5 + y)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("0 0 1\n0 2 2\n1 0\n1 2 4\n", "line 3 has 2 fields where the first row has 3"),
        ("0 0 1\n0 2 2\n1 0 3 4\n", "line 3 has 4 fields where the first row has 3"),
        ("x,y,z\n0,0,1\n0,2,2\n1,0,three\n", "'three' in line 4, field 3; numbers, or nothing"),
        ("0;0;1,5\n0;2;2,5\n1;0;1.000,5\n", "'1.000,5' in line 3, field 3"),
        ("0;0;1,5\n0;2;2,5\n1;0;1.5\n", "numbers with a comma and numbers with a point"),
    ],
)
def test_rows_that_do_not_fit_are_refused_by_number(
    content: str, words: str, tmp_path: Path
) -> None:
    with pytest.raises(CorruptScan) as refusal:
        read(tmp_path, content)
    assert words in str(refusal.value)


def test_another_decimal_mark_far_down_is_refused(tmp_path: Path) -> None:
    rows = [f"{n % 20};{n // 20};0,5" for n in range(400)]
    rows[390] = "10;19;0.5"
    with pytest.raises(CorruptScan, match=r"'0\.5' in line 391, field 3"):
        read(tmp_path, "\n".join(rows))


def test_columns_make_it_points_and_axes_a_matrix(tmp_path: Path) -> None:
    path = tmp_path / "rows.txt"
    path.write_text("0 0 1\n0 2 2\n1 0 3\n1 2 4\n", encoding="ascii")
    assert open_scan(path, SOURCE).attrs["adapter"] == "xyz"
    matrix = {"axes": ("x", "y"), "pitch": {"x": 1, "y": 1}}
    matrix |= {"height_units": "mm", "position_units": "mm"}
    scan = open_scan(path, SourceDescription.model_validate({"source": matrix}))
    assert (scan.attrs["adapter"], scan.sizes["x"]) == ("text", 4)
    with pytest.raises(MissingMetadata, match=r"with axes \(a matrix\) or columns \(points\)"):
        open_scan(path)


def test_text_that_is_no_table(tmp_path: Path) -> None:
    for content in (b"Dear reader,\n1 2\n", b"ply\nformat ascii 1.0\n1 2 3\n", b"\0\0 1 2 3\n"):
        assert xyz.sniff(tmp_path / "none", content) is False
    (tmp_path / "letter.txt").write_text("Dear reader,\nnothing here\n", encoding="ascii")
    with pytest.raises(UnknownFormat, match="not xyz \\(a line of three or more numbers, and col"):
        open_scan(tmp_path / "letter.txt", SOURCE)
