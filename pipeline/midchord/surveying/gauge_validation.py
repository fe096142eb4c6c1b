"""What the readings of one gauge say: figures, what looks wrong with them, the verdict in words.

A verdict is never changed by what looks wrong; it is said with it. Where agreement is not shown and
something looks wrong, the sentence says so instead of asking for more readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from midchord.statistics.agreement import MORE
from midchord.statistics.comparison import Comparison, plain
from midchord.surveying.mark_turns import OutOfTurn
from midchord.surveying.pair_tables import PlaceMean
from midchord.surveying.pairing import Paired
from midchord.surveying.placement import DatumSuspicion, Shift
from midchord.surveying.reserves import Flatness, reserves, suspect_rows
from midchord.surveying.suspects import Flag
from midchord_io.gauge_card import GaugeCard

__all__ = ["GaugeValidation", "reserves_of"]


@dataclass(frozen=True)
class GaugeValidation:
    """What one gauge's readings say.

    singles, swings  comparisons; None where there are none. distortion: swings in mdpt
    judged           the comparison that the verdict is from
    study            of ``study_of_survey``, or the reason why there is none
    flatness         of the spots, against the lites at large
    without_suspects  as judged, without the flagged readings: for information, never the verdict;
                     None where nothing is flagged or nothing is left
    place_mean       what the mean over the hands' places takes off swings (or single readings)
    out_of_turn      neighbouring marks that are no peak beside a valley
    doubts           sentences on the numbers as they were written, and on the card
    more_reserves    what else must be said with the verdict
    """

    card: GaugeCard
    paired: Paired
    singles: Comparison | None
    swings: Comparison | None
    distortion: Comparison | None
    judged: Comparison
    shift: Shift
    datum: DatumSuspicion
    flags: tuple[Flag, ...]
    study: dict[str, Any] | str
    notes: tuple[str, ...]
    flatness: Flatness
    without_suspects: Comparison | None
    place_mean: PlaceMean
    out_of_turn: tuple[OutOfTurn, ...] = ()
    doubts: tuple[str, ...] = ()
    more_reserves: tuple[str, ...] = ()

    @property
    def n_suspects(self) -> int:
        """Readings that are flagged, those of flagged groups each."""
        return len(suspect_rows(self.flags))

    @property
    def reserves(self) -> tuple[str, ...]:
        """What must be said in one breath with the verdict."""
        return reserves_of([self])

    @property
    def look_at_first(self) -> tuple[str, ...]:
        """What is wrong, or looks so, in sentences, what many readings share first: datum, gauge,
        shift, marks, numbers; single suspects after them."""
        datum = [self.datum.sentence] if self.datum.status == "likely wrong" else []
        shift = [self.shift.sentence] if self.shift.needs_attention else []
        flags = [flag for flag in self.flags if flag.kind != "datum"]
        groups = [f"rows from {flag.row}: {flag.sentence}" for flag in flags if flag.rows]
        singles = [f"row {flag.row}: {flag.sentence}" for flag in flags if not flag.rows]
        turns = [one.sentence for one in self.out_of_turn]
        return (*datum, *groups, *shift, *self.doubts, *turns, *singles)

    @property
    def statement(self) -> str:
        """The verdict's sentence. Where something looks wrong, more readings are no help."""
        found = self.judged.agreement
        if found.verdict != "not shown" or not self.look_at_first:
            return found.statement
        said = found.statement.removesuffix(f": {MORE}")
        return f"{said}; first settle what is listed under 'look at this first'"

    def as_dict(self) -> dict[str, Any]:
        unpaired = self.paired.unpaired
        return {
            "gauge": self.card.gauge,
            "card": self.card.as_dict(),
            "judged_on": self.judged.quantity,
            "n_paired": self.judged.agreement.n_readings,
            "n_unpaired": len(unpaired),
            "unpaired": plain(unpaired.to_dict("records")),
            "singles": self.singles.as_dict() if self.singles else None,
            "swings": self.swings.as_dict() if self.swings else None,
            "distortion": self.distortion.as_dict() if self.distortion else None,
            "placement": plain(self.shift),
            "place_mean": plain(self.place_mean),
            "datum_suspicion": plain(self.datum),
            "flags": [_flag_facts(flag) for flag in self.flags],
            "n_suspects": self.n_suspects,
            "n_causes": len(self.flags),
            "out_of_turn": plain(self.out_of_turn),
            "look_at_first": list(self.look_at_first),
            "without_suspects": self.without_suspects.as_dict() if self.without_suspects else None,
            "reserves": list(self.reserves),
            "spots": plain(self.flatness),
            "gauge_study": plain(self.study),
            "verdict": self.judged.agreement.verdict,
            "statement": self.statement,
            "notes": list(self.notes),
        }


def reserves_of(gauges: Sequence[GaugeValidation]) -> tuple[str, ...]:
    """What must be said in one breath with the verdict on these gauges together."""
    return reserves(
        sum(one.n_suspects for one in gauges),
        sum(len(one.flags) for one in gauges),
        n_out_of_turn=sum(len(one.out_of_turn) for one in gauges),
        is_datum_in_doubt=any(one.datum.status == "likely wrong" for one in gauges),
        others=[reserve for one in gauges for reserve in one.more_reserves],
    )


def _flag_facts(flag: Flag) -> dict[str, Any]:
    facts: dict[str, Any] = plain(flag)
    return {"row": facts.pop("row"), "reason": facts.pop("sentence"), **facts}
