"""Maps drawn: one figure of one lite, seen from above, true to scale.

x runs to the right from the leading edge, y up from the left-hand edge, so the lite travels to the
left. The picture says all of it: the four edges by name, an arrow for the travel, unit and
convention on the bar, limit and zero as marks on it, the worst point ringed. Where the figure is
over its limit the map is dotted and outlined, which is seen in grey too. A cell without a value
shows the hatch beneath; where there is no glass, the paper.

Where no limit sets it, the scale comes from the clear and near points alone: edge lift would spend
it all on the rim. What lies beyond the scale has its end colour; the picture says how much that is.

A map finer than the picture is thinned by blocks: the largest of an amount, so that no bad spot
drops out between pixels; the mean of a signed figure.
"""

from __future__ import annotations

import difflib
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.report import house_style as house
from midchord.report.house_style import FIGURES, FigureStyle
from midchord.report.map_marks import (
    add_bar,
    add_cells,
    add_frame,
    add_legend,
    add_limit,
    add_lines,
    add_paper,
    add_worst,
    root_figure,
)
from midchord.report.profiles import draw_centre_line, draw_histogram
from midchord.report.result import (
    NO_GLASS_QUALITY,
    MapLimit,
    limit_of,
    map_limit,
    scaled_values,
    size_mm,
    summary_of,
)
from midchord_io.errors import OutputError, SettingsError
from midchord_io.results import write_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "Size",
    "draw_map",
    "figures_available",
    "has_values",
    "picture_bytes",
    "save_picture",
    "thinned",
]

CENTRE_LINE = "centre_line"
HISTOGRAM = "histogram_"
KINDS = ("png", "svg", "pdf")
Size = Literal["full", "small"]
_STAMPS: dict[str, dict[str, Any]] = {
    "png": {"Software": "midchord"},
    "svg": {"Date": None, "Creator": "midchord"},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": "midchord", "Producer": None},
}
"""What the file says of itself: no time, so that the same maps give the same bytes."""

_BOX_IN = {"full": (6.4, 4.3), "small": (2.9, 2.1)}
"""Room for the lite, inches; small ones stand two abreast on a page."""
_LEAST_ROOM_IN = {"full": 3.6, "small": 2.9}
_LEGEND_COLUMNS = {"full": 4, "small": 3}
_MARGIN_IN = {"left": 0.78, "right": 1.5, "top": 0.98, "bottom": 0.83}


def figures_available(maps: xr.Dataset) -> tuple[str, ...]:
    """Names that ``draw_map`` and ``save_picture`` take for these maps."""
    mapped = tuple(name for name in FIGURES if name in maps)
    lines = (CENTRE_LINE,) if "centre_reading" in maps else ()
    return mapped + lines + tuple(f"{HISTOGRAM}{name}" for name in mapped if FIGURES[name].summary)


def has_values(maps: xr.Dataset, what: str) -> bool:
    """Whether a picture has anything but the lite on it: a lite without waves has no depth."""
    name = "centre_reading" if what == CENTRE_LINE else what.removeprefix(HISTOGRAM)
    return name in maps and bool(maps[name].notnull().any())


def draw_map(
    maps: xr.Dataset,
    what: str,
    *,
    limit: float | None = None,
    ax: Axes | None = None,
    dpi: float = 200.0,
    size: Size = "full",
) -> Figure:
    """One figure as a map, or ``centre_line``, or ``histogram_NAME``.

    what     one of ``figures_available(maps)``
    limit    in the unit of the figure, for the whole lite; by default the limit that the lite was
             judged by, if any, in its zone. A map of uncertainties carries none
    ax       drawn into these axes (maps only); a figure of its own by default
    size     "small": half a page wide (maps only)
    Raises   SettingsError where there is no such figure
    """
    import matplotlib

    _check_name(maps, what)
    style = FIGURES.get(what.removeprefix(HISTOGRAM))
    asked = None if limit is None else MapLimit(limit)
    if style is not None and style.is_uncertainty:
        asked = None
    elif style is not None and limit is None:
        asked = map_limit(summary_of(maps), style)
    with matplotlib.rc_context(house.PICTURE_RC):
        if style is None:
            return draw_centre_line(maps, dpi=dpi)
        if what.startswith(HISTOGRAM):
            general = limit_of(summary_of(maps), style) if limit is None else limit
            return draw_histogram(maps, style, limit=general, dpi=dpi)
        if ax is not None:
            _fill_axes(maps, style, ax, limit=asked, cells=2000, bar=None)
            return root_figure(ax)
        return _own_figure(maps, style, limit=asked, dpi=dpi, size=size)


