"""X3P files by other hands: types, masks, checksums, traps; and another library as the oracle."""

from __future__ import annotations

import hashlib
import re
import warnings
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import x3pio

from midchord_io.acquisition import findings_of
from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import (
    CorruptScan,
    MissingMetadata,
    ScanError,
    SourceConflict,
    UnsupportedScan,
)
from midchord_io.source import SourceDescription

ROWS, COLUMNS = 12, 40
ALONG_ROWS = SourceDescription.model_validate({"source": {"axes": ("y", "x")}})
"""The columns run along the travel: the file's x is the frame's x."""


def heights_m() -> npt.NDArray[np.float64]:
    """(rows, columns), m, one point not measured."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    height = 1e-6 * (x + 2.0 * y) + 3e-5 * np.exp(-((x - 30) ** 2 + (y - 2) ** 2) / 8.0)
    height[9, 5] = np.nan
    return height


def write(path: Path, **options: Any) -> None:
    given: dict[str, Any] = {"x_scale": 0.002, "y_scale": 0.003}
    x3pio.write(path, heights_m(), **{**given, **options})


def described(**source: Any) -> SourceDescription:
    return SourceDescription.model_validate({"source": {"axes": ("y", "x"), **source}})


def rewritten(path: Path, changes: Mapping[str, tuple[str, str]], *, mend: bool = True) -> None:
    """Replaces a text in members of the archive, with new checksums or with the old ones."""
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    for name, (old, new) in changes.items():
        assert old.encode() in members[name]
        members[name] = members[name].replace(old.encode(), new.encode())
    if mend:
        digest = hashlib.md5(members["main.xml"]).hexdigest()
        members["md5checksum.hex"] = f"{digest} *main.xml\n".encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)


def test_metres_become_mm_and_the_pitch_is_the_files_own(tmp_path: Path) -> None:
    write(tmp_path / "a.x3p")
    scan = open_scan(tmp_path / "a.x3p", ALONG_ROWS)
    np.testing.assert_allclose(scan.height.values, 1000 * heights_m().T, atol=1e-9)
    np.testing.assert_allclose(scan.x.values, 2.0 * np.arange(COLUMNS), rtol=1e-12)
    np.testing.assert_allclose(scan.y.values, 3.0 * np.arange(ROWS), rtol=1e-12)
    assert findings_of(scan) == ()


@pytest.mark.parametrize("kind", list(x3pio.DataType))
@pytest.mark.parametrize("storage", list(x3pio.DataStorage))
def test_every_type_and_storage_keeps_the_point_that_is_missing(
    kind: x3pio.DataType, storage: x3pio.DataStorage, tmp_path: Path
) -> None:
    surface = x3pio.Surface.from_array(heights_m(), x_scale=0.002, y_scale=0.003, z_type=kind)
    (tmp_path / "a.x3p").write_bytes(surface.dumps(storage=storage))
    height = open_scan(tmp_path / "a.x3p", ALONG_ROWS).height.values
    step_mm = 1000 * surface.header.z.increment if kind in ("I", "L") else 1e-8
    np.testing.assert_allclose(height, 1000 * heights_m().T, atol=step_mm)
    assert np.argwhere(np.isnan(height)).tolist() == [[5, 9]]


def test_another_library_reads_the_same_heights(tmp_path: Path) -> None:
    """Oracle: SurfaceTopography, whose first axis is the file's x."""
    with warnings.catch_warnings():  # it warns about libraries that it does without
        warnings.simplefilter("ignore")
        from SurfaceTopography import open_topography
    write(tmp_path / "a.x3p", revision=x3pio.Revision.ISO5436_2000)
    oracle = open_topography(str(tmp_path / "a.x3p"), format="x3p").topography()
    scan = open_scan(tmp_path / "a.x3p", ALONG_ROWS)
    in_mm = oracle.to_unit("mm")
    np.testing.assert_allclose(
        scan.height.values, np.ma.filled(in_mm.heights(), np.nan), rtol=1e-6, atol=1e-9
    )
    np.testing.assert_allclose(in_mm.pixel_size, (2.0, 3.0), rtol=1e-12)


