"""Several heads in one cloud: their offsets, tilts and gains known, the glass known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import laspy
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from midchord.simulating import acquisition_faults as faults
from midchord_io.acquisition import findings_of
from midchord_io.adapters import open_scan
from midchord_io.errors import MissingMetadata, ScanError, SettingsError, SourceConflict
from midchord_io.source import SourceDescription, load_source
from test_heads import ERRORS, SOUND, X_MM, Y_MM, surface

Array = npt.NDArray[np.float64]
NUMBERS = {"a": 1, "b": 2, "c": 7}
EDGES = {"a": Y_MM["a"], "b": Y_MM["b"], "c": np.arange(980.0, 1500.0, 2.0)}


def table(errors: dict[str, faults.HeadErrors] = ERRORS, noise_mm: float = 0.003) -> pd.DataFrame:
    """Points of three heads that overlap by 40 mm, in the order of time: all heads of a line."""
    rng = np.random.default_rng(5)
    parts = []
    for name, y_mm in EDGES.items():
        height = faults.head_view(surface, X_MM, y_mm, errors[name], noise_mm=noise_mm, rng=rng)
        x, y = np.meshgrid(X_MM, y_mm, indexing="ij")
        parts.append(
            pd.DataFrame(
                {"x": x.ravel(), "y": y.ravel(), "head": NUMBERS[name], "z": height.ravel()}
            )
        )
    return pd.concat(parts).sort_values("x", kind="stable").reset_index(drop=True)


def said(heads: list[dict[str, Any]] | None = None, **source: Any) -> SourceDescription:
    if heads is None:
        heads = [{"name": name, "dataset": str(NUMBERS[name])} for name in NUMBERS]
    columns = {"x": "x", "y": "y", "height": "z", "head": "head"}
    given = {"columns": columns, "height_units": "mm", "position_units": "mm", "heads": heads}
    return SourceDescription.model_validate({"source": {**given, **source}})


def errors_mm(scan: Any) -> Array:
    """Of the heights, less the plane that no overlap can tell."""
    error = scan.height.values - surface(scan.x.values[:, None], scan.y.values[None, :])
    error = error + scan.attrs.get("height_datum_mm", 0.0)
    x, y = np.meshgrid(scan.x.values, scan.y.values, indexing="ij")
    seen = np.isfinite(error)
    base = np.stack([np.ones(seen.sum()), x[seen], y[seen]], axis=1)
    return np.asarray(error[seen] - base @ np.linalg.lstsq(base, error[seen], rcond=None)[0])


def test_heads_of_one_cloud_are_joined_by_their_overlaps(tmp_path: Path) -> None:
    table().to_parquet(tmp_path / "a.parquet")
    scan = open_scan(tmp_path / "a.parquet", said())
    np.testing.assert_allclose(scan.x.values, X_MM)
    np.testing.assert_allclose(scan.y.values, np.arange(0.0, 1500.0, 2.0))
    figures = next(f.figures for f in findings_of(scan) if f.what == "heads")
    common = (1.0 * 1.02 * 0.985) ** (1 / 3)  # the mean gain is not told
    for name, error in ERRORS.items():
        assert figures[f"{name}_scale"] == pytest.approx(error.scale / common, abs=0.003)
    # 3 um of noise, and 0.2 % of 1.5 mm bow for the mean gain
    assert np.std(errors_mm(scan)) < 0.004
    # the same points without a word on heads: their steps stay in the heights
    mixed = said(None).source.model_dump(exclude_unset=True)
    del mixed["heads"], mixed["columns"]["head"]
    raw = open_scan(tmp_path / "a.parquet", SourceDescription.model_validate({"source": mixed}))
    assert np.std(errors_mm(raw)) > 0.02


def test_what_cells_rest_on_is_added_up_over_the_heads(tmp_path: Path) -> None:
    table(SOUND, noise_mm=0.0).to_parquet(tmp_path / "a.parquet")
    scan = open_scan(tmp_path / "a.parquet", said(grid_pitch={"x": 4.0, "y": 4.0}))
    assert int(scan.point_count.sum()) == sum(X_MM.size * y_mm.size for y_mm in EDGES.values())
    inner = scan.point_count.values[1:-1]
    assert np.median(inner[:, 10:100]) == 4  # of 2 mm points in cells of 4 mm
    assert np.median(inner[:, 122:128]) == 8  # of two heads
    # as of one head: a cell of 4 mm is off by up to 3 um where the lifted edge bends in it
    assert np.std(errors_mm(scan)) < 0.001
    assert "point_spread" in scan


def test_heads_with_places_of_their_own(tmp_path: Path) -> None:
    """Each head counts from its own zero, the middle one the other way round, 8 mm behind."""
    points = table(SOUND, noise_mm=0.001)
    for name, number in NUMBERS.items():
        points.loc[points["head"] == number, "y"] -= EDGES[name][0]
    middle = points["head"] == NUMBERS["b"]
    points.loc[middle, "y"] *= -1
    points.loc[middle, "x"] -= 8.0
    points.to_csv(tmp_path / "a.csv", index=False)
    heads = [
        {"name": name, "dataset": str(NUMBERS[name]), "y_mm": float(EDGES[name][0])}
        for name in NUMBERS
    ]
    heads[1] |= {"reversed": True, "x_mm": 8.0}
    scan = open_scan(tmp_path / "a.csv", said(heads))
    np.testing.assert_allclose(scan.y.values, np.arange(0.0, 1500.0, 2.0))
    assert np.std(errors_mm(scan)) < 0.0015


def test_the_source_of_a_las_point_tells_its_head(tmp_path: Path) -> None:
    points = table(SOUND)
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.array([1e-3, 1e-3, 1e-6])
    file = laspy.LasData(header)
    file.x, file.y, file.z = points["x"], points["y"], points["z"]
    file.point_source_id = points["head"]
    file.withheld = np.arange(len(points)) == 5  # this one was not measured
    file.write(str(tmp_path / "a.las"))
    columns = {"x": "x", "y": "y", "height": "z", "head": "point_source_id"}
    scan = open_scan(tmp_path / "a.las", said(columns=columns))
    assert np.std(errors_mm(scan)) < 0.004
    assert int(np.isnan(scan.height).sum()) == 1


def test_a_head_that_nobody_described_is_not_left_out(tmp_path: Path) -> None:
    table().iloc[::7].to_csv(tmp_path / "a.csv", index=False)
    two = [{"name": name, "dataset": str(NUMBERS[name])} for name in ("a", "b")]
    with pytest.raises(SourceConflict) as refusal:
        open_scan(tmp_path / "a.csv", said(two))
    assert str(refusal.value) == (
        f"{tmp_path / 'a.csv'}: points of head 7 in the column columns.head; only heads that are "
        "described: 1, 2; add a [[source.heads]] for it, or leave its points out."
    )
    named = [{"name": name, "dataset": name} for name in NUMBERS]
    with pytest.raises(MissingMetadata, match=r"dataset = 'a' of head 'a' and points whose heads"):
        open_scan(tmp_path / "a.csv", said(named))
    more = [{"name": str(k), "dataset": str(k)} for k in (1, 2, 7, 9)]
    with pytest.raises(ScanError, match=r"a.csv, head '9': no points"):
        open_scan(tmp_path / "a.csv", said(more))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('columns = {x="x", y="y", height="z", head="h"}', "columns.head needs heads"),
        ('columns = {x="x", y="y", height="z"}\n' + "HEADS", "heads of points need columns.head"),
        ("HEADS", "each head needs its y_mm"),
        (
            'columns = {x="x", y="y", height="z", head="h"}\n' + "HEADSSAME",
            "two heads with the same dataset",
        ),
    ],
)
def test_columns_and_heads_that_do_not_go_together(text: str, words: str, tmp_path: Path) -> None:
    heads = '[[source.heads]]\nname = "a"\ndataset = "1"\n'
    both = heads + '[[source.heads]]\nname = "b"\ndataset = "2"\n'
    same = both.replace('"2"', '"1"')
    text = text.replace("HEADSSAME", same).replace("HEADS", both)
    (tmp_path / "s.toml").write_text(f"[source]\n{text}\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=words):
        load_source(tmp_path / "s.toml")
