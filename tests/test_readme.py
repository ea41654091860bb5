"""README.md describes everything that a person can write, and its first part takes three minutes to read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel  # noqa: TID251 - lists what a recipe holds
from typer.main import get_command  # noqa: TID251 - lists what the command line takes

from morningmix.cli.arguments import app
from morningmix.files.band import BandFile
from morningmix.files.recipe_tables import RecipeFile

README = Path(__file__).parents[1] / "README.md"
TEXT = README.read_text(encoding="utf-8")
FOR_MUSICIANS, REFERENCE = TEXT.split("# Reference")


def keys_of(model: type[BaseModel], table: str = "") -> set[tuple[str, str]]:
    """Every table of a file with its keys, as they are written."""
    found = set()
    for name, field in model.model_fields.items():
        (inner,) = [one for one in (field.annotation, *_arguments(field.annotation)) if _is_model(one)] or [None]
        if inner is None:
            found.add((table, field.alias or name))
        else:
            found |= keys_of(inner, f"{table}.{name}".lstrip("."))
    return found


def _arguments(annotation: Any) -> tuple[Any, ...]:
    return getattr(annotation, "__args__", ())


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def test_there_are_keys_to_describe() -> None:
    keys = keys_of(RecipeFile)
    assert {("", "recipe"), ("rehearsal", "tracks"), ("song.move", "from"), ("song.input", "mute")} <= keys


KEYS = [(file, *key) for file, model in (("recipe", RecipeFile), ("band", BandFile)) for key in sorted(keys_of(model))]


@pytest.mark.parametrize(("file", "table", "key"), KEYS)
def test_every_key_of_a_file_is_in_its_table(file: str, table: str, key: str) -> None:
    (example,) = re.findall(rf"```toml\n({file} = 1.*?)```", REFERENCE, re.DOTALL)
    sections = {"": ""} | dict.fromkeys(re.findall(r"^\[+([\w.]+)\]+", example, re.MULTILINE), "")
    now = ""
    for line in example.splitlines():
        if found := re.match(r"\[+([\w.]+)\]+", line):
            now = found[1]
        else:
            sections[now] += line + "\n"
    # What [[input]] shares with [defaults] is named there and explained here.
    assert re.search(rf"(^|# |, ){key}\b", sections[table], re.MULTILINE), f"[{table}] {key}"


def options() -> list[tuple[str, str]]:
    group: Any = get_command(app)
    return sorted(
        (name, option)
        for name, command in group.commands.items()
        for parameter in command.params
        for option in parameter.opts
        if option.startswith("--") and option != "--help"
    )


@pytest.mark.parametrize(("command", "option"), options())
def test_every_command_and_option_is_described(command: str, option: str) -> None:
    assert f"`morningmix {command} " in REFERENCE
    assert re.search(rf"^\| `?{option}|^\|[^|]*`{option}\b", REFERENCE, re.MULTILINE), f"{command} {option}"


def test_the_part_for_musicians_takes_three_minutes() -> None:
    assert len(FOR_MUSICIANS) <= 8_000
