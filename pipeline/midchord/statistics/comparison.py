"""All statistics of one set of pairs, gathered: agreement, regressions, concordance, coverage.

Agreement is judged by the limits of agreement with their bounds (agreement.py), never by a
correlation. The regressions put the gauge on x and the scan on y and allow errors in both.
A statistic that the pairs cannot give (too few, no spread) is None, with the reason in notes.

Whether the stated uncertainties are right is asked with the repeatability that the survey itself
measured: what one person's repeats at one spot scatter by stands for the dial where it is larger
(JCGM 100:2008, 4.2 and H.6). Hands that are put down anew for each repeat have part of the place
in it, too; then the uncertainty is rather too large.

A hand some mm off its mark errs with the gauge, not with the scan: the twin is taken over where the
hand may have been. So nearly all of the error is the gauge's, and lines that take both errors as
equal come out flat (by 1 to 2 % at 5 mm). The ratio of the error variances goes into both lines:
noise of the scan over what is larger, dial and place as stated, or the repeats as found.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from midchord.statistics.agreement import Agreement, agree
from midchord.statistics.concordance import Concordance, concordance
from midchord.statistics.disagreement import (
    CAVEAT,
    LEAST_RANGE,
    NormalisedErrors,
    SpreadTrend,
    Trend,
    normalised_errors,
    proportional_bias,
    spread_trend,
)
from midchord.statistics.passing_bablok import RankLine, passing_bablok
from midchord.statistics.regression import Line, deming
from midchord_io.errors import SurveyError

__all__ = ["Comparison", "compare_pairs", "group_biases", "plain"]

Result = TypeVar("Result")

LEAST_TAU = 0.4
"""Range 0.7 of the scatter; below, lines through simulated surveys lean to one axis."""
LEAST_RATIO = 1e-6
"""Deming's line needs a ratio above zero."""


@dataclass(frozen=True)
class Comparison:
    """Statistics of one quantity of one gauge.

    quantity  "singles", "swings" or "distortion"
    unit      "mm" or "mdpt"
    table     the pairs: gauge, scan, their uncertainties and labels
    repeatability  standard deviation between repeats at a spot, which is in ``normalised``; None
                   where nothing was repeated: it is left out there
    """

    quantity: str
    unit: str
    table: pd.DataFrame
    agreement: Agreement
    trend: Trend | None
    spread: SpreadTrend | None
    deming: Line | None
    passing_bablok: RankLine | None
    concordance: Concordance | None
    normalised: NormalisedErrors | None
    notes: tuple[str, ...]
    repeatability: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Strict JSON: what is not to be had is null; names carry the unit."""
        a, unit = self.agreement, self.unit
        return {
            "quantity": self.quantity,
            "unit": unit,
            "n_readings": a.n_readings,
            "n_spots": a.n_spots,
            "n_lites": a.n_lites,
            "n_operators": a.n_operators,
            f"bias_{unit}": plain(a.bias),
            f"bias_ci_{unit}": plain(a.bias_ci),
            f"sd_{unit}": plain(a.sd),
            f"sd_ci_{unit}": plain(a.sd_ci),
            f"limits_{unit}": plain((a.limits.low, a.limits.high)),
            f"limits_ci_{unit}": plain((a.limits.low_ci, a.limits.high_ci)),
            f"bounds_{unit}": plain(a.limits.bounds),
            "interval_method": a.limits.method,
            "equivalence": plain(a.equivalence),
            "components": plain(a.components),
            "proportional_bias": self._trend_facts(),
            "spread": plain(self.spread),
            "deming": plain(self.deming),
            "passing_bablok": plain(self.passing_bablok),
            "concordance": plain(self.concordance),
            "normalised_error": plain(self.normalised),
            f"repeatability_{unit}": plain(self.repeatability),
            "bias_by_operator": group_biases(self.table, "operator"),
            "bias_by_lite": group_biases(self.table, "lite_id"),
            "verdict": a.verdict,
            "statement": a.statement,
            "notes": [*a.notes, *self.notes],
        }

    def _trend_facts(self) -> dict[str, Any] | None:
        if self.trend is None:
            return None
        facts: dict[str, Any] = plain(self.trend)
        return facts | {"is_narrow": self.trend.is_narrow, "caveat": CAVEAT}


def compare_pairs(
    table: pd.DataFrame,
    *,
    quantity: str,
    unit: str,
    tolerance: float | None,
    gauge_name: str,
) -> Comparison:
    """Statistics of a table of pairs.

    table  columns gauge, scan, u_gauge, u_scan (place included), lite_id, spot, operator; where
           known, u_scan_mm and u_place_mm: how u_scan divides into noise and place
    Raises SurveyError where there is no pair
    """
    scan, gauge = table["scan"].to_numpy(float), table["gauge"].to_numpy(float)
    lite, spot = table["lite_id"].tolist(), table["spot"].tolist()
    operator = table["operator"].tolist()
    notes: list[str] = []

    def tried(what: str, compute: Callable[[], Result]) -> Result | None:
        try:
            return compute()
        except SurveyError as error:
            notes.append(f"no {what}: {error.found}, {error.needed}")
            return None

    agreement = agree(
        scan,
        gauge,
        lite=lite,
        spot=spot,
        operator=operator,
        tolerance=tolerance,
        unit=unit,
        gauge_name=gauge_name,
        what="reading" if quantity == "singles" else "swing",
    )
    within = agreement.components.within
    u_gauge = table["u_gauge"].to_numpy(float)
    if within is None:
        notes.append(
            "the uncertainties of the pairs leave the repeatability of the hand out: no spot was "
            "read twice by one person"
        )
    else:
        u_gauge = np.maximum(u_gauge, math.sqrt(within))
    by_lite = lite if len(set(lite)) >= 3 else None
    ratio = _variance_ratio(table, within)
    trend = proportional_bias(scan, gauge, lite=lite, spot=spot)
    can_be_told = math.isfinite(trend.slope) and min(np.ptp(scan), np.ptp(gauge)) > 0
    if not can_be_told:
        notes.append("proportional bias cannot be told: too few spots, or a method reads all alike")
    elif trend.is_narrow:
        notes.append(
            "proportional bias says little here: within a lite the sizes differ by "
            f"{trend.range_over_scatter:.2g} times the scatter of the differences only, and below "
            f"{LEAST_RANGE:g} times unequal precision of the two methods passes for a slope"
        )

    def line(fit: Callable[..., Result]) -> Result:
        _check_range(table)
        return fit(gauge, scan, variance_ratio=ratio, lite=lite, spot=spot, operator=operator)

    return Comparison(
        quantity,
        unit,
        table,
        agreement,
        trend if can_be_told else None,
        tried("trend of the spread", lambda: spread_trend(scan, gauge, lite=lite, spot=spot)),
        tried("Deming line", lambda: line(deming)),
        tried("Passing-Bablok line", lambda: line(passing_bablok)),
        tried("concordance", lambda: concordance(scan, gauge, lite=by_lite)),
        tried(
            "normalised errors",
            lambda: normalised_errors(scan, gauge, table["u_scan"], u_gauge),
        ),
        tuple(notes),
        None if within is None else math.sqrt(within),
    )


def _variance_ratio(table: pd.DataFrame, within: float | None) -> float:
    """Error variance of the scan over that of the gauge; the place is the gauge's."""
    whole = table["u_scan"].to_numpy(float) ** 2
    place = np.zeros_like(whole)
    if "u_place_mm" in table:
        noise, off = (table[name].to_numpy(float) ** 2 for name in ("u_scan_mm", "u_place_mm"))
        place = whole * np.divide(off, noise + off, out=place, where=noise + off > 0)
    of_scan = float(np.mean(whole - place))
    of_gauge = float(np.mean(table["u_gauge"].to_numpy(float) ** 2 + place))
    of_gauge = max(of_gauge, within or 0.0)
    return max(of_scan / of_gauge, LEAST_RATIO) if of_gauge > 0 else 1.0


