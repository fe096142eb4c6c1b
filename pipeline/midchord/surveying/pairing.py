"""Hand readings beside the readings of their gauge's twin, one pair a row.

A reading is paired with what the twin reads there on average; what cannot be paired keeps its
reason. Swings, the difference of neighbouring marks of one walk along a line, are pairs of their
own: bow, which shifts every reading alike, cancels in them.

*On average*: a plunger is put down some mm off its place, each time by others, and reads the glass
where it then stands. Anywhere on a lite that goes up as often as down. Off a peak it always reads
low and off a valley always high, so the swings of a line survey come out too small, all of them.
So the twin is taken as the mean of its map over where the hand may have stood (``scan_mm``), and
what the twin reads at the stated place itself stands beside it (``twin_mm``, their difference
``place_mean_mm``). This holds for spots, which are stated before they are read, and for lines
taken as they should be: marks set and measured first, the plunger put onto them afterwards. Whoever
instead slides the gauge at each mark until the dial turns reads the peak itself: there a hand is
off by what the tape is off, 1 mm or so, and that is the placement to state.

Each pair carries the standard uncertainties that go into its budget (JCGM 100): of the twin, from
the noise of the scan; of the dial, its resolution over the square root of twelve; of the place,
the slope of the twin's map times how far a hand is off, with the curvature in second order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.twin_field import GRADIENT_STEP_MM, MappedLite, TwinField
from midchord_io.errors import SettingsError, SurveyError
from midchord_io.gauge_card import GaugeCard
from midchord_io.survey import Survey

__all__ = [
    "PAIR_COLUMNS",
    "Paired",
    "lites_of",
    "pair_readings",
    "place_uncertainty",
    "swings_of",
]

Floats = npt.NDArray[np.float64]

LARGEST_PLACEMENT_MM = 100.0
SAME_MARK_MM = 25.0
"""Marks of a line that near are one peak or valley: waves of 120 mm have them 60 mm apart."""

PAIR_COLUMNS = (
    "row",
    "lite_id",
    "gauge",
    "operator",
    "repeat",
    "spot",
    "x_mm",
    "y_mm",
    "gauge_mm",
    "scan_mm",
    "twin_mm",
    "place_mean_mm",
    "u_gauge_mm",
    "u_scan_mm",
    "u_place_mm",
    "place_sd_mm",
)


class Paired(NamedTuple):
    """Pairs of one gauge.

    singles   one row a reading, PAIR_COLUMNS; line surveys also line (label of the walk), mark
    swings    one row a half wave of a line survey, PAIR_COLUMNS (row, place: of the second mark)
    unpaired  row, lite_id, reason
    twins     lite_id -> field of the twin
    """

    singles: pd.DataFrame
    swings: pd.DataFrame
    unpaired: pd.DataFrame
    twins: Mapping[str, TwinField]


def pair_readings(
    survey: Survey,
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
    *,
    placement_sd_mm: float,
) -> Paired:
    """Pair the readings that one gauge made.

    lites            lite_id -> maps, for every lite of the survey
    placement_sd_mm  how far a hand is off its stated place, standard deviation along each axis
    Raises           SurveyError: a lite without maps, a place off the lite, a reading before the
                     scan; with the row
    """
    if not 0 <= placement_sd_mm <= LARGEST_PLACEMENT_MM:
        raise SettingsError(
            "placement_sd_mm",
            found=f"hands that are off by {placement_sd_mm:g} mm",
            needed=f"between 0 and {LARGEST_PLACEMENT_MM:g} mm",
            do="correct it",
        )
    own = survey.readings[survey.readings["gauge"] == card.gauge]
    pairs: list[pd.DataFrame] = []
    twins: dict[str, TwinField] = {}
    for lite_id, rows in own.groupby("lite_id", sort=False):
        lite = _lite_of(str(lite_id), rows, survey, lites)
        twin = lite.twin(card)
        twins[lite.lite_id] = twin
        placed = survey.on_lite_frame(lite.length_mm, lite.width_mm, lite_id=str(lite_id))
        placed = placed[placed["gauge"] == card.gauge]
        _check_dates(placed, lite, survey.where)
        pairs.append(
            _pairs_on(placed, rows.loc[placed.index], card, twin, survey.kind, placement_sd_mm)
        )
    if not pairs:
        nothing = pd.DataFrame(columns=PAIR_COLUMNS)
        return Paired(nothing, nothing, pd.DataFrame(columns=["row", "lite_id", "reason"]), twins)
    table = pd.concat(pairs, ignore_index=True)
    reasons = _reasons(table)
    unpaired = table.loc[reasons != "", ["row", "lite_id"]].assign(reason=reasons[reasons != ""])
    singles = table[reasons == ""].reset_index(drop=True)
    swings = swings_of(singles) if survey.kind == "lines" else singles.iloc[:0]
    return Paired(singles, swings, unpaired.reset_index(drop=True), twins)


def _lite_of(
    lite_id: str, rows: pd.DataFrame, survey: Survey, lites: Mapping[str, MappedLite]
) -> MappedLite:
    if lite_id in lites:
        return lites[lite_id]
    raise SurveyError(
        f"{survey.where}, row {rows.iloc[0]['row']}",
        found=f"a reading on lite {lite_id!r}",
        needed=f"maps of that lite (there are: {', '.join(sorted(lites)) or 'none'})",
        do="name its maps, too, or correct lite_id",
    )


def _check_dates(rows: pd.DataFrame, lite: MappedLite, where: str) -> None:
    scanned = pd.Timestamp(str(lite.summary["scanned_at"]))
    if scanned.tzinfo is None:
        scanned = scanned.tz_localize("UTC")
    for row, read_at in zip(rows["row"], rows["read_at"], strict=True):
        if pd.isna(read_at):
            continue
        moment = pd.Timestamp(read_at)
        moment = moment.tz_localize("UTC") if moment.tzinfo is None else moment
        # a bare date is midnight: the whole of the scan's day counts as after it
        if moment.floor("D") < scanned.floor("D"):
            raise SurveyError(
                f"{where}, row {row}",
                found=f"a reading of {moment:%Y-%m-%d} on lite {lite.lite_id}",
                needed=f"one made after it was scanned, {scanned:%Y-%m-%d}",
                do="correct the date, or name the scan that the survey belongs to",
            )


def _pairs_on(
    rows: pd.DataFrame,
    stated: pd.DataFrame,
    card: GaugeCard,
    twin: TwinField,
    kind: str,
    placement_sd_mm: float,
) -> pd.DataFrame:
    """Pairs of the readings on one lite; stated: the same rows with their datum as written."""
    x, y = rows["x_mm"].to_numpy(float), rows["y_mm"].to_numpy(float)
    sign = float(card.reading_sign or 1)
    reading = sign * (rows["reading_mm"].to_numpy(float) - (card.calibration_offset_mm or 0.0))
    here, mean = twin.at(x, y), twin.mean_at(x, y, placement_sd_mm)
    pairs = pd.DataFrame(
        {
            "row": rows["row"].to_numpy(),
            "lite_id": rows["lite_id"].to_numpy(),
            "gauge": card.gauge,
            "operator": rows["operator"].to_numpy(),
            "repeat": rows["repeat"].to_numpy(),
            "spot": [
                f"{lite} {a:.0f} {b:.0f}"
                for lite, a, b in zip(rows["lite_id"], x, y, strict=True)
            ],
            "x_mm": x,
            "y_mm": y,
            "gauge_mm": reading,
            "scan_mm": mean,
            "twin_mm": here,
            "place_mean_mm": mean - here,
            "u_gauge_mm": card.resolution_mm / np.sqrt(12),
            "u_scan_mm": twin.sd_mm,
            "u_place_mm": place_uncertainty(twin, x, y, placement_sd_mm),
            "place_sd_mm": placement_sd_mm,
            "excluded": rows["excluded"].to_numpy(bool),
            "exclusion": rows["reason"].to_numpy(),
        }
    )
    if kind == "lines":
        # a line walked from the other edge is another walk, whatever its repeat is called
        walk = ["lite_id", "operator", "repeat", "line_y_mm", "datum_x", "datum_y"]
        pairs["line"] = ["\t".join(str(part) for part in key) for key in stated[walk].to_numpy()]
        pairs["mark"] = rows["mark"].to_numpy()
        pairs["spot"] = _spots_along(rows["lite_id"].to_numpy(), x, y)
    return pairs


def _spots_along(lite: npt.NDArray[np.object_], x_mm: Floats, y_mm: Floats) -> list[str]:
    """Labels of the spots of line surveys: marks of one line nearer than SAME_MARK_MM are one
    spot, however anybody numbered them and from whichever edge."""
    line = [f"{name} {y:.0f}" for name, y in zip(lite, y_mm, strict=True)]
    labels = [""] * len(line)
    last: dict[str, tuple[float, int]] = {}
    for k in np.argsort(x_mm, kind="stable"):
        before, number = last.get(line[k], (-np.inf, 0))
        number += x_mm[k] - before > SAME_MARK_MM
        last[line[k]] = (float(x_mm[k]), number)
        labels[k] = f"{line[k]} {number}"
    return labels


def place_uncertainty(twin: TwinField, x_mm: Floats, y_mm: Floats, sd_mm: float) -> Floats:
    """Standard uncertainty of a twin's reading where the place is off by sd_mm along each axis."""
    along, across = twin.gradient(x_mm, y_mm)
    h = 2 * GRADIENT_STEP_MM
    bend = (
        twin.at(x_mm + h, y_mm) - 2 * twin.at(x_mm, y_mm) + twin.at(x_mm - h, y_mm)
    ) / h**2
    # on a crest the slope is nothing and what is left is the curvature: variance of z'' d^2 / 2
    second = np.nan_to_num(bend) ** 2 * sd_mm**4 / 2
    return np.asarray(np.sqrt((along**2 + across**2) * sd_mm**2 + second))


