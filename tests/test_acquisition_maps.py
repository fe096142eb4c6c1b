"""From faults of the acquisition to the maps: depth and wavelength against the exact surface."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from midchord.run import process, summary
from midchord.simulating import acquisition_faults as faults
from midchord_io.acquisition import Finding, with_findings
from midchord_io.joining.head_fit import HeadScan
from midchord_io.joining.heads import join_heads
from midchord_io.joining.three_rows import separate_rows
from midchord_io.lines.scan_lines import even_lines, plan_lines, travelled_mm
from midchord_io.scan import make_scan

Array = npt.NDArray[np.float64]
Taken = tuple[npt.NDArray[np.float32], Array, Array, tuple[Finding, ...]]
LENGTH_MM, WIDTH_MM = 3000.0, 600.0
WAVE_MM, DEPTH_MM = 240.0, 0.06
NOISE_MM = 0.004
Y_MM = np.arange(-20.0, 621.0, 10.0)


def glass(x: Array, y: Array) -> Array:
    """An even roll wave, 60 um from peak to valley, on a bowed lite; nothing beside it."""
    height = DEPTH_MM / 2 * np.cos(2 * math.pi * (x - 0.01 * y) / WAVE_MM)
    height = height + 1.5 * (1 - (2 * x / LENGTH_MM - 1) ** 2) + 0.3 * (y / WIDTH_MM) ** 2
    is_glass = (x >= 0) & (x <= LENGTH_MM) & (y >= 0) & (y <= WIDTH_MM)
    return np.where(is_glass, height, np.nan)


def shifted(x: Array, y: Array) -> Array:
    """The lite starts 60 mm behind the first line."""
    return glass(x - 60.0, y)


def rng() -> np.random.Generator:
    return np.random.default_rng(8)


def even() -> faults.Lines:
    return faults.even_lines(1560, pitch_mm=2.0, speed_mm_per_s=200.0)


def by_encoder(lines: faults.Lines) -> Taken:
    height = faults.taken(shifted, lines, Y_MM, noise_mm=NOISE_MM, rng=rng())
    plan = plan_lines(lines.counted_mm, height, times_s=lines.times_s, where="scan")
    return even_lines(height, plan), plan.x_mm, Y_MM, plan.findings


def a_bad_day() -> Taken:
    lines = faults.uneven_ticks(even(), 0.3, rng())
    lines = faults.slipping(lines, [700], lost_mm=9.0, over=6)
    lines = faults.stopping(lines, 1000, 300, 0.01, rng())
    lines = faults.without_lines(lines, np.array([250, 251, 500]))
    return by_encoder(faults.sent_twice(lines, 800, 40))


def by_speed() -> Taken:
    lines = faults.varying_speed(
        1700, line_rate_hz=100.0, speed_mm_per_s=190.0, share=0.25, cycles=2.4
    )
    height = faults.taken(shifted, lines, Y_MM, noise_mm=NOISE_MM, rng=rng())
    places = travelled_mm(lines.times_s, lines.speed_mm_per_s)
    plan = plan_lines(places, height, times_s=lines.times_s, is_counted=False, where="scan")
    return even_lines(height, plan), plan.x_mm, Y_MM, plan.findings


def three_heads() -> Taken:
    x_mm, random = 2.0 * np.arange(1560), rng()
    errors = {
        (0, 26): faults.HeadErrors(0.05, 0.4, 1.01),
        (22, 46): faults.HeadErrors(-0.03, -0.2, 0.99, 0.02),
        (42, 65): faults.HeadErrors(0.08, 0.1),
    }
    heads = [
        HeadScan(
            str(first),
            faults.head_view(
                shifted, x_mm, Y_MM[first:last], error, noise_mm=NOISE_MM, rng=random
            ),
            x_mm,
            Y_MM[first:last],
        )
        for (first, last), error in errors.items()
    ]
    return join_heads(heads, where="scan")


def three_rows() -> Taken:
    line_x, random = np.arange(-300.0, 3120.0, 2.0), rng()
    motion = faults.bouncing(
        line_x.size,
        heave_mm=0.2,
        pitch_mm_per_m=0.2,
        roll_mm_per_m=0.1,
        correlated_lines=8,
        rng=random,
    )
    rows_mm = (0.0, 110.0, 240.0)
    views = [
        faults.row_view(
            shifted, line_x, Y_MM, motion, row_x_mm=x, noise_mm=NOISE_MM, rng=random
        )
        for x in rows_mm
    ]
    scan = separate_rows(views, row_x_mm=rows_mm, line_x_mm=line_x, y_mm=Y_MM, where="scan")
    return scan.height, scan.x_mm, Y_MM, scan.findings


@pytest.mark.parametrize(
    ("taken", "within", "what"),
    [
        (lambda: by_encoder(even()), 0.01, "encoder slip"),
        (a_bad_day, 0.01, "stop and restart"),
        (by_speed, 0.01, "uneven lines"),
        (three_heads, 0.01, "seam"),
        (three_rows, 0.02, "conveyor bounce"),
    ],
    ids=["sound", "a bad day", "by speed", "three heads", "three rows"],
)
def test_the_maps_show_the_depth_of_the_glass(
    taken: Callable[[], Taken], within: float, what: str
) -> None:
    height, x_mm, y_mm, findings = taken()
    scan = make_scan(
        height,
        x_mm=x_mm,
        y_mm=y_mm,
        lite_id="fault",
        instrument="simulated",
        scanned_at="2026-01-01T00:00:00Z",
        frame="machine",
    )
    maps = process(with_findings(scan, *findings))
    told = summary(maps)
    assert told["surface_depth_mm"]["mean"] == pytest.approx(DEPTH_MM, rel=within)
    assert told["mean_wavelength_mm"] == pytest.approx(WAVE_MM, rel=0.005)
    assert told["length_mm"] == pytest.approx(LENGTH_MM, abs=4.0)
    assert what in {entry["what"] for entry in told["acquisition"]}
