"""Three rows that are not three views of one glass: the same twice, misplaced, turned, scaled."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from midchord_io.acquisition import Finding
from midchord_io.errors import EmptyScan, MidchordError, SourceConflict
from midchord_io.joining.row_agreement import misfit_findings
from midchord_io.joining.three_rows import ThreeRowScan, separate_rows

Heights = npt.NDArray[np.float32]
PITCH_MM = 2.0
X_MM = PITCH_MM * np.arange(1000)
Y_MM = 4.0 * np.arange(60)
ROWS_MM = (0.0, 110.0, 240.0)
NOISE_MM = 0.002


def glass(*, is_varied: bool = False, margin: int = 40) -> Heights:
    """A roll wave 0.16 mm deep and 240 mm long, a bow, a twist; as long as the scan but an end."""
    x, y = X_MM[:, None], Y_MM[None, :]
    height = 0.08 * np.sin(2 * math.pi * x / 240) + 1.0 * (x / 2000 - 0.5) ** 2 + 0.2 * y / 240
    if is_varied:
        height = height + 0.05 * np.sin(2 * math.pi * x / 300) * np.cos(2 * math.pi * y / 120)
    height[:margin] = height[-margin:] = np.nan
    return np.asarray(height, dtype=np.float32)


def views(*, is_varied: bool = False, heave_mm: float = 0.02, margin: int = 150) -> list[Heights]:
    """By each row in turn, with its own noise; the conveyor heaves with a period of 88 mm."""
    rng = np.random.default_rng(4)
    whole = glass(is_varied=is_varied, margin=margin)
    heave = heave_mm * np.sin(X_MM / 14.0)[:, None]
    found = []
    for row_x in ROWS_MM:
        steps = round(row_x / PITCH_MM)
        seen = np.full_like(whole, np.nan)
        seen[: X_MM.size - steps] = whole[steps:]
        found.append((seen + heave + rng.normal(0, NOISE_MM, seen.shape)).astype(np.float32))
    return found


def separated(
    rows: list[Heights], row_x_mm: tuple[float, ...] = ROWS_MM
) -> ThreeRowScan:
    return separate_rows(rows, row_x_mm=row_x_mm, line_x_mm=X_MM, y_mm=Y_MM, where="scan")


def doubts(scan: ThreeRowScan) -> dict[str, Finding]:
    return {finding.what: finding for finding in scan.findings if finding.is_doubt}


@pytest.mark.parametrize("is_varied", [False, True])
def test_three_views_of_one_glass_agree(is_varied: bool) -> None:
    scan = separated(views(is_varied=is_varied))
    assert not {"agreement of the rows", "size of the rows"} & set(doubts(scan))
    agreement = next(f for f in scan.findings if f.what == "agreement of the rows")
    # standard deviation about the mean of three: noise times the root of 2/3
    assert agreement.figures["left_mm"] == pytest.approx(NOISE_MM * math.sqrt(2 / 3), rel=0.1)
    assert agreement.sentence.endswith("hardly tests their places.") is not is_varied


def test_rows_with_the_same_heights_are_refused() -> None:
    a, b, c = views()
    for rows, said in (([a, a, c], "0 and 110"), ([a, b, b.copy()], "110 and 240")):
        with pytest.raises(SourceConflict, match=f"rows at {said} mm with the same heights"):
            separated(rows)


def test_a_row_that_hardly_measured_is_refused() -> None:
    a, b, c = views()
    with pytest.raises(EmptyScan, match="a row at 110 mm with 0 heights, where another has 42000"):
        separated([a, np.full_like(b, np.nan), c])
    with pytest.raises(EmptyScan, match="with 0 heights"):
        separated([np.full_like(a, np.nan), b, np.full_like(c, np.nan)])
    b[: X_MM.size // 2] = np.nan
    with pytest.raises(EmptyScan, match="two cannot tell it from bounce"):
        separated([a, b, c])


@pytest.mark.parametrize("row_x_mm", [(0.0, 240.0, 110.0), (0.0, -110.0, -240.0)])
def test_rows_that_meet_the_ends_elsewhere_are_refused(row_x_mm: tuple[float, ...]) -> None:
    # alike all across, such rows can be made to agree: only the ends show it
    with pytest.raises(SourceConflict, match=r"glass that (begins|ends) \d+ mm later for the row"):
        separated(views(), row_x_mm)


def test_what_varies_across_shows_rows_out_of_place() -> None:
    # the glass fills the scan, so that no end is seen
    rng = np.random.default_rng(6)
    x, y = X_MM[:, None], Y_MM[None, :]
    rows = [
        np.asarray(
            0.08 * np.sin(2 * math.pi * (x + row_x) / 240)
            + 0.05 * np.sin(2 * math.pi * (x + row_x) / 300) * np.cos(2 * math.pi * y / 120)
            + rng.normal(0, NOISE_MM, (X_MM.size, Y_MM.size)),
            dtype=np.float32,
        )
        for row_x in ROWS_MM
    ]
    assert "agreement of the rows" not in doubts(separated(rows))
    with pytest.raises(SourceConflict, match=r"differ by \d+\.?\d* um on the same glass"):
        separated(rows, (0.0, 240.0, 110.0))


def test_a_row_of_another_size_is_a_doubt_and_one_of_another_unit_refused() -> None:
    a, b, c = views(heave_mm=0.003)
    larger = separated([a, np.float32(1.3) * b, c])
    ratio = doubts(larger)["size of the rows"].figures["largest_ratio"]
    assert ratio == pytest.approx(1.3, rel=0.03)
    a_shaken, b_shaken, c_shaken = views(heave_mm=0.02)
    shaken = separated([a_shaken, np.float32(1.3) * b_shaken, c_shaken])
    assert "size of the rows" in doubts(shaken)
    with pytest.raises(MidchordError, match=r"same profile 2[45]\.\d times as large"):
        separated([a, np.float32(25.4) * b, c])
    turned = separated([a, -b, c])
    assert "sees valleys where the others see hills" in doubts(turned)["size of the rows"].sentence


def test_how_much_may_be_left() -> None:
    (small,) = misfit_findings(0.004, 0.005, True, "scan")
    (moderate,) = misfit_findings(0.015, 0.005, True, "scan")
    assert (small.is_doubt, moderate.is_doubt) == (False, True)
    assert moderate.sentence.endswith("check x_mm and the scale of each row.")
    with pytest.raises(SourceConflict, match="differ by 30 um on the same glass, 6 times their"):
        misfit_findings(0.030, 0.005, True, "scan")
    # rounding of float32 beside no noise at all is none
    (exact,) = misfit_findings(1e-6, 1e-9, True, "scan")
    assert not exact.is_doubt
