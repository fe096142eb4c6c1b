"""From maps to the course across: the roll wave goes, the imprint stays."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from blown import ODD, blown, quench, true_depth_um
from midchord.machine_place import place_of
from midchord.nozzles.crossing import Crossing, crossing
from midchord_io.errors import UnknownFormat


def crossed(lite: xr.Dataset) -> Crossing:
    machine = quench()
    return crossing(lite, machine, place_of(lite.attrs, machine), edge_mm=100.0, side_mm=30.0,
                    least_share=0.3)  # fmt: skip


def test_a_roll_wave_a_hundred_times_the_imprint_goes() -> None:
    quiet = {"noise_mm": 0.0, "background": {"sd_mm": 0.0}, "natural": None}
    without = crossed(blown(3, lites=1, lines=[], **quiet)[0])
    line = {"period_mm": 282.0, "amplitude_mm": 0.3}
    with_wave = crossed(blown(3, lites=1, lines=[line], ridge_skew=0.02, **quiet)[0])
    one, other = (np.nanmean(course.blocks, axis=0) for course in (without, with_wave))
    off = other - one - np.mean(other - one)
    assert np.abs(off[4:-4]).max() < 2e-4
    assert np.ptp(one) == pytest.approx(1e-3 * abs(true_depth_um(15, ODD)), rel=0.1)


def test_the_course_is_the_mean_over_what_was_measured() -> None:
    lite = blown(4, lites=1)[0]
    gap = lite["residual"].values.copy()
    gap[30:60, 100] = np.nan
    gap[:, 120] = np.nan
    found = crossed(lite.assign(residual=(("x", "y"), gap)))
    column = int(np.flatnonzero(np.isclose(found.y_mm, lite["y"].values[120]))[0])
    assert np.isnan(found.blocks[:, column]).all()
    beside = int(np.flatnonzero(np.isclose(found.y_mm, lite["y"].values[100]))[0])
    assert np.isfinite(found.blocks[1:, beside]).all()
    assert found.face is None
    assert crossed(lite.assign_attrs(face="lower")).face == "lower"


def test_maps_without_a_residual_are_refused() -> None:
    with pytest.raises(UnknownFormat, match="maps without a residual"):
        crossed(blown(4, lites=1)[0].rename(residual="height"))
