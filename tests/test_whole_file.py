"""Files that are read whole: pipes and devices are refused at once, in one sentence."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from midchord_io.adapters import open_scan
from midchord_io.errors import MidchordError
from midchord_io.results import read_maps
from midchord_io.source import load_source
from midchord_io.survey import read_survey
from midchord_io.whole_file import content_of


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
@pytest.mark.parametrize("read", [open_scan, read_maps, load_source, read_survey])
def test_a_pipe_is_not_waited_for(read, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(MidchordError, match="a pipe or a device, which has no size; write it to"):
        read(tmp_path / "pipe")


def test_a_file_is_read_to_its_end_and_no_further_than_it_may(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(b"12345678")
    assert content_of(tmp_path / "f", most_bytes=8) == b"12345678"
    with pytest.raises(OSError, match="more than 7e-06 MB"):
        content_of(tmp_path / "f", most_bytes=7)
