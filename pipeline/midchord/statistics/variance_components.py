"""Where the scatter of differences comes from: lites, spots, operators, repeats.

Readings of one lite are alike, readings of one spot even more so, and those of one person lean the
same way. Forty readings of two lites are therefore not forty facts. The model is

    d = mu + lite + spot(lite) + operator + within,

each term random. It is solved by the method of moments on *unweighted means* (means of spot
means), because then every figure that is needed is a sum of independent mean squares with
coefficients that are not negative: the variance of the mean, and the variance of one difference
on another lite by another operator. Such sums have good small-sample intervals (modified large
sample, MLS), where likelihood methods have none when a component is estimated as zero.
Lites, spots and repeats may be of unequal number. The operator's term is found from operators who
read the same spots (or at least the same lites), by least squares; where that cannot be, it is
part of the lites, and a note says so. Two operators say next to nothing about a third (one degree
of freedom), so two are taken as the only ones there are (fixed): the figures then hold for them.
From three on they stand for others (random).

Sources: Thomas and Hultquist, Annals of Statistics 6 (1978) 582-587 (unweighted means);
Burdick and Graybill, Confidence Intervals on Variance Components, 1992, and Ting, Burdick,
Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul. 35 (1990) 135-143 (MLS);
Satterthwaite, Biometrics Bulletin 2 (1946) 110-114 (degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midchord.statistics.pairs import Floats, Labels, codes_of, finite

__all__ = [
    "Components",
    "Operators",
    "Term",
    "effective_df",
    "mls_interval",
    "nested_components",
    "one_way_components",
    "sum_of",
]

Codes = NDArray[np.intp]
Operators = Literal["auto", "random", "fixed"]


class Term(NamedTuple):
    """coefficient x mean square, the mean square on so many degrees of freedom."""

    coefficient: float
    mean_square: float
    df: float


@dataclass(frozen=True)
class Components:
    """The scatter of a set of differences, taken apart. Variances in squared units of the data.

    mean          mean of the lite means of the spot means (operators weighed alike)
    lite, spot, operator, within
                  variance of each term, never below zero; None where the data cannot tell it
                  (``spot`` then holds what was not told apart from it)
    total         variance of one difference on another lite, at another spot, by another operator
    total_terms, mean_terms
                  the mean squares that make up ``total`` and the variance of ``mean``
    notes         what the design of the survey cannot tell, in sentences
    """

    mean: float
    lite: float | None
    spot: float | None
    operator: float | None
    within: float | None
    total: float
    total_terms: tuple[Term, ...]
    mean_terms: tuple[Term, ...]
    n_readings: int
    n_spots: int
    n_lites: int
    n_operators: int
    operators_fixed: bool
    notes: tuple[str, ...]


def sum_of(terms: Sequence[Term]) -> float:
    """The estimate: sum of coefficient x mean square."""
    return float(sum(term.coefficient * term.mean_square for term in terms))


def effective_df(terms: Sequence[Term]) -> float:
    """Satterthwaite's degrees of freedom of a sum of independent mean squares (NaN if empty)."""
    if not terms:
        return math.nan
    below = sum((t.coefficient * t.mean_square) ** 2 / t.df for t in terms)
    return sum_of(terms) ** 2 / below if below > 0 else float(min(t.df for t in terms))


