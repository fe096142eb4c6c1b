"""What the tags of a TIFF say in words about heights and pitch.

Two programs' conventions are clear enough to be believed:

GDAL    tag 42112, XML: items with the roles ``scale``, ``offset`` and ``unittype``; tag 42113: the
        number that means "no data" (GDAL documentation, GTiff driver)
ImageJ  ``unit`` in the description, with pixels per unit in the resolution tags and no unit of
        their own there; ``c0``, ``c1`` and ``vunit`` with ``cf=0``, a straight line from numbers to
        values (ImageJ, TiffEncoder and Calibration)
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from midchord_io.errors import UnsupportedScan
from midchord_io.ingest.along import Along
from midchord_io.source import known_unit

__all__ = ["along_of_page", "resolution_note", "stated_of"]

GDAL_METADATA, GDAL_NODATA = 42112, 42113
MOST_XML_BYTES = 2**20
NO_UNIT, INCH, CENTIMETRE = 1, 2, 3
ROLES = {"scale": "scale_factor", "offset": "add_offset", "unittype": "units"}
TEXT_TAGS = ("ImageDescription", "DateTime", "Make", "Model", "Software", "Artist")


def stated_of(file: Any, page: Any, where: str) -> tuple[dict[str, Any], dict[str, str]]:
    """Attributes by CF that the tags state, and the texts that ``attr:NAME`` may name.

    Raises  UnsupportedScan where heights are stated in a way that is no straight line
    """
    attrs: dict[str, Any] = {**_of_gdal(page), **_of_imagej(file, where)}
    texts = {name: str(page.tags[name].value) for name in TEXT_TAGS if name in page.tags}
    return attrs, {name: text for name, text in texts.items() if text}


def along_of_page(file: Any, page: Any) -> tuple[Along | None, Along | None]:
    """Positions of rows and columns, where ImageJ states a unit of length."""
    unit = _imagej(file).get("unit") if file.is_imagej else None
    known = known_unit(str(unit).replace("\\u00B5", "µ")) if unit is not None else None
    if known is None or _resolution_unit(page) != NO_UNIT:
        return None, None
    along: list[Along | None] = []
    for name, count in zip(("YResolution", "XResolution"), page.shape, strict=True):
        per_unit = _resolution(page, name)
        pitch = None if per_unit is None else 1.0 / per_unit
        along.append(None if pitch is None else Along(np.arange(count) * pitch, known))
    return along[0], along[1]


def resolution_note(page: Any) -> tuple[str, ...]:
    """What the resolution tags would mean, for a person to judge."""
    unit = {INCH: ("inch", 25.4), CENTIMETRE: ("cm", 10.0)}.get(_resolution_unit(page))
    across, down = _resolution(page, "XResolution"), _resolution(page, "YResolution")
    if unit is None or across is None or down is None:
        return ()
    name, in_mm = unit
    return (
        f"The resolution tags say {across:g} x {down:g} dots per {name}, a pitch of "
        f"{in_mm / across:g} mm along a row and {in_mm / down:g} mm along a column if they speak "
        "of the scan; mostly they are meant for a printer, so they are not believed.",
    )


def _of_gdal(page: Any) -> dict[str, Any]:
    attrs: dict[str, Any] = {}
    if GDAL_NODATA in page.tags:
        number = _number(str(page.tags[GDAL_NODATA].value).strip(" \0"))
        if number is not None:
            attrs["_FillValue"] = number
    text = str(page.tags[GDAL_METADATA].value) if GDAL_METADATA in page.tags else ""
    if not text or len(text) > MOST_XML_BYTES:
        return attrs
    from defusedxml.ElementTree import fromstring

    for item in fromstring(text).iter("Item"):
        name = ROLES.get(str(item.get("role")).lower())
        value = (item.text or "").strip()
        if name == "units" and value:
            attrs[name] = value
        elif name and (number := _number(value)) is not None:
            attrs[name] = number
    return attrs


def _of_imagej(file: Any, where: str) -> dict[str, Any]:
    said = _imagej(file)
    function = said.get("cf")
    if function is None:
        return {}
    slope, start = _number(str(said.get("c1"))), _number(str(said.get("c0")))
    if str(function) != "0" or slope is None or start is None:
        raise UnsupportedScan(
            where,
            found=f"heights that ImageJ calibrates by no straight line (cf={function})",
            needed="a straight line from numbers to heights",
            do="write the heights themselves as 32-bit floats",
        )
    unit = said.get("vunit")
    attrs: dict[str, Any] = {"scale_factor": slope, "add_offset": start}
    if unit:
        attrs["units"] = str(unit).replace("\\u00B5", "µ")
    return attrs


def _imagej(file: Any) -> Mapping[str, Any]:
    return (file.imagej_metadata or {}) if file.is_imagej else {}


def _resolution_unit(page: Any) -> int:
    tag = page.tags.get("ResolutionUnit")
    return INCH if tag is None else int(tag.value)  # TIFF 6.0: inch is the default


def _resolution(page: Any, name: str) -> float | None:
    """Pixels per unit, None where the tag is not there or is no number above 0."""
    tag = page.tags.get(name)
    if tag is None:
        return None
    above, below = tag.value
    if not (above and below):
        return None
    ratio = float(above) / float(below)
    return ratio if math.isfinite(ratio) and ratio > 0 else None


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None
