"""What came out of many maps, in sentences: first where the variance is from, then the spots that
stay, then what changed; and what these lites cannot show."""

from __future__ import annotations

import math

from midchord.production.persistence import Spot
from midchord.production.result import Lots, OnFrame
from midchord.production.split import Component

__all__ = ["NAMES", "conclusions", "limits_of", "percent", "zone_words"]

NAMES = {
    "machine": "fixed to the machine",
    "machine across": "across only: streaks along the travel",
    "machine along": "along only: bands across the travel",
    "machine spots": "single places",
    "lite": "fixed to the glass",
    "either": "fixed, machine or glass",
    "between lites": "between lites",
    "noise": "of one lite alone",
    "finer": "finer than the cells",
}
HALF = math.sqrt(2 * math.pi**2 / math.log(2))
"""A wave of this many standard deviations of its place is half blurred."""


def percent(share: float) -> str:
    """``12``, ``0.4``, ``0``: of a share, without the sign."""
    value = 100 * share
    if abs(value) < 0.05:
        return "0"
    return f"{value:.1f}" if abs(value) < 9.95 else f"{value:.0f}"


def zone_words(zone: str) -> str:
    """``r1c2`` in words."""
    if zone == "whole":
        return "the whole lite"
    rows = {"1": "leading", "2": "middle", "3": "trailing"}
    columns = {"1": "left", "2": "middle", "3": "right"}
    return f"the {rows[zone[1]]} third along, {columns[zone[3]]} third across ({zone})"


def _with_interval(one: Component) -> str:
    low, high = (percent(end) for end in one.share_interval)
    return f"{percent(one.share)} % ({low} to {high} %)"


def conclusions(lots: Lots) -> list[str]:
    """Sentences, the most important first."""
    return [*_variance(lots), *_spots(lots), *_changes(lots)]


def _variance(lots: Lots) -> list[str]:
    found = lots.split
    if found is None:
        least = lots.settings.split.least_lites
        return [
            f"The variance is not split: at least {least} lites with values at points that count "
            "are needed."
        ]
    said = []
    machine = found.get("machine")
    if machine is not None:
        said.append(
            f"{_with_interval(machine)} of the variance is fixed to the machine, "
            f"{_with_interval(found['lite'])} to the glass"
            + ("." if machine.shown else "; a part fixed to the machine is not shown.")
        )
        parts = [found.get(f"machine {part}") for part in ("across", "along", "spots")]
        told = [one for one in parts if one is not None]
        if machine.shown and told:
            names = {"machine across": "streaks along the travel", "machine along": "bands across "
                     "the travel", "machine spots": "single places"}  # fmt: skip
            said.append(
                "Of the machine's part: "
                + ", ".join(f"{names[one.name]} {_with_interval(one)}" for one in told) + "."
            )  # fmt: skip
    either = found["either"]
    if either.shown:
        whose = "the lites lie too much alike to tell whether with the machine or with the glass"
        if machine is None:
            whose = "without places in the machine it cannot be told whether with it or the glass"
        said.append(f"{_with_interval(either)} comes back from lite to lite, but {whose}.")
    said.append(
        f"Lites differ as a whole by {_with_interval(found['between lites'])} of the variance; "
        f"{percent(found['noise'].share + found['finer'].share)} % is of one lite alone."
    )
    return said


def _spots(lots: Lots) -> list[str]:
    said = []
    for name, on in (("machine", lots.on_machine), ("glass", lots.on_lite)):
        if on is None or on.persistent is None:
            continue
        said.append(_frame_spots(lots, name, on))
    return said


def _frame_spots(lots: Lots, name: str, on: OnFrame) -> str:
    found = on.persistent
    assert found is not None
    head = f"Above {lots.limit:.4g} {lots.units}, at one place of the {name}: "
    if not found.spots:
        return f"{head}no lite anywhere."
    first = found.spots[0]
    if not found.spot_count:
        return f"{head}no place is shown to be so in most lites; the most frequent, {_at(first)}."
    spots = "1 persistent spot" if found.spot_count == 1 else f"{found.spot_count} persistent spots"
    return f"{head}{spots}; the largest, {first.area_mm2 / 100:.0f} cm², {_at(first)}."


