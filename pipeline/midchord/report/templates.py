"""The templates of the pages: every value is escaped, and one that is missing is an error."""

from __future__ import annotations

from typing import Any

__all__ = ["filled"]


def filled(template: str, **values: Any) -> str:
    """The page that a template of this folder gives with these values."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("midchord.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(template).render(**values)
