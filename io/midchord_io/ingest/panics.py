"""What a compiled reader prints when it gives up, kept off the standard error.

Readers written in Rust stop at damage by a panic: Python gets an exception, which becomes a
sentence of midchord, but the library has by then printed a page of its own state past Python. While
such a reader works, the standard error of the process goes to a file; afterwards all that is no
panic is passed on, so that no message of anybody is lost, only late.
"""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import threading
from collections.abc import Iterator

__all__ = ["without_panics"]

STDERR = 2
PANIC = re.compile(
    rb"(?:(?<=\n)\n|\A\n)?thread '[^\n]*panicked at [^\n]*\n[^\n]*\n"
    rb"(?:stack backtrace:\n(?:[ \t]+[^\n]*\n)*)?(?:note: [^\n]*\n)*"
)
"""By the standard hook of Rust: where, why, and the way there if it was asked for."""
ONE_AT_A_TIME = threading.RLock()
"""The standard error is one for all threads."""


@contextlib.contextmanager
def without_panics() -> Iterator[None]:
    """Passes on what is printed meanwhile, without panics."""
    with ONE_AT_A_TIME, contextlib.ExitStack() as stack:
        try:
            kept = os.dup(STDERR)
        except OSError:  # there is none, as in a service
            yield
            return
        stack.callback(os.close, kept)
        caught = stack.enter_context(tempfile.TemporaryFile())
        os.dup2(caught.fileno(), STDERR)
        try:
            yield
        finally:
            os.dup2(kept, STDERR)
            caught.seek(0)
            said = PANIC.sub(b"", caught.read())
            while said:
                said = said[os.write(STDERR, said) :]
