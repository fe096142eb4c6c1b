"""Damaged files by the thousand through every adapter: no crash, no hang, no memory, only errors
that say what is wrong. Run by ``make fuzz``; the last results stand in docs/fuzz.md.

Each file is made of a whole one by a seed (``mutations``), then described and opened in a child
process with a limit on its address space and a watchdog, so that a C library that takes the
process down is seen, named with its seed, and the rest goes on. What crashed, hung or failed is
kept in .fuzz/ as it was.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import faulthandler
import importlib.metadata
import json
import multiprocessing
import os
import platform
import random
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, NamedTuple

from fuzz_samples import Sample, write_samples
from midchord_io.adapters import describe_scan, open_scan
from midchord_io.errors import MidchordError
from mutations import mutated

__all__ = ["Row", "run", "table", "verdicts"]

ROOT = Path(__file__).resolve().parents[1]
DEADLINE_S = 5.0
ROOM_BYTES = 2**29
"""Address space that one file may take on top of what the process has."""
FIXED_MB = 32.0
"""What buffers of a fixed size may take beyond four times a small file."""
HUNG = 1
"""How a process ends that the watchdog has stopped."""
BAD = ("failed", "crashed", "hung", "memory")
WORKERS = 2


class Case(NamedTuple):
    """One damaged file: which sample, and the seed of the damage."""

    sample: int
    seed: int


class Result(NamedTuple):
    """What became of one file."""

    number: int
    verdict: str
    word: str
    took_s: float
    beyond_mb: float
    is_loud: bool
    """Whether a library printed past Python."""

    @property
    def is_bad(self) -> bool:
        """Whether the adapter did what it must not do."""
        return self.verdict in BAD or self.beyond_mb > FIXED_MB or self.is_loud


@dataclass
class Row:
    """What became of the damaged files of one adapter."""

    counts: Counter[str] = field(default_factory=Counter)
    worst_s: float = 0.0
    beyond_mb: float = 0.0
    """Memory taken over four times the size of the file."""
    bad: list[str] = field(default_factory=list)


def damage(sample: Sample, seed: int) -> tuple[Path, bytes]:
    """Which of its files is damaged by a seed, and what then stands in it."""
    rng = random.Random(f"{sample.path.name} {seed}")
    part = rng.choice(sample.parts)
    return part, mutated(part.read_bytes(), rng)


def _memory_bytes(name: str) -> int:
    with contextlib.suppress(OSError), open("/proc/self/status", encoding="ascii") as file:
        for line in file:
            if line.startswith(name + ":"):
                return 1024 * int(line.split()[1])
    return 0


def _limit_memory() -> None:
    if sys.platform != "linux":
        return
    import resource

    with open("/proc/self/clear_refs", "w", encoding="ascii") as file:
        file.write("5")  # the high-water mark starts anew
    room = _memory_bytes("VmSize") + ROOM_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (room, resource.RLIM_INFINITY))


def _tried(sample: Sample) -> tuple[str, str]:
    """A verdict on one file, and a word on it."""
    verdict, word = "opened", ""
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        for what in ("describe", "open"):
            try:
                if what == "describe":
                    describe_scan(sample.path)
                else:
                    open_scan(sample.path, sample.source)
            except MidchordError as error:
                if what == "open":
                    verdict, word = "refused", type(error).__name__
                if _is_of_memory(error):
                    return "memory", f"{what}: {error}"[-200:]
            except BaseException as error:
                last = traceback.extract_tb(error.__traceback__)[-1]
                at = f"{Path(last.filename).name}:{last.lineno}"
                return "failed", f"{what}: {type(error).__name__} at {at}: {error}"[:200]
    own = [str(item.message) for item in warned if "midchord" in item.filename]
    return ("failed", f"warning: {own[0]}") if own else (verdict, word)


def _is_of_memory(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, MemoryError):
            return True
        error = error.__cause__ or error.__context__
    return False


def _child(folder: Path, cases: Sequence[tuple[int, Case]], log: Path, keep: Path | None) -> None:
    """Tries cases one after the other; what it is at stands in the log before it starts."""
    errors = (folder / "stderr.txt").open("w+b")
    os.dup2(errors.fileno(), 2)
    faulthandler.enable(errors)
    samples = write_samples(folder)
    for sample in samples:  # what is loaded once is not of one file
        describe_scan(sample.path)
        open_scan(sample.path, sample.source)
    with log.open("a", encoding="utf-8") as notes:
        for number, case in cases:
            sample = samples[case.sample]
            part, content = damage(sample, case.seed)
            whole = part.read_bytes()
            part.write_bytes(content)
            notes.write(json.dumps({"at": number, "file": str(part)}) + "\n")
            notes.flush()
            errors.seek(0)
            errors.truncate()
            before = _memory_bytes("VmRSS")
            _limit_memory()
            faulthandler.dump_traceback_later(DEADLINE_S, exit=True, file=errors)
            started = time.process_time()
            verdict, word = _tried(sample)
            took = time.process_time() - started
            faulthandler.cancel_dump_traceback_later()
            beyond = _memory_bytes("VmHWM") - before - 4 * len(content)
            part.write_bytes(whole)
            is_loud = errors.seek(0, os.SEEK_END) > 0
            result = Result(number, verdict, word, took, beyond / 2**20, is_loud)
            notes.write(json.dumps(result) + "\n")
            if keep is not None and result.is_bad:
                (keep / _kept_name(sample, case, part)).write_bytes(content)


class _Worker:
    """A child process and its cases; a new one goes on where the last one ended."""

    def __init__(
        self,
        folder: Path,
        cases: Sequence[tuple[int, Case]],
        samples: Sequence[Sample],
        keep: Path | None,
    ) -> None:
        self.folder = folder
        self.samples = samples
        self.keep = keep
        self.cases = list(cases)
        self.log = folder / "log.txt"
        self.results: dict[int, Result] = {}
        self.process: Any = None
        folder.mkdir()

    def step(self) -> bool:
        """Starts a process, or looks what became of it; whether there is more to do."""
        if self.process is None:
            if not self.cases:
                return False
            self.log.unlink(missing_ok=True)
            self.log.touch()
            place = self.folder / "files"
            shutil.rmtree(place, ignore_errors=True)
            place.mkdir()
            # a fixed threshold: what is large goes back to the system, and is seen each time
            os.environ.setdefault("MALLOC_MMAP_THRESHOLD_", "131072")
            os.environ.pop("RUST_BACKTRACE", None)  # takes 50 MB of its own
            spawn = multiprocessing.get_context("spawn")
            asked = place, self.cases, self.log, self.keep
            self.process = spawn.Process(target=_child, args=asked)
            self.process.start()
        elif self.process.exitcode is not None:
            self._note(self.process.exitcode)
            self.process = None
        return True

    def _note(self, code: int) -> None:
        at: dict[str, Any] | None = None
        for line in self.log.read_text(encoding="utf-8").splitlines():
            item = json.loads(line)
            if isinstance(item, list):
                self.results[item[0]], at = Result(*item), None
            else:
                at = item
        if at is not None:
            said = (self.folder / "files" / "stderr.txt").read_text("utf-8", "replace")
            verdict = "hung" if code == HUNG and "Timeout" in said else "crashed"
            frames = [line for line in said.splitlines() if "File " in line and "midchord" in line]
            word = f"exit code {code}: {' | '.join(frames[:3])}"
            self.results[at["at"]] = Result(at["at"], verdict, word, 0.0, 0.0, False)
            if self.keep is not None:
                case, part = dict(self.cases)[at["at"]], Path(at["file"])
                name = _kept_name(self.samples[case.sample], case, part)
                shutil.copy(part, self.keep / name)
        elif not self.results.keys() & {number for number, _ in self.cases}:
            raise RuntimeError(f"the process did not start: exit code {code}, {self.folder}")
        self.cases = [(number, case) for number, case in self.cases if number not in self.results]


def _kept_name(sample: Sample, case: Case, part: Path) -> str:
    return f"{case.seed}-{sample.path.name}" + ("" if part.name == sample.path.name else part.name)


def run(per_sample: int, seed: int, *, only: Sequence[str] = (), keep: Path | None = None,
        per_adapter: bool = False) -> dict[str, Row]:  # fmt: skip
    """Tries damaged files of every sample.

    per_sample   files of each
    seed         of the first; the others follow
    only         adapters, or names of samples; all where empty
    keep         folder for the files that did not end well
    per_adapter  whether ``per_sample`` counts for all samples of an adapter together
    """
    if keep is not None:
        keep.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "whole").mkdir()
        samples = write_samples(folder / "whole")
        chosen = [
            number
            for number, sample in enumerate(samples)
            if not only or sample.adapter in only or sample.path.name in only
        ]
        siblings = Counter(samples[number].adapter for number in chosen)
        cases: list[Case] = []
        for number in chosen:
            share = siblings[samples[number].adapter] if per_adapter else 1
            cases += [Case(number, seed + k) for k in range(-(-per_sample // share))]
        numbered = list(enumerate(cases))
        workers = [
            _Worker(folder / str(k), numbered[k::WORKERS], samples, keep) for k in range(WORKERS)
        ]
        running = workers
        while running := [worker for worker in running if worker.step()]:
            time.sleep(0.05)
        rows: dict[str, Row] = {}
        for worker in workers:
            for number, result in sorted(worker.results.items()):
                case = cases[number]
                row = rows.setdefault(samples[case.sample].adapter, Row())
                _enter(row, result, samples[case.sample], case)
        return dict(sorted(rows.items()))


def _enter(row: Row, result: Result, sample: Sample, case: Case) -> None:
    row.counts[result.verdict] += 1
    row.worst_s = max(row.worst_s, result.took_s)
    row.beyond_mb = max(row.beyond_mb, result.beyond_mb)
    if result.is_bad:
        row.bad.append(
            f"{sample.path.name} seed {case.seed}: {result.verdict}, {result.took_s:.1f} s, "
            f"{result.beyond_mb:.0f} MB{', printed' if result.is_loud else ''} {result.word}"
        )


def verdicts(rows: dict[str, Row]) -> Iterator[str]:
    """What did not end well, one line each."""
    for name, row in rows.items():
        yield from (f"{name}: {line}" for line in row.bad)


COLUMNS = (
    "adapter", "files", "opened", "refused", "other errors", "crashes", "hangs", "worst s",
    "memory over 4 x file, MB",
)  # fmt: skip
PACKAGES = ("numpy", "h5py", "h5netcdf", "zarr", "tifffile", "x3pio", "sdfio", "laspy", "lazrs",
            "e57", "pyarrow", "scipy")  # fmt: skip


def table(rows: dict[str, Row]) -> list[str]:
    """The results as lines of Markdown."""
    lines = [f"| {' | '.join(COLUMNS)} |", "|---" * len(COLUMNS) + "|"]
    for name, row in rows.items():
        counts = row.counts
        files = sum(counts[verdict] for verdict in ("opened", "refused", *BAD))
        cells = [name, files, counts["opened"], counts["refused"],
                 counts["failed"] + counts["memory"], counts["crashed"], counts["hung"],
                 f"{row.worst_s:.1f}", f"{row.beyond_mb:.0f}"]  # fmt: skip
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return lines


def _page(rows: dict[str, Row], per_sample: int, seed: int) -> str:
    total = sum(row.counts[v] for row in rows.values() for v in ("opened", "refused", *BAD))
    import h5py

    versions = [f"{name} {importlib.metadata.version(name)}" for name in PACKAGES]
    versions.append(f"libhdf5 {h5py.version.hdf5_version}")
    bad = list(verdicts(rows))
    lines = [
        "# Damaged files",
        "",
        "Whole files of every adapter, damaged (bytes, blocks, header fields, members of archives,"
        " truncation), described and opened: each must open or be refused in one sentence, in"
        f" {DEADLINE_S:g} s, without memory that its bytes do not back. Made by `make fuzz`.",
        "",
        f"{total} files on {datetime.datetime.now(datetime.UTC):%Y-%m-%d}, seeds {seed} to "
        f"{seed + per_sample - 1} of each sample, Python {platform.python_version()} on "
        f"{platform.system()}; {', '.join(versions)}.",
        "",
        *table(rows),
        "",
        f"Memory: the most that one file took beyond four times its size, buffers of a fixed size "
        f"included, which alone may take {FIXED_MB:g} MB.",
        "",
    ]
    lines += [*(f"- {line[:300]}" for line in bad), ""] if bad else []
    return "\n".join(lines)


def main(out: IO[str] = sys.stdout) -> int:
    """Runs it whole; the number of files that did not end well."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=530, help="of each sample")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=(), help="adapters or samples; writes no page")
    asked = parser.parse_args()
    rows = run(asked.files, asked.seed, only=asked.only, keep=ROOT / ".fuzz")
    print("\n".join(table(rows)), file=out)
    bad = list(verdicts(rows))
    print("\n".join(bad), file=out)
    if not asked.only:
        page = _page(rows, asked.files, asked.seed)
        (ROOT / "docs" / "fuzz.md").write_text(page, encoding="utf-8")
    return min(len(bad), 100)


if __name__ == "__main__":
    sys.exit(main())
