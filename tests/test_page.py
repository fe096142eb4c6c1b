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

from fake_maps import NO_WAVE_DOUBT, fake_maps, judged, with_summary
from midchord.report.answers import (
    answers_of,
    coverage_words,
    doubts_of,
    headline_of,
    scanned_words,
    undecided_words,
)
from midchord.report.page import CAUTIONS, PAGE_MAPS, lite_page
from midchord.report.result import summary_of
from midchord.report.tables import (
    flat_settings,
    key_rows,
    place_words,
    reason_rows,
    zone_rows,
)

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
    top = page.text[: page.text.index("Key figures Two")]
    assert "Outside its limits" in top
    assert "Largest gauge distortion is outside its limit of 60 mdpt." in top
    assert place_words(figure["worst"]) in top
    assert f"largest distortion: {figure['max']:.1f} mdpt" in top
    assert "the limit is 60 mdpt" in top
    assert "gauge convention" in top
    assert "standard uncertainty 1.8 mdpt" in top
    assert "98.2 % of the glass was measured" in top
    assert "ringed on the map" in top
    assert len(top) < 1700


def test_each_limit_is_told_with_its_unit_and_its_rule(page):
    limits = page.text[page.text.index("Limits applied") :]
    assert "gauge convention largest, clear" in limits
    assert "share of area over 55 mdpt, clear 0.40 % – 5 % within" in limits
    assert "bow – largest, all 1.43 mm/m – 3 mm/m within" in limits
    assert "Zones that the limits take: clear zone (all three contacts" in limits
    assert "all four edges and both diagonals" in limits
    assert "within if value + k u <= limit" in page.text


def test_the_figure_that_decides_goes_before_the_headline_of_the_limits():
    small = judged(fake_maps(length_mm=1400.0, width_mm=700.0, pitch_x_mm=20.0, pitch_y_mm=20.0))
    reasons = summary_of(small)["reasons"]
    reasons[0]["verdict"], reasons[1]["verdict"] = "within", "outside"
    page = Page(lite_page(with_summary(small, reasons=reasons)))
    top = page.text[: page.text.index("Key figures Two")]
    assert "surface convention" in top
    assert "95th percentile of depth W: 0.0601 mm; the limit is 0.09 mm" in top
    assert page.all("figure")[0]["id"] == "picture-surface_depth"


@pytest.fixture(scope="module")
def small():
    return judged(fake_maps(length_mm=1400.0, width_mm=700.0, pitch_x_mm=20.0, pitch_y_mm=20.0))


def _answers(maps):
    summary = summary_of(maps)
    return dict(answers_of(maps, summary, headline_of(maps, summary)))


def test_where_and_how_bad_are_those_of_the_limit_that_decided(small):
    reason = summary_of(small)["reasons"][0]
    reason["limit"] |= {"zone": "ends", "ends_mm": 300.0}
    reason |= {"value": 64.25, "uncertainty": 1.8, "bias": 0.9, "lower": 60.3891, "upper": 67.211}
    reason["place"] = {"x_mm": 110.0, "y_mm": 330.0}
    answers = _answers(with_summary(small, reasons=[reason]))
    assert answers["Where"] == (
        "110 mm from the leading edge, 330 mm from the left-hand edge (ringed on the map); zone of "
        "the limit: ends (less than 300 mm from one end, clear of the side edges)"
    )
    assert answers["How bad"] == "largest distortion: 64.2 mdpt; the limit is 60 mdpt"
    assert answers["How sure"].startswith(
        "standard uncertainty 1.8 mdpt; guard band 60.4 to 67.2; being the largest of many, it is "
        "expected to read 0.9 mdpt too high; 98.2 % of the glass was measured"
    )


def test_a_bow_that_decides_is_what_the_box_is_about(small):
    bow = summary_of(small)["reasons"][3] | {"verdict": "outside", "edge": "diagonal_1"}
    answers = _answers(with_summary(small, reasons=[bow]))
    assert answers["Where"] == "diagonal from the leading left to the trailing right corner"
    assert answers["How bad"] == "largest bow: 1.43 mm/m; the limit is 3 mm/m"
    assert "By which convention" not in answers


def test_value_and_band_have_the_digits_that_tell_them_from_the_limit(small):
    reason = summary_of(small)["reasons"][1]
    reason |= {"verdict": "undecided", "value": 0.0886, "lower": 0.0872, "upper": 0.090004}
    (row,) = reason_rows({"reasons": [reason]})
    assert (row["value"], row["band"], row["limit"]) == (
        "0.088600 mm", "0.087200 to 0.090004", "0.09 mm"
    )  # fmt: skip


def test_each_cause_of_undecided_has_its_sentence(small):
    reasons = summary_of(judged(small, "undecided"))["reasons"][:2]
    reasons[0]["cause"] = "coverage"
    reasons[1] |= {"cause": "guard band", "verdict": "undecided"}
    assert undecided_words({"reasons": reasons}) == [
        "Undecided because too little of the zone was measured (largest distortion).",
        "Undecided because the uncertainty of the figure reaches across its limit "
        "(95th percentile of depth W).",
    ]
    page = Page(lite_page(with_summary(judged(small, "undecided"), reasons=reasons[:1])))
    assert "too little of the zone was measured" in page.text
    assert "reaches across its limit" not in page.text


