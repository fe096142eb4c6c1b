"""Where results may go: never onto what a call reads, never onto what is no file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from midchord.outputs import check_free, check_outputs
from midchord_io.errors import OutputError


def test_a_result_never_replaces_what_the_call_reads(tmp_path: Path) -> None:
    scan = tmp_path / "q.maps.nc"
    scan.write_bytes(b"a scan")
    with pytest.raises(OutputError, match="would replace this file, which the call reads; results"):
        check_outputs(tmp_path, ["q"], overwrite=True, inputs=[scan, None])
    check_outputs(tmp_path / "results", ["q"], overwrite=True, inputs=[scan])
    assert scan.read_bytes() == b"a scan"


def test_a_link_to_what_the_call_reads_is_seen_through(tmp_path: Path) -> None:
    scan, link = tmp_path / "scan.nc", tmp_path / "flat.nc"
    scan.write_bytes(b"a scan")
    try:
        link.symlink_to(scan)
    except OSError:
        pytest.skip("links are not allowed here")
    with pytest.raises(OutputError, match="which the call reads"):
        check_free(tmp_path, ["flat.nc"], overwrite=True, inputs=[scan])


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
def test_a_pipe_is_no_place_for_a_result(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "out.nc")
    with pytest.raises(OutputError, match="a device or a pipe has this name; results are files"):
        check_free(tmp_path, ["out.nc"], overwrite=True)
