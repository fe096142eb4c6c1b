"""The page of a trace: whole, self-contained, and first of all the answer."""

from __future__ import annotations

import re

import pytest

from midchord.machine import Machine
from midchord.report import trace_pictures
from midchord.report.trace_page import trace_page
from midchord.simulating.production import residuals
from midchord.trace import trace
from midchord.trace_facts import conclusions, limits_of
from traced import bittern, production, small_trace


def text_of(page: str) -> str:
    plain = re.sub(r"<(style|head)[\s\S]*?</\1>", " ", page)
    plain = re.sub(r"<[^>]+>", " ", plain)
    for code, sign in (("&#39;", "'"), ("&lt;", "<"), ("&amp;", "&")):
        plain = plain.replace(code, sign)
    return re.sub(r"\s+", " ", plain)


def test_the_answer_comes_first_and_every_sentence_is_there() -> None:
    found = small_trace()
    text = text_of(trace_page(found))
    assert text.index("shown:") < text.index("Which part, and how much")
    for sentence in (*conclusions(found), *limits_of(found)):
        assert sentence in text
    for one in found.causes:
        assert one.candidate.cause in text
    assert "certify safety glazing" in text


def test_the_page_needs_nothing_else() -> None:
    page = trace_page(small_trace())
    assert set(re.findall(r'(?:src|href)="([^"]{0,30})', page)) == {
        "data:image/png;base64,iVBORw0K"
    }
    assert page.count("<img ") == page.count('alt="') == 3
    assert "default-src 'none'" in page


def test_the_same_trace_gives_the_same_bytes() -> None:
    found = small_trace()
    assert trace_pictures.shares(found) == trace_pictures.shares(found)
    assert trace_pictures.spectrum(found)[:4] == b"\x89PNG"
    assert trace_page(found) == trace_page(found)


def test_a_machine_without_parts_and_a_name_that_is_markup() -> None:
    found = trace(residuals(production(lites=3)), Machine(name="<b>x</b>"))
    page = trace_page(found)
    assert "<b>x</b>" not in page
    assert "The machine file names no period that these lites can show." in text_of(page)
    assert "No part of the machine is shown" in text_of(page)


@pytest.mark.parametrize("lites", [1, 2])
def test_few_lites_have_a_page_too(lites: int) -> None:
    text = text_of(trace_page(trace(residuals(production(lites=lites)), bittern())))
    assert "at least 3 are needed" in text
