"""Uneven lines to an even grid: every fault simulated, the surface known, the counts known."""

from __future__ import annotations

import contextlib
import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from midchord.simulating import acquisition_faults as faults
from midchord_io.acquisition import Finding
from midchord_io.errors import SourceConflict, UnevenGrid
from midchord_io.lines.copied_lines import copied_lines, frozen
from midchord_io.lines.line_interpolation import resample_lines
from midchord_io.lines.scan_lines import (
    LinePlan,
    even_lines,
    is_even,
    measured_length_mm,
    plan_lines,
    travelled_mm,
)

Array = npt.NDArray[np.float64]
LENGTH_MM = 250.0
AMPLITUDE_MM = 0.03
Y_MM = 20.0 * np.arange(30)


def surface(x: Array, y: Array) -> Array:
    """A roll wave, slightly different across, on a bow of 1 mm."""
    wave = AMPLITUDE_MM * (1 + 0.1 * y / 600) * np.cos(2 * math.pi * (x - 0.02 * y) / LENGTH_MM)
    return np.asarray(wave + 1.0 * (x / 2000 - 0.5) ** 2)


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def sound(count: int = 1500, pitch_mm: float = 1.0) -> faults.Lines:
    return faults.even_lines(count, pitch_mm=pitch_mm, speed_mm_per_s=200.0)


def evened(
    lines: faults.Lines, *, noise_mm: float = 0.003, timed: bool = True, **options: Any
) -> tuple[LinePlan, npt.NDArray[np.float32]]:
    height = faults.taken(surface, lines, Y_MM, noise_mm=noise_mm, rng=rng())
    plan = plan_lines(
        lines.counted_mm,
        height,
        times_s=lines.times_s if timed else None,
        where="scan",
        **options,
    )
    return plan, even_lines(height, plan)


def found(plan: LinePlan, what: str) -> Finding:
    return next(finding for finding in plan.findings if finding.what == what)


def depth_ratio(x_mm: Array, height: npt.NDArray[np.float32]) -> float:
    """Amplitude of the roll wave over the true one, by least squares on every column."""
    ratios = []
    for y, column in zip(Y_MM, height.T, strict=True):
        seen = np.isfinite(column)
        phase = 2 * math.pi * (x_mm[seen] - 0.02 * y) / LENGTH_MM
        u = x_mm[seen] / 1000
        base = np.stack([np.cos(phase), np.sin(phase), np.ones_like(u), u, u**2], axis=1)
        wave = np.linalg.lstsq(base, column[seen], rcond=None)[0]
        ratios.append(math.hypot(wave[0], wave[1]) / (AMPLITUDE_MM * (1 + 0.1 * y / 600)))
    return float(np.mean(ratios))


def error_mm(x_mm: Array, height: npt.NDArray[np.float32]) -> Array:
    return np.asarray(height - surface(x_mm[:, None], Y_MM[None, :]))


# --- interpolation -----------------------------------------------------------------------------


@pytest.mark.parametrize(("pitch_mm", "bound_mm"), [(1.0, 5e-7), (2.0, 8e-6), (5.0, 2.5e-4)])
def test_cubic_interpolation_keeps_its_bound_on_a_50_mm_wave(
    pitch_mm: float, bound_mm: float
) -> None:
    # remainder of Lagrange: (9/16) h^4 / 24 (2 pi / L)^4 A, from any text on interpolation
    at = pitch_mm * np.arange(300)
    to = at[:-1] + np.linspace(0, 1, at.size - 1) * pitch_mm
    wave = 0.05 * np.cos(2 * math.pi * at / 50.0)[:, None]
    got = resample_lines(wave, at_mm=at, to_mm=to, longest_gap_mm=10.0)[:, 0]
    error = np.abs(got - 0.05 * np.cos(2 * math.pi * to / 50.0))[3:-3]
    theory = 9 / 16 * pitch_mm**4 / 24 * (2 * math.pi / 50) ** 4 * 0.05
    assert error.max() < 1.05 * theory + 4e-9  # float32
    assert error.max() < bound_mm


def test_cubic_interpolation_on_uneven_lines_is_below_a_tenth_of_a_micrometre() -> None:
    at = np.arange(400.0) + rng().uniform(-0.4, 0.4, 400)
    wave = 0.05 * np.cos(2 * math.pi * at / 50.0)[:, None]
    to = np.arange(5.0, 390.0)
    got = resample_lines(wave, at_mm=at, to_mm=to, longest_gap_mm=5.0)[:, 0]
    assert np.abs(got - 0.05 * np.cos(2 * math.pi * to / 50.0)).max() < 1e-5


