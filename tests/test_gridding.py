"""Points to an even grid: against scipy and a slow loop, order, bands, holes, slopes, refusals."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binned_statistic_2d, median_abs_deviation

from midchord_io.acquisition import Finding
from midchord_io.errors import EmptyScan, ImplausibleScan, UnevenGrid, UnsupportedScan
from midchord_io.gridding import points_to_grid as gridding
from midchord_io.gridding.kernels import fill
from midchord_io.gridding.points_to_grid import Cell, Chunks, Gridded, grid_points

Points = npt.NDArray[np.float64]


def chunked(points: Points, size: int = 997) -> Chunks:
    def chunks() -> Iterator[Points]:
        for start in range(0, len(points), size):
            yield points[start : start + size]

    return chunks


def gridded(points: Points, pitch: tuple[float, float] | None = None, **options: object) -> Gridded:
    return grid_points(chunked(points), pitch_mm=pitch, where="cloud", **options)  # type: ignore[arg-type]


def strewn(count: int = 20_000, *, seed: int = 1, noise: float = 0.002) -> Points:
    """At random over 300 x 200 mm, of a flat plate with some noise."""
    random = np.random.default_rng(seed)
    return np.column_stack(
        [random.random(count) * 300, random.random(count) * 200, random.normal(0, noise, count)]
    )


def lattice(pitch_x: float, pitch_y: float, nx: int, ny: int) -> Points:
    x, y = np.meshgrid(np.arange(nx) * pitch_x, np.arange(ny) * pitch_y, indexing="ij")
    z = 0.05 * np.cos(2 * np.pi * x / 250.0) + 0.0001 * y
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()])


@pytest.mark.parametrize("cell", ["median", "mean"])
def test_cells_agree_with_the_binned_statistic_of_scipy(cell: Cell) -> None:
    points = strewn()
    found = gridded(points, (5.0, 4.0), cell=cell)
    x, y, z = points.T
    edges = [
        np.append(axis - step / 2, axis[-1] + step / 2)
        for axis, step in ((found.x_mm, 5.0), (found.y_mm, 4.0))
    ]

    def spread_of(values: Points) -> float:
        if len(values) < 2:
            return np.nan
        if cell == "mean":
            return float(np.std(values, ddof=1))
        return float(1.4826 * median_abs_deviation(values))

    expected = binned_statistic_2d(x, y, z, cell, edges).statistic
    count = binned_statistic_2d(x, y, z, "count", edges).statistic
    spread = binned_statistic_2d(x, y, z, spread_of, edges).statistic
    np.testing.assert_array_equal(found.points, count)
    assert count.min() == 0  # a corner cell has a quarter of the area
    # the paraboloid of pure noise is nearly flat: what it takes off and puts back is below 1e-5
    np.testing.assert_allclose(found.height_mm, expected, atol=1e-5)
    assert found.spread_mm is not None
    np.testing.assert_allclose(found.spread_mm, spread, atol=3e-5)


@pytest.mark.parametrize("cell", ["median", "mean"])
def test_the_order_of_the_points_does_not_matter(cell: Cell) -> None:
    points = strewn(8000)
    shuffled = np.random.default_rng(3).permutation(points)
    one, other = (gridded(some, (4.0, 6.0), cell=cell) for some in (points, shuffled))
    np.testing.assert_allclose(one.height_mm, other.height_mm, atol=3e-7)
    np.testing.assert_array_equal(one.points, other.points)


def test_a_grid_comes_back_as_it_was() -> None:
    points = lattice(1.5, 5.0, 400, 60)
    found = gridded(np.random.default_rng(2).permutation(points))
    np.testing.assert_array_equal(found.x_mm, np.arange(400) * 1.5)
    np.testing.assert_array_equal(found.y_mm, np.arange(60) * 5.0)
    np.testing.assert_allclose(found.height_mm.ravel(), points[:, 2], atol=2e-8)
    assert (found.points == 1).all()
    assert found.spread_mm is None  # no cell has two points


def test_bands_of_rows_give_what_one_band_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    points = strewn(12_000)
    whole = gridded(points, (5.0, 5.0))
    monkeypatch.setattr(gridding, "SORTED_AT_A_TIME", 700)
    banded = gridded(points, (5.0, 5.0))
    np.testing.assert_array_equal(banded.height_mm, whole.height_mm)
    np.testing.assert_array_equal(banded.spread_mm, whole.spread_mm)


def test_missing_points_stay_missing_and_are_counted() -> None:
    points = lattice(2.0, 3.0, 50, 40)
    points[777, 2] = np.nan
    points[1234, 2] = np.inf
    points[555, 0] = np.nan
    found = gridded(points)
    at = [divmod(number, 40) for number in (555, 777, 1234)]
    assert np.argwhere(np.isnan(found.height_mm)).tolist() == [list(cell) for cell in at]
    assert [found.points[cell] for cell in at] == [0, 0, 0]
    counted = {finding.what: finding.count for finding in found.findings}
    assert counted["points not measured"] == 2
    assert counted["points without a position"] == 1
    assert counted["points to grid"] == 1997


def test_a_slope_does_not_become_noise() -> None:
    """A tilt of 5 % and 10 mm bow, points off the centres of 5 mm cells: the form is taken off."""
    points = strewn(60_000, noise=0.0)

    def form(x: Points, y: Points) -> Points:
        return 0.05 * x - 0.02 * y + 10.0 * ((x - 150) / 150) ** 2

    points[:, 2] = form(points[:, 0], points[:, 1])
    found = gridded(points, (5.0, 5.0))
    truth = form(found.x_mm[:, None], found.y_mm[None, :])
    is_there = found.points > 0
    off = (found.height_mm - truth)[is_there]
    assert float(np.abs(off).max()) < 2e-6  # float32 near 10 mm; 0.4 mm without the form
    assert found.spread_mm is not None
    assert float(np.nanmax(found.spread_mm)) < 2e-6


def test_what_a_wave_leaves_is_as_documented() -> None:
    """Slope of the wave times the offset within a cell: 2 pi A / L, half a pitch at worst."""
    points = strewn(60_000, noise=0.0)
    wave = 2 * np.pi / 150.0
    points[:, 2] = 0.025 * np.cos(wave * points[:, 0])
    found = gridded(points, (5.0, 5.0), cell="mean")
    off = found.height_mm - 0.025 * np.cos(wave * found.x_mm)[:, None]
    assert float(np.nanmax(np.abs(off))) < 0.025 * wave * 2.5
    assert float(np.sqrt(np.nanmean(off**2))) < 0.0006


@given(
    st.lists(st.booleans(), min_size=30, max_size=30),
    st.floats(0, 12),
    st.sampled_from([(1.0, 2.0), (2.5, 1.0)]),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_holes_are_filled_up_to_their_length(
    has: list[bool], fill_mm: float, pitch: tuple[float, float]
) -> None:
    """Against a slow loop: a hole is bridged where its run of cells along an axis is short."""
    count = np.array(has, dtype=np.uint16).reshape(6, 5)
    i, j = np.indices(count.shape)
    plane = (1.0 + 0.25 * i - 0.5 * j).astype(np.float32)  # a bridge over a plane lies on it
    height = np.where(count > 0, plane, np.nan).astype(np.float32)
    filled, left = fill(height, count, np.array([0.0, 0.0, *pitch]), fill_mm)

    def run(line: npt.NDArray[np.uint16], at: int) -> float:
        before = [k for k in range(at) if line[k]]
        after = [k for k in range(at + 1, line.size) if line[k]]
        return after[0] - before[-1] - 1 if before and after else np.inf

    for row, column in np.argwhere(count == 0):
        lengths = run(count[:, column], row) * pitch[0], run(count[row], column) * pitch[1]
        assert np.isfinite(height[row, column]) == (min(lengths) <= fill_mm + 1e-9)
    known = np.isfinite(height)
    np.testing.assert_allclose(height[known], plane[known], atol=1e-6)
    assert filled + left == np.count_nonzero(count == 0)
    assert filled == np.count_nonzero(known & (count == 0))


def test_a_filled_cell_is_known_by_its_count() -> None:
    points = lattice(2.0, 3.0, 60, 40)
    points[40 * 20 + 10 : 40 * 20 + 13, 2] = np.nan  # 3 columns of one line
    left, filled = (gridded(points, fill_mm=fill_mm) for fill_mm in (0.0, 2.0))
    assert np.isnan(left.height_mm).sum() == 3
    assert np.isfinite(filled.height_mm).all()  # 2 mm along x, though 9 mm along y
    assert (filled.points[20, 10:13] == 0).all()
    assert {f.what: f.count for f in filled.findings}["cells filled"] == 3
    assert not any(f.is_doubt for f in filled.findings)
    long = {f.what: f for f in gridded(points, fill_mm=60.0).findings}["cells filled"]
    assert long.is_doubt
    assert long.sentence.endswith("what lies in long holes is made, not measured")


def test_a_spread_that_no_noise_makes_is_a_doubt() -> None:
    def told(points: Points, cell: Cell = "median") -> Finding:
        findings = gridded(points, (5.0, 4.0), cell=cell).findings
        return next(f for f in findings if f.what == "points to grid")

    assert not told(strewn()).is_doubt
    loud = told(strewn(noise=0.06))  # sensor noise shows in the heights of the cells, too
    assert loud.figures["spread_mm"] > 0.03
    assert not loud.is_doubt
    # a second scan of the same places, 0.1 mm higher: every mean lies steadily between the two
    low = strewn()
    twice = told(np.vstack([low, low + np.array([0.0, 0.0, 0.1])]), "mean")
    assert twice.is_doubt
    assert twice.sentence.endswith("two surfaces, or two scans, may lie in it")
    # two surfaces mixed at random: even the noise of the cells is beyond any roll wave
    mixed = strewn()
    mixed[np.random.default_rng(2).random(len(mixed)) < 0.5, 2] += 0.6
    assert told(mixed, "mean").is_doubt


def test_more_points_in_a_cell_than_a_small_counter_holds() -> None:
    points = np.vstack([lattice(50.0, 40.0, 6, 5), np.tile([[100.0, 80.0, 1.0]], (70_000, 1))])
    found = gridded(points, (50.0, 40.0))
    assert found.points.dtype == np.uint32
    assert found.points[2, 2] == 70_001
    assert found.height_mm[2, 2] == pytest.approx(1.0, abs=1e-6)


def test_a_pitch_finer_than_the_data_is_refused_with_the_proposal() -> None:
    with pytest.raises(UnevenGrid) as refusal:
        gridded(lattice(1.0, 5.0, 300, 60), (0.5, 5.0))
    assert str(refusal.value) == (
        "cloud: a grid_pitch of 0.5 x 5 mm (x, y), finer than the points lie; not finer than the "
        "data, which propose 1 x 5 mm; state that, or leave grid_pitch out: the data propose it."
    )
    with pytest.raises(UnevenGrid, match="which propose 1 x 5 mm"):
        gridded(lattice(1.0, 5.0, 300, 60), (0.05, 0.05))  # before any grid is made
    assert gridded(lattice(1.0, 5.0, 300, 60), (2.0, 5.0)).height_mm.shape == (151, 60)


def test_points_that_are_no_lite_are_refused() -> None:
    good = lattice(1.0, 2.0, 60, 40)
    with pytest.raises(EmptyScan, match="no points; points of a lite"):
        gridded(np.empty((0, 3)))
    with pytest.raises(EmptyScan, match="no point with a measured height"):
        gridded(np.column_stack([good[:, :2], np.full(len(good), np.nan)]))
    with pytest.raises(UnevenGrid, match="points on one line, or fewer than four"):
        gridded(good[:40])
    with pytest.raises(ImplausibleScan, match=r"points spread over 5e\+06 m; points of a lite"):
        gridded(np.vstack([good, [[5e9, 0.0, 0.0]]]))
    with pytest.raises(UnevenGrid, match=r"2401 points strewn over .* one in twenty cells"):
        gridded(np.vstack([good, [[9e5, 9e5, 0.0]]]), (1.0, 2.0))
    with pytest.raises(UnevenGrid, match="all lie in one cell of 1000 mm along x"):
        gridded(good, (1000.0, 2.0))


def test_a_closed_body_is_no_height_field() -> None:
    """A sphere seen from above: two surfaces in nearly every place."""
    random = np.random.default_rng(5)
    way = random.normal(size=(20_000, 3))
    with pytest.raises(UnsupportedScan) as refusal:
        gridded(50.0 * way / np.linalg.norm(way, axis=1)[:, None])
    said = str(refusal.value)
    assert "cloud: points that lie on two surfaces, " in said
    assert said.endswith(
        "not a height field; one height at each place, seen from above; export one face of the "
        "lite; leave out bodies and the far side of the glass."
    )


def test_coarse_heights_are_no_closed_body_but_a_doubt() -> None:
    """A plane in steps of 10 mm at random places of a 10 mm lattice, as some scanners give it."""
    random = np.random.default_rng(6)
    points = np.column_stack(
        [random.integers(0, 220, 28_000) * 10.0, random.integers(0, 200, 28_000) * 10.0,
         np.round(random.normal(2.5, 4.0, 28_000), -1)]
    )  # fmt: skip
    found = gridded(points)
    doubts = [finding for finding in found.findings if finding.is_doubt]
    assert [doubt.what for doubt in doubts] == ["quantised heights"]
    assert doubts[0].figures["step_mm"] == pytest.approx(10.0, rel=1e-9)
