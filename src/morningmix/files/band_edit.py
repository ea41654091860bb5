"""Write into band.toml what a rehearsal has taught: only what is new, and everything else in it stays."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from pathlib import PurePosixPath
from typing import Any, TypeVar

from morningmix.files.band import BAND, NAMES, BandFile, checked_band
from morningmix.files.input_edit import only_says
from morningmix.files.recipe_tables import FamilyTable, InputTable, RecipeFile, SongTable
from morningmix.files.role_names import GUESS
from morningmix.files.toml_edit import Edit, as_comments, edited, end_of, indent_at, last_lines, regions
from morningmix.files.toml_lines import Loc, Toml, parse, quoted
from morningmix.model.names import AGAIN, plain
from morningmix.model.recipe import ADDED

_NEW = """\
# What is usual for your band: every rehearsal in the folders below starts with it, and its recipe can say otherwise.
band = 1
"""
_GUESSED_TITLE = re.compile(r"(song|try)\d+(again\d*)?")


def new_band(input_list: str = "") -> str:
    """The text of a band.toml that knows what an inputs.toml does."""
    return _NEW + (f"\n{input_list.removeprefix(chr(0xFEFF)).strip()}\n" if input_list.strip() else "")


def remembered(text: str, recipe: RecipeFile, known_titles: Collection[str] = ()) -> str:
    """A band.toml's text with what a recipe says of its inputs and families, its songs' titles and the band's name.

    Settings of single songs are not usual, and neither are titles that the program gave. A guess replaces nothing that
    somebody wrote. An entry of other files with a name that is used now becomes a comment. Raises `RecipeError` for a
    text that cannot be read.
    """
    toml = parse(text, BAND)
    file = checked_band(toml)
    edits = [*_name(toml, file, recipe), *_inputs(toml, file, recipe), *_families(toml, file, recipe)]
    new = edited(text, [*edits, *_songs(toml, file, recipe, known_titles)])
    # What nothing can read again is never written.
    checked_band(parse(new, BAND))
    return new


def _name(toml: Toml, file: BandFile, recipe: RecipeFile) -> Iterator[Edit]:
    name = recipe.rehearsal.band
    if name is None or name == file.name:
        return
    place = toml.places.get(("name",))
    if place is None:
        end = toml.places["band",].end
        yield end, end, [f"name = {quoted(name)}"]
    else:
        yield place.value_start, place.value_end, quoted(name)


# ---------------------------------------------------------------- inputs and families


def _inputs(toml: Toml, file: BandFile, recipe: RecipeFile) -> Iterator[Edit]:
    place_of = {frozenset(one.file): at for at, one in enumerate(file.input)}
    called = {plain(table.called()) for table in recipe.input}
    names: set[str] = set()
    changed: dict[Loc, dict[str, Any]] = {}
    new: list[dict[str, Any]] = []
    for table in recipe.input:
        at = place_of.pop(frozenset(table.file), None)
        known = None if at is None else file.input[at]
        taught = _taught(table, known, (*NAMES, *ADDED, "pan"))
        if known is not None:
            _keep_what_is_written(taught, table, known)
            kept = plain(known.name or "")
            if "name" not in taught and kept in called and kept != plain(table.called()):
                taught["name"] = table.called()
            if known.file != table.file:
                taught["file"] = table.file
        if name := taught.get("name") or (known and known.name):
            names.add(plain(name))
        if at is not None:
            changed["input", at] = taught
        elif taught:
            new.append({"file": table.file} | taught)
    yield from _changed(toml, changed)
    files = {name for table in recipe.input for name in table.file}
    region_of = regions(toml, "input")
    for at in place_of.values():
        other = file.input[at]
        if files & set(other.file) or plain(other.name or "") in names:
            start, end = region_of[at]
            yield start, end, as_comments(toml.text[start:end])
    yield from _new(toml, "input", new)


def _keep_what_is_written(taught: dict[str, Any], table: InputTable, known: InputTable) -> None:
    """A guessed role, and a name that only says it, replace nothing that somebody wrote."""
    role = table.role or ""
    if not role.endswith(GUESS):
        return
    if known.role is not None and not known.role.endswith(GUESS):
        taught.pop("role", None)
    if known.name is not None and only_says(table.called(), role.removesuffix(GUESS)):
        taught.pop("name", None)


def _families(toml: Toml, file: BandFile, recipe: RecipeFile) -> Iterator[Edit]:
    place_of = {one.name: at for at, one in enumerate(file.family)}
    taught = {
        table.name: _taught(table, file.family[place_of[table.name]] if table.name in place_of else None, ADDED)
        for table in recipe.family
    }
    yield from _changed(toml, {("family", place_of[name]): says for name, says in taught.items() if name in place_of})
    new = [{"name": name} | says for name, says in taught.items() if says and name not in place_of]
    yield from _new(toml, "family", new)


_Table = TypeVar("_Table", InputTable, FamilyTable)


def _taught(table: _Table, known: _Table | None, keys: Iterable[str]) -> dict[str, Any]:
    """What a recipe's table says and the band's does not. To add 0 dB is no news where nothing is usual."""
    taught = {}
    for key in keys:
        value = getattr(table, key)
        is_known = known is not None and key in known.model_fields_set
        if key not in table.model_fields_set or value == "" or (key in ADDED and not value and not is_known):
            continue
        if not is_known or value != getattr(known, key):
            taught[key] = value
    return taught


def _changed(toml: Toml, taught: Mapping[Loc, Mapping[str, Any]]) -> Iterator[Edit]:
    last = last_lines(toml)
    for table, values in taught.items():
        new = []
        for key, value in values.items():
            place = toml.places.get((*table, key))
            if place is None:
                new.append(f"{indent_at(toml.text, last[table].start)}{key} = {_written(value)}")
            else:
                yield place.value_start, place.value_end, _written(value)
        if new:
            yield last[table].end, last[table].end, new


def _new(toml: Toml, kind: str, tables: Iterable[Mapping[str, Any]]) -> Iterator[Edit]:
    """Tables after the others of their kind."""
    at = end_of(toml, (kind,)) if (kind,) in toml.places else len(toml.text)
    for values in tables:
        yield at, at, ["", f"[[{kind}]]", *(f"{key} = {_written(value)}" for key, value in values.items())]


def _written(value: Any) -> str:
    if isinstance(value, list):
        return quoted(value[0]) if len(value) == 1 else f"[{', '.join(map(quoted, value))}]"
    return quoted(value) if isinstance(value, str) else str(value)


# ---------------------------------------------------------------- the set list


def _songs(toml: Toml, file: BandFile, recipe: RecipeFile, known_titles: Collection[str]) -> Iterator[Edit]:
    known = {plain(song.title) for song in file.song}
    titles = titles_given(recipe, (*known_titles, *(song.title for song in file.song)))
    new = {plain(song.title): song.title for song in reversed(titles) if plain(song.title) not in known}
    yield from _new(toml, "song", [{"title": title} for title in reversed(new.values())])


def titles_given(recipe: RecipeFile, known_titles: Collection[str]) -> list[SongTable]:
    """The songs that are kept with a title from somebody: no number, no name of a folder, no known title in doubt."""
    guessed = {plain(f"{title}{GUESS}") for title in known_titles}
    given = {plain(recipe.rehearsal.title or ""), plain(PurePosixPath(recipe.rehearsal.tracks).name)}
    given |= {plain(song.take) for song in recipe.song if song.take}
    titles = {plain(song.title) for song in recipe.song}
    found = []
    for song in recipe.song:
        name = plain(song.title)
        # The second part of a song that was split has its title and a number; one more try of it is no other song.
        bare = name.rstrip("0123456789")
        is_part = {bare, bare.removesuffix(plain(AGAIN))} & (titles - {name})
        if song.keep and name not in given | guessed and not _GUESSED_TITLE.fullmatch(name) and not is_part:
            found.append(song)
    return found
