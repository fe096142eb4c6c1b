"""Panics of compiled readers are not printed, and nothing else is swallowed."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest

from midchord_io.adapters import open_scan
from midchord_io.adapters.e57 import crc32c
from midchord_io.errors import CorruptScan
from midchord_io.ingest.panics import without_panics
from point_files import described_points, write_e57

PLAIN = (
    b"\nthread '<unnamed>' (7) panicked at src/lib.rs:66:23:\n"
    b"Unable to read next point\n"
    b"note: run with `RUST_BACKTRACE=1` environment variable to display a backtrace\n"
)
WITH_THE_WAY = (
    b"thread 'main' panicked at a.rs:1:2:\nattempt to divide by zero\nstack backtrace:\n"
    b"   0: __rustc::rust_begin_unwind\n             at /x/y.c:3:4\n   1: core::panicking\n"
    b"note: Some details are omitted\n"
)


@pytest.mark.parametrize("panic", [PLAIN, WITH_THE_WAY, PLAIN + WITH_THE_WAY])
def test_a_panic_is_left_out_and_the_rest_passed_on(
    panic: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    with without_panics():
        os.write(2, b"before\n" + panic + b"after\n")
    os.write(2, b"later\n")
    assert capfd.readouterr().err == "before\nafter\nlater\n"


def test_it_may_be_nested_and_left_by_an_error(capfd: pytest.CaptureFixture[str]) -> None:
    def fails() -> None:
        with without_panics(), without_panics():
            os.write(2, PLAIN + b"mine\n")
            raise ValueError("on the way")

    with pytest.raises(ValueError, match="on the way"):
        fails()
    assert capfd.readouterr().err == "mine\n"


def test_a_crafted_e57_is_refused_in_silence(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Right checksums, but more points declared than there are: the reader panics."""
    x, y = np.meshgrid(np.arange(60) * 2.0, np.arange(50) * 3.0, indexing="ij")
    write_e57(tmp_path / "a.e57", np.column_stack([x.ravel(), y.ravel(), 0.01 * x.ravel()]))
    whole = bytearray((tmp_path / "a.e57").read_bytes())
    capfd.readouterr()
    at = whole.index(b'recordCount="3000"')
    whole[at : at + 18] = b'recordCount="3300"'
    for start in range(0, len(whole), 1024):
        page = np.frombuffer(bytes(whole[start : start + 1020]), dtype=np.uint8)
        whole[start + 1020 : start + 1024] = struct.pack(">I", crc32c(page))
    (tmp_path / "a.e57").write_bytes(bytes(whole))
    with pytest.raises(CorruptScan, match="it is damaged or cut short"):
        open_scan(tmp_path / "a.e57", described_points("e57"))
    assert capfd.readouterr().err == ""
