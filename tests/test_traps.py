"""Files made to do harm: bombs, entities, paths out of the archive, programs in place of numbers.

Each is refused before it does anything. Traps of one format alone stand in the tests of its
adapter: pickles in test_npy, codecs that unpickle in test_zarr, links and entities in test_x3p,
deflate bombs in test_tiff and test_hdf5_types, counts of texts in test_hdf5_sequences.
"""

from __future__ import annotations

import io
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest

from fuzz_samples import Sample, write_samples
from midchord_io.adapters import describe_scan, las, netcdf3, open_scan
from midchord_io.adapters.e57 import crc32c
from midchord_io.errors import CorruptScan, ScanError, UnsupportedScan
from midchord_io.gridding import kernels

ARCHIVES = ["arrays.npz", "surface.x3p", "store.zarr.zip"]
HEIGHTS = {
    "arrays.npz": "z.npy",
    "surface.x3p": "bindata/data.bin",
    "store.zarr.zip": "c/0/0",
}


@pytest.fixture
def samples(tmp_path: Path) -> dict[str, Sample]:
    return {sample.path.name: sample for sample in write_samples(tmp_path)}


def members(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(path: Path, inside: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> None:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in inside.items():
            archive.writestr(name, content)


def refusal(sample: Sample) -> str:
    said = []
    for what in (lambda: open_scan(sample.path, sample.source), lambda: describe_scan(sample.path)):
        with pytest.raises(ScanError) as refused:
            what()
        said.append(str(refused.value))
    assert said[0] == said[1]
    return said[0]


@pytest.mark.parametrize("name", ARCHIVES)
def test_a_bomb_in_an_archive(name: str, samples: dict[str, Sample]) -> None:
    inside = members(samples[name].path)
    inside[HEIGHTS[name]] = inside[HEIGHTS[name]][:128] + bytes(2**26)
    packed(samples[name].path, inside)
    assert samples[name].path.stat().st_size < 200_000
    assert "a measured surface, whose noise does not pack so well" in refusal(samples[name])


@pytest.mark.parametrize("name", ARCHIVES)
def test_many_bombs_that_are_small_each(name: str, samples: dict[str, Sample]) -> None:
    """Of an archive that is read as a whole, the members count together."""
    inside = members(samples[name].path)
    inside |= {f"{k}.bin": bytes(2**22) for k in range(8)}
    packed(samples[name].path, inside)
    if name == "arrays.npz":  # only the array that is asked for is unpacked
        assert open_scan(samples[name].path, samples[name].source).sizes == {"x": 30, "y": 17}
    else:
        assert "whose noise does not pack so well" in refusal(samples[name])


@pytest.mark.parametrize("name", ARCHIVES)
@pytest.mark.parametrize(
    "outside", ["../../outside", "/outside", "C:/outside", "a/../../outside", "..\\outside"]
)
def test_a_path_that_leads_out_of_an_archive(
    name: str, outside: str, samples: dict[str, Sample]
) -> None:
    inside = members(samples[name].path)
    packed(samples[name].path, {**inside, outside: b"x"})
    assert "which leads out of the archive; names within the archive" in refusal(samples[name])
    assert not list(samples[name].path.parents[1].glob("outside*"))


@pytest.mark.parametrize("name", ARCHIVES)
@pytest.mark.parametrize("method", [zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2])
def test_a_packing_that_takes_memory_of_its_own(
    name: str, method: int, samples: dict[str, Sample]
) -> None:
    packed(samples[name].path, members(samples[name].path), method)
    said = refusal(samples[name])
    assert "packed by another method than deflate; an archive whose members are stored" in said


@pytest.mark.parametrize("name", ARCHIVES)
def test_a_list_of_members_that_claims_more_than_there_is(
    name: str, samples: dict[str, Sample]
) -> None:
    path = samples[name].path
    packed(path, members(path), zipfile.ZIP_STORED)
    content = bytearray(path.read_bytes())
    at = content.rindex(b"PK\x01\x02") + 20
    content[at : at + 4] = struct.pack("<I", 4_000_000_000)
    path.write_bytes(bytes(content))
    assert "of 4000000000 packed bytes in" in refusal(samples[name])


XXE = '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/hostname">]>'
LAUGHS = '<!DOCTYPE a [<!ENTITY b "ha"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>'


@pytest.mark.parametrize("doctype", [XXE, LAUGHS])
def test_entities_in_x3p(doctype: str, samples: dict[str, Sample]) -> None:
    inside = members(samples["surface.x3p"].path)
    text = inside["main.xml"].decode().replace("?>", f"?>{doctype}", 1)
    text = text.replace("<FeatureType>SUR", "<FeatureType>&b;SUR")
    packed(samples["surface.x3p"].path, {**inside, "main.xml": text.encode()})
    assert "is not valid XML" in refusal(samples["surface.x3p"])


@pytest.mark.parametrize("doctype", [XXE, LAUGHS])
def test_entities_in_e57(doctype: str, samples: dict[str, Sample]) -> None:
    """Put in place of a part of the description of the same length, with right checksums."""
    sample = samples["scan.e57"]
    pages = [sample.path.read_bytes()[at : at + 1020] for at in range(0, 10**6, 1024)]
    logical = b"".join(pages)
    start = logical.index(b"<?xml")
    head = logical.index(b"?>", start) + 2
    end = logical.index(b"</e57Root>")
    rest = logical[head:end]
    logical = logical[:head] + (doctype.encode() + rest)[: len(rest)] + logical[end:]
    whole = b""
    for at in range(0, len(logical), 1020):
        page = logical[at : at + 1020]
        seal = crc32c(np.frombuffer(page, dtype=np.uint8))
        whole += page + struct.pack(">I", seal)
    sample.path.write_bytes(whole)
    assert "DTDForbidden" in refusal(sample)


def test_chunks_of_laz_points_that_no_file_of_this_size_has(samples: dict[str, Sample]) -> None:
    """The reader makes room for a whole chunk, and divides by its points."""
    sample = samples["packed.laz"]
    whole = sample.path.read_bytes()
    at = whole.index(struct.pack("<I", 50_000))
    for points, words in ((2**24, "chunks of 16777216 points in"), (0, "chunks of no points")):
        sample.path.write_bytes(whole[:at] + struct.pack("<I", points) + whole[at + 4 :])
        with pytest.raises(CorruptScan, match=words):
            las.points(sample.path)


def test_a_netcdf_header_makes_no_room_for_what_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "a.nc").write_bytes(b"0123456789")
    with netcdf3._Bounded(tmp_path / "a.nc") as file:
        assert file.read(2) == b"01"
        assert file.read(2**62) == b"23456789"  # no file of this length can be in any memory
        assert file.read() == b""


@pytest.mark.parametrize("far", [1e300, -1e300, 1e19, -1e19])
def test_points_beyond_every_cell_are_in_none(far: float) -> None:
    """Neither a place nor a pitch that no integer holds becomes the number of some cell."""
    points = np.array([[0.0, 0.0, 1.0], [far, 0.0, 1.0], [0.0, far, 1.0], [1.0, 1.0, 1.0]])
    count = np.zeros((2, 2), dtype=np.uint8)
    kernels.count_points(points, 0, np.array([0.0, 0.0, 1.0, 1.0]), count)
    assert count.tolist() == [[1, 0], [0, 1]]
    tiny = np.zeros((2, 2), dtype=np.uint8)
    kernels.count_points(points, 0, np.array([0.0, 0.0, 5e-324, 1.0]), tiny)
    assert int(tiny.sum()) <= 1  # what lies at the very zero


def test_an_archive_under_a_password(samples: dict[str, Sample]) -> None:
    path = samples["arrays.npz"].path
    content = bytearray(path.read_bytes())
    content[content.rindex(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(bytes(content))
    with pytest.raises(UnsupportedScan, match="under a password"):
        open_scan(path, samples["arrays.npz"].source)
    assert zipfile.is_zipfile(io.BytesIO(bytes(content)))


def test_an_npy_header_that_claims_gigabytes(samples: dict[str, Sample]) -> None:
    """From version 2 on, the length of the header is a number of four bytes."""
    sample = samples["array.npy"]
    content = b"\x93NUMPY\x02\x00" + struct.pack("<I", 2**32 - 2) + sample.path.read_bytes()[10:]
    sample.path.write_bytes(content)
    assert "it is damaged or cut short (EOF: reading array header" in refusal(sample)
