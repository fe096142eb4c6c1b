"""The imprint of the nozzles: odd ones are found by number, nothing is claimed without cause."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pytest

from blown import ODD, blown, held_still, quench, true_depth_um
from midchord.machine_place import MachinePlace
from midchord.nozzles.facts import imprint_facts, imprint_sentences, nozzle_table
from midchord.nozzles.imprint import NozzleGathering, NozzleImprint, nozzle_imprint
from midchord.nozzles.nozzle_settings import NozzleSettings
from midchord_io.errors import LiteTooSmall, ScanError, SettingsError, UnsupportedScan
from midchord_io.results import write_json


@functools.cache
def usual_case() -> NozzleImprint:
    return nozzle_imprint(blown(1), quench())


def odd_of(found: NozzleImprint) -> dict[int, str]:
    return {one.judged.track.column: one.judged.kind for one in found.columns.odd}


def test_odd_nozzles_are_found_by_number_and_nothing_else() -> None:
    found = usual_case()
    assert odd_of(found) == {9: "not there", 20: "weak"}
    assert found.columns.odd[0].judged.track.column == 9  # the surest first
    for one in found.columns.odd:
        factor, ends = one.judged.factor, one.judged.factor_interval
        assert factor == pytest.approx(ODD[one.judged.track.column], abs=0.05)
        assert ends is not None
        assert ends[0] - 0.02 <= ODD[one.judged.track.column] <= ends[1] + 0.02


def test_depth_and_power_are_those_of_the_dimples() -> None:
    tracks = {one.judged.track.column: one for one in usual_case().columns.tracks}
    for column in (8, 9, 15, 20, 25):
        truth = true_depth_um(column, ODD)
        assert 1000 * tracks[column].depth_mm == pytest.approx(truth, abs=0.15)
        # concave seen from above: positive, 2 a / w^2 for a bell of depth a; noise about 10 mdpt
        size_mm = 0.01 * 8 * np.sqrt(2 * np.pi) / 50 * ODD.get(column, 1.0)
        assert tracks[column].power_mdpt == pytest.approx(2e6 * size_mm / 64, abs=35)


def test_lites_of_unknown_place_are_counted_from_their_edge_and_said() -> None:
    found = nozzle_imprint(blown(5, position_known=False), quench())
    first, second = sorted(odd_of(found))
    assert second - first == 11
    said = " ".join(imprint_sentences(found))
    assert "counted from the left-hand edge of the lites" in said
    assert "may be off by whole pitches" in said
    assert 2.0 < found.columns.registration.scatter_mm < 8.0


def test_lites_that_lie_anywhere_keep_their_fold_and_lose_their_numbers() -> None:
    lites = blown(2, position_known=False, place={"across_sd_mm": 60.0})
    found = nozzle_imprint(lites, quench())
    assert found.columns.tracks == []
    assert "scatter by" in found.columns.refused or "guided alike" in found.columns.refused
    assert 1000 * np.ptp(found.columns.folded_mm) == pytest.approx(3.5, abs=0.4)


def test_without_an_imprint_nothing_is_claimed() -> None:
    found = nozzle_imprint(blown(3, imprint=None, lites=6), quench())
    assert found.columns.odd == []
    assert not found.columns.registration.is_present
    assert imprint_sentences(found)[0].startswith("No imprint of the nozzles is seen")


def test_a_nozzle_beside_its_place_is_told_from_a_weak_one() -> None:
    lites = blown(5, odd_columns=[{"column": 12, "factor": 1.0, "off_mm": 6.0}])
    found = nozzle_imprint(lites, quench())
    assert odd_of(found) == {12: "beside its place"}
    judged = found.columns.odd[0].judged
    assert judged.moved_mm == pytest.approx(6.0, abs=0.5)
    assert judged.factor == pytest.approx(1.0, abs=0.06)
    assert "to the right" in " ".join(imprint_sentences(found))


def test_one_lite_is_enough_for_a_ranking_but_not_for_intervals() -> None:
    found = nozzle_imprint(blown(6, lites=1), quench())
    assert odd_of(found) == {9: "not there", 20: "weak"}
    assert found.columns.odd[0].depth_interval is None
    assert "Intervals need at least 5 lites" in " ".join(imprint_sentences(found))


def test_shifted_rows_melt_and_an_odd_column_stands_out_by_both_its_tracks() -> None:
    machine = quench(nozzles={"stagger_mm": 20.0})
    found = nozzle_imprint(blown(4, stagger_mm=20.0, lites=12), machine)
    names = {(one.judged.track.column, one.judged.track.rows) for one in found.columns.odd}
    assert names == {(k, rows) for k in ODD for rows in ("odd rows", "even rows")}
    assert found.columns.usual_mm is None
    assert "melt into an even surface" in " ".join(imprint_sentences(found))


def test_what_moves_with_the_glass_is_none_of_the_machine() -> None:
    lites = blown(7, odd={20: 0.5}, lites=16, place={"across_sd_mm": 6.0})
    y = lites[0]["y"].values
    streak = 0.002 * np.exp(-0.5 * ((y - 555.0) / 8.0) ** 2)
    for lite in lites:
        lite["residual"] = lite["residual"] + streak.astype(np.float32)
    found = nozzle_imprint(lites, quench())
    kinds = {one.judged.track.column: one.judged.kind for one in found.columns.tracks}
    assert kinds[20] == "weak"
    moving = [column for column, kind in kinds.items() if kind == "moves with the glass"]
    assert moving
    assert all(abs(column - 17) <= 1 for column in moving)


@pytest.mark.parametrize("stagger_mm", [0.0, 20.0])
def test_rows_are_told_apart_where_the_glass_was_held_still(stagger_mm: float) -> None:
    machine = quench(
        oscillation={"stroke_mm": 0.0},
        nozzles={"stagger_mm": stagger_mm},
        place={"across": True, "across_sd_mm": 4.0, "along": True, "along_sd_mm": 5.0},
    )
    lites = held_still(3, lambda row, _: 0.0 if row == 30 else 1.0, stagger_mm=stagger_mm)
    found = nozzle_imprint(lites, machine)
    assert found.rows is not None
    assert [(one.judged.track.column, one.judged.kind) for one in found.rows.odd] == [
        (30, "not there")
    ]


def test_rows_are_left_alone_where_motion_smeared_them() -> None:
    machine = quench(oscillation={"stroke_mm": 620.0, "reversal_points_mm": [200.0, 820.0]})
    found = nozzle_imprint(blown(8, lites=2), machine)
    assert found.rows is None
    said = " ".join(imprint_sentences(found))
    assert "Rows of nozzles are not told apart: the glass moved to and fro by 620 mm and turned at "
    assert "may leave no more than" in said


def test_the_face_that_was_scanned_is_held_against_that_which_was_blown_on() -> None:
    machine = quench(nozzles={"blow_off": "lower"})
    lites = [lite.assign_attrs(face="upper") for lite in blown(9, lites=2)]
    said = " ".join(imprint_sentences(nozzle_imprint(lites, machine)))
    assert "These nozzles blow on the lower face, and the upper one was scanned" in said
    lites[1].attrs["face"] = "lower"
    with pytest.raises(ScanError, match="its lower face was scanned, and the upper face of lite"):
        nozzle_imprint(lites, machine)


def test_facts_are_strict_json_and_the_table_holds_every_track(tmp_path: Path) -> None:
    found = usual_case()
    write_json(imprint_facts(found), tmp_path / "nozzles.json")
    stored = json.loads((tmp_path / "nozzles.json").read_text("utf-8"))
    assert stored["columns"]["odd"] == ["9", "20"]
    assert stored["settings"]["seed"] == found.settings.seed
    table = nozzle_table(found)
    assert len(table) == len(found.columns.tracks)
    assert (table["depth_interval_low"] <= table["depth_mm"]).all()


def test_the_same_seed_gives_the_same_and_another_another_interval() -> None:
    lites = blown(1)
    again = nozzle_imprint(lites, quench())
    other = nozzle_imprint(lites, quench(), NozzleSettings.of({"seed": 7}))
    ends = [found.columns.tracks[3].depth_interval for found in (usual_case(), again, other)]
    assert ends[0] == ends[1]
    assert ends[0] != ends[2]


def test_maps_too_coarse_for_the_nozzles_are_refused() -> None:
    coarse = blown(1, lites=1)[0].isel(y=slice(None, None, 5))
    with pytest.raises(UnsupportedScan) as refused:
        nozzle_imprint([coarse], quench())
    assert "a point every 25 mm across, and nozzles stand 40 mm apart" in str(refused.value)
    assert "at most half of that" in str(refused.value)


def test_a_machine_without_nozzles_is_refused() -> None:
    with pytest.raises(SettingsError, match="describes no nozzles"):
        NozzleGathering(quench().model_copy(update={"nozzles": None}))


def test_narrow_lites_are_left_out_and_said() -> None:
    narrow = blown(2, lites=1, width_mm=150.0)[0].assign_attrs(lite_id="narrow")
    found = nozzle_imprint([*blown(1, lites=2), narrow], quench())
    assert [name for name, _ in found.left_out] == ["narrow"]
    with pytest.raises(LiteTooSmall, match="three nozzle pitches across"):
        nozzle_imprint([narrow], quench())


def test_a_table_of_places_overrides_the_scan() -> None:
    lites = blown(1, lites=3)
    places = {
        str(lite.attrs["lite_id"]): MachinePlace(
            across_mm=lite.attrs["truth"]["across_mm"] + 80.0, across_sd_mm=2.0
        )
        for lite in lites
    }
    found = nozzle_imprint(lites, quench(), places=places)
    assert set(odd_of(found)) == {11, 22}
