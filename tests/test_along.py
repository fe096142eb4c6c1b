"""Spectra along the travel: Parseval's theorem, closed forms, reference libraries, gaps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from midchord.spectra.along import density_along, least_squares, multitaper, welch

PITCH = 5.0
# a made-up profile of 64 points, and its unweighted multitaper densities (NW 2.5, 4 tapers, 1e-6
# mm^3) by the package multitaper 1.2.0, MTSpec(x, nw=2.5, kspec=4, dt=5, nfft=64, iadapt=1),
# zero frequency left out; that package scales them so that their sum is the plain variance
REFERENCE = [
    52.472941, 82.55204, 59.803026, 13678.398876, 14312.234881, 14201.39246, 13543.495757,
    7160.171576, 170.161599, 112.667668, 75.422513, 81.488996, 681.159725, 801.037858, 871.806281,
    867.464094, 606.663819, 33.184229, 20.09995, 19.434957, 13.34323, 19.507023, 18.621384,
    98.270956, 134.002907, 137.535657, 139.397436, 128.690348, 13.970276, 20.382443, 12.123965,
    8.466496,
]  # fmt: skip


def profile() -> np.ndarray:
    k = np.arange(64)
    z = 0.02 * np.cos(2 * np.pi * k / 11 + 0.3) + 0.005 * np.cos(2 * np.pi * k / 4.3)
    z += 0.003 * ((k * 7919) % 101 / 50 - 1)
    return z - z.mean()


def noise(count: int = 480, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count)


def test_multitaper_is_that_of_a_reference_package() -> None:
    ours = multitaper(profile(), PITCH).density
    ratio = np.array(REFERENCE) * 1e-6 / ours
    assert ratio == pytest.approx(np.full(32, ratio[0]), rel=1e-5)
    at_zero = 20.098697
    assert (at_zero + sum(REFERENCE)) / 320e6 == pytest.approx(profile().var(), rel=1e-6)


def test_welch_is_that_of_scipy() -> None:
    z = noise()
    ours = welch(z, PITCH, segment_mm=500.0)
    f, theirs = signal.welch(z, 1 / PITCH, nperseg=100, window="hann")
    assert ours.frequency == pytest.approx(f[1:])
    assert ours.density == pytest.approx(theirs[1:])


def test_one_taper_of_no_width_is_the_periodogram_and_keeps_parseval() -> None:
    """Parseval: the densities times their step sum to the variance, exactly for even steps."""
    z = noise(400) - noise(400).mean()
    x = np.arange(400) * PITCH
    ours = least_squares(x, z, np.arange(1, 200) / 2000.0)
    f, theirs = signal.periodogram(z, 1 / PITCH)
    assert ours.frequency == pytest.approx(f[1:200])
    assert ours.density == pytest.approx(theirs[1:200], rel=1e-9)
    last = theirs[200] / 2000.0
    assert ours.variance() + last == pytest.approx(z.var(), rel=1e-9)


@pytest.mark.parametrize("count", [480, 481])
def test_parseval_holds_on_average_for_tapers_and_segments(count: int) -> None:
    ratios = []
    for seed in range(60):
        z = noise(count, seed)
        ratios.append([multitaper(z, PITCH).variance(), welch(z, PITCH, segment_mm=600).variance()])
    assert np.mean(ratios, axis=0) == pytest.approx([1.0, 1.0], abs=0.03)


def test_the_area_of_a_line_is_half_its_amplitude_squared_and_its_curvature_that_times_k4() -> None:
    x = np.arange(480) * PITCH
    z = 0.03 * np.cos(2 * np.pi * x / 240.0 + 0.4)
    found = multitaper(z, PITCH)
    assert found.variance(150, 500) == pytest.approx(0.5 * 0.03**2, rel=0.01)
    fine = least_squares(x, z, np.arange(1, 240) / 2400.0)
    assert fine.curvature_variance(30.0) == pytest.approx(
        0.5 * 0.03**2 * (2 * math.pi / 240.0) ** 4, rel=1e-6
    )


def test_ordinates_scatter_by_their_degrees_of_freedom() -> None:
    """A chi-square of nu degrees of freedom over its mean has the variance 2 / nu."""
    for estimate in (
        lambda z: multitaper(z, PITCH),
        lambda z: welch(z, PITCH, segment_mm=600.0),
    ):
        found = [estimate(noise(480, seed)) for seed in range(250)]
        at = found[0].density.size // 2
        values = np.array([one.density[at] for one in found])
        assert 2 * (values.mean() / values.std()) ** 2 == pytest.approx(found[0].dof, rel=0.25)


def test_resolution_is_that_of_the_length() -> None:
    found = multitaper(noise(), PITCH)
    assert found.resolution == pytest.approx(5 / 2400.0)
    # L^2 / T = 24 mm at 240 mm on 2.4 m: derived
    fine = least_squares(np.arange(480) * PITCH, noise(), np.arange(1, 200) / 2400.0)
    assert fine.resolution_mm(240.0) == pytest.approx(24.0)


def test_short_gaps_change_little_and_long_ones_take_least_squares() -> None:
    x = np.arange(480) * PITCH
    z = 0.03 * np.cos(2 * np.pi * x / 250.0) + 0.001 * noise()
    gappy = z.copy()
    gappy[100:112] = np.nan
    assert density_along(gappy, PITCH).variance() == pytest.approx(z.var(), rel=0.05)
    gappy[200:330] = np.nan
    found = density_along(gappy, PITCH)
    assert found.method == "least_squares"
    top = found.frequency[int(np.argmax(found.density))]
    assert 1 / top == pytest.approx(250.0, rel=0.05)


def test_too_few_points_are_refused() -> None:
    z = np.full(100, np.nan)
    z[:10] = 1.0
    with pytest.raises(ValueError, match="fewer than 16 points"):
        multitaper(z, PITCH)
    with pytest.raises(ValueError, match="fewer than 16 points"):
        density_along(z, PITCH)
    with pytest.raises(ValueError, match="no segment"):
        welch(z, PITCH, segment_mm=200.0)
