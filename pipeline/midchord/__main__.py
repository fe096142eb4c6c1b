"""``python -m midchord``: the command line where the command itself is not on the path."""

from __future__ import annotations

import sys

from midchord.cli import main

__all__: list[str] = []

if __name__ == "__main__":
    sys.exit(main())
