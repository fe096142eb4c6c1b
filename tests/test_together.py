"""Sets of files that are moved together: killed at every step, refused by the system, redone.

The oracle is a list of all that may be seen after a kill, drawn up here without the program: before
the set is whole its last file is missing, and with the last file all are there and of one run.
"""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from midchord.outputs import check_free, check_outputs, write_together
from midchord_io import half_written
from midchord_io.errors import OutputError
from midchord_io.results import write_text
from midchord_io.together import unfinished_sets

NAMES = ("a.html", "a.xlsx", "a.json")


def writers(text: str) -> dict[str, Callable[[Path], object]]:
    return {name: lambda path: write_text(text, path) for name in NAMES}


def held(folder: Path) -> dict[str, str]:
    """What can be seen in a folder; hidden folders by their ending alone."""
    return {
        path.suffix if path.name.startswith(".") else path.name: ""
        if path.is_dir()
        else path.read_text("utf-8")
        for path in folder.iterdir()
    }


# A child for every step at which it may be killed: os._exit is as sudden as kill -9 to the files.
KILLED = """
import os, sys
from pathlib import Path
from midchord.outputs import write_together
from midchord_io.results import write_text

names = ("a.html", "a.xlsx", "a.json")
replace, count = os.replace, 0

def watched(source, target):
    global count
    if count == step and not after:
        os._exit(9)
    replace(source, target)
    if count == step and after:
        os._exit(9)
    count += 1

for older in (0, 1):
    for after in (0, 1):
        for step in range(20):
            folder = Path(f"{older}-{after}-{step:02d}")
            if older:
                write_together(folder, {n: lambda path: write_text("old", path) for n in names})
            child = os.fork()
            if not child:
                count, os.replace = 0, watched
                write_together(
                    folder, {n: lambda path: write_text("new", path) for n in names},
                    overwrite=bool(older),
                )
                os._exit(0)
            os.waitpid(child, 0)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the system makes no copy of a process")
def test_a_kill_at_any_step_leaves_a_whole_set_or_one_without_its_last_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", KILLED], cwd=tmp_path, check=False, timeout=120
    )
    assert done.returncode == 0
    folders = sorted(path for path in tmp_path.iterdir())
    assert len(folders) == 80
    seen = set()
    said: list[str] = []
    listener = logging.Handler()
    monkeypatch.setattr(listener, "emit", lambda record: said.append(record.getMessage()))
    monkeypatch.setattr(logging.getLogger("midchord"), "handlers", [listener])
    for folder in folders:
        after = {name: text for name, text in held(folder).items() if name in NAMES}
        seen.add((folder.name[0], tuple(after.get(name, "-") for name in NAMES)))
        if "a.json" in after:
            assert len(after) == 3
            assert len(set(after.values())) == 1
        said.clear()
        is_whole = "a.json" in after
        if is_whole:
            with pytest.raises(OutputError, match=r"a.html: this result is already there, and so"):
                check_free(folder, NAMES, overwrite=False)
        else:
            check_free(folder, NAMES, overwrite=False)  # nothing is in the way
        write_together(folder, writers("redone"), overwrite=is_whole)
        assert held(folder) == dict.fromkeys(NAMES, "redone")  # nor any hidden folder
        if after and not is_whole:
            there = ", ".join(name for name in NAMES if name in after)
            missing = ", ".join(name for name in NAMES if name not in after)
            assert said == [
                f"{folder}: an incomplete set of a run that was ended ({there}, without "
                f"{missing}); it is redone."
            ]
        elif is_whole:
            assert said == []
    # every state that can come about did, and no other: never "new" beside "old"
    assert seen == {
        *(("0", state) for state in (
            ("-", "-", "-"), ("new", "-", "-"), ("new", "new", "-"), ("new", "new", "new")
        )),
        *(("1", state) for state in (
            ("old", "old", "old"), ("old", "old", "-"), ("old", "-", "-"), ("-", "-", "-"),
            ("new", "-", "-"), ("new", "new", "-"), ("new", "new", "new"),
        )),
    }  # fmt: skip


def left_incomplete(folder: Path, *, process: int = 0) -> Path:
    """The first two of three files in place, as of a run that was killed."""
    hidden = folder / f".a-{half_written._machine()}-{process or gone_process()}-0a1b2c3d.part"
    hidden.mkdir(parents=True)
    stamps = {}
    for name in NAMES:
        path = folder / name
        path.write_text("half", "utf-8")
        stamps[name] = [path.stat().st_size, path.stat().st_mtime_ns]
    (folder / NAMES[-1]).unlink()
    (hidden / "moving.json").write_text(json.dumps({"new": stamps, "old": {}}), "utf-8")
    return hidden


def gone_process() -> int:
    with subprocess.Popen([sys.executable, "-c", ""]) as done:
        pass
    return done.pid


def test_what_somebody_else_put_there_is_not_taken_for_leavings(tmp_path: Path) -> None:
    left_incomplete(tmp_path)
    (tmp_path / "a.xlsx").write_text("mine", "utf-8")
    with pytest.raises(OutputError) as refusal:
        check_free(tmp_path, NAMES, overwrite=False)
    assert str(refusal.value) == (
        f"{tmp_path / 'a.xlsx'}: this result is already there, without a.json, which comes last: "
        "the set may be incomplete; results are written to names that are free; name another "
        "folder with --out, or say --overwrite."
    )
    with pytest.raises(OutputError):
        write_together(tmp_path, writers("new"))
    assert held(tmp_path) == {"a.xlsx": "mine"}


def test_a_run_that_is_still_at_work_is_left_alone(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", "input()"], stdin=subprocess.PIPE, text=True
    ) as busy:
        hidden = left_incomplete(tmp_path, process=busy.pid)
        assert list(unfinished_sets(tmp_path, NAMES)) == []
        with pytest.raises(OutputError, match=r"a.html: this result is already there, and so is 1"):
            write_together(tmp_path, writers("new"))
        assert held(tmp_path) == {".part": "", "a.html": "half", "a.xlsx": "half"}
        busy.communicate("\n")
    (found,) = unfinished_sets(tmp_path, ["a.json"])
    assert (found.hidden, found.missing) == (hidden, ("a.json",))
    write_together(tmp_path, writers("new"))
    assert held(tmp_path) == dict.fromkeys(NAMES, "new")


@pytest.mark.parametrize("record", ["", "[]", '{"new": 3, "old": {}}', '{"new": {"a.json": [1]}}'])
def test_a_record_that_is_none_is_no_evidence(tmp_path: Path, record: str) -> None:
    (left_incomplete(tmp_path) / "moving.json").write_text(record, "utf-8")
    with pytest.raises(OutputError, match=r"without a.json, which comes last: the set may be inc"):
        check_free(tmp_path, NAMES, overwrite=False)
    write_together(tmp_path, writers("new"), overwrite=True)
    assert held(tmp_path) == dict.fromkeys(NAMES, "new")


@pytest.mark.parametrize("name", NAMES)
def test_a_file_that_a_program_has_open_keeps_the_older_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """On Windows such a file can be neither moved nor replaced (its API documentation, MoveFileEx:
    sharing violation)."""
    write_together(tmp_path, writers("old"))
    replace = os.replace

    def refusing(source: Any, target: Any) -> None:
        if Path(source) == tmp_path / name:
            raise PermissionError(13, "in use")
        replace(source, target)

    monkeypatch.setattr(os, "replace", refusing)
    with pytest.raises(OutputError) as refusal:
        write_together(tmp_path, writers("new"), overwrite=True)
    assert str(refusal.value) == (
        f"{tmp_path / name}: it cannot be replaced ({os.strerror(13)}); results are moved onto "
        "their names together, so none was; close the program that has it open, or name another "
        "folder with --out."
    )
    assert held(tmp_path) == dict.fromkeys(NAMES, "old")


@pytest.mark.parametrize("fault", [PermissionError(13, "no"), KeyboardInterrupt()])
def test_what_ends_while_the_new_files_come_is_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: BaseException
) -> None:
    write_together(tmp_path, writers("old"))
    replace, raised = os.replace, []

    def refusing(source: Any, target: Any) -> None:
        if Path(target) == tmp_path / "a.json" and not raised:
            raised.append(fault)
            raise fault
        replace(source, target)

    monkeypatch.setattr(os, "replace", refusing)
    with pytest.raises((OutputError, KeyboardInterrupt)):
        write_together(tmp_path, writers("new"), overwrite=True)
    assert raised == [fault]
    assert held(tmp_path) == dict.fromkeys(NAMES, "old")


def test_of_many_lites_those_left_incomplete_are_not_in_the_way(tmp_path: Path) -> None:
    left_incomplete(tmp_path)
    check_outputs(tmp_path, ["a", "b"], overwrite=False)
    (tmp_path / "b.html").write_text("whole", "utf-8")
    with pytest.raises(OutputError, match=r"b.html: this result is already there, without b.summ"):
        check_outputs(tmp_path, ["a", "b"], overwrite=False)


def test_leavings_are_known_by_their_process_and_machine(tmp_path: Path) -> None:
    mine, gone = half_written._machine(), gone_process()
    other = f"{int(mine, 16) ^ 1:08x}"
    abandoned = {
        f".a-{mine}-{gone}-0a1b2c3d.part": True,
        f".a-{mine}-{os.getpid()}-0a1b2c3d.part": True,  # this process knows what it writes
        f".a-{mine}-{os.getppid()}-0a1b2c3d.part": False,
        f".a-{other}-{gone}-0a1b2c3d.part": False,  # nothing is known of other machines
        ".a-ab12cd34.part": False,
    }
    for name, is_left in abandoned.items():
        (tmp_path / name).mkdir()
        assert half_written.is_abandoned(tmp_path / name) is is_left, name
    with half_written.half_written(tmp_path, ".a-") as part:
        part.mkdir()
        half_written.clear_stale(tmp_path, ".a-")
        kept = {name for name, is_left in abandoned.items() if not is_left}
        assert {path.name for path in tmp_path.iterdir()} == kept | {part.name}