def picture_bytes(
    maps: xr.Dataset,
    what: str,
    *,
    kind: str = "png",
    limit: float | None = None,
    dpi: float = 200.0,
    size: Size = "full",
) -> bytes:
    """A picture as the content of a file; the same maps give the same bytes."""
    import matplotlib

    figure = draw_map(maps, what, limit=limit, dpi=dpi, size=size)
    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure.savefig(content, format=kind, dpi=dpi, metadata=_STAMPS[kind])
    return content.getvalue()


def save_picture(
    maps: xr.Dataset,
    what: str,
    path: str | Path,
    *,
    overwrite: bool = False,
    limit: float | None = None,
) -> Path:
    """A picture as PNG, SVG or PDF, by the ending of ``path``; whole or not at all.

    Raises  SettingsError where there is no such figure; OutputError for another ending, for a file
            that exists, and where the disk or the folder does not allow it
    """
    path = Path(path)
    kind = path.suffix.lower().removeprefix(".")
    if kind not in KINDS:
        raise OutputError(
            path,
            found=f"the ending {path.suffix!r}",
            needed="a picture is .png, .svg or .pdf",
            do="give the file one of these endings",
        )
    if path.exists() and not overwrite:
        raise OutputError(
            path,
            found="the file exists",
            needed="a name that is free",
            do="choose another name, or say --overwrite",
        )
    write_bytes(picture_bytes(maps, what, kind=kind, limit=limit), path)
    return path


def _check_name(maps: xr.Dataset, what: str) -> None:
    names = figures_available(maps)
    if what in names:
        return
    near = difflib.get_close_matches(what, names, n=1, cutoff=0.7)
    raise SettingsError(
        str(maps.attrs.get("lite_id", "maps")),
        found=f"no figure {what!r} in these maps",
        needed=f"one of {', '.join(names)}",
        do=f"ask for {near[0]!r}" if near else "choose one of these",
    )


def _own_figure(
    maps: xr.Dataset, style: FigureStyle, *, limit: MapLimit | None, dpi: float, size: Size
) -> Figure:
    from matplotlib.figure import Figure

    length, width = size_mm(maps)
    inches_a_mm = min(_BOX_IN[size][0] / length, _BOX_IN[size][1] / width)
    box_w, box_h = length * inches_a_mm, width * inches_a_mm
    room_w, room_h = max(box_w, _LEAST_ROOM_IN[size]), max(box_h, 1.3)
    page_w = _MARGIN_IN["left"] + room_w + _MARGIN_IN["right"]
    low_in = _MARGIN_IN["bottom"]
    page_h = _MARGIN_IN["top"] + room_h + low_in
    figure = Figure(figsize=(page_w, page_h), dpi=dpi)
    bottom = low_in + (room_h - box_h) / 2

    def place(left: float, low: float, wide: float, high: float) -> Axes:
        return figure.add_axes((left / page_w, low / page_h, wide / page_w, high / page_h))

    ax = place(_MARGIN_IN["left"], bottom, box_w, box_h)
    bar = place(_MARGIN_IN["left"] + box_w + 0.4, low_in, 0.17, room_h - 0.32)
    beyond = _fill_axes(
        maps, style, ax, limit=limit, cells=int(dpi * max(box_w, box_h)), bar=bar, size=size
    )
    left = 0.2 / page_w
    figure.text(left, 1 - 0.26 / page_h, style.title, fontsize=11, va="baseline")
    about = f"Lite {house.printable(str(maps.attrs.get('lite_id', '')))}"
    about += f", {length:.0f} × {width:.0f} mm"
    if beyond >= 0.0005:
        about += f"; {100 * beyond:.1f} % of it beyond the scale"
    figure.text(left, 1 - 0.45 / page_h, about, fontsize=8, color=house.GREYS[1], parse_math=False)
    return figure


