"""What came out of many maps, as facts for files: numbers unrounded, tables, a dataset of maps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

import midchord
from midchord.production.persistence import Spot
from midchord.production.result import LotLite, Lots, OnFrame
from midchord.production.sentences import conclusions, limits_of
from midchord.production.stored import FIGURES, PLAIN

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SCHEMA_VERSION", "lite_table", "lots_facts", "lots_maps"]

SCHEMA_VERSION = 1


def lots_facts(lots: Lots) -> dict[str, Any]:
    """The content of ``lots.json``; its schema is ``lots.schema.json``."""
    s = lots.settings
    changes = [
        {
            "zone": one.zone,
            "lites": one.lites,
            "first_lite_after": None if one.first is None else lots.lites[one.first].head.lite_id,
            "first_scanned_at": None if one.first is None else _moment(lots.lites[one.first]),
            "before": _number(one.before),
            "after": _number(one.after),
            "step": _number(one.step),
            "interval": None if one.first is None else [float(end) for end in one.interval],
            "p_value": one.p_value,
            "shown": one.shown,
            "serial_correlation": _number(one.correlation),
        }
        for one in lots.changes
    ]
    return {
        "schema_version": SCHEMA_VERSION,
        "program_version": midchord.__version__,
        "field": s.field,
        "units": lots.units,
        "convention": lots.convention or None,
        "machine": lots.machine.name,
        "conclusions": conclusions(lots),
        "variance": _variance(lots),
        "persistence": {
            "limit": lots.limit,
            "limit_from": lots.limit_from,
            "least_share": s.persistence.least_share,
            "lite": _persistence(lots.on_lite),
            "machine": None if lots.on_machine is None else _persistence(lots.on_machine),
        },
        "changes": changes if lots.time_known else [],
        "change_maps": None if lots.change_maps is None else {
            "zone": lots.change_maps.zone,
            "before": _span(lots, lots.change_maps.before),
            "after": _span(lots, lots.change_maps.after),
        },
        "lites": {
            "count": len(lots.lites),
            "ordered_by": "time" if lots.time_known else "name",
            "first": lots.lites[0].head.lite_id,
            "last": lots.lites[-1].head.lite_id,
            "sizes_mm": _sizes(lots),
            "place_known": lots.known_places,
            "place_scatter_mm": lots.scatter_mm(),
            "place_sd_mm": lots.place_sd_mm(),
        },
        "refused": [one._asdict() for one in lots.refused],
        "limits": limits_of(lots),
        "settings": s.model_dump(),
    }  # fmt: skip


def _variance(lots: Lots) -> dict[str, Any] | None:
    found = lots.split
    if found is None:
        return None
    known = [lite.mean_square_u for lite in lots.lites if lite.mean_square_u is not None]
    return {
        "total": found.total,
        "level": found.level,
        "lites": found.lites,
        "blocks": found.blocks,
        "place_known": lots.known,
        "cell_mm": lots.settings.split.cell_mm,
        "measurement": float(np.mean(known)) if known else None,
        "components": [
            {
                "component": one.name,
                "variance": one.variance,
                "interval": [_number(end) for end in one.interval],
                "share": one.share,
                "share_interval": [_number(end) for end in one.share_interval],
                "shown": one.shown,
            }
            for one in found.components
        ],
    }


def _persistence(on: OnFrame) -> dict[str, Any] | None:
    found = on.persistent
    if found is None:
        return None
    return {
        "persistent_spots": found.spot_count,
        "serial_correlation": found.correlation,
        "lites_count_as": found.deflation,
        "spots": [_spot(one) for one in found.spots],
    }


def _spot(one: Spot) -> dict[str, Any]:
    return {**one._asdict(), "interval": list(one.interval)}


def _span(lots: Lots, span: tuple[int, int]) -> dict[str, int]:
    return {"first": span[0] + 1, "last": span[1]}


def _moment(lite: LotLite) -> str | None:
    return None if lite.head.scanned_at is None else lite.head.scanned_at.isoformat()


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _sizes(lots: Lots) -> list[dict[str, Any]]:
    """Sizes to 10 mm, the most frequent first."""
    sizes: dict[tuple[int, int], int] = {}
    for lite in lots.lites:
        size = (10 * round(lite.head.length_mm / 10), 10 * round(lite.head.width_mm / 10))
        sizes[size] = sizes.get(size, 0) + 1
    ordered = sorted(sizes.items(), key=lambda item: (-item[1], item[0]))
    return [{"length_mm": a, "width_mm": b, "lites": count} for (a, b), count in ordered[:50]]


def lite_table(lots: Lots) -> pd.DataFrame:
    """One lite a row, in order: where and when, the figures of its summary as they stand there, and
    the field's own over the points that count."""
    import pandas as pd

    from midchord.production.changes import ZONES

    levels = lots.split.levels if lots.split is not None else None
    ranks = lots.split_numbers
    rows = []
    for number, lite in enumerate(lots.lites):
        summary = lite.head.summary
        row: dict[str, Any] = {
            "lite_id": lite.head.lite_id,
            "file": lite.head.path.name,
            "sha256": lite.sha256,
            "scanned_at": _moment(lite),
            "along_mm": lite.place.along_mm,
            "across_mm": lite.place.across_mm,
            "skew_deg": lite.place.skew_deg,
            "side_up": lite.place.side_up,
        }
        row |= {key: summary.get(key) for key in PLAIN}
        for figure in FIGURES:
            held = summary.get(figure)
            for part in ("mean", "p95", "max"):
                row[f"{figure}.{part}"] = held.get(part) if isinstance(held, Mapping) else None
        row |= {"field.points": lite.points, "field.mean": lite.mean, "field.sd": lite.sd,
                "field.largest": lite.largest}  # fmt: skip
        rank = ranks[number]
        told = levels is not None and rank is not None
        row["field.level"] = _number(float(levels[rank])) if told else None  # type: ignore[index]
        row |= dict(zip((f"field.{zone}" for zone in ZONES), lite.zones, strict=True))
        rows.append(row)
    return pd.DataFrame(rows)


