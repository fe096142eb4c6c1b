"""Height images by other hands: every way of packing against other readers, tags, traps."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import tifffile
from PIL import Image

from midchord_io.adapters import describe_scan, open_scan
from midchord_io.adapters.tiff_pixels import unlzw
from midchord_io.errors import CorruptScan, MissingMetadata, SourceConflict, UnsupportedScan
from midchord_io.source import SourceDescription

SHAPE = (37, 61)
"""Neither side is a multiple of a tile, and 61 floats are more bytes than LZW's first codes."""


def heights() -> npt.NDArray[np.float64]:
    """(rows, columns), mm, with one point not measured where the type allows it."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    rng = np.random.default_rng(5)
    height = 3 + 0.02 * x - 0.01 * y + 0.001 * rng.standard_normal(SHAPE)
    height[11, 50] = np.nan
    return height


def as_type(kind: str) -> npt.NDArray[Any]:
    if np.dtype(kind).kind == "f":
        return heights().astype(kind)
    return np.round(np.nan_to_num(heights(), nan=0.0) * 1000).astype(kind)


def described(kind: str = "f4", **source: Any) -> SourceDescription:
    is_float = np.dtype(kind).kind == "f"
    said: dict[str, Any] = {
        "axes": ("y", "x"),
        "height_units": "mm" if is_float else "um",
        "position_units": "mm",
        "pitch": {"x": 2.0, "y": 3.0},
        "invalid": () if is_float else (0.0,),
    }
    said |= source
    kept = {key: value for key, value in said.items() if value is not None}
    return SourceDescription.model_validate({"source": kept})


def opened(path: Path, kind: str, **source: Any) -> npt.NDArray[np.float32]:
    height: npt.NDArray[np.float32] = open_scan(path, described(kind, **source)).height.values.T
    return height


@pytest.mark.parametrize("kind", ["<u2", ">u2", "<i2", ">i4", "<u4", "<f4", ">f4", "<f8", ">f8"])
@pytest.mark.parametrize(
    "how",
    [
        {},
        {"rowsperstrip": 5},
        {"tile": (16, 32)},
        {"compression": "zlib"},
        {"compression": "zlib", "rowsperstrip": 7},
        {"compression": "zlib", "tile": (16, 16)},
        {"bigtiff": True},
    ],
    ids=str,
)
def test_each_encoding_gives_the_same_heights(
    kind: str, how: dict[str, Any], tmp_path: Path
) -> None:
    """Written by tifffile: the tags are read through it, the pixels are not."""
    order = kind[0]
    tifffile.imwrite(tmp_path / "a.tif", as_type(kind), byteorder=order, metadata=None, **how)
    step = 1e-3 if np.dtype(kind).kind != "f" else 1e-6
    np.testing.assert_allclose(opened(tmp_path / "a.tif", kind), heights(), atol=step)


@pytest.mark.parametrize("kind", ["<u2", ">u2", "<i4"])
@pytest.mark.parametrize("tile", [None, (16, 32)])
def test_differences_along_a_row(kind: str, tile: tuple[int, int] | None, tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.tif", as_type(kind), byteorder=kind[0], tile=tile, compression="zlib",
        predictor=2, metadata=None,
    )  # fmt: skip
    np.testing.assert_allclose(opened(tmp_path / "a.tif", kind), heights(), atol=1e-3)


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate"])
@pytest.mark.parametrize("predictor", [1, 2, 3])
@pytest.mark.parametrize("kind", ["u2", "i4", "f4"])
def test_what_libtiff_writes_through_pillow(
    compression: str, predictor: int, kind: str, tmp_path: Path
) -> None:
    if (predictor, kind == "f4") in ((3, False), (2, True)):
        pytest.skip("a predictor of the other kind of number")
    image = Image.fromarray(as_type(kind))
    image.save(tmp_path / "a.tif", compression=compression, tiffinfo={317: predictor})
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert int(file.pages[0].predictor) == predictor  # type: ignore[union-attr]
    step = 1e-6 if kind == "f4" else 1e-3
    np.testing.assert_allclose(opened(tmp_path / "a.tif", kind), heights(), atol=step)


def test_floats_by_differences_of_bytes_as_the_note_defines_them(tmp_path: Path) -> None:
    """By hand, after Adobe Photoshop TIFF Technical Note 3: 64-bit floats, which libtiff's own
    writers seldom make, deflated in one strip of a big-endian file."""
    numbers = heights().astype(">f8")
    planes = numbers.view(np.uint8).reshape(*SHAPE, 8).transpose(0, 2, 1).reshape(SHAPE[0], -1)
    packed = zlib.compress(np.diff(planes, axis=1, prepend=np.uint8(0)).astype(np.uint8).tobytes())
    write_by_hand(tmp_path / "a.tif", packed, bits=64, compression=8, predictor=3, kind=3)
    np.testing.assert_allclose(opened(tmp_path / "a.tif", "f8"), heights(), atol=1e-6)


def write_by_hand(
    path: Path,
    packed: bytes,
    *,
    bits: int = 32,
    compression: int = 1,
    predictor: int = 1,
    kind: int = 3,
    shape: tuple[int, int] = SHAPE,
    photometric: int = 1,
) -> None:
    """A big-endian file with one strip, its directory first."""
    tags = [
        (256, 4, shape[1]), (257, 4, shape[0]), (258, 3, bits), (259, 3, compression),
        (262, 3, photometric), (273, 4, 0), (277, 3, 1), (278, 4, shape[0]), (279, 4, len(packed)),
        (317, 3, predictor), (339, 3, kind),
    ]  # fmt: skip
    start = 8 + 2 + 12 * len(tags) + 4
    entries = b""
    for tag, size, value in tags:
        value = start if tag == 273 else value
        stored = struct.pack(">HH", value, 0) if size == 3 else struct.pack(">I", value)
        entries += struct.pack(">HHI", tag, size, 1) + stored
    head = b"MM\0*" + struct.pack(">I", 8) + struct.pack(">H", len(tags))
    path.write_bytes(head + entries + struct.pack(">I", 0) + packed)


def test_the_compiled_unpacking_is_the_plain_one_and_never_overruns(tmp_path: Path) -> None:
    Image.fromarray(as_type("u2")).save(tmp_path / "a.tif", compression="tiff_lzw")
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages[0]
        offset, count = page.dataoffsets[0], page.databytecounts[0]  # type: ignore[union-attr]
    packed = np.frombuffer((tmp_path / "a.tif").read_bytes(), np.uint8)[offset : offset + count]
    room = page.rowsperstrip * SHAPE[1] * 2  # type: ignore[union-attr]
    room = min(room, SHAPE[0] * SHAPE[1] * 2)
    whole = as_type("u2").tobytes()[:room]
    assert unlzw(packed, room).tobytes() == whole
    assert unlzw.py_func(packed, room).tobytes() == whole
    assert unlzw.py_func(packed, 100).tobytes() == whole[:100]
    rng = np.random.default_rng(3)
    for _ in range(40):
        spoilt = packed.copy()
        spoilt[rng.integers(0, spoilt.size, 3)] = rng.integers(0, 256, 3)
        assert unlzw.py_func(spoilt, room).tobytes() == unlzw(spoilt, room).tobytes()


def test_what_gdal_states_in_words(tmp_path: Path) -> None:
    """After GDAL's GTiff driver: tag 42112 in XML, tag 42113 as text."""
    counts = as_type("i2")
    counts[11, 50] = -32768
    said = (
        '<GDALMetadata><Item name="OFFSET" sample="0" role="offset">0.5</Item>'
        '<Item name="SCALE" sample="0" role="scale">0.001</Item>'
        '<Item name="UNITTYPE" sample="0" role="unittype">mm</Item></GDALMetadata>'
    )
    tags = [(42112, "s", 0, said, True), (42113, "s", 0, "-32768", True)]
    tifffile.imwrite(tmp_path / "a.tif", counts, extratags=tags, metadata=None)
    found = opened(tmp_path / "a.tif", "i2", height_units=None, invalid=None)
    np.testing.assert_allclose(found, heights() + 0.5, atol=1e-3)
    with pytest.raises(SourceConflict, match="height_units 'um' in the source description, but"):
        opened(tmp_path / "a.tif", "i2", invalid=None)


