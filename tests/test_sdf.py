"""SDF files by other hands: text, binary and the forerunner; what was not measured; an oracle."""

from __future__ import annotations

import struct
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import sdfio

from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import CorruptScan, MissingMetadata, SourceConflict
from midchord_io.source import SourceDescription

SHAPE = (9, 31)
ALONG_ROWS = SourceDescription.model_validate({"source": {"axes": ("y", "x")}})


def heights_m() -> npt.NDArray[np.float64]:
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    height = 2e-6 * x - 1e-6 * y + 4e-5 * np.exp(-((x - 25) ** 2 + (y - 1) ** 2) / 6.0)
    height[7, 3] = np.nan
    return height


def write(path: Path, **options: Any) -> None:
    sdfio.write(path, heights_m(), **{"x_scale": 0.002, "y_scale": 0.003, **options})


@pytest.mark.parametrize("form", list(sdfio.FileFormat))
@pytest.mark.parametrize("revision", list(sdfio.Revision))
@pytest.mark.parametrize("kind", ["INT32", "BINARY64"])
def test_metres_become_mm_in_every_form(
    form: sdfio.FileFormat, revision: sdfio.Revision, kind: str, tmp_path: Path
) -> None:
    about = sdfio.Metadata(revision=revision, data_type=sdfio.DataType[kind])
    write(tmp_path / "a.sdf", format=form, metadata=about)
    scan = open_scan(tmp_path / "a.sdf", ALONG_ROWS)
    np.testing.assert_allclose(scan.height.values, 1000 * heights_m().T, atol=2e-9)
    np.testing.assert_allclose(scan.x.values, 2.0 * np.arange(SHAPE[1]), rtol=1e-12)
    np.testing.assert_allclose(scan.y.values, 3.0 * np.arange(SHAPE[0]), rtol=1e-12)
    assert np.argwhere(np.isnan(scan.height.values)).tolist() == [[3, 7]]


@pytest.mark.parametrize("form", list(sdfio.FileFormat))
def test_another_library_reads_the_same_heights(form: sdfio.FileFormat, tmp_path: Path) -> None:
    """Oracle: SurfaceTopography. It knows no missing points in this format, so there are none."""
    with warnings.catch_warnings():  # it warns about libraries that it does without
        warnings.simplefilter("ignore")
        from SurfaceTopography import open_topography
    whole = np.nan_to_num(heights_m())
    about = sdfio.Metadata(revision=sdfio.Revision.ISO_1_0)
    sdfio.write(
        tmp_path / "a.sdf", whole, x_scale=0.002, y_scale=0.003, format=form, metadata=about
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        oracle = open_topography(str(tmp_path / "a.sdf"), format="sdf").topography().to_unit("mm")
    scan = open_scan(tmp_path / "a.sdf", ALONG_ROWS)
    ours, theirs = scan.height.values, np.ma.filled(oracle.heights(), np.nan)
    assert theirs.shape == ours.shape
    np.testing.assert_allclose(oracle.pixel_size, (2.0, 3.0), rtol=1e-9)
    np.testing.assert_allclose(ours, theirs, rtol=1e-6, atol=1e-9)


def test_the_example_of_the_standard_by_its_numbers(tmp_path: Path) -> None:
    """The layout of the example in ISO 25178-71 (heights in the unit of Zscale), pitches of mm."""
    text = (
        "aISO-1.0\r\nManufacID = ISOTC213\r\nCreateDate = 040120100853\r\n"
        "ModDate = 050320101353\r\nNumPoints = 7\r\nNumProfiles = 2\r\nXscale = 1.0E-3\r\n"
        "Yscale = 1.0E-3\r\nZscale = 1.0E-6\r\nZresolution = 1.0E-9\r\nCompression = 0\r\n"
        "DataType = 7\r\nCheckType = 0\r\n*\r\n"
        "1.00000 0.99874 0.99495 0.98865 0.97986 0.96858 1.00000\r\n"
        "0.99874 BAD 0.99369 0.98740 0.97862 0.96736 0.99874\r\n*\r\n*\r\n"
    )
    (tmp_path / "a.sdf").write_bytes(text.encode("ascii"))
    height = open_scan(tmp_path / "a.sdf", ALONG_ROWS).height.values
    assert height.shape == (7, 2)
    assert height[0, 0] == pytest.approx(1e-3)
    assert height[5, 1] == pytest.approx(0.96736e-3)
    assert np.argwhere(np.isnan(height)).tolist() == [[1, 1]]


def test_what_the_file_states_may_not_be_contradicted(tmp_path: Path) -> None:
    write(tmp_path / "a.sdf")
    for said, words in (
        ({"height_units": "um"}, "height_units 'um' in the source description, but 'm'"),
        ({"height_sign": "down"}, "height_sign 'down' in the source description"),
        ({"pitch": {"y": 0.002}}, "a pitch of 2 mm along y in the source description, but 3 mm"),
        ({"height_scale": 2.0}, "height_scale, which this format has no use for"),
    ):
        source = SourceDescription.model_validate({"source": {"axes": ("y", "x"), **said}})
        with pytest.raises(SourceConflict, match=words):
            open_scan(tmp_path / "a.sdf", source)
    with pytest.raises(MissingMetadata, match="which of its axes runs along the travel"):
        open_scan(tmp_path / "a.sdf")


@pytest.mark.parametrize("count", [0xFFFF, 0])
def test_counts_that_the_file_cannot_hold(count: int, tmp_path: Path) -> None:
    about = sdfio.Metadata(revision=sdfio.Revision.ISO_1_0)
    write(tmp_path / "a.sdf", metadata=about)
    content = bytearray((tmp_path / "a.sdf").read_bytes())
    content[42:46] = struct.pack("<HH", count, 0xFFFF)
    (tmp_path / "a.sdf").write_bytes(content)
    with pytest.raises(Exception, match=r"whole SDF file|at least two lines") as refusal:
        open_scan(tmp_path / "a.sdf", ALONG_ROWS)
    assert type(refusal.value).__module__ == "midchord_io.errors"


@pytest.mark.parametrize("scale", [0.0, -1e-9, float("nan"), float("inf")])
def test_a_scale_of_nothing_is_refused(scale: float, tmp_path: Path) -> None:
    write(tmp_path / "a.sdf", metadata=sdfio.Metadata(revision=sdfio.Revision.ISO_1_0))
    content = bytearray((tmp_path / "a.sdf").read_bytes())
    at = 46 + 16  # after both counts and the scales of x and y
    content[at : at + 8] = struct.pack("<d", scale)
    (tmp_path / "a.sdf").write_bytes(content)
    with pytest.raises(CorruptScan, match="Zscale ="):
        open_scan(tmp_path / "a.sdf", ALONG_ROWS)


def test_what_is_said_of_it(tmp_path: Path) -> None:
    write(tmp_path / "a.sdf", trailer="Lite = 7\r\n")
    name, facts = describe_scan(tmp_path / "a.sdf")
    assert name == "sdf"
    assert facts.values["Lite"] == "7"
    assert facts.arrays[0].shape == SHAPE
    assert facts.arrays[0].stated == {"units": "m", "positive": "up"}
    source = SourceDescription.model_validate(
        {"source": {"axes": ("y", "x")}, "lite": {"id_from": "attr:Lite"}}
    )
    assert open_scan(tmp_path / "a.sdf", source).attrs["lite_id"] == "7"
