"""The three-point sweep: closed forms, a slow oracle, invariances, published values."""

from __future__ import annotations

import csv
import math
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from matplotlib.cbook import get_sample_data

import surfaces
from midchord.gauge import gain, sweep_gauge
from midchord_io.errors import LiteTooSmall, SettingsError

DATA = Path(__file__).parent / "data"
AMPLITUDE_MM, WAVELENGTH_MM = 0.05, 240.0
PRECISION_MM = 2e-8
"""Of float32 at heights up to 0.1 mm, over three contacts."""


def oracle(z: np.ndarray, span: float) -> np.ndarray:
    """Plain double loop; span in samples. Feet between samples by the polynomial through the four
    samples about them, or as many of them as there are."""
    n, m = z.shape
    out = np.full((n, m), np.nan)

    def foot(place: float, j: int) -> float:
        k = math.floor(place + 1e-6)
        if abs(place - k) < 1e-6:
            return float(z[k, j])
        if not (np.isfinite(z[k, j]) and np.isfinite(z[k + 1, j])):
            return math.nan
        total = 0.0
        nodes = [k, k + 1]
        nodes += [q for q in (k - 1, k + 2) if 0 <= q < n and np.isfinite(z[q, j])]
        for q in nodes:
            weight = math.prod((place - r) / (q - r) for r in nodes if r != q)
            total += weight * float(z[q, j])
        return total

    for i in range(n):
        for j in range(m):
            if i - span > -1e-6 and i + span < n - 1 + 1e-6:
                out[i, j] = z[i, j] - (foot(i - span, j) + foot(i + span, j)) / 2
    return out


def bumpy(seed: int = 3, **grid: float) -> xr.DataArray:
    rng = np.random.default_rng(seed)
    height = surfaces.wave(length_mm=700, width_mm=100, **grid)
    return height + 0.01 * rng.standard_normal(height.shape)


@pytest.mark.parametrize("half_span_mm", [30.0, 60.0, 119.75, 120.0, 240.0])
def test_an_even_wave_comes_out_as_itself_times_the_gain(half_span_mm: float) -> None:
    height = surfaces.wave(amplitude_mm=AMPLITUDE_MM, wavelength_mm=WAVELENGTH_MM)
    reading = sweep_gauge(height, half_span_mm=half_span_mm)
    expected = (height * surfaces.gain(half_span_mm, WAVELENGTH_MM)).where(reading.notnull())
    np.testing.assert_allclose(reading, expected, rtol=0, atol=PRECISION_MM)
    assert int(reading.isel(y=0).notnull().sum()) == 1300 - math.ceil(2 * half_span_mm)


def test_at_half_a_wave_the_dial_swings_twice_the_depth_and_at_a_whole_one_not_at_all() -> None:
    height = surfaces.wave(amplitude_mm=AMPLITUDE_MM, wavelength_mm=WAVELENGTH_MM, phase_rad=0.3)
    swings = [
        float(np.ptp(sweep_gauge(height, half_span_mm=a).values[300:-300])) for a in (120.0, 240.0)
    ]
    depth = float(np.ptp(height.values))
    np.testing.assert_allclose(swings, [2 * depth, 0.0], rtol=1e-6, atol=PRECISION_MM)


def test_a_circle_reads_its_sagitta_over_the_half_span_everywhere() -> None:
    # r = a^2 / (2 R), geometry; exact for a parabola
    radius_mm, a = 281_000.0, 115.3
    bowed = surfaces.field(lambda x, y: -((x - 650) ** 2) / (2 * radius_mm) + 0 * y)
    reading = sweep_gauge(bowed, half_span_mm=a).values
    seen = reading[np.isfinite(reading)]
    # float32 of a height of 0.75 mm
    np.testing.assert_allclose(seen, a**2 / (2 * radius_mm), rtol=0, atol=1.2e-7)
    # and for a true arc of a circle the next term is a^2 / (4 R^2) of it
    arc = surfaces.field(lambda x, y: np.sqrt(2000.0**2 - (x - 650) ** 2) - 2000 + 0 * y)
    middle = float(sweep_gauge(arc, half_span_mm=100.0).sel(x=650.5).mean())
    assert middle == pytest.approx(2000 - math.sqrt(2000**2 - 100**2), rel=1e-5)