def _fill_axes(
    maps: xr.Dataset,
    style: FigureStyle,
    ax: Axes,
    *,
    limit: MapLimit | None,
    cells: int,
    bar: Axes | None,
    size: Size = "full",
) -> float:
    """The map with its outline, zones, worst point, legend and bar.

    returns  share of the points with a value that lie beyond the scale
    """
    from matplotlib.patches import Rectangle

    length, width = size_mm(maps)
    ax.add_patch(
        Rectangle(
            (0, 0), length, width, facecolor=house.NO_VALUE, edgecolor=house.NO_VALUE_HATCH,
            hatch="/////", linewidth=0, zorder=0,
        )
    )  # fmt: skip
    x, y = maps["x"].values, maps["y"].values
    half_x, half_y = (x[1] - x[0]) / 2, (y[1] - y[0]) / 2
    extent = (x[0] - half_x, x[-1] + half_x, y[0] - half_y, y[-1] + half_y)
    no_glass = maps["quality"].values == NO_GLASS_QUALITY
    beyond, is_over = 0.0, False
    if style.scale == "classes":
        _classes(maps[style.name], ax, extent=extent, cells=cells)
        if style.name == "zone":
            add_cells(maps, ax)
    else:
        values = np.where(no_glass, np.nan, maps[style.name].values.astype(np.float64))
        low, high = house.scale_ends(
            scaled_values(maps, style.name), style,
            limit=limit.value if limit and (limit.is_general or limit.ends_mm) else None,
        )  # fmt: skip
        known = values[np.isfinite(values)]
        if known.size:
            beyond = float(np.mean((known < low) | (known > high)))
        shown = thinned(values, style, cells)
        if limit is not None and known.size:
            is_over = add_limit(
                maps, style, ax, limit, values=shown, extent=extent, dense=size == "small"
            )
        image = ax.imshow(
            np.ma.masked_invalid(shown.T),
            origin="lower",
            extent=extent,
            cmap=house.colour_map(style.scale),
            vmin=low,
            vmax=high,
            interpolation="nearest",
            zorder=1,
        )
        if np.isfinite(values).any():
            add_bar(image, ax, bar, style, limit=limit, values=values)
        else:
            ax.text(
                length / 2, width / 2, _why_empty(maps), ha="center", va="center", fontsize=9,
                bbox={"facecolor": house.PAPER, "edgecolor": house.GREYS[2], "pad": 5}, zorder=6,
            )  # fmt: skip
    if bar is not None and not bar.images and not bar.collections:
        bar.set_axis_off()
    add_paper(no_glass, ax, extent)
    add_lines(maps, ax, no_glass)
    add_worst(maps, style, ax, ring=13.0 if size == "full" else 9.0)
    add_frame(ax, length, width)
    columns = _LEGEND_COLUMNS[size]
    add_legend(maps, style, ax, limit=limit, is_over=is_over, columns=columns)
    return beyond


def thinned(
    values: npt.NDArray[np.float64], style: FigureStyle, cells: int
) -> npt.NDArray[np.float64]:
    """Blocks of the map, at most ``cells`` along each axis; empty only where the whole block is."""
    steps = [max(1, -(-size // max(cells, 1))) for size in values.shape]
    if steps == [1, 1]:
        return values
    padding = [(0, -size % step) for size, step in zip(values.shape, steps, strict=True)]
    padded = np.pad(values, padding, constant_values=np.nan)
    blocks = padded.reshape(
        padded.shape[0] // steps[0], steps[0], padded.shape[1] // steps[1], steps[1]
    )
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    if style.scale == "signed":
        whole = np.where(known, blocks, 0.0).sum(axis=(1, 3)) / np.maximum(count, 1)
    else:
        whole = np.where(known, blocks, -np.inf).max(axis=(1, 3))
    return np.where(count > 0, whole, np.nan)


def _why_empty(maps: xr.Dataset) -> str:
    if summary_of(maps).get("no_wave"):
        return "no value anywhere:\nno wave above the detection bound"
    return "no value anywhere"


def _classes(
    layer: xr.DataArray, ax: Axes, *, extent: tuple[float, float, float, float], cells: int
) -> None:
    """A map of classes in the order of its flags; the last flag, no glass, is paper."""
    flags = list(np.asarray(layer.attrs["flag_values"]).ravel())
    step = max(1, -(-max(layer.shape) // max(cells, 1)))
    values = layer.values[::step, ::step]
    index = np.full(values.shape, 4, dtype=np.uint8)
    for number, flag in enumerate(flags[:-1]):
        index[values == flag] = number
    ax.imshow(
        index.T, origin="lower", extent=extent, cmap=house.colour_map("classes"), vmin=0, vmax=4,
        interpolation="nearest", zorder=1,
    )  # fmt: skip
