"""TOML files as typed, frozen models in which a misspelt key is an error.

Settings, limits, recipes, machines and source descriptions are all read here, so that all of
them keep one promise: a key that does not exist is refused with the nearest one that does, every
fault is named at once, and nothing in a file is ever silently ignored.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from datetime import date, time
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from midchord_io.errors import SettingsError, brief, why
from midchord_io.whole_file import content_of

__all__ = ["Strict", "load_toml", "validated"]

Model = TypeVar("Model", bound=BaseModel)


class Strict(BaseModel):
    """A section in which only the named keys exist."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def load_toml(path: str | Path) -> dict[str, Any]:
    """The tables of a TOML file. Raises SettingsError where it cannot be read as one."""
    try:
        return tomllib.loads(content_of(path, most_bytes=LARGEST_BYTES).decode("utf-8-sig"))
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
        said = _said(fault)
        if isinstance(fault["input"], Mapping):  # a rule over a section names its keys itself
            return f"{key}: {said}" if key else said
        return f"{key} = {_as_given(fault['input'])}: {said}"
    names = _names_beside(kind, fault["loc"])
    near = difflib.get_close_matches(str(fault["loc"][-1]), names, n=1, cutoff=0.5)
    hint = f", did you mean {near[0]!r}?" if near else f" (there are: {', '.join(names)})"
    return f"there is no key {key!r}{hint}"


LARGEST_BYTES = 10_000_000
"""A settings file of that size is none."""
SAID = {
    "float_type": "it must be a number",
    "float_parsing": "it must be a number",
    "int_type": "it must be a whole number",
    "int_parsing": "it must be a whole number",
    "int_from_float": "it must be a whole number",
    "int_parsing_size": "it must be a number of a sensible size",
    "finite_number": "it must be a finite number",
    "bool_type": "it must be true or false",
    "bool_parsing": "it must be true or false",
    "string_type": "it must be text in quotes",
    "string_too_short": "it must not be empty",
    "string_too_long": "it must have at most {max_length} characters",
    "literal_error": "it must be {expected}",
    "greater_than": "it must be greater than {gt:g}",
    "greater_than_equal": "it must be at least {ge:g}",
    "less_than": "it must be less than {lt:g}",
    "less_than_equal": "it must be at most {le:g}",
    "list_type": "it must be a list in square brackets",
    "tuple_type": "it must be a list in square brackets",
    "too_short": "it must have at least {min_length} entries",
    "too_long": "it must have at most {max_length} entries",
    "dict_type": "it must be a table of keys",
    "model_type": "it must be a table of keys",
    "model_attributes_type": "it must be a table of keys",
}
"""Faults by the names that the library has for them, and what is said of each."""


def _said(fault: Any) -> str:
    """What is wrong with a value, in the words of a person who fills in a file."""
    if fault["type"] in SAID:
        return SAID[fault["type"]].format(**fault.get("ctx", {}))
    said = str(fault["msg"]).removeprefix("Value error, ")
    return said.replace("Input should be", "it must be")


def _as_given(value: object) -> str:
    """A value as TOML writes it, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    return value.isoformat() if isinstance(value, date | time) else brief(value)


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
