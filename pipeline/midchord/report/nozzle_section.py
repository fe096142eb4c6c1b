"""The nozzles of the quench on the page of a trace: sentences, drawing, signature, table."""

from __future__ import annotations

import base64
from typing import Any

from midchord.nozzles.facts import imprint_sentences, track_name
from midchord.nozzles.imprint import NozzleImprint
from midchord.nozzles.marks import TrackFigures
from midchord.report.nozzle_picture import nozzle_fold, nozzle_grid

__all__ = ["nozzle_section"]

_MOST_ROWS = 40


def nozzle_section(imprint: NozzleImprint | None, refused: str) -> dict[str, Any] | None:
    """What the template shows; None where the machine file describes no nozzles.

    refused  why these maps cannot show the nozzles, "" where they can
    """
    if imprint is None:
        return (
            {"sentences": [refused], "tracks": [], "grid": None, "fold": None} if refused else None
        )
    fold, seen = nozzle_fold(imprint), imprint.columns.registration.is_present
    rows = [] if imprint.rows is None else imprint.rows.tracks
    tracks = [("column", one) for one in imprint.columns.tracks] + [("row", one) for one in rows]
    tracks.sort(key=lambda pair: (not pair[1].judged.is_odd, pair[1].judged.p_value))
    return {
        "sentences": imprint_sentences(imprint),
        "tracks": [_row(what, one) for what, one in tracks[:_MOST_ROWS]],
        "grid": None if not seen else _picture(
            nozzle_grid(imprint),
            "The nozzle grid from above with the odd nozzles marked, and each column against the "
            "usual mark.",
            "Signs: odd nozzles, by kind. Open circles: nozzles that the lites passed; dots: the "
            "others. Below: each column, with its interval; grey: twice the spread in which a "
            "nozzle is usual.",
        ),
        "fold": None if fold is None else _picture(
            fold,
            "The mark of a nozzle folded at the pitch, and the odd columns.",
            "All lites folded at the pitch, which hides odd nozzles, and the odd columns by their "
            "numbers.",
        ),
    }  # fmt: skip


def _row(what: str, one: TrackFigures) -> dict[str, Any]:
    judged = one.judged
    return {
        "name": f"{what} {track_name(one)}",
        "kind": judged.kind,
        "odd": judged.is_odd,
        "depth": _with(one.depth_mm, one.depth_interval, 1000, 2),
        "power": _with(one.power_mdpt, one.power_interval, 1, 0),
        "factor": _with(judged.factor, judged.factor_interval, 1, 2),
        "moved": _with(judged.moved_mm, judged.moved_interval, 1, 1),
        "p": "–" if judged.p_adjusted != judged.p_adjusted else (
            "<0.0001" if judged.p_adjusted < 1e-4 else f"{judged.p_adjusted:.2g}"
        ),
        "lites": str(judged.lites),
    }  # fmt: skip


def _with(value: float | None, ends: tuple[float, float] | None, scale: float, digits: int) -> str:
    if value is None or value != value:
        return "–"
    text = f"{scale * value:.{digits}f}"
    if ends is not None:
        text += f" ({scale * ends[0]:.{digits}f} to {scale * ends[1]:.{digits}f})"
    return text.replace("-", "−")


def _picture(content: bytes, alt: str, caption: str) -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}