def test_short_feet_read_curvature_with_the_known_loss() -> None:
    # -4 r / a^2 over the true power 2 z'': 2 (1 - cos q) / q^2, q = 2 pi a / L (derived)
    height = surfaces.wave(wavelength_mm=WAVELENGTH_MM)
    true = -2 * (2 * math.pi / WAVELENGTH_MM) ** 2 * height
    ratios = []
    for share in (10, 4, 2):
        a = WAVELENGTH_MM / share
        power = -4 * sweep_gauge(height, half_span_mm=a) / a**2
        strong = power.notnull() & (np.abs(height) > 0.03)
        ratios.append(float((power / true).where(strong).mean()))
    np.testing.assert_allclose(ratios, [0.967, 0.811, 0.405], rtol=0, atol=6e-4)


@pytest.mark.parametrize("half_span_mm", [1.0, 17.0, 48.4, 100.25, 340.5])
@pytest.mark.parametrize("pitch_x_mm", [1.0, 7.0])
def test_the_sweep_is_a_double_loop(half_span_mm: float, pitch_x_mm: float) -> None:
    height = bumpy(pitch_x_mm=pitch_x_mm)
    z = height.values.astype(np.float32)
    z[40:43, 1] = z[20, 2] = z[-1, 3] = np.nan
    height = height.copy(data=z)
    reading = sweep_gauge(height, half_span_mm=half_span_mm)
    np.testing.assert_allclose(
        reading.values, oracle(z, half_span_mm / pitch_x_mm), rtol=0, atol=PRECISION_MM
    )


@pytest.mark.parametrize(("half_span_mm", "at"), [(60.0, (0, 60, -60)), (60.5, (0,))])
def test_one_missing_point_takes_its_own_readings_and_no_other(half_span_mm, at) -> None:
    whole = bumpy()
    holed = whole.copy()
    holed[300, 2] = np.nan
    before, after = (sweep_gauge(h, half_span_mm=half_span_mm) for h in (whole, holed))
    lost = np.argwhere(np.isfinite(before.values) & np.isnan(after.values))
    # a foot half-way between two samples stands on both
    rows = {300 + k for k in at}
    if half_span_mm % 1:
        rows |= {300 + side * k for side in (-1, 1) for k in (60, 61)}
    assert {tuple(place) for place in lost} == {(row, 2) for row in rows}
    others = np.isfinite(after.values)
    if not half_span_mm % 1:
        np.testing.assert_array_equal(after.values[others], before.values[others])


def test_heights_scale_and_planes_vanish() -> None:
    height = bumpy()
    reading = sweep_gauge(height, half_span_mm=70.3)
    twice = sweep_gauge(2 * height, half_span_mm=70.3)
    np.testing.assert_array_equal(twice.values, 2 * reading.values)
    tilted = height + 0.3 + 1e-3 * height.x - 2e-3 * height.y
    moved = sweep_gauge(tilted, half_span_mm=70.3)
    np.testing.assert_allclose(moved, reading, rtol=0, atol=2e-7)


def test_a_flipped_lite_reads_the_same_flipped() -> None:
    height = bumpy()
    for axis in (0, 1):
        flipped = height.copy(data=np.flip(height.values, axis))
        np.testing.assert_allclose(
            sweep_gauge(flipped, half_span_mm=70.3).values,
            np.flip(sweep_gauge(height, half_span_mm=70.3).values, axis),
            rtol=0,
            atol=PRECISION_MM,
        )


def test_lines_do_not_know_of_each_other() -> None:
    height = bumpy()
    together = sweep_gauge(height, half_span_mm=55.5).values
    alone = [sweep_gauge(height.isel(y=[j]), half_span_mm=55.5).values for j in range(5)]
    np.testing.assert_array_equal(together, np.hstack(alone))


