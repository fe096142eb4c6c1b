"""A production of 2,000 stored maps: bounded memory, a kill survived, figures as in the maps."""

from __future__ import annotations

import hashlib
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lot_files import Truth, bands, moment, on_glass, placed, streaks
from midchord_io.results import read_maps, write_maps

LITES, LIMIT_MB = 2000, 3000
MACHINE = """
name = "heron"
[place]
along = true
across = true
along_sd_mm = 2.0
across_sd_mm = 2.0
"""
RUN = """
import resource, sys
from midchord.cli import main
code = main(sys.argv[1:])
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(f"peak {peak / (1024 * (1024 if sys.platform == 'darwin' else 1)):.0f} MB", file=sys.stderr)
sys.exit(code)
"""


def write_production(folder: Path, count: int) -> None:
    """Whole lites of 2400 mm by 1200 mm on 5 mm; twenty surfaces take turns, moved and shifted."""
    from lot_files import lite_field, thin_maps

    base = thin_maps(length_mm=2400.0, width_mm=1200.0)
    truth = Truth(lambda u, v: streaks(u, v) + bands(u, v), on_glass, lite_sd=0.0, wave_sd=2.0)
    x, y = base["x"].values, base["y"].values
    glass = base["zone"].values != 255
    for number in range(count):
        rng = np.random.default_rng([4, number])
        # a few whole fields, so that making the files does not take longer than reading them
        turn = number % 20
        place = (2000.0 + 25.0 * turn, 300.0 + 15.0 * (turn % 7))
        own = np.random.default_rng([5, turn])
        values = lite_field(truth, own, number, x, y, place)
        values += np.float32(1.5 * rng.standard_normal())
        maps = placed(base, f"L-{number:05d}", moment(number), place)
        maps["gauge_distortion"] = (
            ("x", "y"), np.where(glass, values, np.float32(np.nan)),
            dict(base["gauge_distortion"].attrs),
        )  # fmt: skip
        write_maps(maps, folder / f"L-{number:05d}.maps.nc")


def call(folder: Path, machine: Path, out: Path) -> list[str]:
    return [
        sys.executable, "-c", RUN, "lots", str(folder), "--machine", str(machine), "--out", str(out)
    ]  # fmt: skip


def hashes(out: Path) -> dict[str, str]:
    return {
        name: hashlib.sha256((out / name).read_bytes()).hexdigest()
        for name in ("lots.json", "lots.csv", "lots.nc", "lots.html")
    }


@pytest.mark.long
def test_two_thousand_stored_maps(tmp_path: Path) -> None:
    folder = tmp_path / "maps"
    folder.mkdir()
    machine = tmp_path / "heron.toml"
    machine.write_text(MACHINE, encoding="utf-8")
    started = time.monotonic()
    write_production(folder, LITES)
    print(f"written in {time.monotonic() - started:.0f} s")

    started = time.monotonic()
    whole = subprocess.run(
        call(folder, machine, tmp_path / "whole"), capture_output=True, text=True, check=False
    )
    assert whole.returncode == 0, whole.stderr
    peak = int(whole.stderr.split("peak ")[1].split(" MB")[0])
    print(f"{LITES} lites in {time.monotonic() - started:.0f} s, {peak} MB")
    assert peak < LIMIT_MB

    out = tmp_path / "killed"
    running = subprocess.Popen(
        call(folder, machine, out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    state = out / ".lots.state.npz"
    while not state.is_file() and running.poll() is None:
        time.sleep(0.2)
    time.sleep(3)
    running.send_signal(signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
    running.wait()
    assert state.is_file()
    assert not (out / "lots.json").exists()
    again = subprocess.run(call(folder, machine, out), capture_output=True, text=True, check=False)
    assert again.returncode == 0, again.stderr
    assert f"of {LITES} lites were done before" in again.stderr
    assert hashes(out) == hashes(tmp_path / "whole")

    table = pd.read_csv(out / "lots.csv")
    assert len(table) == LITES
    for number in (0, LITES // 2, LITES - 1):
        maps = read_maps(folder / f"L-{number:05d}.maps.nc")
        figures = json.loads(maps.attrs["summary"])["gauge_distortion_mdpt"]
        row = table.iloc[number]
        assert row["lite_id"] == maps.attrs["lite_id"]
        for part in ("mean", "p95", "max"):
            assert row[f"gauge_distortion_mdpt.{part}"] == figures[part]
        clear = maps["gauge_distortion"].values[maps["zone"].values == 0].astype(np.float64)
        assert row["field.mean"] == pytest.approx(np.nanmean(clear), rel=1e-12)
