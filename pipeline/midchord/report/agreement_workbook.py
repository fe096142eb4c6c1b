"""Scan against gauge as a workbook: every pair and every figure, unrounded, to be worked on.

=============  ===================================================================================
summary        the verdict in words, what was compared, from which files
pairs          every paired reading: row, place, gauge, scan, difference, uncertainties; combined:
               the dial's or the repeatability found, the larger, with the twin's and the place's
swings         every half wave of a line survey, likewise
not paired     readings that were excluded or could not be paired, with the reason
flags          suspect readings with the reading that would agree; datum and shift
statistics     every figure of ``agreement.json``, one a row
=============  ===================================================================================

Units stand in the headers; numbers are shown with few decimals and kept with all. No formula is in
it and no text that looks like one is taken for one.
The same survey and maps give the same bytes: the workbook is dated by the survey, not by the clock.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from midchord.statistics.comparison import Comparison
from midchord.validate import GaugeValidation, Validation

__all__ = ["SHEETS", "agreement_workbook"]

SHEETS = ("summary", "pairs", "swings", "not paired", "flags", "statistics")

PLACES = ("x_mm", "y_mm", "gauge_mm", "scan_mm", "difference_mm")
DOUBTS = ("u_gauge_mm", "u_repeat_mm", "u_scan_mm", "u_place_mm", "u_combined_mm")
WHO = ("row", "lite_id", "gauge", "operator", "repeat")
MEANINGS = {
    "row": "row of the survey file",
    "gauge_mm": "reading of the hand gauge / mm",
    "scan_mm": "reading of its twin / mm",
    "difference_mm": "scan - gauge / mm",
    "u_gauge_mm": "u of the dial / mm",
    "u_repeat_mm": "repeatability found / mm",
    "u_scan_mm": "u of the twin / mm",
    "u_place_mm": "u from the place / mm",
    "u_combined_mm": "u combined / mm",
    "from_x_mm": "from x / mm",
    "from_row": "from row",
    "reading_mm": "reading / mm",
    "line_y_mm": "line y / mm",
    "distance_mm": "distance / mm",
    "lite_id": "lite",
    "expected_mm": "expected there / mm",
    "alternative_mm": "would agree as / mm",
    "z": "standard deviations off",
}
ONE_PLACE, FIVE_PLACES = "0.0", "0.00000"
SHAPES = {
    **dict.fromkeys(("x_mm", "y_mm", "from_x_mm", "line_y_mm", "distance_mm", "z"), ONE_PLACE),
    **dict.fromkeys((*PLACES[2:], *DOUBTS), FIVE_PLACES),
    **dict.fromkeys(("reading_mm", "expected_mm", "alternative_mm"), FIVE_PLACES),
}
"""How the numbers of a column are shown; the cells hold them unrounded."""
EPOCH = dt.datetime(2000, 1, 1)
"""Date of a workbook whose survey and scans have none."""


def agreement_workbook(validation: Validation) -> bytes:
    """The workbook as the content of an XLSX file; see the module."""
    import xlsxwriter

    content = io.BytesIO()
    with xlsxwriter.Workbook(
        content,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    ) as book:
        book.set_properties(
            {"title": "Scan against hand gauge", "author": "midchord", "created": _date(validation)}
        )
        bold = book.add_format({"bold": True})
        head = book.add_format(
            {"bold": True, "bottom": 1, "bg_color": "#e8ecef", "text_wrap": True, "valign": "top"}
        )
        wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        formats = {"bold": bold, "head": head, "wrapped": wrapped}
        formats |= {shape: book.add_format({"num_format": shape}) for shape in SHAPES.values()}
        _write_pairs(book, "summary", _summary(validation), formats)
        gauges = validation.gauges
        _write_table(book, "pairs", _pairs(gauges), formats)
        _write_table(book, "swings", _swings(gauges), formats)
        _write_table(book, "not paired", _not_paired(validation), formats)
        _write_table(book, "flags", _flags(gauges), formats)
        _write_table(book, "statistics", _statistics(gauges), formats)
    return content.getvalue()


def _date(validation: Validation) -> dt.datetime:
    """The last reading's, else the last scan's."""
    read = validation.survey.readings["read_at"].dropna()
    scanned = [lite.summary.get("scanned_at") for lite in validation.lites.values()]
    moments = list(read) or [pd.Timestamp(str(text)) for text in scanned if text]
    if not moments:
        return EPOCH
    latest = max(
        moment.tz_convert("UTC").tz_localize(None) if moment.tzinfo else moment
        for moment in moments
    )
    return latest.to_pydatetime().replace(microsecond=0)  # type: ignore[no-any-return]


def _summary(validation: Validation) -> list[tuple[str, Any]]:
    facts = validation.as_dict()
    rows: list[tuple[str, Any]] = [
        ("verdict", facts["verdict"]),
        ("verdict with its reserves", facts["headline"]),
        *(("statement", one["statement"]) for one in facts["by_gauge"]),
        ("tolerance", facts["tolerance"]),
        ("unit of the tolerance", facts["tolerance_unit"]),
        ("placement of a hand, standard deviation along each axis / mm", facts["placement_sd_mm"]),
        ("difference", "scan - gauge"),
        ("survey", facts["survey"]["file"]),
        ("SHA-256 of the survey", facts["survey"]["sha256"]),
        ("readings", facts["survey"]["n_readings"]),
        ("readings excluded by a person", facts["survey"]["n_excluded"]),
        ("paired", facts["n_paired"]),
        ("not paired", facts["n_unpaired"]),
    ]
    for one in facts["by_gauge"]:
        for name, value in one["card"].items():
            rows.append((f"gauge {one['gauge']}: {name}", value))
    for lite in facts["lites"]:
        rows += [(f"lite {lite['lite_id']}: {name}", value) for name, value in lite.items()]
    for row in facts["factors"]:
        rows.append(
            (
                f"gauge {row['gauge']}: depth over true peak to valley at {row['wavelength_mm']:g} "
                "mm; gauges are not pooled",
                row["swing_over_surface"],
            )
        )
    rows += [(f"SHA-256 of {one['file']}", one["sha256"]) for one in facts["files"]]
    for one in facts["by_gauge"]:
        rows.append((f"gauge {one['gauge']}: spots", one["spots"]["sentence"]))
    notes = dict.fromkeys(note for one in facts["by_gauge"] for note in one["notes"])
    return [*rows, *(("note", note) for note in notes), ("midchord", facts["program_version"])]


def _pairs(gauges: Sequence[GaugeValidation]) -> pd.DataFrame:
    tables = [(one.paired.singles, one.singles) for one in gauges]
    return _numbered(tables, ("line", "mark"))


def _swings(gauges: Sequence[GaugeValidation]) -> pd.DataFrame:
    tables = [(one.paired.swings, one.swings) for one in gauges if len(one.paired.swings)]
    return _numbered(tables, ("line", "mark", "from_row", "from_x_mm"))


def _numbered(
    tables: Sequence[tuple[pd.DataFrame, Comparison | None]], extra: Sequence[str]
) -> pd.DataFrame:
    """The columns that a reader wants, with the difference and the combined uncertainty.

    Combined as for the normalised errors: the repeatability that the survey itself found stands
    for the dial where it is larger.
    """
    if not tables:
        return pd.DataFrame(columns=[*WHO, *PLACES, *DOUBTS])
    table = pd.concat(
        [
            pairs.assign(u_repeat_mm=np.nan if found is None or found.repeatability is None
                         else found.repeatability)
            for pairs, found in tables
        ],
        ignore_index=True,
    )  # fmt: skip
    dial = np.fmax(table["u_gauge_mm"].to_numpy(float), table["u_repeat_mm"].to_numpy(float))
    parts = [dial, *(table[name].to_numpy(float) for name in ("u_scan_mm", "u_place_mm"))]
    table = table.assign(
        difference_mm=table["scan_mm"] - table["gauge_mm"],
        u_combined_mm=np.sqrt(sum(part**2 for part in parts)),
    )
    if "line" in table:
        table = table.assign(line=[_line_in_words(key) for key in table["line"]])
    return table[[*WHO, *(name for name in extra if name in table), *PLACES, *DOUBTS]]


def _line_in_words(key: object) -> str:
    """Of the label of a walk what has no column of its own: the line, and its edges."""
    if not isinstance(key, str):
        return ""  # of spots beside lines
    _, _, _, y, along, across = key.split("\t")
    return f"y {float(y):g} mm from the {across} edge, marks from the {along} edge"


def _not_paired(validation: Validation) -> pd.DataFrame:
    """With what the survey file says of each reading."""
    left = pd.concat([one.paired.unpaired for one in validation.gauges], ignore_index=True)
    readings = validation.survey.readings
    told = [
        name
        for name in ("row", "gauge", "operator", "repeat", "x_mm", "y_mm", "line_y_mm", "mark",
                     "distance_mm", "reading_mm")
        if name in readings
    ]  # fmt: skip
    return left.merge(readings[told], on="row", how="left").sort_values("row")


def _flags(gauges: Sequence[GaugeValidation]) -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    for one in gauges:
        found = one.as_dict()["flags"]
        rows += [{"gauge": one.card.gauge, "what": "reading", **flag} for flag in found]
        said = [("datum", one.datum.sentence)]
        said += [("datum", group.sentence) for group in one.datum.groups]
        for what, sentence in (*said, ("shift", one.shift.sentence)):
            rows.append({"gauge": one.card.gauge, "what": what, "reason": sentence})
    return pd.DataFrame(rows)


def _statistics(gauges: Sequence[GaugeValidation]) -> pd.DataFrame:
    rows = []
    for one in gauges:
        facts = one.as_dict()
        for quantity in ("singles", "swings", "distortion", "without_suspects"):
            for name, value in _flat(facts[quantity] or {}):
                rows.append((one.card.gauge, quantity, name, value))
        for part in ("gauge_study", "placement", "datum_suspicion"):
            found = facts[part]
            for name, value in _flat(found if isinstance(found, Mapping) else {"reason": found}):
                rows.append((one.card.gauge, part, name, value))
    return pd.DataFrame(rows, columns=["gauge", "of", "figure", "value"])


def _flat(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Leaves of nested JSON by their dotted names; single E_n stand with their pairs' rows."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key != "e_n":
                yield from _flat(inner, f"{name}.{key}".strip("."))
    elif isinstance(value, list):
        for number, inner in enumerate(value, start=1):
            yield from _flat(inner, f"{name}[{number}]")
    else:
        yield name, value


def _write_pairs(
    book: Any, name: str, rows: Iterable[tuple[str, Any]], formats: Mapping[str, Any]
) -> None:
    sheet = book.add_worksheet(name)
    sheet.set_column(0, 0, 44)
    sheet.set_column(1, 1, 90, formats["wrapped"])
    for number, (label, value) in enumerate(rows):
        sheet.write_string(number, 0, label, formats["bold"])
        _write_cell(sheet, number, 1, value, formats["wrapped"])
    _for_print(sheet)


def _write_table(book: Any, name: str, table: pd.DataFrame, formats: Mapping[str, Any]) -> None:
    sheet = book.add_worksheet(name)
    for column, header in enumerate(map(str, table.columns)):
        words = MEANINGS.get(header, header.replace("_mm", " / mm").replace("_", " "))
        sheet.write_string(0, column, words, formats["head"])
        texts = (f"{c:.5f}" if isinstance(c, float) else str(c) for c in table[header])
        longest = max((len(text) for text in texts), default=0)
        sheet.set_column(column, column, min(70, max(11, len(words) * 0.7, longest + 1)))
    shapes = [formats.get(SHAPES.get(str(header), "")) for header in table.columns]
    for number, row in enumerate(table.itertuples(index=False, name=None), start=1):
        for column, value in enumerate(row):
            _write_cell(sheet, number, column, value, shapes[column])
    sheet.freeze_panes(1, 0)
    if len(table):
        sheet.autofilter(0, 0, len(table), len(table.columns) - 1)
    sheet.repeat_rows(0)
    _for_print(sheet)


def _write_cell(sheet: Any, row: int, column: int, value: Any, style: Any) -> None:
    """Numbers as numbers, words as words; what has no value stays empty."""
    value = value.item() if isinstance(value, np.generic) else value
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value, style)
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value, style)
    else:
        sheet.write_string(row, column, str(value), style)


def _for_print(sheet: Any) -> None:
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