def test_every_line_and_every_point_may_have_its_own_feet() -> None:
    height = bumpy()
    spans = xr.DataArray([40.0, 50.5, math.nan, 60.0, 70.25], dims="y")
    by_line = sweep_gauge(height, half_span_mm=spans).values
    for j, span in enumerate(spans.values):
        if math.isnan(span):
            assert np.isnan(by_line[:, j]).all()
        else:
            one = sweep_gauge(height, half_span_mm=float(span)).values[:, j]
            np.testing.assert_array_equal(by_line[:, j], one)
    local = xr.DataArray(np.linspace(40.0, 80.0, 700), dims="x") + 0 * spans.fillna(1.0)
    by_point = sweep_gauge(height, half_span_mm=local.transpose("y", "x")).values
    z = height.values.astype(np.float32)
    for i in (100, 333, 640):
        expected = oracle(z, float(local[i, 0]))[i]
        np.testing.assert_allclose(by_point[i], expected, rtol=0, atol=PRECISION_MM)


def test_feet_between_coarse_samples_need_the_cubic() -> None:
    # measurement by feet half-way between samples 10 mm apart, L = 200 mm: a line through two
    # samples loses 1 - cos(pi h / L) = 1.2 % of a foot's height, the cubic 0.02 %
    height = surfaces.wave(wavelength_mm=200.0, pitch_x_mm=10.0, length_mm=1000.0)
    z = height.values[:, 0]
    reading = sweep_gauge(height, half_span_mm=95.0).values[:, 0]
    true = z * surfaces.gain(95.0, 200.0)
    linear = np.full(z.size, np.nan)
    for i in range(10, z.size - 10):
        low, high = z[i - 10] + z[i - 9], z[i + 9] + z[i + 10]
        linear[i] = z[i] - (low + high) / 4
    inner = slice(12, -12)
    cubic_loss = np.abs(reading - true)[inner].max() / 0.05
    linear_loss = np.abs(linear - true)[inner].max() / 0.05
    assert cubic_loss < 2.5e-4
    foot = abs(math.cos(2 * math.pi * 95 / 200)) * np.abs(z[inner]).max() / 0.05
    assert linear_loss == pytest.approx((1 - math.cos(math.pi * 10 / 200)) * foot, rel=1e-4)
    # at 1 mm pitch and L = 200 mm even the line is within 2e-4 (design figure)
    assert (math.pi / 200) ** 2 / 2 < 2e-4


@pytest.mark.parametrize(
    ("wavelength_m", "published"),
    [
        (5, 0.0),
        (6, 0.5),
        (8, 1.7071),
        (10, 2.0),
        (15, 1.5),
        (20, 1.0),
        (25, 0.69098),
        (30, 0.5),
        (40, 0.29289),
        (50, 0.19098),
        (70, 0.09903),
        (100, 0.04894),
    ],
)
def test_the_gain_is_that_of_the_mid_chord_offset(wavelength_m: float, published: float) -> None:
    # symmetric chord of 10 m in railway track geometry, 1 - cos(pi C / lambda); tabled e.g. by
    # Ahmadian, Joint Railroad Conference 1999
    assert float(gain(5000.0, 1000.0 * wavelength_m)) == pytest.approx(published, abs=5e-5)
    # and the sweep has it: chord 10 m as 100 samples
    track = surfaces.wave(
        amplitude_mm=1.0,
        wavelength_mm=10.0 * wavelength_m,
        length_mm=2500.0,
        width_mm=60.0,
        phase_rad=0.2,
    )
    swept = sweep_gauge(track, half_span_mm=50.0).isel(y=0)
    strong = np.abs(track.isel(y=0)) > 0.5
    ratio = (swept / track.isel(y=0)).where(strong & swept.notnull())
    assert float(ratio.mean()) == pytest.approx(published, abs=5e-5)