def lots_maps(lots: Lots) -> xr.Dataset:
    """Mean and spread maps in both frames, persistence, change, and the patterns of the split."""
    unit = {"units": lots.units}
    data: dict[str, Any] = {}
    coords: dict[str, Any] = {}
    frames = {"lite": (lots.on_lite, ("x", "y"))}
    if lots.on_machine is not None:
        frames["machine"] = (lots.on_machine, ("along", "across"))
    for name, (on, dims) in frames.items():
        for dim, values, what in zip(dims, (on.frame.x_mm, on.frame.y_mm), ("first", "second"),
                                     strict=True):  # fmt: skip
            coords[dim] = ((dim,), values, {"units": "mm", "long_name": f"{name} frame, {what}"})
        where = f"on the {name} frame"

        def put(
            key: str, values: npt.NDArray[Any], label: str, attrs: Mapping[str, Any] = unit,
            dims: tuple[str, str] = dims, where: str = where,
        ) -> None:  # fmt: skip
            data[key] = (dims, values, {**attrs, "long_name": f"{label} {where}"})

        put(f"{name}_mean", on.maps.mean.astype(np.float32), "mean over the lites")
        put(f"{name}_sd", on.maps.sd.astype(np.float32), "standard deviation over the lites")
        put(f"{name}_largest", on.maps.largest.astype(np.float32), "largest over the lites")
        put(f"{name}_count", on.maps.lites.astype(np.int32), "lites with a value", {"units": "1"})
        if on.persistent is not None:
            one = {"units": "1", "limit": float(lots.limit or 0.0)}
            put(f"{name}_above", on.maps.above.astype(np.int32), "lites above the limit", one)
            for end in ("share", "low", "high"):
                values = getattr(on.persistent, end).astype(np.float32)
                label = "share of lites above the limit" + ("" if end == "share" else f", {end}")
                put(f"{name}_above_{end}", values, label, one)
        moved = lots.change_maps and getattr(lots.change_maps, name)
        if moved:
            for when, values in zip(("before", "after"), moved, strict=True):
                put(f"{name}_{when}", values.astype(np.float32), f"mean {when} the change")
    _add_patterns(lots, data, coords, unit)
    attrs = {
        "Conventions": "CF-1.11",
        "title": f"{lots.settings.field} of {len(lots.lites)} lites",
        "field": lots.settings.field,
        "convention": lots.convention,
        "program_version": midchord.__version__,
        "schema_version": SCHEMA_VERSION,
        "settings": lots.settings.model_dump_json(),
    }
    return xr.Dataset(data, coords=coords, attrs=attrs)


def _add_patterns(
    lots: Lots, data: dict[str, Any], coords: dict[str, Any], unit: Mapping[str, Any]
) -> None:
    found, cells, cell = lots.split, lots.cells, lots.settings.split.cell_mm
    if found is None or cells is None:
        return
    nx, ny = found.effects.lite.shape
    coords["cell_x"] = (("cell_x",), (np.arange(nx) + 0.5) * cell, {"units": "mm"})
    coords["cell_y"] = (("cell_y",), (np.arange(ny) + 0.5) * cell, {"units": "mm"})
    data["lite_pattern"] = (
        ("cell_x", "cell_y"), found.effects.lite.astype(np.float32),
        {**unit, "long_name": "pattern fixed to the glass, the machine's taken out"},
    )  # fmt: skip
    if cells.nx * cells.ny > 1:
        coords["cell_along"] = (("cell_along",), cells.x_mm, {"units": "mm"})
        coords["cell_across"] = (("cell_across",), cells.y_mm, {"units": "mm"})
        data["machine_pattern"] = (
            ("cell_along", "cell_across"), found.effects.machine.astype(np.float32),
            {**unit, "long_name": "pattern fixed to the machine, the glass's taken out"},
        )  # fmt: skip
