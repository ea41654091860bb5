"""Change what a recipe says of a stretch of a song: one input's level there, and nobody else's."""

from __future__ import annotations

from morningmix.files.recipe_edit import Move, input_at, song_at, with_moves
from morningmix.files.recipe_tables import RecipeFile, checked_file
from morningmix.files.toml_edit import with_value
from morningmix.files.toml_lines import Loc, parse
from morningmix.model.names import plain

_SAME_S = 0.06
"""Recipes write times in tenths of a second."""


def with_stretch(text: str, song: str, move: Move) -> str:
    """A recipe's text with an input's level in a stretch of a song, instead of the one it has there; 0 takes it out.

    Raises `UsageError` for a name or a song that is not there, `RecipeError` for a recipe that cannot be read, also
    with the move in it.
    """
    name, from_s, to_s, level_db = move
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    place = song_at(file, song)
    at = _there(file, place, name, (from_s, to_s))
    if at is None:
        return with_moves(text, song, [move]) if level_db else text
    table: Loc = ("song", place, "move", at)
    if level_db:
        text = with_value(toml, table, "level_db", str(level_db))
        checked_file(parse(text, "recipe.toml"))
        return text
    # The empty line above it goes too, and remarks below it stay.
    start, end = toml.places[table].start, max(line.end for loc, line in toml.places.items() if loc[:4] == table)
    newline = "\r\n" if text[:start].endswith("\r\n") else "\n"
    above = text[:start]
    return (above.removesuffix(newline) if above.endswith(2 * newline) else above) + text[end:]


def _there(file: RecipeFile, song: int, name: str, stretch_s: tuple[float, float]) -> int | None:
    names = [wish.called() for wish in file.input]
    called = names[input_at(name, names)]
    return next(
        (
            at
            for at, move in enumerate(file.song[song].move)
            if plain(move.name) == plain(called)
            and abs(move.from_s - stretch_s[0]) < _SAME_S
            and abs(move.to_s - stretch_s[1]) < _SAME_S
        ),
        None,
    )