def test_offsets_of_the_axes_are_kept(tmp_path: Path) -> None:
    write(tmp_path / "a.x3p")
    text = zipfile.ZipFile(tmp_path / "a.x3p").read("main.xml").decode()
    offsets = re.findall(r"<Offset>[^<]*</Offset>", text)
    assert len(offsets) == 3
    moved = text
    for old, new in zip(("CX>", "CY>", "CZ>"), ("0.5", "-0.25", "0.001"), strict=True):
        start = moved.index("<" + old)
        at = moved.index("<Offset>", start)
        end = moved.index("</Offset>", at)
        moved = moved[:at] + f"<Offset>{new}" + moved[end:]
    rewritten(tmp_path / "a.x3p", {"main.xml": (text, moved)})
    scan = open_scan(tmp_path / "a.x3p", ALONG_ROWS)
    assert (scan.x.values[0], scan.y.values[0]) == (500.0, -250.0)
    assert scan.height.values[0, 0] == pytest.approx(1.0 + 1000 * heights_m()[0, 0], abs=1e-6)


def test_what_the_file_states_may_not_be_contradicted(tmp_path: Path) -> None:
    write(tmp_path / "a.x3p")
    for said, words in (
        ({"height_units": "mm"}, "height_units 'mm' in the source description, but 'm'"),
        ({"height_sign": "down"}, "height_sign 'down' in the source description, but positive"),
        ({"position_units": "mm"}, "position_units 'mm' in the source description, but 'm'"),
        ({"pitch": {"x": 0.004}}, "a pitch of 4 mm along x in the source description, but 2 mm"),
        ({"height_scale": 2.0}, "height_scale, which this format has no use for"),
        ({"invalid": [0.0]}, "invalid, which this format has no use for"),
    ):
        with pytest.raises(SourceConflict, match=words):
            open_scan(tmp_path / "a.x3p", described(**said))
    agreed = described(height_units="m", height_sign="up", pitch={"x": 0.002})
    assert open_scan(tmp_path / "a.x3p", agreed).sizes == {"x": COLUMNS, "y": ROWS}


def test_a_description_that_mirrors_the_file_says_so(tmp_path: Path) -> None:
    """By the standard the axes are right-handed: x along the columns, y along the rows, z up."""
    write(tmp_path / "a.x3p")
    for axes, handed, mirrors in (
        (("y", "x"), "right", False),
        (("-y", "x"), "right", True),
        (("-y", "-x"), "right", False),
        (("x", "-y"), "right", False),
        (("x", "y"), "right", True),
        (("y", "x"), "left", True),
        (("x", "y"), "left", False),
    ):
        found = findings_of(open_scan(tmp_path / "a.x3p", described(axes=axes, handed=handed)))
        assert bool(found) is mirrors, (axes, handed)
        if mirrors:
            assert found[0].what == "mirrored"
            assert found[0].is_doubt is (handed == "right")
            assert "right-handed by its standard" in found[0].sentence


@pytest.mark.parametrize("member", ["main.xml", "bindata/data.bin"])
def test_a_checksum_that_does_not_fit_is_refused(member: str, tmp_path: Path) -> None:
    """The zip's own checksum is right: somebody changed the heights or the increments."""
    path = tmp_path / "a.x3p"
    write(path)
    if member == "main.xml":
        increment = re.search(r"<Increment>0.002</Increment>", _text(path))
        assert increment is not None
        rewritten(path, {member: (increment[0], "<Increment>0.004</Increment>")}, mend=False)
    else:
        data = zipfile.ZipFile(path).read(member)
        with zipfile.ZipFile(path) as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
        members[member] = data[8:] + data[:8]
        with zipfile.ZipFile(path, "w") as archive:
            for name, content in members.items():
                archive.writestr(name, content)
    with pytest.raises(CorruptScan, match="it was changed after it was written"):
        open_scan(path, ALONG_ROWS)


def _text(path: Path) -> str:
    with zipfile.ZipFile(path) as archive:
        return archive.read("main.xml").decode()


