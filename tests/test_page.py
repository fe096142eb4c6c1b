"""The page read back as a reader, a browser without a network and a printer would."""

from __future__ import annotations

import base64
import io
import itertools
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from fake_maps import fake_maps, judged, with_summary
from midchord.report.page import CAUTIONS, PAGE_MAPS, lite_page
from midchord.report.result import summary_of
from midchord.report.tables import flat_settings, key_rows, place_words, zone_rows

VOID = {"meta", "img", "link", "br", "hr", "input"}


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

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open and data.strip():
            self.words.append(" ".join(data.split()))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]

    @property
    def text(self) -> str:
        return " ".join(self.words)


@pytest.fixture(scope="module")
def maps():
    return judged(fake_maps(pitch_x_mm=10.0, pitch_y_mm=10.0, lite_id="<script>alert(1)</script>"))


@pytest.fixture(scope="module")
def html(maps):
    return lite_page(maps)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


@pytest.fixture(scope="module")
def waveless():
    return Page(lite_page(fake_maps(no_wave=True, pitch_x_mm=10.0, pitch_y_mm=10.0)))


def test_verdict_place_size_convention_and_certainty_come_first(maps, page):
    figure = summary_of(maps)["gauge_distortion_mdpt"]
    top = page.text[: page.text.index("Limits applied")]
    assert "Outside its limits" in top
    assert "Largest gauge distortion is outside its limit of 60 mdpt." in top
    assert place_words(figure["worst"]) in top
    assert f"largest distortion {figure['max']:.1f} ± 1.8 mdpt" in top
    assert "the limit is 60 mdpt" in top
    assert "gauge convention" in top
    assert "standard uncertainty 1.8 mdpt" in top
    assert "98.2 % of the glass was measured" in top
    assert len(top) < 1300


def test_each_limit_is_told_with_its_unit_and_its_rule(page):
    limits = page.text[page.text.index("Limits applied") : page.text.index("Key figures Two")]
    assert "gauge convention largest, clear" in limits
    assert "share of area over 55 mdpt, whole 0.40 ± 0.10 % 5 % within" in limits
    assert "bow – largest, whole 1.43 ± 0.05 mm/m 3 mm/m within" in limits
    assert "within if value + k u <= limit" in page.text


def test_the_figure_that_decides_goes_before_the_headline_of_the_limits():
    small = judged(fake_maps(length_mm=1400.0, width_mm=700.0, pitch_x_mm=20.0, pitch_y_mm=20.0))
    reasons = summary_of(small)["reasons"]
    reasons[0]["verdict"], reasons[1]["verdict"] = "within", "outside"
    page = Page(lite_page(with_summary(small, reasons=reasons)))
    top = page.text[: page.text.index("Limits applied")]
    assert "surface convention" in top
    assert "largest depth W" in top
    assert page.all("figure")[0]["id"] == "picture-surface_depth"


def test_names_from_files_are_escaped(html, page):
    assert "<script" not in html
    assert "Lite <script>alert(1)</script>" in page.text


