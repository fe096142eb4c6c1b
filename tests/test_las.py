"""LAS and LAZ: units of the coordinate system, withheld points, and headers that lie."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from laspy.vlrs.known import WktCoordinateSystemVlr

from midchord_io.adapters import las, open_scan
from midchord_io.errors import (
    CorruptScan,
    MissingMetadata,
    SourceConflict,
    UnevenGrid,
    UnsupportedScan,
)
from point_files import described_points

SOURCE = described_points("las")
METRE = 'UNIT["metre",1.0,AUTHORITY["EPSG","9001"]]'
PROJECTED = f'PROJCS["plant",GEOGCS["g",UNIT["degree",0.0174532925199433]],{METRE}]'


def plate(path: Path, *, version: str = "1.4", form: int = 6, wkt: str = "", **dims: Any) -> Path:
    x, y = np.meshgrid(np.arange(40) * 2.0, np.arange(30) * 3.0, indexing="ij")
    header = laspy.LasHeader(version=version, point_format=form)
    header.scales = np.array([1e-3, 1e-3, 1e-5])
    if wkt:
        header.vlrs.append(WktCoordinateSystemVlr(wkt))
        header.global_encoding.wkt = True
    file = laspy.LasData(header)
    file.x, file.y, file.z = x.ravel(), y.ravel(), (0.1 * x - 0.02 * y).ravel()
    for name, values in dims.items():
        file[name] = values
    file.write(str(path))
    return path


@pytest.mark.parametrize(
    ("wkt", "units"),
    [
        (PROJECTED, ("metre", None)),
        (f'COMPD_CS["c",{PROJECTED},VERT_CS["v",UNIT["foot",0.3048]]]', ("metre", "foot")),
        ('PROJCRS["p",CS[Cartesian,2],LENGTHUNIT["millimetre",0.001]]', ("millimetre", None)),
        ('GEOGCS["g",UNIT["degree",0.0174532925199433]]', ("degree", None)),
        ('LOCAL_CS["bench"]', (None, None)),
    ],
)
def test_units_by_wkt(wkt: str, units: tuple[str | None, str | None]) -> None:
    assert las.stated_units([WktCoordinateSystemVlr(wkt)]) == units


def test_stated_units_win_over_silence_and_may_not_be_contradicted(tmp_path: Path) -> None:
    wkt = f'COMPD_CS["c",{PROJECTED},VERT_CS["v",{METRE}]]'
    x = np.repeat(np.arange(40), 30)
    path = plate(tmp_path / "a.las", wkt=wkt)
    source = described_points("las", position_units=None, height_units=None)
    with pytest.raises(UnevenGrid, match="a pitch of 2000 mm along x"):
        open_scan(path, source)  # metres, as the file says: no lite
    with pytest.raises(SourceConflict, match="position_units 'mm' in the source description, but"):
        open_scan(path, SOURCE)
    plain = plate(tmp_path / "b.las", user_data=(x % 7).astype(np.uint8))
    with pytest.raises(MissingMetadata, match="no height units in the file"):
        open_scan(plain, source.model_copy(update={"source": source.source.model_copy(
            update={"position_units": "mm"})}))  # fmt: skip
    degrees = plate(tmp_path / "c.las", wkt='GEOGCS["g",UNIT["degree",0.0174532925199433]]')
    with pytest.raises(UnsupportedScan, match="positions along x in 'degree'; one of m, mm"):
        open_scan(degrees, SOURCE)


@pytest.mark.parametrize(("suffix", "form"), [("las", 6), ("laz", 6), ("laz", 7), ("las", 1)])
def test_withheld_points_are_not_measured(suffix: str, form: int, tmp_path: Path) -> None:
    withheld = np.zeros(1200, dtype=np.uint8)
    withheld[[5, 700]] = 1
    version = "1.4" if form > 5 else "1.2"
    path = plate(tmp_path / f"a.{suffix}", version=version, form=form, withheld=withheld)
    height = open_scan(path, SOURCE).height.values.ravel()
    assert np.flatnonzero(np.isnan(height)).tolist() == [5, 700]


def test_heights_in_an_extra_dimension(tmp_path: Path) -> None:
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.add_extra_dim(laspy.ExtraBytesParams(name="range", type=np.float32))
    header.scales = np.array([1e-3, 1e-3, 1e-3])
    file = laspy.LasData(header)
    x, y = np.meshgrid(np.arange(40) * 2.0, np.arange(30) * 3.0, indexing="ij")
    file.x, file.y, file.z = x.ravel(), y.ravel(), np.zeros(x.size)
    file["range"] = (0.01 * x).ravel()
    file.write(str(tmp_path / "a.laz"))
    source = described_points("las", columns={"x": "x", "y": "y", "height": "range"})
    np.testing.assert_allclose(open_scan(tmp_path / "a.laz", source).height, 0.01 * x, atol=1e-6)


@pytest.mark.parametrize(
    ("at", "form", "value", "words"),
    [
        (107, "<I", 4_000_000_000, "points of 20 bytes are declared but 24000 bytes are there"),
        (96, "<I", 4_000_000_000, "points from byte 4000000000 of"),
        (100, "<I", 4_000_000_000, "4000000000 records declared before the points"),
        (94, "<H", 20, "points from byte"),
    ],
)
def test_a_header_that_lies_is_refused(
    at: int, form: str, value: int, words: str, tmp_path: Path
) -> None:
    path = plate(tmp_path / "a.las", version="1.2", form=0)
    content = bytearray(path.read_bytes())
    struct.pack_into(form, content, at, value)
    path.write_bytes(bytes(content))
    with pytest.raises(CorruptScan) as refusal:
        open_scan(path, SOURCE)
    assert words in str(refusal.value)


def test_packed_sizes_that_lie_are_refused_before_memory_is_taken(tmp_path: Path) -> None:
    path = plate(tmp_path / "a.laz")
    whole = path.read_bytes()
    start = struct.unpack_from("<I", whole, 96)[0]
    table = struct.unpack_from("<q", whole, start)[0]
    for at, value, words in (
        (start + 8 + 30 + 4, 4_000_000_000, "layers of 4[0-9]+ bytes in a chunk of "),
        (table + 4, 4_000_000_000, "4000000000 chunks declared for 1200 points"),
    ):
        content = bytearray(whole)
        struct.pack_into("<I", content, at, value)
        path.write_bytes(bytes(content))
        with pytest.raises(CorruptScan, match=words):
            open_scan(path, SOURCE)
    content = bytearray(whole)
    struct.pack_into("<q", content, start, len(whole) * 2)
    path.write_bytes(bytes(content))
    with pytest.raises(CorruptScan, match="a table of its chunks at byte"):
        open_scan(path, SOURCE)


def test_far_from_the_origin(tmp_path: Path) -> None:
    """Positions in a national grid, in metres: millions of millimetres, pitch and heights kept."""
    header = laspy.LasHeader(version="1.2", point_format=0)
    header.scales, header.offsets = np.full(3, 1e-5), np.array([1.42e6, 4.19e6, 67.0])
    file = laspy.LasData(header)
    x, y = np.meshgrid(np.arange(40) * 0.002, np.arange(30) * 0.003, indexing="ij")
    z = 0.0001 * np.sin(x * 20)
    file.x, file.y, file.z = x.ravel() + 1.42e6, y.ravel() + 4.19e6, z.ravel() + 67.5
    file.write(str(tmp_path / "a.las"))
    scan = open_scan(
        tmp_path / "a.las", described_points("las", position_units="m", height_units="m")
    )
    assert float(scan.x[1] - scan.x[0]) == pytest.approx(2.0, rel=1e-6)
    assert scan.sizes == {"x": 40, "y": 30}
    height = scan.height.values.astype(np.float64) + scan.attrs["height_datum_mm"] - 67_500.0
    np.testing.assert_allclose(height, z * 1000, atol=0.0051)  # the scale is 10 um