def _at(spot: Spot) -> str:
    low, high = (percent(end) for end in spot.interval)
    return (
        f"at {spot.worst_x_mm:.0f} mm along and {spot.worst_y_mm:.0f} mm across, in {spot.above} "
        f"of {spot.lites} lites ({low} to {high} %)"
    )


def _changes(lots: Lots) -> list[str]:
    if not lots.time_known:
        return []
    shown = sorted((one for one in lots.changes if one.shown), key=lambda one: one.p_value)
    if not shown:
        told = any(one.first is not None for one in lots.changes)
        return ["No zone of the glass is shown to have changed."] if told else []
    first = shown[0]
    assert first.first is not None
    low, high = first.interval
    more = f" {len(shown) - 1} other zones changed, too." if len(shown) > 2 else (
        " Another zone changed, too." if len(shown) == 2 else ""
    )  # fmt: skip
    return [
        f"In {zone_words(first.zone)} the level changed by {first.step:+.3g} {lots.units} "
        f"({low:+.3g} to {high:+.3g}) about lite {lots.lites[first.first].head.lite_id}.{more}"
    ]


def limits_of(lots: Lots) -> list[str]:
    """What these lites cannot show, and what is still possible."""
    said = []
    counts = lots.known_places
    total = len(lots.lites)
    if counts["both"] < total:
        rest = total - counts["both"]
        ways = [f"{counts[way]} {way} only" for way in ("across", "along") if counts[way]]
        ways += [f"{counts['none']} not at all"] if counts["none"] else []
        said.append(
            f"Of {total} lites the place in the machine is not known both ways for {rest} "
            f"({', '.join(ways)}): they count on the glass, not in the maps of the machine."
        )
    if lots.split is not None and lots.known != "both":
        said.append({
            "across": "The machine's part is what it is across, the same all along: along, places "
            "are not known.",
            "along": "The machine's part is what it is along, the same across: across, places are "
            "not known.",
            "none": "Without places in the machine only the glass, the level of each lite and the "
            "rest are told apart; what stays at one place of the machine is in one of them.",
        }[lots.known])  # fmt: skip
    if lots.split is not None and lots.split.lites < total:
        said.append(f"The split is of {lots.split.lites} of {total} lites.")
    sds, scatter = lots.place_sd_mm(), lots.scatter_mm()
    for axis in ("along", "across"):
        sd, spread = sds[axis], scatter[axis]
        if sd:
            said.append(
                f"Places {axis} are known to ±{sd:.3g} mm: of the machine's pattern, what is "
                f"shorter than {HALF * sd:.0f} mm {axis} is blurred by more than half, and that "
                "part counts as of one lite alone."
            )
        if spread is not None and lots.split is not None and lots.split.get("machine"):
            said.append(
                f"Lites lay {spread:.3g} mm apart {axis} (standard deviation): what changes over "
                f"much more than {4 * spread:.0f} mm {axis} cannot be told to be the machine's or "
                "the glass's."
            )
    sizes = {(round(one.head.length_mm, -1), round(one.head.width_mm, -1)) for one in lots.lites}
    if len(sizes) > 1:
        said.append(
            f"Lites of {len(sizes)} sizes: places on the glass are from the leading edge and the "
            "left-hand edge, so what belongs to the other two edges lies at different places."
        )
    if not lots.time_known:
        said.append(
            "The times of the scans are not known or all alike: the lites are in order of their "
            "names, and what changed is not looked for."
        )
    if lots.limit is None:
        said.append(
            "No limit is given and the summaries have none for this field, so persistence is not "
            "looked for."
        )
    if lots.refused:
        files = "1 file was" if len(lots.refused) == 1 else f"{len(lots.refused)} files were"
        said.append(f"{files} put aside, each with its reason.")
    return said
