"""Gauge study out of a survey: what its repeats and its people say of the gauge and the scanner.

A part is a spot, or a mark of a line. Only those that every person has read enter the analysis of
variance, which is crossed. The scanner's own repeatability comes from further scans of the same
lite, read by the gauge's twin at the spots of the survey; of several lites that with most scans
counts, since one scan of one lite shares nothing with a scan of another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from midchord.statistics.comparison import plain
from midchord.statistics.gauge_study import ScannerStudy, anova_study, scanner_study, study_table
from midchord.surveying.pairing import Paired
from midchord.surveying.twin_field import MappedLite
from midchord_io.errors import SurveyError
from midchord_io.gauge_card import GaugeCard

__all__ = ["check_further_scans", "study_of_survey"]


def study_of_survey(
    paired: Paired, card: GaugeCard, again: Sequence[MappedLite]
) -> dict[str, Any] | str:
    """The gauge study of one gauge, or the sentence why there is none.

    returns  rows (source, sd, sd_ci, share_of_variance; mm), ndc and grr_share (value, low, high),
             n_parts, n_operators, n_trials, pooled, balanced, parts_left_out, scanner (lite, number
             of scans and of spots, or None)
    """
    singles = paired.singles
    read_by = singles.groupby("spot")["operator"].nunique()
    whole = read_by.index[read_by == singles["operator"].nunique()]
    used = singles[singles["spot"].isin(whole)]
    if used.empty:
        return "no gauge study: no spot was read by all operators"
    try:
        study = anova_study(
            used["gauge_mm"], part=used["spot"].tolist(), operator=used["operator"].tolist()
        )
    except SurveyError as error:
        return f"no gauge study: {error.found}, {error.needed}"
    scanner, lite_id = _scanner(singles, card, paired, again)
    known: dict[str, Any] = plain(
        {
            "rows": study_table(study, scanner),
            "ndc": study.ndc,
            "grr_share": study.grr_share,
            "n_parts": study.n_parts,
            "n_operators": study.n_operators,
            "n_trials": study.n_trials,
            "pooled": study.pooled,
            "balanced": study.balanced,
            "parts_left_out": len(read_by) - len(whole),
            "scanner": None
            if scanner is None
            else {"lite_id": lite_id, "n_scans": scanner.n_scans, "n_spots": scanner.n_spots},
        }
    )
    return known


def _scanner(
    singles: pd.DataFrame, card: GaugeCard, paired: Paired, again: Sequence[MappedLite]
) -> tuple[ScannerStudy | None, str]:
    by_lite: dict[str, list[MappedLite]] = {}
    for lite in again:
        if lite.lite_id in paired.twins:
            by_lite.setdefault(lite.lite_id, []).append(lite)
    if not by_lite:
        return None, ""
    lite_id = max(by_lite, key=lambda name: len(by_lite[name]))
    spots = singles[singles["lite_id"] == lite_id].drop_duplicates("spot")
    scans = [spots["twin_mm"].to_numpy(float)]
    scans += [lite.twin(card).at(spots["x_mm"], spots["y_mm"]) for lite in by_lite[lite_id]]
    readings = np.array(scans)
    seen = np.isfinite(readings).all(axis=0)
    return (scanner_study(readings[:, seen]) if seen.sum() >= 2 else None), lite_id


def check_further_scans(lites: Mapping[str, MappedLite], again: Sequence[MappedLite]) -> None:
    """Raises SurveyError for a further scan of a lite that is not there, or of the same file."""
    seen = {
        (lite.lite_id, sha) for lite in lites.values() if (sha := lite.summary.get("source_sha256"))
    }
    for lite in again:
        if lite.lite_id not in lites:
            raise SurveyError(
                lite.lite_id,
                found="a further scan of a lite without a first one",
                needed=f"scans of {', '.join(sorted(lites))}",
                do="name its maps among the first, or leave it out",
            )
        key = (lite.lite_id, lite.summary.get("source_sha256"))
        if key[1] and key in seen:
            raise SurveyError(
                lite.lite_id,
                found="a further scan that is the same file as another one",
                needed="scans made anew, since a copy repeats itself perfectly",
                do="leave it out",
            )
        seen.add((lite.lite_id, str(key[1])))
