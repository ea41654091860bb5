"""Change the text of a recipe in place.

Edits replace or add single lines, so that comments, order and line breaks stay as they are, byte for byte.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from morningmix.errors import UsageError
from morningmix.files.recipe_tables import (
    LEVEL_DB,
    ROOM_DB,
    TONE_DB,
    FamilyTable,
    InputTable,
    RecipeFile,
    SongTable,
    checked_file,
    unknown_name,
)
from morningmix.files.song_titles import again, free_title, of_song
from morningmix.files.toml_edit import Edit, above, as_comments, edited, end_of, regions, with_lines, with_value
from morningmix.files.toml_lines import Loc, Toml, comment, did_you_mean, parse, quoted
from morningmix.model.band import NOTHING_USUAL, Band, Usual
from morningmix.model.found import FoundSong
from morningmix.model.names import means, plain
from morningmix.model.plan import FAMILIES
from morningmix.units import clock

Key = Literal["level_db", "low_db", "high_db", "room_db"]
Part = Literal["level", "low", "high", "room"]
PARTS: Mapping[str, Key] = {"level": "level_db", "low": "low_db", "high": "high_db", "room": "room_db"}
"""What can be turned, as a person says it."""
RANGES_DB: Mapping[Key, tuple[float, float]] = {
    "level_db": LEVEL_DB,
    "low_db": TONE_DB,
    "high_db": TONE_DB,
    "room_db": ROOM_DB,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """A table of the recipe whose settings are turned, there or yet to be written."""

    name: str
    heading: str
    """Of a table that is not there yet."""
    table: Loc
    old_db: float
    end: int
    """Where a table that is not there yet is written."""


def turn(
    text: str,
    name: str,
    by_db: float,
    song: str | None = None,
    key: Key = "level_db",
    usual: Band = NOTHING_USUAL,
) -> tuple[str, float, float]:
    """A recipe's text with one setting of an input changed by `by_db`, in one song if `song` names one.

    Where no input has that name, a family is meant. What the recipe does not set is turned from what is usual. Returns
    the new text, the old and the new setting in dB. Raises `UsageError` for a name or a song that is not there and for
    a setting out of range, `RecipeError` for a recipe that cannot be read.
    """
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    names = [wish.called() for wish in file.input]
    at = _index(name, names)
    if at is not None:
        return _with_turned(toml, _of_input(toml, file, at, song, key, usual), by_db, key)
    family = _index(name, FAMILIES)
    if family is None:
        raise UsageError(_sentence_case(unknown_name(name, names, FAMILIES)))
    return _with_turned(toml, _of_family(toml, file, FAMILIES[family], song, key, usual), by_db, key)


def _of_input(toml: Toml, file: RecipeFile, at: int, song: str | None, key: Key, usual: Band) -> _Turned:
    own = file.input[at]
    if song is None:
        old_db = _old_db(own, usual.of_input(own.file), key, file.defaults.level_db if key == "level_db" else 0.0)
        return _Turned(name=own.called(), heading="input", table=("input", at), old_db=old_db, end=0)
    place = song_at(file, song)
    entries = file.song[place].input
    entry = _index(own.called(), [each.name for each in entries])
    return _Turned(
        name=own.called(),
        heading="song.input",
        table=("song", place, "input", len(entries) if entry is None else entry),
        old_db=0.0 if entry is None else getattr(entries[entry], key),
        end=end_of(toml, ("song", place)),
    )


def _of_family(toml: Toml, file: RecipeFile, family: str, song: str | None, key: Key, usual: Band) -> _Turned:
    place = None if song is None else song_at(file, song)
    entries = file.family if place is None else file.song[place].family
    entry = _index(family, [each.name for each in entries])
    above: Loc = ("family",) if file.family else ("input",)
    listed = bool(file.family or file.input)
    if place is not None:
        above, listed = ("song", place), True
    return _Turned(
        name=family,
        heading="family" if place is None else "song.family",
        table=(*(() if place is None else above), "family", len(entries) if entry is None else entry),
        old_db=_old_db(None if entry is None else entries[entry], () if song else usual.of_family(family), key),
        end=end_of(toml, above) if listed else len(toml.text),
    )


def _old_db(table: InputTable | FamilyTable | None, usual: Sequence[Usual], key: Key, default_db: float = 0.0) -> float:
    if table is not None and key in table.model_fields_set:
        return float(getattr(table, key))
    return next((float(one.value) for one in usual if one.key == key), default_db)


def _with_turned(toml: Toml, turned: _Turned, by_db: float, key: Key) -> tuple[str, float, float]:
    text, table, old = toml.text, turned.table, turned.old_db
    low, high = RANGES_DB[key]
    new = round(old + by_db, 1) + 0.0 if math.isfinite(by_db) else math.inf
    if not low <= new <= high:
        raise UsageError(
            f'The {key} of "{turned.name}" is at {old:+g} dB; {by_db:+g} dB would leave the range of '
            f"{low:+g} to {high:+g} dB. Turn it by less."
        )
    if table in toml.places:
        return with_value(toml, table, key, str(new)), old, new
    lines = ["", f"[[{turned.heading}]]", f"name = {quoted(turned.name)}", f"{key} = {new}"]
    return with_lines(text, turned.end, "", lines), old, new


Move = tuple[str, float, float, float]
"""An input's name, from and to in seconds from the start of the song, and a level in dB."""