def test_a_cubic_is_met_exactly_with_or_without_a_missing_sample() -> None:
    at = np.cumsum(rng().uniform(0.7, 1.3, 60))
    quadratic = np.stack([0.3 * at**2 - at, 2 - 0.1 * at**2], axis=1)
    quadratic[20, 0] = np.nan
    to = np.linspace(at[2], at[-3], 200)
    got = resample_lines(quadratic, at_mm=at, to_mm=to, longest_gap_mm=4.0)
    expected = np.stack([0.3 * to**2 - to, 2 - 0.1 * to**2], axis=1)
    seen = np.isfinite(got)
    np.testing.assert_allclose(got[seen], expected[seen], rtol=2e-6, atol=1e-5)
    nearest = np.abs(to[:, None] - at).argmin(axis=1)
    np.testing.assert_array_equal(~seen[:, 0], nearest == 20)  # next to the missing one
    assert seen[:, 1].all()


def test_lines_in_place_stay_as_they_are_and_nothing_is_extrapolated() -> None:
    at = 2.0 * np.arange(30)
    height = rng().standard_normal((30, 4)).astype(np.float32)
    height[7, 2] = np.nan
    got = resample_lines(height, at_mm=at, to_mm=at, longest_gap_mm=5.0)
    np.testing.assert_array_equal(got, height)
    beyond = resample_lines(
        height, at_mm=at, to_mm=np.array([-0.1, 0.5, 57.9, 58.1]), longest_gap_mm=5.0
    )
    assert np.isfinite(beyond).any(axis=1).tolist() == [False, True, True, False]


def test_a_gap_wider_than_the_longest_is_not_bridged() -> None:
    at = np.concatenate([np.arange(20.0), np.arange(26.0, 40.0)])
    height = np.ones((at.size, 2))
    to = np.arange(0.0, 39.5, 0.5)
    got = resample_lines(height, at_mm=at, to_mm=to, longest_gap_mm=5.0)[:, 0]
    assert np.isnan(got[(to > 19) & (to < 26)]).all()
    assert np.isfinite(got[(to <= 19) | (to >= 26)]).all()
    assert np.isfinite(resample_lines(height, at_mm=at, to_mm=to, longest_gap_mm=7.0)).all()


# --- each fault --------------------------------------------------------------------------------


def test_uneven_ticks() -> None:
    plan, height = evened(faults.uneven_ticks(sound(), 0.3, rng()))
    assert plan.x_mm[1] - plan.x_mm[0] == pytest.approx(1.0, abs=0.02)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    assert np.nanstd(error_mm(plan.x_mm, height)) < 0.003  # the noise itself
    finding = found(plan, "uneven lines")
    assert finding.figures["largest_gap_mm"] == pytest.approx(1.6, abs=0.06)
    assert (finding.count, finding.figures["share"]) == (1500, 1.0)


def test_times_and_a_varying_speed() -> None:
    lines = faults.varying_speed(
        1800, line_rate_hz=200.0, speed_mm_per_s=180.0, share=0.4, cycles=3.3
    )
    places = travelled_mm(lines.times_s, lines.speed_mm_per_s)
    np.testing.assert_allclose(places, lines.true_mm, atol=2e-3)  # trapezoids
    height = faults.taken(surface, lines, Y_MM, noise_mm=0.003, rng=rng())
    plan = plan_lines(places, height, times_s=lines.times_s, is_counted=False, where="scan")
    assert {finding.what for finding in plan.findings} == {"uneven lines"}
    assert depth_ratio(plan.x_mm, even_lines(height, plan)) == pytest.approx(1.0, abs=0.002)


def test_missing_lines_are_bridged_up_to_the_longest_gap() -> None:
    lost = np.concatenate([[100, 300, 301], np.arange(700, 720)])
    plan, height = evened(faults.without_lines(sound(), lost))
    finding = found(plan, "lines missing")
    assert finding.figures["lines"] == 3
    assert finding.figures["gaps"] == 1
    assert finding.figures["largest_gap_mm"] == pytest.approx(21.0)
    assert finding.figures["gap_share"] == pytest.approx(20 / 1499, rel=1e-6)
    assert finding.is_doubt
    missing = np.isnan(height).all(axis=1)
    np.testing.assert_array_equal(np.flatnonzero(missing), np.arange(700, 720))
    assert np.abs(error_mm(plan.x_mm, height)[[100, 300, 301]]).max() < 0.015  # 5 sigma
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    wide, bridged = evened(faults.without_lines(sound(), lost), longest_gap_mm=25.0)
    assert np.isfinite(bridged).all()
    long = found(wide, "lines missing")
    assert (long.figures["lines"], long.figures["widest_bridge_mm"]) == (23, 21.0)
    assert long.is_doubt
    assert long.sentence.endswith("What lies between is made, not measured.")
    short, _ = evened(faults.without_lines(sound(), lost[:3]))
    assert not found(short, "lines missing").is_doubt
    many = np.flatnonzero(rng().random(1500) < 0.2)
    assert found(evened(faults.without_lines(sound(), many))[0], "lines missing").is_doubt


