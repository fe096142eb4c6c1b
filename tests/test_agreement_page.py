"""The page of scan against gauge: what it says, and that it says it safely and readably."""

from __future__ import annotations

import base64
import dataclasses
import io
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import midchord
import surfaces
import surveyed
from midchord.report import agreement_pictures, agreement_tables
from midchord.report.agreement_page import agreement_page
from midchord.report.agreement_tables import probability, three_digits, with_interval
from midchord.report.page import CAUTIONS
from midchord.statistics.comparison import compare_pairs
from midchord.surveying.datum import DatumGroup
from midchord.surveying.flags import Flag
from midchord.surveying.mark_turns import OutOfTurn
from midchord.validate import Validation
from surveyed import LINES, SPOTS, card, line_rows, spot_rows, survey_of

VOID = {"meta", "img"}


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

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def pictures(self) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.tags if tag == "img"]


def validation(folder: Path, header: str, rows: list[str], **options: Any) -> Validation:
    cards = options.pop("cards", [card()])
    return midchord.validate(surveyed.all_maps(), survey_of(folder, header, rows), cards, **options)


@pytest.fixture(scope="module")
def on_lines(tmp_path_factory: pytest.TempPathFactory) -> Validation:
    folder = tmp_path_factory.mktemp("lines")
    return validation(folder, LINES, line_rows(), tolerance_mm=0.02)


@pytest.fixture(scope="module")
def page(on_lines: Validation) -> Page:
    return Page(agreement_page(on_lines))


def test_the_verdict_is_the_first_sentence(page: Page) -> None:
    start = page.text.index("Agreement shown")
    assert page.text.startswith("Scan against hand gauge ✓ Agreement shown")
    sentence = page.text[start:][: page.text[start:].index("Tolerance")]
    assert "The scan may stand in for Wren 115 within ±0.02 mm at 95 % confidence on" in sentence
    assert "(judged on swings of the dial). The spots lie on flatter places" in sentence
    assert sentence.strip().endswith("does not speak for slopes.")


def test_what_was_compared_is_said(page: Page) -> None:
    for words in (
        "three-point gauge, 115 mm from plunger to foot",
        "the swing of the dial, uncorrected",
        "by hand: granite table; under the scanner: not stated",
        "140 of 140 readings, which make 128 swings",
        "slope of the twin's map times a placement of 5 mm",
        "scan less gauge, everywhere on this page",
    ):
        assert words in page.text, words


def test_every_statistic_has_its_row_and_its_interval(on_lines: Validation, page: Page) -> None:
    for words in (
        "bias (scan − gauge)",
        "standard deviation of one difference",
        "upper 95 % limit of agreement",
        "lower 95 % limit of agreement",
        "outward 95 % bounds of both limits",
        "bias by two one-sided tests (TOST) inside ±0.02, p below 0.001",
        "Deming: slope",
        "Passing-Bablok: intercept",
        "slope of differences on means (proportional bias)",
        "Lin's concordance",
        "differences within their expanded uncertainty",
        "from lite to lite",
        "repeatability (EV)",
        "number of distinct categories (ndc)",
    ):
        assert words in page.text, words
    swings = on_lines.gauges[0].swings
    assert swings is not None
    a = swings.agreement
    assert with_interval(a.bias, a.bias_ci) in page.text
    assert with_interval(a.limits.high, a.limits.high_ci) in page.text


def test_no_correlation_is_offered_as_agreement(page: Page) -> None:
    assert "correlation" not in page.text.lower()
    assert "r²" not in page.text
    assert "Concordance grows with the range of the lites chosen" in page.text


def test_pictures_are_inside_and_told_in_words(on_lines: Validation, page: Page) -> None:
    pictures = page.pictures()
    assert len(pictures) == 3 + 3  # differences, lines, people; a map for each lite
    for attrs in pictures:
        assert (attrs["src"] or "").startswith("data:image/png;base64,")
        content = base64.b64decode((attrs["src"] or "").split(",")[1])
        image = Image.open(io.BytesIO(content)).convert("L")
        assert np.asarray(image).std() > 5  # something is drawn
        assert len(attrs["alt"] or "") > 40
    first = pictures[0]["alt"] or ""
    assert "Differences of 128 swings of the dial over their mean: bias" in first
    assert [a["alt"] for a in pictures[3:]] == [
        f"Lite {name} from above: {count} differences at their places over the map of the gauge's "
        "twin."
        for name, count in on_lines.gauges[0]
        .swings.table["lite_id"]
        .value_counts()
        .sort_index()
        .items()  # type: ignore[union-attr]
    ]


def test_the_page_needs_nothing_else(page: Page) -> None:
    assert not {"script", "link", "iframe"} & {tag for tag, _ in page.tags}
    for _, attrs in page.tags:
        for name in ("src", "href"):
            assert (attrs.get(name) or "data:#").startswith(("data:", "#"))


