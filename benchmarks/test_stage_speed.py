"""Speed of the stages on a lite of 3 x 2 m. Measured only by ``make bench``; nothing is asserted
about time, so that a slow machine fails no test."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from midchord.configs import shipped
from midchord.gauge import sweep_gauge
from midchord.judge import judge, load_limits


def test_sweep(benchmark: Any, height: xr.DataArray) -> None:
    reading = benchmark(sweep_gauge, height, half_span_mm=125.0)
    assert reading.shape == (3000, 1000)
    assert np.isnan(reading.values[0]).all()


def test_judge(benchmark: Any, map_grid: xr.Dataset) -> None:
    limits = load_limits(shipped("configs", "limits", "contract-example.toml"))
    summary = {
        "half_span_mm": 125.0,
        "length_mm": 3000.0,
        "width_mm": 2000.0,
        "detection_depth_mm": 0.004,
        "settings": {"zones": {"edge_y_mm": 50.0}, "waves": {"band_min_mm": 120.0}},
        "zones": [],
    }
    verdict = benchmark(judge, summary, map_grid, limits, coverage_factor=1.645)
    assert verdict["verdict"] == "within"
