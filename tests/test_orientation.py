"""The orientation target: every one of the eight ways a matrix can lie is told from its numbers."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import pytest

from midchord.orientation import PADS_APART_MM, TARGET_MM, read_target, target_recipe
from midchord.simulate import simulate

WAYS = [
    (signs[0] + first, signs[1] + second)
    for first, second in (("x", "y"), ("y", "x"))
    for signs in itertools.product(("", "-"), repeat=2)
]


@pytest.fixture(scope="module")
def height() -> npt.NDArray[np.float64]:
    """(x, y), mm, of the simulated target."""
    return simulate(target_recipe())[0].height.values.astype(np.float64)


def as_stored(height: npt.NDArray[np.float64], axes: tuple[str, str]) -> npt.NDArray[np.float64]:
    for axis in axes:
        if axis.startswith("-"):
            height = np.flip(height, 0 if axis[-1] == "x" else 1)
    return height if axes[0][-1] == "x" else height.T


def test_the_simulated_target_has_each_bump_where_the_table_says() -> None:
    scan, truth = simulate(target_recipe())
    assert (truth.attrs["length_mm"], truth.attrs["width_mm"]) == (1200.0, 800.0)
    near = {"leading": 70.0, "trailing": 1130.0, "left": 70.0, "right": 730.0}
    for corner, peak_mm in TARGET_MM.items():
        end, side = corner.split("_")
        at = scan.height.sel(x=near[end], y=near[side], method="nearest")
        assert float(at) == pytest.approx(peak_mm, abs=0.03)
    assert sorted(TARGET_MM.values()) == [1.0, 2.0, 3.0, 4.0]


@pytest.mark.parametrize("axes", WAYS)
@pytest.mark.parametrize(
    ("mm_in_one", "unit"), [(1.0, "mm"), (1e-3, "um"), (1e3, "m"), (25.4, "inch"), (1e-6, "nm")]
)
def test_axes_sign_and_unit_follow_from_the_numbers(
    axes: tuple[str, str], mm_in_one: float, unit: str, height: npt.NDArray[np.float64]
) -> None:
    stored = as_stored(height, axes) / mm_in_one
    found = read_target(stored)
    assert found is not None
    assert (found.axes, found.sign, found.unit) == (axes, "up", unit)
    assert found.mm_per_number == pytest.approx(mm_in_one, rel=0.05)
    found = read_target(900.0 / mm_in_one - stored)
    assert found is not None
    assert (found.axes, found.sign, found.unit) == (axes, "down", unit)


def test_counts_of_no_unit_give_their_scale(height: npt.NDArray[np.float64]) -> None:
    found = read_target(height / 0.0127)
    assert found is not None
    assert found.unit is None
    assert found.mm_per_number == pytest.approx(0.0127, rel=0.05)


def test_tilt_and_thinning_and_spikes_do_not_hide_it(height: npt.NDArray[np.float64]) -> None:
    x, y = np.mgrid[0 : height.shape[0], 0 : height.shape[1]]
    tilted = height + 0.02 * x - 0.05 * y
    tilted[100, 50], tilted[300, 100] = 40.0, -40.0
    found = read_target(tilted[::3, ::2])
    assert found is not None
    assert (found.axes, found.sign) == (("x", "y"), "up")


def test_what_is_no_target() -> None:
    rng = np.random.default_rng(4)
    x, y = np.mgrid[0:200, 0:90]
    flat = 0.01 * rng.standard_normal((200, 90))
    wave = 0.05 * np.sin(x / 12) + flat
    assert read_target(flat) is None
    assert read_target(wave) is None
    equal = flat.copy()
    for at in ((20, 15), (20, 75), (180, 15), (180, 75)):
        equal += 2 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 30)
    assert read_target(equal) is None
    assert read_target(np.full((50, 50), np.nan)) is None
    assert read_target(np.zeros((50, 40))) is None
    assert read_target(np.arange(12.0).reshape(3, 4)) is None


def test_bumps_of_another_order_are_no_rigid_lite_and_no_target(
    height: npt.NDArray[np.float64],
) -> None:
    """The 4 mm bump beside the 1 mm one: somebody put the pads down wrongly."""
    half = height.shape[1] // 2
    wrong = height.copy()
    wrong[300:, :half], wrong[300:, half + 1 :] = (
        height[300:, half + 1 :][:, ::-1],
        height[300:, :half][:, ::-1],
    )
    assert read_target(wrong) is None


@pytest.mark.parametrize("steps", [(1, 1), (2, 1), (3, 2)])
def test_a_scale_is_read_to_half_a_per_cent_from_a_thinned_matrix(
    steps: tuple[int, int], height: npt.NDArray[np.float64]
) -> None:
    """Tops of the bumps lie between the samples that are left; 0.5 um a count."""
    found = read_target(height[:: steps[0], :: steps[1]] / 0.0005)
    assert found is not None
    assert found.unit is None
    assert found.mm_per_number == pytest.approx(0.0005, rel=0.005)
    assert found.accuracy < 0.02
    assert found.scale == ("um", 0.5)


def test_flat_pads_are_read_as_thick_as_they_are() -> None:
    rng = np.random.default_rng(3)
    lite = 0.003 * rng.standard_normal((600, 200))
    for at, thick in (((30, 15), 1.0), ((30, 180), 2.0), ((560, 15), 3.0), ((560, 180), 4.0)):
        lite[at[0] : at[0] + 20, at[1] : at[1] + 10] += thick
    found = read_target(lite)
    assert found is not None
    assert (found.axes, found.unit) == (("x", "y"), "mm")
    assert found.mm_per_number == pytest.approx(1.0, abs=0.002)
    assert found.apart == pytest.approx((530.0, 165.0), abs=0.5)
    assert read_target(lite * 1.06).unit is None  # type: ignore[union-attr]  # 6 % are seen


def test_pads_lie_as_far_apart_as_the_recipe_says(height: npt.NDArray[np.float64]) -> None:
    found = read_target(height)  # 2 mm along, 4 mm across
    assert found is not None
    assert (2 * found.apart[0], 4 * found.apart[1]) == pytest.approx(PADS_APART_MM, abs=1.0)
    assert PADS_APART_MM == (1060.0, 660.0)
