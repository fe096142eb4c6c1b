"""Straight edge and flat base: closed forms, scipy's hull, a slow oracle, missing glass."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from matplotlib.cbook import get_sample_data
from scipy.spatial import ConvexHull

import surfaces
from midchord.gauge import sweep_gauge
from midchord.gauges.hull_gauges import sweep_flat_base, sweep_straight_edge
from midchord.lines import local_fit
from midchord_io.errors import LiteTooSmall, SettingsError

A, L = 0.05, 240.0
PRECISION_MM = 2e-8
"""Of float32 readings up to 0.25 mm, half a step."""


def foot(z: np.ndarray, place: float) -> float:
    """Height between samples by the polynomial through the (up to) four about the place."""
    k = math.floor(place + 1e-6)
    if abs(place - k) < 1e-6:
        return float(z[k])
    if not np.isfinite(z[k : k + 2]).all():
        return math.nan
    nodes = [k, k + 1, *(q for q in (k - 1, k + 2) if 0 <= q < z.size and np.isfinite(z[q]))]
    return sum(
        float(z[q]) * math.prod((place - r) / (q - r) for r in nodes if r != q) for q in nodes
    )


def profile(z: np.ndarray, i: int, half: float) -> tuple[np.ndarray, np.ndarray]:
    """Positions and heights under a base centred on i, its ends among them."""
    low, high = i - half, i + half
    inside = np.arange(math.ceil(low + 1e-6), math.floor(high - 1e-6) + 1)
    x = np.array([low, *inside, high])
    return x, np.array([foot(z, low), *z[inside], foot(z, high)])


def rules(x: np.ndarray, z: np.ndarray, c: float) -> tuple[float, float, tuple[float, float]]:
    """Height at c and slope of the rule on a complete profile, by trying every pair of points: the
    lowest line over c that none stands above. On a vertex the mean of the steepest two."""
    hull_at_c = -math.inf
    for p in np.flatnonzero(x <= c):
        for q in np.flatnonzero(x >= c):
            at_c = z[p] if p == q else z[p] + (z[q] - z[p]) * (c - x[p]) / (x[q] - x[p])
            hull_at_c = max(hull_at_c, at_c)
    before, after = x < c - 1e-9, x > c + 1e-9
    up = (z[after] - hull_at_c) / (x[after] - c)  # the rule may not fall faster than these
    down = (hull_at_c - z[before]) / (c - x[before])  # nor rise faster than these
    slope = 0.5 * (up.max() + down.min())
    rule = hull_at_c + slope * (x - c)
    touching = x[np.abs(rule - z) < 1e-12]
    left, right = touching[touching <= c + 1e-9], touching[touching >= c - 1e-9]
    return hull_at_c, slope, (left.max() if left.size else c, right.min() if right.size else c)


def oracle(z: np.ndarray, half: float, mode: str = "rule", at: float = 0.0) -> np.ndarray:
    """Plain loops; half and at in samples; no dropouts."""
    n, m = z.shape
    out = np.full((n, m), np.nan)
    for j in range(m):
        for i in range(n):
            if i - half < -1e-6 or i + half > n - 1 + 1e-6:
                continue
            x, heights = profile(z[:, j], i, half)
            hull, slope, (left, right) = rules(x, heights, i)
            gaps = hull + slope * (x - i) - heights
            if mode == "rule":
                out[i, j] = gaps.max()
            elif mode == "contacts":
                out[i, j] = gaps[(x >= left - 1e-9) & (x <= right + 1e-9)].max()
            else:
                # between two samples that carry it the glass may seem to stand above the rule
                out[i, j] = max(0.0, hull + slope * at - foot(z[:, j], i + at))
    return out


def bumpy(seed: int = 3, sigma_mm: float = 0.02, **grid: float) -> xr.DataArray:
    rng = np.random.default_rng(seed)
    options = {"length_mm": 180.0, "width_mm": 60.0, "wavelength_mm": 50.0, **grid}
    height = surfaces.wave(**options)
    return height + sigma_mm * rng.standard_normal(height.shape)


@pytest.mark.parametrize("base_mm", [60.0, 120.0, 200.0, 239.0, 240.0, 300.0, 500.5])
def test_flat_base_on_an_even_wave(base_mm: float) -> None:
    # 0 on a crest; in a valley -A (1 - cos(pi B / L)) while B < L, then -2 A (derived)
    height = surfaces.wave(length_mm=1400.0, phase_rad=-math.pi * 1 / L)  # crests on samples
    reading = sweep_flat_base(height, base_mm=base_mm)
    depth = A * (1 - math.cos(math.pi * min(base_mm, L) / L))
    assert float(reading.max()) == 0.0
    assert float(reading.min()) == pytest.approx(-depth, abs=PRECISION_MM)


@pytest.mark.parametrize("half_span_mm", [30.0, 60.0, 100.0, 120.0, 150.0, 200.0])
def test_the_factor_between_a_three_point_gauge_and_a_flat_base_of_its_reach(half_span_mm) -> None:
    height = surfaces.wave(length_mm=1400.0, phase_rad=-math.pi / L)
    three = float(np.ptp(sweep_gauge(height, half_span_mm=half_span_mm).values[450:950]))
    flat = float(np.ptp(sweep_flat_base(height, base_mm=2 * half_span_mm).values[450:950]))
    factor = 2.0 if 2 * half_span_mm <= L else surfaces.gain(half_span_mm, L)
    assert three == pytest.approx(2 * A * surfaces.gain(half_span_mm, L), rel=1e-6)
    assert three / flat == pytest.approx(factor, rel=1e-6)


@pytest.mark.parametrize("length_mm", [60.0, 120.0, 238.0, 240.0, 300.0, 480.0, 700.0])
def test_straight_edge_bridging_a_valley(length_mm: float) -> None:
    height = surfaces.wave(length_mm=1800.0, phase_rad=-math.pi / L)
    depth = A * (1 - math.cos(math.pi * min(length_mm, L) / L))
    whole = sweep_straight_edge(height, length_mm=length_mm)
    bridged = sweep_straight_edge(height, length_mm=length_mm, between_contacts=True)
    middle = sweep_straight_edge(height, length_mm=length_mm, gap_at_mm=0.0)
    valley = {"x": round(3.5 * L)}
    for gap in (whole, bridged, middle):
        np.testing.assert_allclose(gap.isel(valley), depth, rtol=0, atol=PRECISION_MM)
    # what is bridged is never deeper than the wave; a rule tipped over a crest may show more
    assert float(bridged.max()) == pytest.approx(depth, abs=PRECISION_MM)
    crest = {"x": round(4 * L)}
    np.testing.assert_allclose(whole.isel(crest), depth, rtol=0, atol=PRECISION_MM)
    if length_mm >= 2 * L:  # there is always a crest on either side of the centre
        np.testing.assert_allclose(whole.values[~np.isnan(whole)], 2 * A, atol=PRECISION_MM)


def test_on_a_dome_the_rule_is_the_tangent_and_in_a_dish_the_chord() -> None:
    radius_mm, length_mm = 281_000.0, 300.0
    dome = surfaces.field(lambda x, y: -((x - 650) ** 2) / (2 * radius_mm) + 0 * y)
    sagitta = length_mm**2 / (8 * radius_mm)
    tangent = sweep_straight_edge(dome, length_mm=length_mm)
    chord = sweep_straight_edge(-dome, length_mm=length_mm)
    for gap in (tangent, chord):
        seen = gap.values[np.isfinite(gap)]
        np.testing.assert_allclose(seen, sagitta, rtol=0, atol=PRECISION_MM)
    bridged = sweep_straight_edge(dome, length_mm=length_mm, between_contacts=True)
    assert float(bridged.max()) == 0.0
    # 100 mm off the middle of the rule: x^2 / (2 R) below the tangent, either side
    off = sweep_straight_edge(dome, length_mm=length_mm, gap_at_mm=-100.25)
    seen = off.values[np.isfinite(off)]
    np.testing.assert_allclose(seen, 100.25**2 / (2 * radius_mm), rtol=0, atol=PRECISION_MM)


@pytest.mark.parametrize("base_mm", [6.0, 31.0, 50.5, 77.3, 120.0])
@pytest.mark.parametrize("sigma_mm", [0.0, 0.02])
def test_the_sweeps_are_double_loops(base_mm: float, sigma_mm: float) -> None:
    height = bumpy(sigma_mm=sigma_mm)
    z, half = height.values, base_mm / 2
    at = 0.31 * half
    cases = [
        (sweep_flat_base(height, base_mm=base_mm), -oracle(z, half, "place")),
        (sweep_straight_edge(height, length_mm=base_mm), oracle(z, half)),
        (
            sweep_straight_edge(height, length_mm=base_mm, gap_at_mm=at),
            oracle(z, half, "place", at),
        ),
    ]
    if sigma_mm:  # without noise contacts on equal crests are a matter of rounding
        bridged = sweep_straight_edge(height, length_mm=base_mm, between_contacts=True)
        cases.append((bridged, oracle(z, half, "contacts")))
    for swept, expected in cases:
        np.testing.assert_allclose(swept.values, expected, rtol=0, atol=2 * PRECISION_MM)


def scipy_hull(x: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Upper hull, left to right, by scipy (Qhull)."""
    hull = ConvexHull(np.column_stack([x, z]))
    upper = hull.simplices[hull.equations[:, 1] > 1e-9]
    corners = np.unique(upper)
    order = corners[np.argsort(x[corners])]
    return x[order], z[order]


