"""The page of many lites: what stays with the machine, what with the glass, what changed.

The answer in sentences first, then shares, maps, spots and changes, each with its numbers and
intervals, then what these lites cannot show. Self-contained HTML; numbers are rounded here.
"""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np

import midchord
from midchord.production.persistence import Spot
from midchord.production.result import Lots, OnFrame
from midchord.production.sentences import NAMES, conclusions, limits_of, percent, zone_words
from midchord.production.split import Component
from midchord.report import lots_pictures as pictures
from midchord.report.house_style import figure_style
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled

__all__ = ["lots_page"]

_MOST_REFUSED = 50


def lots_page(lots: Lots) -> str:
    """The page as one HTML file that needs nothing else."""
    return filled(
        "lots_page.html.j2",
        verdict=_verdict(lots),
        conclusions=conclusions(lots),
        limits=limits_of(lots),
        about=_about(lots),
        components=[_component(one) for one in lots.split.components] if lots.split else [],
        split=_split(lots),
        unit=lots.units,
        pictures=_pictures(lots),
        frames=_frames(lots),
        changes=[_change(lots, number) for number in range(len(lots.changes))]
        if lots.time_known else [],
        change_maps=_change_maps(lots),
        refused=lots.refused[:_MOST_REFUSED],
        more_refused=max(0, len(lots.refused) - _MOST_REFUSED),
        settings=_settings(lots),
        version=midchord.__version__,
        cautions=CAUTIONS,
    )  # fmt: skip


def _verdict(lots: Lots) -> dict[str, str]:
    found = lots.split
    machine = None if found is None else found.get("machine")
    if found is None:
        return {"kind": "outside", "mark": "○", "words": "Too few lites to split the variance"}
    if machine is not None and machine.shown:
        words = f"{percent(machine.share)} % of the variance stays with the machine"
        return {"kind": "within", "mark": "●", "words": words}
    fixed = [one for one in (found.get("lite"), found["either"]) if one is not None and one.shown]
    if fixed:
        share = sum(one.share for one in fixed)
        whose = "comes back from lite to lite" if machine is None else "stays with the glass"
        words = f"{percent(share)} % of the variance {whose}; no part is shown to be the machine's"
        return {"kind": "undecided", "mark": "◐", "words": words}
    return {"kind": "outside", "mark": "○", "words": "No pattern is shown that stays"}


def _about(lots: Lots) -> list[tuple[str, str]]:
    style = figure_style(lots.settings.field)
    first, last = lots.lites[0].head, lots.lites[-1].head
    order = f", {first.lite_id} to {last.lite_id}"
    if lots.time_known and first.scanned_at and last.scanned_at:
        order += f", {first.scanned_at:%Y-%m-%d %H:%M} to {last.scanned_at:%Y-%m-%d %H:%M} UTC"
    sizes = {(round(one.head.length_mm), round(one.head.width_mm)) for one in lots.lites}
    a, b = max(sizes)
    size = f"{a} × {b} mm" if len(sizes) == 1 else f"{len(sizes)} sizes, up to {a} × {b} mm"
    counts = lots.known_places
    scatter = lots.scatter_mm()
    place = f"known both ways for {counts['both']}"
    along, across = scatter["along"], scatter["across"]
    if counts["both"] and along is not None and across is not None:
        place += f", scatter {along:.0f} mm along, {across:.0f} mm across"
    for way in ("across", "along"):
        place += f"; {way} only for {counts[way]}" if counts[way] else ""
    place += f"; not at all for {counts['none']}" if counts["none"] else ""
    return [
        ("Field", f"{style.title} / {lots.units}"),
        ("Lites", f"{len(lots.lites)}{order}"),
        ("Size", size),
        ("Machine", lots.machine.name),
        ("Place in it", place),
    ]


def _split(lots: Lots) -> dict[str, str]:
    found = lots.split
    if found is None:
        return {}
    known = [lite.mean_square_u for lite in lots.lites if lite.mean_square_u is not None]
    measured = f"{math.sqrt(float(np.mean(known))):.3g} {lots.units}" if known else ""
    return {
        "sd": f"{math.sqrt(max(0.0, found.total)):.3g} {lots.units}",
        "lites": str(found.lites),
        "blocks": str(found.blocks),
        "level": f"{100 * found.level:g}",
        "cell": f"{lots.settings.split.cell_mm:g}",
        "area": {"clear": "clear points", "near": "clear and near points", "all": "all points"}[
            lots.settings.split.area
        ],
        "measured": measured,
    }


def _component(one: Component) -> dict[str, str]:
    low, high = one.share_interval
    return {
        "name": NAMES[one.name],
        "part": "part" if one.name.startswith("machine ") else "",
        "share": percent(one.share),
        "interval": f"{percent(low)} to {percent(high)}",
        "sd": f"{math.sqrt(one.variance):.3g}" if one.variance > 0 else "0",
        "shown": "shown" if one.shown else "not shown",
    }


def _frames(lots: Lots) -> list[dict[str, Any]]:
    found = []
    for name, on in (("machine", lots.on_machine), ("glass", lots.on_lite)):
        if on is None:
            continue
        stays = on.persistent
        found.append({
            "name": name,
            "title": f"At one place of the {name}",
            "maps": _frame_pictures(lots, name, on),
            "limit": None if stays is None else f"{lots.limit:.4g} {lots.units}",
            "limit_from": lots.limit_from,
            "count": 0 if stays is None else stays.spot_count,
            "correlation": "" if stays is None else f"{stays.correlation:.2f}",
            "counts_as": "" if stays is None else percent(stays.deflation),
            "spots": [] if stays is None else
            [_spot(number, one) for number, one in enumerate(stays.spots, start=1)],
        })  # fmt: skip
    return found


