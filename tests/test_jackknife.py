"""Clusters, and the jackknife of a mean against closed forms."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from midchord.statistics.jackknife import clusters_of, jackknife
from midchord_io.errors import SurveyError


def means_without(values: Any) -> Any:
    def left_out(groups: Any, m: int) -> Any:
        return np.array([[values[groups != g].mean()] for g in range(m)])

    return left_out


def test_single_pairs_give_the_standard_error_of_the_mean() -> None:
    values = np.random.default_rng(1).normal(size=13)
    errors, df = jackknife(clusters_of(13, what="mean"), means_without(values))
    assert errors[0] == pytest.approx(values.std(ddof=1) / math.sqrt(13))
    assert df[0] == 12


def test_even_clusters_give_the_standard_error_of_their_means() -> None:
    values = np.random.default_rng(2).normal(size=(6, 4))
    lite = np.repeat(np.arange(6), 4)
    errors, df = jackknife(clusters_of(24, what="mean", lite=lite), means_without(values.ravel()))
    assert errors[0] == pytest.approx(values.mean(axis=1).std(ddof=1) / math.sqrt(6))
    assert df[0] == 5


def test_people_and_spots_against_the_variance_of_a_crossed_table() -> None:
    # variance of the mean of a x b: A/a + B/b + E/(a b); mean over 400 draws
    rng = np.random.default_rng(3)
    spot, person = np.repeat(np.arange(12), 5), np.tile(np.arange(5), 12)
    clusters = clusters_of(60, what="mean", spot=spot, operator=person)
    found = []
    for _ in range(400):
        table = rng.normal(0, 1, (12, 1)) + rng.normal(0, 0.7, 5) + rng.normal(0, 0.5, (12, 5))
        found.append(jackknife(clusters, means_without(table.ravel()))[0][0] ** 2)
    assert np.mean(found) == pytest.approx(1 / 12 + 0.49 / 5 + 0.25 / 60, rel=0.1)


def test_a_figure_that_is_not_there_makes_the_error_infinite() -> None:
    def left_out(groups: Any, m: int) -> Any:
        return np.column_stack([np.arange(m), np.where(np.arange(m) == 2, np.inf, 1.0)])

    errors, _ = jackknife(clusters_of(5, what="it"), left_out)
    assert errors[0] == pytest.approx(math.sqrt(4 / 5 * 10))
    assert errors[1] == math.inf


@pytest.mark.parametrize(
    ("labels", "kind", "m", "words"),
    [
        ({}, "pairs", 12, "jackknife over 12 pairs"),
        ({"lite": list("aaaabbbbcccc")}, "lites", 3, "jackknife over 3 lites"),
        # two lites are no sample: their spots, named apart by lite
        ({"lite": list("aaaaaabbbbbb"), "spot": [1, 1, 2, 2, 3, 3] * 2}, "spots", 6,
         "jackknife over 6 spots"),
        ({"lite": list("abcdefghijkl")}, "pairs", 12, "jackknife over 12 pairs"),
        ({"lite": list("aaaabbbbcccc"), "most": 2}, "lites", 2,
         "jackknife over 3 lites in 2 groups"),
        ({"operator": list("xyz") * 4}, "pairs", 12,
         "jackknife over 12 pairs and over 3 operators"),
        ({"operator": list("xy") * 6}, "pairs", 12, "jackknife over 12 pairs"),
    ],
)  # fmt: skip
def test_what_is_a_cluster(labels: Any, kind: str, m: int, words: str) -> None:
    found = clusters_of(12, what="it", **labels)
    assert (found.kind, found.m, found.words) == (kind, m, words)
    assert np.bincount(found.groups).size == m


def test_too_few() -> None:
    with pytest.raises(SurveyError, match="there are 2 spots; 3 at least are needed"):
        clusters_of(4, what="it", spot=list("aabb"))
    with pytest.raises(SurveyError, match="there is 1 spot; 3 at least"):
        clusters_of(3, what="it", spot=list("aaa"))
