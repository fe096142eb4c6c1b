"""What the imprint says, as facts for a file (unrounded) and as sentences for people.

The sentences come in the order in which a process engineer asks: is there an imprint, which nozzles
are odd, how sure, and what these lites cannot show.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from midchord.nozzles.imprint import NozzleImprint
from midchord.nozzles.marks import Marks, TrackFigures

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["imprint_facts", "imprint_headlines", "imprint_sentences", "nozzle_table", "track_name"]

READINGS = {
    "weak": "weaker than usual: blocked in part, or low pressure",
    "not there": "not there: missing or blocked",
    "opposite": "opposite to the others: missing, and its neighbours' air turns the mark round",
    "strong": "stronger than usual",
    "beside its place": "beside its place: misaligned",
    "stands out": "different from its neighbours",
    "moves with the glass": "something that lies on the glass itself, no nozzle",
}  # fmt: skip


def imprint_facts(imprint: NozzleImprint) -> dict[str, Any]:
    """A dict for strict JSON."""
    return {
        "sentences": imprint_sentences(imprint),
        "lites": imprint.lite_ids,
        "left_out": [{"lite_id": name, "reason": why} for name, why in imprint.left_out],
        "face": imprint.face,
        "columns": _marks(imprint.columns),
        "rows_allowed": imprint.rows_allowed._asdict(),
        "rows": None if imprint.rows is None else _marks(imprint.rows),
        "settings": imprint.settings.model_dump(),
    }


def _marks(marks: Marks) -> dict[str, Any]:
    found, bell = marks.registration, marks.bell
    return {
        "imprint_seen": found.is_present,
        "p_value": found.p_present,
        "pitch_mm": found.pitch_mm if found.is_present else None,
        "u_pitch_mm": found.u_pitch_mm if found.is_present else None,
        "numbers_absolute": found.is_absolute,
        "numbers_refused": marks.refused or None,
        "scatter_mm": found.scatter_mm,
        "offset_mm": bell.at * found.pitch_mm,
        "mark_sd_mm": bell.sd_mm,
        "mark_sd_fitted": bell.is_fitted,
        "mark_misfit": bell.misfit,
        "usual_mm": marks.usual_mm,
        "spread_mm": marks.spread_mm,
        "spread_place_mm": marks.spread_place_mm,
        "folded": {"at_mm": marks.u_mm, "height_mm": marks.folded_mm},
        "registered": [
            {
                "lite_id": one.lite_id, "column_at_centre": one.kappa,
                "u_place_mm": one.u_kappa * found.pitch_mm, "pitch_mm": one.pitch_mm,
                "slant": one.slant,
            }
            for one in found.lites
        ],
        "nozzles": [_track(one) for one in marks.tracks],
        "odd": [track_name(one) for one in marks.odd],
    }  # fmt: skip


def _track(one: TrackFigures) -> dict[str, Any]:
    judged = one.judged
    return {
        "number": judged.track.column,
        "rows": judged.track.rows or None,
        "kind": judged.kind,
        "depth_mm": _finite(one.depth_mm),
        "depth_interval": _ends(one.depth_interval),
        "power_mdpt": _finite(one.power_mdpt),
        "power_interval": _ends(one.power_interval),
        "deviation_mm": _finite(judged.deviation_mm),
        "deviation_interval": _ends(judged.deviation_interval),
        "factor": _finite(judged.factor),
        "factor_interval": _ends(judged.factor_interval),
        "moved_mm": _finite(judged.moved_mm),
        "moved_interval": _ends(judged.moved_interval),
        "p_value": _finite(judged.p_value),
        "p_adjusted": _finite(judged.p_adjusted),
        "fixed_to": judged.fixed_to,
        "lites": judged.lites,
        "profile_mm": [_finite(value) for value in one.profile_mm],
    }


def nozzle_table(imprint: NozzleImprint | None) -> pd.DataFrame:
    """Every nozzle track, one a row: columns first, then rows; intervals in two cells. Empty where
    there is no imprint."""
    import pandas as pd

    lines = []
    found = () if imprint is None else (("column", imprint.columns), ("row", imprint.rows))
    for what, marks in found:
        for one in [] if marks is None else marks.tracks:
            facts = {"of": what, **_track(one)}
            del facts["profile_mm"]
            for key in [key for key in facts if key.endswith("_interval")]:
                facts[f"{key}_low"], facts[f"{key}_high"] = facts.pop(key) or (None, None)
            lines.append(facts)
    return pd.DataFrame(
        lines, columns=list(lines[0]) if lines else ["of", "number", "rows", "kind"]
    )


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _ends(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else [float(end) for end in interval]


def track_name(one: TrackFigures) -> str:
    """``12``, or ``12, odd rows``."""
    track = one.judged.track
    return f"{track.column}, {track.rows}" if track.rows else f"{track.column}"


def imprint_headlines(imprint: NozzleImprint) -> list[str]:
    """Whether there is an imprint, and which nozzles are odd."""
    said = _about(imprint.columns, "column")
    if imprint.rows is not None:
        said += _about(imprint.rows, "row")
    return said


def imprint_sentences(imprint: NozzleImprint) -> list[str]:
    """Sentences, the most important first."""
    said = imprint_headlines(imprint)
    if not imprint.rows_allowed.allowed:
        said.append(f"Rows of nozzles are not told apart: {imprint.rows_allowed.reason}.")
    said += _places(imprint)
    said += _faces(imprint)
    said += [f"Lite {name} was left out: {why}." for name, why in imprint.left_out]
    return said


def _about(marks: Marks, what: str) -> list[str]:
    found = marks.registration
    if not found.is_present:
        return [
            f"No imprint of the nozzles is seen at their pitch ({what}s), and no nozzle is called "
            f"odd (p = {found.p_present:.2g})."
        ]
    stands = "sinks in" if marks.bell.size_mm < 0 else "stands up"
    said = [
        f"The imprint of the nozzles is seen, {found.pitch_mm:.2f} ± {2 * found.u_pitch_mm:.2f} mm "
        f"from {what} to {what} in the cold lite; the usual mark {stands} by "
        f"{1000 * np.ptp(marks.folded_mm):.2g} µm."
    ]
    if marks.refused:
        return [*said, f"Nozzles are not told apart by number ({what}s): {marks.refused}."]
    odd = marks.odd
    tested = len({one.judged.track.column for one in marks.tracks})
    if not odd:
        said.append(f"None of {tested} {what}s of nozzles is odd.")
    for one in odd:
        said.append(_odd(one, what))
    for one in marks.tracks:
        if one.judged.kind == "moves with the glass":
            said.append(
                f"What is seen at {what} {track_name(one)} moves with the glass: it is none of the "
                "machine."
            )
    return said


def _odd(one: TrackFigures, what: str) -> str:
    judged = one.judged
    detail = []
    if judged.factor is not None:
        text = f"{judged.factor:.2f} of the usual mark"
        if judged.factor_interval:
            low, high = judged.factor_interval
            text += f" ({low:.2f} to {high:.2f})"
        detail.append(text)
    else:
        detail.append(f"{1000 * judged.deviation_mm:+.2g} µm from the usual height")
    lites = f"{judged.lites} lite{'' if judged.lites == 1 else 's'}"
    if judged.moved_mm is not None and judged.kind == "beside its place":
        side = "right" if judged.moved_mm > 0 else "left"
        detail.append(f"{abs(judged.moved_mm):.1f} mm to the {side}")
    detail.append(f"p = {judged.p_adjusted:.2g} corrected, {lites}")
    if what == "row":
        detail = [text.replace("to the right", "further back").replace("to the left", "further on")
                  for text in detail]  # fmt: skip
    reading = READINGS[judged.kind]
    return f"{what.capitalize()} {track_name(one)} is {reading} ({'; '.join(detail)})."


def _places(imprint: NozzleImprint) -> list[str]:
    marks = imprint.columns
    found, said = marks.registration, []
    if not found.is_present:
        return []
    if not found.is_absolute:
        said.append(
            "The place of the lites across the machine is not known: columns are counted from the "
            "left-hand edge of the lites, as if all were guided alike, and their numbers may be "
            "off by whole pitches, the same for all."
        )
    elif abs(marks.bell.at) > 0.25 * marks.grid.gap_mm / marks.grid.pitch_mm:
        said.append(
            f"The marks lie {marks.bell.at * found.pitch_mm:+.1f} mm from where drawing and places "
            "put the nozzles: numbers may be off by one."
        )
    if not marks.bell.is_clear:
        said.append(
            "Hollows and rises of the imprint are alike, so that it does not show by itself which "
            "of them lie under the nozzles: "
            + ("those nearer to the drawing are taken." if found.is_absolute else
               "the deeper are taken.")
        )  # fmt: skip
    if len(found.lites) > 1 and found.scatter_mm > marks.grid.gap_mm / 6:
        said.append(
            f"Lites lie {found.scatter_mm:.1f} mm (standard deviation) off their places, and "
            f"tracks of nozzles {marks.grid.gap_mm:.1f} mm apart: single lites may have been "
            "laid a track further."
        )
    if not marks.refused and marks.usual_mm is None:
        said.append(
            "The marks melt into an even surface, so that a nozzle can stand out but its share of "
            "the usual mark cannot be read."
        )
    if len(found.lites) < imprint.settings.bootstrap_lites:
        said.append(
            f"Intervals need at least {imprint.settings.bootstrap_lites} lites and are not given."
        )
    if marks.grid.names != ("",) or not imprint.rows_allowed.allowed:
        said.append(
            "A column is marked by all nozzles that the glass passed: one odd nozzle of many in a "
            "column shows by its share only."
        )
    return said


def _faces(imprint: NozzleImprint) -> list[str]:
    assert imprint.machine.nozzles is not None
    blown, face = imprint.machine.nozzles.blow_off, imprint.face
    if blown == "both":
        return []
    if face is None:
        return [f"These nozzles blow on the {blown} face, and which face was scanned is not known."]
    if face != blown:
        return [
            f"These nozzles blow on the {blown} face, and the {face} one was scanned: what is seen "
            "is of the nozzles on that side, or came through the glass."
        ]
    return []
