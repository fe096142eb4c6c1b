"""A trial from plan and maps to effect, zones and sentences."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from charted import trial_lite, trial_lites, write_plan
from midchord.report.trial_page import trial_page
from midchord.trial import Trial, trial
from midchord.trial_facts import cell_table, conclusions, doubts, lite_table, trial_facts, zone_rows
from midchord.trials.plan import read_plan
from midchord.trials.recipe import slope_within
from midchord.trials.trial_settings import TrialSettings
from midchord_io.errors import ScanError, SettingsError
from midchord_io.results import write_json
from test_trace_page import text_of

COARSE: dict[str, Any] = {"map": {"cell_mm": 200.0}, "test": {"permutations": 499,
                                                              "exact_up_to": 500}}  # fmt: skip
SETTINGS = TrialSettings.of(COARSE)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    plan = read_plan(write_plan(tmp_path_factory.mktemp("plan") / "plan.csv"))
    return trial(trial_lites(), plan, SETTINGS)


def test_the_effect_is_where_it_was_put(found: Trial) -> None:
    (one,) = found.contrasts
    assert (found.reference, one.setting, found.paired, one.lites) == ("slow", "fast", True, (8, 8))
    p = one.on_grid(one.cells.p_adjusted)
    x, y = found.grid.x_mm[:-1], found.grid.y_mm[:-1]
    quarter = (x[:, None] >= 1200) & (y >= 600) & one.shown
    assert (p[quarter] <= 0.05).mean() > 0.9
    assert (p[~quarter & one.shown] <= 0.05).sum() == 0
    table = zone_rows(found).set_index("zone")
    row = table.loc["r3c3"]
    assert row["low"] < 0.15 * row["reference"] < row["high"]
    assert row["p_adjusted"] < 0.05 < table.loc["r1c1", "p_adjusted"]


def test_the_json_is_strict_and_keeps_to_its_schema(found: Trial, tmp_path: Path) -> None:
    schema = json.loads(files("midchord").joinpath("trial.schema.json").read_text("utf-8"))
    few = trial(trial_lites(pairs=3), read_plan(write_plan(tmp_path / "p.csv", 3)), SETTINGS)
    for one in (found, few):
        write_json(trial_facts(one), tmp_path / "trial.json")
        jsonschema.validate(json.loads((tmp_path / "trial.json").read_text("utf-8")), schema)
    assert "so few lites cannot show any effect" in conclusions(few)[0]
    assert any("no intervals" in text for text in doubts(few))
    assert len(lite_table(found)) == 16
    assert len(cell_table(found)) == found.contrasts[0].shown.sum()


def test_what_differs_beside_the_setting_is_named(found: Trial) -> None:
    assert any(text.startswith("pressure_kpa differs between") for text in doubts(found))
    assert any(text.endswith("times: who.") for text in doubts(found))


def test_before_and_after_is_no_random_plan(tmp_path: Path) -> None:
    lites = [trial_lite(f"T-{n + 1:02d}", f"2026-03-04T06:{30 * (n % 2) + n:02d}:00Z", 1 + 0.01 * n)
             for n in range(8)]  # fmt: skip
    plan = read_plan(write_plan(tmp_path / "plan.csv", 4, paired=False))
    result = trial(lites, plan, SETTINGS, reference="fast")
    assert result.reference == "fast"
    assert not result.paired
    assert any("were scanned before all with" in text for text in doubts(result))


def test_lites_on_the_machine_frame_are_compared_where_they_lay(tmp_path: Path) -> None:
    plan = read_plan(write_plan(tmp_path / "plan.csv", 4))
    settings = TrialSettings.of({**COARSE, "map": {"cell_mm": 200.0, "frame": "machine"}})
    result = trial(trial_lites(pairs=4), plan, settings)
    assert result.grid.x_mm[0] >= 800  # the leading left corner is at 500, the clear zone at 430
    unknown = [lite.assign_attrs(frame_of_scan="lite") for lite in trial_lites(pairs=4)]
    with pytest.raises(ScanError, match="where it lay in the machine is not known"):
        trial(unknown, plan, settings)


def test_lites_that_are_lost_are_named_with_their_row(tmp_path: Path) -> None:
    plan = read_plan(write_plan(tmp_path / "plan.csv"))
    result = trial(trial_lites()[1:], plan, SETTINGS)
    assert result.lost == [
        (2, "T-01", "no maps of it were named"),
        (3, "T-02", "it has no partner"),
    ]
    with pytest.raises(SettingsError, match="it has no row for lite 'X-1', of which there are ma"):
        trial([trial_lite("X-1", "", 1.0)], plan, SETTINGS)
    with pytest.raises(ScanError, match=r"1 whole pairs of the setting .slow.; at least 2"):
        trial(trial_lites()[:2], plan, SETTINGS)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("lite_id,setting\nA,x\nB,y\nA,y\n", "row 4: lite 'A' again, it stands in row 2"),
        ("lite_id,setting\nA,x\n,y\n", "row 3: no lite_id"),
        ("lite_id,setting\nA,x\nB,\n", "row 3: lite 'B' has no setting"),
        ("lite_id,setting,p\nA,x,1\nB,y,much\n", "row 3: p is 'much', which is no number"),
        ("lite,setting\nA,x\n", "no column 'lite_id'"),
        ("lite_id,setting\n", "a header and no row below it"),
    ],
)
def test_a_wrong_plan_is_refused_with_its_row(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=re.escape(words)):
        read_plan(tmp_path / "plan.csv")


def test_one_setting_or_an_unknown_reference_is_refused(tmp_path: Path) -> None:
    (tmp_path / "plan.csv").write_text("lite_id,setting\nA,x\nB,x\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="all lites have the setting 'x': nothing to compare"):
        read_plan(tmp_path / "plan.csv").levels(None)
    with pytest.raises(SettingsError, match="no lite has the setting 'z', only 'x'"):
        read_plan(tmp_path / "plan.csv").levels("z")


def test_a_slope_within_settings_is_that_of_statsmodels() -> None:
    from statsmodels.formula.api import ols

    rng = np.random.default_rng(2)
    x = rng.standard_normal(30)
    setting = np.array(["a", "b"] * 15)
    y = 2 * x + 3 * (setting == "b") + rng.standard_normal(30)
    slope = slope_within(y, x, [setting.tolist()], level=0.95)
    other = ols("y ~ x + C(s)", pd.DataFrame({"y": y, "x": x, "s": setting})).fit()
    assert slope is not None
    assert slope[0] == pytest.approx(other.params["x"])
    assert slope[1:3] == pytest.approx(tuple(other.conf_int().loc["x"]))
    assert slope[3] == pytest.approx(other.pvalues["x"])
    assert slope_within(y, np.ones(30), [setting.tolist()], level=0.95) is None


def test_the_page_is_whole_and_needs_nothing_else(found: Trial) -> None:
    page = trial_page(found)
    text = text_of(page)
    for sentence in (*conclusions(found), *doubts(found)):
        assert sentence in text
    assert set(re.findall(r'(?:src|href)="([^"]{0,30})', page)) == {
        "data:image/png;base64,iVBORw0K"
    }
    assert page.count("<img ") == page.count('alt="') == 3
    assert trial_page(found) == page