def test_that_no_wave_was_found_is_a_doubt_only_where_a_limit_hangs_on_it():
    told = {"no_wave": True, "doubts": [NO_WAVE_DOUBT, "Another."], "reasons": []}
    assert doubts_of(told) == ["Another."]
    told["reasons"] = [{"verdict": "undecided", "cause": "detection bound"}]
    assert doubts_of(told) == [NO_WAVE_DOUBT, "Another."]


def test_coverage_does_not_reassure_where_glass_may_be_missing():
    told = {"coverage": 0.987, "doubts": []}
    assert coverage_words(told) == "98.7 % of the glass was measured"
    told["doubts"] = ["The glass runs to the border of the scan at: left."]
    assert coverage_words(told) == (
        "98.7 % of what the scan shows of the glass was measured, but see the doubts"
    )


def test_a_clear_area_without_figures_is_told_in_the_box(small):
    thin = _answers(with_summary(small, wave_share=0.913))["How sure"]
    assert "91.3 % of the clear area has a figure" in thin
    assert "of the clear area" not in _answers(with_summary(small, wave_share=0.99))["How sure"]


def test_the_time_of_a_file_and_no_instrument_are_said_so(small):
    bare = with_summary(small, instrument="not stated", scanned_at_from="mtime")
    words = "Scanned 2026-03-04T05:06:07Z (time of the file); the instrument is not stated."
    assert scanned_words(bare, summary_of(bare)) == words
    assert scanned_words(small, summary_of(small)) == (
        "Scanned 2026-03-04T05:06:07Z by line sensor 2."
    )


def test_zones_say_how_they_count_and_what_they_hold(small, page):
    assert "r1c1 is row 1 from the leading edge, column 1 from the left-hand edge" in page.text
    assert "hold only their clear points" in page.text
    zones = [summary_of(small)["zones"][0] | {"name": "edge", "area_mm2": 940000.0}]
    (row,) = zone_rows({"zones": zones})
    assert (row["words"], row["area"]) == ("the plunger in an edge zone", "0.94")


def test_the_two_mean_wavelengths_are_told_apart(page):
    assert "mean over area" in page.text
    assert "250.4 ± 0.2 mm, each wave counted once; half of it sets the feet" in page.text


def test_the_limits_stack_on_a_narrow_screen(html, page):
    assert any(attrs.get("class") == "stack" for attrs in page.all("table"))
    labels = [attrs["data-label"] for attrs in page.all("td") if "data-label" in attrs]
    assert labels[:6] == [
        "Convention", "Statistic, zone", "Value", "Guard band", "Limit", "Verdict"
    ]  # fmt: skip
    assert ".stack td::before { content: attr(data-label)" in html


def test_everything_of_a_limits_file_is_escaped(small):
    reasons = summary_of(small)["reasons"]
    for reason in reasons:
        reason["sentence"] = reason["limit"]["source"] = "<i>x</i>"
        reason["limit"]["zone"] = "<b>z</b>"
    html = lite_page(with_summary(small, reasons=reasons, limits="<u>n</u>", instrument="<s>i"))
    for tag in ("<i>", "<b>", "<u>", "<s>"):
        assert tag not in html


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
    assert names == {
        "gauge_distortion", *PAGE_MAPS, "zone", "quality", "centre_line", "histogram"
    }  # fmt: skip
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
    for needed in (
        "diagonal from the leading right to the trailing left corner",
        "400 mm from the left-hand edge",
        "2.94",
        "0.21",
    ):
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
    assert (
        "How bad no wave above the detection bound: nothing to see By which convention both; the "
        "bound is a depth of 0.0042 mm in the gauge convention and of 0.0021 mm in the surface "
        "convention How sure a deeper wave would have been seen; 98.2 % of the glass was measured; "
        "the checks of the scan found nothing amiss"
    ) in waveless.text
    assert NO_WAVE_DOUBT not in waveless.text
    assert "No zone has a figure" in waveless.text
    assert "No value anywhere on this lite: distortion, gauge convention" in waveless.text
    assert "nan" not in waveless.text.lower().split()
    names = {attrs["id"].removeprefix("picture-") for attrs in waveless.all("figure")}
    assert names == {
        "residual", "reading", "power_x", "height", "quality", "centre_line"
    }  # fmt: skip


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
    assert "1 doubt, told below" in page.text
    assert "Half the lite <b>was</b> not measured." in page.text
    assert "–" in page.words  # zones without a value


def test_the_same_maps_give_the_same_page(maps, html):
    assert lite_page(maps) == html


def test_a_noisy_jumbo_stays_below_three_megabytes():
    jumbo = fake_maps(length_mm=6000.0, width_mm=3210.0, noise_mm=0.02)
    assert len(lite_page(jumbo).encode("utf-8")) < 3_000_000
