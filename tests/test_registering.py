"""Registering: pitch, place and slant of each lite from its own imprint."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from blown import blown, quench
from midchord.machine_place import place_of
from midchord.nozzles.crossing import crossing
from midchord.nozzles.grid import grid_of
from midchord.nozzles.registering import Registration, harmonics_of, register


def registered(lites: list[xr.Dataset]) -> Registration:
    machine = quench()
    crossings = [
        crossing(lite, machine, place_of(lite.attrs, machine), edge_mm=100.0, side_mm=30.0,
                 least_share=0.3)
        for lite in lites
    ]  # fmt: skip
    return register(crossings, grid_of(machine, 5.0), baseline_pitches=4.0, presence_rate=0.01,
                    lite_tolerance=0.001)  # fmt: skip


def true_kappa(lite: xr.Dataset) -> float:
    middle = 0.5 * float(lite["y"][0] + lite["y"][-1])
    return float((lite.attrs["truth"]["across_mm"] + middle - 15.0) / 40.0 + 1)


def test_every_lite_is_laid_on_the_grid() -> None:
    lites = blown(11, position_known=False)
    found = registered(lites)
    pairs = zip(found.lites, lites, strict=True)
    off = 40 * np.array([one.kappa - true_kappa(lite) for one, lite in pairs])
    # one common shift of the whole pitch is free; the places among each other are not
    assert np.ptp(off) < 1.0
    assert off.std() < 1.5 * 40 * np.mean([one.u_kappa for one in found.lites])
    assert found.pitch_mm == pytest.approx(40.0, abs=3 * found.u_pitch_mm)
    assert found.u_pitch_mm < 0.02
    assert not found.is_absolute
    assert found.p_alike < 0.05


def test_a_pitch_off_by_a_third_of_a_percent_is_found() -> None:
    lites = blown(12)
    for lite in lites:
        # the same heights on glass that shrank by 0.35 % more
        lite.coords["y"] = lite["y"].values * 0.9965
    found = registered(lites)
    assert found.pitch_mm == pytest.approx(40.0 * 0.9965, abs=0.03)


def test_a_turned_lite_is_laid_straight() -> None:
    lites = blown(13, lites=4)
    slant = 0.0015
    for lite in lites:
        x, y, z = lite["x"].values, lite["y"].values, lite["residual"].values
        turned = [
            np.interp(y + slant * (at - x.mean()), y, row) for at, row in zip(x, z, strict=True)
        ]
        lite["residual"] = (("x", "y"), np.array(turned, dtype=np.float32))
    found = registered(lites)
    # noise leaves 0.0008, held to none by a prior of 0.002
    assert [one.slant for one in found.lites] == pytest.approx([slant] * 4, abs=1e-3)
    assert np.mean([one.slant for one in found.lites]) == pytest.approx(slant, abs=5e-4)


def test_no_imprint_is_no_imprint() -> None:
    found = registered(blown(14, imprint=None, lites=5))
    assert not found.is_present
    assert found.p_present > 0.01
    assert [one.kappa for one in found.lites] == [one.prior for one in found.lites]


def test_a_map_shows_as_many_harmonics_as_it_has_points() -> None:
    assert [harmonics_of(40.0, pitch) for pitch in (2.0, 5.0, 10.0, 20.0)] == [4, 3, 1, 1]
