"""The commands as a user calls them: what is written, said and returned.

The pipeline behind them is replaced by one that obeys the words in the scan file, so that each
ending can be had at will.
"""

from __future__ import annotations

import importlib.resources
import json
import logging
import os
import re
import subprocess
import sys
import time
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from fake_maps import fake_maps, judged
from midchord import console
from midchord.cli import main
from midchord.configs import shipped
from midchord.outputs import Outputs, line_table, outputs_of, write_lite
from midchord_io.adapters import open_scan
from midchord_io.errors import (
    CorruptScan,
    OutputError,
    SettingsError,
    UnknownFormat,
    UnsupportedScan,
)
from midchord_io.results import read_maps, read_truth, write_maps

ENDINGS = (".html", ".lines.csv", ".maps.nc", ".summary.json")
LIMITS = str(shipped("configs", "limits", "plant-example.toml"))


@pytest.fixture(scope="module")
def maps() -> xr.Dataset:
    return fake_maps(length_mm=1200.0, width_mm=500.0, pitch_x_mm=10.0, pitch_y_mm=20.0)


@pytest.fixture
def asked() -> list[dict[str, Any]]:
    """What the pipeline was called with, one entry a scan."""
    return []


@pytest.fixture(autouse=True)
def pipeline(
    monkeypatch: pytest.MonkeyPatch, maps: xr.Dataset, asked: list[dict[str, Any]]
) -> None:
    def map_file(
        path: Path, *, source: Any, settings: Any, limits: Any, reference: Any = None
    ) -> xr.Dataset:
        asked.append({"path": path, "source": source, "settings": settings, "limits": limits})
        word = Path(path).read_text("utf-8") if path.suffix != ".nc" else "within"
        if word == "damaged":
            raise CorruptScan(path, found="it ends early", needed="a whole file", do="copy it anew")
        if word == "contradicted":
            raise SettingsError(path, found="units twice", needed="one of them", do="drop one")
        if word == "fault":
            raise ZeroDivisionError("something of our own")
        if word == "interrupt":
            raise KeyboardInterrupt
        return maps if limits is None else judged(maps, word)

    run = types.ModuleType("midchord.run")
    run.map_file = map_file  # type: ignore[attr-defined]
    run.summary = lambda maps: json.loads(maps.attrs["summary"])  # type: ignore[attr-defined]
    page = types.ModuleType("midchord.report.page")
    page.lite_page = lambda maps: f"<html>Größe {maps.attrs['lite_id']}</html>"  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "midchord.run", run)
    monkeypatch.setitem(sys.modules, "midchord.report.page", page)


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    yield
    console.log.handlers.clear()


@pytest.fixture
def scan(tmp_path: Path) -> Callable[[str, str], str]:
    def make(name: str, word: str = "within") -> str:
        path = tmp_path / "scans" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(word, "utf-8")
        return str(path)

    return make


def files(folder: str) -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


# --- map: results and exit codes -----------------------------------------------------------------


def test_map_writes_the_four_files_of_each_scan(scan: Any, capsys: Any) -> None:
    code = main(["map", scan("K-1.h5", "within"), scan("K-2.v2.h5", "within"), "--out", "a/b"])
    assert code == 0
    assert files("a/b") == sorted(f"{n}{e}" for n in ("K-1", "K-2.v2") for e in ENDINGS)
    out, err = capsys.readouterr()
    assert out.splitlines()[0] == f"K-1: not judged ({Path('a/b/K-1.html')})"
    assert err == ""
    assert Path("a/b/K-1.html").read_text("utf-8") == "<html>Größe K-0417</html>"


