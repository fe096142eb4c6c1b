"""The conformance table: every adapter knows its own sample, refuses all others, and puts a bump
into the corner where it is. The samples are written by other libraries or by hand."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import itertools
import json
import os
import struct
import warnings
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.io import netcdf_file

from midchord_io import adapters
from midchord_io.adapters import ADAPTERS, Adapter, open_scan
from midchord_io.errors import (
    CorruptScan,
    MidchordError,
    MissingMetadata,
    ScanError,
    UnknownFormat,
)
from midchord_io.source import SourceDescription
from point_files import POINT_FILES, described_points, grid_points_of

PITCH_X_MM, PITCH_Y_MM = 2.0, 3.0
BUMP = (3, 14)
"""Of 30 x 17 samples: near the leading right corner."""
HOLE = (20, 4)

ORIENTATIONS = [
    (axes, handed)
    for first, second in (("x", "y"), ("y", "x"))
    for axes in itertools.product((first, "-" + first), (second, "-" + second))
    for handed in ("right", "left")
]


def truth() -> npt.NDArray[np.float32]:
    """Heights by the contract (x, y), mm: gentle slopes, one bump, one point not measured."""
    x = np.arange(30)[:, None] * PITCH_X_MM
    y = np.arange(17)[None, :] * PITCH_Y_MM
    height = 2.0 + 0.001 * x + 0.002 * y
    bump_x, bump_y = BUMP[0] * PITCH_X_MM, BUMP[1] * PITCH_Y_MM
    height = height + np.exp(-((x - bump_x) ** 2 + (y - bump_y) ** 2) / 20.0)
    height[HOLE] = np.nan
    return height.astype(np.float32)


def as_stored(axes: Sequence[str] = ("x", "y"), handed: str = "right") -> npt.NDArray[np.float32]:
    """The truth as a source with these axes would store it."""
    height = truth()
    names = [axis[-1] for axis in axes]
    for axis in axes:
        against = axis.startswith("-")
        if axis[-1] == "y" and handed == "left":
            against = not against
        if against:
            height = np.flip(height, 0 if axis[-1] == "x" else 1)
    return np.ascontiguousarray(height if names == ["x", "y"] else height.T)


def description(**source: Any) -> SourceDescription:
    given = {
        "axes": ("x", "y"),
        "height_units": "mm",
        "position_units": "mm",
        "pitch": {"x": PITCH_X_MM, "y": PITCH_Y_MM},
    }
    given |= source
    kept = {key: value for key, value in given.items() if value is not None}
    return SourceDescription.model_validate({"source": kept})


def described(name: str, **source: Any) -> SourceDescription:
    """What a source description has to say of a format."""
    if name in POINTS:
        return described_points(name, **source)
    if name in STATE_LENGTHS:
        source = {"height_units": None, "position_units": None, "pitch": None, **source}
    return description(**source)


def write_native(path: Path, _: npt.NDArray[np.float32]) -> None:
    """By hand through h5py: what the contract says, with no help of the project's writer."""
    with h5py.File(path, "w") as file:
        file.attrs["lite_id"] = "L 7"
        file.attrs["instrument"] = "by hand"
        file.attrs["scanned_at"] = "2026-03-01T08:30:00Z"
        file.attrs["frame"] = "machine"
        height = file.create_dataset("height", data=truth())
        height.attrs["units"] = "mm"
        for number, (axis, pitch) in enumerate((("x", PITCH_X_MM), ("y", PITCH_Y_MM))):
            file[axis] = np.arange(height.shape[number]) * pitch
            file[axis].attrs["units"] = "mm"
            file[axis].make_scale(axis)
            height.dims[number].attach_scale(file[axis])


def write_hdf5(path: Path, stored: npt.NDArray[np.float32]) -> None:
    with h5py.File(path, "w") as file:
        file.create_dataset("scan/range", data=stored, compression="gzip")


def write_netcdf3(path: Path, stored: npt.NDArray[np.float32]) -> None:
    with netcdf_file(path, "w") as file:
        file.createDimension("row", stored.shape[0])
        file.createDimension("column", stored.shape[1])
        file.createVariable("z", "f4", ("row", "column"))[:] = stored


def write_npy(path: Path, stored: npt.NDArray[np.float32]) -> None:
    with path.open("wb") as file:
        np.save(file, stored)


def write_npz(path: Path, stored: npt.NDArray[np.float32]) -> None:
    with path.open("wb") as file:
        np.savez_compressed(file, z=stored.astype(np.float64))