def test_what_imagej_states_in_words(tmp_path: Path) -> None:
    said = {"unit": "mm", "cf": 0, "c0": 0.5, "c1": 0.001, "vunit": "mm"}
    tifffile.imwrite(
        tmp_path / "a.tif", as_type("u2"), imagej=True, resolution=(0.5, 0.25), metadata=said
    )
    scan = open_scan(
        tmp_path / "a.tif",
        described("u2", height_units=None, pitch=None, position_units=None),
    )
    np.testing.assert_allclose(scan.height.values.T, heights() + 0.5, atol=1e-3)
    assert (scan.x.values[1], scan.y.values[1]) == (2.0, 4.0)
    with pytest.raises(SourceConflict, match="a pitch of 3 mm along y in the source description"):
        opened(tmp_path / "a.tif", "u2", height_units=None)
    tifffile.imwrite(tmp_path / "b.tif", as_type("u2"), imagej=True, metadata={"cf": 20})
    with pytest.raises(UnsupportedScan, match="by no straight line"):
        opened(tmp_path / "b.tif", "u2")


def test_dots_per_inch_are_shown_and_not_believed(tmp_path: Path) -> None:
    tifffile.imwrite(
        tmp_path / "a.tif", as_type("f4"), resolution=(12.7, 25.4), resolutionunit="INCH",
        metadata=None,
    )  # fmt: skip
    with pytest.raises(MissingMetadata, match="no positions along"):
        opened(tmp_path / "a.tif", "f4", pitch=None)
    name, facts = describe_scan(tmp_path / "a.tif")
    assert name == "tiff"
    assert "a pitch of 2 mm along a row and 1 mm along a column" in facts.notes[0]
    assert "not believed" in facts.notes[0]
    assert facts.arrays[0].missing == 1
    assert facts.arrays[0].along == (None, None)


