"""Points that may part thousands in a text: refused where nobody can tell, and only there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from midchord_io.adapters import open_scan
from midchord_io.errors import CorruptScan
from midchord_io.ingest.thousands import ThousandsWatch
from midchord_io.source import SourceDescription

POINTS = SourceDescription.model_validate(
    {"source": {"columns": {"x": "x", "y": "y", "height": "z"}, "position_units": "mm",
                "height_units": "um", "grid_pitch": {"x": 2.0, "y": 3.0}}}
)  # fmt: skip
MATRIX = SourceDescription.model_validate(
    {"source": {"axes": ("x", "y"), "position_units": "mm", "height_units": "um",
                "pitch": {"x": 2.0, "y": 3.0}}}
)  # fmt: skip


def german(number: float) -> str:
    return f"{number:,.0f}".replace(",", ".")


def heights() -> np.ndarray:
    return np.arange(30 * 20, dtype=float).reshape(30, 20) * 3 + 300.0


def test_whole_numbers_with_parted_thousands_among_points_are_refused(tmp_path: Path) -> None:
    z = heights()
    rows = [f"{2 * i};{3 * j};{german(z[i, j])}" for i in range(30) for j in range(20)]
    (tmp_path / "a.csv").write_text("x;y;z\n" + "\n".join(rows) + "\n", encoding="utf-8")
    with pytest.raises(CorruptScan) as caught:
        open_scan(tmp_path / "a.csv", POINTS)
    assert (
        "'1.002' and '306': every number is whole or has exactly three digits behind its point, "
        "which may part thousands" in str(caught.value)
    )
    assert "export the file again without them" in str(caught.value)


def test_a_matrix_of_them_is_refused_with_either_mark(tmp_path: Path) -> None:
    for mark, said in ((".", "point"), (",", "comma")):
        rows = [";".join(german(v).replace(".", mark) for v in row) for row in heights()]
        (tmp_path / "a.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        with pytest.raises(CorruptScan, match=f"three digits behind its {said}, which may part"):
            open_scan(tmp_path / "a.csv", MATRIX)


@pytest.mark.parametrize("form", ["{:.0f}", "{:.3f}", "{:g}", "{:.3e}", "{:.1f}"])
def test_numbers_that_tell_are_read(form: str, tmp_path: Path) -> None:
    z = heights() / (1.0 if form == "{:.0f}" else 8.0)
    rows = [";".join(form.format(v) for v in row) for row in z]
    (tmp_path / "a.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    scan = open_scan(tmp_path / "a.csv", MATRIX)
    atol = 5e-4 if form in ("{:.3e}", "{:.1f}") else 1e-6
    measured = scan.height.values - scan.height.values[0, 0]
    np.testing.assert_allclose(measured, (z - z[0, 0]) / 1000.0, atol=atol)


@pytest.mark.parametrize(
    ("text", "is_doubtful"),
    [
        ("512\n1.024\n700\n800\n", True),
        ("512\r\n-1.024\r\n+700\r\n800\r\n", True),
        ("0\n1.234\n0\n0\n2.345\n", False),  # zeros for what is not measured
        ("0\n-99\n1.234\n", False),
        ("512\n1.024\n700\n800\n0.512\n", False),  # no thousand begins with 0
        ("512\n1.024\n700\n800\n1.5\n", False),
        ("512\n1.024\n700\n800\n1024\n", False),  # whole, above 999, without a mark
        ("512\n1.024\n700\n800\n1.2e3\n", False),
        ("512\n600\n700\n800\n", False),
    ],
)
def test_what_counts(text: str, is_doubtful: bool) -> None:
    watch = ThousandsWatch(";", ".", 1, is_one=False)
    for line in text.splitlines(keepends=True):
        watch.add(line.encode())
    assert (watch.doubtful() is not None) is is_doubtful


def test_columns_are_told_apart() -> None:
    watch = ThousandsWatch(" ", ".", 3, is_one=False)
    watch.add(b" 1 5  1.001\n 2 1.050 1.002\n\t3 6 1.003\n4 7 1.004\n")
    assert watch.doubtful((0, 2)) is None  # whole numbers beside decimals, not among them
    assert watch.doubtful((0, 1, 2)) == ("1.050", "7")