def test_encoder_slip_is_mended_by_the_times() -> None:
    lines = faults.slipping(sound(), [300, 900], lost_mm=4.0, over=10)
    plan, height = evened(lines)
    slip = found(plan, "encoder slip")
    assert slip.count == 2
    assert slip.figures["total_slip_mm"] == pytest.approx(-8.0, abs=0.05)
    assert slip.is_doubt
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    assert plan.x_mm[-1] == pytest.approx(1499.0, abs=1.0)
    # without the times the lite is 8 mm short, and that is said to be unknown
    blind, _ = evened(lines, timed=False)
    assert blind.x_mm[-1] == pytest.approx(1491.0, abs=1.0)
    assert "cannot be seen in this file" in found(blind, "encoder slip").sentence


def test_a_counter_that_jumps_ahead_is_mended_too() -> None:
    plan, height = evened(faults.slipping(sound(), [500], lost_mm=-7.0, over=1))
    assert found(plan, "encoder slip").figures["largest_slip_mm"] == pytest.approx(7.0, abs=0.05)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    assert np.isfinite(height).all()


def test_a_real_change_of_speed_is_no_slip() -> None:
    lines = faults.varying_speed(
        2000, line_rate_hz=200.0, speed_mm_per_s=150.0, share=0.5, cycles=4.0
    )
    plan, _ = evened(lines)
    assert found(plan, "encoder slip").count == 0


def test_a_stop_with_a_trembling_encoder_and_a_restart() -> None:
    lines = faults.stopping(sound(), 600, 400, 0.02, rng())
    plan, height = evened(lines)
    stop = found(plan, "stop and restart")
    assert stop.count == 1
    assert stop.figures["lines"] == pytest.approx(401, abs=2)
    assert plan.x_mm.size == pytest.approx(1500, abs=1)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    here = np.abs(plan.x_mm - 600) < 0.5
    assert np.nanstd(error_mm(plan.x_mm, height)[here]) < 0.0015  # the median of many lines


def test_a_creep_backwards() -> None:
    plan, height = evened(faults.creeping_back(sound(), 800, 15.0))
    creep = found(plan, "backwards creep")
    assert creep.count == 1
    assert creep.figures["largest_creep_mm"] == pytest.approx(15.0, abs=1.0)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    assert np.abs(error_mm(plan.x_mm, height)).max() < 0.02


@pytest.mark.parametrize("count", [1, 60])
def test_lines_stored_twice(count: int) -> None:
    plan, height = evened(faults.sent_twice(sound(), 400, count))
    twice = found(plan, "lines twice")
    assert twice.count == pytest.approx(count, abs=1)
    assert plan.x_mm.size == 1500
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)
    np.testing.assert_allclose(
        height, faults.taken(surface, sound(), Y_MM, noise_mm=0.003, rng=rng()), atol=1e-6
    )


def test_a_line_sent_again_at_the_next_position_is_not_taken_for_new() -> None:
    lines = sound()
    frame = lines.frame.copy()
    true = lines.true_mm.copy()
    frame[[500, 900]], true[[500, 900]] = frame[[499, 899]], true[[499, 899]]
    plan, height = evened(lines._replace(frame=frame, true_mm=true))
    assert found(plan, "lines twice").count == 2
    assert np.abs(error_mm(plan.x_mm, height)[[500, 900]]).max() < 0.012


def test_lines_without_a_position() -> None:
    which = np.array([50, 51, 52, 700])
    plan, height = evened(faults.without_positions(sound(), which), timed=False)
    missing = found(plan, "lines without a position")
    assert (missing.count, missing.figures["left_out"]) == (4, 0.0)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)


def test_garbled_positions_are_left_out() -> None:
    lines = sound()
    counted = lines.counted_mm.copy()
    counted[[200, 201, 900]] = [99999.0, -4.0, 0.0]
    counted[-1] = 1e6
    plan, height = evened(lines._replace(counted_mm=counted), timed=False)
    assert found(plan, "garbled positions").count >= 3
    assert plan.x_mm[-1] == pytest.approx(1498.0, abs=0.5)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.002)


def test_a_stated_grid_pitch() -> None:
    plan, height = evened(sound(), grid_pitch_mm=2.5)
    assert np.diff(plan.x_mm) == pytest.approx(2.5)
    assert depth_ratio(plan.x_mm, height) == pytest.approx(1.0, abs=0.003)
    with pytest.raises(SourceConflict, match=r"grid_pitch_mm = 0\.5 .* but lines 1 mm apart"):
        evened(sound(), grid_pitch_mm=0.5)


