"""The coarse picture of a file, with its corners marked, for a person to confirm or to correct.

x runs to the right from the leading edge, y up from the left-hand edge, so the lite travels to the
left, as in every map. The plane of the heights is taken off, so that what tells the corners apart
shows. Nothing but a description confirms the axes: a proposal is marked as one.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from midchord.identify import Identity, Preview
from midchord.report import house_style as house
from midchord.report.map_marks import travel_arrow

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["draw_identity", "identity_picture_bytes"]

_BOX_IN = (6.2, 4.2)
_LEAST_IN = (2.6, 1.6)
_MARGIN_IN = {"left": 1.0, "right": 1.4, "top": 1.1, "bottom": 1.0}
SPIKES = 4
"""Points that may lie beyond the colours of a bump."""
_CORNERS = (
    ("leading left", 0, 0),
    ("leading right", 0, 1),
    ("trailing left", 1, 0),
    ("trailing right", 1, 1),
)


def draw_identity(identity: Identity, *, dpi: float = 150.0) -> Figure | None:
    """The picture; None where there is nothing to show of the file."""
    import matplotlib
    from matplotlib.figure import Figure

    preview = identity.preview
    if preview is None or not np.isfinite(preview.height).any():
        return None
    room = min(_BOX_IN[0] / preview.size[0], _BOX_IN[1] / preview.size[1])
    box = [max(least, room * size) for least, size in zip(_LEAST_IN, preview.size, strict=True)]
    width = box[0] + _MARGIN_IN["left"] + _MARGIN_IN["right"]
    height = box[1] + _MARGIN_IN["top"] + _MARGIN_IN["bottom"]
    with matplotlib.rc_context(house.PICTURE_RC):
        figure = Figure(figsize=(width, height), dpi=dpi, facecolor=house.PAPER)
        place = (_MARGIN_IN["left"] / width, _MARGIN_IN["bottom"] / height)
        ax = figure.add_axes((*place, box[0] / width, box[1] / height))
        bar = figure.add_axes(
            (place[0] + (box[0] + 0.35) / width, place[1], 0.14 / width, box[1] / height)
        )
        levelled = _levelled(preview.height)
        ends = _ends(levelled, keeps_bumps=identity.target is not None)
        ax.set_facecolor(house.NO_VALUE)
        image = ax.imshow(
            levelled.T, origin="lower", extent=_extent(preview),
            cmap=house.colour_map("signed"), vmin=ends[0], vmax=ends[1], aspect="auto",
            interpolation="nearest",
        )  # fmt: skip
        figure.colorbar(image, cax=bar, extend="both")
        said = f"{preview.height_unit}, less a plane".replace(", ", ",\n")  # the margin is narrow
        bar.set_title(said, fontsize=8, loc="left")
        if preview.axes is not None or preview.is_confirmed:
            _mark_corners(ax, is_confirmed=preview.is_confirmed)
            _mark_first(ax, preview)
            travel_arrow(ax)
            ax.set_xlabel(f"x / {preview.unit}")
            ax.set_ylabel(f"y / {preview.unit}")
        else:  # no corner has a name as long as nobody has said what the columns are
            ax.set_xlabel("column taken for x / as stored")
            ax.set_ylabel("column taken for y / as stored")
        _title(figure, identity, preview, height)
    return figure


def identity_picture_bytes(identity: Identity) -> bytes | None:
    """The picture as PNG; None where there is nothing to show. The same file, the same bytes."""
    import matplotlib

    figure = draw_identity(identity)
    if figure is None:
        return None
    content = io.BytesIO()
    with matplotlib.rc_context(house.PICTURE_RC):
        figure.savefig(content, format="png", metadata={"Software": "midchord"})
    return content.getvalue()


def _levelled(height: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Less a plane through the points between the outer tenths, so that bumps do not tilt it."""
    u, v = np.mgrid[-1 : 1 : height.shape[0] * 1j, -1 : 1 : height.shape[1] * 1j]
    design = np.column_stack([np.ones(height.size), u.ravel(), v.ravel()])
    values = height.ravel()
    keep = np.isfinite(values)
    off = values
    for _ in range(3):
        if keep.sum() < 4:
            break
        off = values - design @ np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        low, high = np.percentile(off[np.isfinite(off)], (10, 90))
        keep = np.isfinite(off) & (off >= low) & (off <= high)
    result: npt.NDArray[np.float64] = off.reshape(height.shape)
    return result


