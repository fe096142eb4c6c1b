"""The plan of a trial (CSV): which lite was made with which setting, with what else is known of it.

    lite_id, setting, pair, pressure_kpa, speed_mm_per_s, ...

``lite_id`` and ``setting`` are needed, both as text. ``pair``, where given, says which lites belong
together (one behind the other, one place on the loading table): settings are then held against each
other within pairs, which takes out what pairs have in common. Every other column of numbers, or of
times (ISO 8601), is recipe data: it is joined by ``lite_id`` and held against the settings.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from midchord_io.errors import SettingsError, why

__all__ = ["Plan", "read_plan"]

Floats = npt.NDArray[np.float64]
OWN = ("lite_id", "setting", "pair")


@dataclass(frozen=True)
class Plan:
    """One row a lite, in the order of the file.

    rows      number of each row in the file, the header being 1
    pairs     "" where a lite has none; None where the plan has no such column
    recipe    column -> (lite,), NaN where a field is empty; times in hours since the first
    unused    columns that hold neither numbers nor times
    """

    where: str
    lite_ids: tuple[str, ...]
    rows: tuple[int, ...]
    settings: tuple[str, ...]
    pairs: tuple[str, ...] | None
    recipe: dict[str, Floats]
    unused: tuple[str, ...]

    def levels(self, reference: str | None) -> tuple[str, ...]:
        """The settings, the reference first: the one named, or that of the first row.

        Raises  SettingsError: no such setting, or only one
        """
        found = list(dict.fromkeys(self.settings))
        if reference is not None and reference not in found:
            raise self.fault(f"no lite has the setting {reference!r}, only {_list(found)}")
        if len(found) < 2:
            raise self.fault(f"all lites have the setting {found[0]!r}: nothing to compare")
        first = reference if reference is not None else found[0]
        return (first, *(name for name in found if name != first))

    def fault(self, found: str) -> SettingsError:
        """The error of this plan."""
        return _fault(self.where, found)


def read_plan(path: str | Path) -> Plan:
    """A plan. Raises SettingsError: unreadable, a lite missing, twice or without a setting."""
    import pandas as pd

    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except OSError as error:
        raise _fault(path, f"it cannot be read ({why(error)})") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise _fault(path, f"it is no CSV table ({error})") from error
    table.columns = [str(name).strip() for name in table.columns]
    for name in OWN[:2]:
        if name not in table:
            raise _fault(path, f"no column {name!r}")
    if table.empty:
        raise _fault(path, "a header and no row below it")
    columns = {name: [str(text).strip() for text in table[name]] for name in table.columns}
    seen: dict[str, int] = {}
    for row, (lite, setting) in enumerate(
        zip(columns["lite_id"], columns["setting"], strict=True), start=2
    ):
        if not lite:
            raise _fault(path, f"row {row}: no lite_id")
        if lite in seen:
            raise _fault(path, f"row {row}: lite {lite!r} again, it stands in row {seen[lite]}")
        if not setting:
            raise _fault(path, f"row {row}: lite {lite!r} has no setting")
        seen[lite] = row
    recipe, unused = {}, []
    for name in (name for name in table.columns if name not in OWN and name):
        values = _recipe(path, name, columns[name])
        if values is None:
            unused.append(name)
        else:
            recipe[name] = values
    return Plan(
        str(path),
        tuple(columns["lite_id"]),
        tuple(seen.values()),
        tuple(columns["setting"]),
        tuple(columns["pair"]) if "pair" in columns else None,
        recipe,
        tuple(unused),
    )


def _recipe(path: str | Path, name: str, texts: list[str]) -> Floats | None:
    """Numbers, or times as hours since the first; None for text."""
    numbers = [_number(text) for text in texts]
    said = [number for number, text in zip(numbers, texts, strict=True) if text]
    if said and any(number is not None for number in said):
        for row, (number, text) in enumerate(zip(numbers, texts, strict=True), start=2):
            if text and number is None:
                raise _fault(path, f"row {row}: {name} is {text!r}, which is no number")
        return np.array([math.nan if number is None else number for number in numbers])
    times = [_time(text) for text in texts if text]
    if not times or any(time is None for time in times):
        return None
    first = min(time for time in times if time is not None)
    hours = []
    for text in texts:
        time = _time(text)
        hours.append(math.nan if time is None else (time - first).total_seconds() / 3600)
    return np.array(hours)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _time(text: str) -> dt.datetime | None:
    try:
        time = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return time if time.tzinfo is not None else time.replace(tzinfo=dt.UTC)


def _list(names: list[str]) -> str:
    return ", ".join(repr(name) for name in names[:8])


def _fault(path: str | Path, found: str) -> SettingsError:
    return SettingsError(
        path,
        found=found,
        needed="a plan with the columns lite_id and setting, pair where lites belong together, "
        "numbers or times in the others, each lite in one row",
        do="correct the plan",
    )