def with_moves(text: str, song: str, moves: Sequence[Move]) -> str:
    """A recipe's text with more [[song.move]] in a song, which must be listed.

    Raises `UsageError` for a name or a song that is not there, `RecipeError` for a recipe that cannot be read, also
    with the moves in it.
    """
    toml = parse(text, "recipe.toml")
    file = checked_file(toml)
    names = [wish.called() for wish in file.input]
    lines: list[str] = []
    for name, from_s, to_s, level_db in moves:
        lines += ["", "[[song.move]]", f"name = {quoted(names[input_at(name, names)])}"]
        lines += [f'from = "{clock(from_s)}"', f'to = "{clock(to_s)}"', f"level_db = {level_db}"]
    moved = with_lines(text, end_of(toml, ("song", song_at(file, song))), "", lines)
    checked_file(parse(moved, "recipe.toml"))
    return moved


def with_song(text: str, title: str, end_s: float) -> str:
    """A recipe's text with one more song at its end: the take from its start to `end_s`."""
    end = clock(math.ceil(end_s * 10.0) / 10.0)
    return with_lines(
        text, len(text), "", ["", "[[song]]", f"title = {quoted(title)}", 'start = "0:00.0"', f'end = "{end}"']
    )


def with_remarks(text: str, song: str | None, remarks: Sequence[str]) -> str:
    """A recipe's text with lines of comment below a song (None: at the end); nothing else changes."""
    toml = parse(text, "recipe.toml")
    at = len(text) if song is None else end_of(toml, ("song", song_at(checked_file(toml), song)))
    return with_lines(text, at, "", [comment(remark.removeprefix("# ")).strip() for remark in remarks])


def with_songs(text: str, found: Sequence[FoundSong], take: str | None = None, take_names: Collection[str] = ()) -> str:
    """A recipe's text with the songs that were found in a take, named where a rehearsal has several takes.

    A song of the recipe that lies mostly where one was found keeps everything but its start and end (and those too,
    where one of its moves would fall outside). Other songs become comments, and new ones get a table in order of time.
    Raises `RecipeError` for a recipe that cannot be read.
    """
    toml = parse(text, "recipe.toml")
    everywhere = checked_file(toml).song
    old = {at: song for at, song in enumerate(everywhere) if take is None or means(song.take or "", take, take_names)}
    matched = _matched(old, found)
    region_of = regions(toml, "song")
    edits: list[Edit] = []
    for at, song in old.items():
        if at in matched:
            new = found[matched[at]]
            length_s = new.end.at_s - new.start.at_s
            if any(move.from_s >= length_s for move in song.move):
                continue
            for key, was_s, now_s in (("start", song.start, new.start.at_s), ("end", song.end, new.end.at_s)):
                place = toml.places[("song", at, key)]
                if round(was_s, 1) != round(now_s, 1):
                    edits.append((place.value_start, place.value_end, f'"{clock(now_s)}"'))
        else:
            start, end = region_of[at]
            edits.append((start, end, as_comments(text[start:end])))
    titles = _titles(found, {of: old[at].title for at, of in matched.items()}, [song.title for song in everywhere])
    for which, new in enumerate(found):
        if which in matched.values():
            continue
        if new.reason and new.of is not None:
            new = replace(new, reason=of_song(titles[new.of], new.reason))
        lines = ["[[song]]", *_song_lines(new, titles[which], take)]
        later = next((at for at, song in old.items() if song.start > new.start.at_s), None)
        if later is None:
            edits.append((len(text), len(text), ["", *lines]))
        else:
            place_at = above(text, toml.places[("song", later)].start)
            edits.append((place_at, place_at, [*lines, ""]))
    return edited(text, edits)


