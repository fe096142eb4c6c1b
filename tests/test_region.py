"""Glass told from belt, from another lite and from specks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from midchord.placing.region import (
    DROPOUT,
    MEASURED,
    NO_GLASS,
    SPIKE,
    Grid,
    find_glass,
    label_regions,
    robust_plane,
)
from midchord_io.errors import LiteTooSmall, ScanError


def _scan(shape=(400, 150)):
    height = np.full(shape, np.nan, np.float32)
    height[50:350, 20:120] = 5.0
    return height


def _find(height, pitch=(1.0, 2.0), glass_range_mm=60.0):
    grid = Grid(0.0, 0.0, *pitch, *height.shape)
    return find_glass(height, grid, glass_range_mm=glass_range_mm, where="lite 7")


def test_labels_are_those_of_a_reference_library():
    rng = np.random.default_rng(2)
    height = np.where(rng.random((130, 90)) < 0.55, 0.0, np.nan).astype(np.float32)
    labels, parent = label_regions(height, 0, 0, 1.0, 0.0, 0.0)
    ours = np.where(labels >= 0, parent[labels], -1)
    theirs, count = ndimage.label(np.isfinite(height))  # 4-connected, scipy
    pairs = set(zip(ours.ravel().tolist(), theirs.ravel().tolist(), strict=True))
    assert len(pairs) == count + 1
    assert len(np.unique(ours)) == count + 1


def test_a_plane_with_a_third_of_the_points_off():
    rng = np.random.default_rng(3)
    x, y = rng.uniform(0, 900, 600), rng.uniform(0, 400, 600)
    z = 7.0 + 0.03 * x - 0.02 * y
    z[::3] -= 400.0
    assert robust_plane(x, y, z) == pytest.approx([7.0, 0.03, -0.02], abs=1e-3)


def test_the_lite_is_measured_and_the_rest_missing():
    state = _find(_scan())
    assert np.count_nonzero(state == MEASURED) == 300 * 100
    assert np.count_nonzero(state == DROPOUT) == 400 * 150 - 300 * 100


def test_a_belt_below_the_glass_range_is_no_glass_even_if_larger():
    height = np.full((400, 150), -95.0, np.float32)
    height[100:300, 40:110] = 5.0
    state = _find(height)
    assert np.count_nonzero(state == MEASURED) == 200 * 70
    assert np.count_nonzero(state == NO_GLASS) == 400 * 150 - 200 * 70


def test_a_belt_in_a_hole_is_no_glass_and_a_speck_is_a_spike():
    height = _scan()
    height[100:160, 50:90] = -2.0
    height[250, 70] = 45.0
    state = _find(height)
    assert (state[100:160, 50:90] == NO_GLASS).all()
    assert np.count_nonzero(state == NO_GLASS) == 60 * 40
    assert state[250, 70] == SPIKE


def test_the_tilt_of_an_area_sensor_is_no_reason_to_drop_glass():
    height = _scan() + (0.05 * 2.0 * np.arange(150) + 0.2 * np.arange(400)[:, None])
    state = _find(height.astype(np.float32), glass_range_mm=5.0)
    assert np.count_nonzero(state == MEASURED) == 300 * 100


def test_missing_lines_right_across_do_not_part_a_lite():
    height = _scan()
    height[200:225] = np.nan
    assert np.count_nonzero(_find(height) == MEASURED) == 275 * 100


def test_two_lites_are_refused():
    height = _scan()
    height[185:220] = np.nan
    with pytest.raises(ScanError) as refused:
        _find(height)
    assert str(refused.value) == (
        "lite 7: 2 separate regions of like height (0.027 m2, 0.026 m2); one lite in a scan, and "
        "no belt within the glass range of it; split the scan, or lower glass_range_mm "
        "if one of them is the belt."
    )


def test_a_scan_without_a_lite_is_refused():
    height = np.full((300, 90), np.nan, np.float32)
    height[20:40, 30:33] = 5.0
    with pytest.raises(LiteTooSmall) as refused:
        _find(height)
    assert str(refused.value) == (
        "lite 7: no glass: the largest region is 20 mm by 6 mm with 60 points; a lite of at least "
        "50 mm by 50 mm; check the codes declared as invalid, the pitches, and that a lite was in "
        "view."
    )