def write_text(path: Path, stored: npt.NDArray[np.float32]) -> None:
    rows = [";".join("" if np.isnan(v) else repr(float(v)) for v in row) for row in stored]
    path.write_bytes(("exported heights\r\n" + "\r\n".join(rows) + "\r\n").encode())


def write_x3p(path: Path, stored: npt.NDArray[np.float32]) -> None:
    """By hand, after ISO 25178-72: its records in XML, and binary heights in metres."""
    data = (stored.astype("<f8") / 1000).tobytes()
    axis = "<AxisType>{}</AxisType><DataType>D</DataType><Increment>{}</Increment>"
    pitch_y, pitch_x = pitches_of(stored)
    main = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1>'
        "<Revision>ISO5436 - 2000</Revision><FeatureType>SUR</FeatureType><Axes>"
        f"<CX>{axis.format('I', pitch_x / 1000)}</CX><CY>{axis.format('I', pitch_y / 1000)}</CY>"
        f"<CZ>{axis.format('A', 1)}</CZ></Axes></Record1>"
        f"<Record3><MatrixDimension><SizeX>{stored.shape[1]}</SizeX><SizeY>{stored.shape[0]}</SizeY>"
        "<SizeZ>1</SizeZ></MatrixDimension><DataLink><PointDataLink>bindata/data.bin</PointDataLink>"
        f"<MD5ChecksumPointData>{hashlib.md5(data).hexdigest()}</MD5ChecksumPointData></DataLink>"
        "</Record3><Record4><ChecksumFile>md5checksum.hex</ChecksumFile></Record4></p:ISO5436_2>"
    ).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", main)
        archive.writestr("md5checksum.hex", f"{hashlib.md5(main).hexdigest()} *main.xml\n")
        archive.writestr("bindata/data.bin", data)


def pitches_of(stored: npt.NDArray[np.float32]) -> tuple[float, float]:
    """Along the first and the second axis, mm: the longer axis of the truth is x."""
    pitches = (PITCH_X_MM, PITCH_Y_MM)
    return pitches if stored.shape[0] > stored.shape[1] else pitches[::-1]


def write_sdf_text(path: Path, stored: npt.NDArray[np.float32]) -> None:
    """By hand, after ISO 25178-71: heights in the unit of Zscale, BAD where not measured."""
    down, across = (pitch / 1000 for pitch in pitches_of(stored))
    rows = [" ".join("BAD" if np.isnan(v) else f"{v:.9g}" for v in row) for row in stored]
    lines = [
        "aISO-1.0", "ManufacID = by hand", "CreateDate = 010320260830", "ModDate = 010320260830",
        f"NumPoints = {stored.shape[1]}", f"NumProfiles = {stored.shape[0]}", f"Xscale = {across}",
        f"Yscale = {down}", "Zscale = 1.0E-3", "Zresolution = 1.0E-9", "Compression = 0",
        "DataType = 7", "CheckType = 0", "*", *rows, "*", "*", "",
    ]  # fmt: skip
    path.write_bytes("\r\n".join(lines).encode("ascii"))


def write_sdf_binary(path: Path, stored: npt.NDArray[np.float32]) -> None:
    """By hand: int32 counts of 1 nm, the least number where not measured."""
    down, across = (pitch / 1000 for pitch in pitches_of(stored))
    counts = np.where(np.isnan(stored), -(2.0**31), np.round(stored.astype(np.float64) * 1e6))
    header = struct.pack(
        "<8s10s12s12sHHddddBBB", b"bISO-1.0", b"by hand".ljust(10), b"010320260830",
        b"010320260830", stored.shape[1], stored.shape[0], across, down, 1e-9, 1e-9, 0, 6, 0,
    )  # fmt: skip
    path.write_bytes(header + counts.astype("<i4").tobytes())


def write_tiff(path: Path, stored: npt.NDArray[np.float32]) -> None:
    Image.fromarray(stored).save(path, format="TIFF")


def write_packed_tiff(path: Path, stored: npt.NDArray[np.float32]) -> None:
    Image.fromarray(stored).save(path, format="TIFF", compression="tiff_lzw")


