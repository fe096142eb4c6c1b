"""Gauge study: how much of the scatter is the gauge, its users, and the lites themselves.

Every operator reads every part (a spot of a lite) several times. Repeatability (EV, equipment) is
the scatter of one person on one part, reproducibility (AV, appraiser) what changes with the
person, GRR both together, PV the parts, TV everything.

The analysis of variance is a two-way crossed random model with the interaction of operator and
part; the interaction is pooled into repeatability where its F test gives p > 0.25, since a
component that is not there only costs degrees of freedom. Auditors may ask for the older method
instead: see ``average_and_range``.

A scanner has no operator. Its repeatability comes from repeated scans of the same lite: the scan
stands where the operator stood, since everything read in one scan shares that scan's bounce.

Sources: AIAG, Measurement Systems Analysis, 4th ed., 2010 (method, pooling rule, ndc = 1.41
PV/GRR); Burdick, Borror and Montgomery, Design and Analysis of Gauge R&R Studies, SIAM 2005,
chapter 3 (intervals).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord.statistics.pairs import Floats, Labels, codes_of, finite
from midchord.statistics.variance_components import Term, mls_interval, sum_of
from midchord_io.errors import SurveyError

__all__ = [
    "NDC_FACTOR",
    "POOLING_ALPHA",
    "Component",
    "GaugeStudy",
    "ScannerStudy",
    "StudyRow",
    "anova_study",
    "crossed_cells",
    "scanner_study",
    "study_table",
]

POOLING_ALPHA = 0.25  # AIAG: the interaction stays only where its test gives p <= 0.25
NDC_FACTOR = 1.41  # AIAG prints 1.41, not the square root of 2


class Component(NamedTuple):
    """A variance (squared unit of the readings) with its two-sided interval, cut at zero."""

    variance: float
    low: float
    high: float

    @property
    def sd(self) -> float:
        return math.sqrt(self.variance)

    @property
    def sd_ci(self) -> tuple[float, float]:
        return math.sqrt(self.low), math.sqrt(self.high)


class Anova(NamedTuple):
    """Mean squares and degrees of freedom of parts, operators, interaction, repeats."""

    part: Term
    operator: Term
    interaction: Term
    repeat: Term | None


@dataclass(frozen=True)
class GaugeStudy:
    """Result of the analysis of variance. SDs by ``.sd``, e.g. ``study.repeatability.sd`` is EV.

    interaction_f, interaction_p  its F test; NaN without repeats
    interaction      None where pooled; otherwise part of reproducibility
    grr_share        GRR/TV with interval (a share: 0.279 is 27.9 %); NaN where nothing varies
    ndc              number of distinct categories with its interval, not cut to a whole number
    tolerance_share  6 GRR / (whole width of the tolerance); None where none was given
    balanced         False: cells of unequal number, worked by unweighted means (approximate)
    """

    repeatability: Component
    reproducibility: Component
    operator: Component
    interaction: Component | None
    grr: Component
    part: Component
    total: Component
    interaction_f: float
    interaction_p: float
    pooled: bool
    grr_share: tuple[float, float, float]
    ndc: tuple[float, float, float]
    tolerance_share: float | None
    n_parts: int
    n_operators: int
    n_trials: float
    balanced: bool
    anova: Anova


class ScannerStudy(NamedTuple):
    """Repeatability of a scanner: one scan against another at the same spots.

    scan         what a whole scan shares (bounce, warm-up, placing)
    within_scan  what differs from spot to spot in one scan
    repeatability  both: one figure of one scan
    """

    repeatability: Component
    scan: Component
    within_scan: Component
    n_scans: int
    n_spots: int


class StudyRow(NamedTuple):
    """A row of the table: source, SD with interval (None: not to be had), share of the variance."""

    source: str
    sd: float
    sd_ci: tuple[float, float] | None
    share_of_variance: float | None


def _component(confidence: float, *terms: tuple[float, Term]) -> Component:
    """A sum of coefficient x mean square with its MLS interval, never below zero."""
    weighed = [t._replace(coefficient=c) for c, t in terms if c != 0]
    low, high = mls_interval(weighed, confidence=confidence)
    return Component(max(0.0, sum_of(weighed)), max(0.0, low), max(0.0, high))


def crossed_cells(
    values: ArrayLike, part: Labels, operator: Labels
) -> tuple[Floats, NDArray[np.int64], float]:
    """Cell means and numbers of readings, (parts, operators), and the squares within cells.

    Raises SurveyError below 2 parts or operators, and where one has not read the other.
    """
    y = finite(values, what="gauge study")
    p, n_parts = codes_of(part, y.size, what="parts")
    o, n_operators = codes_of(operator, y.size, what="operators")
    if n_parts < 2 or n_operators < 2:
        raise SurveyError(
            "gauge study",
            found=f"there are {n_parts} parts and {n_operators} operators",
            needed="2 of each at least are needed",
            do="add readings, or state the repeatability alone",
        )
    shape = (n_parts, n_operators)
    count = np.zeros(shape, dtype=np.int64)
    np.add.at(count, (p, o), 1)
    if not count.all():
        i, j = np.argwhere(count == 0)[0]
        names = (list(dict.fromkeys(part))[i], list(dict.fromkeys(operator))[j])
        raise SurveyError(
            "gauge study",
            found=f"operator {names[1]} has no reading of part {names[0]}",
            needed="every operator must read every part",
            do="take the missing reading, or leave that part out",
        )
    total = np.zeros(shape)
    np.add.at(total, (p, o), y)
    means = total / count
    return means, count, float(np.sum((y - means[p, o]) ** 2))


def _mean_squares(means: Floats, trials: float) -> tuple[Term, Term, Term]:
    p, o = means.shape
    by_part, by_operator, grand = means.mean(axis=1), means.mean(axis=0), means.mean()
    rest = means - by_part[:, None] - by_operator[None, :] + grand
    return (
        Term(1.0, trials * o * float(np.var(by_part, ddof=1)), p - 1),
        Term(1.0, trials * p * float(np.var(by_operator, ddof=1)), o - 1),
        Term(1.0, trials * float(np.sum(rest**2)) / ((p - 1) * (o - 1)), (p - 1) * (o - 1)),
    )


def anova_study(
    values: ArrayLike,
    *,
    part: Labels,
    operator: Labels,
    interaction: Literal["test", "keep", "pool"] = "test",
    tolerance_width: float | None = None,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Crossed gauge study by analysis of variance.

    values           (readings,), any unit
    part, operator   (readings,) labels; every operator reads every part
    interaction      "test": pooled where p > POOLING_ALPHA; "keep"; "pool"
    tolerance_width  whole width of the tolerance in the same unit, for ``tolerance_share``
    returns          GaugeStudy
    Raises           SurveyError below 2 parts or operators, and where one has not read the other
    """
    from scipy.stats import f

    means, count, inside = crossed_cells(values, part, operator)
    p, o = means.shape
    trials = count.size / float(np.sum(1 / count))  # harmonic mean; the number itself if equal
    ms_part, ms_operator, ms_both = _mean_squares(means, trials)
    df = int(count.sum()) - p * o
    repeat = Term(1.0, inside / df, df) if df > 0 else None
    f_value = p_value = math.nan
    if repeat is not None and repeat.mean_square > 0:
        f_value = ms_both.mean_square / repeat.mean_square
        p_value = float(f.sf(f_value, ms_both.df, df))
    pooled = repeat is None or interaction == "pool"
    if interaction == "test" and repeat is not None:
        pooled = not (p_value <= POOLING_ALPHA or (repeat.mean_square == 0 < ms_both.mean_square))

    def component(*terms: tuple[float, Term]) -> Component:
        return _component(confidence, *terms)

    both: Component | None
    if pooled:
        squares = ms_both.df * ms_both.mean_square + (df * repeat.mean_square if repeat else 0.0)
        rest = Term(1.0, squares / (ms_both.df + df), ms_both.df + df)
        against, error, both = rest, rest, None
        ev = component((1.0, rest))
        who = component((1 / (p * trials), ms_operator), (-1 / (p * trials), rest))
        av = who
        grr = component((1 / (p * trials), ms_operator), (1 - 1 / (p * trials), rest))
        whole = component(
            (1 / (o * trials), ms_part), (1 / (p * trials), ms_operator),
            (1 - 1 / (o * trials) - 1 / (p * trials), rest),
        )  # fmt: skip
    else:
        assert repeat is not None
        against, error = ms_both, repeat
        ev = component((1.0, repeat))
        who = component((1 / (p * trials), ms_operator), (-1 / (p * trials), ms_both))
        both = component((1 / trials, ms_both), (-1 / trials, repeat))
        share = (p - 1) / (p * trials)
        av = component((1 / (p * trials), ms_operator), (share, ms_both), (-1 / trials, repeat))
        grr = component(
            (1 / (p * trials), ms_operator), (share, ms_both), (1 - 1 / trials, repeat)
        )
        whole = component(
            (1 / (o * trials), ms_part), (1 / (p * trials), ms_operator),
            ((p * o - p - o) / (p * o * trials), ms_both), (1 - 1 / trials, repeat),
        )  # fmt: skip
    pv = component((1 / (o * trials), ms_part), (-1 / (o * trials), against))
    # reported variances are cut at zero, so sums are made of what is reported
    av = av._replace(variance=who.variance + (both.variance if both else 0.0))
    grr = grr._replace(variance=ev.variance + av.variance)
    whole = whole._replace(variance=grr.variance + pv.variance)
    ratio = pv.variance / grr.variance if grr.variance > 0 else math.inf
    low, high = _part_ratio_interval(ms_part, ms_operator, against, error, trials, confidence)
    shares = (_share(ratio), _share(high), _share(low))
    nothing = (math.nan, math.nan, math.nan)
    return GaugeStudy(
        repeatability=ev, reproducibility=av, operator=who, interaction=both, grr=grr, part=pv,
        total=whole, interaction_f=f_value, interaction_p=p_value, pooled=pooled,
        grr_share=shares if whole.variance > 0 else nothing,
        ndc=(NDC_FACTOR * math.sqrt(ratio), NDC_FACTOR * math.sqrt(low),
             NDC_FACTOR * math.sqrt(high)),
        tolerance_share=None if tolerance_width is None else 6 * grr.sd / tolerance_width,
        n_parts=p, n_operators=o, n_trials=trials, balanced=bool(np.ptp(count) == 0),
        anova=Anova(ms_part, ms_operator, ms_both, repeat),
    )  # fmt: skip


