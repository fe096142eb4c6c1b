"""The layout of the code: which module may import which, found by walking the imports."""

from __future__ import annotations

import ast
import importlib
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCE_ROOTS = (ROOT / "io", ROOT / "pipeline")
LONGEST_FILE = 400

STAGES = {"place", "detrend", "gauge", "waves", "maps", "uncertainty", "judge"}
MAY_USE_KERNELS = {"uncertainty", "validate", "trace", "lots"}
KERNELS = {"gauge", "waves"}
TOP = {"batch", "watch", "validate", "surveying", "trace", "lots", "report", "simulate", "outputs"}
TOP |= {"drift", "drift_facts", "trial", "trial_facts"}
TOP |= {"history", "publish", "trace_facts"}
CLI = {"cli": 5, "__main__": 5, "commands": 4}
BASE = {"settings", "configs", "machine", "machine_place"}
"""Read by everybody, import nothing above midchord_io."""
RANKS = {**CLI, **dict.fromkeys(TOP, 3), "run": 2, **dict.fromkeys(BASE, 0)}
"""Everything else is a stage, or a part of one: rank 1."""


def modules() -> list[Path]:
    return sorted(path for root in SOURCE_ROOTS for path in root.rglob("*.py"))


def dotted(path: Path) -> str:
    root = next(root for root in SOURCE_ROOTS if path.is_relative_to(root))
    parts = list(path.relative_to(root).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(tree: ast.AST, importer: str = "") -> Iterator[str]:
    """Every module that is imported, also inside functions and for type checkers."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{importer}: imports are absolute, by the full name"
            assert node.module is not None
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def part(module: str) -> str:
    """The part of midchord that a module belongs to: ``report`` for midchord.report.page."""
    return f"{module}.".split(".")[1]


def rank(name: str) -> int:
    return RANKS.get(name, 1)


def wrong_arrows(importer: str, imported: str) -> str:
    """Why ``importer`` may not import ``imported``; empty where it may."""
    package, target = importer.split(".")[0], imported.split(".")[0]
    if imported.startswith(("pipeline.midchord", "io.midchord_io")):
        return "loads a second copy of the package"
    if package == "midchord_io" and target == "midchord":
        return "midchord_io never imports midchord"
    if target == "matplotlib" and part(importer) != "report":
        return "only report/ imports matplotlib"
    if target == "dask" and importer != "midchord.batch":
        return "only batch.py imports dask"
    if package != "midchord" or target != "midchord" or part(importer) == "":
        return ""
    me, other = part(importer), part(imported)
    if other in ("", me) or rank(other) == 0:
        return ""
    if me in MAY_USE_KERNELS and other in KERNELS:
        return ""
    if me in STAGES and other in STAGES:
        return "stages do not import each other"
    if rank(other) > rank(me):
        return f"the arrow goes up, from {me} to {other}"
    return ""


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_a_module_keeps_the_layout(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    name = dotted(path)
    wrong = {
        imported: why for imported in imports(tree, name) if (why := wrong_arrows(name, imported))
    }
    assert wrong == {}
    assert ast.get_docstring(tree), f"{name} has no docstring"
    named = {
        target.id
        for node in tree.body
        for target in (
            node.targets
            if isinstance(node, ast.Assign)
            else [node.target]
            if isinstance(node, ast.AnnAssign)
            else []
        )
        if isinstance(target, ast.Name)
    }
    assert "__all__" in named, f"{name} has no __all__"
    assert len(text.splitlines()) <= LONGEST_FILE, f"{name} is asking to be split"


@pytest.mark.parametrize("stage", sorted(STAGES))
def test_a_stage_reaches_no_other_stage_by_a_detour(stage: str) -> None:
    graph = {
        dotted(path): set(imports(ast.parse(path.read_text(encoding="utf-8"))))
        for path in modules()
    }
    reached: set[str] = set()
    waiting = {f"midchord.{stage}"} & set(graph)
    while waiting:
        module = waiting.pop()
        reached.add(module)
        waiting |= (graph[module] & set(graph)) - reached
    others = {part(module) for module in reached} & (STAGES - {stage})
    assert others <= (KERNELS if stage in MAY_USE_KERNELS else set())


@pytest.mark.parametrize("path", sorted(ROOT.glob("tests/**/*.py")), ids=lambda path: path.stem)
def test_a_test_imports_the_installed_packages(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    twice = [name for name in imports(tree) if name.startswith(("pipeline.", "io.midchord_io"))]
    assert twice == []


def test_no_module_at_the_top_of_a_source_root_hides_a_standard_one() -> None:
    tops = {path.name.removesuffix(".py") for root in SOURCE_ROOTS for path in root.iterdir()}
    assert {"midchord", "midchord_io"} <= tops
    assert tops & set(sys.stdlib_module_names) == set()


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_public_names_exist(path: Path) -> None:
    module = importlib.import_module(dotted(path))
    missing = [name for name in module.__all__ if not hasattr(module, name)]
    assert missing == []
    assert len(set(module.__all__)) == len(module.__all__)


@pytest.mark.parametrize(
    ("importer", "imported", "words"),
    [
        ("midchord_io.scan", "midchord.settings", "midchord_io never imports midchord"),
        ("midchord.gauge", "midchord.waves", "stages do not import each other"),
        ("midchord.uncertainty", "midchord.waves", ""),
        ("midchord.uncertainty", "midchord.place", "stages do not import each other"),
        ("midchord.place", "midchord.run", "the arrow goes up, from place to run"),
        ("midchord.run", "midchord.batch", "the arrow goes up, from run to batch"),
        ("midchord.run", "midchord.place", ""),
        ("midchord.trace", "midchord.gauge", ""),
        ("midchord.cli", "midchord.watch", ""),
        ("midchord.watch", "midchord.cli", "the arrow goes up, from watch to cli"),
        ("midchord.cli", "midchord.commands.lites", ""),
        ("midchord.commands.lites", "midchord.run", ""),
        ("midchord.commands.lites", "midchord.cli", "the arrow goes up, from commands to cli"),
        ("midchord.settings", "midchord.gauge", "the arrow goes up, from settings to gauge"),
        ("midchord.gauge", "midchord.settings", ""),
        ("midchord.report.page", "midchord.report.pictures", ""),
        ("midchord.report.pictures", "matplotlib.pyplot", ""),
        ("midchord.run", "matplotlib", "only report/ imports matplotlib"),
        ("midchord.run", "dask.array", "only batch.py imports dask"),
        ("midchord.batch", "dask", ""),
        ("midchord.run", "pipeline.midchord.gauge", "loads a second copy of the package"),
        ("midchord.run", "io.midchord_io.scan", "loads a second copy of the package"),
    ],
)
def test_the_rules_themselves(importer: str, imported: str, words: str) -> None:
    assert wrong_arrows(importer, imported) == words