def write_zarr_folder(path: Path, stored: npt.NDArray[np.float32]) -> None:
    """By hand, after version 2 of the specification: one chunk of little-endian numbers."""
    (path / "z").mkdir(parents=True)
    (path / ".zgroup").write_text('{"zarr_format": 2}', encoding="utf-8")
    meta = {
        "zarr_format": 2, "shape": stored.shape, "chunks": stored.shape, "dtype": "<f4",
        "compressor": None, "fill_value": "NaN", "filters": None, "order": "C",
    }  # fmt: skip
    (path / "z" / ".zarray").write_text(json.dumps(meta), encoding="utf-8")
    (path / "z" / "0.0").write_bytes(stored.astype("<f4").tobytes())


def write_zarr_zip(path: Path, stored: npt.NDArray[np.float32]) -> None:
    """By hand, after version 3: the array itself is the root, big-endian and gzipped."""
    meta = {
        "zarr_format": 3, "node_type": "array", "shape": stored.shape, "data_type": "float32",
        "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": stored.shape}},
        "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
        "codecs": [
            {"name": "bytes", "configuration": {"endian": "big"}},
            {"name": "gzip", "configuration": {"level": 5}},
        ],
        "fill_value": "NaN", "attributes": {},
    }  # fmt: skip
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("zarr.json", json.dumps(meta))
        archive.writestr("c/0/0", gzip.compress(stored.astype(">f4").tobytes()))


Writer = Callable[[Path, npt.NDArray[np.float32]], None]


def points_writer(write: Callable[[Path, npt.NDArray[np.float64]], None]) -> Writer:
    def write_stored(path: Path, stored: npt.NDArray[np.float32]) -> None:
        write(path, grid_points_of(stored, pitches_of(stored)))

    return write_stored


SAMPLES: list[tuple[str, str, Writer]] = [
    ("native", "native.nc", write_native),
    ("hdf5", "foreign.h5", write_hdf5),
    ("netcdf3", "classic.nc", write_netcdf3),
    ("npy", "array.npy", write_npy),
    ("npy", "arrays.npz", write_npz),
    ("text", "matrix.csv", write_text),
    ("x3p", "surface.x3p", write_x3p),
    ("sdf", "text.sdf", write_sdf_text),
    ("sdf", "binary.sdf", write_sdf_binary),
    ("tiff", "float.tif", write_tiff),
    ("tiff", "packed.tif", write_packed_tiff),
    ("zarr", "store.zarr", write_zarr_folder),
    ("zarr", "store.zarr.zip", write_zarr_zip),
]
SAMPLES += [(name, file_name, points_writer(write)) for name, file_name, write in POINT_FILES]
FOREIGN = SAMPLES[1:]
POINTS = {name for name, _, _ in POINT_FILES}
SAME_CONTENT = {"text", "xyz"}
"""Rows of numbers: the source description says whether they are scan lines or points."""
STATE_LENGTHS = {"x3p", "sdf"}
"""Formats whose files state their units and pitch: only ``axes`` is left to say."""


def adapter_named(name: str) -> Adapter:
    return next(adapter for adapter in ADAPTERS if adapter.name == name)


def head_of(path: Path) -> bytes:
    return b"" if path.is_dir() else path.read_bytes()[: adapters.HEAD_BYTES]


def content_of(path: Path) -> Path:
    """The file with the heights: of a folder, the last of those in it."""
    return max(item for item in path.rglob("*") if item.is_file()) if path.is_dir() else path


def test_every_adapter_has_a_sample() -> None:
    assert {name for name, _, _ in SAMPLES} == {adapter.name for adapter in ADAPTERS}


@pytest.mark.parametrize("adapter", ADAPTERS, ids=lambda adapter: adapter.name)
def test_an_adapter_knows_its_own_and_refuses_all_others(adapter: Adapter, tmp_path: Path) -> None:
    for name, file_name, write in SAMPLES:
        path = tmp_path / file_name
        write(path, as_stored())
        knows = name == adapter.name or {name, adapter.name} == SAME_CONTENT
        assert adapter.sniff(path, head_of(path)) is knows, file_name


@pytest.mark.parametrize("adapter", ADAPTERS, ids=lambda adapter: adapter.name)
def test_an_adapter_refuses_a_prose_text_and_an_empty_file(
    adapter: Adapter, tmp_path: Path
) -> None:
    for content in (b"", b"Dear reader,\nthis is 1 letter, not a scan.\n", b"\x00" * 100):
        path = tmp_path / "file.dat"
        path.write_bytes(content)
        assert adapter.sniff(path, content) is False