def _share(part_ratio: float) -> float:
    """GRR/TV from the ratio of the part variance to the GRR variance."""
    return 1 / math.sqrt(1 + part_ratio)


def _part_ratio_interval(
    part: Term, operator: Term, against: Term, error: Term, trials: float, confidence: float
) -> tuple[float, float]:
    """Interval of the part variance over the GRR variance (Burdick, Borror, Montgomery 2005)."""
    from scipy.stats import chi2, f

    p, o = part.df + 1, operator.df + 1
    tail = (1 - confidence) / 2
    ends = []
    for point in (1 - tail, tail):
        scale = part.df / chi2.ppf(point, part.df)
        to_rest, to_operator = (f.ppf(point, part.df, t.df) for t in (against, operator))
        below = o * scale * to_operator * operator.mean_square
        if against is error:
            below += (p * o * trials - o) * error.mean_square
        else:
            below += p * o * (trials - 1) * error.mean_square + o * (p - 1) * against.mean_square
        above = p * scale * (part.mean_square - to_rest * against.mean_square)
        ends.append(max(0.0, above / below) if below > 0 else math.inf)
    return ends[0], ends[1]


def scanner_study(readings: ArrayLike, *, confidence: float = 0.95) -> ScannerStudy:
    """Repeatability of the scanner from scans of the same lite.

    readings  (scans, spots), any unit: the same spots read in each scan
    returns   ScannerStudy
    Raises    SurveyError below 2 scans or 2 spots, and on NaN
    """
    y = np.asarray(readings, dtype=np.float64)
    if y.ndim != 2 or min(y.shape) < 2:
        raise SurveyError(
            "scanner repeatability",
            found=f"the readings have the shape {y.shape}",
            needed="2 scans of 2 spots at least are needed, a row for each scan",
            do="scan the same lite again",
        )
    finite(y, what="scanner repeatability")
    n_scans, n_spots = y.shape
    _, ms_scan, rest = _mean_squares(y.T, 1.0)
    scan = _component(confidence, (1 / n_spots, ms_scan), (-1 / n_spots, rest))
    whole = _component(confidence, (1 / n_spots, ms_scan), (1 - 1 / n_spots, rest))
    inside = _component(confidence, (1.0, rest))
    whole = whole._replace(variance=scan.variance + inside.variance)
    return ScannerStudy(whole, scan, inside, n_scans, n_spots)


def study_table(study: GaugeStudy, scanner: ScannerStudy | None = None) -> list[StudyRow]:
    """The gauge's components and, in the same table, the scanner's repeatability."""
    total = study.total.variance

    def row(source: str, part: Component, of_total: bool = True) -> StudyRow:
        share = part.variance / total if of_total and total > 0 else None
        return StudyRow(source, part.sd, part.sd_ci, share)

    rows = [
        row("repeatability (EV)", study.repeatability),
        row("reproducibility (AV)", study.reproducibility),
        row("operator", study.operator),
    ]
    if study.interaction is not None:
        rows.append(row("operator x part", study.interaction))
    rows += [
        row("repeatability and reproducibility (GRR)", study.grr),
        row("part to part (PV)", study.part),
        row("total (TV)", study.total),
    ]
    if scanner is not None:
        rows += [
            row("scanner: repeatability", scanner.repeatability, of_total=False),
            row("scanner: from scan to scan", scanner.scan, of_total=False),
            row("scanner: within a scan", scanner.within_scan, of_total=False),
        ]
    return rows
