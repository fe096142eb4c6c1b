"""The page of many lites: whole, self-contained, the answer first."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from fake_maps import fake_maps
from lot_files import PLACED, Truth, bands, moment, placed, streaks, write_lots
from midchord.lots import lots
from midchord.production.frames import Frame
from midchord.production.lots_settings import LotsSettings
from midchord.production.result import Lots
from midchord.production.sentences import conclusions, limits_of, percent, zone_words
from midchord.report import lots_pictures
from midchord.report.lots_page import lots_page
from midchord_io.results import write_maps
from test_trace_page import text_of


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Lots:
    folder = tmp_path_factory.mktemp("lots")
    truth = Truth(
        lambda u, v: streaks(u, v) + bands(u, v), lite_sd=0.5, step_from=14, step=4.0, level=45.0
    )
    write_lots(folder, 28, truth, length_mm=700.0, width_mm=300.0, scatter_mm=(120.0, 50.0))
    (folder / "foreign.maps.nc").write_bytes(b"<b>junk</b>")
    return lots([folder], PLACED, LotsSettings.of({"persistence": {"limit": 46.0}}))


def test_the_answer_comes_first_and_every_sentence_is_there(found: Lots) -> None:
    text = text_of(lots_page(found))
    assert text.index("of the variance stays with the machine") < text.index("Where the variance")
    for sentence in (*conclusions(found), *limits_of(found)):
        assert sentence in text
    assert "not a netCDF-4 file" in text
    assert "certify safety glazing" in text
    assert "L-00014" in text


def test_the_page_needs_nothing_else(found: Lots) -> None:
    page = lots_page(found)
    assert set(re.findall(r'(?:src|href)="([^"]{0,30})', page)) == {
        "data:image/png;base64,iVBORw0K"
    }
    # shares, pattern, three maps in each frame, levels, two maps of the change
    assert page.count("<img ") == page.count('alt="') == 11
    assert "default-src 'none'" in page


def test_the_same_lots_give_the_same_bytes(found: Lots) -> None:
    assert lots_page(found) == lots_page(found)
    shares = lots_pictures.shares(found)
    assert shares is not None
    assert shares[:4] == b"\x89PNG"


def test_few_lites_have_a_page_too(tmp_path: Path) -> None:
    write_lots(tmp_path, 1, Truth(), length_mm=500.0, width_mm=300.0)
    text = text_of(lots_page(lots([tmp_path])))
    assert "Too few lites to split the variance" in text
    assert "at least 8 lites" in text
    assert "Not looked for: the order in time is not known." not in text


def test_a_map_without_a_value_is_no_picture() -> None:
    frame = Frame(0.0, 0.0, 4, 3, 5.0)
    nothing = lots_pictures.frame_map(
        np.full((4, 3), np.nan), frame, title="t", unit="mm", kind="amount", on_machine=True
    )
    assert nothing is None


def test_large_maps_are_thinned_by_their_means() -> None:
    rng = np.random.default_rng(0)
    values = rng.standard_normal((1500, 30))
    values[:3, :3] = np.nan
    thin = lots_pictures._thinned(values)
    assert thin.shape == (500, 10)
    assert np.isnan(thin[0, 0])
    assert thin[7, 4] == pytest.approx(values[21:24, 12:15].mean())


@pytest.mark.parametrize(
    ("share", "text"), [(0.4567, "46"), (0.0123, "1.2"), (0.0001, "0"), (-0.012, "-1.2")]
)
def test_shares_in_words(share: float, text: str) -> None:
    assert percent(share) == text


def test_zones_in_words() -> None:
    assert zone_words("whole") == "the whole lite"
    assert zone_words("r1c3") == "the leading third along, right third across (r1c3)"


def test_lites_without_any_wave_have_a_page(tmp_path: Path) -> None:
    base = fake_maps(length_mm=500.0, width_mm=300.0, no_wave=True)
    for number in range(9):
        maps = placed(base, f"N-{number}", moment(number), (2000.0 + 5 * number, 300.0))
        write_maps(maps, tmp_path / f"N-{number}.maps.nc")
    found = lots([tmp_path], PLACED)
    assert found.split is None
    assert found.limit is None
    assert np.isnan(found.on_lite.maps.mean).all()
    text = text_of(lots_page(found))
    assert "Too few lites to split the variance" in text
    assert json.loads(json.dumps(found.as_dict(), allow_nan=False))["variance"] is None
