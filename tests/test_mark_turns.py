"""Marks of a line that were passed over, found by what neither gauge nor scan does there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from midchord.surveying.mark_turns import marks_out_of_turn

PITCH = 120.0


def walk(
    *, drop: int | None = None, count: int = 12, line: str = "a", noise: float = 0.0, **columns: Any
) -> pd.DataFrame:
    """Marks on the peaks and valleys of an even wave, 0.1 mm up and down; one may be left out and
    the rest renumbered."""
    k = np.arange(count)
    x, height = 400 + PITCH * k, np.where(k % 2, -0.05, 0.05)
    keep = k != (-1 if drop is None else drop)
    rng = np.random.default_rng(4)
    rows = pd.DataFrame(
        {
            "row": np.arange(2, 2 + keep.sum()),
            "lite_id": "L-1",
            "operator": "Ines",
            "repeat": 1,
            "y_mm": 620.0,
            "x_mm": x[keep],
            "gauge_mm": height[keep] + noise * rng.normal(size=keep.sum()),
            "scan_mm": height[keep] + noise * rng.normal(size=keep.sum()),
            "u_scan_mm": 0.001,
            "line": line,
            "mark": np.arange(1, keep.sum() + 1),
        }
    )
    return rows.assign(**columns)


def test_a_mark_left_out_in_the_middle_is_named_with_its_rows() -> None:
    (found,) = marks_out_of_turn(walk(drop=5, noise=0.001))
    assert found.rows == (6, 7)
    assert found.lite_id == "L-1"
    assert found.sentence.startswith(
        "lite L-1, Ines, repeat 1, y = 620 mm: between marks 5 and 6, at x = 880 and 1120 mm (rows "
        "6 and 7), neither gauge nor scan turns: a peak or valley between them was left out, and "
        "those after it are numbered one too low; their swing of "
    )
    assert found.sentence.endswith("mm is no half wave")


def test_a_mark_left_out_next_to_the_end_is_named() -> None:
    for drop in (1, 10):
        (found,) = marks_out_of_turn(walk(drop=drop, noise=0.001))
        assert found.rows == (drop + 1, drop + 2)


def test_a_survey_with_all_its_marks_has_none() -> None:
    both = pd.concat([walk(noise=0.002), walk(noise=0.002, line="b")], ignore_index=True)
    assert marks_out_of_turn(both) == ()


def test_a_mark_on_a_slope_is_told_from_one_left_out() -> None:
    rows = walk()
    slope = rows.iloc[[5]].assign(x_mm=940.0, gauge_mm=0.01, scan_mm=0.01)
    rows = pd.concat([rows.iloc[:5], slope, rows.iloc[5:]], ignore_index=True)
    rows["mark"] = np.arange(1, len(rows) + 1)
    rows["row"] = rows["mark"] + 1
    (found,) = marks_out_of_turn(rows)
    assert found.rows == (6, 7)
    assert "neither gauge nor scan turns: one of them stands on a slope" in found.sentence


def test_a_wrong_reading_and_a_wrong_datum_are_other_things() -> None:
    rows = walk()
    swapped = rows["gauge_mm"].to_numpy(float).copy()
    swapped[[4, 5]] = swapped[[5, 4]]
    assert marks_out_of_turn(rows.assign(gauge_mm=swapped)) == ()  # by the gauge only
    elsewhere = 0.05 * np.sin(2 * np.pi * rows["x_mm"] / 700)
    assert marks_out_of_turn(rows.assign(scan_mm=elsewhere)) == ()  # by the scan only


def test_on_flat_glass_nothing_turns_and_nothing_is_said() -> None:
    rng = np.random.default_rng(2)
    flat = {name: 0.001 * rng.normal(size=12) for name in ("gauge_mm", "scan_mm")}
    assert marks_out_of_turn(walk(**flat)) == ()


def test_an_excluded_mark_breaks_the_walk_and_spots_have_no_marks() -> None:
    rows = walk()
    assert marks_out_of_turn(rows.drop(index=5)) == ()  # numbers 5 and 7 are no neighbours
    assert marks_out_of_turn(rows.drop(columns=["line", "mark"])) == ()
