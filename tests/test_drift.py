"""Charts of many lites: what is found, how soon, and how often wrongly."""

from __future__ import annotations

import json
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from charted import WHOLE, ZONES, figures, production, trial_lite
from midchord.charts.drift_settings import DriftSettings
from midchord.charts.figures import figures_of
from midchord.drift import Drift, drift
from midchord.drift_facts import chart_table, conclusions, doubts, drift_facts, signal_table
from midchord_io.errors import ScanError, SettingsError
from midchord_io.results import write_json

BEGIN = 140
QUICK = DriftSettings.of({"first_phase": {"permutations": 199}})


def found_within(result: Drift, lites: int = 10) -> bool:
    own = next(one for one in result.charted if one.series == WHOLE[0])
    return any(BEGIN <= signal.first < BEGIN + lites for signal in own.signals)


def test_a_step_is_found_dated_and_said() -> None:
    result = drift(production(1, begin=BEGIN, step=3.0), QUICK)
    own = result.charted[0]
    assert own.change is not None
    assert own.change.low <= BEGIN <= own.change.high
    assert own.change.kind == "step"
    assert result.chart_count == 4 * len(WHOLE + ZONES)
    assert result.false_alarm_chance == pytest.approx(0.12)
    said = conclusions(result)
    assert said[0].startswith("Lite C-014")
    assert "a step up by" in said[1]
    assert said[-1].endswith("a chance of at most 12 % in the 120 lites watched.")


def test_the_json_is_strict_and_keeps_to_its_schema(tmp_path: object) -> None:
    schema = json.loads(files("midchord").joinpath("drift.schema.json").read_text("utf-8"))
    for result in (
        drift(production(1, begin=BEGIN, step=3.0), QUICK),
        drift(production(2), QUICK),
        drift(figures(production(3).series[WHOLE[0]][:, None], ("mine",),
                      scanned_at=("",) * 200), QUICK),
    ):  # fmt: skip
        path = f"{tmp_path}/drift.json"
        write_json(drift_facts(result), path)
        with open(path, encoding="utf-8") as file:
            jsonschema.validate(json.load(file), schema)
        assert len(signal_table(result)) == len(result.signals)
        assert len(chart_table(result)) == len(result.charted)


def test_a_single_wild_lite_is_no_lasting_change() -> None:
    table = production(3, names=WHOLE)
    table.series[WHOLE[0]][150] += 20
    result = drift(table, QUICK)
    assert result.charted[0].change is None
    assert {s.chart for s in result.charted[0].signals} <= {"individuals", "moving_range"}
    assert result.first_signal == 150
    assert any("lite C-0151 (no. 151) alone stands out" in text for text in conclusions(result))


def test_a_memory_is_taken_out_and_said() -> None:
    result = drift(production(5, lag=0.6), QUICK)
    assert all(one.baseline.lag.coefficient > 0.2 for one in result.charted)
    assert any("residuals of an AR(1)" in text for text in doubts(result))


def test_a_shift_that_differs_can_be_taken_out() -> None:
    table = production(6, names=WHOLE, lites=240)
    night = np.array([int(time[11:13]) in (22, 23, 0, 1, 2, 3, 4, 5) for time in table.scanned_at])
    table.series[WHOLE[0]][night] += 6.0
    result = drift(table, QUICK)
    season = result.charted[0].season
    assert season is not None
    assert season.shift.p_value is not None
    assert season.shift.p_value < 1e-6
    removed = drift(table, DriftSettings.of({"seasons": {"remove_shift": True}}))
    assert removed.charted[0].baseline.sd < 0.8 * result.charted[0].baseline.sd


def test_figures_are_read_from_maps_with_their_zones() -> None:
    lites = [trial_lite(f"M-{n}", f"2026-03-04T06:{9 - n:02d}:00Z", 1 + 0.1 * n) for n in range(3)]
    table = figures_of(lites, whole=WHOLE, zones=WHOLE[:1])
    assert table.lite_ids == ("M-2", "M-1", "M-0")
    assert f"{WHOLE[0]}@r2c2" in table.series
    values = table.series[WHOLE[0]]
    assert values / values[-1] == pytest.approx([1.2, 1.1, 1.0])
    with pytest.raises(SettingsError, match=r"did you mean 'gauge_distortion_mdpt'\?"):
        figures_of(lites, whole=["gauge_distortion.mean"], zones=[])
    with pytest.raises(ScanError, match="lite 'M-0' is there twice; each lite once"):
        figures_of([lites[0], lites[0]], whole=WHOLE, zones=[])


def test_too_few_lites_and_nothing_to_chart_are_refused() -> None:
    with pytest.raises(ScanError, match="60 of them; more than the 80 of the first phase"):
        drift(production(1, lites=60))
    with pytest.raises(ScanError, match="none of 1 figures can be charted"):
        drift(figures(np.ones((100, 1)), ("mine",)))


def test_steps_are_found_and_false_alarms_stay_rare() -> None:
    """A quick look; the long test below counts properly."""
    changed = [drift(production(seed, begin=BEGIN, step=2.0), QUICK) for seed in range(20)]
    assert sum(found_within(one) for one in changed) >= 17
    quiet = [drift(production(100 + seed), QUICK) for seed in range(20)]
    assert sum(one.first_signal is not None for one in quiet) <= 7  # 2.4 expected at most


@pytest.mark.long
def test_the_stated_rates_over_many_productions() -> None:
    runs = 400
    for step, ramp in ((2.0, 0.0), (0.0, 0.3)):
        found = sum(
            found_within(drift(production(seed, begin=BEGIN, step=step, ramp=ramp), QUICK))
            for seed in range(runs)
        )
        assert found >= 0.9 * runs
    for lag in (0.0, 0.4):
        alarms = [
            drift(production(10_000 + seed, lag=lag), QUICK).first_signal is not None
            for seed in range(runs)
        ]
        # at most 0.12, and three standard errors of 400 runs
        assert np.mean(alarms) <= 0.12 + 3 * np.sqrt(0.12 * 0.88 / runs)