def test_even_lines_with_sound_times_stay_as_they_are() -> None:
    plan, _ = evened(sound())
    assert plan.is_as_stored
    assert [finding.count for finding in plan.findings] == [0]


# --- refusals ----------------------------------------------------------------------------------


def test_positions_that_are_not_those_of_the_lines_are_refused() -> None:
    lines = sound(400)
    wild = lines.counted_mm.copy()
    wild[::9] = 5000 * rng().random(wild[::9].size)
    with pytest.raises(UnevenGrid, match=r"of 400 lines with positions far out of order along x"):
        evened(lines._replace(counted_mm=wild), timed=False)
    far = np.where(np.arange(400) < 200, lines.counted_mm, lines.counted_mm + 900)
    with pytest.raises(UnevenGrid, match=r"gaps between the lines over 69 % of the length"):
        evened(lines._replace(counted_mm=far), timed=False)
    silent = lines.counted_mm.copy()
    silent[:250] = np.nan
    with pytest.raises(UnevenGrid, match="250 of 400 lines without a position"):
        evened(lines._replace(counted_mm=silent), timed=False)
    with pytest.raises(UnevenGrid, match="descending positions along x"):
        evened(lines._replace(counted_mm=-lines.counted_mm), timed=False)
    with pytest.raises(UnevenGrid, match="lines that go back by 150 mm of 399 mm along x"):
        evened(faults.creeping_back(lines, 300, 150.0), timed=False)
    with pytest.raises(UnevenGrid, match="1 lines at places of their own along x"):
        evened(lines._replace(counted_mm=np.zeros(400)), timed=False)


# --- parts -------------------------------------------------------------------------------------


def test_copies_tell_nothing_where_numbers_are_coarse() -> None:
    noise = rng().standard_normal((50, 40))
    noise[10] = noise[9]
    assert np.flatnonzero(copied_lines(noise)).tolist() == [10]
    coarse = np.round(noise / 100)
    assert not copied_lines(coarse).any()
    assert not copied_lines(noise[:, :10]).any()  # too few to tell


def test_the_length_of_a_lite_within_the_scan() -> None:
    height = np.full((500, 30), np.nan, dtype=np.float32)
    height[40:440, 3:] = 1.0
    x_mm = 2.0 * np.arange(500)
    assert measured_length_mm(height, x_mm) == pytest.approx(800.0)
    assert measured_length_mm(height[40:], x_mm[40:]) is None
    assert measured_length_mm(np.full_like(height, np.nan), x_mm) is None


def test_one_line_over_and_over_is_a_doubt() -> None:
    line = rng().normal(size=30).astype(np.float32)
    line[:4] = np.nan
    height = np.tile(line, (600, 1))
    height[:5] = np.nan
    (finding,) = frozen(height)
    assert (finding.count, finding.is_doubt) == (595, True)
    assert "a sensor that stood still" in finding.sentence
    height[300, 10] += 0.001
    assert frozen(height) == ()
    assert frozen(height[:, :10]) == ()  # too few to tell


def test_what_even_means() -> None:
    assert is_even(np.arange(10.0))
    assert not is_even(np.append(np.arange(10.0), 11.0))
    assert not is_even(np.array([0.0, 1.0, np.nan]))
    assert not is_even(np.arange(10.0)[::-1])


@settings(max_examples=150, deadline=None, derandomize=True)
@given(data=st.data())
def test_garbled_positions_make_a_grid_or_a_sentence(data: st.DataObject) -> None:
    count = data.draw(st.integers(2, 90))
    random = np.random.default_rng(data.draw(st.integers(0, 1000)))
    places = np.cumsum(random.choice([random.uniform(0.4, 1.6, count), np.ones(count)]))
    odd = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-3.0, 100.0)
    for place, value in data.draw(
        st.lists(st.tuples(st.integers(0, count - 1), odd), max_size=8)
    ):
        places[place] = value
    times = np.cumsum(random.choice([0.0, 0.005, 1e-9], count)) if count % 2 else None
    height = random.standard_normal((count, 25)).astype(np.float32)
    height[random.random(height.shape) < 0.2] = np.nan
    with contextlib.suppress(UnevenGrid):
        plan = plan_lines(places, height, times_s=times, where="scan")
        assert is_even(plan.x_mm)
        assert plan.x_mm.size <= 3 * count
        assert even_lines(height, plan).shape == (plan.x_mm.size, 25)
        assert all(math.isfinite(v) for f in plan.findings for v in f.figures.values())
