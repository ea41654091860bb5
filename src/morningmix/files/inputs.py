"""The band's input list, ``inputs.toml``: which file is what, who plays it, and nothing else."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path

from pydantic import Field  # noqa: TID251 - this room may

from morningmix.files.recipe import Files, Name, Role
from morningmix.files.role_names import GUESS
from morningmix.files.toml_edit import as_comments, with_lines, with_value
from morningmix.files.toml_lines import Loc, Strict, checked, parse, quoted
from morningmix.model.names import plain
from morningmix.model.recipe import Defaults, InputWish
from morningmix.storage.text import read_text

FILE_NAME = "inputs.toml"
_NEW = """# Which file is what, and who plays it: every rehearsal in the folders below starts with these names.
"""


class _Input(Strict):
    file: Files
    name: Name = None
    role: Role = None
    player: str | None = None


class _File(Strict):
    input: list[_Input] = Field(default_factory=list)


def find_input_list(tracks: Path, recipe_dir: Path | None) -> Path | None:
    """The list that counts: beside the tracks, beside the recipe, then in the folders above up to the user's home.

    Nearer folders come first. From folders that are not under the user's home it goes up to the top.
    """
    starts = [start.resolve() for start in (tracks, recipe_dir) if start is not None]
    levels = zip_longest(*(_above(start) for start in starts))
    folders = [*starts, *(folder for level in levels for folder in level if folder is not None)]
    return next((found for folder in folders if (found := folder / FILE_NAME).is_file()), None)


def read_input_list(path: Path) -> tuple[InputWish, ...]:
    """The list's settings. Raises `RecipeError`, with file and line, for whatever is wrong."""
    toml = parse(read_text(path), path.name)
    file = checked(_File, toml)
    seen: dict[tuple[str, str], Loc] = {}
    for at, each in enumerate(file.input):
        entries = [("file", name, name) for name in each.file]
        if each.name is not None:
            entries.append(("name", each.name, plain(each.name)))
        for key, written, unique in entries:
            loc: Loc = ("input", at, key)
            if (key, unique) in seen:
                line = toml.line(seen[key, unique])
                raise toml.refusal(loc, f'the {key} "{written}" is already used in line {line}.')
            seen[key, unique] = loc
    return tuple(_wish(each) for each in file.input)


def remembered(text: str, inputs: Sequence[InputWish]) -> str:
    """A list's text ("" for a new one) in which these inputs stand as they are called now, for the next rehearsal.

    Everything else in it stays, but an entry of another file with a name that is used now becomes a comment. Raises
    `RecipeError` for a list that cannot be read.
    """
    text = text or _NEW
    for wish in inputs:
        toml = parse(text, FILE_NAME)
        listed = checked(_File, toml).input
        at = next((at for at, each in enumerate(listed) if set(each.file) & set(wish.files)), None)
        if at is None:
            written = quoted(wish.files[0]) if len(wish.files) == 1 else f"[{', '.join(map(quoted, wish.files))}]"
            text = with_lines(text, len(text), "", ["", "[[input]]", f"file = {written}"])
            at = len(listed)
        role = None if wish.role is None else wish.role + (GUESS if wish.role_is_guess else "")
        for key, value in (("name", wish.name), ("role", role), ("player", wish.player)):
            if value:
                text = with_value(parse(text, FILE_NAME), ("input", at), key, quoted(value))
    return _without_namesakes(text, inputs)


def _without_namesakes(text: str, inputs: Sequence[InputWish]) -> str:
    toml = parse(text, FILE_NAME)
    now, taken = _files(inputs), {plain(wish.name) for wish in inputs if wish.name}
    for at, each in reversed(list(enumerate(checked(_File, toml).input))):
        if each.name is not None and plain(each.name) in taken and not set(each.file) & now:
            places = [place for loc, place in toml.places.items() if loc[:2] == ("input", at)]
            start, end = min(place.start for place in places), max(place.end for place in places)
            text = text[:start] + as_comments(text[start:end]) + text[end:]
    return text


def _wish(each: _Input) -> InputWish:
    role = each.role or ""
    return InputWish(
        files=tuple(each.file),
        name=each.name,
        role=role.removesuffix(GUESS) or None,
        role_is_guess=role.endswith(GUESS),
        player=each.player,
    )


def spelt_as(list_inputs: Sequence[InputWish], files: Collection[str]) -> tuple[InputWish, ...]:
    """The list's inputs with file names spelled as in the take, where they differ only in case.

    A name is matched only if the take has no file spelled exactly so and one that differs in case, and if no other
    entry of the list means that file.
    """
    listed = [name for wish in list_inputs for name in wish.files]
    meant: dict[str, str] = {}
    for file in set(files) - set(listed):
        alike = [name for name in listed if _caseless(name) == _caseless(file) and name not in files]
        others = [name for name in files if name != file and name not in listed and _caseless(name) == _caseless(file)]
        if len(alike) == 1 and not others:
            meant[alike[0]] = file
    return tuple(replace(wish, files=tuple(meant.get(name, name) for name in wish.files)) for wish in list_inputs)


def _caseless(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def merge(recipe_inputs: Sequence[InputWish], list_inputs: Sequence[InputWish]) -> tuple[InputWish, ...]:
    """The recipe's inputs with gaps in name, role and player filled from the list, then the inputs only the list has.

    Two entries are one input if they share a file. A name from the list is not used if the recipe gives it to some
    input.
    """
    taken = {plain(wish.name) for wish in recipe_inputs if wish.name is not None}
    free = [
        replace(listed, name=None) if listed.name is not None and plain(listed.name) in taken else listed
        for listed in list_inputs
    ]
    place_of = {name: place for place, listed in reversed(list(enumerate(free))) for name in _files([listed])}
    merged = []
    for wish in recipe_inputs:
        places = [place_of[name] for name in _files([wish]) if name in place_of]
        merged.append(_filled(wish, free[min(places)]) if places else wish)
    in_recipe = _files(recipe_inputs)
    return (*merged, *(listed for listed in free if not _files([listed]) & in_recipe))


def wish_of_each(
    inputs: Iterable[tuple[str, ...]], wishes: Sequence[InputWish], defaults: Defaults
) -> dict[tuple[str, ...], InputWish]:
    """Settings of every input, by its files; the recipe's [defaults] count for inputs that it does not list."""
    each: dict[tuple[str, ...], InputWish] = {}
    for files in inputs:
        wish = next((wish for wish in wishes if set(wish.files) & set(files)), InputWish(files=files))
        each[files] = defaults.fill(wish) if wish.called is None else wish
    return each


def _filled(wish: InputWish, listed: InputWish) -> InputWish:
    return replace(
        wish,
        name=listed.name if wish.name is None else wish.name,
        role=listed.role if wish.role is None else wish.role,
        role_is_guess=listed.role_is_guess if wish.role is None else wish.role_is_guess,
        player=listed.player if wish.player is None else wish.player,
    )


def _files(wishes: Iterable[InputWish]) -> set[str]:
    return {name for wish in wishes for name in wish.files}


def _above(folder: Path) -> list[Path]:
    home = Path.home().resolve()
    parents = list(folder.parents)
    if folder == home:
        return []
    return parents[: parents.index(home) + 1] if home in parents else parents