def test_a_folder_within_and_what_an_archiver_leaves_behind(tmp_path: Path) -> None:
    write(tmp_path / "a.x3p")
    with zipfile.ZipFile(tmp_path / "a.x3p") as archive:
        members = {f"lite/{name}": archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(tmp_path / "b.x3p", "w") as archive:
        archive.writestr("lite/", "")
        archive.writestr("__MACOSX/._lite", b"junk")
        for name, content in members.items():
            archive.writestr(name, content)
    scan = open_scan(tmp_path / "b.x3p", ALONG_ROWS)
    np.testing.assert_allclose(scan.height.values, 1000 * heights_m().T, atol=1e-9)


def test_what_is_no_matrix_of_heights(tmp_path: Path) -> None:
    path = tmp_path / "a.x3p"
    for make, words in (
        (lambda: x3pio.write(path, heights_m()[0], x_scale=0.002), "a single profile"),
        (
            lambda: x3pio.write(path, np.stack([heights_m()] * 2), x_scale=0.002, y_scale=0.003),
            "2 layers",
        ),
        (lambda: x3pio.write_points(path, np.random.default_rng(1).random((9, 3))), "a list of"),
    ):
        make()
        with pytest.raises(UnsupportedScan, match=words):
            open_scan(path, ALONG_ROWS)
    turned = x3pio.Placement.from_axis_angle([0, 0, 1], 0.1)
    write(path, placement=turned, coordinate_system=x3pio.CoordinateSystem.VIEW)
    with pytest.raises(UnsupportedScan, match="turned in space"):
        open_scan(path, ALONG_ROWS)


def test_traps_are_refused_before_anything_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "a.x3p"
    write(path)
    text = _text(path)
    bomb = text.replace("<?xml", "<?xml", 1)
    start = bomb.index("?>") + 2
    entities = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10}">' for k in range(1, 9))
    laughs = f'{bomb[:start]}<!DOCTYPE a [<!ENTITY e0 "ha">{entities}]>{bomb[start:]}'
    rewritten(path, {"main.xml": (text, laughs)})
    with pytest.raises(CorruptScan, match="is not valid XML"):
        open_scan(path, ALONG_ROWS)

    write(path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("../outside.bin", b"x")
    with pytest.raises(UnsupportedScan, match="leads out of the archive"):
        open_scan(path, ALONG_ROWS)

    write(path)
    link = re.search(r"<PointDataLink>[^<]*</PointDataLink>", _text(path))
    assert link is not None
    outside = "<PointDataLink>../../etc/passwd</PointDataLink>"
    rewritten(path, {"main.xml": (link[0], outside)})
    with pytest.raises(CorruptScan, match="not by ISO 25178-72"):
        open_scan(path, ALONG_ROWS)

    write(path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bindata/more.bin", bytes(2**26))
    with pytest.raises(UnsupportedScan, match="whose noise does not pack so well"):
        open_scan(path, ALONG_ROWS)


def test_sizes_are_held_against_the_archive(tmp_path: Path) -> None:
    path = tmp_path / "a.x3p"
    write(path)
    size = f"<SizeX>{COLUMNS}</SizeX>"
    rewritten(path, {"main.xml": (size, "<SizeX>41</SizeX>")})
    with pytest.raises(CorruptScan, match="the dimensions and axes need"):
        open_scan(path, ALONG_ROWS)
    write(path)
    rewritten(path, {"main.xml": (size, "<SizeX>900000000</SizeX>")})
    with pytest.raises(UnsupportedScan, match="10800000000 samples declared"):
        open_scan(path, ALONG_ROWS)


def test_it_asks_for_the_axes_alone(tmp_path: Path) -> None:
    write(tmp_path / "a.x3p")
    with pytest.raises(MissingMetadata) as refusal:
        open_scan(tmp_path / "a.x3p")
    assert "which of its axes runs along the travel" in str(refusal.value)


def test_the_record_of_the_instrument_can_be_named(tmp_path: Path) -> None:
    import datetime as dt

    when = dt.datetime(2026, 3, 1, 8, 30, tzinfo=dt.UTC)
    about = x3pio.Metadata(
        date=when,
        creator="bench",
        instrument=x3pio.Instrument("by hand", "one", "7", "1"),
        probing_system=x3pio.ProbingSystem(x3pio.ProbingType.NON_CONTACTING, ""),
        comment="L 7",
    )
    write(tmp_path / "a.x3p", metadata=about)
    source = SourceDescription.model_validate(
        {
            "source": {"axes": ("y", "x")},
            "lite": {"id_from": "attr:Comment", "scanned_at_from": "attr:Date"},
        }
    )
    scan = open_scan(tmp_path / "a.x3p", source)
    assert scan.attrs["lite_id"] == "L 7"
    assert scan.attrs["scanned_at"] == "2026-03-01T08:30:00Z"
    name, facts = describe_scan(tmp_path / "a.x3p")
    assert name == "x3p"
    assert facts.values["Comment"] == "L 7"
    assert facts.arrays[0].shape == (ROWS, COLUMNS)
    assert facts.arrays[0].missing == 1
    assert facts.arrays[0].along[1] is not None
    assert facts.arrays[0].along[1].pitch == pytest.approx(0.002)


def test_a_zip_of_something_else_is_no_x3p(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.x3p", "w") as archive:
        archive.writestr("letter.txt", "Dear reader")
    with pytest.raises(ScanError, match=r"not x3p \(a zip with main.xml\)"):
        open_scan(tmp_path / "a.x3p", ALONG_ROWS)
