"""Zarr stores as xarray and zarr write them, and by hand: coordinates, lost chunks, traps."""

from __future__ import annotations

import gzip
import hashlib
import json
import pickle
import shutil
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import xarray as xr
import zarr

from midchord_io.acquisition import findings_of
from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import (
    CorruptScan,
    MissingMetadata,
    ScanError,
    SourceConflict,
    UnknownFormat,
    UnsupportedScan,
)
from midchord_io.source import SourceDescription

SHAPE = (33, 20)


def heights() -> npt.NDArray[np.float32]:
    x, y = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    height = (0.004 * x - 0.002 * y + np.exp(-((x - 5) ** 2 + (y - 15) ** 2) / 9.0)).astype("f4")
    height[20, 4] = np.nan
    return height


def described(**source: Any) -> SourceDescription:
    said = {"axes": ("x", "y"), "height_units": "mm", "position_units": "mm",
            "pitch": {"x": 2.0, "y": 3.0}, **source}  # fmt: skip
    kept = {key: value for key, value in said.items() if value is not None}
    return SourceDescription.model_validate({"source": kept})


def write_cf(path: Path, version: int, **encoding: Any) -> None:
    """As xarray writes it: units, coordinates, and a code for what was not measured."""
    scan = xr.Dataset(
        {"range": (("line", "sensor"), heights(), {"units": "mm"})},
        coords={
            "line": ("line", 2.0 * np.arange(SHAPE[0]), {"units": "mm"}),
            "sensor": ("sensor", 0.3 * np.arange(SHAPE[1]), {"units": "cm"}),
        },
        attrs={"serial": "L 7", "started": "2026-03-01T08:30:00Z"},
    )
    scan["sensor"] = ("sensor", 3.0 * np.arange(SHAPE[1]), {"units": "mm"})
    scan.to_zarr(path, zarr_format=version, consolidated=False, encoding={"range": encoding})


@pytest.mark.parametrize("version", [2, 3])
def test_what_xarray_writes_needs_only_the_axes(version: int, tmp_path: Path) -> None:
    write_cf(tmp_path / "a.zarr", version, chunks=(10, 8))
    source = SourceDescription.model_validate(
        {
            "source": {"axes": ("x", "y")},
            "lite": {"id_from": "attr:serial", "scanned_at_from": "attr:started"},
        }
    )
    scan = open_scan(tmp_path / "a.zarr", source)
    np.testing.assert_array_equal(scan.height.values, heights())
    np.testing.assert_allclose(scan.x.values, 2.0 * np.arange(SHAPE[0]))
    np.testing.assert_allclose(scan.y.values, 3.0 * np.arange(SHAPE[1]))
    assert scan.attrs["lite_id"] == "L 7"
    assert scan.attrs["scanned_at"] == "2026-03-01T08:30:00Z"
    assert scan.attrs["source_file"] == "a.zarr"
    with pytest.raises(SourceConflict, match="a pitch of 4 mm along x"):
        open_scan(tmp_path / "a.zarr", SourceDescription.model_validate(
            {"source": {"axes": ("x", "y"), "pitch": {"x": 4.0}}}))  # fmt: skip


@pytest.mark.parametrize("version", [2, 3])
def test_packed_integers_by_cf(version: int, tmp_path: Path) -> None:
    write_cf(
        tmp_path / "a.zarr", version, dtype="int16", scale_factor=1e-4, add_offset=0.5,
        _FillValue=-32768,
    )  # fmt: skip
    scan = open_scan(
        tmp_path / "a.zarr", SourceDescription.model_validate({"source": {"axes": ("x", "y")}})
    )
    np.testing.assert_allclose(scan.height.values, heights(), atol=5.1e-5)


