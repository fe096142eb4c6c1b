"""Many stored maps brought together: truth found again, kills survived, bad files put aside."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import norm

import midchord
from fake_maps import fake_maps
from lot_files import (
    PLACED,
    Truth,
    bands,
    drawn_place,
    moment,
    nothing,
    on_glass,
    placed,
    streaks,
    write_lots,
)
from midchord.lots import lots
from midchord.machine import Machine
from midchord.machine_place import MachinePlace
from midchord.production import stored
from midchord.production.facts import lite_table, lots_facts, lots_maps
from midchord.production.lots_settings import LotsSettings
from midchord.production.result import Lots
from midchord.production.sentences import limits_of
from midchord_io.errors import ScanError, SettingsError
from midchord_io.results import read_maps, write_json, write_maps, write_netcdf

WIDE = (120.0, 50.0)
"""Scatter of the places, mm: wide against the patterns, so that they can be told apart."""


def spot(u: Any, v: Any) -> Any:
    return 18 * np.exp(-(((u - 2600) / 60) ** 2) - ((v - 520) / 40) ** 2)


def whole_truth() -> Truth:
    return Truth(
        lambda u, v: streaks(u, v) + bands(u, v) + spot(u, v), on_glass, lite_sd=1.5, wave_sd=2.0,
        noise_sd=1.0,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lots")
    write_lots(folder, 48, whole_truth(), scatter_mm=WIDE)
    return folder


@pytest.fixture(scope="module")
def found(folder: Path) -> Lots:
    limit = {"persistence": {"limit": 52.0}}
    return lots([folder], PLACED, LotsSettings.of(limit))


def planted_in_the_machine() -> dict[str, float]:
    """Mean squares of the machine's pattern where clear points come to lie (x 225 to 775 mm, y 50
    to 350 mm, places normal about 2000 and 300 mm), parted into rows, columns and the rest."""
    u, v = np.arange(1900.0, 3100.0, 5.0), np.arange(200.0, 800.0, 5.0)
    weights = [
        norm.cdf(at - low, middle, sd) - norm.cdf(at - high, middle, sd)
        for at, low, high, middle, sd in ((u, 225, 775, 2000, WIDE[0]), (v, 50, 350, 300, WIDE[1]))
    ]
    wu, wv = (one / one.sum() for one in weights)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    z = streaks(uu, vv) + bands(uu, vv) + spot(uu, vv)
    z -= wu @ z @ wv
    along, across = z @ wv, wu @ z
    rest = z - along[:, None] - across[None, :]
    return {
        "machine along": float(wu @ along**2), "machine across": float(wv @ across**2),
        "machine spots": float(wu @ rest**2 @ wv),
    }  # fmt: skip


def test_planted_parts_are_recovered(found: Lots) -> None:
    assert found.split is not None
    assert found.known == "both"
    planted = {
        **planted_in_the_machine(), "lite": 6.25, "between lites": 2.25,
        "noise": 4.0 + 0.25 * 1.0,
    }  # fmt: skip
    for name, true in planted.items():
        one = found.split[name]
        assert one.variance == pytest.approx(true, abs=0.25 * true + 0.25), name
        # a little of what is fixed is "either"'s
        assert one.interval[0] - 0.1 * true <= true <= one.interval[1] + 0.1 * true, name
        assert one.shown, name
    assert abs(found.split["either"].share) < 0.1
    # two points of 5 mm a side: three quarters of the noise, and how the patterns slope in a cell
    slopes = sum(
        size * (2 * np.pi / period) ** 2 * 2.5**2
        for size, period in ((9.0, 150.0), (4.0, 180.0), (6.25, 200.0), (4.0, 260.0))
    )
    assert found.split["finer"].variance == pytest.approx(0.75 + slopes, abs=0.06)


def test_the_spot_is_in_the_machine_and_not_on_the_glass(found: Lots) -> None:
    assert found.on_machine is not None
    on_machine, on_lite = found.on_machine.persistent, found.on_lite.persistent
    assert on_machine is not None
    assert on_lite is not None
    first = on_machine.spots[0]
    assert (first.x_mm, first.y_mm) == pytest.approx((2600, 520), abs=30)
    assert first.persistent
    assert first.lites >= 12
    assert on_lite.spot_count == 0


def test_maps_are_those_of_a_plain_stack(found: Lots, folder: Path) -> None:
    files = sorted(folder.glob("*.maps.nc"))
    fields = [read_maps(file) for file in files]
    stack = np.stack([one["gauge_distortion"].values.astype(np.float64) for one in fields])
    told = np.isfinite(stack).sum(axis=0) > 1
    mean = np.nanmean(stack[:, told], axis=0)
    assert found.on_lite.maps.mean[told] == pytest.approx(mean, rel=1e-12)
    sd = np.nanstd(stack[:, told], axis=0, ddof=1)
    assert found.on_lite.maps.sd[told] == pytest.approx(sd, rel=1e-7)

    assert found.on_machine is not None
    frame, maps = found.on_machine.frame, found.on_machine.maps
    total, count = np.zeros((frame.nx, frame.ny)), np.zeros((frame.nx, frame.ny))
    for z, one in zip(stack, fields, strict=True):
        a, c = one.attrs["corners_machine_mm"]["leading_left"]
        i, j = round((a - frame.x0_mm) / 5), round((c - frame.y0_mm) / 5)
        at = slice(i, i + z.shape[0]), slice(j, j + z.shape[1])
        total[at] += np.nan_to_num(z)
        count[at] += np.isfinite(z)
    assert maps.lites.tolist() == count.tolist()
    assert maps.mean[count > 0] == pytest.approx(total[count > 0] / count[count > 0], rel=1e-12)


def test_figures_of_each_lite_are_those_in_its_maps(found: Lots, folder: Path) -> None:
    table = lite_table(found)
    assert len(table) == 48
    for number in (0, 17, 47):
        maps = read_maps(folder / f"L-{number:05d}.maps.nc")
        row, figures = table.iloc[number], json.loads(maps.attrs["summary"])
        assert row["lite_id"] == maps.attrs["lite_id"]
        for key in ("depth_mm", "gauge_distortion_mdpt", "wavelength_mm"):
            assert [row[f"{key}.{part}"] for part in ("mean", "p95", "max")] == [
                figures[key][part] for part in ("mean", "p95", "max")
            ]
        clear = maps["gauge_distortion"].values[maps["zone"].values == 0].astype(np.float64)
        clear = clear[np.isfinite(clear)]
        assert row["field.mean"] == pytest.approx(clear.mean(), rel=1e-13)
        assert row["field.sd"] == pytest.approx(clear.std(), rel=1e-12)
        assert row["field.largest"] == clear.max()
        assert row["field.points"] == clear.size


def test_facts_fit_their_schema_and_are_strict(found: Lots, folder: Path, tmp_path: Path) -> None:
    text = (Path(midchord.__file__).parent / "lots.schema.json").read_text(encoding="utf-8")
    schema = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(schema)
    few = lots(sorted(folder.glob("*.nc"))[:3])
    for number, one in enumerate((found, few)):
        write_json(one.as_dict(), tmp_path / f"{number}.json")
        facts = json.loads((tmp_path / f"{number}.json").read_text("utf-8"))
        jsonschema.validate(facts, schema)
    assert facts["variance"] is None
    assert "at least 8 lites" in facts["conclusions"][0]


def test_maps_go_to_netcdf_and_come_back(found: Lots, tmp_path: Path) -> None:
    drawn = lots_maps(found)
    write_netcdf(drawn, tmp_path / "lots.nc")
    back = xr.load_dataset(tmp_path / "lots.nc", engine="h5netcdf")
    assert back["machine_mean"].dims == ("along", "across")
    assert back["lite_mean"].attrs["units"] == "mdpt"
    assert back["machine_above"].attrs["limit"] == 52.0
    xr.testing.assert_allclose(back["lite_sd"], drawn["lite_sd"])


class Killed(Exception):
    pass


def test_a_run_that_was_killed_goes_on_to_the_same_bits(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = LotsSettings.of({"state": {"every_lites": 10}})
    state, real, read = tmp_path / "state.npz", stored.read_fields, []

    def dying(head: Any, field: str) -> Any:
        if len(read) == 27:
            raise Killed
        read.append(head.lite_id)
        return real(head, field)

    monkeypatch.setattr(sys.modules["midchord.lots"], "read_fields", dying)
    with pytest.raises(Killed):
        lots([folder], PLACED, settings, state=state)
    assert state.is_file()
    told: list[str] = []
    after: list[str] = []

    def counting(head: Any, field: str) -> Any:
        after.append(head.lite_id)
        return real(head, field)

    monkeypatch.setattr(sys.modules["midchord.lots"], "read_fields", counting)
    again = lots([folder], PLACED, settings, state=state, tell=told.append)
    assert told == [f"{state}: 20 of 48 lites were done before."]
    assert len(after) == 28
    assert state.is_file()  # the results are not on the disk yet
    whole = lots([folder], PLACED, settings)
    assert json.dumps(lots_facts(again)) == json.dumps(lots_facts(whole))
    pd.testing.assert_frame_equal(lite_table(again), lite_table(whole), check_exact=True)
    one, other = lots_maps(again), lots_maps(whole)
    assert all(one[name].values.tobytes() == other[name].values.tobytes() for name in one)


def test_a_state_of_other_files_or_settings_is_not_taken_up(tmp_path: Path) -> None:
    folder = tmp_path / "maps"
    folder.mkdir()
    files = write_lots(folder, 12, Truth(), length_mm=500.0, width_mm=300.0)
    state = tmp_path / "state.npz"

    def killed(settings: LotsSettings) -> None:
        state.unlink(missing_ok=True)

        def watch(items: Any) -> Any:
            for number, item in enumerate(items):
                if number == 11 and not isinstance(item, Path):
                    raise Killed
                yield item

        with pytest.raises(Killed):
            lots([folder], PLACED, settings, state=state, watch=watch)

    settings = LotsSettings.of({"state": {"every_lites": 5}})
    killed(settings)
    told: list[str] = []
    lots([folder], PLACED, LotsSettings.of({"field": "depth"}), state=state, tell=told.append)
    assert "is not taken up, other maps, settings or places were asked for" in told[0]

    killed(settings)
    write_lots(folder, 1, Truth(level=60.0), length_mm=500.0, width_mm=300.0, first=3)
    told.clear()
    changed = lots([folder], PLACED, settings, state=state, tell=told.append)
    assert f"{files[3]} has changed since; begun anew" in told[0]
    assert changed.lites[3].mean == pytest.approx(60.0, abs=0.1)

    killed(settings)
    files[2].touch()  # another time, the same content
    told.clear()
    state_of_kill = state.read_bytes()
    lots([folder], PLACED, settings, state=state, tell=told.append)
    assert told == [f"{state}: 10 of 12 lites were done before."]
    state.write_bytes(state_of_kill[:1000])
    told.clear()
    lots([folder], PLACED, settings, state=state, tell=told.append)
    assert "not taken up, it is damaged; begun anew" in told[0]


def test_files_that_cannot_be_used_are_put_aside_and_the_others_go_on(
    folder: Path, tmp_path: Path
) -> None:
    good = sorted(folder.glob("*.nc"))[:9]
    (tmp_path / "foreign.maps.nc").write_bytes(b"no map at all")
    cut = good[0].read_bytes()[:20_000]
    (tmp_path / "cut.maps.nc").write_bytes(cut)
    base = fake_maps(length_mm=500.0, width_mm=300.0)
    other = placed(base, "X-1", moment(1), None)
    write_maps(other.assign_attrs(frame="machine"), tmp_path / "machine.maps.nc")
    write_maps(
        placed(base, "X-2", moment(2), None).drop_vars("gauge_distortion"),
        tmp_path / "without.maps.nc",
    )
    told: list[str] = []
    found = lots([*good, tmp_path], PLACED, tell=told.append)
    assert len(found.lites) == 9
    assert len(found.refused) == len(told) == 4
    words = {Path(one.file).name: one.sentence for one in found.refused}
    assert "not a netCDF-4 file" in words["foreign.maps.nc"]
    assert "damaged or cut short" in words["cut.maps.nc"]
    assert "a surface on the machine frame" in words["machine.maps.nc"]
    assert "maps without the field gauge_distortion" in words["without.maps.nc"]
    assert "4 files were put aside" in limits_of(found)[-1]
    assert len(lots_facts(found)["refused"]) == 4


def test_damage_behind_a_whole_head_is_met_when_the_field_is_read(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = sorted(folder.glob("*.nc"))[:10]
    real = stored.read_fields

    def damaged(head: Any, field: str) -> Any:
        if head.lite_id == "L-00004":
            Path(tmp_path / "bad.maps.nc").write_bytes(head.path.read_bytes()[:9000])
            return real(stored.Head(**{**vars(head), "path": tmp_path / "bad.maps.nc"}), field)
        return real(head, field)

    monkeypatch.setattr(sys.modules["midchord.lots"], "read_fields", damaged)
    found = lots(files, PLACED)
    assert [one.head.lite_id for one in found.lites] == [
        f"L-{number:05d}" for number in range(10) if number != 4
    ]
    assert "damaged or cut short" in found.refused[0].sentence


def test_two_maps_of_one_lite_end_the_call(folder: Path, tmp_path: Path) -> None:
    files = sorted(folder.glob("*.nc"))[:3]
    twin = tmp_path / "again.maps.nc"
    twin.write_bytes(files[1].read_bytes())
    with pytest.raises(ScanError) as told:
        lots([*files, twin], PLACED)
    assert str(told.value) == (
        f"{twin}: maps of lite L-00001, as {files[1]} are; each lite once: a lite counted twice "
        "makes every interval too narrow; leave one of them out, or name them apart."
    )


def test_nothing_to_bring_together_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanError, match=r"no file NAME\.maps\.nc in this folder"):
        lots([tmp_path])
    (tmp_path / "a.maps.nc").write_bytes(b"junk")
    with pytest.raises(ScanError, match=r"none of the 1 files can be used; of the first: .*junk|"
                                        r"none of the 1 files can be used"):  # fmt: skip
        lots([tmp_path])
    with pytest.raises(ScanError, match="no maps were named"):
        lots([])


def test_without_places_the_glass_is_left_and_that_is_said(folder: Path) -> None:
    found = lots([folder])
    assert found.known == "none"
    assert found.on_machine is None
    assert found.split is not None
    assert found.split.get("machine") is None
    assert found.split["either"].shown
    said = " ".join(limits_of(found))
    assert "not known both ways for 48 (48 not at all)" in said
    assert "Without places in the machine only the glass" in said


def test_across_alone_is_of_use(folder: Path) -> None:
    guided = Machine.of({"place": {"across": True, "across_sd_mm": 2.0}})
    found = lots([folder], guided)
    assert found.known == "across"
    assert found.on_machine is None
    assert found.split is not None
    assert found.split.get("machine across") is None
    assert found.split["machine"].variance == pytest.approx(9.0, rel=0.25)
    assert "shorter than 11 mm across is blurred" in " ".join(limits_of(found))


def test_mixed_frames_sizes_and_pitches_go_together(tmp_path: Path) -> None:
    truth = Truth(streaks, noise_sd=0.5)
    write_lots(tmp_path, 12, truth, length_mm=900.0, width_mm=400.0, scatter_mm=WIDE)
    write_lots(
        tmp_path, 10, truth, length_mm=700.0, width_mm=300.0, scatter_mm=WIDE, first=100,
        pitch_y_mm=10.0, skew_deg=0.4,
    )  # fmt: skip
    write_lots(tmp_path, 6, truth, length_mm=900.0, width_mm=400.0, first=200, has_place=False)
    table = {
        f"L-{number:05d}": MachinePlace(
            *drawn_place(np.random.default_rng([11, number]), (60.0, 40.0)), 5.0, 5.0
        )
        for number in (200, 201)
    }
    found = lots([tmp_path], PLACED, places=table)
    assert found.known_places == {"both": 24, "across": 0, "along": 0, "none": 4}
    assert found.split is not None
    assert found.split.lites == 24
    assert found.split["machine across"].variance == pytest.approx(9.0, rel=0.2)
    said = " ".join(limits_of(found))
    assert "Lites of 2 sizes" in said
    assert "The split is of 24 of 28 lites." in said
    assert found.on_lite.maps.lites.max() == 28
    assert lots_facts(found)["lites"]["sizes_mm"][0] == {
        "length_mm": 900, "width_mm": 400, "lites": 18
    }  # fmt: skip


def test_a_change_is_dated_and_mapped(tmp_path: Path) -> None:
    truth = Truth(nothing, lite_sd=0.5, step_from=30, step=3.0)
    write_lots(tmp_path, 48, truth, length_mm=600.0, width_mm=300.0)
    found = lots([tmp_path], PLACED)
    whole = found.changes[0]
    assert whole.shown
    assert whole.first is not None
    assert abs(whole.first - 30) <= 1
    assert whole.step == pytest.approx(3.0, abs=0.5)
    assert found.change_maps is not None
    before, after = found.change_maps.lite
    assert np.nanmean(after - before) == pytest.approx(3.0, abs=0.5)
    assert found.change_maps.before[1] <= 30 <= found.change_maps.after[0]
    fact = lots_facts(found)["changes"][0]
    assert fact["first_lite_after"] == f"L-{whole.first:05d}"


def test_without_times_the_order_is_that_of_names(tmp_path: Path) -> None:
    for number in (2, 0, 1):
        base = fake_maps(length_mm=500.0, width_mm=300.0)
        write_maps(placed(base, f"N-{number}", moment(0), None), tmp_path / f"{9 - number}.maps.nc")
    found = lots([tmp_path])
    assert not found.time_known
    assert [one.head.lite_id for one in found.lites] == ["N-0", "N-1", "N-2"]
    assert lots_facts(found)["changes"] == []
    assert "in order of their names" in " ".join(limits_of(found))


def test_a_signed_field_counts_either_sign(tmp_path: Path) -> None:
    truth = Truth(level=-0.02, noise_sd=0.0001)
    write_lots(tmp_path, 9, truth, length_mm=500.0, width_mm=300.0, field="residual")
    none = lots([tmp_path], PLACED, LotsSettings.of({"field": "residual"}))
    assert none.limit is None
    assert "persistence is not looked for" in " ".join(limits_of(none))
    found = lots(
        [tmp_path], PLACED,
        LotsSettings.of({"field": "residual", "persistence": {"limit": 0.015}}),
    )  # fmt: skip
    assert found.on_lite.persistent is not None
    assert found.on_lite.persistent.spot_count >= 1
    assert found.lites[0].largest == pytest.approx(0.02, abs=0.001)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"split": {"cell_mm": 12.0}}, "must be a whole multiple of grid.pitch_mm, 5"),
        ({"field": "height"}, "field"),
        ({"spilt": {}}, "spilt"),
    ],
)
def test_settings_that_cannot_be_are_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        LotsSettings.of(changes)