def _reasons(table: pd.DataFrame) -> pd.Series[str]:
    reasons = pd.Series("", index=table.index, dtype=object)
    reasons[table["scan_mm"].isna()] = (
        "the twin cannot stand there: a contact is off the glass, or was not measured"
    )
    reasons[table["gauge_mm"].isna()] = "not read"
    excluded = table["excluded"].astype(bool)
    reasons[excluded] = "excluded: " + table.loc[excluded, "exclusion"].astype(str)
    return reasons


def swings_of(singles: pd.DataFrame) -> pd.DataFrame:
    """Differences of neighbouring marks of each walk along a line; a gap in the marks breaks it.

    gauge_mm and scan_mm are signed alike: second mark less first, turned so that the twin's is
    positive, the size of a depth.
    """
    parts: list[pd.DataFrame] = []
    for _, walk in singles.groupby("line", sort=False):
        walk = walk.sort_values("mark")
        first, second = walk.iloc[:-1], walk.iloc[1:]
        beside = (second["mark"].to_numpy() - first["mark"].to_numpy()) == 1
        first, second = first[beside], second[beside]
        parts.append(_swing_rows(first, second))
    return pd.concat(parts, ignore_index=True) if parts else singles.iloc[:0]


def _swing_rows(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    rows = second.reset_index(drop=True).copy()
    scan = second["scan_mm"].to_numpy() - first["scan_mm"].to_numpy()
    turn = np.where(scan < 0, -1.0, 1.0)
    for name in ("scan_mm", "twin_mm", "place_mean_mm", "gauge_mm"):
        rows[name] = turn * (second[name].to_numpy() - first[name].to_numpy())
    rows["from_row"] = first["row"].to_numpy()
    rows["from_x_mm"] = first["x_mm"].to_numpy()
    for name in ("u_gauge_mm", "u_scan_mm", "u_place_mm"):
        rows[name] = np.hypot(second[name].to_numpy(), first[name].to_numpy())
    return rows


def lites_of(maps: Sequence[MappedLite]) -> dict[str, MappedLite]:
    """Lites by id. Raises SurveyError where two maps are of one lite."""
    lites: dict[str, MappedLite] = {}
    for one in maps:
        if one.lite_id in lites:
            raise SurveyError(
                one.lite_id,
                found="maps of it twice",
                needed="one set of maps a lite",
                do="keep one; a further scan of the same lite goes to --again",
            )
        lites[one.lite_id] = one
    return lites
