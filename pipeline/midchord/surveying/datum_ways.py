"""The ways to take a datum wrong, and where readings would lie under each.

Counted from another edge, on the other face, turned over, or the marks of a line in reverse order:
each way gives the readings other places, or another sign. And whose readings may have it wrong: the
whole survey, one lite, one person, one walk.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from midchord.surveying.places import PlacedTwin, placed_twin
from midchord.surveying.twin_field import TwinField

__all__ = [
    "LARGEST_COUNT",
    "WHOLE_SURVEY",
    "Places",
    "changes_of",
    "divisions_of",
    "twin_under",
    "ways_of",
]

Floats = npt.NDArray[np.float64]


class Places(NamedTuple):
    """Readings as they would lie under one way."""

    name: str
    words: str
    x_mm: Floats
    y_mm: Floats
    sign: float


WORDS = {
    (False, False, True): ("other face", "the readings have the sign of the other face"),
    (True, False, False): ("trailing", "x was counted from the trailing edge"),
    (False, True, False): ("right", "y was counted from the right-hand edge, mirrored"),
    (True, True, False): ("turned", "the lite lay turned by 180 degrees in its plane"),
    (True, False, True): (
        "trailing, other face",
        "the lite was turned over end for end: x from the trailing edge, on the other face",
    ),
    (False, True, True): (
        "right, other face",
        "the lite was turned over side for side: y from the right-hand edge, on the other face",
    ),
    (True, True, True): (
        "turned, other face",
        "the lite lay turned by 180 degrees, with the sign of the other face",
    ),
}
LARGEST_COUNT = len(WORDS) + 2
"""Of ways, reversed marks on either face among them."""
WHOLE_SURVEY = "the whole survey"


def changes_of(name: str) -> int:
    """How many things are the other way round under a way of this name."""
    own = {known: sum(changes) for changes, (known, _) in WORDS.items()}
    return own.get(name, 1 + name.endswith("other face"))


def divisions_of(singles: pd.DataFrame) -> Iterator[list[tuple[str, pd.DataFrame]]]:
    """The survey as a whole, then divided ever more finely; each division once."""
    yield [(WHOLE_SURVEY, singles)]
    named = {
        ("lite_id",): "lite {}",
        ("operator",): "operator {}",
        ("lite_id", "operator"): "lite {} by {}",
        ("lite_id", "operator", "repeat"): "lite {} by {}, repeat {}",
    }
    if "line" in singles:
        walks = singles.assign(y_of_line=singles["y_mm"].map("{:g}".format))
        by = ("lite_id", "operator", "repeat", "y_of_line")
        named[by] = "lite {} by {}, repeat {}, the line at y = {} mm"
    else:
        walks = singles
    known = {frozenset([frozenset(singles["row"])])}
    for names, words in named.items():
        division = [
            (words.format(*key), rows.drop(columns="y_of_line", errors="ignore"))
            for key, rows in walks.groupby(list(names), sort=False)
        ]
        parts = frozenset(frozenset(rows["row"]) for _, rows in division)
        if parts not in known:
            known.add(parts)
            yield division


def ways_of(
    pairs: pd.DataFrame, twins: Mapping[str, TwinField], same_mm: float
) -> list[Places]:
    """All ways that put a reading elsewhere or turn its sign; of equal ones the first.

    pairs    as of ``pair_readings``, numbered 0 ... n-1
    same_mm  places no farther apart than this are the same
    """
    own = pairs["lite_id"].astype(str)
    length = own.map(lambda name: twins[name].length_mm).to_numpy(float)
    width = own.map(lambda name: twins[name].width_mm).to_numpy(float)
    x, y = pairs["x_mm"].to_numpy(float), pairs["y_mm"].to_numpy(float)
    ways = [Places("", "", x, y, 1.0)]
    tried = [
        Places(name, words, length - x if ends else x, width - y if sides else y, sign)
        for (ends, sides, face), (name, words) in WORDS.items()
        for sign in (-1.0 if face else 1.0,)
    ]
    if "line" in pairs:
        back = _reversed_marks(pairs)
        words = "the marks of each line were written down in reverse order"
        tried.append(Places("reversed marks", words, x[back], y[back], 1.0))
        tried.append(
            Places(
                "reversed marks, other face", f"{words}, on the other face", x[back], y[back], -1.0
            )
        )
    if _has_one_sign(twins):
        # what hangs below a base or a rule does not turn its sign on the other face
        tried = [way for way in tried if way.sign > 0]
    for way in tried:
        if not any(_is_same(way, other, same_mm) for other in ways):
            ways.append(way)
    return ways[1:]


def _is_same(one: Places, other: Places, same_mm: float) -> bool:
    apart = max(np.abs(one.x_mm - other.x_mm).max(), np.abs(one.y_mm - other.y_mm).max())
    return one.sign == other.sign and bool(apart <= same_mm)


def _reversed_marks(pairs: pd.DataFrame) -> npt.NDArray[np.intp]:
    """For each reading, the one whose place it has if its walk was written down backwards."""
    back = np.arange(len(pairs))
    for _, rows in pairs.groupby("line", sort=False):
        order = rows.sort_values("mark").index.to_numpy()
        back[order] = order[::-1]
    return back


def _has_one_sign(twins: Mapping[str, TwinField]) -> bool:
    known = (t.reading_mm[np.isfinite(t.reading_mm)] for t in twins.values())
    ends = [(read.min(), read.max()) for read in known if read.size]
    return all(low >= 0 for low, _ in ends) or all(high <= 0 for _, high in ends)


def twin_under(
    way: Places, pairs: pd.DataFrame, twins: Mapping[str, TwinField], sd_mm: float
) -> PlacedTwin:
    """What the twin reads, by the sign of the readings, if they were taken this way."""
    placed = placed_twin(pairs, twins, way.x_mm, way.y_mm, sd_mm)
    return PlacedTwin(way.sign * placed.twin_mm, placed.u_mm)
