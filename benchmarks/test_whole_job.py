"""The whole job on the target lite, 8.6 million points: file to summary, and in memory.

Beside the times: the ratio to one copy of the grid in memory in the same run, and the largest
memory of the process. The aim: file to summary in 20 s on two cores and 2 GB.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midchord.configs import shipped
from midchord.outputs import write_lite
from midchord.run import map_file, process
from midchord.simulate import write_simulated
from midchord.simulating.recipe import Recipe
from midchord_io.adapters import open_scan


@pytest.fixture(scope="session")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("target") / "target.nc"
    write_simulated(Recipe.load(shipped("configs", "recipes", "target.toml")), path)
    return path


def _copy_s(shape: tuple[int, ...]) -> float:
    """Median time of nine copies of a float32 grid into an array already touched."""
    source, copy = np.ones(shape, np.float32), np.zeros(shape, np.float32)
    times = []
    for _ in range(9):
        start = time.perf_counter()
        np.copyto(copy, source)
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def _largest_memory_mb() -> float:
    kilobytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return kilobytes / (1024**2 if sys.platform == "darwin" else 1024)


def test_in_memory(benchmark: Any, target: Path) -> None:
    scan = open_scan(target)
    process(scan)  # compiles what is not compiled yet
    maps = benchmark.pedantic(process, args=(scan,), rounds=3)
    benchmark.extra_info["points"] = scan["height"].size
    benchmark.extra_info["over_one_copy"] = benchmark.stats.stats.median / _copy_s(
        scan["height"].shape
    )
    assert maps.sizes["x"] == 720


def test_file_to_results(benchmark: Any, target: Path, tmp_path: Path) -> None:
    def job() -> None:
        write_lite(map_file(target), tmp_path, "target", overwrite=True)

    benchmark.pedantic(job, rounds=3)
    benchmark.extra_info["largest_memory_mb"] = _largest_memory_mb()
    assert (tmp_path / "target.summary.json").exists()