def mls_interval(terms: Sequence[Term], *, confidence: float = 0.95) -> tuple[float, float]:
    """Modified large-sample interval of a sum of mean squares, negative coefficients allowed.

    Exact for one term. Both ends may be negative where coefficients are: the caller cuts at zero.
    Source  Ting et al. 1990; Burdick and Graybill 1992, chapter 3.
    """
    from scipy.stats import chi2, f

    tail = (1 - confidence) / 2
    plus = [t for t in terms if t.coefficient > 0]
    minus = [t for t in terms if t.coefficient < 0]

    def shrink(df: float) -> float:
        return float(1 - df / chi2.ppf(1 - tail, df))

    def stretch(df: float) -> float:
        return float(df / chi2.ppf(tail, df) - 1)

    below = sum((shrink(t.df) * t.coefficient * t.mean_square) ** 2 for t in plus)
    above = sum((stretch(t.df) * t.coefficient * t.mean_square) ** 2 for t in plus)
    below += sum((stretch(t.df) * t.coefficient * t.mean_square) ** 2 for t in minus)
    above += sum((shrink(t.df) * t.coefficient * t.mean_square) ** 2 for t in minus)
    for p in plus:
        for m in minus:
            product = p.coefficient * -m.coefficient * p.mean_square * m.mean_square
            high, low = f.ppf(1 - tail, p.df, m.df), f.ppf(tail, p.df, m.df)
            lower = (high - 1) ** 2 - (shrink(p.df) * high) ** 2 - stretch(m.df) ** 2
            upper = (1 - low) ** 2 - (stretch(p.df) * low) ** 2 - shrink(m.df) ** 2
            below += product * lower / high
            above += product * upper / low
    if minus:
        below += _between_like_terms(plus, shrink, 1 - tail)
        above += _between_like_terms(minus, shrink, 1 - tail)
    estimate = sum_of(terms)
    return estimate - math.sqrt(max(below, 0.0)), estimate + math.sqrt(max(above, 0.0))


def _between_like_terms(
    terms: Sequence[Term], shrink: Callable[[float], float], point: float
) -> float:
    """The cross terms G* of Ting et al. among terms of one sign, where the other sign occurs."""
    from scipy.stats import chi2

    extra = 0.0
    for i, a in enumerate(terms):
        for b in terms[i + 1 :]:
            both = a.df + b.df
            star = (1 - both / chi2.ppf(point, both)) ** 2 * both**2 / (a.df * b.df)
            star -= shrink(a.df) ** 2 * a.df / b.df + shrink(b.df) ** 2 * b.df / a.df
            product = a.coefficient * b.coefficient * a.mean_square * b.mean_square
            extra += star / (len(terms) - 1) * product
    return float(extra)


class _People(NamedTuple):
    effect: Floats  # (operators,), summing to zero
    noise_share: float  # share of the residual variance in the variance among effects
    residual: Term | None
    block: str  # "spot" or "lite"


