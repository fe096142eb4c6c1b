"""The wheel, installed in an empty environment, runs the demo from any folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"
NEEDS_INDEX = pytest.mark.skipif(
    not os.environ.get("MIDCHORD_ALL"),
    reason="test_package needs a package index: MIDCHORD_ALL=1 runs it",
)


def run(*arguments: str | Path, cwd: Path) -> str:
    environment = {
        **os.environ,
        "PIP_CONSTRAINT": CONSTRAINTS.as_uri(),
        "PIP_BUILD_CONSTRAINT": CONSTRAINTS.as_uri(),
        "PYTHONPATH": "",
    }
    done = subprocess.run(
        list(map(str, arguments)),
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, f"{arguments}: {done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--outdir", folder, ROOT, cwd=folder)
    (made,) = folder.glob("*.whl")
    return made


@NEEDS_INDEX
def test_the_wheel_carries_configs_samples_schema_and_nothing_of_the_tests(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for name in (
        "midchord/configs/settings/default.toml",
        "midchord/configs/limits/contract-example.toml",
        "midchord/sample-scans/demo-heron.nc",
        "midchord/agreement.schema.json",
        "midchord/summary.schema.json",
        "midchord/sample-scans/surveys/heron-07.lines.csv",
        "midchord/configs/gauges/three-point-120.toml",
        "midchord/py.typed",
        "midchord_io/py.typed",
    ):
        assert name in names
    roots = {name.split("/")[0] for name in names}
    packages = {root for root in roots if not root.endswith(".dist-info")}
    assert packages == {"midchord", "midchord_io"}


@NEEDS_INDEX
def test_the_wheel_in_an_empty_environment_runs_the_demo(wheel: Path, tmp_path: Path) -> None:
    home = tmp_path / "environment"
    venv.create(home, with_pip=True)
    scripts = home / ("Scripts" if os.name == "nt" else "bin")
    python = scripts / "python"
    run(python, "-m", "pip", "install", "--quiet", wheel, cwd=tmp_path)
    where = run(python, "-c", "import midchord; print(midchord.__file__)", cwd=tmp_path).strip()
    assert Path(where).is_relative_to(home)

    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    said = run(scripts / "midchord", "demo", "--out", "results", cwd=elsewhere)
    assert "verdict by " in said
    assert sorted(path.name for path in (elsewhere / "results").iterdir()) == [
        "demo-heron.html",
        "demo-heron.lines.csv",
        "demo-heron.maps.nc",
        "demo-heron.summary.json",
    ]
    summary = json.loads((elsewhere / "results/demo-heron.summary.json").read_text("utf-8"))
    assert summary["verdict"] in ("within", "outside", "undecided")
    assert len(summary["reasons"]) == 3
    show = ["--what", "surface_distortion", "--out", "map.png"]
    run(scripts / "midchord", "show", "results/demo-heron.maps.nc", *show, cwd=elsewhere)
    assert (elsewhere / "map.png").read_bytes().startswith(b"\x89PNG")


KERNEL_CACHE = """
import os, sys
if {locked}:
    os.access = lambda path, mode: {own} in os.path.abspath(path)
import midchord
print(os.environ.get("NUMBA_CACHE_DIR"))
print(os.path.isdir(os.environ.get("NUMBA_CACHE_DIR", "")))
print("numba" in sys.modules)
"""


def _kernel_cache(*, locked: bool, **environment: str) -> list[str]:
    own = environment.get("XDG_CACHE_HOME", os.devnull)
    kept = {key: value for key, value in os.environ.items() if key != "NUMBA_CACHE_DIR"}
    done = subprocess.run(
        [sys.executable, "-c", KERNEL_CACHE.format(locked=locked, own=repr(own))],
        env={**kept, "LOCALAPPDATA": own, **environment},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=True,
    )
    return done.stdout.splitlines()


def test_kernels_are_kept_beside_the_modules_where_that_may_be_written() -> None:
    assert _kernel_cache(locked=False) == ["None", "False", "False"]


def test_a_locked_installation_keeps_kernels_with_the_user(tmp_path: Path) -> None:
    said = _kernel_cache(locked=True, XDG_CACHE_HOME=str(tmp_path))
    assert said == [str(tmp_path / "midchord" / "kernels"), "True", "False"]
    said = _kernel_cache(locked=True, NUMBA_CACHE_DIR=str(tmp_path))
    assert said == [str(tmp_path), "True", "False"]


def test_a_user_without_a_home_gets_a_folder_that_goes_again(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    home = str(tmp_path / "taken" / "home")
    where, is_there, has_numba = _kernel_cache(
        locked=True, XDG_CACHE_HOME=home, TMPDIR=str(tmp_path), TEMP=str(tmp_path)
    )
    assert (is_there, has_numba) == ("True", "False")
    assert Path(where).parent == tmp_path
    assert not Path(where).exists()
