"""Several heads joined: offsets, tilts, gains and drifts known, the glass known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from midchord.simulating import acquisition_faults as faults
from midchord.simulating.acquisition_faults import HeadErrors
from midchord_io.acquisition import Finding
from midchord_io.errors import MissingMetadata, SourceConflict, UnevenGrid
from midchord_io.joining.head_fit import HeadScan
from midchord_io.joining.heads import JoinedHeads, join_heads

Array = npt.NDArray[np.float64]
LENGTH_MM = 250.0
X_MM = np.arange(0.0, 2500.0, 2.0)
Y_MM = {
    "a": np.arange(0.0, 520.0, 2.0),
    "b": np.arange(480.0, 1020.0, 2.0),
    "c": np.arange(981.0, 1500.0, 2.0),  # between the columns of the others
}
ERRORS = {
    "a": HeadErrors(0.02, 0.1, 1.0),
    "b": HeadErrors(-0.05, -0.2, 1.02, 0.03),
    "c": HeadErrors(0.1, 0.05, 0.985),
}
SOUND = dict.fromkeys(ERRORS, HeadErrors())


def amplitude_mm(y: Array) -> Array:
    return np.asarray(0.03 * (1 + 0.2 * y / 1500))


def surface(x: Array, y: Array) -> Array:
    """Roll wave with skewed ridges, bow along and across, a lifted leading edge."""
    wave = amplitude_mm(y) * np.cos(2 * math.pi * (x - 0.02 * y) / LENGTH_MM)
    form = 1.5 * (x / 2500 - 0.5) ** 2 - 0.6 * (y / 1500 - 0.5) ** 2 + 0.2 * np.exp(-x / 60)
    return np.asarray(wave + form)


def heads(errors: dict[str, HeadErrors], **stated: dict[str, Any]) -> list[HeadScan]:
    rng = np.random.default_rng(3)
    return [
        HeadScan(
            name,
            faults.head_view(surface, X_MM, Y_MM[name], errors[name], noise_mm=0.005, rng=rng),
            X_MM,
            Y_MM[name],
            **stated.get(name, {}),
        )
        for name in errors
    ]


def joined(errors: dict[str, HeadErrors] = ERRORS, **options: Any) -> JoinedHeads:
    return join_heads(heads(errors), where="scan", **options)


def found(scan: JoinedHeads, what: str) -> list[Finding]:
    return [finding for finding in scan.findings if finding.what == what]


def depth_ratios(scan: JoinedHeads, between: tuple[float, float]) -> Array:
    """Amplitude of the roll wave over the true one in every column."""
    ratios = []
    u = scan.x_mm / 2500
    for y, column in zip(scan.y_mm, scan.height.T, strict=True):
        if not between[0] <= y < between[1]:
            continue
        phase = 2 * math.pi * (scan.x_mm - 0.02 * y) / LENGTH_MM
        lift = np.exp(-scan.x_mm / 60)
        base = np.stack([np.cos(phase), np.sin(phase), lift, np.ones_like(u), u, u**2], axis=1)
        seen = np.isfinite(column)
        wave = np.linalg.lstsq(base[seen], column[seen], rcond=None)[0]
        ratios.append(math.hypot(wave[0], wave[1]) / float(amplitude_mm(np.array(y))))
    return np.array(ratios)


def rest_mm(scan: JoinedHeads) -> Array:
    """Error of the joined heights less the plane that no overlap can tell."""
    error = scan.height - surface(scan.x_mm[:, None], scan.y_mm[None, :])
    x, y = np.meshgrid(scan.x_mm, scan.y_mm, indexing="ij")
    seen = np.isfinite(error)
    base = np.stack([np.ones(seen.sum()), x[seen], y[seen]], axis=1)
    return np.asarray(error[seen] - base @ np.linalg.lstsq(base, error[seen], rcond=None)[0])


def test_offset_tilt_drift_and_scale_come_from_the_overlaps() -> None:
    scan = joined()
    figures = found(scan, "heads")[0].figures
    common = (1.0 * 1.02 * 0.985) ** (1 / 3)  # the mean gain is not told
    for name, error in ERRORS.items():
        assert figures[f"{name}_scale"] == pytest.approx(error.scale / common, abs=0.003)
    # a plane and a common drift are not told, so differences count
    drift = figures["b_drift_mm_per_m"] - figures["a_drift_mm_per_m"]
    assert drift == pytest.approx(0.03, abs=0.002)
    assert figures["u_offset_mm"] < 0.001
    assert np.std(rest_mm(scan)) < 0.0055  # 5 um of noise
    assert np.isfinite(scan.height).all()
    for low, high in ((0, 480), (480, 520), (520, 980), (980, 1020), (1020, 1500)):
        # the gains of the heads differ by 3.5 %; within 0.5 % of their mean afterwards
        assert depth_ratios(scan, (low, high)).mean() == pytest.approx(1 / common, abs=0.005)


def test_the_seam_that_is_left_is_measured() -> None:
    for seam in found(joined(), "seam"):
        assert abs(seam.figures["largest_step_mm"]) < 0.002
        assert abs(seam.figures["step_mm"]) < 0.0002
        assert seam.figures["wavelength_mm"] == pytest.approx(250.0, rel=0.01)
        assert seam.figures["share_of_wave"] < 0.01
        assert not seam.is_doubt
    # nothing estimated: the seams show what was wrong
    stated = {name: {"offset_mm": 0.0, "tilt_mm_per_m": 0.0} for name in ERRORS}
    raw = join_heads(heads(ERRORS, **stated), estimate=(), where="scan")
    seam = found(raw, "seam")[0]
    # a ends on tilt 0.1 mm/m x 240 mm, b starts on -0.2 mm/m x -250 mm
    step = (0.02 + 0.1 * 0.240) - (-0.05 - 0.2 * -0.250)
    assert seam.figures["step_mm"] == pytest.approx(step, abs=0.01)
    assert seam.figures["share_of_wave"] == pytest.approx(0.02, abs=0.005)
    # 4 pi^2 W / L^2 with W = 2 x 2 % of 32 um (surface convention)
    effect = 4 * math.pi**2 * 2 * 0.02 * 0.032 / 250**2 * 1e6
    assert seam.figures["effect_mdpt"] == pytest.approx(effect, rel=0.3)


def test_a_head_out_of_place_is_reported_and_moved_only_if_asked() -> None:
    errors = ERRORS | {"c": ERRORS["c"]._replace(off_x_mm=3.3)}
    left = joined(errors)
    place = found(left, "heads out of place")
    assert [finding.count for finding in place] == [0, 1]
    assert place[1].figures["shift_x_mm"] == pytest.approx(3.3, abs=0.2)
    assert place[1].is_doubt
    assert place[1].sentence.startswith(
        "By their overlap, the right one of heads 'b' and 'c' agrees best when it is moved by +3."
    )  # the sign of shift_x_mm, and of what is to be added to x_mm of the head
    assert "left as stated" in place[1].sentence
    moved = joined(errors, register_x=True)
    assert not found(moved, "heads out of place")[1].is_doubt
    share = found(moved, "seam")[1].figures["share_of_wave"]
    assert share < 0.01 < 0.05 < found(left, "seam")[1].figures["share_of_wave"]


def test_a_wrong_y_mm_is_told_where_the_glass_varies_across() -> None:
    def seen(x: Array, y: Array) -> Array:
        return surface(x, y) + np.asarray(0.05 * np.sin(2 * math.pi * y / 45 + x / 700))

    def placed(off_mm: float) -> Finding:
        rng = np.random.default_rng(5)
        pair = [
            HeadScan(name, faults.head_view(seen, X_MM, Y_MM[name], HeadErrors(), noise_mm=0.005,
                                            rng=rng), X_MM, Y_MM[name] + off)
            for name, off in (("a", 0.0), ("b", off_mm))
        ]  # fmt: skip
        return found(join_heads(pair, where="scan"), "heads out of place")[0]

    pitch = float(Y_MM["b"][1] - Y_MM["b"][0])
    wrong = placed(4 * pitch)
    assert wrong.is_doubt
    assert wrong.figures["shift_y_mm"] == pytest.approx(-4 * pitch, abs=0.5)
    assert "Heads are never moved along y: correct y_mm in the source" in wrong.sentence
    right = placed(0.0)
    assert not right.is_doubt
    assert abs(right.figures["shift_y_mm"]) < 0.2


def test_a_scale_that_no_sensor_has_is_doubted() -> None:
    far = found(joined(ERRORS | {"b": ERRORS["b"]._replace(scale=1.25)}), "heads")[0]
    assert far.is_doubt
    assert far.sentence.endswith(
        "No two heads differ so much: a wrong y_mm, or reversed missing or too much?"
    )
    near = found(joined(), "heads")[0]
    assert not near.is_doubt
    assert "reversed" not in near.sentence


def test_a_large_step_is_written_as_a_number_that_people_read() -> None:
    stated = {name: {"offset_mm": 0.0, "tilt_mm_per_m": 0.0} for name in ERRORS}
    raw = join_heads(
        heads(ERRORS | {"c": ERRORS["c"]._replace(offset_mm=-0.4)}, **stated),
        estimate=(), where="scan",
    )  # fmt: skip
    seam = found(raw, "seam")[1]
    um = 1000 * seam.figures["largest_step_mm"]
    assert abs(um) > 100
    assert f"a step of {um:+.0f} um at most is left" in seam.sentence


def test_calibrations_by_a_flat_reference_are_taken_as_stated() -> None:
    stated = {
        name: {"offset_mm": error.offset_mm, "tilt_mm_per_m": error.tilt_mm_per_m,
               "scale": error.scale}
        for name, error in ERRORS.items()
    }
    scan = join_heads(heads(ERRORS | {"b": ERRORS["b"]._replace(drift_mm_per_m=0.0)}, **stated),
                      where="scan")
    error = scan.height - surface(scan.x_mm[:, None], scan.y_mm[None, :])
    assert np.std(error) < 0.0055
    assert abs(float(np.mean(error))) < 0.0005  # offsets are absolute now
    assert depth_ratios(scan, (0, 1500)).mean() == pytest.approx(1.0, abs=0.002)


def test_a_stated_scale_is_one_of_the_whole_height() -> None:
    # 800 mm of distance, a scale of 1.01: stated heights include what the datum took off
    rng = np.random.default_rng(1)
    parts = []
    for name, scale in (("a", 1.0), ("b", 1.01)):
        view = faults.head_view(
            lambda x, y: surface(x, y) + 800.0, X_MM, Y_MM[name],
            HeadErrors(scale=scale), noise_mm=0.0, rng=rng,
        )
        parts.append(HeadScan(name, view - np.float32(795.0), X_MM, Y_MM[name], datum_mm=795.0,
                              offset_mm=0.0, tilt_mm_per_m=0.0, scale=scale))
    scan = join_heads(parts, where="scan")
    truth = surface(scan.x_mm[:, None], scan.y_mm[None, :]) + 5.0
    np.testing.assert_allclose(scan.height, truth, atol=2e-4)  # float32 at 800 mm


def test_bounce_that_all_heads_see_stays_and_so_does_the_roll_wave() -> None:
    bounce = 0.05 * np.random.default_rng(9).standard_normal(X_MM.size)[:, None]
    shaken = [
        HeadScan(head.name, (head.height + bounce).astype(np.float32), X_MM, head.y_mm)
        for head in heads(SOUND)
    ]
    still, moving = join_heads(heads(SOUND), where="s"), join_heads(shaken, where="s")
    difference = (moving.height - still.height).mean(axis=1)
    # nothing of a line is levelled: bounce comes through whole
    assert np.std(difference - bounce[:, 0]) < 0.01 * 0.05
    assert depth_ratios(still, (0, 1500)).mean() == pytest.approx(1.0, abs=0.003)


def test_heads_of_the_same_order_do_not_matter_and_inputs_are_not_touched() -> None:
    given = heads(ERRORS)
    before = [head.height.copy() for head in given]
    one, other = join_heads(given, where="s"), join_heads(given[::-1], where="s")
    np.testing.assert_array_equal(one.height, other.height)
    for head, copy in zip(given, before, strict=True):
        np.testing.assert_array_equal(head.height, copy)


def test_dropouts_stay_where_no_head_measured() -> None:
    given = heads(SOUND)
    given[0].height[300, 10] = np.nan  # seen by one head only
    given[0].height[300, 250] = np.nan  # in the overlap
    scan = join_heads(given, where="s")
    assert np.isnan(scan.height[300, 10])
    assert np.isfinite(scan.height[300, 250])
    assert np.count_nonzero(np.isnan(scan.height)) == 1


def test_without_an_overlap_the_calibration_must_be_stated() -> None:
    apart = [head for head in heads(SOUND) if head.name != "b"]
    with pytest.raises(MissingMetadata) as refusal:
        join_heads(apart, where="scan.h5")
    assert str(refusal.value) == (
        "scan.h5: heads 'a' and 'c' that see no glass in common; an overlap, or offset_mm and "
        "tilt_mm_per_m of both from a flat reference; correct y_mm of the heads, or state their "
        "calibration in the source description."
    )
    stated = {name: {"offset_mm": 0.0, "tilt_mm_per_m": 0.0} for name in ("a", "c")}
    apart = [head for head in heads(SOUND, **stated) if head.name != "b"]
    scan = join_heads(apart, where="scan.h5")
    gap = found(scan, "gap between heads")[0]
    assert gap.figures["width_mm"] == pytest.approx(462.0)  # 520 to 980 mm and the column before it
    assert np.isnan(scan.height[:, 260:491]).all()
    assert np.isfinite(scan.height[:, 491:]).all()
    assert "no overlap to check them by" in found(scan, "heads")[0].sentence
    with pytest.raises(MissingMetadata, match="are not to be compared"):
        join_heads(heads(SOUND), estimate=("tilt",), where="s")


def test_heads_of_different_pitch_are_refused() -> None:
    given = heads(SOUND)
    coarse = HeadScan("b", given[1].height[:, ::2], X_MM, Y_MM["b"][::2])
    with pytest.raises(UnevenGrid, match="heads with pitches from 2 to 4 mm along y"):
        join_heads([given[0], coarse], where="s")


def test_a_stated_calibration_that_the_overlap_contradicts_is_a_doubt() -> None:
    stated: dict[str, dict[str, Any]] = {
        name: {"offset_mm": 0.0, "tilt_mm_per_m": 0.0, "scale": 1.0} for name in ERRORS
    }
    stated["b"]["offset_mm"] = 3.0
    for seam in found(join_heads(heads(SOUND, **stated), where="s"), "seam"):
        assert abs(seam.figures["step_mm"]) == pytest.approx(3.0, abs=0.01)
        assert seam.is_doubt
        assert seam.sentence.endswith(
            "No glass has such a step: check offset_mm and tilt_mm_per_m, or estimate them."
        )


def test_a_head_in_another_unit_is_refused() -> None:
    for factor in (1000.0, 25.4, 0.1):
        other = ERRORS | {"b": ERRORS["b"]._replace(scale=ERRORS["b"].scale / factor)}
        with pytest.raises(SourceConflict, match=r"agree in the overlaps only with factors: 'a'"):
            joined(other)
    stated = heads(SOUND | {"b": HeadErrors(scale=0.1)}, a={"scale": 1.0}, c={"scale": 1.0})
    with pytest.raises(SourceConflict, match=r"'b' 0\.1, 'c' 1; heads in one unit, each where"):
        join_heads(stated, where="s")


def test_heads_over_one_another_are_refused() -> None:
    given = heads(SOUND)
    laid = [HeadScan(h.name, h.height[:, :250], X_MM, Y_MM["a"][:250] + at)
            for h, at in zip(given, (0.0, 2.0, 500.0), strict=True)]
    with pytest.raises(SourceConflict, match=r"'a' and 'b' that both look at 2 to 498 mm along y"):
        join_heads(laid, where="s")