@pytest.mark.parametrize("base_mm", [40.0, 90.6])
def test_the_base_rests_on_the_hull_that_scipy_finds(base_mm: float) -> None:
    height = bumpy(seed=5, length_mm=260.0)
    reading = sweep_flat_base(height, base_mm=base_mm).values
    gap = sweep_straight_edge(height, length_mm=base_mm).values
    compared = 0
    for j in range(height.sizes["y"]):
        for i in np.flatnonzero(np.isfinite(reading[:, j])):
            x, z = profile(height.values[:, j], i, base_mm / 2)
            xs, zs = scipy_hull(x, z)
            hull = np.interp(i, xs, zs)
            assert reading[i, j] == pytest.approx(z[x == i][0] - hull, abs=PRECISION_MM)
            if i in xs:
                continue
            k = int(np.searchsorted(xs, i))
            slope = (zs[k] - zs[k - 1]) / (xs[k] - xs[k - 1])
            largest = (hull + slope * (x - i) - z).max()
            assert gap[i, j] == pytest.approx(largest, abs=PRECISION_MM)
            compared += 1
    assert compared > 300


def test_real_terrain_against_scipy() -> None:
    # elevation grid in metres that matplotlib ships, read in plain units of one sample
    with get_sample_data("jacksboro_fault_dem.npz") as dem:
        z = dem["elevation"][50:150, 200:230].astype(np.float64)
    terrain = xr.DataArray(
        z, dims=("x", "y"), coords={"x": np.arange(100.0), "y": 1.5 * np.arange(30)}
    )
    reading = sweep_flat_base(terrain, base_mm=24.0).values
    for j in range(0, 30, 5):
        for i in range(12, 88):
            x, heights = profile(z[:, j], i, 12.0)
            expected = z[i, j] - np.interp(i, *scipy_hull(x, heights))
            assert reading[i, j] == pytest.approx(expected, abs=1e-5)
    assert reading[12:88].min() < -30


