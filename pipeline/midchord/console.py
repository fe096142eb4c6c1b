"""What the command line says and how it ends: messages, progress, exit codes.

Results go to standard output, messages to standard error: as plain sentences, or with
``--log-json`` as one JSON object a line for a collector. A progress bar is drawn only when a
person looks on, so nothing but messages ends in a log file.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import enum
import json
import logging
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from midchord_io.errors import MidchordError, OutputError, SettingsError

__all__ = [
    "Exit",
    "accept_any_text",
    "agreement_lines",
    "counted",
    "exit_for",
    "figure_lines",
    "log",
    "progress",
    "report_fault",
    "say",
    "set_threads",
    "start_logging",
]

Item = TypeVar("Item")
log = logging.getLogger("midchord")

MOST_DOUBTS = 5
"""Of one gauge, on the terminal."""


class Exit(enum.IntEnum):
    """Exit codes of every command."""

    DONE = 0
    OUTSIDE = 1
    USAGE = 2
    REFUSED = 3
    FAULT = 70
    INTERRUPTED = 130


def exit_for(error: MidchordError) -> Exit:
    """Settings, limits, recipes and output places are usage; anything else is a refused input."""
    return Exit.USAGE if isinstance(error, SettingsError | OutputError) else Exit.REFUSED


class _ToStandardError(logging.Handler):
    """Looks standard error up at each message, so that a progress bar may redirect it."""

    def emit(self, record: logging.LogRecord) -> None:
        try:
            print(self.format(record), file=sys.stderr, flush=True)
        except Exception:
            self.handleError(record)


class _Plain(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        level = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        text = f"midchord: {level}{record.getMessage()}"
        return f"{text}\n{self.formatException(record.exc_info)}" if record.exc_info else text


class _JsonLine(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Any] = {
            "time": dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(
                timespec="milliseconds"
            ),
            "level": record.levelname.lower(),
            "message": record.getMessage(),
            **getattr(record, "fields", {}),
        }
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


def start_logging(*, verbose: bool, log_json: bool) -> None:
    """Send messages to standard error; once more replaces what was set before."""
    handler = _ToStandardError()
    handler.setFormatter(_JsonLine() if log_json else _Plain())
    log.handlers[:] = [handler]
    log.propagate = False
    log.setLevel(logging.DEBUG if verbose else logging.INFO)


def report_fault(error: Exception, where: str = "") -> Exit:
    """Say that the program itself is at fault; ``--verbose`` shows the place."""
    verbose = log.isEnabledFor(logging.DEBUG)
    log.error(
        "%sa fault of midchord itself (%s: %s); %s.",
        where,
        type(error).__name__,
        error,
        "please send what stands here" if verbose else "call it again with --verbose for the place",
        exc_info=error if verbose else None,
    )
    return Exit.FAULT


def set_threads(count: int | None) -> None:
    """Threads of the numeric kernels; None leaves every library its own choice."""
    if count is None:
        return
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[variable] = str(count)
    if "numba" not in sys.modules:
        os.environ["NUMBA_NUM_THREADS"] = str(count)  # read when numba is first imported
        return
    import numba

    with contextlib.suppress(ValueError):  # more than it has started with: it keeps all of them
        numba.set_num_threads(count)


def progress(items: Sequence[Item], *, label: str, quiet: bool = False) -> Iterator[Item]:
    """The items one after the other, with a bar when standard error is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeElapsedColumn as Elapsed

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), Elapsed())
    with Progress(
        *columns,
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=sys.stdout.isatty(),  # piped results stay in their pipe
    ) as bar:
        task = bar.add_task(label, total=len(items))
        for item in items:
            yield item
            bar.advance(task)


def say(text: str) -> None:
    """A line of results. A reader who has gone does not stop the work."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def counted(number: int, what: str) -> str:
    """``1 lite``, ``2 lites``."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def accept_any_text() -> None:
    """A lite id in any script must not stop a run on a console of an old code page."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def figure_lines(summary: Mapping[str, Any]) -> Iterable[str]:
    """Key figures of one lite as short lines of plain text."""
    figures = (
        ("depth, by the gauge", "depth_mm", "mm"),
        ("depth, of the surface", "surface_depth_mm", "mm"),
        ("distortion, by the gauge", "gauge_distortion_mdpt", "mdpt"),
        ("distortion, of the surface", "surface_distortion_mdpt", "mdpt"),
    )
    yield f"  {'':28}{'mean':>10}{'p95':>10}{'max':>10}"
    for label, key, unit in figures:
        cells = "".join(f"{_cell(summary[key].get(name)):>10}" for name in ("mean", "p95", "max"))
        yield f"  {label:28}{cells}  {unit}"
    yield f"  {'half-span of the feet':28}{_cell(summary['half_span_mm']):>10}  mm"
    yield f"  {'measured share of the glass':28}{_cell(100 * summary['coverage']):>10}  %"


def agreement_lines(agreement: Mapping[str, Any]) -> Iterable[str]:
    """Key figures of ``agreement.json`` as short lines of plain text, the verdicts at the end."""
    for gauge in agreement["by_gauge"]:
        found = gauge[gauge["judged_on"]]
        unit = found["unit"]
        low, high = found[f"limits_{unit}"]
        by_hand = sum(one["reason"].startswith("excluded") for one in gauge["unpaired"])
        excluded = f" ({by_hand} excluded by a person)" if by_hand else ""
        suspects, causes = gauge["n_suspects"], gauge["n_causes"]
        of_causes = f" ({counted(causes, 'cause')})" if causes < suspects else ""
        yield f"Gauge {gauge['gauge']}, judged on {gauge['judged_on']}:"
        yield (
            f"  {'pairs; readings not paired':34}{gauge['n_paired']}; {gauge['n_unpaired']}"
            f"{excluded}"
        )
        yield f"  {'bias, scan less gauge':34}{_cell(found[f'bias_{unit}'])} {unit}"
        yield f"  {'95 % limits of agreement':34}{_cell(low)} to {_cell(high)} {unit}"
        yield f"  {'suspect readings':34}{suspects}{of_causes}"
        doubts = gauge["look_at_first"]
        for doubt in doubts[:MOST_DOUBTS]:
            yield f"  look at this first: {doubt}"
        if len(doubts) > MOST_DOUBTS:
            yield f"  and {len(doubts) - MOST_DOUBTS} more, all on the page"
    unread = [one["lite_id"] for one in agreement["lites"] if not one["is_compared"]]
    if unread:
        yield f"no reading of {', '.join(unread)}: not compared"
    for gauge in agreement["by_gauge"]:
        reserves = f", with {' and '.join(gauge['reserves'])}" if gauge["reserves"] else ""
        yield f"{gauge['verdict']}{reserves}: {gauge['statement'].removeprefix('not shown ')}"


def _cell(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
