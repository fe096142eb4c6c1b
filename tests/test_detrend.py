"""Form and edge lift are found and taken out; the roll wave stays, to the edges."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import xarray as xr

import surfaces
from midchord.detrend import Detrended, detrend
from midchord.detrending.edge_lift import EDGES
from midchord.place import place
from midchord.settings import Settings
from midchord_io.errors import LiteTooSmall

GRID = {"length_mm": 2400.0, "width_mm": 900.0, "pitch_x_mm": 4.0, "pitch_y_mm": 10.0}
AMPLITUDE = 0.04


def _split(height: xr.DataArray, *, noise_mm: float = 0.0, **options: Any) -> Detrended:
    values = height.values + np.random.default_rng(9).normal(0, noise_mm, height.shape)
    defaults = Settings.load().detrend.model_dump(exclude={"edge_lift_inset_mm"})
    given = height.copy(data=values.astype(np.float32))
    glass = xr.ones_like(given, dtype=bool)
    bands = {"longest_wave_mm": 600.0, "shortest_wave_mm": 120.0}
    return detrend(given, glass, **{**defaults, **bands, **options})


def _wave(x, y, slant=0.02):
    return AMPLITUDE * np.cos(2 * np.pi * (x - slant * y) / 240 + 0.4)


def _form(x, y):
    u, v = 2 * x / 2400 - 1, 2 * y / 900 - 1
    return 3.0 * (1 - u**2) - 0.8 * (1 - v**2) + 0.5 * u * v


def _exponential(x, y):
    return 0.3 * np.exp(-x / 60) * (1 + 0.3 * (2 * y / 900 - 1)) - 0.2 * np.exp(-(2400 - x) / 45)


def _gaussian(x, y):
    lift = 0.3 * np.exp(-((x / 80) ** 2) / 2) - 0.2 * np.exp(-(((2400 - x) / 60) ** 2) / 2)
    return lift + 0 * y


def _half_waves(profile: np.ndarray, x: np.ndarray, phase: float) -> np.ndarray:
    """Peak-to-valley of each half wave by least squares over the whole wave around it."""
    swings = []
    for k in range(19):
        middle = (k * np.pi + np.pi / 2 - phase) / (2 * np.pi) * 240
        near = (x > middle - 120) & (x < middle + 120)
        if near.sum() < 58:
            continue
        angle = 2 * np.pi * x[near] / 240
        columns = np.stack([np.cos(angle), np.sin(angle), np.ones(near.sum()), x[near]], axis=1)
        a = np.linalg.lstsq(columns, profile[near], rcond=None)[0]
        swings.append(2 * np.hypot(a[0], a[1]))
    return np.array(swings)


@pytest.mark.parametrize("lift", [_exponential, _gaussian])
def test_bow_twist_and_edge_lift_are_recovered(lift):
    whole = surfaces.field(lambda x, y: _form(x, y) + lift(x, y) + _wave(x, y), **GRID)
    x, y = whole.x.values, whole.y.values
    parts = _split(whole, noise_mm=0.003)
    form = parts.model.form(x, y)
    exact = _form(x[:, None], y)
    assert np.abs((form - form.mean()) - (exact - exact.mean())).max() < 0.02
    ends = lift(np.array([[0.0], [2400.0]]), y)
    for edge, end in (("leading", ends[0]), ("trailing", ends[1])):
        off = parts.model.edge_profile(edge, y) - end
        assert abs(off.mean()) < 0.012
        assert np.abs(off).max() < 0.04  # in the corners
    for side in ("left", "right"):
        assert np.abs(parts.model.edge_profile(side, x)).max() < 0.02
    inset = parts.model.edge_profile("leading", y, inset_mm=20.0)
    off = inset - lift(np.full((1, 1), 20.0), y)[0]
    assert abs(off.mean()) < 0.01
    assert np.abs(off).max() < 0.02


@pytest.mark.parametrize(("lift", "near"), [(_exponential, 0.01), (_gaussian, 0.03)])
def test_the_roll_wave_near_the_edges_is_not_swallowed(lift, near):
    # without the roll wave in the fit, W near the edges would be off by 6 to 20 %
    whole = surfaces.field(lambda x, y: _form(x, y) + lift(x, y) + _wave(x, y, 0.0), **GRID)
    residual = _split(whole).residual
    swings = _half_waves(residual.values.mean(axis=1), whole.x.values, 0.4)
    assert swings.size == 18  # middles from 165 to 2205 mm, 120 mm apart
    off = swings / (2 * AMPLITUDE) - 1
    # all contacts clear of the zones of 305 mm: plunger beyond 425 mm
    assert np.abs(off[3:-3]).max() < 0.005
    assert np.abs(off).max() < near


def test_a_wave_that_is_the_same_at_every_y_survives():
    # never level line by line: each line's mean is the wave itself
    whole = surfaces.field(lambda x, y: _wave(x, y, 0.0), **GRID)
    residual = _split(whole).residual
    x = whole.x.values
    inner = (x > 305) & (x < 2095)
    assert np.abs(residual.values - whole.values)[inner].max() < 0.01 * AMPLITUDE


def test_the_parts_add_up_to_the_height():
    whole = surfaces.field(lambda x, y: _form(x, y) + _exponential(x, y) + _wave(x, y), **GRID)
    parts = _split(whole, noise_mm=0.003)
    x, y = whole.x.values, whole.y.values
    rest = whole.values.astype("f4") - parts.model.form(x, y)
    parts.model.subtract_lift(rest, parts.model.rims, x, y)
    noise = np.random.default_rng(9).normal(0, 0.003, whole.shape)
    np.testing.assert_allclose(rest + noise, parts.residual.values, atol=5e-6)
    assert parts.residual.attrs["units"] == "mm"
    assert parts.filtered_form is None


def test_without_a_wave_nothing_is_invented():
    whole = surfaces.field(lambda x, y: _form(x, y) + _exponential(x, y), **GRID)
    left = _split(whole).residual.values
    assert np.abs(left).max() < 2e-3
    assert left.std() < 3e-4


def test_missing_heights_stay_missing_and_change_nothing_else():
    whole = surfaces.field(lambda x, y: _form(x, y) + _wave(x, y), **GRID)
    holed = whole.copy()
    holed.values[::7, ::3] = np.nan
    holed.values[200:230, 30:45] = np.nan
    residual = _split(holed).residual.values
    np.testing.assert_array_equal(np.isnan(residual), np.isnan(holed.values))
    off = residual - _split(whole).residual.values
    assert np.nanmax(np.abs(off)) < 1e-3


@pytest.mark.parametrize(
    "added",
    [
        lambda x, y: 40.0 + 0.03 * x - 0.02 * y,
        lambda x, y: 4e-6 * (x - 900) ** 2 + 2e-6 * (y - 100) ** 2 + 1e-6 * x * y,
    ],
    ids=["plane", "parabola"],
)
def test_adding_a_plane_or_a_parabola_changes_no_residual(added):
    def whole(x, y):
        return _form(x, y) + _exponential(x, y) + _wave(x, y)

    plain = _split(surfaces.field(whole, **GRID)).residual.values
    more = _split(surfaces.field(lambda x, y: whole(x, y) + added(x, y), **GRID)).residual.values
    assert np.abs(more - plain).max() < 3e-5  # float32 of 100 mm: 8e-6


@pytest.mark.parametrize("factor", [-1.0, 0.25, 3.0])
def test_the_split_is_linear_in_scale(factor):
    whole = surfaces.field(lambda x, y: _form(x, y) + _exponential(x, y) + _wave(x, y), **GRID)
    one, scaled = _split(whole), _split(whole * factor)
    off = scaled.residual.values - factor * one.residual.values
    # the prior of edge lift is a length, so to its weight alone the split is not exactly linear
    assert np.abs(off).max() < 1e-3 * abs(factor)
    y = whole.y.values
    np.testing.assert_allclose(
        scaled.model.edge_profile("leading", y),
        factor * one.model.edge_profile("leading", y),
        atol=0.01 * abs(factor),
    )


@pytest.mark.parametrize("axis", ["x", "y"])
def test_turning_the_lite_round_swaps_the_edges_and_nothing_else(axis):
    def lift(x, y):
        return _exponential(x, y) + 0.15 * np.exp(-y / 50)

    whole = surfaces.field(lambda x, y: _form(x, y) + lift(x, y) + _wave(x, y), **GRID)
    turned = whole.copy(data=np.flip(whole.values, whole.get_axis_num(axis)))
    one, other = _split(whole), _split(turned)
    back = np.flip(other.residual.values, whole.get_axis_num(axis))
    assert np.abs(back - one.residual.values).max() < 2e-4
    x, y = whole.x.values, whole.y.values
    swap = {"leading": "trailing", "trailing": "leading"} if axis == "x" else {}
    swap |= {"left": "right", "right": "left"} if axis == "y" else {}
    for edge in EDGES:
        at = y if edge in ("leading", "trailing") else x
        along = at if (axis == "x") == (edge in ("leading", "trailing")) else at[::-1]
        np.testing.assert_allclose(
            other.model.edge_profile(swap.get(edge, edge), along),
            one.model.edge_profile(edge, at),
            atol=0.01,
        )


@pytest.mark.parametrize(
    ("length_mm", "width_mm", "largest", "order"),
    [
        (900.0, 500.0, 4, (2, 2)),
        (1900.0, 900.0, 4, (3, 2)),
        (2500.0, 1900.0, 4, (4, 3)),
        (6000.0, 3000.0, 4, (4, 4)),
        (6000.0, 3000.0, 8, (8, 5)),
        (6000.0, 3000.0, 2, (2, 2)),
    ],
)
def test_the_form_stays_longer_than_twice_the_longest_roll_wave(
    length_mm, width_mm, largest, order
):
    whole = surfaces.field(
        _wave, length_mm=length_mm, width_mm=width_mm, pitch_x_mm=10.0, pitch_y_mm=20.0
    )
    parts = _split(whole, largest_order=largest)
    assert parts.model.order == order
    for extent, n in zip((length_mm, width_mm), order, strict=True):
        assert n == 2 or 2 * extent / n >= 2 * 600


def test_the_filter_takes_form_out_by_its_transmission():
    whole = surfaces.field(lambda x, y: _form(x, y) + _wave(x, y, 0.0), **GRID)
    parts = _split(whole, filter_cutoff_mm=800.0, noise_mm=0.003)
    form = parts.filtered_form
    assert form is not None
    assert form.attrs["units"] == "mm"
    swings = _half_waves(parts.residual.values.mean(axis=1), whole.x.values, 0.4)
    # 240 mm against a cut-off of 800 mm: q = 18.6, (1 + q) exp(-q) = 1.6e-7: all of it stays
    np.testing.assert_allclose(swings[4:-4], 2 * AMPLITUDE, rtol=0.01)


def test_the_other_model_differs_at_the_edges_only():
    whole = surfaces.field(lambda x, y: _form(x, y) + _exponential(x, y) + _wave(x, y), **GRID)
    parts = _split(whole, noise_mm=0.003)
    x, y = whole.x.values, whole.y.values
    own, other = (model.form(x, y) * np.float32(-1) for model in (parts.model, parts.varied))
    parts.model.subtract_lift(own, parts.model.rims, x, y)
    parts.varied.subtract_lift(other, parts.varied.rims, x, y)
    apart = np.abs(own - other)
    inner = apart[(x > 600) & (x < 1800)][:, 30:60]
    assert apart.max() > 5 * inner.max()
    assert inner.max() < 2e-3


def test_no_edge_lift_shapes_at_all_is_form_alone():
    whole = surfaces.field(lambda x, y: _form(x, y) + _wave(x, y), **GRID)
    parts = _split(whole, edge_lift_knots_mm=(), edge_lift_decay_mm=())
    assert not parts.model.edge_profile("leading", whole.y.values).any()
    inner = parts.residual.values - _wave(whole.x.values[:, None], whole.y.values)
    assert np.abs(inner).max() < 2e-3


def test_too_few_blocks_are_refused_by_name():
    tiny = surfaces.field(_wave, length_mm=100.0, width_mm=60.0)
    with pytest.raises(LiteTooSmall) as refused:
        _split(tiny, where="K-0001.nc")
    assert "K-0001.nc: 30 measured blocks of 10 mm" in str(refused.value)
    assert "to tell bow and edge lift from roll wave; scan more of the lite." in str(refused.value)


def test_the_small_lite_has_its_true_bow_and_edge_lift():
    scan, truth = surfaces.lite()
    settings = Settings.load()
    lite = place(scan, **settings.place.model_dump())
    parts = detrend(
        lite["height"],
        lite["state"] != 4,
        longest_wave_mm=600.0,
        shortest_wave_mm=120.0,
        **settings.detrend.model_dump(exclude={"edge_lift_inset_mm"}),
    )
    for edge in EDGES:
        at = lite["y" if edge in ("leading", "trailing") else "x"].values
        mean = float(parts.model.edge_profile(edge, at).mean())
        assert mean == pytest.approx(truth.attrs["edge_lift_mm"][edge]["mean"], abs=0.02)
