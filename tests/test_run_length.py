"""Average run lengths against published ones.

All published values are quoted from the examples of the manual of the R package ``spc`` (S. Knoth,
``xcusum.arl`` and ``xewma.arl``), which name the papers and reprint their figures.
"""

from __future__ import annotations

import numpy as np
import pytest

from midchord.charts.run_length import arl_cusum, arl_ewma, arl_individuals, ewma_sd, one_sided

SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5]
# Lucas and Crosier, Technometrics 24 (1982), table 1: two-sided, k 0.5, h 4
CROSIER = [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31]
EWMA_SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5]
# Lucas and Saccucci, Technometrics 32 (1990), table 3
SACCUCCI = {
    (0.5, 3.071): [500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.5, 1.93, 1.58, 1.34, 1.07],
    (0.03, 2.437): [500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.8, 4.03, 3.49, 3.11, 2.55],
}


def upper(k: float, h: float, mu: float) -> float:
    return float(one_sided(*(np.array([v]) for v in (k, h, mu)))[0])


def test_the_two_sided_cusum_of_lucas_and_crosier() -> None:
    # three printed digits
    np.testing.assert_allclose(arl_cusum(0.5, 4.0, SHIFTS), CROSIER, rtol=0.004)


@pytest.mark.parametrize(
    ("k", "h", "mu", "printed", "digit"),
    [
        (0.5, 3.0, 0.0, 117.59, 0.01),  # Brook and Evans (1972), by a Markov chain
        (0.5, 3.0, 1.5, 3.75, 0.01),
        (0.0, 10.0, -0.25, 2071.51, 0.1),  # Vance (1986), table 1, with Goel and Wu (1971)
        (0.0, 10.0, 0.0, 124.66, 0.01),
        (0.0, 10.0, 1.0, 10.75, 0.01),
        (0.5, 3.0, -0.5, 1963.0, 1.0),  # Waldmann (1986)
        (0.25, 8.0, 2.5, 4.1500836225, 2e-7),  # a manual of 1999, its own quadrature
    ],
)
def test_the_one_sided_cusum(k: float, h: float, mu: float, printed: float, digit: float) -> None:
    assert upper(k, h, mu) == pytest.approx(printed, abs=digit)


def test_both_sides_of_a_cusum_add_their_rates() -> None:
    assert float(arl_cusum(0.25, 8.0, 2.5)) == pytest.approx(4.1500826715, abs=2e-6)
    # Waldmann (1986), table 6, prints 65.4, from bounds; the equation gives 65.46
    assert float(arl_cusum(0.6, 3.0, -0.2)) == pytest.approx(65.4, abs=0.1)


@pytest.mark.parametrize("design", SACCUCCI)
def test_the_ewma_of_lucas_and_saccucci(design: tuple[float, float]) -> None:
    found = arl_ewma(*design, EWMA_SHIFTS)
    np.testing.assert_allclose(found, SACCUCCI[design], rtol=0.006)  # three printed digits


def test_the_ewma_of_others() -> None:
    assert float(arl_ewma(0.25, 3.0, 1.0)) == pytest.approx(11.154267016, abs=1e-8)  # manual, 1999
    widths = [2 * np.sqrt((2 - w) / w) for w in (0.75, 0.5)]
    found = [float(arl_ewma(w, c, 0.0)) for w, c in zip((0.75, 0.5), widths, strict=True)]
    assert found == pytest.approx([104.0, 1952.0], rel=0.0005)  # Waldmann (1986), table 1
    # Crowder, Technometrics 29 (1987), table 1: weight 0.05, width 2
    crowder = arl_ewma(0.05, 2.0, [0, 0.5, 1, 2, 4])
    np.testing.assert_allclose(crowder, [127.53, 18.97, 8.38, 4.04, 2.15], atol=0.005)


def test_an_ewma_of_weight_one_is_the_chart_of_individuals() -> None:
    # three sigma, in control: 1 / 0.0027 = 370.4
    assert float(arl_individuals(3.0, 0.0)) == pytest.approx(370.398, abs=0.001)
    assert float(arl_individuals(3.0, 1.0)) == pytest.approx(43.89, abs=0.01)  # from memory
    assert ewma_sd(0.3) == pytest.approx(0.4201, abs=5e-5)  # NIST/SEMATECH e-Handbook 6.3.2.4


def test_siegmunds_approximation_is_near() -> None:
    # from memory: (exp(2 d b) - 2 d b - 1) / (2 d^2), d = k - shift, b = h + 1.166
    b = 5 + 1.166
    near = (np.exp(b) - b - 1) / 0.5
    assert upper(0.5, 5.0, 0.0) == pytest.approx(near, rel=0.02)


def test_a_simulated_cusum_runs_as_long() -> None:
    rng = np.random.default_rng(8)
    state, alive = np.zeros((2, 4000)), np.ones(4000, dtype=bool)
    length = np.zeros(4000)
    for _ in range(1500):
        z = rng.standard_normal(4000) + 0.3
        state = np.maximum(0, state + np.stack([z, -z]) - 0.5)
        length += alive
        alive &= (state <= 3.5).all(axis=0)
    assert not alive.any()
    assert length.mean() == pytest.approx(float(arl_cusum(0.5, 3.5, 0.3)), rel=0.05)


def test_scale_and_shift_are_those_that_the_chart_sees() -> None:
    same = arl_ewma(0.2, 3.0, 0.5)
    assert float(arl_ewma(0.2, 6.0, 1.0, 2.0)) == pytest.approx(float(same), rel=1e-6)