@pytest.mark.parametrize(("name", "file_name", "write"), SAMPLES, ids=[s[1] for s in SAMPLES])
def test_a_truncated_file_is_refused_as_damaged(
    name: str, file_name: str, write: Writer, tmp_path: Path
) -> None:
    path = tmp_path / file_name
    write(path, as_stored())
    content = content_of(path)
    whole = content.read_bytes()
    source = None if name == "native" else described(name)
    # a text that ends within the last number of a row looks like one without a final line end
    for share in (0.5, 0.93) if name == "text" else (0.5, 0.9, 0.995):
        cut = int(share * len(whole))
        if name == "xyz":  # likewise, and so does one that ends with a row: three bytes into one
            cut = whole.rindex(b"\n", 0, cut) + 4
        content.write_bytes(whole[:cut])
        with pytest.raises(ScanError) as refusal:
            open_scan(path, source)
        assert isinstance(refusal.value, CorruptScan), (share, str(refusal.value))
        assert "whole" in str(refusal.value)


@pytest.mark.parametrize(("axes", "handed"), ORIENTATIONS)
@pytest.mark.parametrize(("name", "file_name", "write"), FOREIGN, ids=[s[1] for s in FOREIGN])
def test_the_bump_stays_in_its_corner(
    name: str,
    file_name: str,
    write: Writer,
    axes: tuple[str, str],
    handed: str,
    tmp_path: Path,
) -> None:
    path = tmp_path / file_name
    write(path, as_stored(axes, handed))
    scan = open_scan(path, described(name, axes=axes, handed=handed))
    assert scan.height.dims == ("x", "y")
    assert scan.height.dtype == np.float32
    top = scan.height.where(scan.height == scan.height.max(), drop=True)
    # positions that a file counts along an axis against the frame end at 0 instead
    x, y = scan.x.values - scan.x.values[0], scan.y.values - scan.y.values[0]
    at = (float(top.x[0] - scan.x[0]), float(top.y[0] - scan.y[0]))
    assert at == pytest.approx((BUMP[0] * PITCH_X_MM, BUMP[1] * PITCH_Y_MM), rel=1e-12)
    np.testing.assert_allclose(scan.height.values, truth(), atol=1e-6)  # NaN in the same place
    np.testing.assert_allclose(x, np.arange(30) * PITCH_X_MM, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(y, np.arange(17) * PITCH_Y_MM, rtol=1e-12, atol=1e-12)
    if name not in STATE_LENGTHS | POINTS:
        assert (scan.x.values[0], scan.y.values[0]) == (0.0, 0.0)
    assert scan.attrs["adapter"] == name


def test_a_native_file_needs_no_description(tmp_path: Path) -> None:
    path = tmp_path / "native.nc"
    write_native(path, truth())
    scan = open_scan(path)
    np.testing.assert_array_equal(scan.height.values, truth())
    assert scan.attrs["adapter"] == "native"
    assert scan.attrs["lite_id"] == "L 7"
    assert scan.attrs["face"] == "upper"


def test_what_is_added_on_reading(tmp_path: Path) -> None:
    path = tmp_path / "lite.0042.npy"
    write_npy(path, truth())
    os.utime(path, (1_767_225_600, 1_767_225_600))  # 2026-01-01T00:00:00Z
    scan = open_scan(str(path), description())
    assert scan.attrs["source_file"] == "lite.0042.npy"
    assert scan.attrs["source_sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert scan.attrs["lite_id"] == "lite.0042"
    assert scan.attrs["scanned_at"] == "2026-01-01T00:00:00Z"
    assert scan.attrs["instrument"] == "not stated"


def test_what_is_known_of_the_lite_is_recorded(tmp_path: Path) -> None:
    write_npy(tmp_path / "a.npy", truth())
    toml = tmp_path / "source.toml"
    toml.write_text(
        '[source]\naxes = ["x", "y"]\nheight_units = "mm"\nposition_units = "mm"\n'
        "pitch = { x = 2.0, y = 3.0 }\n"
        '[lite]\nframe = "lite"\ninstrument = "bench"\nface = "lower"\nthickness_mm = 8.0\n'
        'coated_face = "upper"\nsupport = "rollers"\ntemperature_c = 21.5\n',
        encoding="utf-8",
    )
    attrs = open_scan(tmp_path / "a.npy", toml).attrs
    assert attrs["frame"] == "lite"
    assert attrs["instrument"] == "bench"
    assert attrs["face"] == "lower"
    assert attrs["thickness_mm"] == 8.0
    assert attrs["coated_face"] == "upper"
    assert attrs["support"] == "rollers"
    assert attrs["temperature_c"] == 21.5


@pytest.mark.parametrize(("name", "file_name", "write"), FOREIGN, ids=[s[1] for s in FOREIGN])
def test_a_foreign_file_without_description_asks_for_one(
    name: str, file_name: str, write: Writer, tmp_path: Path
) -> None:
    write(tmp_path / file_name, as_stored())
    with pytest.raises(MissingMetadata, match="source description"):
        open_scan(tmp_path / file_name)


@pytest.mark.parametrize(
    ("left_out", "words"),
    [
        ("axes", "no word on what its axes are"),
        ("height_units", "no height units in the file and none in the source description"),
        ("pitch", "no positions along x in the file and none in the source description"),
        ("position_units", "no units of the positions along x"),
    ],
)
@pytest.mark.parametrize(("name", "file_name", "write"), FOREIGN[:4], ids=lambda v: str(v)[:12])
def test_what_neither_states_is_refused(
    name: str, file_name: str, write: Writer, left_out: str, words: str, tmp_path: Path
) -> None:
    write(tmp_path / file_name, as_stored())
    with pytest.raises(MissingMetadata) as refusal:
        open_scan(tmp_path / file_name, description(**{left_out: None}))
    assert words in str(refusal.value)
    assert "source description" in str(refusal.value)


def test_heights_in_other_units_scale_and_sign(tmp_path: Path) -> None:
    for units, in_mm in (("um", 1e-3), ("nm", 1e-6), ("m", 1e3), ("inch", 25.4)):
        write_npz(tmp_path / "a.npz", (truth() / in_mm).astype(np.float32))
        scan = open_scan(tmp_path / "a.npz", description(height_units=units))
        np.testing.assert_allclose(scan.height.values, truth(), rtol=1e-6)
    write_npy(tmp_path / "a.npy", -(truth() - 3.0) / np.float32(0.5))
    source = description(height_sign="down", height_scale=0.5, height_offset=-3.0)
    scan = open_scan(tmp_path / "a.npy", source)
    np.testing.assert_allclose(scan.height.values, truth(), rtol=1e-6)


def test_codes_for_not_measured_are_compared_as_stored(tmp_path: Path) -> None:
    counts = np.round(truth() * 1000).astype(np.float64)
    counts[np.isnan(counts)] = -32768
    counts[5, 5] = 0
    write_npy(tmp_path / "a.npy", counts.astype(np.int16))
    source = description(height_units="um", invalid=(-32768, 0, 1e9, 0.5))
    height = open_scan(tmp_path / "a.npy", source).height.values
    assert np.argwhere(np.isnan(height)).tolist() == [[5, 5], list(HOLE)]
    assert height[0, 0] == pytest.approx(2.0)
    single = truth()
    single[7, 7] = -9999.9
    write_npy(tmp_path / "b.npy", single)
    height = open_scan(tmp_path / "b.npy", description(invalid=(-9999.9,))).height.values
    assert np.isnan(height[7, 7])


def test_a_large_standoff_keeps_the_resolution(tmp_path: Path) -> None:
    distance = 5_000.25 + truth().astype(np.float64)
    write_npz(tmp_path / "a.npz", distance)  # type: ignore[arg-type]
    scan = open_scan(tmp_path / "a.npz", description())
    back = scan.height.values.astype(np.float64) + scan.attrs["height_datum_mm"]
    np.testing.assert_allclose(back, distance, atol=1e-6)  # a float32 of 5 m resolves 5e-4 mm


def test_format_names_an_adapter_and_does_not_overrule_the_content(tmp_path: Path) -> None:
    write_npy(tmp_path / "a.npy", truth())
    assert open_scan(tmp_path / "a.npy", description(format="npy")).sizes == {"x": 30, "y": 17}
    with pytest.raises(ScanError, match="but the content is npy"):
        open_scan(tmp_path / "a.npy", description(format="text"))
    with pytest.raises(ScanError, match="one of native, hdf5, netcdf3, npy, "):
        open_scan(tmp_path / "a.npy", description(format="spreadsheet"))


def test_keys_that_a_format_has_no_use_for_are_refused(tmp_path: Path) -> None:
    write_npy(tmp_path / "a.npy", truth())
    with pytest.raises(ScanError, match="with dataset, which this format has no use for"):
        open_scan(tmp_path / "a.npy", description(dataset="z"))
    with pytest.raises(ScanError, match="points cannot be read from this format yet"):
        open_scan(tmp_path / "a.npy", description(grid_pitch={"x": 1, "y": 1}))


def test_two_adapters_that_know_a_file_are_both_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_npy(tmp_path / "a.npy", truth())
    twin = adapter_named("npy")._replace(name="twin")
    monkeypatch.setattr(adapters, "ADAPTERS", (*ADAPTERS, twin))
    with pytest.raises(UnknownFormat) as refusal:
        open_scan(tmp_path / "a.npy", description())
    assert "npy and twin both take it for their own" in str(refusal.value)
    assert open_scan(tmp_path / "a.npy", description(format="twin")).attrs["adapter"] == "twin"


def test_an_unknown_file_lists_what_was_tried(tmp_path: Path) -> None:
    path = tmp_path / "renamed.h5"
    path.write_text("Dear reader,\nnot a scan\n", encoding="utf-8")
    with pytest.raises(UnknownFormat) as refusal:
        open_scan(path)
    said = str(refusal.value)
    assert "it starts with 'Dear reader,\\nnot'" in said
    for adapter in ADAPTERS:
        assert f"not {adapter.name} ({adapter.known_by})" in said


def test_an_error_in_an_adapter_is_not_an_unknown_format(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_npy(tmp_path / "a.npy", truth())

    def broken(path: Path, source: SourceDescription | None) -> xr.Dataset:
        raise ZeroDivisionError("a bug")

    row = adapter_named("npy")._replace(read=broken)
    monkeypatch.setattr(adapters, "ADAPTERS", (row,))
    with pytest.raises(ZeroDivisionError, match="a bug"):
        open_scan(tmp_path / "a.npy", description())


def test_what_is_not_a_readable_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ScanError, match="it cannot be read \\(No such file"):
        open_scan(tmp_path / "none.nc")
    with pytest.raises(UnknownFormat, match="a folder; the file of one scan"):
        open_scan(tmp_path)
    (tmp_path / "empty.nc").touch()
    with pytest.raises(CorruptScan, match="an empty file \\(0 bytes\\)"):
        open_scan(tmp_path / "empty.nc")
    write_npy(tmp_path / "a.npy", truth())

    def denied(path: Path, source: SourceDescription | None) -> xr.Dataset:
        raise PermissionError(13, "Permission denied")

    row = adapter_named("npy")._replace(read=denied)
    monkeypatch.setattr(adapters, "ADAPTERS", (row,))
    with pytest.raises(ScanError, match="it cannot be read \\(Permission denied\\)"):
        open_scan(tmp_path / "a.npy", description())


@pytest.fixture(scope="module")
def whole_samples(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, bytes]]:
    """All but the native one: damage to a variable-length attribute can crash libhdf5 itself."""
    folder = tmp_path_factory.mktemp("samples")
    for _, file_name, write in FOREIGN:
        write(folder / file_name, as_stored())
    return [
        (name, file_name, (folder / file_name).read_bytes())
        for name, file_name, _ in FOREIGN
        if (folder / file_name).is_file()
    ]


@settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_a_damaged_file_is_read_or_refused_in_a_sentence(
    data: st.DataObject, whole_samples: list[tuple[str, str, bytes]], tmp_path: Path
) -> None:
    name, file_name, whole = data.draw(st.sampled_from(whole_samples))
    content = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        # damage near the start hits headers, where it hurts
        place = data.draw(st.integers(0, min(len(content), 4096) - 1))
        content[place] = data.draw(st.integers(0, 255))
    path = tmp_path / file_name
    path.write_bytes(bytes(content))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with contextlib.suppress(MidchordError):
            scan = open_scan(path, described(name))
            assert scan.height.dims == ("x", "y")
            assert scan.height.dtype == np.float32


def test_a_missing_file_is_told_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(ScanError) as refusal:
        open_scan(tmp_path / "gone.nc")
    assert str(refusal.value) == (
        f"{tmp_path / 'gone.nc'}: it cannot be read (No such file or directory); a scan must be a "
        "file that exists and may be read; check the path and who may read it."
    )


def test_a_file_name_that_is_no_text_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanError) as refusal:
        open_scan(tmp_path / "bad\udcff.nc")
    said = str(refusal.value)
    assert "bad\\udcff.nc: a file name that is not UTF-8; " in said
    assert said.encode("utf-8").endswith(b"rename the file.")
