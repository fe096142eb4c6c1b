"""What was found, mended or left while a scan was acquired: counted, said, carried to the report.

A real scanner repeats lines, loses encoder ticks, joins several heads and sees through the glass.
What ingest and placing do about it is data about the scan, not a message on a screen: each finding
is one entry of the scan's attribute ``acquisition`` (JSON text, so that any netCDF tool shows it)
and ends in the summary of the lite, word for word.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field

import xarray as xr

__all__ = ["Finding", "findings_of", "with_findings"]


@dataclass(frozen=True)
class Finding:
    """One thing that was found about how a scan was acquired.

    what      short key in plain words, e.g. "lines twice"; one key for one thing
    count     how many (lines, points, seams ...); 0 where it was looked for and not found
    sentence  for the reader: what was found, and what was done about it
    figures   measured values, the unit in each name, e.g. {"largest_step_mm": 0.012}
    is_doubt  whether a figure of the lite may be off because of it: repeated among the doubts
    """

    what: str
    count: int
    sentence: str
    figures: Mapping[str, float] = field(default_factory=dict)
    is_doubt: bool = False


def with_findings(scan: xr.Dataset, *findings: Finding) -> xr.Dataset:
    """The scan with these findings added behind those that it has; the data are not copied."""
    entries = [asdict(finding) for finding in (*findings_of(scan), *findings)]
    return scan.assign_attrs(acquisition=json.dumps(entries, allow_nan=False))


def findings_of(scan: xr.Dataset) -> tuple[Finding, ...]:
    """The findings that a scan, a lite or maps carry, in the order of the data path."""
    return tuple(Finding(**entry) for entry in json.loads(scan.attrs.get("acquisition", "[]")))
