"""Intervals where readings are not independent: whole clusters are left out, one after another.

Repeats of a spot share what is off at that spot, spots of a lite what is off with that lite,
readings of a person that person's hand. An interval that takes them as independent is too narrow.
The delete-one jackknife leaves each cluster out whole and looks at how far the figure moves:

    variance = (m - 1)/m sum (figure without cluster k - their mean)^2,    t on m - 1

What counts as a cluster: the lite, from 3 lites on; with fewer the spot, and the interval then
holds for these lites only; else each pair stands for itself. People read across lites. From 3 of
them on (``OPERATORS_RANDOM``) they are taken as a sample and their variance is added, what both
have in common taken off (two-way clustering, degrees of freedom by Satterthwaite); fewer are the
only ones there are.

Where a figure takes long to work out, many clusters are put together into some groups, in turns:
clusters stay whole, so the interval stays valid; of 50 groups it is 2 % wider than of all clusters.

Sources: Tukey, Ann. Math. Stat. 29 (1958) 614; Kott, J. Official Statistics 17 (2001) 521-526
(groups); Shao and Wu, Ann. Stat. 17 (1989) 1176-1197 (medians need groups); Cameron, Gelbach and
Miller, J. Bus. Econ. Stat. 29 (2011) 238-249 (two-way); Satterthwaite, Biometrics Bull. 2 (1946)
110-114.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from midchord.statistics.pairs import Floats, Labels, codes_of
from midchord_io.errors import SurveyError

__all__ = ["LEAST_LITES", "OPERATORS_RANDOM", "Clusters", "clusters_of", "jackknife"]

LEAST_LITES = 3
OPERATORS_RANDOM = 3

Codes = NDArray[np.intp]
LeftOut = Callable[[Codes, int], Floats]


class Clusters(NamedTuple):
    """What is left out together.

    groups    (pairs,) codes 0 .. m-1
    kind      "pairs", "spots" or "lites"
    people    (pairs,) codes of operators that are taken as a sample; None where none are
    words     what the interval comes from
    """

    groups: Codes
    m: int
    kind: str
    people: Codes | None
    n_people: int
    words: str

    @property
    def is_independent(self) -> bool:
        """Each pair stands for itself."""
        return self.kind == "pairs" and self.people is None


def clusters_of(
    n: int,
    *,
    what: str,
    lite: Labels | None = None,
    spot: Labels | None = None,
    operator: Labels | None = None,
    most: int | None = None,
) -> Clusters:
    """Clusters of n pairs by their labels, each (n,); see the module.

    most    clusters that are left out one by one; more of them are left out in so many groups
    Raises  SurveyError below 3 clusters, and where labels and pairs differ in number
    """
    lites, m_lites = codes_of([0] * n if lite is None else lite, n, what="lites")
    labels: Labels = range(n) if spot is None else spot
    codes_of(labels, n, what="spots")
    spots, m_spots = codes_of(list(zip(lites.tolist(), labels, strict=True)), n, what="spots")
    people, n_people = codes_of([0] * n if operator is None else operator, n, what="operators")
    if LEAST_LITES <= m_lites < n:
        groups, m, kind = lites, m_lites, "lites"
    elif m_spots < n:
        groups, m, kind = spots, m_spots, "spots"
    else:
        groups, m, kind = np.arange(n, dtype=np.intp), n, "pairs"
    if m < 3:
        raise SurveyError(
            what,
            found=f"there are {m} {kind}" if m > 1 else f"there is 1 {kind[:-1]}",
            needed="3 at least are needed",
            do="take more readings",
        )
    words = f"jackknife over {m} {kind}"
    if most is not None and m > most:
        groups, m = groups % most, most
        words += f" in {m} groups"
    if n_people < OPERATORS_RANDOM or n_people == n:
        return Clusters(groups, m, kind, None, n_people, words)
    words += f" and over {n_people} operators"
    return Clusters(groups, m, kind, people, n_people, words)


def jackknife(clusters: Clusters, left_out: LeftOut) -> tuple[Floats, Floats]:
    """Standard errors of some figures, and the degrees of freedom of Student's t of each.

    left_out  takes codes of groups (pairs,) and their number m; gives the figures without each
              group, (m, figures)
    returns   errors (figures,), infinite where a figure without some group is; df (figures,)
    """
    variance = _variance(left_out(clusters.groups, clusters.m))
    df = np.full_like(variance, clusters.m - 1)
    if clusters.people is None:
        return np.sqrt(variance), df
    by_person = _variance(left_out(clusters.people, clusters.n_people))
    # what both have in common: their cells, some left out at a time, as many of each person and of
    # each cluster; one at a time would not do for medians, which then jump from level to level
    m = max(3, min(clusters.m, math.isqrt(clusters.m * clusters.n_people)))
    shared = _variance(left_out((clusters.groups + clusters.people) % m, m))
    told = np.isfinite(variance) & np.isfinite(by_person) & np.isfinite(shared)
    total = np.full_like(variance, np.inf)
    for k in np.flatnonzero(told):
        # the difference may by chance come out below nothing
        own = max(0.0, float(by_person[k] - shared[k]))
        total[k] = variance[k] + own
        if total[k] > 0:
            parts = variance[k] ** 2 / (clusters.m - 1) + own**2 / (clusters.n_people - 1)
            df[k] = total[k] ** 2 / parts
    return np.sqrt(total), df


def _variance(found: Floats) -> Floats:
    m = len(found)
    told = np.isfinite(found).all(axis=0)
    spread = np.full(found.shape[1], np.inf)
    known = found[:, told]
    spread[told] = (m - 1) / m * np.sum((known - known.mean(axis=0)) ** 2, axis=0)
    return spread
