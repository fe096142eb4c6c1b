"""One look for every picture and page: what a figure is called, its unit, its scale, its digits.

*Scales.* Three, each perceptually even (equal steps of the figure are equal steps seen, in
CAM02-UCS) and each running one way in lightness, so that it reads the same in grey and to a
colour-blind eye:

======== ============================== ===========================================
amount   pale straw to aubergine        distortion and depth: the darker, the worse
length   pale green to indigo           wavelength: neither end is worse
signed   navy, grey at zero, pale gold  power, reading, height: dark low, light high
======== ============================== ===========================================

A figure keeps its scale in every picture. The ends of a scale come from the limit where there is
one (two limits' worth of an amount, whatever the lite), otherwise from a coarse 1-2-3-5 ladder, so
that lites of one kind share them. Wavelength, gain and height take their own range: zero means
nothing to the first two, and the height of a lite depends on where it lay. A map of uncertainties
has a ladder of its own and no limit.

*No value* is never a colour of a scale: it is a hatched light grey. Where there is no glass the
paper shows.

*Digits.* A number shows no more digits than its standard uncertainty earns: two digits of an
uncertainty that begins with 1 or 2, else one (after JCGM 100, 7.2.6). The uncertainty of a mean
knows noise and model but not the calibration of the scanner, so no figure shows more than 0.1 um,
0.01 mdpt or, as a wavelength, 0.1 mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.colors import Colormap

__all__ = [
    "CLASS_COLOURS",
    "CONVENTION_NAMES",
    "FIGURES",
    "GREYS",
    "INK",
    "NO_VALUE",
    "NO_VALUE_HATCH",
    "NO_VALUE_TEXT",
    "PAPER",
    "PICTURE_RC",
    "FigureStyle",
    "Scale",
    "amount",
    "colour_map",
    "figure_style",
    "printable",
    "scale_ends",
    "shown",
    "shown_with",
]

Scale = Literal["amount", "length", "signed", "classes"]

INK = "#1b1b1f"
PAPER = "#ffffff"
GREYS = ("#3d3d42", "#6b6b70", "#a6a6aa", "#d4d4d6")
NO_VALUE = "#dcdcde"
NO_VALUE_HATCH = "#8a8a8e"
NO_VALUE_TEXT = "no value"
CLASS_COLOURS = ("#f1efe6", "#a9c0cc", "#b0611f", "#5b2a4e")

# 17 even steps in CAM02-UCS each: lightness J' runs evenly from end to end, hue and chroma follow
_ANCHORS: dict[str, tuple[str, ...]] = {
    "amount": (
        "#f3eeda", "#e7ddb8", "#dfcc96", "#d8b975", "#d3a556", "#d2913a", "#d17c22", "#cf6711",
        "#c4561d", "#b84627", "#ac3831", "#9e2a39", "#8b2842", "#762646", "#612345", "#4c203f",
        "#371b34",
    ),
    "length": (
        "#e9f1e6", "#d4e2d5", "#bfd5c7", "#aac9ba", "#95bcaf", "#80b1a6", "#6aa69e", "#539b98",
        "#3e9093", "#3a838e", "#387687", "#366980", "#355c77", "#334f6e", "#304263", "#2d3557",
        "#28284b",
    ),
    "signed": (
        "#16264b", "#1d3362", "#243f7b", "#354b79", "#465677", "#566076", "#656a78", "#74757b",
        "#82807f", "#928a80", "#a4957e", "#b69f7a", "#caaa74", "#dfb56b", "#f5c062", "#ffd280",
        "#ffe69d",
    ),
}  # fmt: skip

CONVENTION_NAMES = {
    "gauge": "gauge convention",
    "surface": "surface convention",
}

PICTURE_RC: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: the same picture on every machine
    "font.size": 8.5,
    "axes.titlesize": 10,
    "axes.titleweight": "normal",
    "axes.titlelocation": "left",
    "axes.labelsize": 8.5,
    "axes.edgecolor": GREYS[1],
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.unicode_minus": True,
    "text.color": INK,
    "text.usetex": False,
    "xtick.color": GREYS[0],
    "ytick.color": GREYS[0],
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "hatch.linewidth": 0.6,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.hashsalt": "midchord",  # the same maps give the same bytes
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
}


@dataclass(frozen=True)
class FigureStyle:
    """How one mapped figure is named and drawn.

    name        of the variable in the maps
    label       as a heading, without unit
    unit        as printed; "" for a ratio or a class
    scale       which of the scales
    convention  "gauge" or "surface"; None where the figure has no convention
    summary     key of the figure in the summary; None where it is not summarised
    meaning     one clause for a reader who does not know midchord
    """

    name: str
    label: str
    unit: str
    scale: Scale
    convention: str | None = None
    summary: str | None = None
    meaning: str = ""

    @property
    def title(self) -> str:
        """Label with its convention, where it has one."""
        named = CONVENTION_NAMES.get(self.convention or "")
        return f"{self.label}, {named}" if named else self.label

    @property
    def is_uncertainty(self) -> bool:
        """Whether it maps the standard uncertainty of another figure."""
        return self.name.startswith("u_")

    @property
    def finest(self) -> int:
        """Power of ten of the last digit that is ever shown."""
        if self.scale == "length":
            return -1
        return -4 if self.unit == "mm" else -2


def _styles() -> dict[str, FigureStyle]:
    gauge = "from the swing of the three-point reading"
    surface = "from the true peak-to-valley of the surface"
    main = (
        FigureStyle(
            "gauge_distortion", "Distortion", "mdpt", "amount", "gauge",
            "gauge_distortion_mdpt", gauge,
        ),
        FigureStyle(
            "surface_distortion", "Distortion", "mdpt", "amount", "surface",
            "surface_distortion_mdpt", surface,
        ),
        FigureStyle("depth", "Depth W", "mm", "amount", "gauge", "depth_mm", gauge),
        FigureStyle(
            "surface_depth", "Depth W", "mm", "amount", "surface", "surface_depth_mm", surface
        ),
        FigureStyle(
            "wavelength", "Wavelength L", "mm", "length", None, "wavelength_mm",
            "full wavelength around each half wave",
        ),
        FigureStyle(
            "power_x", "Reflected power along x", "mdpt", "signed",
            meaning="twice the curvature along the travel; positive where the face is concave",
        ),
        FigureStyle(
            "power_y", "Reflected power along y", "mdpt", "signed",
            meaning="twice the curvature across the travel; positive where the face is concave",
        ),
        FigureStyle(
            "reading", "Three-point reading", "mm", "signed",
            meaning="what the dial of the virtual gauge shows, plunger on each point",
        ),
        FigureStyle(
            "residual", "Height, bow and edge lift removed", "mm", "signed",
            meaning="what is left of the surface for the gauge to ride on",
        ),
        FigureStyle(
            "height", "Height as placed", "mm", "signed", meaning="nothing removed, as supported"
        ),
        FigureStyle(
            "gain", "Gain of the gauge", "", "length",
            meaning="swing of the dial per true peak-to-valley: 2 at best, 0 where it is blind",
        ),
        FigureStyle(
            "zone", "Zones of the lite", "", "classes",
            meaning="Where the contacts of the gauge stand; thin: the cells of the zone table.",
        ),
        FigureStyle(
            "quality", "Quality of the scan", "", "classes",
            meaning="Where the scan was measured, filled, cleaned of a spike or left empty.",
        ),
    )  # fmt: skip
    doubts = tuple(
        FigureStyle(
            f"u_{style.name}",
            f"Standard uncertainty: {style.label[0].lower()}{style.label[1:]}",
            style.unit,
            "amount",
            style.convention,
        )
        for style in main[:5]
    )
    return {style.name: style for style in (*main, *doubts)}


FIGURES: Mapping[str, FigureStyle] = _styles()
"""Every figure that can be drawn, in the order in which a reader wants them."""


def figure_style(name: str) -> FigureStyle:
    """Style of a mapped figure; ``name`` may also be its key in the summary (with the unit)."""
    if name in FIGURES:
        return FIGURES[name]
    return next(style for style in FIGURES.values() if style.summary == name)


def colour_map(scale: Scale) -> Colormap:
    """Colour map of a scale; "bad" is transparent, so that the hatch under the map shows."""
    from matplotlib.colors import LinearSegmentedColormap, ListedColormap

    if scale == "classes":
        return ListedColormap([*CLASS_COLOURS, PAPER])
    colours = LinearSegmentedColormap.from_list(f"midchord_{scale}", _ANCHORS[scale], N=256)
    return colours.with_extremes(bad=(0.0, 0.0, 0.0, 0.0))


def scale_ends(
    values: npt.NDArray[Any], style: FigureStyle, *, limit: float | None = None
) -> tuple[float, float]:
    """Ends of the colour bar.

    values   any shape, in the unit of the figure; NaN is left out
    limit    a positive amount: the bar of an amount then ends at twice the limit, whatever the
             lite; that of a signed figure holds the limit on both sides where values come near
    returns  (low, high); a signed scale is symmetric about zero, but for the height
    """
    finite = np.asarray(values, dtype=np.float64)
    finite = finite[np.isfinite(finite)]
    asked = limit if limit is not None and limit > 0 and not style.is_uncertainty else None
    if style.scale == "amount" and asked is not None:
        return 0.0, 2.0 * asked
    if finite.size == 0:
        return (-1.0, 1.0) if style.scale == "signed" else (0.0, 1.0)
    if style.name == "gain":
        return _own_range(finite, 0.1)
    if style.scale == "length":
        return _own_range(finite, 50.0)
    if style.name == "height":
        low, high = np.percentile(finite, (0.2, 99.8))
        return _own_range(finite, _ladder(float(high - low)) / 10)
    top = _ladder(float(np.percentile(np.abs(finite), 99.8)))
    if style.scale == "amount":
        return 0.0, top
    if asked is not None and top > 0.5 * asked:
        top = min(2.0 * asked, max(top, 1.25 * asked))
    return -top, top


def _own_range(finite: npt.NDArray[np.float64], step: float) -> tuple[float, float]:
    """Whole steps around all but the last half percent at either end."""
    low, high = np.percentile(finite, (0.5, 99.5)) / step
    first = math.floor(low + 1e-6)
    return step * first, step * max(first + 1, math.ceil(high - 1e-6))


def _ladder(value: float) -> float:
    """Smallest of 1, 2, 3, 5 times a power of ten that holds the value."""
    if not value > 0:
        return 1.0
    decade = 10.0 ** math.floor(math.log10(value))
    for step in (1.0, 2.0, 3.0, 5.0):
        if value <= step * decade * (1 + 1e-9):
            return step * decade
    return 10.0 * decade


def shown(value: float | None, uncertainty: float | None = None, *, finest: int = -99) -> str:
    """A number with no more digits than its standard uncertainty earns.

    value        None or NaN is "no value"
    uncertainty  standard uncertainty in the same unit; three significant digits are shown where
                 it is unknown
    finest       power of ten of the last digit that may be shown
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE_TEXT
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        place = -2 if value == 0 else math.floor(math.log10(abs(value))) - 2
    else:
        place = _last_place(uncertainty)
    return _rounded(value, max(finest, min(place, 0) if uncertainty is None else place))


