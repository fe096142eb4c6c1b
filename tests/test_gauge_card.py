"""Gauge cards: what a gauge must say of itself, and what is refused."""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from midchord.configs import shipped
from midchord_io.errors import SurveyError
from midchord_io.gauge_card import GaugeCard, card_of, load_gauge_card

THREE_POINT = {
    "gauge": "Teal 120",
    "kind": "three-point",
    "half_span_mm": 120.0,
    "depth_is": "swing",
    "resolution_mm": 0.001,
}
FLAT_BASE = {
    "gauge": "Bracken 400",
    "kind": "flat-base",
    "base_mm": 400.0,
    "depth_is": "surface",
    "resolution_mm": 0.002,
}


def without(values: dict[str, object], *keys: str, **changes: object) -> dict[str, object]:
    return {key: value for key, value in values.items() if key not in keys} | changes


def test_each_kind_has_a_shipped_example():
    folder = shipped("configs", "gauges")
    cards = {path.name: load_gauge_card(path) for path in folder.glob("*.toml")}
    assert {card.kind for card in cards.values()} == {
        "three-point",
        "short-feet",
        "flat-base",
        "straight-edge",
        "edge-lift",
    }
    teal = cards["three-point-120.toml"]
    assert (teal.half_span_mm, teal.base_mm, teal.resolution_mm) == (120.0, None, 0.001)
    assert teal.calibrated_on == date(2026, 2, 2)
    assert teal.support == "granite table"
    assert cards["flat-base-400.toml"].half_span_mm is None
    assert len({card.gauge for card in cards.values()}) == len(cards)


def test_foot_to_foot_stands_for_twice_the_half_span():
    card = card_of(without(THREE_POINT, "half_span_mm", span_mm=240))
    assert card.half_span_mm == 120.0
    assert card.as_dict()["half_span_mm"] == 120.0
    assert "span_mm" not in card.as_dict()


@pytest.mark.parametrize(
    ("kind", "depth_is", "convention"),
    [
        ("three-point", "swing", "gauge"),
        ("short-feet", "swing", "gauge"),
        ("three-point", "surface", "surface"),
        ("flat-base", "swing", "surface"),
        ("straight-edge", "surface", "surface"),
    ],
)
def test_convention_of_its_depths(kind, depth_is, convention):
    base = THREE_POINT if kind in ("three-point", "short-feet") else FLAT_BASE
    assert card_of({**base, "kind": kind, "depth_is": depth_is}).convention == convention


@pytest.mark.parametrize(
    ("sign", "face", "on_lite"),
    [(1, "upper", 1), (1, "lower", -1), (-1, "lower", 1), (-1, None, -1), (None, "lower", None)],
)
def test_a_peak_of_the_lower_face_is_a_valley_of_the_lite(sign, face, on_lite):
    values = {**THREE_POINT, "reading_sign": sign, "face": face}
    card = card_of({key: value for key, value in values.items() if value is not None})
    assert card.sign_on_lite == on_lite


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (without(THREE_POINT, "half_span_mm"), "needs half_span_mm (plunger to foot) or span_mm"),
        ({**THREE_POINT, "span_mm": 240.0}, "both half_span_mm (plunger to foot) and span_mm"),
        ({**THREE_POINT, "base_mm": 300.0}, "base_mm means nothing for a three-point gauge"),
        (without(FLAT_BASE, "base_mm"), "a flat-base gauge needs base_mm"),
        ({**FLAT_BASE, "span_mm": 100.0}, "span_mm means nothing for a flat-base gauge"),
        ({**FLAT_BASE, "inset_mm": 10.0}, "inset_mm means nothing for a flat-base gauge"),
        (without(THREE_POINT, "half_span_mm", half_span=1), "did you mean 'half_span_mm'?"),
        ({**THREE_POINT, "resolution_mm": "0.001"}, "resolution_mm = '0.001'"),
        ({**THREE_POINT, "resolution_mm": 0.0}, "resolution_mm = 0.0"),
        ({**THREE_POINT, "half_span_mm": float("inf")}, "half_span_mm = inf"),
        ({**THREE_POINT, "resolution_mm": 10**400}, "resolution_mm = "),
        ({**THREE_POINT, "resolution_mm": 10**5000}, "resolution_mm = a number of thousands of"),
        (
            {**THREE_POINT, "gauge": "n" * 300},
            f"gauge = '{'n' * 79} ...: it must have at most 200 char",
        ),
        ({**THREE_POINT, "kind": "threepoint"}, "kind = 'threepoint'"),
        ({**THREE_POINT, "reading_sign": 2}, "reading_sign = 2"),
        ({**THREE_POINT, "calibrated_on": "2 Feb"}, "it must be a date as 2026-03-17"),
        ({**THREE_POINT, "calibrated_on": "9999-12-31"}, "it must be a date as 2026-03-17, from"),
        ({**THREE_POINT, "calibrated_on": time(8, 30)}, "it must be a date as 2026-03-17, from"),
        ({**THREE_POINT, "gauge": " "}, "gauge = ' '"),
    ],
)
def test_what_a_card_may_not_say(values, words):
    with pytest.raises(SurveyError) as refused:
        card_of(values, where="card.toml")
    assert words in str(refused.value)
    assert str(refused.value).startswith("card.toml: ")
    assert "configs/gauges; correct the gauge card." in str(refused.value)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -1.0, 1e300, -1e300, 1e-300])