def _spot(number: int, one: Spot) -> dict[str, str]:
    low, high = one.interval
    return {
        "number": str(number) if one.persistent else "–",
        "at": f"{one.worst_x_mm:.0f}; {one.worst_y_mm:.0f}",
        "size": f"{one.length_mm:.0f} × {one.width_mm:.0f}",
        "lites": f"{one.above} of {one.lites}",
        "share": percent(one.share),
        "interval": f"{percent(low)} to {percent(high)}",
    }


def _frame_pictures(lots: Lots, name: str, on: OnFrame) -> list[dict[str, str]]:
    unit, is_machine = lots.units, name == "machine"
    signed = figure_style(lots.settings.field).scale == "signed"
    # rims that hardly any lite reached would set the scale
    enough = on.maps.lites >= max(min(3, len(lots.lites)), 0.05 * len(lots.lites))

    def drawn(values: Any, kind: Any, title: str, in_unit: str, caption: str, **more: Any) -> None:
        content = pictures.frame_map(
            np.where(enough, values, np.nan), on.frame, title=title, unit=in_unit, kind=kind,
            on_machine=is_machine, **more,
        )  # fmt: skip
        if content is not None:
            found.append(_picture(content, f"{title}: map on the frame of the {name}.", caption))

    found: list[dict[str, str]] = []
    drawn(on.maps.mean, "signed" if signed else "amount", "Mean over the lites", unit,
          f"What comes back at one place of the {name}; what does not averages out.")  # fmt: skip
    drawn(on.maps.sd, "amount", "Spread over the lites", unit,
          "Standard deviation from lite to lite at each place.")  # fmt: skip
    if on.persistent is not None and int(on.maps.above.max()) > 0:
        drawn(on.persistent.share, "share", "Lites above the limit", "%",
              "Share of the lites that were above the limit there. Rings: persistent spots of the "
              "table (dashed: the most frequent place, not persistent).",
              spots=on.persistent.spots[:9])  # fmt: skip
    return found


def _pictures(lots: Lots) -> dict[str, dict[str, str] | None]:
    bars, level = pictures.shares(lots), pictures.levels(lots)
    pattern = None
    found, cells = lots.split, lots.cells
    if found is not None and cells is not None and cells.nx > 1 and cells.ny > 1:
        seen = found.effects.machine != 0
        pattern = pictures.frame_map(
            np.where(seen, found.effects.machine, np.nan), cells, title="Pattern of the machine",
            unit=lots.units, kind="difference", on_machine=True,
        )  # fmt: skip
    return {
        "shares": None if bars is None else _picture(
            bars, "Bars: share of the variance of each component, with intervals.",
            "Filled: shown to be there; outline: not. The line is the interval; inset bars are "
            "parts of the machine's.",
        ),
        "pattern": None if pattern is None else _picture(
            pattern, "Pattern fixed to the machine, that of the glass taken out.",
            "What stays with the machine once what stays with the glass is taken out.",
        ),
        "levels": None if level is None else _picture(
            level, "Mean of the field of each lite in order.",
            "A point is a lite. Lines: means before and after the change, where one is shown.",
        ),
    }  # fmt: skip


def _change(lots: Lots, number: int) -> dict[str, str]:
    one = lots.changes[number]
    if one.first is None:
        return {"zone": zone_words(one.zone), "state": "too few lites", "lite": "–", "step": "–",
                "interval": "–", "p": "–"}  # fmt: skip
    low, high = one.interval
    return {
        "zone": zone_words(one.zone),
        "state": "changed" if one.shown else "no change shown",
        "lite": lots.lites[one.first].head.lite_id if one.shown else "–",
        "step": f"{one.step:+.3g}" if one.shown else "–",
        "interval": f"{low:+.3g} to {high:+.3g}" if one.shown else "–",
        "p": "<0.0001" if one.p_value < 1e-4 else f"{one.p_value:.2g}",
    }


def _change_maps(lots: Lots) -> list[dict[str, str]]:
    moved = lots.change_maps
    if moved is None:
        return []
    (a, b), (c, d) = moved.before, moved.after
    spans = f"lites {c + 1} to {d} less lites {a + 1} to {b}"
    found = []
    frames = (
        ("machine", moved.machine, lots.on_machine), ("glass", moved.lite, lots.on_lite)
    )  # fmt: skip
    for name, pair, on in frames:
        if pair is None or on is None:
            continue
        content = pictures.frame_map(
            pair[1] - pair[0], on.frame, title=f"Change at one place of the {name}",
            unit=lots.units, kind="difference", on_machine=name == "machine",
        )  # fmt: skip
        if content is not None:
            found.append(_picture(content, f"Change on the frame of the {name}.",
                                  f"Mean of {spans}."))  # fmt: skip
    return found


def _settings(lots: Lots) -> list[tuple[str, str]]:
    found = []
    for key, value in lots.settings.model_dump().items():
        if isinstance(value, dict):
            found += [(f"{key}.{name}", str(inner)) for name, inner in value.items()]
        else:
            found.append((key, str(value)))
    return found


def _picture(content: bytes, alt: str, caption: str) -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}