@pytest.mark.parametrize(
    "sweep",
    [
        lambda h, along="x": sweep_flat_base(h, base_mm=41.4, along=along),
        lambda h, along="x": sweep_straight_edge(h, length_mm=41.4, along=along),
        lambda h, along="x": sweep_straight_edge(
            h, length_mm=41.4, along=along, between_contacts=True
        ),
    ],
    ids=["flat base", "straight edge", "bridged"],
)
def test_invariances(sweep) -> None:
    height = bumpy()
    reading = sweep(height).values
    np.testing.assert_array_equal(sweep(2 * height).values, 2 * reading)
    tilted = height + 0.3 + 1e-3 * height.x - 2e-3 * height.y
    np.testing.assert_allclose(sweep(tilted).values, reading, rtol=0, atol=2 * PRECISION_MM)
    for axis in (0, 1):
        flipped = height.copy(data=np.flip(height.values, axis))
        expected = np.flip(reading, axis)
        np.testing.assert_allclose(sweep(flipped).values, expected, atol=2 * PRECISION_MM)
    turned = height.rename({"x": "y", "y": "x"})
    np.testing.assert_array_equal(sweep(turned, along="y").values, reading)
    np.testing.assert_array_equal(sweep(turned.transpose(), along="y").values, reading.T)
    alone = [sweep(height.isel(y=[j])).values for j in range(height.sizes["y"])]
    np.testing.assert_array_equal(np.hstack(alone), reading)