def shown_with(value: float | None, uncertainty: float | None, *, finest: int = -99) -> str:
    """The number and its standard uncertainty, to the same place: ``0.061 ± 0.004``.

    An uncertainty of less than the last digit that may be shown is so named: ``± <0.0001``.
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE_TEXT
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        return shown(value, finest=finest)
    number = shown(value, uncertainty, finest=finest)
    if uncertainty < 10.0**finest:
        return f"{number} ± <{_rounded(10.0**finest, finest)}"
    return f"{number} ± {_rounded(uncertainty, max(finest, _last_place(uncertainty)))}"


def amount(value: float | None, unit: str) -> str:
    """Two digits and the unit: for what has no uncertainty of its own."""
    if value is None:
        return NO_VALUE_TEXT
    half_step = 5 * 10.0 ** (math.floor(math.log10(abs(value))) - 1) if value else 0.5
    return f"{shown(value, half_step)} {unit}"


def _last_place(uncertainty: float) -> int:
    """Power of ten of the last digit that is shown."""
    leading, exponent = f"{uncertainty:.1e}".split("e")
    return int(exponent) - (1 if leading[0] in "12" else 0)


def _rounded(value: float, place: int) -> str:
    step = Decimal(1).scaleb(place)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_EVEN)
    if rounded == 0:
        rounded = abs(rounded)
    return f"{rounded:f}".replace("-", "−")


def printable(text: str, longest: int = 48) -> str:
    """Text from a file as it can stand in a picture: one line, of glyphs that the font has."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family=[PICTURE_RC["font.family"]])))
    kept = "".join(
        c if c.isprintable() and font.get_char_index(ord(c)) else "\N{REPLACEMENT CHARACTER}"
        for c in text
    )
    return kept if len(kept) <= longest else kept[: longest - 1] + "…"
