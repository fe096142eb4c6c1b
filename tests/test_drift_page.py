"""The page of a drift: whole, self-contained, the answer first."""

from __future__ import annotations

import functools
import re

from charted import WHOLE, figures, production
from midchord.charts.drift_settings import DriftSettings
from midchord.drift import Drift, drift
from midchord.drift_facts import conclusions
from midchord.report import drift_pictures
from midchord.report.drift_page import drift_page
from test_trace_page import text_of


@functools.cache
def changed() -> Drift:
    settings = DriftSettings.of({"first_phase": {"permutations": 199}})
    return drift(production(1, names=WHOLE, begin=140, step=3.0), settings)


def test_the_answer_comes_first_and_every_sentence_is_there() -> None:
    text = text_of(drift_page(changed()))
    assert text.index("figure changed; first signal: lite C-014") < text.index("All figures")
    for sentence in conclusions(changed()):
        assert sentence in text
    assert "certify safety glazing" in text


def test_the_page_needs_nothing_else_and_is_the_same_again() -> None:
    page = drift_page(changed())
    assert set(re.findall(r'(?:src|href)="([^"]{0,30})', page)) == {
        "data:image/png;base64,iVBORw0K"
    }
    assert page.count("<img ") == page.count('alt="') >= 2
    assert "default-src 'none'" in page
    assert drift_pictures.overview(changed()) == drift_pictures.overview(changed())


def test_a_quiet_production_and_a_name_that_is_markup() -> None:
    table = figures(production(3).series[WHOLE[0]][:, None], ("<b>x</b>",), scanned_at=("",) * 200)
    page = drift_page(drift(table))
    assert "<b>x</b>" not in page
    assert "No change is seen" in text_of(page)