def test_a_valley_in_a_short_dropout_does_not_matter_and_a_crest_does() -> None:
    height = surfaces.wave(length_mm=1000.0, phase_rad=-math.pi / L)
    whole = sweep_flat_base(height, base_mm=300.0)
    valley, crest = round(2.5 * L), round(2 * L)
    holed = height.copy()
    holed[valley - 20 : valley - 10, 0] = np.nan
    holed[crest - 5 : crest + 6, 1] = np.nan
    reading = sweep_flat_base(holed, base_mm=300.0)
    lost = np.isnan(reading.values) & np.isfinite(whole.values)
    # no plunger on the dropout, no end of the base on it, and no other reading lost
    own = {*range(valley - 20, valley - 10)}
    own |= {k + side for k in own for side in (-150, 150)}
    inside = {k for k in own if np.isfinite(whole.values[k, 0])}
    assert set(np.flatnonzero(lost[:, 0])) == inside
    # every base that would have stood on the crest is lost; none that does not reach it, and not
    # those that balance beside it, on the arch that was measured
    lost_1 = np.flatnonzero(lost[:, 1])
    assert {crest + k for r in range(30, 145) for k in (-r, r)} <= set(lost_1)
    assert np.abs(lost_1 - crest).max() <= 155
    kept = np.isfinite(reading.values)
    np.testing.assert_allclose(reading.values[kept], whole.values[kept], atol=PRECISION_MM)


def test_no_reading_ever_rests_lower_than_the_hidden_glass_allows() -> None:
    # random smooth surfaces: a reading that is given is that of the complete glass
    rng = np.random.default_rng(17)
    wrong, given, possible = 0.0, 0, 0
    for _ in range(30):
        lengths, phases = rng.uniform(120, 400, 3), rng.uniform(0, 2 * math.pi, 3)
        height = surfaces.field(
            lambda x, y, lengths=lengths, phases=phases: (
                0.03
                * sum(
                    np.cos(2 * math.pi * x / length + phase)
                    for length, phase in zip(lengths, phases, strict=True)
                )
                + 0 * y
            ),
            length_mm=900.0,
            width_mm=40.0,
        )
        holed = height.copy()
        for start in rng.integers(0, 880, 6):
            holed[start : start + int(rng.integers(1, 20)), :] = np.nan
        whole = sweep_flat_base(height, base_mm=250.0).values
        seen = sweep_flat_base(holed, base_mm=250.0).values
        both = np.isfinite(seen)
        wrong = max(wrong, float(np.abs(seen - whole)[both].max(initial=0.0)))
        given += int(both.sum())
        possible += int((np.isfinite(whole) & np.isfinite(holed.values)).sum())
    # what a tent may miss is 2 um at most for the shortest of these waves, and rarely carries
    assert wrong < 1e-4
    assert given > 0.7 * possible


def test_a_long_dropout_and_the_end_of_the_glass_take_every_rule_that_reaches_them() -> None:
    height = surfaces.wave(length_mm=1000.0, phase_rad=-math.pi / L)
    valley = round(2.5 * L)
    holed = height.copy()
    holed[valley - 12 : valley + 13, :] = np.nan  # 25 mm
    holed[:30, 1] = np.nan
    gap = sweep_straight_edge(holed, length_mm=200.0).values
    seen = np.isfinite(gap)
    beyond = [k for k in range(100, 900) if abs(k - valley) > 112]
    np.testing.assert_array_equal(np.flatnonzero(seen[:, 0]), beyond)
    np.testing.assert_array_equal(np.flatnonzero(seen[:, 1]), [k for k in beyond if k >= 130])
    longer = sweep_straight_edge(holed, length_mm=200.0, largest_dropout_mm=25.0).values
    # spanned: only rules that end on it are lost
    ends = {k for k in range(100, 900) if 100 - 12 <= abs(k - valley) <= 100 + 12}
    assert set(np.flatnonzero(np.isfinite(longer[:, 0]))) == set(range(100, 900)) - ends


