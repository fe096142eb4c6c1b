"""Suspect readings: which ones are improbable, and which slip of the hand would explain them.

Every reading is compared with what the gauge should have read there: the twin, times the scale of
the survey, plus the offset of its operator (or walk) and lite, all fitted robustly, in units of
the scatter that the survey really has (``twin_fit``), by Student's t. It is flagged when it is

- improbable: its p-value passes the step-up rule of Benjamini and Hochberg (J. R. Stat. Soc. B 57
  (1995) 289-300) at 5 % over all readings, so that about 1 flag in 20 is false at most, and it is
  improbable at 5 % even with its place taken where that explains most; and
- one slip agrees: the reading set right by it lies within 3 standard deviations of what was
  expected, and it is likelier so than as a mere outlier.

Where no slip agrees it is an "outlier", and only if it is improbable at 5 % over all readings
together (Bonferroni), its place taken where that explains most.

====================  =============================================================================
kind                  the slip
====================  =============================================================================
sign                  plus for minus
factor 2, 1/2         swing of the reading for depth of the surface, or the reverse
factor 25.4, 1/25.4   inches taken for millimetres, or the reverse
factor 10, 1/10       the decimal point misplaced
factor 100, 1/100     the decimal point misplaced, or steps of a dial of 0.01 mm counted
factor 1000, 1/1000   micrometres taken for millimetres, or the reverse
swapped marks         the readings of two neighbouring marks (or spots) exchanged
neighbouring spot     taken, or written down, one place further on
half-span             a walk, a person or a survey agrees better with other feet (``wrong_feet``)
other gauge           a walk, a person or a survey agrees better with another kind of gauge
datum                 a whole lite, person, walk or survey counted from elsewhere (``datum``)
outlier               none of these
====================  =============================================================================

A factor is named only where the reading set right stands well above its uncertainty: near nothing,
a tenth and a twenty-fifth of any reading agree. Readings of a group whose datum is likely wrong
are one flag together, and no single one of them is judged.

On an even wave some slips look alike: a peak read with the wrong sign is a neighbouring valley.
The likeliest is named, the others beside it. Flagged readings stay in the statistics; only a
person excludes them, with a reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.datum import DatumGroup, DatumSuspicion
from midchord.surveying.flags import FACTORS, FACTORS_IN_WORDS, Flag, as_dialled, dial_of
from midchord.surveying.settled_datum import settle_datum
from midchord.surveying.twin_field import MappedLite, TwinField
from midchord.surveying.twin_fit import BLUNDERS, TwinFit, fit_twins, grouped, robust_spread
from midchord.surveying.wrong_feet import Correction, flag_walks
from midchord_io.gauge_card import GaugeCard

__all__ = ["Flag", "flag_readings"]

Floats = npt.NDArray[np.float64]

LEVEL = 0.05
AGREES = 3.0
"""Standard deviations within which a reading set right agrees with what was expected."""
ABOVE_NOTHING = 3.0
"""Standard deviations that a reading set right by a factor must be away from nothing."""
ROBUST = 0.8
"""Worth of a reading for the scatter when blunders are allowed for."""
LEAST_READINGS = 8
SMALLEST_P = 1e-12
LADDER_SDS = 4.0
"""How far off a place may be taken, in standard deviations of the hand."""
NEIGHBOURS = 4
"""Places of a spot survey that count as neighbouring: the nearest on the lite."""
KINDS = len(FACTORS) + 3
"""Kinds of slip, swapped marks, neighbouring spot and outlier among them: each as likely."""


class _Slip(NamedTuple):
    """One explanation of a reading: its kind, how likely, what the reading would have been."""

    kind: str
    log_density: float
    alternative_mm: float | None
    words: str
    partner: int | None = None


def flag_readings(
    singles: pd.DataFrame,
    swings: pd.DataFrame,
    twins: Mapping[str, TwinField],
    card: GaugeCard,
    lites: Mapping[str, MappedLite],
    datum: DatumSuspicion | None = None,
) -> list[Flag]:
    """Readings that are improbable, each with the slip that would explain it.

    singles  pairs as of ``pair_readings``
    swings   differences of neighbouring marks, of line surveys; else empty
    twins    lite_id -> field of the twin
    card     of the gauge that made the readings
    lites    lite_id -> maps
    datum    of ``settle_datum`` on the same pairs; found here where it is not given
    returns  flags of whole groups first, then in the order of the rows; none below 8 readings,
             from which the scatter of a survey cannot be told
    """
    if len(singles) < LEAST_READINGS:
        return []
    if datum is None:
        sd_mm = float(singles["place_sd_mm"].iloc[0])
        datum = settle_datum(singles, swings, twins, card, lites, placement_sd_mm=sd_mm)
    of_datum = [_of_datum(group, singles, card) for group in datum.groups]
    wrong = {row for group in datum.groups for row in group.rows}
    rest = singles[~singles["row"].isin(wrong)]
    rest_swings = swings[~swings["row"].isin(wrong)] if len(swings) else swings
    if len(rest) < LEAST_READINGS:
        return of_datum
    of_walks, correction = flag_walks(rest, rest_swings, twins, card, lites)
    singles = rest
    return [
        *of_datum,
        *of_walks,
        *_Readings(singles.reset_index(drop=True), twins, card, correction).flags(),
    ]


def _of_datum(group: DatumGroup, singles: pd.DataFrame, card: GaugeCard) -> Flag:
    first = singles[singles["row"] == group.rows[0]].iloc[0]
    reading, expected = (
        as_dialled(float(first[name]), card) for name in ("gauge_mm", "scan_mm")
    )
    # of a hypothesis, not of one reading: the normal z of its probability
    z = -NormalDist().inv_cdf(max(1 - group.probability, SMALLEST_P) / 2)
    return Flag(
        group.rows[0], str(first["lite_id"]), "datum",
        f"{group.sentence}; no single reading of these was judged",
        reading, expected, None, z, group.rows,
    )  # fmt: skip


class _Readings:
    """Readings beside what they should have been, once a slip of their whole walk is set right."""

    def __init__(
        self,
        pairs: pd.DataFrame,
        twins: Mapping[str, TwinField],
        card: GaugeCard,
        correction: Correction,
    ) -> None:
        known = np.isfinite(correction.scan_mm)
        pairs = pairs[known].reset_index(drop=True)
        self.pairs, self.card, self.factor = pairs, card, correction.factor[known]
        self.gauge = pairs["gauge_mm"].to_numpy(float) / self.factor
        u_scan, u_place = (pairs[name].to_numpy(float) for name in ("u_scan_mm", "u_place_mm"))
        self.u_gauge = pairs["u_gauge_mm"].to_numpy(float) / np.abs(self.factor)
        u = np.sqrt(self.u_gauge**2 + u_scan**2 + u_place**2)
        groups = grouped(pairs, ("lite_id", "line" if "line" in pairs else "operator"))
        self.fit: TwinFit = fit_twins(self.gauge, correction.scan_mm[known], u, groups)
        self.expected, self.sd = self.fit.expected_mm[0], self.fit.sd_mm[0]
        self.z = (self.gauge - self.expected) / self.sd
        self.z_anywhere = self._least_off(u, twins)
        # a scatter found robustly is worth fewer readings than there are
        self.freedom = max(3.0, ROBUST * (len(pairs) - groups.n_offsets - 2))
        self.spread = max(robust_spread(self.gauge), 1e-9)
        self.centre = float(np.median(self.gauge))
        self.beside = _neighbours(pairs)

    def _least_off(self, u: Floats, twins: Mapping[str, TwinField]) -> Floats:
        """Standard deviations that a reading is off, its place taken where that helps it most.

        Near a peak the slope is nothing and a hand that is off by three standard deviations costs
        nine times what one costs, always downwards: no normal error. So the squares of both, how
        far off the place and how far off the reading, are made least together.
        """
        names = ("x_mm", "y_mm", "place_sd_mm")
        x, y, sd = (self.pairs[name].to_numpy(float) for name in names)
        k2 = (self.sd**2 - self.fit.extra_sd_mm[0] ** 2) / u**2
        steps = np.linspace(-LADDER_SDS, LADDER_SDS, 8 * int(LADDER_SDS) + 1)[:, None]
        there, across = np.empty((steps.size, x.size)), np.empty(x.size)
        own = self.pairs["lite_id"].astype(str).to_numpy()
        for lite_id in dict.fromkeys(own):
            on, field = own == lite_id, twins[lite_id]
            own_sd = float(sd[on][0])
            moved = field.at(x[on] + steps * sd[on] * np.sqrt(k2[on]), y[on])
            there[:, on] = moved - field.mean_at(x[on], y[on], own_sd)
            across[on] = field.gradient(x[on], y[on])[1]
        u_dial = np.hypot(self.u_gauge, self.pairs["u_scan_mm"].to_numpy(float))
        variance = k2 * (u_dial**2 + (across * sd) ** 2) + self.fit.extra_sd_mm[0] ** 2
        off = self.gauge - self.expected
        squares = (off - self.fit.scale[0] * np.nan_to_num(there)) ** 2 / variance + steps**2
        return np.asarray(np.sign(off) * np.sqrt(squares.min(axis=0)))

    def flags(self) -> list[Flag]:
        from scipy.stats import t

        p = 2 * t.sf(np.abs(self.z), self.freedom)
        passing = _step_up(p, LEVEL)
        # a slip that agrees speaks for itself: there a place that nearly explains it is no excuse
        p_anywhere = 2 * t.sf(np.abs(self.z_anywhere), self.freedom)
        improbable = (p <= passing) & (p_anywhere < LEVEL)
        outlying = p_anywhere < LEVEL / p.size
        swaps = self._swaps(improbable)
        flags = []
        for i in np.flatnonzero(improbable | np.array([k in swaps for k in range(p.size)])):
            slips = self._slips(int(i))
            # of several places beside it one agrees by chance more easily than a factor does
            if p[i] * max(1, len(self.beside[i])) > passing:
                slips = [slip for slip in slips if slip.kind != "neighbouring spot"]
            if int(i) in swaps:
                slips.append(swaps[int(i)])
            slips.sort(key=lambda slip: -slip.log_density)
            if slips and slips[0].log_density > self._log_outlier(int(i)):
                flags.append(self._flag(int(i), slips))
            elif outlying[i]:
                flags.append(self._outlier(int(i)))
        return flags

    # ---- what would explain a reading

    def _slips(self, i: int) -> list[_Slip]:
        """Single-reading slips that agree."""
        slips = []
        written = as_dialled(self.gauge[i], self.card)
        for kind, factor in FACTORS.items():
            right = dial_of(written / factor, self.card)
            # a small number is shown in coarse steps: they grow with the factor
            steps = self.u_gauge[i] / abs(factor) if abs(factor) < 1 else 0.0
            sd = math.hypot(self.sd[i], steps)
            z = (right - self.expected[i]) / sd
            if abs(z) <= AGREES and abs(written / factor) >= ABOVE_NOTHING * sd:
                density = _log_normal(z) - math.log(sd * abs(factor)) - math.log(KINDS)
                alternative = written / factor
                slips.append(_Slip(kind, density, alternative, FACTORS_IN_WORDS[kind]))
        for j in self.beside[i]:
            z = (self.gauge[i] - self.expected[j]) / self.sd[j]
            if abs(z) <= AGREES:
                density = _log_normal(z) - math.log(self.sd[j] * KINDS * len(self.beside[i]))
                words = f"it would agree as the reading of row {self.pairs['row'][j]} beside it"
                slips.append(_Slip("neighbouring spot", density, None, words))
        return slips

    def _swaps(self, improbable: npt.NDArray[np.bool_]) -> dict[int, _Slip]:
        """Pairs of neighbours that both agree once exchanged, one of them improbable as it is."""
        swaps: dict[int, _Slip] = {}
        for i, j in _exchangeable(self.pairs):
            if not (improbable[i] or improbable[j]):
                continue
            crossed = [
                (self.gauge[a] - self.expected[b]) / self.sd[b] for a, b in ((i, j), (j, i))
            ]
            if max(map(abs, crossed)) > AGREES or min(abs(self.z[[i, j]])) < AGREES / 2:
                continue
            # one slip for two readings: half of its price each
            price = 0.5 * math.log(KINDS / BLUNDERS) + math.log(BLUNDERS)
            for a, b, z in ((i, j, crossed[0]), (j, i, crossed[1])):
                density = _log_normal(z) - math.log(self.sd[b]) - price
                words = f"exchanged with row {self.pairs['row'][b]} both would agree"
                right = as_dialled(self.gauge[b], self.card)
                slip = _Slip("swapped marks", density, right, words, b)
                if a not in swaps or swaps[a].log_density < density:
                    swaps[a] = slip
        return swaps

    def _log_outlier(self, i: int) -> float:
        far = (self.gauge[i] - self.centre) / self.spread
        return -math.log(math.pi * self.spread * (1 + far**2) * KINDS)

    # ---- flags

    def _flag(self, i: int, slips: list[_Slip]) -> Flag:
        best = slips[0]
        other = [slip.kind for slip in slips[1:] if slip.kind != best.kind]
        also = f" (so would: {', '.join(dict.fromkeys(other))})" if other else ""
        return self._made(i, best.kind, f"{best.words}{also}", best.alternative_mm)

    def _outlier(self, i: int) -> Flag:
        return self._made(i, "outlier", "no common slip explains it", None)

    def _made(self, i: int, kind: str, why: str, alternative_mm: float | None) -> Flag:
        row = self.pairs.iloc[i]
        reading, expected = (
            as_dialled(float(self.factor[i] * value[i]), self.card)
            for value in (self.gauge, self.expected)
        )
        sentence = (
            f"lite {row['lite_id']}: {reading:.4g} mm was written where about {expected:.3f} mm "
            "was expected (the twin's value with this survey's own offset and scale), "
            f"{abs(self.z[i]):.1f} standard deviations off; {why}"
        )
        return Flag(
            int(row["row"]), str(row["lite_id"]), kind, sentence, reading, expected,
            None if alternative_mm is None else float(self.factor[i] * alternative_mm),
            float(self.z[i]),
        )  # fmt: skip


def _log_normal(z: float) -> float:
    return -0.5 * z**2 - 0.5 * math.log(2 * math.pi)


def _step_up(p: Floats, level: float) -> float:
    """The largest p-value that passes the rule of Benjamini and Hochberg; -1 where none does."""
    order = np.sort(p)
    passing = np.flatnonzero(order <= level * np.arange(1, p.size + 1) / p.size)
    return float(order[passing[-1]]) if passing.size else -1.0


def _walks(pairs: pd.DataFrame) -> Iterator[npt.NDArray[np.intp]]:
    """Positions of the readings that were taken one after the other, in order."""
    if "line" in pairs:
        for _, walk in pairs.groupby("line", sort=False):
            yield walk.sort_values("mark").index.to_numpy()
        return
    for _, walk in pairs.groupby(["lite_id", "operator", "repeat"], sort=False):
        yield walk.sort_values("row").index.to_numpy()


def _exchangeable(pairs: pd.DataFrame) -> Iterator[tuple[int, int]]:
    for walk in _walks(pairs):
        yield from zip(walk[:-1].tolist(), walk[1:].tolist(), strict=True)


def _neighbours(pairs: pd.DataFrame) -> list[list[int]]:
    """Of each reading: before and after it in its walk; of spots also the nearest places."""
    from scipy.spatial import KDTree

    beside: list[list[int]] = [[] for _ in range(len(pairs))]
    for i, j in _exchangeable(pairs):
        beside[i].append(j)
        beside[j].append(i)
    if "line" in pairs:
        return beside
    places = pairs[["x_mm", "y_mm"]].to_numpy(float)
    for walk in _walks(pairs):
        _, nearest = KDTree(places[walk]).query(places[walk], k=min(NEIGHBOURS + 1, walk.size))
        for i, near in zip(walk, walk[nearest.reshape(walk.size, -1)].tolist(), strict=True):
            others = [k for k in near if k != i][:NEIGHBOURS]
            beside[i] = list(dict.fromkeys([*beside[i], *others]))[:NEIGHBOURS]
    return beside
