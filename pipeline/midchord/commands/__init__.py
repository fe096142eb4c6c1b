"""The commands, a module for each group of them: what is read from the call, done, and said.

A module has ``commands = typer.Typer()`` and its commands on it, and is named once in ``GROUPS`` of
``midchord.cli``. Nothing is computed here. Whatever takes long to import (numpy, xarray, pandas,
the pipeline) is imported inside the command, so that asking for help answers at once. Numbers in
options are declared by ``options.number``, which refuses what is not a number of a sensible size
before any file is opened.
"""

__all__: list[str] = []