def test_a_plane_with_dropouts_reads_zero() -> None:
    plane = surfaces.field(lambda x, y: 1.0 + 2e-3 * x - 1e-3 * y, length_mm=400.0)
    plane[100:110] = np.nan
    gap = sweep_straight_edge(plane, length_mm=120.5)
    assert float(np.abs(gap).max()) < 1e-12
    # the low end of a rule, 60.25 mm before its centre, stands between two samples
    on_it = {k for k in range(61, 339) if {k - 61, k - 60} & set(range(100, 110))}
    assert set(np.flatnonzero(gap.isel(y=0).notnull())) == set(range(61, 339)) - on_it


def test_noise_deepens_readings_as_the_module_says() -> None:
    rng = np.random.default_rng(29)
    height = surfaces.wave(length_mm=1800.0, width_mm=2000.0, phase_rad=-math.pi / L)
    noisy = height + 0.005 * rng.standard_normal(height.shape)
    valley = {"x": round(3.5 * L)}
    flat = float(sweep_flat_base(noisy, base_mm=300.0).isel(valley).mean())
    gap = float(sweep_straight_edge(noisy, length_mm=300.0).isel(valley).mean())
    assert -flat - 2 * A == pytest.approx(0.010, abs=0.002)
    assert gap - 2 * A == pytest.approx(0.020, abs=0.003)
    smooth = noisy.copy(data=local_fit(noisy.values.astype(np.float32), 20))
    flat = float(sweep_flat_base(smooth, base_mm=300.0).isel(valley).mean())
    gap = float(sweep_straight_edge(smooth, length_mm=300.0).isel(valley).mean())
    assert -flat - 2 * A == pytest.approx(0.001, abs=0.0005)
    assert gap - 2 * A == pytest.approx(0.002, abs=0.0005)


def test_what_cannot_be_swept_is_refused_in_one_sentence() -> None:
    height = surfaces.wave(length_mm=300, width_mm=60)
    with pytest.raises(LiteTooSmall) as small:
        sweep_straight_edge(height, length_mm=500.0)
    assert str(small.value) == (
        "lite: 299 mm of glass along x; at least the length of a straight edge, 500 mm; "
        "use a shorter one or a longer scan."
    )
    for wrong in (0.0, -3.0, math.nan, math.inf):
        with pytest.raises(SettingsError, match=r"a base of .* mm; a positive length"):
            sweep_flat_base(height, base_mm=wrong)
    with pytest.raises(SettingsError, match="a base along 'z'; along 'x' or 'y'"):
        sweep_flat_base(height, base_mm=50.0, along="z")
    with pytest.raises(SettingsError, match="a place on the rule, within 25 mm"):
        sweep_straight_edge(height, length_mm=50.0, gap_at_mm=26.0)
    with pytest.raises(SettingsError, match="leave out gap_at_mm or between_contacts"):
        sweep_straight_edge(height, length_mm=50.0, gap_at_mm=0.0, between_contacts=True)


def test_a_reading_says_what_it_is() -> None:
    height = surfaces.wave(length_mm=300, width_mm=60)
    gap = sweep_straight_edge(height, length_mm=200.0, gap_at_mm=20.0)
    assert gap.attrs == {
        "units": "mm",
        "long_name": "gap 20 mm from the centre below a straight edge of 200 mm",
    }
    flat = sweep_flat_base(height, base_mm=200.0)
    assert flat.attrs["long_name"] == "reading of a flat-base gauge of 200 mm"
    assert (flat.dtype, flat.name, flat.dims) == (np.float32, "reading", ("x", "y"))
