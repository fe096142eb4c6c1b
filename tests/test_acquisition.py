"""Findings about the acquisition: they survive in attributes, in order, as strict JSON."""

from __future__ import annotations

import json

import pytest
import xarray as xr

from midchord_io.acquisition import Finding, findings_of, with_findings

TWICE = Finding("lines twice", 3, "3 lines were stored twice; the first of each is kept")
SEAM = Finding("seam", 1, "heads a and b differ by 4 um", {"step_mm": 0.004}, is_doubt=True)


def test_findings_are_carried_in_order() -> None:
    scan = with_findings(with_findings(xr.Dataset(), TWICE), SEAM)
    assert findings_of(scan) == (TWICE, SEAM)


def test_the_scan_given_is_not_touched() -> None:
    scan = xr.Dataset(attrs={"lite_id": "L 7"})
    assert with_findings(scan, SEAM).attrs["lite_id"] == "L 7"
    assert findings_of(scan) == ()


def test_the_attribute_is_strict_json() -> None:
    text = with_findings(xr.Dataset(), SEAM).attrs["acquisition"]
    assert json.loads(text)[0]["figures"] == {"step_mm": 0.004}
    with pytest.raises(ValueError, match="JSON"):
        with_findings(xr.Dataset(), Finding("drift", 1, "s", {"drift_mm": float("nan")}))