def test_the_summary_keeps_its_schema(scan: Any) -> None:
    assert main(["map", scan("K-1.h5", "outside"), "--limits", LIMITS, "--out", "out"]) == 1
    text = importlib.resources.files("midchord").joinpath("summary.schema.json").read_text("utf-8")
    schema = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(schema)
    summary = json.loads(Path("out/K-1.summary.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(summary)
    assert summary["verdict"] == "outside"
    for key in ("depth_mm", "verdict", "settings"):
        broken = {name: value for name, value in summary.items() if name != key}
        with pytest.raises(jsonschema.ValidationError, match=key):
            jsonschema.Draft202012Validator(schema).validate(broken)
    swapped = summary | {"depth_mm": summary["surface_depth_mm"]}
    with pytest.raises(jsonschema.ValidationError, match="'gauge' was expected"):
        jsonschema.Draft202012Validator(schema).validate(swapped)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["within"], 0),
        (["within", "outside"], 1),
        (["undecided", "within"], 1),
        (["damaged", "outside", "within"], 3),
        (["within", "damaged"], 3),
        (["contradicted", "within"], 2),
        (["fault", "damaged", "outside"], 70),
    ],
)
def test_all_scans_are_tried_and_the_worst_ending_counts(
    scan: Any, asked: Any, words: list[str], code: int
) -> None:
    scans = [scan(f"{number}.h5", word) for number, word in enumerate(words)]
    assert main(["map", *scans, "--limits", LIMITS, "--out", "out"]) == code
    assert len(asked) == len(words)
    written = [n for n, word in enumerate(words) if word in ("within", "outside", "undecided")]
    assert files("out") == sorted(f"{n}{e}" for n in written for e in ENDINGS)


def test_a_refused_scan_gets_its_sentence_and_leaves_nothing(scan: Any, capsys: Any) -> None:
    path = scan("K-1.h5", "damaged")
    assert main(["map", path, "--out", "out"]) == 3
    out, err = capsys.readouterr()
    assert err == f"midchord: error: {path}: it ends early; a whole file; copy it anew.\n"
    assert out == ""
    assert not Path("out").exists()


def test_why_a_lite_is_outside_is_said(scan: Any, capsys: Any) -> None:
    main(["map", scan("K-1.h5", "outside"), "--limits", LIMITS, "--out", "out"])
    out, err = capsys.readouterr()
    assert out.startswith("K-1: outside (")
    assert err == "midchord: K-1: Largest gauge distortion is outside its limit of 60 mdpt.\n"


def test_settings_limits_and_source_reach_the_pipeline(
    scan: Any, asked: Any, tmp_path: Path
) -> None:
    Path("s.toml").write_text('[gauge]\nfeet = "fixed"\nhalf_span_mm = 120.0\n', "utf-8")
    Path("f.toml").write_text('[source]\nheight_units = "um"\n', "utf-8")
    path = scan("K-1.h5", "within")
    options = ["--settings", "s.toml", "--limits", LIMITS, "--source", "f.toml", "--full"]
    assert main(["map", path, *options, "--out", "out"]) == 0
    (call,) = asked
    assert call["path"] == Path(path)
    assert call["settings"].gauge.feet == "fixed"
    assert call["settings"].maps.map_pitch_mm == 0.0
    assert call["limits"].headline == "gauge_distortion"
    assert call["source"].source.height_units == "um"


