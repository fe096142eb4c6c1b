"""Every adapter on files that nobody wrote: anything behind its signature, any number in its
header. What it cannot read it refuses in a sentence."""

from __future__ import annotations

import contextlib
import re
import struct
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz_samples import Sample, write_samples
from midchord_io.adapters import ADAPTERS, describe_scan, open_scan
from midchord_io.errors import MidchordError

SIGNATURES: list[tuple[str, bytes]] = [
    ("native", b"\x89HDF\r\n\x1a\n"),
    ("hdf5", b"\x89HDF\r\n\x1a\n\x00\x00\x00\x00\x00\x08\x08\x00"),
    ("netcdf3", b"CDF\x01"),
    ("netcdf3", b"CDF\x02\x00\x00\x00\x00\x00\x00\x00\x0a\x00\x00\x00\x01"),
    ("npy", b"\x93NUMPY\x01\x00v\x00{'descr': '<f4', 'fortran_order': False, 'shape': ("),
    ("npy", b"PK\x03\x04"),
    ("x3p", b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(16) + b"\x08\x00\x00\x00main.xml"),
    ("zarr", b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(16) + b"\x09\x00\x00\x00zarr.json"),
    ("sdf", b"aISO-1.0\nManufacID = a\nNumPoints = "),
    ("sdf", b"bBCR-1.0" + bytes(34)),
    ("tiff", b"II*\x00\x08\x00\x00\x00"),
    ("tiff", b"MM\x00+\x00\x08\x00\x00\x00\x00\x00\x00\x00\x10"),
    ("ply", b"ply\nformat ascii 1.0\nelement vertex "),
    ("ply", b"ply\nformat binary_big_endian 1.0\nelement vertex 3\nproperty float x\nend_header\n"),
    ("las", b"LASF" + bytes(20) + b"\x01\x04"),
    ("e57", b"ASTM-E57\x01\x00\x00\x00\x00\x00\x00\x00"),
    ("pcd", b"# .PCD v0.7\nVERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\nWIDTH "),
    ("pcd", b"FIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nWIDTH 9\nHEIGHT 1\nPOINTS 9\nDATA binary\n"),
    ("parquet", b"PAR1"),
    ("text", b"1;2;3\n"),
    ("xyz", b"x,y,z\n1,2,3\n"),
]
SMALL = settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
HEADER = 1024
NUMBERS = st.one_of(
    st.integers(-(2**64), 2**64),
    st.sampled_from([0, 1, -1, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1, 2**64 - 1]),
)


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Sample]:
    written = write_samples(tmp_path_factory.mktemp("whole"))
    return {sample.path.name: sample for sample in written}


def opened_or_refused(path: Path, sample: Sample) -> str:
    """The adapter that opened it, or the words of the refusal."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with contextlib.suppress(MidchordError):
            describe_scan(path)
        try:
            scan = open_scan(path, sample.source)
        except MidchordError as error:
            return str(error)
    assert scan.height.dims == ("x", "y")
    return str(scan.attrs["adapter"])


def of_adapter(samples: dict[str, Sample], name: str) -> Sample:
    return next(sample for sample in samples.values() if sample.adapter == name)


def test_every_adapter_has_a_signature_here() -> None:
    assert {name for name, _ in SIGNATURES} == {adapter.name for adapter in ADAPTERS}


@pytest.mark.parametrize(("name", "signature"), SIGNATURES, ids=lambda v: str(v)[:14])
@SMALL
@given(rest=st.one_of(st.binary(max_size=400), st.text("0123456789 \n.-(),x}", max_size=60)))
def test_anything_behind_a_signature(
    name: str,
    signature: bytes,
    rest: bytes | str,
    samples: dict[str, Sample],
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.dat"
    path.write_bytes(signature + (rest.encode() if isinstance(rest, str) else rest))
    said = opened_or_refused(path, of_adapter(samples, name))
    assert said in {adapter.name for adapter in ADAPTERS} or str(path) in said


FILES = [
    "native.nc", "own.nc", "foreign.h5", "chunks.h5", "classic.nc", "array.npy", "arrays.npz",
    "matrix.csv", "surface.x3p", "text.sdf", "binary.sdf", "float.tif", "tiles.tif", "big.tif",
    "store.zarr", "store.zarr.zip", "points.csv", "text.ply", "little.ply", "text.pcd",
    "binary.pcd", "packed.pcd", "plain.las", "layered.laz", "scan.e57", "table.parquet",
]  # fmt: skip


@pytest.mark.parametrize("name", FILES)
@SMALL
@given(data=st.data())
def test_any_number_in_a_header(
    name: str, data: st.DataObject, samples: dict[str, Sample]
) -> None:
    sample = samples[name]
    part = data.draw(st.sampled_from(sample.parts))
    whole = part.read_bytes()
    content = bytearray(whole)
    number = data.draw(NUMBERS)
    found = list(re.finditer(rb"(?<![\w.])\d+(?:\.\d+)?(?!\w)", whole[:HEADER]))
    if found and data.draw(st.booleans()):
        at = data.draw(st.sampled_from(found))
        content[at.start() : at.end()] = str(number).encode()
    else:
        form = data.draw(st.sampled_from(["<H", ">H", "<I", ">I", "<Q", ">Q"]))
        size = struct.calcsize(form)
        place = data.draw(st.integers(0, min(HEADER, len(whole) - size)))
        content[place : place + size] = struct.pack(form, number % 2 ** (8 * size))
    part.write_bytes(bytes(content))
    try:
        said = opened_or_refused(sample.path, sample)
    finally:
        part.write_bytes(whole)
    assert said in {adapter.name for adapter in ADAPTERS} or str(sample.path) in said