def test_what_is_no_height_image(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    rng = np.random.default_rng(2)
    colours = rng.integers(0, 255, (*SHAPE, 3), dtype=np.uint8)
    for write, words in (
        (lambda: tifffile.imwrite(path, colours, photometric="rgb"), "3 samples a pixel"),
        (lambda: tifffile.imwrite(path, colours[..., 0]), "pixels of 8 bits"),
        (
            lambda: tifffile.imwrite(path, np.stack([as_type("f4")] * 3), photometric="minisblack"),
            "3 pages",
        ),
        (
            lambda: tifffile.imwrite(path, as_type("u2"), photometric="miniswhite"),
            "small numbers are white",
        ),
        (
            lambda: write_by_hand(path, b"x" * 100, compression=7, bits=16, kind=1),
            "the compression JPEG",
        ),
        (
            lambda: write_by_hand(path, bytes(4 * 37 * 61), predictor=2),
            "the predictor 2 of numbers of type",
        ),
    ):
        write()
        with pytest.raises(UnsupportedScan, match=words):
            opened(path, "f4")


def test_a_small_copy_for_display_does_not_count(tmp_path: Path) -> None:
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        writer.write(as_type("f4"), metadata=None)
        writer.write(as_type("f4")[::4, ::4], subfiletype=1, metadata=None)
    np.testing.assert_allclose(opened(tmp_path / "a.tif", "f4"), heights(), atol=1e-6)


def test_what_the_tags_declare_is_held_against_the_file(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.tif"
    plain = heights().astype(">f4").tobytes()
    for packed, options, words in (
        (plain, {"shape": (40_000, 40_000)}, "pixels declared"),
        (plain, {"shape": (4_000, 4_000)}, "it declares 64000000 bytes"),
        (zlib.compress(plain), {"compression": 8, "shape": (9_000, 9_000)}, "it declares"),
        (zlib.compress(plain), {"compression": 8, "shape": (370, 610)}, "where 902800 are needed"),
        (zlib.compress(plain)[:99], {"compression": 8}, "whole TIFF file"),
        (b"\x80\x00" + plain[:50], {"compression": 5}, "where 9028 are needed"),
    ):
        write_by_hand(path, packed, **options)  # type: ignore[arg-type]
        with pytest.raises((CorruptScan, UnsupportedScan), match=words):
            opened(path, "f4")
    write_by_hand(path, plain)
    whole = bytearray(path.read_bytes())
    whole[8 + 2 + 5 * 12 + 8 : 8 + 2 + 5 * 12 + 12] = struct.pack(">I", 10**6)
    path.write_bytes(whole)
    with pytest.raises(CorruptScan, match="beyond the end of the file"):
        opened(path, "f4")
    assert capfd.readouterr() == ("", "")  # libraries say nothing on the console


def test_a_strip_that_unpacks_to_more_than_its_room_costs_no_memory(tmp_path: Path) -> None:
    """A bomb: 64 MB of zeros in 64 kB behind the heights."""
    plain = heights().astype(">f4").tobytes() + bytes(2**26)
    write_by_hand(tmp_path / "a.tif", zlib.compress(plain), compression=8)
    np.testing.assert_allclose(opened(tmp_path / "a.tif", "f4"), heights(), atol=1e-6)