def test_doubts_about_a_lite_are_warnings(
    scan: Any, capsys: Any, maps: xr.Dataset, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubts = ["m read as mm look like this.", "Only 40 % of the glass was measured."]
    summary = json.loads(maps.attrs["summary"]) | {"doubts": doubts}
    monkeypatch.setattr(sys.modules["midchord.run"], "summary", lambda maps: summary)
    assert main(["map", scan("K-1.h5"), "--out", "out"]) == 0
    out, err = capsys.readouterr()
    assert out.count("\n") == 1
    assert err.splitlines() == [f"midchord: warning: K-1: {doubt}" for doubt in doubts]


# --- map: refused before anything is done --------------------------------------------------------


def refused(arguments: list[str], capsys: Any, asked: Any) -> str:
    assert main(arguments) == 2
    assert asked == []
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return str(err)


def test_equal_names_are_refused_beforehand(scan: Any, capsys: Any, asked: Any) -> None:
    first, second = scan("a/K-1.h5", "within"), scan("b/k-1.nc", "within")
    said = refused(["map", first, second, "--out", "out"], capsys, asked)
    assert f"{second}: its results would have the name 'k-1' of those of {first};" in said
    assert not Path("out").exists()


def test_a_misspelt_settings_key_is_named(scan: Any, capsys: Any, asked: Any) -> None:
    Path("s.toml").write_text("[gauge]\nhalf_spam_mm = 1.0\n", "utf-8")
    said = refused(["map", scan("a.h5"), "--settings", "s.toml", "--out", "out"], capsys, asked)
    assert "there is no key 'gauge.half_spam_mm', did you mean 'half_span_mm'?" in said
    assert not Path("out").exists()


def test_a_convention_that_does_not_exist_is_refused(scan: Any, capsys: Any, asked: Any) -> None:
    text = Path(LIMITS).read_text("utf-8").replace('"gauge"  ', '"optical"  ')
    Path("l.toml").write_text(text, "utf-8")
    said = refused(["map", scan("a.h5"), "--limits", "l.toml", "--out", "out"], capsys, asked)
    assert "convention = 'optical': it must be 'gauge' or 'surface'" in said
    assert not Path("out").exists()


def test_a_cell_outside_the_zone_table_is_refused(scan: Any, capsys: Any, asked: Any) -> None:
    Path("s.toml").write_text("[zones]\ngrid_x = 1\n", "utf-8")
    arguments = ["map", scan("a.h5"), "--settings", "s.toml", "--limits", LIMITS, "--out", "out"]
    assert "the zone table has r1c1 to r1c3" in refused(arguments, capsys, asked)


def test_an_output_folder_that_cannot_be_written_is_refused(
    scan: Any, capsys: Any, asked: Any
) -> None:
    Path("taken").write_text("a file", "utf-8")
    for out in ("taken", "taken/inside"):
        said = refused(["map", scan("a.h5"), "--out", out], capsys, asked)
        assert f"{Path(out)}: it cannot be written to (Not a directory)" in said
    assert files(".") == ["scans", "taken"]


def test_a_result_that_is_there_is_kept_unless_told(scan: Any, capsys: Any, asked: Any) -> None:
    path = scan("K-1.h5", "within")
    Path("out").mkdir()
    Path("out/K-1.html").write_text("older", "utf-8")
    said = refused(["map", path, "--out", "out"], capsys, asked)
    assert said == (
        f"midchord: error: {Path('out/K-1.html')}: this result is already there, without "
        "K-1.summary.json, which comes last: the set may be incomplete; results are written to "
        "names that are free; name another folder with --out, or say --overwrite.\n"
    )
    assert files("out") == ["K-1.html"]
    assert main(["map", path, "--out", "out", "--overwrite"]) == 0
    assert files("out") == [f"K-1{ending}" for ending in ENDINGS]
    assert Path("out/K-1.html").read_text("utf-8") != "older"


@pytest.mark.parametrize(
    "arguments",
    [["map"], ["map", "a.h5", "--nonsense"], ["nonsense"], ["map", "a.h5", "--threads", "0"]],
)
def test_a_wrong_call_ends_with_2(arguments: list[str], capsys: Any, asked: Any) -> None:
    assert main(arguments) == 2
    assert "Usage: midchord" in capsys.readouterr().err
    assert asked == []


# --- messages ------------------------------------------------------------------------------------


def test_messages_as_json_are_one_object_a_line(scan: Any, capsys: Any) -> None:
    bad, good = scan("bad.h5", "damaged"), scan("good.h5", "outside")
    arguments = ["map", bad, good, "--limits", LIMITS, "--out", "out", "--log-json", "--verbose"]
    assert main(arguments) == 3
    lines = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
    assert [line["level"] for line in lines] == ["error", "info", "debug"]
    assert (lines[0]["scan"], lines[0]["exit_code"]) == (bad, 3)
    assert (lines[2]["scan"], lines[2]["verdict"]) == (good, "outside")
    assert lines[0]["time"].endswith("+00:00")


def test_a_wrong_call_is_one_json_line_too(capsys: Any) -> None:
    assert main(["map", "--log-json"]) == 2
    line = json.loads(capsys.readouterr().err)
    assert (line["level"], line["message"]) == ("error", "Missing argument 'SCAN...'.")


def test_a_fault_shows_its_place_only_when_asked(scan: Any, capsys: Any) -> None:
    path = scan("a.h5", "fault")
    assert main(["map", path, "--out", "out"]) == 70
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert f"{path}: a fault of midchord itself (ZeroDivisionError: something of our own)" in said
    assert main(["--verbose", "map", path, "--out", "out"]) == 70
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_an_interruption_ends_with_130_and_keeps_what_is_complete(scan: Any, capsys: Any) -> None:
    scans = [scan("1.h5", "within"), scan("2.h5", "interrupt"), scan("3.h5", "within")]
    assert main(["map", *scans, "--out", "out"]) == 130
    assert files("out") == [f"1{ending}" for ending in ENDINGS]
    assert "interrupted" in capsys.readouterr().err


def test_threads_are_set_for_libraries_not_yet_imported(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "numba", raising=False)
    for name in ("OMP", "OPENBLAS", "MKL", "NUMBA"):
        monkeypatch.setenv(f"{name}_NUM_THREADS", "7")
    console.set_threads(None)
    assert os.environ["NUMBA_NUM_THREADS"] == "7"
    console.set_threads(1)
    assert (os.environ["OMP_NUM_THREADS"], os.environ["NUMBA_NUM_THREADS"]) == ("1", "1")


def test_threads_are_set_for_a_library_already_imported(monkeypatch: pytest.MonkeyPatch) -> None:
    import numba

    for name in ("OMP", "OPENBLAS", "MKL"):
        monkeypatch.setenv(f"{name}_NUM_THREADS", "7")
    before = numba.get_num_threads()
    try:
        console.set_threads(1)
        assert numba.get_num_threads() == 1
        console.set_threads(10_000)
        assert numba.get_num_threads() == 1
    finally:
        numba.set_num_threads(before)


def test_a_bar_is_drawn_only_for_a_person(capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    assert list(console.progress([3, 1, 2], label="mapping")) == [3, 1, 2]
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert list(console.progress([3, 1, 2], label="mapping")) == [3, 1, 2]
    assert "mapping" in capsys.readouterr().err
    assert list(console.progress([3, 1], label="mapping", quiet=True)) == [3, 1]
    assert capsys.readouterr().err == ""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no broken pipes")
def test_a_reader_who_has_gone_does_not_stop_the_work() -> None:
    code = (
        "import sys\nfrom midchord.console import say\nsys.stdin.read()\n"
        "for line in 'abc':\n    say(line)\nprint('worked on', file=sys.stderr)"
    )
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as nobody:
        done = subprocess.run(
            [sys.executable, "-c", code],
            stdout=nobody, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True, check=True,
        )  # fmt: skip
    assert done.stderr == "worked on\n"


def test_log_levels(capsys: Any) -> None:
    console.start_logging(verbose=False, log_json=False)
    logging.getLogger("midchord.some.module").debug("too much")
    logging.getLogger("midchord.some.module").warning("look out")
    assert capsys.readouterr().err == "midchord: warning: look out\n"


# --- the other commands --------------------------------------------------------------------------


def test_demo_needs_no_option_and_may_be_repeated(
    capsys: Any, asked: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    import midchord.configs

    def found(*parts: str) -> Path:
        return Path(*parts) if parts[0] == "sample-scans" else shipped(*parts)

    monkeypatch.setattr(midchord.configs, "shipped", found)
    for _ in range(2):
        assert main(["demo"]) == 0
    assert files("midchord-demo") == [f"demo-heron{ending}" for ending in ENDINGS]
    out = capsys.readouterr().out
    assert "verdict by 'Contract example (from memory; check your contract)': within" in out
    assert f"Open {Path('midchord-demo/demo-heron.html').resolve()} in a browser." in out
    assert "exit code 0 whatever the verdict" in out
    assert asked[0]["limits"].name.startswith("Contract example")


def test_show_draws_the_map_that_was_asked_for(scan: Any, capsys: Any) -> None:
    main(["map", scan("K-1.h5", "within"), "--out", "out"])
    arguments = ["show", "out/K-1.maps.nc", "--what", "depth", "--out", "depth.png"]
    assert main(arguments) == 0
    assert Path("depth.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    capsys.readouterr()
    assert main(arguments) == 2  # it is there
    assert "depth.png" in capsys.readouterr().err
    assert main([*arguments, "--overwrite"]) == 0
    assert main(["show", "out/K-1.maps.nc", "--what", "depht", "--out", "x.png"]) == 2
    assert "'depth'" in capsys.readouterr().err
    assert main(["show", "out/K-1.html", "--what", "depth", "--out", "x.png"]) == 3
    assert main(["show", "gone.nc", "--what", "depth", "--out", "x.png"]) == 3
    assert not Path("x.png").exists()


def test_a_picture_of_nothing_is_said_to_be_one(maps: xr.Dataset, capsys: Any) -> None:
    write_maps(maps.assign(depth=maps["depth"].where(False)), "K-1.maps.nc")
    assert main(["show", "K-1.maps.nc", "--what", "depth", "--out", "depth.png"]) == 0
    assert capsys.readouterr().err == (
        "midchord: warning: K-1.maps.nc: depth has no value anywhere, so there is nothing to "
        "show.\n"
    )
    assert main(["show", "K-1.maps.nc", "--what", "histogram_depth", "--out", "h.png"]) == 0
    assert "histogram_depth has no value anywhere" in capsys.readouterr().err
    assert main(["show", "K-1.maps.nc", "--what", "height", "--out", "height.png"]) == 0
    assert capsys.readouterr().err == ""


def test_maps_in_which_nothing_was_measured_are_refused(maps: xr.Dataset, capsys: Any) -> None:
    write_maps(maps.assign(height=maps["height"].where(False)), "K-1.maps.nc")
    assert main(["show", "K-1.maps.nc", "--what", "height", "--out", "height.png"]) == 3
    said = capsys.readouterr().err
    assert "maps without a measured point: there is nothing to show or to judge;" in said
    assert files(".") == ["K-1.maps.nc"]


@pytest.mark.parametrize(
    "words",
    [
        ["map", f"{'n' * 250}.nc"],
        ["map", "a.nc", "--out", f"out/{'n' * 256}"],
        ["demo", "--out", "n" * 300],
        ["show", "gone.nc", "--what", "depth", "--out", f"{'n' * 300}.png"],
        ["simulate", "RECIPE", "--out", f"{'n' * 250}.nc"],
        ["simulate", "RECIPE", "--out", f"{'瓦' * 90}.nc"],
        ["survey-template", f"{'n' * 300}.csv", "--kind", "spots"],
        ["survey-template", f"{'n' * 300}.xlsx", "--kind", "lines"],
    ],
)
def test_a_name_too_long_is_refused_before_the_work(
    words: list[str], capsys: Any, asked: Any
) -> None:
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main([recipe if word == "RECIPE" else word for word in words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert re.search("a name of 2[0-9]* bytes|a name of 3[0-9]* bytes|File name too long", err)
    assert err.count("\n") == 1
    assert asked == []
    assert files(".") == []


def test_a_long_name_in_another_script_is_written(scan: Any) -> None:
    name = "瓦" * 80  # 240 bytes: what is hidden beside it must be shorter
    assert main(["map", scan(f"{name}.h5"), "--out", "out"]) == 0
    assert files("out") == sorted(f"{name}{ending}" for ending in ENDINGS)


def test_a_folder_in_the_place_of_a_result_is_refused(capsys: Any, asked: Any) -> None:
    Path("out/K-1.html").mkdir(parents=True)
    said = refused(["map", "K-1.h5", "--out", "out", "--overwrite"], capsys, asked)
    assert "a folder has this name; results are files; name another place with --out." in said


def test_the_truth_of_a_lite_is_neither_scan_nor_maps(capsys: Any) -> None:
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main(["simulate", recipe, "--out", "made.nc"]) == 0
    with pytest.raises(UnsupportedScan) as refusal:
        open_scan("made.truth.nc")
    assert str(refusal.value) == (
        "made.truth.nc: the true surface and figures of a simulated lite, not its scan; a scan; "
        "name the scan beside it, the file without .truth in its name."
    )
    assert main(["show", "made.truth.nc", "--what", "depth", "--out", "x.png"]) == 3
    assert (
        "made.truth.nc: the true surface and figures of a simulated lite, not maps of it; maps as "
        "midchord stores them; process the scan beside it" in capsys.readouterr().err
    )
    assert read_truth("made.truth.nc").attrs["lite_id"] == "coarse"
    with pytest.raises(UnknownFormat, match="no maps"):
        read_truth("made.nc")


@pytest.mark.parametrize("name", ["made", "made.csv", "made.h5"])
def test_a_simulated_scan_has_the_ending_of_what_it_is(name: str, capsys: Any) -> None:
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main(["simulate", recipe, "--out", name]) == 2
    said = capsys.readouterr().err
    assert f"{name}: the ending {Path(name).suffix!r}; a scan is written as netCDF-4, .nc" in said
    assert files(".") == []


def test_a_truth_that_is_there_is_kept(capsys: Any) -> None:
    Path("made.truth.nc").write_text("older", "utf-8")
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main(["simulate", recipe, "--out", "made.nc"]) == 2
    assert "made.truth.nc: this result is already there" in capsys.readouterr().err
    assert files(".") == ["made.truth.nc"]


def test_simulate_writes_a_scan_and_its_truth(capsys: Any) -> None:
    recipe = str(shipped("configs", "recipes", "coarse.toml"))
    assert main(["simulate", recipe, "--out", "made.nc"]) == 0
    assert files(".") == ["made.nc", "made.truth.nc"]
    assert capsys.readouterr().out.splitlines() == ["made.nc", "made.truth.nc"]
    assert main(["simulate", recipe, "--out", "made.nc"]) == 2
    assert "made.nc: this result is already there, and so is 1 more" in capsys.readouterr().err
    assert main(["simulate", recipe, "--out", "made.nc", "--overwrite"]) == 0
    assert main(["simulate", "gone.toml", "--out", "other.nc"]) == 2
    assert not Path("other.nc").exists()


def test_help_imports_nothing_heavy() -> None:
    # asking for help must answer at once: the imports, not the clock, are checked
    code = (
        "import sys\nfrom midchord.cli import main\nmain(['map', '--help'])\n"
        "print(sorted({'numpy', 'scipy', 'xarray', 'pandas', 'numba', 'matplotlib'} "
        "& set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"
    assert "--settings F" in done.stdout


def test_the_version_is_said(capsys: Any) -> None:
    import midchord

    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"midchord {midchord.__version__}\n"


# --- the four files ------------------------------------------------------------------------------


def test_maps_are_read_back_as_they_were(maps: xr.Dataset) -> None:
    written = write_lite(maps, "out", "K-1")
    assert written == outputs_of("out", "K-1")
    back = read_maps(written.maps)
    np.testing.assert_array_equal(back["depth"].values, maps["depth"].values)
    assert json.loads(back.attrs["summary"]) == json.loads(maps.attrs["summary"])
    table = pd.read_csv(written.lines)
    assert list(table.columns[:3]) == ["lite_id", "x_from_mm", "x_to_mm"]
    np.testing.assert_allclose(table["depth_mm"], maps["hw_depth_mm"].values, rtol=1e-12)


def test_flags_of_the_line_table_are_written_as_words() -> None:
    table = line_table(
        xr.Dataset(
            {
                "hw_depth_mm": ("half_wave", [0.1, 0.2]),
                "hw_half_wave_zone": (
                    "half_wave",
                    np.array([1, 0], np.uint8),
                    {"flag_values": np.array([0, 1, 2]), "flag_meanings": "clear near edge"},
                ),
                "height": (("x", "y"), np.zeros((2, 3))),
            },
            attrs={"lite_id": "K-1"},
        )
    )
    assert table.to_dict("list") == {
        "lite_id": ["K-1", "K-1"],
        "depth_mm": [0.1, 0.2],
        "half_wave_zone": ["near", "clear"],
    }


def test_a_lite_without_waves_still_has_a_line_table_with_its_header() -> None:
    table = line_table(
        xr.Dataset({"hw_depth_mm": ("half_wave", np.array([]))}, attrs={"lite_id": "K-1"})
    )
    assert (list(table.columns), len(table)) == (["lite_id", "depth_mm"], 0)


@pytest.mark.parametrize("step", ["write_csv", "write_text", "write_json"])
def test_a_failure_while_writing_leaves_no_result(
    maps: xr.Dataset, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def disk_full(*arguments: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"midchord_io.results.{step}", disk_full)
    with pytest.raises(OutputError, match=r"out: it cannot be written to \(No space left on dev"):
        write_lite(maps, "out", "K-1")
    assert not Path("out").exists()  # made for these results, so gone with them


def test_a_failure_keeps_the_older_result(
    maps: xr.Dataset, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = write_lite(maps, "out", "K-1")
    before = written.summary.read_bytes()

    def disk_full(*arguments: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("midchord_io.results.write_json", disk_full)
    with pytest.raises(OutputError):
        write_lite(maps, "out", "K-1", overwrite=True)
    assert files("out") == [f"K-1{ending}" for ending in ENDINGS]
    assert written.summary.read_bytes() == before


def test_the_summary_appears_last(maps: xr.Dataset, monkeypatch: pytest.MonkeyPatch) -> None:
    moved: list[str] = []
    replace = os.replace

    def watched(source: Any, target: Any) -> None:
        if Path(target).parent.name == "out":
            moved.append(Path(target).name)
        replace(source, target)

    monkeypatch.setattr(os, "replace", watched)
    write_lite(maps, "out", "K-1")
    assert moved == ["K-1.maps.nc", "K-1.lines.csv", "K-1.html", "K-1.summary.json"]
    assert Outputs._fields[-1] == "summary"


def test_a_result_that_appeared_meanwhile_is_not_replaced(maps: xr.Dataset) -> None:
    Path("out").mkdir()
    Path("out/K-1.summary.json").write_text("{}", "utf-8")
    with pytest.raises(OutputError, match="this result is already there"):
        write_lite(maps, "out", "K-1")
    assert files("out") == ["K-1.summary.json"]


def test_the_folder_is_named_not_the_hidden_one(
    maps: xr.Dataset, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device\nand a page of the library's state")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as refusal:
        write_lite(maps, Path("out/deep"), "K-1")
    assert str(refusal.value) == (
        f"{Path('out/deep')}: it cannot be written to ({os.strerror(28)}); results need a folder "
        "with room in it; name another with --out, or free this one."
    )
    assert not Path("out").exists()


def test_what_a_killed_run_left_is_cleared_by_the_next(maps: xr.Dataset) -> None:
    for name, age_s in ((".K-1.maps-ab12cd34.part", 3600), (".K-1.maps-zz99zz99.part", 5)):
        folder = Path("out") / name
        folder.mkdir(parents=True)
        (folder / "K-1.maps.nc").write_text("half", "utf-8")
        for path in (folder / "K-1.maps.nc", folder):
            os.utime(path, (time.time() - age_s,) * 2)
    write_lite(maps, "out", "K-1")
    assert files("out") == sorted([".K-1.maps-zz99zz99.part", *(f"K-1{e}" for e in ENDINGS)])


# --- streams ------------------------------------------------------------------------------------


def test_closed_streams_are_no_fault(monkeypatch: pytest.MonkeyPatch, scan: Any) -> None:
    path = scan("K-1.h5")
    for name in ("stdout", "stderr"):
        with monkeypatch.context() as closed:
            closed.setattr(sys, name, None)
            assert main(["map", path, "--out", f"no-{name}"]) == 0
            getattr(sys, name).close()
        assert files(f"no-{name}") == [f"K-1{ending}" for ending in ENDINGS]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("words", [["--version"], ["--help"]])
def test_a_full_standard_output_is_one_sentence(words: list[str]) -> None:
    code = f"import sys\nfrom midchord.cli import main\nsys.exit(main({words}))"
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-c", code],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == (
        "midchord: error: standard output: it cannot be written to (No space left on device); what "
        "is said must have room where it is sent; send it elsewhere; results that are complete "
        "were kept.\n"
    )
