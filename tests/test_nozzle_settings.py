"""Settings of the nozzle imprint: part of those of the trace; slips are refused."""

from __future__ import annotations

import pytest

from midchord.causes.trace_settings import TraceSettings
from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord_io.errors import SettingsError


def test_the_defaults_are_those_of_the_trace() -> None:
    assert NozzleSettings.load() == TraceSettings.load().nozzles
    assert NozzleSettings.load().false_discovery_rate == 0.05
    changed = TraceSettings.of({"nozzles": {"seed": 7}}).nozzles
    assert changed == NozzleSettings.of({"seed": 7})


def test_a_slip_is_one_sentence() -> None:
    with pytest.raises(SettingsError, match="did you mean 'least_columns'"):
        NozzleSettings.of({"least_column": 3})
    with pytest.raises(SettingsError, match="false_discovery_rate"):
        NozzleSettings.of({"false_discovery_rate": 0.5})
