"""What all point formats share: columns, units, direction, findings, and the round trip to maps."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from midchord_io.acquisition import findings_of
from midchord_io.adapters import open_scan
from midchord_io.adapters.native import write_scan
from midchord_io.errors import MissingMetadata, ScanError, SettingsError, SourceConflict
from midchord_io.scan import check_scan
from midchord_io.source import SourceDescription, load_source

Points = npt.NDArray[np.float64]


def cloud(nx: int = 60, ny: int = 40) -> Points:
    x, y = np.meshgrid(100.0 + np.arange(nx) * 2.0, 50.0 + np.arange(ny) * 3.0, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel(), (0.01 * x - 0.02 * y).ravel()])


def table(folder: Path, points: Points, **columns: Any) -> Path:
    path = folder / "points.csv"
    pd.DataFrame(points, columns=["x", "y", "z"]).assign(**columns).to_csv(path, index=False)
    return path


def said(source: dict[str, Any], lite: dict[str, Any] | None = None) -> SourceDescription:
    given = {"columns": {"x": "x", "y": "y", "height": "z"}, "height_units": "mm",
             "position_units": "mm", **source}  # fmt: skip
    return SourceDescription.model_validate({"source": given, "lite": lite or {}})


def test_the_machine_frame_keeps_positions_and_a_minus_turns_them(tmp_path: Path) -> None:
    path = table(tmp_path, cloud())
    scan = open_scan(path, said({}))
    assert (scan.x[0], scan.x[-1], scan.y[0], scan.y[-1]) == (100.0, 218.0, 50.0, 167.0)
    turned = open_scan(path, said({"columns": {"x": "-x", "y": "y", "height": "z"}}))
    assert (turned.x[0], turned.x[-1]) == (-218.0, -100.0)
    np.testing.assert_array_equal(turned.height.values, scan.height.values[::-1])
    left = open_scan(path, said({"handed": "left"}))
    assert (left.y[0], left.y[-1]) == (-167.0, -50.0)
    np.testing.assert_array_equal(left.height.values, scan.height.values[:, ::-1])


def test_the_lite_frame_reflects_within_its_own_range(tmp_path: Path) -> None:
    path = table(tmp_path, cloud())
    columns = {"x": "-x", "y": "-y", "height": "z"}
    scan = open_scan(path, said({"columns": columns}, {"frame": "lite"}))
    assert (scan.x[0], scan.x[-1], scan.y[0], scan.y[-1]) == (100.0, 218.0, 50.0, 167.0)
    plain = open_scan(path, said({}, {"frame": "lite"}))
    np.testing.assert_array_equal(scan.height.values, plain.height.values[::-1, ::-1])


def test_columns_by_name_in_any_case_or_by_number(tmp_path: Path) -> None:
    path = table(tmp_path, cloud(), confidence=1.0)
    expected = open_scan(path, said({})).height.values
    for columns in (("X", "Y", "Z"), ("0", "1", "2"), ("x", "1", "Z")):
        named = dict(zip(("x", "y", "height"), columns, strict=True))
        np.testing.assert_array_equal(open_scan(path, said({"columns": named})).height, expected)
    with pytest.raises(MissingMetadata) as refusal:
        open_scan(path, said({"columns": {"x": "x", "y": "y", "height": "range"}}))
    assert str(refusal.value) == (
        f"{path}: no column 'range' (there are: x, y, z, confidence); the column of height: a name,"
        " or a number counted from 0; correct columns.height in the source description."
    )
    with pytest.raises(SourceConflict, match="name one column twice"):
        open_scan(path, said({"columns": {"x": "x", "y": "0", "height": "z"}}))


def test_a_height_has_no_minus_sign_but_a_direction(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(
        '[source]\ncolumns = { x = "x", y = "y", height = "-z" }\n', encoding="utf-8"
    )
    with pytest.raises(SettingsError, match='say so as height_sign = "down"'):
        load_source(tmp_path / "s.toml")
    down = open_scan(table(tmp_path, cloud()), said({"height_sign": "down", "height_offset": -1.0}))
    up = open_scan(table(tmp_path, cloud()), said({}))
    np.testing.assert_allclose(down.height, 1.0 - up.height, atol=1e-6)


def test_units_scale_and_codes(tmp_path: Path) -> None:
    points = cloud()
    stored = points / [1000.0, 1000.0, 0.001]
    stored[7, 2] = -9999.0
    source = said({"position_units": "m", "height_units": "um", "invalid": [-9999.0]})
    scan = open_scan(table(tmp_path, stored), source)
    height = scan.height.values.ravel()
    assert np.flatnonzero(np.isnan(height)).tolist() == [7]
    np.testing.assert_allclose(np.delete(height, 7), np.delete(points[:, 2], 7), atol=1e-6)
    counts = {finding.what: finding.count for finding in findings_of(scan)}
    assert counts["points to grid"] == 2399
    assert counts["points not measured"] == 1


def test_what_cells_rest_on_is_kept(tmp_path: Path) -> None:
    shifts = np.array([[0.0, 0.0, 0.0], [0.3, 0.3, 0.004], [-0.3, 0.1, 0.002]])
    points = np.vstack([cloud() + shift for shift in shifts])
    path = table(tmp_path, points)
    scan = open_scan(path, said({"grid_pitch": {"x": 4.0, "y": 6.0}, "cell": "mean"}))
    assert scan.point_count.dims == scan.point_spread.dims == ("x", "y")
    assert int(scan.point_count.sum()) == 7200
    assert scan.point_spread.attrs["units"] == "mm"
    assert "standard deviation" in scan.point_spread.attrs["long_name"]
    write_scan(scan, tmp_path / "kept.nc")
    kept = open_scan(tmp_path / "kept.nc")
    np.testing.assert_array_equal(kept.point_count, scan.point_count)
    np.testing.assert_array_equal(kept.point_spread, scan.point_spread)
    assert kept.point_count.dtype == scan.point_count.dtype
    assert findings_of(kept) == findings_of(scan)
    wrong = scan.assign(point_count=scan.point_count.astype(float))
    with pytest.raises(MissingMetadata, match=r"point_count \(x, y\) of type float64"):
        check_scan(wrong)


def test_a_pitch_in_the_units_of_the_positions(tmp_path: Path) -> None:
    path = table(tmp_path, cloud() / [1000.0, 1000.0, 1.0])
    scan = open_scan(path, said({"position_units": "m", "grid_pitch": {"x": 0.004, "y": 0.003}}))
    assert float(scan.x[1] - scan.x[0]) == pytest.approx(4.0)
    with pytest.raises(ScanError, match=r"finer than the points lie; .* propose 2 x 3 mm"):
        open_scan(path, said({"position_units": "m", "grid_pitch": {"x": 0.001, "y": 0.003}}))


def test_the_id_from_a_column(tmp_path: Path) -> None:
    path = table(tmp_path, cloud(), lite="L 0042")
    scan = open_scan(path, said({}, {"id_from": "column:lite"}))
    assert scan.attrs["lite_id"] == "L 0042"
    path = table(tmp_path, cloud(), lite=["L 1"] * 2000 + ["L 2"] * 400)
    with pytest.raises(MissingMetadata) as refusal:
        open_scan(path, said({}, {"id_from": "column:lite"}))
    assert "'L 1' and 'L 2' in the column that names the lite; the points of one lite; " in str(
        refusal.value
    )
    with pytest.raises(MissingMetadata, match="nothing at id_from = 'column:serial'; a column"):
        open_scan(path, said({}, {"id_from": "column:serial"}))


def test_what_a_cloud_leaves_unsaid_is_refused(tmp_path: Path) -> None:
    path = table(tmp_path, cloud())
    for left_out, words in (
        ("height_units", "no height units in the file and none in the source description"),
        ("position_units", "no units of the positions along x; one of m, mm"),
    ):
        with pytest.raises(MissingMetadata, match=words):
            open_scan(path, said({left_out: None}))
    with pytest.raises(SourceConflict, match="with pitch, which this format has no use for"):
        open_scan(path, said({"pitch": {"x": 1.0}}))