@pytest.mark.parametrize("version", [2, 3])
@pytest.mark.parametrize("dtype", ["<f4", ">f8", "<i4"])
def test_stores_of_the_library_itself_in_folder_and_zip(
    version: int, dtype: str, tmp_path: Path
) -> None:
    numbers = heights() if "f" in dtype else np.round(np.nan_to_num(heights(), nan=-9) * 1000)
    units = {"height_units": "mm"} if "f" in dtype else {"height_units": "um", "invalid": (-9000,)}
    group = zarr.open_group(tmp_path / "a.zarr", mode="w", zarr_format=version)
    array = group.create_array("scan/z", shape=SHAPE, chunks=(9, 7), dtype=np.dtype(dtype))
    array[:] = numbers
    group.create_array("scan/other", shape=(4,), dtype="f4")[:] = 1
    shutil.make_archive(str(tmp_path / "b.zarr"), "zip", tmp_path / "a.zarr")
    for path in (tmp_path / "a.zarr", tmp_path / "b.zarr.zip"):
        scan = open_scan(path, described(dataset="scan/z", **units))
        np.testing.assert_allclose(scan.height.values, heights(), atol=6e-4)
        with pytest.raises(MissingMetadata, match="there are: scan/other, scan/z"):
            open_scan(path, described(**units))


def test_shards_and_an_array_without_a_group(tmp_path: Path) -> None:
    array = zarr.create_array(
        tmp_path / "a.zarr", shape=SHAPE, chunks=(5, 5), shards=(20, 20), dtype="f4"
    )
    array[:] = heights()
    scan = open_scan(tmp_path / "a.zarr", described())
    np.testing.assert_array_equal(scan.height.values, heights())


def test_the_hash_of_a_folder_is_over_names_and_contents(tmp_path: Path) -> None:
    write_cf(tmp_path / "a.zarr", 2)
    shutil.copytree(tmp_path / "a.zarr", tmp_path / "b.zarr")
    source = SourceDescription.model_validate({"source": {"axes": ("x", "y")}})
    first = open_scan(tmp_path / "a.zarr", source).attrs["source_sha256"]
    assert open_scan(tmp_path / "b.zarr", source).attrs["source_sha256"] == first
    whole = hashlib.sha256()
    for file in sorted((tmp_path / "a.zarr").rglob("*"), key=lambda f: f.relative_to(tmp_path)):
        if file.is_file():
            name = file.relative_to(tmp_path / "a.zarr").as_posix()
            whole.update(f"{len(name)}:{name}:".encode())
            whole.update(hashlib.sha256(file.read_bytes()).digest())
    assert first == whole.hexdigest()
    (tmp_path / "b.zarr" / "note.txt").write_text("x", encoding="utf-8")
    assert open_scan(tmp_path / "b.zarr", source).attrs["source_sha256"] != first


def write_plain(path: Path, fill: Any, **meta: Any) -> None:
    """By hand, after version 2: four chunks of 17 x 20."""
    path.mkdir(parents=True)
    said = {
        "zarr_format": 2, "shape": SHAPE, "chunks": (17, 20), "dtype": "<f4", "compressor": None,
        "fill_value": fill, "filters": None, "order": "C", **meta,
    }  # fmt: skip
    (path / ".zarray").write_text(json.dumps(said), encoding="utf-8")
    padded = np.vstack([heights(), np.zeros((1, 20), "f4")])
    for number in range(2):
        (path / f"{number}.0").write_bytes(padded[17 * number : 17 * number + 17].tobytes())


def test_a_chunk_that_is_not_there(tmp_path: Path) -> None:
    write_plain(tmp_path / "a.zarr", "NaN")
    assert findings_of(open_scan(tmp_path / "a.zarr", described())) == ()
    (tmp_path / "a.zarr" / "1.0").unlink()
    scan = open_scan(tmp_path / "a.zarr", described())
    assert np.isnan(scan.height.values[17:]).all()
    found = findings_of(scan)
    assert (found[0].what, found[0].count, found[0].is_doubt) == ("chunks not there", 1, True)
    write_plain(tmp_path / "b.zarr", 0.0)
    (tmp_path / "b.zarr" / "1.0").unlink()
    with pytest.raises(CorruptScan, match="1 of 2 chunks are not there, and would read as 0"):
        open_scan(tmp_path / "b.zarr", described())


