"""Where a lite lay in the machine: its leading left corner on the machine frame, and how well
known.

The scanner's frame is the machine's only as far as the machine file says so (``[place]``): a lite
may slip or be turned between quench and scanner, and the scanner's zero along the travel may be no
more than the moment at which a light barrier was passed. What the maps hold is taken where the
machine file vouches for it; a table of places (CSV) that the line wrote itself overrides it lite by
lite:

    lite_id, along_mm, across_mm, along_sd_mm, across_sd_mm, side_up

``lite_id`` and at least one of the places are needed, an empty field is "not known". Without a
place what is periodic can still be found, since its phase is free; what stays at one place of the
machine (an odd nozzle, a support) cannot be told from what moves with the glass.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from midchord.machine import Machine
from midchord_io.errors import SettingsError, why

__all__ = ["MachinePlace", "place_of", "read_places"]

COLUMNS = ("lite_id", "along_mm", "across_mm", "along_sd_mm", "across_sd_mm", "side_up")


class MachinePlace(NamedTuple):
    """Leading left corner of a lite on the machine frame; None: not known.

    along_mm, across_mm         of the corner; skew_deg turns the lite about it, x towards y
    along_sd_mm, across_sd_mm   standard deviations, None with the place
    side_up                     "tin", "air" or None
    """

    along_mm: float | None = None
    across_mm: float | None = None
    along_sd_mm: float | None = None
    across_sd_mm: float | None = None
    skew_deg: float = 0.0
    side_up: str | None = None

    @property
    def sentence(self) -> str:
        """What is known, in words."""
        known = [
            f"{name} to ±{sd:g} mm"
            for name, value, sd in (
                ("along", self.along_mm, self.along_sd_mm),
                ("across", self.across_mm, self.across_sd_mm),
            )
            if value is not None
        ]
        return "place in the machine known " + " and ".join(known) if known else "place not known"


def place_of(
    attrs: Mapping[Any, Any],
    machine: Machine,
    places: Mapping[str, MachinePlace] | None = None,
) -> MachinePlace:
    """The place of one lite.

    attrs    of its maps: lite_id, frame_of_scan, corners_machine_mm, skew_deg
    machine  says which of these hold for the machine
    places   of ``read_places``; a lite that is there takes everything that it states from there
    """
    known, own = machine.place, MachinePlace(side_up=machine.place.side_up)
    corners = attrs.get("corners_machine_mm")
    if attrs.get("frame_of_scan", "lite") == "machine" and isinstance(corners, Mapping):
        along, across = (float(value) for value in corners["leading_left"])
        own = MachinePlace(
            along if known.along else None,
            across if known.across else None,
            known.along_sd_mm if known.along else None,
            known.across_sd_mm if known.across else None,
            float(attrs.get("skew_deg", 0.0)),
            known.side_up,
        )
    stated = (places or {}).get(str(attrs.get("lite_id")))
    if stated is None:
        return own
    changes: dict[str, Any] = {}
    for axis in ("along", "across"):
        value, sd = getattr(stated, f"{axis}_mm"), getattr(stated, f"{axis}_sd_mm")
        if value is not None:
            changes[f"{axis}_mm"] = value
            changes[f"{axis}_sd_mm"] = getattr(known, f"{axis}_sd_mm") if sd is None else sd
    if stated.side_up is not None:
        changes["side_up"] = stated.side_up
    return own._replace(**changes)


def read_places(path: str | Path) -> dict[str, MachinePlace]:
    """The table of places of a line (CSV): lite_id -> place.

    Raises  SettingsError: unreadable, a column that does not exist, a lite named twice, no number
    """
    import pandas as pd

    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except OSError as error:
        raise _fault(path, f"it cannot be read ({why(error)})") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise _fault(path, f"it is no CSV table ({error})") from error
    strange = [str(name) for name in table.columns if str(name).strip() not in COLUMNS]
    if strange:
        raise _fault(path, f"there is no column {strange[0]!r}")
    table.columns = [str(name).strip() for name in table.columns]
    if "lite_id" not in table or not {"along_mm", "across_mm"} & set(table.columns):
        raise _fault(path, "no column lite_id, or neither along_mm nor across_mm")
    places: dict[str, MachinePlace] = {}
    for number, row in enumerate(table.to_dict("records"), start=2):
        name = str(row["lite_id"]).strip()
        if not name or name in places:
            raise _fault(path, f"line {number}: " + (f"lite {name!r} again" if name else "no lite"))
        along, across, along_sd, across_sd = (
            _number(path, number, column, str(row.get(column, ""))) for column in COLUMNS[1:5]
        )
        side = str(row.get("side_up", "")).strip() or None
        if side not in (None, "tin", "air"):
            raise _fault(path, f"line {number}: side_up is {side!r}, not tin or air")
        places[name] = MachinePlace(
            along, across, along_sd, across_sd, side_up=side
        )
    return places


def _number(path: str | Path, line: int, column: str, text: str) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (column.endswith("sd_mm") and value < 0):
        raise _fault(path, f"line {line}: {column} is {text!r}")
    return value


def _fault(path: str | Path, found: str) -> SettingsError:
    return SettingsError(
        path,
        found=found,
        needed="a table of places with the columns " + ", ".join(COLUMNS) + ", numbers in mm",
        do="correct the table",
    )
