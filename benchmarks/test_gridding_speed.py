"""Points to grid: 20 million points against scipy's binned statistic, in the same run.

Seconds, the ratio and the peak of a process of its own are printed and kept in ``extra_info``;
nothing is asserted about time.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import numpy as np
import numpy.typing as npt
import pytest

from midchord_io.gridding.points_to_grid import Cell, Gridded, grid_points

POINTS = 20_000_000
LENGTH_MM, WIDTH_MM = 3000.0, 2000.0
PITCH_MM = (1.0, 2.0)
CHUNK = 250_000

IN_A_CHILD = """
import json, sys
import numpy as np
from midchord_io.gridding.points_to_grid import grid_points
points, chunk = int(sys.argv[1]), int(sys.argv[2])

def chunks():
    for start in range(0, points, chunk):
        random = np.random.default_rng(start)
        some = np.empty((chunk, 3))
        some[:, 0], some[:, 1] = random.random(chunk) * 3000, random.random(chunk) * 2000
        some[:, 2] = random.normal(0, 0.003, chunk)
        yield some

def peak_mb():
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))

before = peak_mb()
found = grid_points(chunks, pitch_mm=(1.0, 2.0), cell=sys.argv[3], where="cloud")
grid = found.height_mm.nbytes / 2**20
print(json.dumps({"before_mb": before, "peak_mb": peak_mb(), "grid_mb": grid}))
"""


def cloud(order: str) -> npt.NDArray[np.float64]:
    random = np.random.default_rng(1)
    points = np.empty((POINTS, 3))
    points[:, 0] = random.random(POINTS) * LENGTH_MM
    if order == "lines":
        points[:, 0].sort()
    points[:, 1] = random.random(POINTS) * WIDTH_MM
    points[:, 2] = random.normal(0.0, 0.003, POINTS)
    return points


def gridded(points: npt.NDArray[np.float64], cell: Cell) -> Gridded:
    def chunks() -> Iterator[npt.NDArray[np.float64]]:
        for start in range(0, len(points), CHUNK):
            yield points[start : start + CHUNK]

    return grid_points(chunks, pitch_mm=PITCH_MM, cell=cell, where="cloud")


@pytest.mark.parametrize("cell", get_args(Cell))
@pytest.mark.parametrize("order", ["lines", "random"])
def test_gridding(benchmark: Any, order: str, cell: Cell) -> None:
    from scipy.stats import binned_statistic_2d

    points = cloud(order)
    gridded(points[:100_000] * [0.05, 0.05, 1.0], cell)  # compiled, or got from the cache
    found = benchmark.pedantic(gridded, args=(points, cell), rounds=3)
    assert found.points.sum() == POINTS
    start = time.perf_counter()
    x, y, z = points.T
    edges = [
        np.append(axis - pitch / 2, axis[-1] + pitch / 2)
        for axis, pitch in zip((found.x_mm, found.y_mm), PITCH_MM, strict=True)
    ]
    oracle = binned_statistic_2d(x, y, z, "mean", edges).statistic
    seconds = time.perf_counter() - start
    off = np.nanmean(np.abs(oracle - found.height_mm))
    assert off < (1e-4 if cell == "mean" else 1e-3)
    if benchmark.stats is not None:
        benchmark.extra_info["scipy_mean_s"] = seconds
        benchmark.extra_info["times_faster"] = seconds / benchmark.stats.stats.min
        print(benchmark.extra_info)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is asked of Linux")
@pytest.mark.parametrize("cell", get_args(Cell))
def test_memory(benchmark: Any, cell: Cell) -> None:
    def child() -> dict[str, float]:
        arguments = [sys.executable, "-c", IN_A_CHILD, str(POINTS), str(CHUNK), cell]
        result = subprocess.run(arguments, capture_output=True, text=True, check=True)
        found: dict[str, float] = json.loads(result.stdout)
        return found

    found = benchmark.pedantic(child, rounds=1)
    benchmark.extra_info.update(found)
    print(cell, found)
    # a buffer of 20 million float32, the grid, chunks and compiled loops: less than half of the
    # cloud as it is, three float64 a point
    assert found["peak_mb"] - found["before_mb"] < 0.5 * 24 * POINTS / 2**20