def test_the_cautions_and_the_provenance_are_there(on_lines: Validation, page: Page) -> None:
    for caution in CAUTIONS:
        assert caution in page.text
    assert on_lines.survey.sha256 in page.text
    assert f"{0:064x}" in page.text
    assert "survey.csv" in page.text
    assert f"midchord {midchord.__version__}" in page.text


def test_the_same_validation_gives_the_same_page(on_lines: Validation) -> None:
    assert agreement_page(on_lines) == agreement_page(on_lines)


def test_headers_say_what_they_head_and_one_title(page: Page) -> None:
    scopes = [attrs.get("scope") for tag, attrs in page.tags if tag == "th"]
    assert scopes
    assert None not in scopes
    assert [tag for tag, _ in page.tags].count("h1") == 1
    assert dict(page.tags)["html"]["lang"] == "en"


def test_text_from_files_is_escaped(tmp_path: Path) -> None:
    evil = "<b>&'Wren\" 1"
    rows = [row.replace("Wren 115", evil.replace('"', "")) for row in spot_rows(repeats=1)]
    rows = [row.replace(",Ada,", ",<i>Ada$x$,") for row in rows]
    rows[0] = rows[0].replace("2026-06-01,,", "2026-06-01,yes,<script>alert(1)</script>")
    found = validation(tmp_path, SPOTS, rows, cards=[card(gauge=evil.replace('"', ""))])
    html = agreement_page(found)
    assert "<script>" not in html
    assert "<b>" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    page = Page(html)
    assert "Gauge <b>&'Wren 1" in page.text
    assert "excluded by a person 1" in page.text


@pytest.mark.parametrize(
    ("tolerance", "heading"),
    [(0.001, "✕ Agreement not shown"), (None, "– No tolerance asked for")],
)
def test_other_verdicts_and_their_words(
    tmp_path: Path, tolerance: float | None, heading: str
) -> None:
    found = validation(tmp_path, SPOTS, spot_rows(repeats=1), tolerance_mm=tolerance)
    text = Page(agreement_page(found)).text
    assert heading in text
    if tolerance is None:
        assert "95 % of the differences of single readings, scan less gauge, are expected" in text


def test_one_reading_makes_a_page(tmp_path: Path) -> None:
    rows = spot_rows(lites=["Q-2"], count=1, people=[("Ada", 0.0)], repeats=1)
    found = validation(tmp_path, SPOTS, rows, tolerance_mm=0.02)
    text = Page(agreement_page(found)).text
    assert "No verdict: too few readings or lites" in text
    assert "No gauge study: there are 1 parts and 1 operators" in text
    assert not re.search(r"\b(nan|inf)\b", text)


def test_gauges_of_two_kinds_stand_apart_with_the_factor_between_them(tmp_path: Path) -> None:
    rows = spot_rows(count=4) + spot_rows(gauge="Wren 30", count=4)
    short = card(gauge="Wren 30", kind="short-feet", half_span_mm=30.0)
    found = validation(tmp_path, SPOTS, rows, cards=[card(), short], tolerance_mm=0.02)
    text = Page(agreement_page(found)).text
    assert "Why the gauges are not pooled" in text
    assert "its feet stand 30 mm from the plunger" in text
    assert text.index("Gauge Wren 115") < text.index("Gauge Wren 30") < text.index("Why the gauges")
    # gain 1 - cos(2 pi 30/L) on the mean wave of the lites
    length = found.factors[0]["wavelength_mm"]
    gain = surfaces.gain(30, length)
    assert found.factors[1]["swing_over_surface"] == pytest.approx(gain)


def test_a_suspect_reading_heads_its_gauge(tmp_path: Path) -> None:
    rows = spot_rows()
    cells = rows[20].split(",")
    cells[6] = f"{25.4 * float(cells[6]):.3f}"
    rows[20] = ",".join(cells)
    found = validation(tmp_path, SPOTS, rows)
    text = Page(agreement_page(found)).text
    assert "Look at this first" in text
    assert "Row 22." in text
    assert "stays in the figures until a person excludes it" in text
    assert "Row 22. Row 22" not in text


def test_groups_whose_datum_is_wrong_make_a_list(on_lines: Validation) -> None:
    groups = tuple(
        DatumGroup(f"lite {name}", "mirrored", f"lite {name}: as if mirrored", 0.99, (2, 3))
        for name in ("Q-1", "Q-2")
    )
    gauge = on_lines.gauges[0]
    datum = dataclasses.replace(
        gauge.datum, status="likely wrong", sentence="two lites look mirrored", groups=groups
    )
    doubtful = dataclasses.replace(
        on_lines, gauges=(dataclasses.replace(gauge, datum=datum),)
    )
    html = agreement_page(doubtful)
    for name in ("Q-1", "Q-2"):
        # at the head of the gauge only
        assert html.count(f"<li>Lite {name}: as if mirrored.</li>") == 1
    assert "The datum was likely taken wrong: see the head of this chapter." in html