def _matched(old: Mapping[int, SongTable], found: Sequence[FoundSong]) -> dict[int, int]:
    """By position in the recipe: which found song shares more than half of the longer one's time with it."""
    matched: dict[int, int] = {}
    free = dict(enumerate(found))
    for at, song in old.items():
        for place, candidate in free.items():
            shared = min(song.end, candidate.end.at_s) - max(song.start, candidate.start.at_s)
            longer = max(song.end - song.start, candidate.end.at_s - candidate.start.at_s)
            if shared > 0.5 * longer:
                matched[at] = place
                del free[place]
                break
    return matched


def _titles(found: Sequence[FoundSong], known: Mapping[int, str], taken: Collection[str]) -> dict[int, str]:
    """The title of each found song by its place: of those that are known, then new ones."""
    titles, plain_titles = dict(known), {plain(title) for title in taken}
    numbers = {word: _free_titles(word, plain_titles) for word in ("Song", "Try")}
    for place, song in enumerate(found):
        if place not in titles and (song.of is None or not song.keep):
            titles[place] = next(numbers["Song" if song.keep else "Try"])
    for place, song in enumerate(found):
        if place not in titles and song.of is not None:
            titles[place] = free_title(again(titles[song.of]), [*taken, *titles.values()])
    return titles


def _song_lines(song: FoundSong, title: str, take: str | None) -> list[str]:
    lines = [f"title = {quoted(title)}"]
    if take is not None:
        lines.append(f"take = {quoted(take)}")
    for key, boundary in (("start", song.start), ("end", song.end)):
        unsure = comment(f"unsure: {boundary.because}") if boundary.unsure else ""
        lines.append(f'{key} = "{clock(boundary.at_s)}"{unsure}')
    if not song.keep:
        lines += ["keep = false", f"reason = {quoted(song.reason or '')}"]
    return lines


def _free_titles(word: str, taken: set[str]) -> Iterator[str]:
    """ "Song 1" and so on, with the numbers that are free."""
    return (f"{word} {number}" for number in itertools.count(1) if plain(f"{word} {number}") not in taken)


def song_at(file: RecipeFile, title: str) -> int:
    """Position of the one song with that title."""
    titles = [song.title for song in file.song]
    hits = [at for at, known in enumerate(titles) if plain(known) == plain(title)]
    kept = [at for at in hits if file.song[at].keep]
    hits = kept if len(hits) > 1 and len(kept) == 1 else hits
    if not hits:
        listed = (
            "The songs are: " + ", ".join(f'"{known}"' for known in titles) if titles else "The recipe lists no songs"
        )
        raise UsageError(f'No song is called "{title}".{did_you_mean(title, titles)} {listed}.')
    if len(hits) > 1:
        raise UsageError(f'Several songs are called "{title}". Give them different titles in the recipe first.')
    return hits[0]


def input_at(name: str, names: Sequence[str]) -> int:
    """Position of the input with that name. Raises `UsageError` if there is none."""
    at = _index(name, names)
    if at is None:
        raise UsageError(_sentence_case(unknown_name(name, names)))
    return at


def _index(name: str, names: Sequence[str]) -> int | None:
    return next((at for at, known in enumerate(names) if plain(known) == plain(name)), None)


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]
