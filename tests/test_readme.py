"""The README's worked example runs and prints what it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_worked_example_prints_what_it_says(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    said = re.findall(r"print\(.*\)\s+# (.*)", code)
    monkeypatch.chdir(ROOT)
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out.splitlines() == said
    assert len(said) == 3


def test_every_link_and_picture_is_there() -> None:
    targets = re.findall(r"\]\(([^)#]+)\)", README)
    assert len(targets) >= 5
    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_every_file_that_a_command_names_is_there() -> None:
    blocks = "".join(re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL))
    named = re.findall(r"(?:sample-scans|configs)/[\w./-]+", blocks)
    assert len(named) >= 5
    assert [name for name in named if not (ROOT / name).exists()] == []
