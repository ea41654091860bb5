"""What the band has noted about moments of a song: comments below it in the recipe, one line each.

    # note 2:31.0 Mara: could the second guitar come in later?

Who deletes a line ticks it off.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from morningmix.errors import UsageError
from morningmix.files.recipe_edit import song_at, with_remarks
from morningmix.files.recipe_tables import checked_file, parse_time
from morningmix.files.toml_edit import end_of, regions
from morningmix.files.toml_lines import parse
from morningmix.model.recipe import SongNote
from morningmix.units import clock

_LINE = re.compile(r"^[ \t]*# note ([\d:.]+) ([^:\n]+): ([^\n]+?)[ \t\r]*(?:\n|\Z)", re.MULTILINE)


def notes_in(text: str, song: str) -> list[SongNote]:
    """The notes about a song in a recipe's text, in the order of time; of a recipe that lists no songs, all there are.

    Raises `RecipeError` for a recipe that cannot be read.
    """
    return sorted((note for note, _ in _found(text, song)), key=lambda note: note.at_s)


def with_notes(text: str, song: str | None, notes: Sequence[SongNote]) -> str:
    """A recipe's text with more notes below a song (None: at its end, if it lists none); raises as `turn` does."""
    lines = [f"# note {clock(note.at_s)} {' '.join(note.who.replace(':', ' ').split())}: {note.says}" for note in notes]
    return with_remarks(text, song, lines) if lines else text


def without_note(text: str, song: str, note: SongNote) -> str:
    """A recipe's text without a note. Raises `UsageError` where it is not there any more, and `RecipeError`."""
    for known, (start, end) in _found(text, song):
        if known == note:
            return text[:start] + text[end:]
    raise UsageError("That note is not in the recipe any more.")


def _found(text: str, song: str) -> list[tuple[SongNote, tuple[int, int]]]:
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    first, last = 0, len(text)
    if file.song:
        try:
            place = song_at(file, song)
        except UsageError:
            return []
        first, last = regions(toml, "song")[place][0], end_of(toml, ("song", place))
    found = []
    for line in _LINE.finditer(text, first, last):
        try:
            at_s = parse_time(line[1])
        except ValueError:
            continue
        found.append((SongNote(at_s=at_s, who=line[2], says=line[3]), line.span()))
    return found
