"""The page of a hand survey and the sheet that is taken to the table."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from midchord.configs import shipped
from midchord.report.page import CAUTIONS
from midchord.report.survey_picture import MOST_NAMED, as_the_dial, draw_survey, whole_mm
from midchord.report.survey_sheet import FORM_ROWS, _laid_over, procedure_page, survey_page
from midchord.surveying.hand_survey import work_up
from midchord_io.gauge_card import card_of, load_gauge_card
from midchord_io.survey import read_survey

HEADER = "lite_id;gauge;operator;repeat;line_y_mm;datum_edge;mark;distance_mm;reading_mm"
VOID = {"meta", "img", "path", "circle", "rect"}


class Page(HTMLParser):
    """Tags, attributes and text; complains of tags that do not close."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open and data.strip():
            self.words.append(" ".join(data.split()))

    @property
    def text(self) -> str:
        return " ".join(self.words)


@pytest.fixture(scope="module")
def teal():
    return load_gauge_card(shipped("configs", "gauges", "three-point-120.toml"))


@pytest.fixture(scope="module")
def hand(teal):
    survey = read_survey(shipped("sample-scans", "surveys", "heron-07.lines.csv"))
    return work_up(survey, teal, length_mm=2460.0)


@pytest.fixture(scope="module")
def html(hand):
    return survey_page(hand)


def one_line(tmp_path, gauge, *, readings=(0.05, -0.05, 0.05, -0.05), name="A-1", **options):
    rows = [
        f"{name};{gauge.gauge};Ines;1;620;leading;{i};{340 + 120 * i};{r}"
        for i, r in enumerate(readings, start=1)
    ]
    path = tmp_path / "one.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return work_up(read_survey(path), gauge, **options)


def test_the_half_span_and_the_figures_stand_first(hand, html):
    page = Page(html)
    figures = hand.lites[0].figures
    top = page.text[: page.text.index("Line by line")]
    assert f"Set the feet of a three-point gauge to {figures.half_span_mm:.0f} mm" in top
    assert f"half of the mean of {figures.wavelength_mm.n} wavelengths" in top
    depth = [f"{value:.3f}" for value in figures.depth_mm[1:]]
    assert " ".join(["Depth W / mm, gauge convention", *depth, "56"]) in top
    assert "Distortion / mdpt, gauge convention, full wave" in top
    assert "Distortion / mdpt, gauge convention, half wave" in top
    assert "Depth W / mm, surface convention (swing / gain)" in top
    assert "4 lines by Ines, Oskar; three-point gauge, 120 mm from plunger to foot" in top


def test_every_line_and_every_mark_is_told(hand, html):
    page = Page(html)
    for line in hand.lines:
        assert f"{line.name}, from the leading edge" in page.text
    last = hand.lines[3].half_waves.iloc[-1]
    assert f"{last['distortion_full_wave_mdpt']:.1f}" in page.words
    assert page.text.count("valley") >= 4 * 8


def test_nothing_is_fetched_and_nothing_runs(html):
    for source in (html, procedure_page()):
        page = Page(source)
        for tag, attrs in page.tags:
            assert tag not in {"script", "link", "iframe", "object", "embed", "form"}
            for name, value in attrs.items():
                assert not name.startswith("on")
                if name in {"src", "href"}:
                    assert (value or "").startswith("data:image/png;base64,")
        plain = re.sub(r"base64,[^\"]*", "", source)
        assert not re.search(r"https?:|@import|url\(", plain)
        for caution in CAUTIONS:
            assert caution in page.text


def test_the_picture_opens_and_has_words_of_its_own(html):
    (picture,) = [attrs for tag, attrs in Page(html).tags if tag == "img"]
    assert picture["alt"] == (
        "Readings at 60 marks of 4 lines over the distance from the leading edge."
    )
    content = base64.b64decode((picture["src"] or "").split(",")[1])
    with Image.open(io.BytesIO(content)) as image:
        assert image.size == (1460, 550)
        assert np.asarray(image).std() > 5


