"""The figures of many lites as series in the order of scanning: from summaries, or from a table.

A series is a figure of whole lites (``gauge_distortion_mdpt.mean``: a key of the summary, dots
between its levels) or of one zone of the zone table (``depth_mm.mean@r1c2``). As a table (CSV) each
is a column beside ``lite_id`` and, optionally, ``scanned_at`` and ``shift``, so that a plant keeps
one growing file instead of all maps:

    lite_id, scanned_at, gauge_distortion_mdpt.mean, depth_mm.mean@r1c1, ...

An empty field is a lite without that figure (no wave). Rows go by ``scanned_at``; without it they
are taken in the order in which they stand.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.errors import ScanError, SettingsError, why

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Figures", "figure_table", "figures_of", "name_of", "read_figures", "read_summary",
           "unit_of"]  # fmt: skip

Floats = npt.NDArray[np.float64]
TEXT_COLUMNS = ("lite_id", "scanned_at", "shift")
PLAIN_NAMES = {
    "depth_mm": "depth (gauge)",
    "surface_depth_mm": "depth (surface)",
    "gauge_distortion_mdpt": "distortion (gauge)",
    "surface_distortion_mdpt": "distortion (surface)",
}


@dataclass(frozen=True)
class Figures:
    """Series of figures, all of one length, in the order of scanning.

    scanned_at  ISO 8601, "" where not known
    series      "FIGURE" or "FIGURE@ZONE" -> (lite,), NaN where a lite has no value
    shifts      as stated by the table; None: to be told from the times
    remarks     sentences about what was found while reading
    """

    lite_ids: tuple[str, ...]
    scanned_at: tuple[str, ...]
    series: Mapping[str, Floats]
    shifts: tuple[str, ...] | None = None
    remarks: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.lite_ids)


def name_of(series: str) -> str:
    """``distortion (gauge), mean, zone r1c1``."""
    figure, _, zone = series.partition("@")
    key, _, statistic = figure.partition(".")
    plain = key
    for ending in ("_mdpt", "_mm_per_m", "_mm"):
        plain = plain.removesuffix(ending)
    words = [PLAIN_NAMES.get(key, plain.replace("_", " ")), *statistic.replace("_", " ").split(".")]
    return ", ".join(word for word in words if word) + (f", zone {zone}" if zone else "")


def unit_of(series: str) -> str:
    """Unit by the ending of the key; "" where it has none."""
    key = series.partition("@")[0].partition(".")[0]
    for ending, unit in (("_mdpt", "mdpt"), ("_mm_per_m", "mm/m"), ("_mm", "mm")):
        if key.endswith(ending):
            return unit
    return ""


def figures_of(
    lites: Iterable[xr.Dataset | Mapping[str, Any]],
    *,
    whole: Sequence[str],
    zones: Sequence[str],
) -> Figures:
    """Series of the figures named, from maps or from their summaries; each is read once.

    whole   keys of the summary, dots between levels; zones: the same for every zone of the grid
    Raises  SettingsError: no figure of that name; ScanError: no lites, two of one name
    """
    ids: list[str] = []
    times: list[str] = []
    rows: list[dict[str, float]] = []
    makes: dict[str, list[str]] = {"settings": [], "instrument": []}
    for lite in lites:
        summary = json.loads(lite.attrs["summary"]) if isinstance(lite, xr.Dataset) else lite
        ids.append(str(summary["lite_id"]))
        times.append(str(summary.get("scanned_at") or ""))
        rows.append(_row(summary, whole, zones))
        makes["settings"].append(json.dumps(summary.get("settings"), sort_keys=True))
        makes["instrument"].append(str(summary.get("instrument")))
    if not ids:
        raise ScanError(
            "the lites", found="there are none", needed="maps of lites", do="name their files"
        )
    names = sorted({name for row in rows for name in row}, key=_order(whole, zones))
    series = {name: np.array([row.get(name, math.nan) for row in rows]) for name in names}
    return _ordered(ids, times, series, None, _mixed(ids, makes))


def read_summary(path: str | Path) -> dict[str, Any]:
    """A summary as it was written beside the maps. Raises ScanError where it is none."""
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise ScanError(
            path, found=f"it cannot be read ({why(error)})", needed="a summary of a lite",
            do="check the path",
        ) from error  # fmt: skip
    except ValueError as error:
        raise _no_summary(path) from error
    if not isinstance(found, dict) or not {"lite_id", "zones", "schema_version"} <= set(found):
        raise _no_summary(path)
    return found


def _no_summary(path: str | Path) -> ScanError:
    return ScanError(
        path,
        found="no summary of a lite",
        needed="NAME.summary.json or NAME.maps.nc as midchord wrote them, or one CSV table",
        do="name those files",
    )


def _row(
    summary: Mapping[str, Any], whole: Sequence[str], zones: Sequence[str]
) -> dict[str, float]:
    row = {path: _number(_look(summary, path), path) for path in whole}
    for zone in summary.get("zones", ()) if zones else ():
        if not _is_of_grid(str(zone["name"])):
            continue
        for path in zones:
            row[f"{path}@{zone['name']}"] = _number(_look(zone["figures"], path), path)
    return row


def _is_of_grid(name: str) -> bool:
    row, _, column = name.removeprefix("r").partition("c")
    return name.startswith("r") and row.isdigit() and column.isdigit()


def _look(found: Any, path: str) -> Any:
    at = found
    for number, key in enumerate(path.split(".")):
        if at is None:
            return None  # an edge or a wave that was not seen has no figures below it
        if not isinstance(at, Mapping) or key not in at:
            there = [str(name) for name in at] if isinstance(at, Mapping) else []
            near = difflib.get_close_matches(key, there, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(there[:12])}"
            above = ".".join(path.split(".")[:number]) or "a summary"
            raise SettingsError(
                f"figure {path!r}",
                found=f"{above} has no {key!r} ({hint})",
                needed="a figure of the summary, e.g. gauge_distortion_mdpt.mean",
                do="correct it in the settings",
            )
        at = at[key]
    return at


def _number(value: Any, path: str) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SettingsError(
            f"figure {path!r}",
            found="it is no number in the summary",
            needed="a number, e.g. gauge_distortion_mdpt.mean",
            do="name one of the values below it",
        )
    return float(value)


def _order(whole: Sequence[str], zones: Sequence[str]) -> Any:
    places = {name: place for place, name in enumerate((*whole, *zones))}

    def key(name: str) -> tuple[bool, str, int]:
        figure, _, zone = name.partition("@")
        return bool(zone), zone, places[figure]

    return key


def _mixed(ids: Sequence[str], makes: Mapping[str, Sequence[str]]) -> list[str]:
    said = []
    for what, values in makes.items():
        other = next((n for n, value in enumerate(values) if value != values[0]), None)
        if other is not None:
            said.append(
                f"Not all lites are of the same {what}: lite {ids[other]} differs from lite "
                f"{ids[0]}, and what differs for that reason shows as a change."
            )
    return said


def _ordered(
    ids: Sequence[str],
    times: Sequence[str],
    series: Mapping[str, Floats],
    shifts: Sequence[str] | None,
    remarks: Sequence[str],
    where: str = "the lites",
) -> Figures:
    said = list(remarks)
    seen: set[str] = set()
    for name in ids:
        if name in seen:
            raise ScanError(
                where,
                found=f"lite {name!r} is there twice",
                needed="each lite once",
                do="leave one of the two out",
            )
        seen.add(name)
    moments = [_moment(text) for text in times]
    order = list(range(len(ids)))
    if all(moment is not None for moment in moments):
        order.sort(key=lambda n: moments[n] or dt.datetime.min.replace(tzinfo=dt.UTC))
        if len(set(moments)) < len(moments):
            said.append("Some lites have one and the same time: among them the order given counts.")
    else:
        said.append("Not every lite has a time: the order in which they were given counts.")
    return Figures(
        tuple(ids[n] for n in order),
        tuple(times[n] for n in order),
        {name: np.asarray(values, dtype=np.float64)[order] for name, values in series.items()},
        None if shifts is None else tuple(shifts[n] for n in order),
        tuple(said),
    )


def _moment(text: str) -> dt.datetime | None:
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=dt.UTC)


def read_figures(path: str | Path) -> Figures:
    """The table of figures of many lites (CSV).

    Raises  SettingsError: unreadable, no lites, no figures, a row without a lite, no number;
            ScanError: a lite twice
    """
    import pandas as pd

    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except OSError as error:
        raise _fault(path, f"it cannot be read ({why(error)})") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise _fault(path, f"it is no CSV table ({error})") from error
    table.columns = [str(name).strip() for name in table.columns]
    names = [name for name in table.columns if name not in TEXT_COLUMNS]
    if "lite_id" not in table or not names:
        raise _fault(path, "no column lite_id, or no column with a figure")
    if table.empty:
        raise _fault(path, "a header and no row below it")
    ids = [str(name).strip() for name in table["lite_id"]]
    for number, name in enumerate(ids, start=2):
        if not name:
            raise _fault(path, f"row {number}: no lite")
    series = {}
    for name in names:
        series[name] = np.array(
            [_field(path, number, name, str(text)) for number, text in enumerate(table[name], 2)]
        )
    times = [str(text).strip() for text in table["scanned_at"]] if "scanned_at" in table else []
    shifts = [str(text).strip() for text in table["shift"]] if "shift" in table else None
    return _ordered(ids, times or [""] * len(ids), series, shifts, (), str(path))


def _field(path: str | Path, row: int, column: str, text: str) -> float:
    if not text.strip():
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise _fault(path, f"row {row}: {column} is {text!r}, which is no number")
    return value


def _fault(path: str | Path, found: str) -> SettingsError:
    return SettingsError(
        path,
        found=found,
        needed="a table with lite_id, scanned_at (optional) and a column for each figure, numbers "
        "with a decimal point",
        do="correct the table",
    )


def figure_table(figures: Figures) -> pd.DataFrame:
    """The table that ``read_figures`` reads."""
    import pandas as pd

    texts: dict[str, Any] = {"lite_id": figures.lite_ids, "scanned_at": figures.scanned_at}
    if figures.shifts is not None:
        texts["shift"] = figures.shifts
    return pd.DataFrame({**texts, **figures.series})
