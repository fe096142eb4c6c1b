"""TOML files as typed, frozen models in which a misspelt key is an error.

Settings, limits, recipes, machines and source descriptions are all read here, so that all of
them keep one promise: a key that does not exist is refused with the nearest one that does, every
fault is named at once, and nothing in a file is ever silently ignored.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from midchord_io.errors import SettingsError, why

__all__ = ["Strict", "load_toml", "validated"]

Model = TypeVar("Model", bound=BaseModel)

LONGEST_SHOWN = 80
"""Characters of a faulty value in a message."""


class Strict(BaseModel):
    """A section in which only the named keys exist."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def load_toml(path: str | Path) -> dict[str, Any]:
    """The tables of a TOML file. Raises SettingsError where it cannot be read as one."""
    try:
        return tomllib.loads(Path(path).read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SettingsError(
            path,
            found=f"it cannot be read ({why(error)})",
            needed="a TOML file",
            do="check the path",
        ) from error
    except (ValueError, RecursionError) as error:  # not TOML, not UTF-8, lists without end
        raise SettingsError(
            path, found=f"not TOML ({error})", needed="a TOML file in UTF-8", do="mend that line"
        ) from error


def validated(kind: type[Model], values: Mapping[str, Any], *, where: str) -> Model:
    """``kind`` made of ``values``; every fault named in one SettingsError."""
    try:
        return kind.model_validate(values)
    except ValidationError as error:
        faults = [_sentence(kind, fault) for fault in error.errors()]
        raise SettingsError(
            where,
            found="; ".join(faults),
            needed="keys and values as in the shipped examples under configs/",
            do="correct the file",
        ) from error


def _sentence(kind: type[BaseModel], fault: Any) -> str:
    key = ".".join(str(part) for part in fault["loc"])
    if fault["type"] == "missing":
        return f"the key {key!r} is missing"
    if fault["type"] != "extra_forbidden":
        said = fault["msg"].removeprefix("Value error, ")
        if isinstance(fault["input"], Mapping):  # a rule over a section names its keys itself
            return f"{key}: {said}" if key else said
        return f"{key} = {_brief(fault['input'])}: {said}"
    names = _names_beside(kind, fault["loc"])
    near = difflib.get_close_matches(str(fault["loc"][-1]), names, n=1, cutoff=0.5)
    hint = f", did you mean {near[0]!r}?" if near else f" (there are: {', '.join(names)})"
    return f"there is no key {key!r}{hint}"


def _brief(value: object) -> str:
    """A value as it was given, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]} ..."


def _names_beside(kind: type[BaseModel], loc: tuple[str | int, ...]) -> list[str]:
    """Names of the keys that may stand where the unknown key at ``loc`` stands."""
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        field = kind.model_fields.get(part)
        inner = _model_in(field.annotation) if field else None
        if inner is None:
            return []
        kind = inner
    return [field.alias or name for name, field in kind.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        found = _model_in(argument)
        if found:
            return found
    return None