@pytest.mark.parametrize(
    ("card", "key"),
    [
        *((THREE_POINT, key) for key in ("resolution_mm", "half_span_mm", "contact_force_n")),
        (THREE_POINT, "contact_radius_mm"),
        (without(THREE_POINT, "half_span_mm"), "span_mm"),
        (FLAT_BASE, "base_mm"),
    ],
)
def test_no_gauge_has_such_a_size(card, key, value):
    with pytest.raises(SurveyError, match=f"card.toml: {key} = {re.escape(repr(value))}: it must"):
        card_of({**card, key: value}, where="card.toml")


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e300, -1e300, 100.1])
def test_no_dial_is_off_by_as_much(value):
    with pytest.raises(SurveyError, match="calibration_offset_mm = "):
        card_of({**THREE_POINT, "calibration_offset_mm": value})


@pytest.mark.parametrize("content", ["a = " + "[" * 20_000, "a = " + "9" * 5000, "a = 1\nb ="])
def test_a_file_that_is_no_toml_is_refused_in_a_sentence(tmp_path: Path, content: str):
    path = tmp_path / "card.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(SurveyError, match=r"not TOML \(.*\); a gauge card in TOML; mend that line"):
        load_gauge_card(path)


def test_a_card_that_does_not_say_what_its_depth_is_is_refused_with_the_reason():
    with pytest.raises(SurveyError) as refused:
        card_of(without(THREE_POINT, "depth_is"), where="card.toml")
    assert str(refused.value) == (
        "card.toml: the key 'depth_is' is missing; "
        'depth_is = "swing" (the dial as it moves) or "surface" (already turned into the true '
        "peak to valley), because the two differ by up to a factor of 2; correct the gauge card."
    )


def test_every_fault_is_named_at_once():
    with pytest.raises(SurveyError) as refused:
        card_of({"kind": "flat-base", "base": 3})
    for key in ("gauge", "resolution_mm", "depth_is", "'base', did you mean 'base_mm'?"):
        assert key in str(refused.value)


def test_a_card_is_read_from_its_file(tmp_path: Path):
    path = tmp_path / "card.toml"
    path.write_text(
        '\ufeffgauge = "Ö"\nkind = "three-point"\nspan_mm = 300\ndepth_is = "swing"\n'
        'resolution_mm = 0.01\ncalibrated_on = "2026-02-02"\n',
        encoding="utf-8",
    )
    card = load_gauge_card(path)
    assert (card.gauge, card.half_span_mm) == ("Ö", 150.0)
    assert card.as_dict()["calibrated_on"] == "2026-02-02"
    path.write_text("gauge = ", encoding="utf-8")
    with pytest.raises(SurveyError, match="not TOML"):
        load_gauge_card(path)
    with pytest.raises(SurveyError, match="it cannot be read"):
        load_gauge_card(tmp_path / "none.toml")


def test_a_card_does_not_change():
    card = card_of(THREE_POINT)
    assert isinstance(card, GaugeCard)
    with pytest.raises(ValueError, match="frozen"):
        card.resolution_mm = 1.0
    assert card.resolution_mm == 0.001


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"reading_sign": True}, "reading_sign = true: it must be 1 or -1"),
        ({"reading_sign": "1"}, "reading_sign = '1': it must be 1 or -1"),
        ({"calibrated_on": "2199-01-01"}, "the last calibration, which has not come yet"),
        ({"calibrated_on": date(2199, 1, 1)}, "calibrated_on = 2199-01-01: it must be the day"),
        ({"gauge": "Teal\n120"}, "gauge = 'Teal\\n120': it must be one line of text, without tabs"),
        ({"support": "a\tb"}, "support = 'a\\tb': it must be one line of text"),
        ({"gauge": " "}, "gauge = ' ': it must not be empty"),
        ({"gauge": 7}, "gauge = 7: it must be text in quotes"),
        ({"kind": "ruler"}, "kind = 'ruler': it must be 'three-point', 'short-feet', 'fl"),
        ({"resolution_mm": "1,5"}, "resolution_mm = '1,5': it must be a number"),
        ({"resolution_mm": 11.0}, "resolution_mm = 11.0: it must be at most 10"),
        ({"half_span_mm": 0.5}, "half_span_mm = 0.5: it must be at least 1"),
        ({"half_span_mm": math.nan}, "half_span_mm = nan: it must be a finite number"),
    ],
)
def test_what_is_said_of_a_value_is_said_in_plain_words(values, words):
    with pytest.raises(SurveyError) as refused:
        card_of({**THREE_POINT, **values}, where="card.toml")
    assert words in str(refused.value)
    assert "Input should" not in str(refused.value)


def test_a_calibration_of_today_counts_wherever_the_day_has_begun():
    today = datetime.now(UTC).date()
    for day in (today, today + timedelta(days=1)):
        card = card_of({**THREE_POINT, "calibrated_on": day.isoformat()})
        assert card.calibrated_on == day


@pytest.mark.parametrize("name", ["Teal\N{NO-BREAK SPACE}120", "  Teal  120\n", "Teal 120"])
def test_a_gauge_is_called_as_a_survey_calls_it(name):
    assert card_of({**THREE_POINT, "gauge": name}).gauge == "Teal 120"
