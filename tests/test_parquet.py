"""Parquet: nulls, codes in integers, units in the metadata, the id from a column, damage."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from midchord_io.adapters import open_scan
from midchord_io.errors import CorruptScan, MissingMetadata, UnsupportedScan
from midchord_io.ingest import extras
from midchord_io.source import Lite, SourceDescription
from point_files import Points, described_points

SOURCE = described_points("parquet")


def plate() -> pd.DataFrame:
    x, y = np.meshgrid(np.arange(40) * 2.0, np.arange(30) * 3.0, indexing="ij")
    return pd.DataFrame({"x": x.ravel(), "y": y.ravel(), "z": (0.1 * x - 0.02 * y).ravel()})


def heights(path: Path, source: SourceDescription = SOURCE) -> Points:
    return np.asarray(open_scan(path, source).height.values).ravel()


@pytest.mark.parametrize("compression", ["snappy", "zstd", "gzip", None])
def test_every_packing_in_several_row_groups(compression: Any, tmp_path: Path) -> None:
    plate().to_parquet(tmp_path / "a.parquet", compression=compression, row_group_size=77)
    np.testing.assert_allclose(heights(tmp_path / "a.parquet"), plate()["z"], atol=1e-6)


def test_nulls_and_codes_are_not_measured(tmp_path: Path) -> None:
    counts = pa.array([None if n == 3 else n % 50 for n in range(1200)], pa.int32())
    counts = pa.concat_arrays([counts[:-1], pa.array([-32768], pa.int32())])
    table = pa.table({"x": plate()["x"], "y": plate()["y"], "z": counts})
    pq.write_table(table, tmp_path / "a.parquet")
    found = heights(tmp_path / "a.parquet", described_points(
        "parquet", invalid=[-32768], height_units="um"))  # fmt: skip
    assert np.flatnonzero(np.isnan(found)).tolist() == [3, 1199]
    assert found[49] == pytest.approx(0.049, abs=1e-7)


def test_units_that_the_columns_state(tmp_path: Path) -> None:
    frame = plate() / [1000.0, 1000.0, 0.001]
    units = {"x": "m", "y": "m", "z": "um"}
    schema = pa.schema(
        [pa.field(name, pa.float64(), metadata={"units": unit}) for name, unit in units.items()],
        metadata={"serial": "L 0042"},
    )
    pq.write_table(pa.Table.from_pandas(frame).cast(schema), tmp_path / "a.parquet")
    source = described_points("parquet", position_units=None, height_units=None)
    source = source.model_copy(update={"lite": Lite(id_from="attr:serial")})
    scan = open_scan(tmp_path / "a.parquet", source)
    assert scan.attrs["lite_id"] == "L 0042"
    assert float(scan.x[1] - scan.x[0]) == pytest.approx(2.0)
    np.testing.assert_allclose(scan.height.values.ravel(), plate()["z"], atol=1e-6)


def test_the_id_from_a_column(tmp_path: Path) -> None:
    source = SOURCE.model_copy(update={"lite": Lite(id_from="column:serial")})
    plate().assign(serial="L 7").to_parquet(tmp_path / "a.parquet", row_group_size=100)
    assert open_scan(tmp_path / "a.parquet", source).attrs["lite_id"] == "L 7"
    several = plate().assign(serial=["L 7"] * 700 + ["L 8"] * 500)
    several.to_parquet(tmp_path / "b.parquet", row_group_size=100)
    with pytest.raises(MissingMetadata, match="'L 7' and 'L 8' in the column that names the lite"):
        open_scan(tmp_path / "b.parquet", source)


def test_a_column_of_text_is_no_height(tmp_path: Path) -> None:
    plate().assign(z="high").to_parquet(tmp_path / "a.parquet")
    with pytest.raises(UnsupportedScan, match="column 'z' that holds no numbers"):
        open_scan(tmp_path / "a.parquet", SOURCE)


def test_a_file_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    plate().to_parquet(path)
    whole = path.read_bytes()
    for cut in (6, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:cut])
        with pytest.raises(CorruptScan, match="it does not end with its description"):
            open_scan(path, SOURCE)


def test_a_reader_that_is_not_installed_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plate().to_parquet(tmp_path / "a.parquet")

    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(extras.importlib, "import_module", missing)
    with pytest.raises(UnsupportedScan) as refusal:
        open_scan(tmp_path / "a.parquet", SOURCE)
    assert str(refusal.value) == (
        f"{tmp_path / 'a.parquet'}: a Parquet table, whose reader 'pyarrow' is not installed; the "
        "extra 'tables' of midchord; pip install \"midchord[tables]\"."
    )