def test_nothing_is_fetched_and_nothing_runs(html, page):
    for tag, attrs in page.tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "form"}
        for name, value in attrs.items():
            assert not name.startswith("on")
            if name in {"src", "href"}:
                assert re.match(r"data:image/png;base64,|#", value or ""), value
    assert not re.search(r"https?:|//[a-z]|@import|url\(", re.sub(r"base64,[^\"]*", "", html))
    policy = [m for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy[0]["content"].startswith("default-src 'none'")


def test_every_picture_opens_and_has_a_text_of_its_own(page):
    pictures = page.all("img")
    names = {attrs["id"].removeprefix("picture-") for attrs in page.all("figure")}
    assert names == {"gauge_distortion", *PAGE_MAPS, "centre_line", "histogram"}
    alts = [picture["alt"] for picture in pictures]
    assert len(set(alts)) == len(alts) == len(names)
    assert all(len(alt) > 40 for alt in alts)
    for picture in pictures:
        content = base64.b64decode(picture["src"].split(",")[1])
        with Image.open(io.BytesIO(content)) as image:
            assert image.format == "PNG"
            assert min(image.size) > 200
            assert np.asarray(image).std() > 5


def test_headings_and_links_hold_together(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(ids)) == len(ids)
    targets = {attrs["href"][1:] for attrs in page.all("a")}
    targets |= {attrs["aria-labelledby"] for _, attrs in page.tags if "aria-labelledby" in attrs}
    assert targets <= set(ids)
    assert page.all("html")[0]["lang"] == "en"
    assert all(attrs.get("scope") for attrs in page.all("th"))


def test_the_two_conventions_stand_side_by_side_and_are_never_mixed(maps, page):
    summary = summary_of(maps)
    distortion, depth = key_rows(summary)
    gauge, surface = distortion["cells"]
    assert gauge[3] == f"{summary['gauge_distortion_mdpt']['max']:.1f} ± 1.8"
    assert surface[3] == f"{summary['surface_distortion_mdpt']['max']:.1f} ± 1.8"
    assert depth["cells"][0][3] == f"{summary['depth_mm']['max']:.4f} ± 0.0010"
    assert depth["cells"][1][2] == f"{summary['surface_depth_mm']['p95']:.4f}"
    for cell in (*gauge, *surface):
        assert cell in page.words
    assert page.text.count("Gauge convention") == page.text.count("Surface convention") == 3


def test_zones_half_waves_bow_and_edge_lift_are_told(maps, page):
    summary = summary_of(maps)
    assert len(zone_rows(summary)) == 9
    zone = summary["zones"][8]["figures"]["gauge_distortion_mdpt"]
    assert zone_rows(summary)[8]["cells"][2] == f"{zone['max']:.1f}"
    wave = summary["centre_line"]["half_waves"][4]
    assert f"{wave['depth_mm']:.4f} ± 0.0011" in page.words
    assert f"{wave['x_from_mm']:.0f} to {wave['x_to_mm']:.0f}" in page.words
    assert page.text.count("as supported") >= 3
    for needed in ("diagonal 2", "400 mm from the left-hand edge", "2.94", "0.21"):
        assert needed in page.text


def test_settings_provenance_and_cautions_are_told(maps, page):
    for name, value in flat_settings(summary_of(maps)["settings"]):
        assert name in page.words
        assert value in page.words
    for needed in ("line-2/K-0417.h5", "0f" * 32, "0.1.0", "2026-03-04T05:06:07Z", "line sensor 2"):
        assert needed in page.text
    for caution in CAUTIONS:
        assert caution in page.text
    for needed in ("safety glazing", "IEC 60825-1", "no safety function", "licensed professional"):
        assert needed in page.text


def test_a_lite_without_a_wave_says_so_plainly(waveless):
    assert "This lite shows no wave above the detection bound." in waveless.text
    assert "Not judged" in waveless.text
    assert "no wave above the detection bound (a depth of 0.0042 mm) was found" in waveless.text
    assert "No zone has a figure" in waveless.text
    assert "The feet were set to the fallback of 150 mm." in waveless.text
    assert "No value anywhere on this lite: distortion, gauge convention" in waveless.text
    assert "nan" not in waveless.text.lower().split()
    names = {attrs["id"].removeprefix("picture-") for attrs in waveless.all("figure")}
    assert names == {"residual", "reading", "power_x", "height", "quality", "centre_line"}


@pytest.mark.parametrize(
    ("verdict", "words"),
    [
        ("within", "Within its limits"),
        ("undecided", "Undecided"),
        ("outside", "Outside its limits"),
    ],
)
def test_each_verdict_in_words_and_not_by_colour_alone(verdict, words):
    small = fake_maps(length_mm=1400.0, width_mm=700.0, pitch_x_mm=20.0, pitch_y_mm=20.0)
    page = Page(lite_page(judged(small, verdict)))
    assert words in page.words
    assert {attrs.get("class") for attrs in page.all("section")} >= {verdict}


def test_a_strip_with_a_coarse_pitch_has_a_page():
    strip = fake_maps(strip_only=True, pitch_y_mm=25.0)
    page = Page(lite_page(with_summary(strip, doubts=["Half the lite <b>was</b> not measured."])))
    assert "1 doubt noted" in page.text
    assert "Half the lite <b>was</b> not measured." in page.text
    assert "–" in page.words  # zones without a value


def test_the_same_maps_give_the_same_page(maps, html):
    assert lite_page(maps) == html


def test_a_noisy_jumbo_stays_below_three_megabytes():
    jumbo = fake_maps(length_mm=6000.0, width_mm=3210.0, noise_mm=0.02)
    assert len(lite_page(jumbo).encode("utf-8")) < 3_000_000