def test_the_same_survey_gives_the_same_page(hand, html):
    assert survey_page(hand) == html
    assert len(html) < 300_000


def test_names_from_files_are_escaped(tmp_path, teal):
    html = survey_page(one_line(tmp_path, teal, name="<script>alert(1)</script>"))
    assert "<script" not in html
    assert "Lite <script>alert(1)</script>, gauge Teal 120" in Page(html).text


def test_what_looks_wrong_is_told_before_the_figures(tmp_path, teal):
    page = Page(survey_page(one_line(tmp_path, teal, readings=(0.05, -0.05, -0.06, 0.05))))
    box = page.text[page.text.index("Look at this first") : page.text.index("The line")]
    assert "mark 2 is neither peak nor valley" in box
    assert "(row 3 of the file)" in box
    assert "the length of the lite was not given" not in box
    assert "Note: the length of the lite was not given" in page.text


def test_marks_that_are_not_read_yet(tmp_path, teal):
    page = Page(survey_page(one_line(tmp_path, teal, readings=("", "", "", ""))))
    assert "Set the feet of a three-point gauge to 120 mm" in page.text
    assert "gauge convention" not in page.text
    assert "Note: Ines, repeat 1, y 620 mm: marks set, gauge not read yet." in page.text


def test_a_line_too_short_for_a_wavelength(tmp_path, teal):
    page = Page(survey_page(one_line(tmp_path, teal, readings=(0.05, -0.05))))
    assert "gauge to no value either side" in page.text
    assert "a wavelength needs 3" in page.text


def test_conventions_of_other_gauges(tmp_path):
    values = {"gauge": "F", "kind": "flat-base", "base_mm": 400.0, "resolution_mm": 0.002}
    flat = card_of({**values, "depth_is": "surface"})
    text = Page(survey_page(one_line(tmp_path, flat))).text
    assert "Depth W / mm, surface convention 0.100 0.100 0.100 3" in text
    assert "gauge convention" not in text
    assert "never" in procedure_page()
    short = load_gauge_card(shipped("configs", "gauges", "short-feet-20.toml"))
    text = Page(survey_page(one_line(tmp_path, short))).text
    # 4 r / a^2 = 4 x 0.05 / 20^2 x 10^6 = 500 mdpt
    assert "Local distortion at the marks / mdpt 500 500 500 4" in text
    assert "use the local distortion, not the depth" in text


def test_lines_from_both_edges_have_a_picture_each(tmp_path, teal):
    rows = [
        f"A-1;{teal.gauge};{who};1;620;{edge};{i};{340 + 120 * i};{0.05 * (-1) ** i}"
        for who, edge in (("Ines", "leading"), ("Oskar", "trailing"))
        for i in range(1, 6)
    ]
    path = tmp_path / "s.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    tags = Page(survey_page(work_up(read_survey(path), teal))).tags
    alts = [attrs["alt"] for tag, attrs in tags if tag == "img"]
    assert [alt.split()[-2] for alt in alts] == ["leading", "trailing"]


def test_many_walks_have_pictures_in_which_every_one_is_named(hand):
    import dataclasses

    one = hand.lines[0]
    walks = [
        dataclasses.replace(one, line_y_mm=float(y), operator=name, repeat=repeat)
        for y in (300, 600)
        for name in ("Ines", "Jo")
        for repeat in (1, 2)
    ]
    groups = [own for _, own in _laid_over(walks)]
    assert [len(own) for own in groups] == [4, 4]
    assert [{line.line_y_mm for line in own} for own in groups] == [{300.0}, {600.0}]
    assert len(_laid_over(walks[:4])) == 1
    many = [dataclasses.replace(one, repeat=k) for k in range(20)]
    assert max(len(own) for _, own in _laid_over(many)) <= MOST_NAMED