def _check_range(table: pd.DataFrame) -> None:
    """Raises SurveyError where the methods order the spots too differently to draw a line.

    The rank correlation of the means of spots, which no blunder spoils, stands for the range over
    the scatter: r/sqrt(1 - r^2) with r = sin(pi tau/2), which holds for normal errors. Its lower
    90 % bound must reach LEAST_TAU.
    """
    from scipy.stats import kendalltau

    spots = table.groupby(["lite_id", "spot"], sort=False)[["gauge", "scan"]].mean()
    if len(spots) < 3 or not (np.ptp(spots["gauge"]) > 0 and np.ptp(spots["scan"]) > 0):
        return  # said by the line itself
    tau = float(kendalltau(spots["gauge"], spots["scan"]).statistic)
    n = len(spots)
    doubt = math.sqrt(2 * (2 * n + 5) / (9 * n * (n - 1)) * (1 - tau**2))
    if abs(tau) - 1.28 * doubt < LEAST_TAU:
        raise SurveyError(
            "regression",
            found=f"the readings differ hardly more than they scatter (Kendall's tau {tau:.2f}), "
            "so the slope cannot be told",
            needed="spots must span a range of depths",
            do="take spots over a range of depths",
        )


def group_biases(table: pd.DataFrame, by: str) -> list[dict[str, Any]]:
    """Mean difference, scan less gauge, of each operator or lite: its spots weigh alike.

    table    columns gauge, scan, spot, and by
    returns  one dictionary a group: name, bias, n_readings, n_spots; unit of the readings
    """
    rows = table.assign(difference=table["scan"] - table["gauge"])
    return [
        {
            "name": str(name),
            "bias": float(own.groupby("spot")["difference"].mean().mean()),
            "n_readings": len(own),
            "n_spots": int(own["spot"].nunique()),
        }
        for name, own in rows.groupby(by, sort=False)
    ]


def plain(value: Any) -> Any:
    """Dataclasses, named tuples and arrays as strict JSON has them; not finite becomes null."""
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, np.ndarray):
        return [plain(entry) for entry in value.tolist()]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
        return {name: plain(entry) for name, entry in fields.items()}
    if isinstance(value, tuple) and hasattr(value, "_asdict"):
        named = value._asdict()
        if set(named) == {"low", "high"}:
            return [plain(named["low"]), plain(named["high"])]
        return {name: plain(entry) for name, entry in named.items()}
    if isinstance(value, Mapping):
        return {str(name): plain(entry) for name, entry in value.items()}
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    return value