@pytest.mark.parametrize("compressor", [None, "blosc", "gzip", "zstd"])
def test_a_chunk_that_is_damaged(compressor: str | None, tmp_path: Path) -> None:
    codecs = {
        None: None,
        "blosc": zarr.codecs.BloscCodec(),
        "gzip": zarr.codecs.GzipCodec(),
        "zstd": zarr.codecs.ZstdCodec(),
    }
    array = zarr.create_array(
        tmp_path / "a.zarr", shape=SHAPE, chunks=(33, 10), dtype="f4",
        compressors=codecs[compressor],  # type: ignore[arg-type]
    )  # fmt: skip
    array[:] = heights()
    chunk = tmp_path / "a.zarr" / "c" / "0" / "1"
    chunk.write_bytes(chunk.read_bytes()[:-30])
    with pytest.raises(CorruptScan, match="a whole Zarr store"):
        open_scan(tmp_path / "a.zarr", described())


class _Trap:
    """What unpickling would run."""

    def __reduce__(self) -> tuple[Any, ...]:
        return (Path.touch, (Path("unpickled"),))


def test_a_codec_that_unpickles_is_never_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for key, value in (("compressor", {"id": "pickle"}), ("filters", [{"id": "pickle"}])):
        shutil.rmtree(tmp_path / "a.zarr", ignore_errors=True)
        write_plain(tmp_path / "a.zarr", "NaN", **{key: value})
        for number in range(2):
            (tmp_path / "a.zarr" / f"{number}.0").write_bytes(pickle.dumps(_Trap()))
        with pytest.raises(ScanError, match="pickle"):
            open_scan(tmp_path / "a.zarr", described())
        with pytest.raises(ScanError, match="pickle"):
            describe_scan(tmp_path / "a.zarr")
    assert not (tmp_path / "unpickled").exists()


def test_sizes_are_held_against_what_is_stored(tmp_path: Path) -> None:
    write_plain(tmp_path / "a.zarr", "NaN", shape=(40_000, 40_000), chunks=(40_000, 40_000))
    with pytest.raises(UnsupportedScan, match="1600000000 samples in 1 chunks declared"):
        open_scan(tmp_path / "a.zarr", described())
    write_plain(tmp_path / "b.zarr", "NaN", shape=(4000, 4000), chunks=(4000, 4000))
    with pytest.raises(UnsupportedScan, match="64000000 bytes packed into"):
        open_scan(tmp_path / "b.zarr", described())
    write_plain(tmp_path / "c.zarr", "NaN", compressor={"id": "gzip", "level": 9})
    for number in range(2):
        (tmp_path / "c.zarr" / f"{number}.0").write_bytes(gzip.compress(bytes(2**25)))
    with pytest.raises(CorruptScan, match="a chunk that unpacks to more than it declares"):
        open_scan(tmp_path / "c.zarr", described())


def test_a_name_that_leads_out_of_the_archive(tmp_path: Path) -> None:
    write_plain(tmp_path / "a.zarr", "NaN")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for file in (tmp_path / "a.zarr").iterdir():
            archive.write(file, file.name)
        archive.writestr("../0.0", b"x")
    with pytest.raises(UnsupportedScan, match="leads out of the archive"):
        open_scan(tmp_path / "a.zip", described())


def test_a_folder_of_something_else(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "scan.csv").write_text("1;2\n", encoding="utf-8")
    with pytest.raises(UnknownFormat) as refusal:
        open_scan(tmp_path / "folder", described())
    assert "a folder; the file of one scan, or the folder of a Zarr store; " in str(refusal.value)


def test_what_is_said_of_a_store(tmp_path: Path) -> None:
    write_cf(tmp_path / "a.zarr", 3)
    name, facts = describe_scan(tmp_path / "a.zarr")
    assert (name, facts.content) == ("zarr", "a Zarr store, version 3")
    assert [array.name for array in facts.arrays] == ["range"]
    assert facts.arrays[0].stated["units"] == "mm"
    assert facts.values["serial"] == "L 7"
    assert {series.name: series.pitch for series in facts.series} == {"line": 2.0, "sensor": 3.0}
    assert facts.arrays[0].along[0] is not None
    assert facts.arrays[0].along[0].units == "mm"


def test_without_the_library_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_plain(tmp_path / "a.zarr", "NaN")
    monkeypatch.setitem(sys.modules, "zarr", None)
    with pytest.raises(UnsupportedScan) as refusal:
        open_scan(tmp_path / "a.zarr", described())
    assert "the extra 'archive' of midchord; pip install \"midchord[archive]\"" in str(
        refusal.value
    )
