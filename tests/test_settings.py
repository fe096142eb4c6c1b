"""Settings: every default is in the shipped file, and nothing given is ever silently ignored."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from midchord import Settings
from midchord.charts.drift_settings import DriftSettings
from midchord.judging.limits import Limit
from midchord.production.lots_settings import LotsSettings
from midchord.settings import Defaulted
from midchord.trials.trial_settings import TrialSettings
from midchord_io.errors import SettingsError
from midchord_io.gauge_card import GaugeCard
from midchord_io.source import Lite, Source
from midchord_io.survey import COLUMNS, OPTIONAL

ROOT = Path(__file__).resolve().parents[1]


def test_the_defaults_are_those_of_the_shipped_file() -> None:
    settings = Settings.load()
    assert settings.zones.edge_x_mm == 305.0  # 12 in: common practice, no source
    assert (settings.waves.band_min_mm, settings.waves.band_max_mm) == (120.0, 600.0)
    assert settings.gauge.half_span_mm is None


def test_a_file_changes_only_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[gauge]\nfeet = "fixed"\nhalf_span_mm = 115.0\n', encoding="utf-8")
    settings = Settings.load(path)
    assert settings.gauge.half_span_mm == 115.0
    assert settings.waves == Settings.load().waves


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"gauge": {"feeet": "mean"}}, "there is no key 'gauge.feeet', did you mean 'feet'?"),
        ({"guage": {"feet": "mean"}}, "there is no key 'guage', did you mean 'gauge'?"),
        ({"gauge": {"half_span_mm": 120.0}}, 'half_span_mm goes with feet = "fixed"'),
        ({"gauge": {"feet": "fixed"}}, 'half_span_mm goes with feet = "fixed"'),
        ({"waves": {"band_min_mm": 500.0}}, "band_max_mm must be at least 1.5 times band_min_mm"),
        ({"zones": {"grid_x": 0}}, "zones.grid_x = 0"),
        ({"maps": {"map_pitch_mm": float("nan")}}, "maps.map_pitch_mm = nan"),
        ({"detrend": {"filter_cutoff_mm": 300.0}}, "the filter takes the roll wave for form"),
        ({"gauge": 3}, "gauge = 3"),
    ],
)
def test_a_fault_is_one_sentence(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError) as refused:
        Settings.of(changes, where="mine.toml")
    assert words in str(refused.value)
    assert str(refused.value).startswith("mine.toml: ")


def test_a_file_that_is_no_toml_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("feet = fixed", encoding="utf-8")
    with pytest.raises(SettingsError, match="not TOML"):
        Settings.load(path)
    with pytest.raises(SettingsError, match="cannot be read"):
        Settings.load(tmp_path / "nothing.toml")


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("place", "spike_sigma", 1e6),
        ("place", "fill_mm", 1e3),
        ("place", "glass_range_mm", 1e-9),
        ("detrend", "edge_lift_inset_mm", 1e4),
        ("detrend", "filter_cutoff_mm", 1e12),
        ("gauge", "fallback_half_span_mm", 1e-9),
        ("gauge", "fallback_half_span_mm", 1e9),
        ("zones", "edge_x_mm", 1e9),
        ("zones", "edge_y_mm", -1.0),
        ("waves", "band_min_mm", 1e-9),
        ("waves", "band_max_mm", 1e12),
        ("waves", "pool_mm", 1e9),
        ("waves", "false_rate", 1e-300),
        ("maps", "map_pitch_mm", 1e9),
        ("maps", "power_window_mm", 1e7),
        ("lines", "every_mm", 1e-9),
        ("lines", "every_mm", 1e300),
        ("judge", "coverage_factor", 1e308),
    ],
)
def test_every_setting_has_bounds(section: str, key: str, value: float) -> None:
    with pytest.raises(SettingsError) as refused:
        Settings.of({section: {key: value}})
    assert f"{section}.{key} = {value!r}: it must be " in str(refused.value)


@pytest.mark.parametrize("value", [1e-9, 1e9])
def test_fixed_feet_have_bounds(value: float) -> None:
    with pytest.raises(SettingsError, match=r"gauge\.half_span_mm = "):
        Settings.of({"gauge": {"feet": "fixed", "half_span_mm": value}})


@pytest.mark.parametrize("key", ["edge_lift_knots_mm", "edge_lift_decay_mm"])
def test_lengths_of_edge_lift_ascend(key: str) -> None:
    for values in ([60.0, 25.0], [60.0, 60.0]):
        with pytest.raises(SettingsError, match=f"{key} = .*: they must ascend, each once"):
            Settings.of({"detrend": {key: values}})
    with pytest.raises(SettingsError, match="at most"):
        Settings.of({"detrend": {key: [float(n) for n in range(1, 20)]}})


@pytest.mark.parametrize(
    ("kind", "begins"),
    [
        (Settings, "# Keys of the files"),
        (LotsSettings, "## Settings of lots"),
        (DriftSettings, "## Settings of the control charts"),
        (TrialSettings, "## Settings of a trial"),
    ],
)
def test_the_tables_of_settings_are_complete_and_state_the_defaults(
    kind: type[Defaulted], begins: str
) -> None:
    whole = (ROOT / "docs" / "keys.md").read_text(encoding="utf-8")
    after = whole[whole.index(begins) :]
    ends = re.search(r"^## Settings of ", after[len(begins) :], re.MULTILINE)
    table = after if ends is None else after[: len(begins) + ends.start()]
    stated = dict(re.findall(r"^\| `([a-z_]+(?:\.[a-z_]+)?)` \| `([^`]+)` \|", table, re.MULTILINE))
    if kind is Settings:  # keys of sources and surveys stand in the same part, without a section
        stated = {key: text for key, text in stated.items() if "." in key}
    defaults: dict[str, Any] = {}
    for section, keys in kind.load().model_dump().items():
        if isinstance(keys, dict):
            defaults |= {f"{section}.{key}": value for key, value in keys.items()}
        else:
            defaults[section] = keys
    read = {
        key: None if text == "none" else tomllib.loads(f"v = {text}")["v"]
        for key, text in stated.items()
    }
    read = {key: tuple(v) if isinstance(v, list) else v for key, v in read.items()}
    assert read == defaults


def test_the_tables_of_keys_are_complete() -> None:
    table = (ROOT / "docs" / "keys.md").read_text(encoding="utf-8")
    for kind in (Source, Lite, Limit, GaugeCard):
        for name, field in kind.model_fields.items():
            stem = re.sub(r"^(threshold|uncertainty|limit)_.*", r"\1_", field.alias or name)
            assert f"`{stem}" in table, f"{kind.__name__}.{name}"
    for columns in (*COLUMNS.values(), *OPTIONAL.values()):
        for name in columns:
            assert f"`{name}" in table
