"""Numbers beside the heights, one for each line: what they are taken for, proposed and doubted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from midchord.identify import identify
from midchord.report.identity_text import description_text, identity_lines
from midchord_io.acquisition import findings_of
from midchord_io.adapters import open_scan
from midchord_io.lines.line_series import role_of
from midchord_io.source import SourceDescription

LINES, COLUMNS = 300, 40


def written(folder: Path, *, transposed: bool = False, **series: tuple[Any, str | None]) -> Path:
    x, y = np.mgrid[0:LINES, 0:COLUMNS]
    noise = np.random.default_rng(7).normal(scale=0.001, size=x.shape)  # no line copies another
    z = (0.1 * np.sin(2 * np.pi * x / 50) + 0.001 * y + noise).astype("f4")
    path = folder / "a.h5"
    with h5py.File(path, "w") as file:
        file["z"] = z.T if transposed else z
        file["z"].attrs["units"] = "mm"
        for name, (numbers, units) in series.items():
            file[name] = numbers
            if units:
                file[name].attrs["units"] = units
    return path


def proposed(path: Path) -> list[str]:
    return [
        line for line in description_text(identify(path)).splitlines()
        if line.startswith(("# pitch", "# positions", "# lines", "# position_units", "# axes"))
    ]  # fmt: skip


def source(**said: Any) -> SourceDescription:
    base: dict[str, Any] = {"dataset": "z", "axes": ("x", "y"), "position_units": "mm"}
    return SourceDescription.model_validate({"source": base | said})


@pytest.mark.parametrize(
    ("name", "units", "role"),
    [
        ("scan/timestamp", None, "time"),
        ("t", None, "time"),
        ("x", "ms", "time"),
        ("when", "seconds since 2026-01-01", "time"),
        ("v", None, "speed"),
        ("drive/belt_speed", None, "speed"),
        ("t", "m/min", "speed"),
        ("enc", None, "place"),
        ("anything", "mm", "place"),
        ("encoder_1", None, "place"),
        ("temperature", "degC", "other"),
        ("gain", None, "unknown"),
        ("vertices", None, "unknown"),
    ],
)
def test_units_tell_before_names(name: str, units: str | None, role: str) -> None:
    assert role_of(name, units) == role


def test_times_alone_are_no_positions(tmp_path: Path) -> None:
    path = written(tmp_path, timestamp=(2.6 * np.arange(LINES), None))
    assert proposed(path) == [
        '# axes = ["x", "y"]',
        '# position_units = "mm"',
        "# pitch = { y = 1.0 }",
        '# lines = { times = "timestamp", time_units = "ms", speed_mm_per_s = 100.0 }',
    ]
    text = " ".join(description_text(identify(path)).replace("#", "").split())
    assert "times, no places" in text
    assert "100 only stands in for it, as ms does for s, ms, us or ns" in text


def test_times_and_speeds_with_likely_units(tmp_path: Path) -> None:
    speed = 9.0 + 3.0 * np.sin(np.arange(LINES) / 20)
    path = written(tmp_path, t=(10.0 * np.arange(LINES), None), v=(speed, None))
    assert proposed(path)[-1] == (
        '# lines = { times = "t", time_units = "ms", speed = "v", speed_units = "m/min" }'
    )  # 3 s at about 150 mm/s: 449 mm
    assert "v: 300 from 9 to " in "\n".join(identity_lines(identify(path)))
    assert "(all within 6.00" in "\n".join(identity_lines(identify(path)))
    stated = written(tmp_path, time=(10.0 * np.arange(LINES), "ms"), speed=(speed, "m/min"))
    assert proposed(stated)[-1] == '# lines = { times = "time", speed = "speed" }'
    across = written(tmp_path, transposed=True, time=(10.0 * np.arange(LINES), "ms"))
    assert proposed(across)[0] == '# axes = ["y", "x"]'  # a time for each column


def test_an_uneven_encoder_is_proposed_and_missed(tmp_path: Path) -> None:
    places = 2.0 * np.concatenate([np.arange(200), [199] * 30, np.arange(200, 270)])
    path = written(tmp_path, enc=(places, "mm"))
    assert proposed(path)[-1] == '# positions = { x = "enc" }'
    scan = open_scan(path, source(pitch={"x": 2.0, "y": 4.0}))
    doubts = [finding.sentence for finding in findings_of(scan) if finding.is_doubt]
    assert doubts == [
        "The source description gives a pitch of 2 mm along x, but 'enc' in the file has a place "
        "for each of the 300 lines, from 0 to 538 mm in steps of 0 to 2 mm, and is not used: if "
        "it is the encoder, name it as positions.x instead of pitch.x."
    ]
    used = open_scan(path, source(pitch={"y": 4.0}, positions={"x": "enc"}))
    assert not [f for f in findings_of(used) if f.what == "places unused"]
    assert used.x.values[-1] == pytest.approx(538.0)
    # even once the standstill is one line: nothing was interpolated, and nobody says so
    assert "uneven lines" not in {finding.what for finding in findings_of(used)}
    assert "stop and restart" in {finding.what for finding in findings_of(used)}


def test_an_encoder_that_agrees_or_other_numbers_raise_no_doubt(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        enc=(2.0 * np.arange(LINES), "mm"),
        temperature=(20 + np.sin(np.arange(LINES)), "degC"),
        enc_short=(np.arange(7.0) ** 2, "mm"),
    )
    scan = open_scan(path, source(pitch={"x": 2.0, "y": 4.0}))
    assert not [finding for finding in findings_of(scan) if finding.is_doubt]
    scan = open_scan(path, source(pitch={"x": 1.0, "y": 4.0}))  # even, but by 2 mm
    assert [f.what for f in findings_of(scan) if f.is_doubt] == ["places unused"]


def test_times_named_as_positions_are_doubted(tmp_path: Path) -> None:
    path = written(tmp_path, timestamp=(2.6 * np.arange(LINES), None))
    scan = open_scan(path, source(pitch={"y": 4.0}, positions={"x": "timestamp"}))
    assert [f.sentence for f in findings_of(scan) if f.is_doubt] == [
        "positions.x = 'timestamp' states no unit, and by its name holds the times of the lines, "
        "not their places: if so, every length along x is wrong, and it belongs into "
        "source.lines as times."
    ]


def test_an_archive_of_arrays_is_looked_through_too(tmp_path: Path) -> None:
    z = np.random.default_rng(1).normal(size=(LINES, COLUMNS)).astype("f4")
    np.savez(tmp_path / "a.npz", z=z, encoder=np.arange(LINES) ** 1.5)
    scan = open_scan(tmp_path / "a.npz", source(height_units="mm", pitch={"x": 2.0, "y": 4.0}))
    assert [f.what for f in findings_of(scan) if f.is_doubt] == ["places unused"]
