"""Numbers in calls: what is no number of a sensible size ends the call before any file is opened.

The commands and their options are found in the command line itself, so that a new command is tried
without being named here. Every file in these calls is missing: a call that got as far as opening
one would say so instead of naming the option.
"""

from __future__ import annotations

import enum
import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, NamedTuple, get_args, get_origin, get_type_hints

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st

from midchord import console
from midchord.cli import app, main
from midchord.commands.options import number

NOT_NUMBERS = ["nan", "-nan", "inf", "-inf", "1e300", "-1e300", "1e999", "much", "", "1,5", "0x10"]
COMMANDS = {
    str(command.name): command.callback
    for group in app.registered_groups
    for command in group.typer_instance.registered_commands  # type: ignore[union-attr]
}


class Parameter(NamedTuple):
    """option is "" for an argument; kinds: the types that it may have, None aside."""

    option: str
    kinds: tuple[Any, ...]
    required: bool

    @property
    def is_number(self) -> bool:
        return bool({int, float} & set(self.kinds))


def parameters(name: str) -> Iterator[Parameter]:
    callback = COMMANDS[name]
    assert callback is not None
    hints = get_type_hints(callback, include_extras=True)
    for parameter in inspect.signature(callback).parameters.values():
        hint = hints[parameter.name]
        if get_origin(hint) is not Annotated:
            continue  # the context
        kind, declared = get_args(hint)
        # inside Annotated the name stands where the default value would
        names = (declared.default, *(declared.param_decls or ()))
        option = next((name for name in names if str(name).startswith("--")), "")
        yield Parameter(option, get_args(kind) or (kind,), parameter.default is parameter.empty)


def numbers() -> Iterator[tuple[str, str]]:
    for name in COMMANDS:
        yield from ((name, one.option) for one in parameters(name) if one.is_number)


def call_of(name: str, *, without: str = "") -> list[str]:
    """A whole call of a command on files that do not exist."""
    words = [name]
    for one in parameters(name):
        if not one.required or (without and one.option == without):
            continue
        value = "1" if one.is_number else "gone.nc"
        if isinstance(one.kinds[0], type) and issubclass(one.kinds[0], enum.Enum):
            value = str(next(iter(one.kinds[0])).value)
        words += [one.option, value] if one.option else [value]
    return words


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    yield
    assert list(tmp_path.iterdir()) == []
    console.log.handlers.clear()


def test_the_numbers_of_the_commands_are_found() -> None:
    found = set(numbers())
    assert {("validate", "--tolerance-mm"), ("survey-plan", "--operators")} <= found
    assert {("survey-procedure", "--half-span-mm"), ("map", "--threads")} <= found
    assert all((name, "--threads") in found for name in COMMANDS)


@pytest.mark.parametrize(
    ("name", "option"), [pytest.param(*one, id=" ".join(one)) for one in numbers()]
)
def test_what_is_no_number_ends_the_call_before_it_starts(
    name: str, option: str, capsys: Any
) -> None:
    for value in [*NOT_NUMBERS, "9" * 400]:
        assert main([*call_of(name, without=option), f"{option}={value}"]) == 2, value
        out, err = capsys.readouterr()
        assert out == ""
        last = err.splitlines()[-1]
        assert last.startswith(f"Error: Invalid value for '{option}': "), value
        assert "Traceback" not in err


@given(value=st.floats(min_value=1000.0001) | st.floats(max_value=9.9999) | st.just(float("nan")))
def test_a_number_out_of_its_bounds_is_named_with_them(value: float) -> None:
    declared = number("--a-mm", metavar="A", help="Of it.", least=10, most=1000)
    with pytest.raises(typer.BadParameter) as refusal:
        declared.callback(value)
    assert str(refusal.value) == f"{value:g} was given; it must be from 10 to 1000; correct it."
    assert declared.help == "Of it.  [10 to 1000]"


@given(value=st.floats(min_value=10, max_value=1000) | st.none())
def test_a_number_within_its_bounds_is_kept(value: float | None) -> None:
    declared = number("--a-mm", metavar="A", help="Of it.", least=10, most=1000)
    assert declared.callback(value) == value


@pytest.mark.parametrize(
    ("name", "option", "value", "words"),
    [
        ("validate", "--tolerance-mm", "x", "'x' was given; it must be a number, as 1.5, from "
         "1e-06 to 100; correct it."),
        ("validate", "--tolerance-mm", "1,5", "'1,5' was given; it must be a number, as 1.5, from"),
        ("validate", "--placement-sd-mm", "", "'' was given; it must be a number, as 1.5, from 0"),
        ("survey-plan", "--repeats", "1.5", "'1.5' was given; it must be a whole number, as 2, "
         "from 1 to 10; correct it."),
        ("survey-plan", "--operators", "9", "9 was given; it must be from 1 to 8; correct it."),
        ("map", "--threads", "9" * 400, f"{'9' * 80} ... was given; it must be from 1 to 512;"),
        ("map", "--threads", "n" * 400, f"'{'n' * 79} ... was given; it must be a whole number"),
    ],
)  # fmt: skip
def test_what_is_said_of_it_is_one_sentence(
    name: str, option: str, value: str, words: str, capsys: Any
) -> None:
    assert main([*call_of(name, without=option), f"{option}={value}"]) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert said.startswith(f"Error: Invalid value for '{option}': {words}")
    assert len(said) < 200


@pytest.mark.parametrize(
    "length", ["nan", "inf", "-inf", "0", "-5", "1e300", "1e-300", "A=nan", "A=", "=5", " =5"]
)
def test_a_length_of_a_lite_is_read_before_the_survey(length: str, capsys: Any) -> None:
    assert main(["survey", "gone.csv", f"--length-mm={length}"]) == 2
    assert "one length in mm for all lites, or LITE=length once for each" in capsys.readouterr().err