def _extent(preview: Preview) -> tuple[float, float, float, float]:
    (x, y), (along, across) = preview.start, preview.size
    return x, x + along, y, y + across


def _ends(levelled: npt.NDArray[np.float64], *, keeps_bumps: bool) -> tuple[float, float]:
    """Ends of the colours: without single spikes, and with the tops of bumps where those matter."""
    finite = np.sort(levelled[np.isfinite(levelled)])
    low, high = np.percentile(finite, (0.2, 99.8))
    if keeps_bumps:
        spikes = min(SPIKES, (finite.size - 1) // 2)
        low, high = finite[spikes], finite[-1 - spikes]
    if low == high:
        return float(low) - 1.0, float(high) + 1.0
    return float(low), float(high)


def _mark_corners(ax: Axes, *, is_confirmed: bool) -> None:
    """Names in bold ink only where somebody has said so; a proposal stands in grey, with a ?."""
    for name, x, y in _CORNERS:  # beside the picture, so that nothing in a corner is hidden
        said = name if is_confirmed else f"{name}?"
        ax.annotate(
            said, (x, y), xycoords="axes fraction", xytext=(0, 6 if y else -19),
            textcoords="offset points", ha="right" if x else "left", va="bottom" if y else "top",
            fontsize=8.5, color=house.INK if is_confirmed else house.GREYS[0],
            fontweight="bold" if is_confirmed else "normal",
        )  # fmt: skip
    ax.plot([0, 0], [0, 1], transform=ax.transAxes, color=house.INK, linewidth=4, clip_on=False)
    for text, at, offset, turn in (
        ("leading edge", (0, 0.5), (-46, 0), 90),
        ("left-hand edge", (0.5, 0), (0, -40), 0),
        ("right-hand edge", (0.5, 1), (0, 6), 0),
    ):
        ax.annotate(
            text, at, xycoords="axes fraction", xytext=offset, textcoords="offset points",
            rotation=turn, ha="center", va="bottom" if offset[1] > 0 else "center", fontsize=8,
            color=house.GREYS[0],
        )  # fmt: skip


def _mark_first(ax: Axes, preview: Preview) -> None:
    """Where the first stored number lies, so that rows and columns can be told in the file."""
    if preview.axes is None or preview.is_confirmed:
        return
    at = {axis[-1]: 1.0 if axis.startswith("-") else 0.0 for axis in preview.axes}
    ax.plot(
        [at["x"]], [at["y"]], transform=ax.transAxes, marker="o", markersize=7, clip_on=False,
        markerfacecolor=house.PAPER, markeredgecolor=house.INK, linestyle="none", zorder=6,
    )  # fmt: skip


def _title(figure: Figure, identity: Identity, preview: Preview, height_in: float) -> None:
    name = house.printable(identity.path.name)
    if preview.is_confirmed:
        second = "as the file and the source description say; the plane of the heights is taken off"
    elif preview.axes is not None:
        second = (
            f"PROPOSED, not confirmed: axes = {list(preview.axes)}; the ring is the first number "
            "in the file"
        )
    else:
        second = "columns taken for x and y, as stored: nothing is known of the axes"
    figure.text(0.02, 1 - 0.16 / height_in, name, fontsize=10, va="top", parse_math=False)
    figure.text(
        0.02, 1 - 0.4 / height_in, second, fontsize=7.5, va="top", color=house.GREYS[0],
        parse_math=False,
    )  # fmt: skip