def test_what_the_picture_shows(hand, tmp_path, teal):
    figure = draw_survey(hand.lines, resolution_mm=0.001, edge_x_mm=305.0, length_mm=2460.0)
    (ax,) = figure.axes
    assert ax.get_xlim() == (0.0, 2460.0)
    names = [text.get_text() for text in ax.get_legend().get_texts()]
    assert names[0] == "Ines, repeat 1, y 620"
    assert len(names) == 4
    single = one_line(tmp_path, teal)
    figure = draw_survey(single.lines, resolution_mm=0.001, edge_x_mm=305.0)
    upper, strip = figure.axes
    assert [text.get_text() for text in upper.get_legend().get_texts()] == ["peak", "valley"]
    numbers = [text.get_text() for text in strip.texts]
    assert numbers.count("0.100") == 3
    assert numbers.count("240") == 2
    assert numbers.count("–") == 1


def test_no_feet_are_set_by_what_is_no_roll_wave(tmp_path, teal):
    rows = [
        f"A-1;{teal.gauge};Ines;1;24;leading;{i};{14 + 4.7 * i:.1f};{r}"
        for i, r in enumerate((0.05, -0.05, 0.05, -0.05), start=1)
    ]
    path = tmp_path / "inches.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    text = Page(survey_page(work_up(read_survey(path), teal))).text
    assert "Set the feet of a three-point gauge" not in text
    assert (
        "No setting of the feet follows from these marks: their mean wavelength of 9.40 mm is none "
        "of a roll wave."
    ) in text


def test_a_slip_among_repeats_is_marked_wherever_it_makes_a_figure(tmp_path, teal):
    rows = []
    for repeat in (1, 2):
        for i in range(1, 9):
            value = 0.05 * (-1) ** i + 0.001 * repeat
            value *= 10 if (repeat, i) == (2, 4) else 1
            place = f"{repeat};620;leading;{i};{340 + 120 * i}"
            rows.append(f"A-1;{teal.gauge};Ines;{place};{value:.3f}")
    path = tmp_path / "slip.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    hand = work_up(read_survey(path), teal, length_mm=2400.0)
    text = Page(survey_page(hand)).text
    assert "lie 0.469 mm apart, where those of other marks scatter by 0.00071 mm" in text
    assert "(rows 5, 13 of the file)" in text
    largest = hand.lites[0].figures.depth_mm.max
    assert f"{largest:.3f} * " in text
    assert "* from a reading that is named above as a likely slip." in text
    assert (
        "Repeats of one mark by one person scatter by 0.117 mm (standard deviation within a mark), "
        "by 0.000707 mm without the marks named above."
    ) in text
    assert " *" not in Page(survey_page(one_line(tmp_path, teal))).text


def test_the_procedure_and_its_form():
    page = Page(procedure_page(edge_x_mm=305.0, half_span_mm=126.4))
    for needed in (
        "granite table, or annealed glass of 10 mm or more",
        "Keep 305 mm clear of the leading and the trailing edge",
        "Set each foot to half of it from the plunger. Stated for this survey: 126 mm",
        "for a mean wavelength of 253 mm; where the marks differ from it by more than 5 %, the "
        "marks rule.",
        "Single spots instead of a line",
        "D = 4 π² W / L² × 10⁶ mdpt",
        "marks 1 and 2 have none",
        "the two are never compared as they stand",
    ):
        assert needed in page.text
    rows = [tag for tag, _ in page.tags if tag == "tr"]
    assert len(rows) == FORM_ROWS + 1
    assert "126" not in Page(procedure_page()).text


def test_decimals_are_those_of_the_dial():
    assert as_the_dial(0.11712345, 0.001) == "0.117"
    assert as_the_dial(0.11712345, 0.01) == "0.12"
    assert as_the_dial(-0.0615, 0.0005) == "−0.0615"
    assert as_the_dial(0.05, 0.0002) == "0.0500"
    assert whole_mm(247.42) == "247"
    assert whole_mm(None) == "no value"
