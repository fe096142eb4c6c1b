"""Which matrix of a file holds the heights, or which ones: several heads leave one each.

Matrices of one shape and type whose names differ in a number only are rather the heads of one
scanner than pictures of different things, so all of them are proposed together. Where each head
looks stands in no file: its place across is for a person to say.
"""

from __future__ import annotations

import re

from midchord.identifying.decision import Decision, likely_axes
from midchord_io.ingest.facts import ArrayFacts, FileFacts

__all__ = ["dataset_decision", "heads_of"]

MOST_HEADS = 24


def heads_of(chosen: ArrayFacts, facts: FileFacts) -> tuple[ArrayFacts, ...]:
    """The matrices that look like heads beside ``chosen``, itself among them; empty if alone."""
    if "heads" not in facts.uses or not chosen.name:
        return ()
    alike = tuple(
        array
        for array in facts.arrays
        if array.dtype == chosen.dtype
        and array.shape[0] == chosen.shape[0]
        and _without_numbers(array.name) == _without_numbers(chosen.name)
    )
    return alike if 2 <= len(alike) <= MOST_HEADS else ()


def dataset_decision(chosen: ArrayFacts, facts: FileFacts) -> Decision:
    """``dataset``, or ``heads`` where several matrices look like them."""
    names = ", ".join(array.name for array in facts.arrays)
    heads = heads_of(chosen, facts)
    if not heads:
        return Decision("source", f'dataset = "{chosen.name}"', f"there are {names}")
    across = 1 if likely_axes(facts, chosen.shape)[1] == "y" else 0
    said, y = [], 0.0
    for head in heads:
        short = head.name.rpartition("/")[2]
        said.append(f'{{ name = "{short}", dataset = "{head.name}", y_mm = {y!r} }}')
        y += float(head.shape[across])
    three = (
        ' or, where they lie one after the other along the travel, "three_rows" (datasets and x_mm)'
        if len(heads) == 3
        else ""
    )
    why = (
        f"there are {names}: heads side by side across the width? y_mm of each is the place of its "
        "sample nearest to the left-hand edge (here it only stands in, as if they did not overlap "
        "by a pitch of 1 mm); add x_mm where one looks further along, reversed = true where one is "
        f"mounted the other way round. Else dataset, the one with the heights{three}"
    )
    return Decision("source", f"heads = [{', '.join(said)}]", why)


def _without_numbers(name: str) -> str:
    return re.sub(r"\d+", "#", name) if re.search(r"\d", name) else name + "/"
