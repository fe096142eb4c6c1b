"""Where lites lie: in the machine, turned or not, and on one grid whatever their own."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from midchord.machine_place import MachinePlace
from midchord.production.frames import (
    Frame,
    Pose,
    frames_of,
    nearest_points,
    on_lite_grid,
    pose_of,
)
from midchord.production.stored import Axis, Fields, Head
from midchord_io.errors import ScanError


def head(x: Axis, y: Axis) -> Head:
    moment = datetime(2026, 3, 4, tzinfo=UTC)
    return Head(Path("a.maps.nc"), "A", moment, 100.0, 60.0, x, y, {}, {}, "mm", "", 1, 1)


def fields(values: np.ndarray, zone: np.ndarray | None = None) -> Fields:
    zone = np.zeros(values.shape, np.uint8) if zone is None else zone
    return Fields(values.astype(np.float32), zone, "", None)


def test_a_turned_lite_lies_where_its_corners_say() -> None:
    turn = np.deg2rad(3.0)
    frame = Frame(0.0, 0.0, 80, 60, 5.0)
    first_i, first_j, index = nearest_points(100.0, 50.0, turn, (20, 12), 5.0, *frame[:2], 80, 60)
    seen = np.argwhere(index >= 0)
    assert len(seen) == pytest.approx(240, abs=8)
    for i, j in seen:
        u, v = frame.x_mm[first_i + i] - 100.0, frame.y_mm[first_j + j] - 50.0
        row, column = divmod(int(index[i, j]), 12)
        x, y = 5 * row + 2.5, 5 * column + 2.5
        own = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
        assert np.hypot(own[0] - u, own[1] - v) <= 2.5 * np.sqrt(2) + 1e-9


def test_a_lite_on_the_grid_is_moved_whole() -> None:
    first_i, first_j, index = nearest_points(35.0, 10.0, 0.0, (7, 4), 5.0, 0.0, 0.0, 30, 20)
    assert (first_i, first_j) == (7, 2)
    whole = index[index >= 0]
    assert whole.tolist() == list(range(28))


def test_the_machine_frame_holds_every_corner() -> None:
    heads = [head(Axis(2.5, 5.0, 20), Axis(2.5, 5.0, 12)), head(Axis(2.5, 5.0, 30), Axis(5, 10, 9))]
    places = [MachinePlace(-203.0, 41.0, 0.0, 0.0, 2.0), MachinePlace(400.0, 300.0, 0.0, 0.0)]
    lite, machine = frames_of(heads, places, pitch_mm=5.0, most_cells=100_000)
    assert (lite.nx, lite.ny) == (30, 18)
    assert machine is not None
    low_u = -203.0 - 60 * np.sin(np.deg2rad(2))
    assert machine.x0_mm <= low_u < machine.x0_mm + 5
    assert machine.x_mm[-1] == 547.5
    assert machine.y_mm[-1] == 387.5
    alone = frames_of(heads, [MachinePlace(), MachinePlace(1.0)], pitch_mm=5.0, most_cells=10**5)
    assert alone.machine is None
    assert pose_of(places[1]) == Pose(400.0, 300.0, 0.0)


def test_places_over_more_than_one_machine_are_refused() -> None:
    one = head(Axis(2.5, 5.0, 20), Axis(2.5, 5.0, 12))
    far = [MachinePlace(0.0, 0.0), MachinePlace(9e6, 0.0)]
    with pytest.raises(ScanError, match=r"places of lites over 9000100 mm along .* one machine"):
        frames_of([one, one], far, pitch_mm=5.0, most_cells=1_000_000)


def test_another_grid_is_interpolated_and_a_plane_stays_one() -> None:
    x, y = Axis(2.0, 4.0, 26), Axis(5.0, 10.0, 6)
    xx, yy = np.meshgrid(2 + 4 * np.arange(26), 5 + 10 * np.arange(6), indexing="ij")
    plane = 3 + 0.02 * xx - 0.05 * yy
    values, zone = on_lite_grid(head(x, y), fields(plane), Frame(0, 0, 40, 20, 5.0))
    assert values.shape == zone.shape == (21, 12)
    own_x, own_y = 2.5 + 5 * np.arange(20), 2.5 + 5 * np.arange(12)
    expected = 3 + 0.02 * own_x[:, None] - 0.05 * np.clip(own_y, 5, 55)[None, :]
    assert values[:20] == pytest.approx(expected, abs=1e-6)


def test_a_gap_kills_only_the_points_beside_it() -> None:
    plane = np.ones((20, 6))
    plane[10, 3] = np.nan
    found, _ = on_lite_grid(
        head(Axis(2.5, 5.0, 20), Axis(5.0, 10.0, 6)), fields(plane), Frame(0, 0, 20, 12, 5.0)
    )
    assert np.argwhere(np.isnan(found)).tolist() == [[10, 5], [10, 6], [10, 7], [10, 8]]


def test_a_map_on_the_grid_is_left_as_it_is() -> None:
    values = np.random.default_rng(0).standard_normal((20, 12)).astype(np.float32)
    found, _ = on_lite_grid(
        head(Axis(2.5, 5.0, 20), Axis(2.5, 5.0, 12)), fields(values), Frame(0, 0, 25, 12, 5.0)
    )
    assert found.tobytes() == values.tobytes()