def test_the_lines_say_what_their_intervals_come_from(page: Page) -> None:
    assert "interval of Deming by jackknife over 3 lites" in page.text
    assert "interval of Passing-Bablok by jackknife over 3 lites" in page.text
    assert "Passing-Bablok's slope as published, errors taken as equal: " in page.text
    assert "error variance of the scan over the gauge's 0." in page.text


def test_a_narrow_range_is_said_beside_the_proportional_bias(on_lines: Validation) -> None:
    swings = on_lines.gauges[0].swings
    assert swings is not None
    assert swings.trend is not None
    assert swings.trend.is_narrow  # even waves: within a lite all swings are alike
    rows = dict(agreement_tables.further_rows([swings]))
    cell = rows["slope of differences on means (proportional bias)"][0]
    assert cell.endswith("; range too narrow to mean much")


def test_a_verdict_with_suspects_inside_says_so_and_what_is_without_them(tmp_path: Path) -> None:
    rows = spot_rows()
    cells = rows[20].split(",")
    cells[6] = f"{float(cells[6]) + 0.06:.3f}"
    rows[20] = ",".join(cells)
    found = validation(tmp_path, SPOTS, rows, tolerance_mm=0.05)
    (one,) = found.gauges
    assert len(one.flags) == 1
    assert one.without_suspects is not None
    assert found.headline == "shown, with 1 suspect reading inside"
    html = agreement_page(found)
    assert "<title>Scan against hand gauge: Agreement shown, with 1 suspect reading inside" in html
    text = Page(html).text
    assert text.startswith(
        "Scan against hand gauge ! Agreement shown, with 1 suspect reading inside The scan may"
    )
    assert "For information, not the verdict: without its 1 suspect reading the limits" in text
    assert 'id="verdict" class="undecided"' in html
    rest, judged = one.without_suspects.agreement, one.judged.agreement
    assert rest.n_readings == judged.n_readings - 1
    assert rest.sd < judged.sd
    assert rest.verdict == "not asked"
    assert found.as_dict()["by_gauge"][0]["without_suspects"]["n_readings"] == rest.n_readings


def test_a_datum_that_is_wrong_for_all_is_said_once(on_lines: Validation) -> None:
    gauge = on_lines.gauges[0]
    words = "x was counted from the trailing edge"
    group = DatumGroup("the whole survey", "trailing", words, 0.999, (2, 3))
    datum = dataclasses.replace(
        gauge.datum, status="likely wrong", sentence=words, groups=(group,)
    )
    flag = Flag(2, "Q-1", "datum", f"{words}; none was judged", 0.1, 0.2, None, 9.0, (2, 3))
    wrong = dataclasses.replace(gauge, datum=datum, flags=(flag,))
    html = agreement_page(dataclasses.replace(on_lines, gauges=(wrong,)))
    assert html.count("counted from the trailing edge") == 1
    reserves = "with 2 suspect readings (1 cause) inside and the datum in doubt"
    assert f"Agreement shown, {reserves}" in html


def test_marks_and_numbers_that_look_wrong_head_their_gauge(on_lines: Validation) -> None:
    turn = OutOfTurn("between marks 3 and 4 neither turns", "Q-1", (4, 5))
    gauge = dataclasses.replace(
        on_lines.gauges[0], out_of_turn=(turn,), doubts=("4 readings have more digits",)
    )
    text = Page(agreement_page(dataclasses.replace(on_lines, gauges=(gauge,)))).text
    assert "Look at this first Marks. Between marks 3 and 4 neither turns." in text
    assert "Numbers. 4 readings have more digits." in text
    assert "Agreement shown, with 1 swing that is no half wave" in text
    assert "Look at this first" not in Page(agreement_page(on_lines)).text


def test_maps_that_nobody_read_are_named(tmp_path: Path) -> None:
    found = validation(tmp_path, SPOTS, spot_rows(lites=["Q-3", "Q-1"], count=4))
    html = agreement_page(found)
    text = Page(html).text
    assert "Maps without a reading Q-2: not compared" in text
    assert "Lite Q-2 no reading, not compared; scanned " in text
    # lites stand in the order of the survey wherever they stand
    assert text.index("lite Q-3") < text.index("lite Q-1")
    assert html.index("Lite Q-3 from above") < html.index("Lite Q-1 from above")
    assert "Differences by operator, and by lite where there are several" in text
    assert text.index("Signatures") < text.index("Provenance")