def _operators(d: Floats, spot: Codes, lite: Codes, operator: Codes, q: int) -> _People | None:
    """Least-squares operator effects within spots, or else within lites; None if not linked."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    for name, block in (("spot", spot), ("lite", lite)):
        k = int(block.max()) + 1
        links = coo_matrix((np.ones(d.size), (block, k + operator)), shape=(k + q, k + q))
        if connected_components(links, directed=False, return_labels=False) > 1:
            continue
        design = np.zeros((d.size, q))
        design[np.arange(d.size), operator] = 1.0
        count = np.bincount(block, minlength=k)
        inside = d - (np.bincount(block, d, k) / count)[block]
        for column in design.T:
            column -= (np.bincount(block, column, k) / count)[block]
        covariance = np.linalg.pinv(design.T @ design, rcond=1e-9, hermitian=True)
        effect = covariance @ (design.T @ inside)
        df = d.size - k - (q - 1)
        rest = float(np.sum((inside - design @ effect) ** 2))
        residual = Term(1.0, rest / df, df) if df > 0 else None
        return _People(effect, float(np.trace(covariance)) / (q - 1), residual, name)
    return None


def nested_components(
    differences: ArrayLike,
    *,
    lite: Labels,
    spot: Labels | None = None,
    operator: Labels | None = None,
    operators: Operators = "auto",
) -> Components:
    """Take the scatter of differences apart.

    differences  (readings,), any unit
    lite         (readings,) label of the lite
    spot         (readings,) label of the spot on its lite; without it every reading is a spot
    operator     (readings,) label of the person; without it all readings are one person's
    operators    "fixed": the figures hold for these operators; "random": for others too;
                 "auto": random from 3 operators on
    Raises       SurveyError without readings, on NaN and on labels of another length
    """
    d = finite(differences, what="differences")
    n = d.size
    lites, m = codes_of(lite, n, what="lites")
    spot_label = range(n) if spot is None else spot
    codes_of(spot_label, n, what="spots")
    spots, s = codes_of(list(zip(lites, spot_label, strict=True)), n, what="spots")
    persons, q = codes_of([0] * n if operator is None else operator, n, what="operators")
    notes: list[str] = []

    people = _operators(d, spots, lites, persons, q) if q > 1 else None
    if q > 1 and people is None:
        notes.append(
            "operators and lites cannot be told apart, since no chain of common lites links the "
            "operators: their differences are counted as differences between lites"
        )
    fixed = people is not None and (operators == "fixed" or (operators == "auto" and q < 3))
    if fixed:
        notes.append(
            f"the figures hold for the {q} operators who took the readings, for no others"
        )
    if people is not None:
        d = d - people.effect[persons]
    mean_at_spot = np.bincount(spots, d, s) / np.bincount(spots, minlength=s)
    lite_of_spot = np.zeros(s, dtype=np.intp)
    lite_of_spot[spots] = lites
    per_lite = np.bincount(lite_of_spot, minlength=m)
    mean_of_lite = np.bincount(lite_of_spot, mean_at_spot, m) / per_lite
    mean = float(mean_of_lite.mean())

    within = _within(d, spots, mean_at_spot, people)
    share = 1.0 / np.bincount(spots, minlength=s)  # of the within variance in a spot mean
    ms_spot, in_spot = None, 0.0
    df_spot = s - m - (q - 1 if people is not None and people.block == "lite" else 0)
    if df_spot > 0:
        rest = float(np.sum((mean_at_spot - mean_of_lite[lite_of_spot]) ** 2))
        ms_spot = Term(1.0, rest / df_spot, df_spot)
        in_spot = float(np.sum(share * (1 - 1 / per_lite[lite_of_spot]))) / (s - m)
    ms_lite = Term(1.0, float(np.var(mean_of_lite, ddof=1)), m - 1) if m > 1 else None
    spot_in_lite = float(np.mean(1 / per_lite)) if ms_spot else 0.0
    within_in_lite = float(np.mean(np.bincount(lite_of_spot, share, m) / per_lite**2))

    # coefficients of the mean squares in the total (see the expectations of each)
    on_spot = 1 - spot_in_lite if ms_lite else 1.0
    if ms_lite and ms_spot:
        on_within = 1 - in_spot + spot_in_lite * in_spot - within_in_lite
    elif ms_lite:
        on_within = 1 - within_in_lite
    else:
        on_within = 1 - in_spot if ms_spot else 1.0

    who: Term | None = None
    v_who: float | None = None
    on_who = 0.0
    if people is not None:
        who = Term(1.0, float(np.var(people.effect, ddof=1)), q - 1)
        noise = people.residual
        v_who = max(0.0, who.mean_square - people.noise_share * (noise.mean_square if noise else 0))
        on_who = 1.0
        if fixed:
            # no sample of people: all that is uncertain in their effects is the noise of repeats
            on_who, v_who = (q - 1) / q, v_who * (q - 1) / q
            who = who._replace(df=max(float(q - 1), noise.df if noise else 0.0))
        if people.block == "spot":
            on_within = max(0.0, on_within - on_who * people.noise_share)
        else:
            on_spot = max(0.0, on_spot - on_who * people.noise_share)

    weighed = ((1.0, ms_lite), (on_spot, ms_spot), (on_within, within), (on_who, who))
    total_terms = tuple(t._replace(coefficient=c) for c, t in weighed if t is not None and c > 0)
    v_within = within.mean_square if within else None
    v_spot = max(0.0, ms_spot.mean_square - in_spot * (v_within or 0.0)) if ms_spot else None
    v_lite = None
    if ms_lite:
        lower = spot_in_lite * (ms_spot.mean_square - in_spot * (v_within or 0)) if ms_spot else 0.0
        v_lite = max(0.0, ms_lite.mean_square - lower - within_in_lite * (v_within or 0.0))
    outer = ((m, ms_lite), (s, ms_spot), (n, within))
    mean_terms = [t._replace(coefficient=1 / k) for k, t in outer if t is not None][:1]
    if who is not None and not fixed:
        mean_terms.append(who._replace(coefficient=1 / q))
    notes += _notes(m, s, n, ms_spot, within)
    return Components(
        mean=mean, lite=v_lite, spot=v_spot, operator=v_who, within=v_within,
        total=sum_of(total_terms) if total_terms else math.nan,
        total_terms=total_terms, mean_terms=tuple(mean_terms),
        n_readings=n, n_spots=s, n_lites=m, n_operators=q, operators_fixed=fixed,
        notes=tuple(notes),
    )  # fmt: skip


def _within(d: Floats, spots: Codes, at_spot: Floats, people: _People | None) -> Term | None:
    if people is not None and people.block == "spot":
        return people.residual
    df = d.size - at_spot.size
    return Term(1.0, float(np.sum((d - at_spot[spots]) ** 2)) / df, df) if df > 0 else None


def _notes(m: int, s: int, n: int, spot: Term | None, within: Term | None) -> list[str]:
    notes = []
    if m == 1:
        notes.append(
            "one lite only: what differs from lite to lite is not in these figures, which hold "
            "for that lite"
        )
    if within is None and n > 1:
        notes.append("no spot was read twice: scatter of repeats is part of that between spots")
    if spot is None and s > 1:
        notes.append("one spot a lite: scatter between spots is part of that between lites")
    return notes


def one_way_components(differences: ArrayLike, *, lite: Labels) -> Components:
    """One-way analysis of variance with every reading weighed alike.

    This is the form of Bland and Altman, J. Biopharm. Stat. 17 (2007) 571-582, "true value
    varies": kept so that their published limits come out. The mean squares are not independent
    of the weights where numbers are unequal, so ``nested_components`` is the better default.
    Raises SurveyError as there.
    """
    d = finite(differences, what="differences")
    n = d.size
    codes, m = codes_of(lite, n, what="lites")
    count = np.bincount(codes, minlength=m)
    means = np.bincount(codes, d, m) / count
    mean = float(d.mean())
    within = between = None
    if n > m:
        within = Term(1.0, float(np.sum((d - means[codes]) ** 2)) / (n - m), n - m)
    if m > 1:
        between = Term(1.0, float(np.sum(count * (means - mean) ** 2)) / (m - 1), m - 1)
    divisor = (n**2 - float(np.sum(count**2))) / ((m - 1) * n) if m > 1 else 1.0
    weighed = (
        (1 / divisor if within else 1.0, between),
        (1 - 1 / divisor if between else 1.0, within),
    )
    terms = tuple(t._replace(coefficient=c) for c, t in weighed if t is not None and c > 0)
    v_within = within.mean_square if within else None
    v_lite = max(0.0, (between.mean_square - (v_within or 0.0)) / divisor) if between else None
    # a mean over n readings: its variance grows with the imbalance of the lites
    spread = float(np.sum(count**2)) / n**2
    mean_terms: tuple[Term, ...] = ()
    if between:
        mean_terms = (between._replace(coefficient=max(spread / divisor, 1 / n)),)
    elif within:
        mean_terms = (within._replace(coefficient=1 / n),)
    return Components(
        mean=mean, lite=v_lite, spot=None, operator=None, within=v_within,
        total=sum_of(terms) if terms else math.nan, total_terms=terms, mean_terms=mean_terms,
        n_readings=n, n_spots=n, n_lites=m, n_operators=1, operators_fixed=False,
        notes=(),
    )  # fmt: skip
