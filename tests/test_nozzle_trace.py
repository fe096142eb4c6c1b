"""The nozzles as part of a trace: in its facts, its sentences and its page."""

from __future__ import annotations

import importlib.resources
import json
from pathlib import Path

import jsonschema

from blown import blown, quench
from midchord.causes.trace_settings import TraceSettings
from midchord.report.trace_page import trace_page
from midchord.trace import trace
from midchord.trace_facts import conclusions, trace_facts
from midchord_io.results import write_json

SETTINGS = TraceSettings.of({"intervals": {"resamples": 199}, "nozzles": {"resamples": 199}})


def check(facts: object, path: Path) -> dict[str, object]:
    write_json(facts, path)
    stored = json.loads(path.read_text("utf-8"))
    schema = importlib.resources.files("midchord").joinpath("causes.schema.json")
    jsonschema.Draft202012Validator(json.loads(schema.read_text("utf-8"))).validate(stored)
    nozzles = stored["nozzles"]
    assert nozzles is None or isinstance(nozzles, dict)
    return nozzles or {}


def test_odd_nozzles_are_in_facts_sentences_and_page(tmp_path: Path) -> None:
    found = trace(iter(blown(1, lites=5)), quench(), SETTINGS)
    nozzles = check(trace_facts(found), tmp_path / "causes.json")
    assert nozzles["refused"] is None
    assert nozzles["columns"]["odd"] == ["9", "20"]  # type: ignore[index]
    assert any(text.startswith("Column 9 is not there") for text in conclusions(found))
    page = trace_page(found)
    assert "Nozzles of the quench" in page
    assert page.index("column 9<") < page.index("column 20<")


def test_maps_too_coarse_for_the_nozzles_stop_their_imprint_not_the_trace(tmp_path: Path) -> None:
    coarse = (lite.isel(y=slice(None, None, 5)) for lite in blown(1, lites=3))
    found = trace(coarse, quench(), SETTINGS)
    nozzles = check(trace_facts(found), tmp_path / "causes.json")
    assert "a point every 25 mm across" in str(nozzles["refused"])
    assert found.nozzles is None
    assert "scan finer across" in trace_page(found)


def test_a_machine_without_nozzles_has_none(tmp_path: Path) -> None:
    machine = quench(oscillation={"stroke_mm": 600.0}).model_copy(update={"nozzles": None})
    found = trace(iter(blown(1, lites=3)), machine, SETTINGS)
    assert check(trace_facts(found), tmp_path / "causes.json") == {}
    assert "Nozzles of the quench" not in trace_page(found)
