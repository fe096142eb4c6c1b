"""Settings of the trace: the shipped file is whole, and slips are refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from midchord.causes.trace_settings import TraceSettings
from midchord_io.errors import SettingsError


def test_the_defaults_are_those_of_the_shipped_file() -> None:
    settings = TraceSettings.load()
    assert (settings.search.shortest_mm, settings.search.longest_mm) == (30.0, 700.0)
    assert settings.claims.false_rate == 0.05
    assert settings.intervals.level == 0.95


def test_a_file_changes_only_what_it_names(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("[intervals]\nseed = 7\n", encoding="utf-8")
    settings = TraceSettings.load(path)
    assert settings.intervals.seed == 7
    assert settings.intervals.resamples == TraceSettings.load().intervals.resamples


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"claims": {"false_ratte": 0.1}}, "did you mean 'false_rate'?"),
        ({"spectrum": {"tapers": 9}}, "tapers is 9: at most 2 time_bandwidth - 1 = 4"),
        ({"search": {"longest_mm": 50.0}}, "longest_mm must be at least twice shortest_mm"),
        ({"intervals": {"level": 1.0}}, "intervals.level = 1.0"),
        ({"profile": 3}, "profile = 3"),
    ],
)
def test_a_fault_is_one_sentence(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError) as refused:
        TraceSettings.of(changes, where="mine.toml")
    assert words in str(refused.value)


def test_the_keys_are_in_the_table_of_keys() -> None:
    table = (Path(__file__).resolve().parents[1] / "docs" / "keys.md").read_text("utf-8")
    for section, keys in TraceSettings.load().model_dump().items():
        for key in keys:
            assert f"`{section}.{key}`" in table
