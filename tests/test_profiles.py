"""Ridge profiles out of maps, and the pieces that are cut from them."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from midchord.causes.profiles import pieces_of, ridge_profile
from midchord_io.errors import LiteTooSmall, UnknownFormat

OPTIONS = {
    "edge_mm": 60.0, "side_mm": 30.0, "least_share": 0.3, "shortest_mm": 60.0, "longest_mm": 700.0,
}  # fmt: skip


def maps(length_mm: float = 1800.0, width_mm: float = 700.0) -> xr.Dataset:
    x, y = np.arange(2.5, length_mm, 5.0), np.arange(2.5, width_mm, 5.0)
    z = 0.02 * np.cos(2 * np.pi * x / 240.0)[:, None] + 0 * y[None, :]
    return xr.Dataset(
        {"residual": (("x", "y"), z.astype(np.float32))},
        coords={"x": x, "y": y},
        attrs={"lite_id": "K-1"},
    )


def test_the_profile_is_the_wave_less_the_rims() -> None:
    found = ridge_profile(maps(), **OPTIONS)
    assert found.lite_id == "K-1"
    assert found.x_mm[0] == 62.5
    assert found.used_mm == pytest.approx(1800.0 - 120.0, abs=10.0)
    assert found.height_mm == pytest.approx(0.02 * np.cos(2 * np.pi * found.x_mm / 240), abs=2e-4)


def test_a_bad_end_is_cut_off_and_a_gap_is_kept_as_one() -> None:
    made = maps()
    made["residual"][:60] = np.nan
    made["residual"][200:206] = np.nan
    found = ridge_profile(made, **OPTIONS)
    assert found.x_mm[0] == 302.5
    piece = pieces_of(found, 3, 0.0)[0]
    assert piece.lite == 3
    assert piece.x_mm.size == found.x_mm.size - 6
    assert piece.span_mm == pytest.approx(found.used_mm)


def test_pieces_have_at_least_their_length_and_share_their_places() -> None:
    found = ridge_profile(maps(), **OPTIONS)
    cut = pieces_of(found, 0, 500.0)
    assert len(cut) == 3
    assert all(piece.span_mm >= 500.0 for piece in cut)
    assert sum(piece.x_mm.size for piece in cut) == found.x_mm.size
    assert abs(cut[0].x_mm.mean()) < 1e-9
    assert np.concatenate([piece.z_mm for piece in cut]) == pytest.approx(found.height_mm)


def test_what_is_too_small_or_no_residual_is_refused() -> None:
    with pytest.raises(LiteTooSmall, match="K-1: 12 points along"):
        ridge_profile(maps(length_mm=180.0), **OPTIONS)
    with pytest.raises(UnknownFormat, match="maps without a residual"):
        ridge_profile(maps().drop_vars("residual"), **OPTIONS)
    empty = maps()
    empty["residual"][:] = np.nan
    with pytest.raises(LiteTooSmall, match="0 points of its ridge profile"):
        ridge_profile(empty, **OPTIONS)