@pytest.mark.parametrize("line", [0, 1])
def test_the_curvature_of_a_measured_floor(line: int) -> None:
    # elevations in mm every 300 mm on two lines of a concrete floor, and the curvature q printed
    # beside them: worked sheet for ASTM E1155M-96(2001), a national laboratory's alignment group,
    # floor test pad, May 2003. q = h(i) - 2 h(i-1) + h(i-2), printed at i, so r = -q / 2
    with (DATA / "floor_elevations.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if int(row["line"]) == line]
    elevation = np.array([float(row["elevation_mm"]) for row in rows])
    published_q = [float(row["published_q_mm"]) for row in rows[2:]]
    z = np.repeat(elevation[:, np.newaxis], 3, axis=1)
    floor = xr.DataArray(
        z, dims=("x", "y"), coords={"x": 300.0 * np.arange(len(z)), "y": [0.0, 300.0, 600.0]}
    )
    reading = sweep_gauge(floor, half_span_mm=300.0).values[1:-1, 1]
    np.testing.assert_allclose(-2 * reading, published_q, rtol=0, atol=0.0015)


@pytest.mark.parametrize("samples", [1, 4, 9])
def test_it_is_the_second_derivative_at_a_distance_of_a_surface_library(samples: int) -> None:
    # SurfaceTopography (MIT): derivative(n=2, distance=[2 a])[0] times -a^2 / 2
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # deprecations on import are the library's
        from SurfaceTopography import Topography

    rng = np.random.default_rng(11)
    z = rng.standard_normal((60, 41)).astype(np.float32)
    length_mm, width_mm = 120.0, 205.0
    library = Topography(z.astype(float), (length_mm, width_mm), unit="mm")
    a = 2.0 * samples
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        second = library.derivative(n=2, distance=[2 * a])[0]
    surface = xr.DataArray(
        z, dims=("x", "y"), coords={"x": 2.0 * np.arange(60), "y": 5.0 * np.arange(41)}
    )
    reading = sweep_gauge(surface, half_span_mm=a).values[samples:-samples]
    theirs = -(a**2) / 2 * np.squeeze(np.asarray(second))
    trimmed = (41 - theirs.shape[1]) // 2
    ours = reading[:, trimmed : 41 - trimmed]
    assert theirs.shape[0] == 60 - 2 * samples
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-6)


def test_real_terrain_against_the_double_loop() -> None:
    # elevation grid in metres that matplotlib ships, read in plain units of one sample
    with get_sample_data("jacksboro_fault_dem.npz") as dem:
        z = dem["elevation"][50:150, 200:260].astype(np.float32)
    terrain = xr.DataArray(
        z, dims=("x", "y"), coords={"x": np.arange(100.0), "y": 1.5 * np.arange(60)}
    )
    assert float(np.ptp(z)) > 100
    for span in (7.0, 20.35):
        reading = sweep_gauge(terrain, half_span_mm=span).values
        np.testing.assert_allclose(reading, oracle(z, span), rtol=0, atol=1e-4)
        assert np.isfinite(reading).sum() == (100 - 2 * math.ceil(span)) * 60


def test_what_cannot_be_swept_is_refused_in_one_sentence() -> None:
    height = surfaces.wave(length_mm=300, width_mm=60)
    with pytest.raises(LiteTooSmall) as small:
        sweep_gauge(height, half_span_mm=150.0)
    assert str(small.value) == (
        "lite: 299 mm of glass along x; more than the feet span, 300 mm; "
        "use a smaller half-span or a longer scan."
    )
    for wrong in (0.0, -3.0, math.nan, math.inf):
        with pytest.raises(SettingsError, match="a positive length, plunger to foot"):
            sweep_gauge(height, half_span_mm=wrong)
    with pytest.raises(SettingsError, match="half-spans along 'line'"):
        sweep_gauge(height, half_span_mm=xr.DataArray([1.0, 2.0], dims="line"))


def test_a_reading_says_what_it_is() -> None:
    reading = sweep_gauge(bumpy(), half_span_mm=40.0)
    assert reading.name == "reading"
    assert reading.attrs == {"units": "mm", "long_name": "three-point reading"}
    assert reading.dtype == np.float32
