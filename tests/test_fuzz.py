"""A short run of the fuzzing, in child processes, and whether the fuzzing sees what goes wrong."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

import fuzz
from fuzz_samples import write_samples
from midchord_io.adapters import ADAPTERS
from mutations import mutated


def test_some_damaged_files_of_every_adapter_are_opened_or_refused() -> None:
    rows = fuzz.run(20, 90_001, per_adapter=True)
    assert list(fuzz.verdicts(rows)) == []
    assert set(rows) == {adapter.name for adapter in ADAPTERS}
    for name, row in rows.items():
        assert row.counts.total() >= 20, name
        assert row.counts["refused"] > 0, name
        assert row.worst_s < fuzz.DEADLINE_S
    assert sum(row.counts["opened"] for row in rows.values()) > 20
    table = fuzz.table(rows)
    assert len(table) == 2 + len(ADAPTERS)
    assert table[2].startswith("| e57 | 20 | ")


def test_the_same_seed_makes_the_same_damage(tmp_path: Path) -> None:
    for sample in write_samples(tmp_path):
        whole = sample.parts[-1].read_bytes()
        damaged = {mutated(whole, random.Random(seed)) for seed in range(30)}
        assert len(damaged) > 20, sample.path.name
        assert mutated(whole, random.Random(7)) == mutated(whole, random.Random(7))


@pytest.mark.parametrize(
    ("code", "printed", "verdict"),
    [
        (-11, "Fatal Python error: Segmentation fault\n", "crashed"),
        (1, "Timeout (0:00:05)!\n", "hung"),
        (-9, "", "crashed"),
    ],
)
def test_a_process_that_ends_early_is_noted_and_the_rest_goes_on(
    code: int, printed: str, verdict: str, tmp_path: Path
) -> None:
    (tmp_path / "samples").mkdir()
    (tmp_path / "kept").mkdir()
    samples = write_samples(tmp_path / "samples")
    cases = [(number, fuzz.Case(0, 40 + number)) for number in range(3)]
    worker = fuzz._Worker(tmp_path / "worker", cases, samples, tmp_path / "kept")
    files = tmp_path / "worker" / "files"
    files.mkdir()
    (files / "stderr.txt").write_text(printed, encoding="utf-8")
    (files / samples[0].path.name).write_bytes(b"the one that did it")
    result = fuzz.Result(0, "opened", "", 0.1, 2.0, False)
    at = {"at": 1, "file": str(files / samples[0].path.name)}
    lines = [json.dumps({"at": 0, "file": ""}), json.dumps(result), json.dumps(at)]
    worker.log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    worker._note(code)
    assert worker.results[0] == result
    assert worker.results[1].verdict == verdict
    assert worker.results[1].is_bad
    assert [number for number, _ in worker.cases] == [2]
    kept = tmp_path / "kept" / f"41-{samples[0].path.name}"
    assert kept.read_bytes() == b"the one that did it"


def test_memory_noise_and_other_errors_are_bad() -> None:
    good = fuzz.Result(0, "refused", "CorruptScan", 0.1, fuzz.FIXED_MB, False)
    assert not good.is_bad
    assert good._replace(beyond_mb=fuzz.FIXED_MB + 1).is_bad
    assert good._replace(is_loud=True).is_bad
    assert good._replace(verdict="failed").is_bad
    wrapped = ValueError("wrapped")
    wrapped.__cause__ = MemoryError()
    assert fuzz._is_of_memory(wrapped)
    assert not fuzz._is_of_memory(ValueError("not of memory"))