def test_uncertainties_stated_wrongly_are_put_into_words() -> None:
    one = comparison()
    large = dataclasses.replace(one, normalised=one.normalised._replace(birge=0.74, p=0.005))
    small = dataclasses.replace(one, normalised=one.normalised._replace(birge=1.6, p=0.005))
    right = dataclasses.replace(one, normalised=one.normalised._replace(birge=1.1, p=0.3))
    name = "scatter over stated uncertainty (Birge ratio, 1 expected)"
    cells = dict(agreement_tables.further_rows([large, small, right]))[name]
    assert cells == [
        "0.74, p 0.005; uncertainties stated too large",
        "1.60, p 0.005; uncertainties stated too small",
        "1.10, p 0.300",
    ]


def test_biases_digests_bands_and_signatures(page: Page) -> None:
    for words in (
        "Bias by", "operator Ada", "lite Q-3", "No acceptance band of GRR % or ndc is applied",
        "Approved by", "two-sided", "AVERAGE()",
    ):  # fmt: skip
        assert words in page.text, words


def test_small_figures_beside_wide_intervals_keep_three_digits() -> None:
    assert three_digits(0.0085, (0.006, 0.31)) == "0.00850 (0.00600 to 0.310)"
    assert three_digits(0.0, (0.0, 0.16)) == "0 (0 to 0.160)"
    assert three_digits(0.0104, None) == "0.0104 (no interval)"
    assert three_digits(None, None) == "–"


# --- digits -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "interval", "words"),
    [
        (-0.00082013, (-0.00124129, -0.00039896), "−0.00082 (−0.00124 to −0.00040)"),
        (1.0331, (0.995, 1.0719), "1.033 (0.995 to 1.072)"),
        (0.5, (0.0, float("inf")), "0.500 (no interval)"),
        (0.5, None, "0.500 (no interval)"),
        (float("nan"), (0.0, 1.0), "–"),
        (None, None, "–"),
    ],
)
def test_a_figure_has_the_digits_that_its_interval_earns(
    value: float | None, interval: Any, words: str
) -> None:
    assert with_interval(value, interval) == words


@pytest.mark.parametrize(
    ("p", "words"), [(0.0004, "below 0.001"), (0.0234, "0.023"), (None, "–"), (float("nan"), "–")]
)
def test_a_probability(p: float | None, words: str) -> None:
    assert probability(p) == words


# --- pictures -----------------------------------------------------------------------------------


def comparison(count: int = 40, people: int = 2, lites: int = 3) -> Any:
    import pandas as pd

    rng = np.random.default_rng(3)
    gauge = rng.uniform(0.05, 0.15, count)
    return compare_pairs(
        pd.DataFrame(
            {
                "gauge": gauge,
                "scan": gauge + rng.normal(0.001, 0.002, count),
                "u_gauge": 0.001,
                "u_scan": 0.001,
                "lite_id": [f"L{k % lites}" for k in range(count)],
                "spot": list(range(count)),
                "operator": [f"person {k % people} $a_b" for k in range(count)],
                "x_mm": rng.uniform(0, 2000, count),
                "y_mm": rng.uniform(0, 900, count),
            }
        ),
        quantity="swings",
        unit="mm",
        tolerance=0.02,
        gauge_name="G",
    )


@pytest.mark.parametrize("people", [1, 2, 12])
def test_pictures_stand_any_number_of_people(people: int) -> None:
    one = comparison(people=people)
    for draw in (
        agreement_pictures.differences,
        agreement_pictures.lines,
        agreement_pictures.people,
    ):
        content = draw(one)
        assert content == draw(one)
        image = Image.open(io.BytesIO(content))
        assert image.size[0] > 600
        # nothing is cut off: the rim is paper
        grey = np.asarray(image.convert("L"))
        rim = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
        assert (rim == 255).all()


def test_names_of_lines_that_lie_close_are_moved_apart() -> None:
    from matplotlib.figure import Figure

    ax = Figure().subplots()
    ax.set_ylim(0, 1)
    agreement_pictures._names_beside(ax, [(0.5, "a"), (0.501, "b"), (0.502, "c")])
    places = sorted(text.xyann[1] for text in ax.texts)
    assert min(np.diff(places)) > 0.055
    assert np.mean(places) == pytest.approx(0.501, abs=0.001)


def test_tables_have_a_cell_for_each_comparison() -> None:
    pair = [comparison(), comparison(lites=1)]
    for rows in (
        agreement_tables.key_rows(pair),
        agreement_tables.line_rows(pair),
        agreement_tables.component_rows(pair),
        agreement_tables.further_rows(pair),
    ):
        assert all(len(cells) == 2 for _, cells in rows)
        assert not any(re.search("nan|None|inf", cell) for _, cells in rows for cell in cells)
    components = dict(agreement_tables.component_rows(pair))
    assert components["from lite to lite"][1] == "–"  # one lite tells nothing of others
