"""Settings: every default is in the shipped file, and nothing given is ever silently ignored."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from midchord import Settings
from midchord_io.errors import SettingsError


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
