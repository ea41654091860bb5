"""Change what a recipe says an input is: its name, its role and who plays it. An input is known by its files."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path

from morningmix.errors import RecipeError, UsageError
from morningmix.files.recipe_tables import RecipeFile, checked_file
from morningmix.files.role_names import GUESS, known_role
from morningmix.files.toml_edit import end_of, with_lines, with_value, without_key
from morningmix.files.toml_lines import Loc, parse, quoted
from morningmix.model.names import plain

Files = Sequence[str]


def with_role(text: str, files: Files, role: str) -> str:
    """A recipe's text with an input's role as somebody says it is; it is no guess any more.

    A name that only says the old role ("kick", "guitar 2") says the new one then; numbers are for names that several
    inputs would have. Raises `RecipeError` for an unknown role.
    """
    try:
        known = known_role(role.removesuffix(GUESS)) or ""
    except ValueError as error:
        raise RecipeError(f"The role {error}") from error
    text, at = _listed(text, files)
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    old = (file.input[at].role or "").removesuffix(GUESS)
    name = file.input[at].called()
    text = with_value(toml, ("input", at), "role", quoted(known), remark=False)
    if old != known and only_says(name, old):
        others = [one for place, one in enumerate(file.input) if place != at]
        text = with_name(text, files, _free(known, [one.called() for one in others]))
        left = [one for one in others if only_says(one.called(), old)]
        if len(left) == 1 and plain(left[0].called()) != plain(old):
            # "guitar 2" says nothing where there is no other guitar.
            text = with_name(text, left[0].file, old)
    return text


def with_guesses_right(text: str) -> str:
    """A recipe's text in which every guessed role is what somebody says it is."""
    for one in checked_file(parse(text, "recipe.toml")).input:
        if one.role is not None and one.role.endswith(GUESS):
            text = with_role(text, one.file, one.role)
    return text


def with_name(text: str, files: Files, name: str) -> str:
    """A recipe's text with an input's name changed, wherever it stands.

    Raises `UsageError` for a name that another input has, or that is empty.
    """
    name = " ".join(name.split())
    if not plain(name):
        raise UsageError("A name needs at least one letter.")
    text, at = _listed(text, files)
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    if any(plain(one.called()) == plain(name) for place, one in enumerate(file.input) if place != at):
        raise UsageError(f'Another input is called "{name}" already. Choose another name.')
    old = file.input[at].called()
    for table in (("input", at), *_mentions(file, old)):
        # Every edit moves what stands below it.
        text = with_value(parse(text, "recipe.toml"), table, "name", quoted(name))
    return text


def with_player(text: str, files: Files, player: str) -> str:
    """A recipe's text with who plays an input; nobody where that is empty."""
    player = " ".join(player.split())
    text, at = _listed(text, files)
    toml = parse(text, "recipe.toml")
    if not player:
        return without_key(toml, ("input", at), "player")
    return with_value(toml, ("input", at), "player", quoted(player))


def _listed(text: str, files: Files) -> tuple[str, int]:
    """The text, which lists the input, and the input's place in it."""
    toml = parse(text, "recipe.toml")
    listed = checked_file(toml).input
    at = next((at for at, one in enumerate(listed) if set(one.file) & set(files)), None)
    if at is not None:
        return text, at
    written = quoted(files[0]) if len(files) == 1 else "[" + ", ".join(map(quoted, files)) + "]"
    lines = ["", "[[input]]", f"file = {written}"]
    stem = Path(files[0]).stem
    names = [one.called() for one in listed]
    if any(plain(stem) == plain(name) for name in names):
        lines.append(f"name = {quoted(_free(stem, names))}")
    place = end_of(toml, ("input",)) if listed else len(text)
    return with_lines(text, place, "", lines), len(listed)


def _mentions(file: RecipeFile, name: str) -> Iterator[Loc]:
    """Tables of songs that mean the input of that name."""
    for song, of in enumerate(file.song):
        names = {"input": [one.name for one in of.input], "move": [one.name for one in of.move]}
        for table, known in names.items():
            for at, one in enumerate(known):
                if plain(one) == plain(name):
                    yield ("song", song, table, at)


def only_says(name: str, role: str) -> bool:
    """Whether a name is only its role's, perhaps with a number."""
    return bool(role) and re.fullmatch(rf"{re.escape(plain(role))}\d*", plain(name)) is not None


def _free(name: str, taken: Collection[str]) -> str:
    """The name, with a number where another input has it."""
    known = {plain(one) for one in taken}
    if plain(name) not in known:
        return name
    number = 2
    while plain(f"{name} {number}") in known:
        number += 1
    return f"{name} {number}"
