"""Change the songs that a recipe lists: titles, where they start and end, joined, split, left out.

A song is known by its place among the recipe's songs. Settings of a song go with it, and so does their place in time.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from morningmix.errors import UsageError
from morningmix.files.recipe_tables import SongTable, checked_file
from morningmix.files.song_titles import free_title, with_other_title
from morningmix.files.toml_edit import above, as_comments, end_of, regions, with_lines, with_value, without_key
from morningmix.files.toml_lines import Loc, Toml, parse, quoted
from morningmix.model.names import means, plain
from morningmix.units import clock

SHORTEST_S = 1.0
"""Of a song (design choice)."""
BY_HAND = "left out by hand"
_UNSURE = "# unsure:"


def with_title(text: str, song: int, title: str) -> str:
    """A recipe's text with a song's title, also where it names other tries of the song.

    Raises `UsageError` where it is empty.
    """
    title = " ".join(title.split())
    if not plain(title):
        raise UsageError("A title needs at least one letter.")
    was = _read(text, song)[1][song].title
    text = with_value(_read(text, song)[0], ("song", song), "title", quoted(title))
    for at, other in enumerate(_read(text, song)[1]):
        for key, value in (("title", other.title), ("reason", other.reason or "")):
            named = with_other_title(value, was, title)
            if at != song and named != value:
                text = with_value(_read(text, song)[0], ("song", at), key, quoted(named))
    return text


def with_kept(text: str, song: int, *, keep: bool, reason: str = BY_HAND) -> str:
    """A recipe's text with a song kept, or listed but left out, and why."""
    table: Loc = ("song", song)
    if keep:
        text = without_key(_read(text, song)[0], table, "keep")
        return without_key(_read(text, song)[0], table, "reason")
    if not _read(text, song)[1][song].keep:
        return text
    text = with_value(_read(text, song)[0], table, "keep", "false")
    return with_value(_read(text, song)[0], table, "reason", quoted(reason))


def with_edges(text: str, song: int, start_s: float, end_s: float) -> str:
    """A recipe's text with a song's start and end. Moves in it stay where they are in the take.

    Raises `UsageError` for a song that would be too short, or would lose one of its moves.
    """
    if end_s - start_s < SHORTEST_S:
        raise UsageError("A song must be at least one second long.")
    toml, songs = _read(text, song)
    later_s = round(start_s, 1) - songs[song].start
    for at, move in enumerate(songs[song].move):
        from_s, to_s = max(0.0, move.from_s - later_s), move.to_s - later_s
        if to_s <= 0.0 or from_s >= end_s - start_s:
            raise UsageError(f'"{move.name}" has a level of its own in the part that is cut off. Remove that first.')
        if round(later_s, 1):
            for key, at_s in (("from", from_s), ("to", to_s)):
                toml = parse(with_value(toml, ("song", song, "move", at), key, f'"{clock(at_s)}"'), toml.label)
    for key, was_s, at_s in (("start", songs[song].start, start_s), ("end", songs[song].end, end_s)):
        if round(was_s, 1) != round(at_s, 1):
            toml = parse(_with_time(toml, song, key, at_s), toml.label)
    return toml.text


def times_of(text: str, song: int) -> tuple[float, float]:
    """Start and end of a song. Raises `UsageError` where it is gone."""
    of = _read(text, song)[1][song]
    return of.start, of.end


def lists_songs(text: str, take: str | None) -> bool:
    """Whether a recipe's text lists songs of a take."""
    return any(song.take == take for song in checked_file(parse(text, "recipe.toml")).song)


def unsure_songs(text: str) -> list[bool]:
    """Of each song whether a remark still says that its start or end is not certain."""
    toml = parse(text, "recipe.toml")
    return [
        any(_is_unsure(toml, song, key) for key in ("start", "end")) for song in range(len(checked_file(toml).song))
    ]


def with_sure_edges(text: str, song: int) -> str:
    """A recipe's text with a song's start and end as somebody says they are right."""
    for key in ("start", "end"):
        toml = _read(text, song)[0]
        if _is_unsure(toml, song, key):
            place = toml.places["song", song, key]
            written = text[place.value_start : place.value_end]
            text = with_value(toml, ("song", song), key, written, remark=False)
    return text


def _is_unsure(toml: Toml, song: int, key: str) -> bool:
    place = toml.places["song", song, key]
    return _UNSURE in toml.text[place.value_end : place.end]


def _with_time(toml: Toml, song: int, key: str, at_s: float) -> str:
    # What somebody has set is no longer unsure; other remarks stay.
    remark = not _is_unsure(toml, song, key)
    return with_value(toml, ("song", song), key, f'"{clock(at_s)}"', remark=remark)


def joined(text: str, song: int, take_names: Collection[str] = ()) -> str:
    """A recipe's text with a song that goes on to the end of the next one of its take.

    The next song goes, with its settings as comments if it has any. Raises `UsageError` where there is none.
    """
    toml, songs = _read(text, song)
    following = [at for at in _of_take(songs, song, take_names) if songs[at].start > songs[song].start]
    if not following:
        raise UsageError("No song follows this one, so there is nothing to join it with.")
    other = min(following, key=lambda at: songs[at].start)
    gone = songs[other]
    start, end = regions(toml, "song")[other]
    rest = as_comments(text[start:end]) if gone.input or gone.family or gone.move else ""
    after = text[end:] if rest else text[end:].lstrip("\r\n")
    text = text[:start] + rest + after
    here = song - (other < song)
    return with_edges(text, here, songs[song].start, max(gone.end, songs[song].end))


def split(text: str, song: int, at_s: float) -> str:
    """A recipe's text with a song cut in two; the second has the same settings of inputs and families.

    Raises `UsageError` where a part would be too short, or a move would fall into the second one.
    """
    toml, songs = _read(text, song)
    of = songs[song]
    if at_s - of.start < SHORTEST_S or of.end - at_s < SHORTEST_S:
        raise UsageError("Both halves must be at least one second long. Split it further from the edge.")
    if any(move.to_s > at_s - of.start for move in of.move):
        raise UsageError(f'"{of.title}" has a part with a level of its own after that. Remove that first.')
    lines = _lines(free_title(of.title, [each.title for each in songs]), at_s, of.end, of.take)
    if not of.keep:
        lines += ["keep = false", f"reason = {quoted(of.reason or BY_HAND)}"]
    for loc in toml.places:
        if loc[:2] == ("song", song) and len(loc) == 4 and loc[2] != "move":
            inside = [toml.places[loc], *(place for key, place in toml.places.items() if key[:-1] == loc)]
            lines += ["", *(text[place.start : place.end].strip() for place in inside)]
    text = with_lines(text, end_of(toml, ("song", song)), "", lines)
    return with_edges(text, song, of.start, at_s)


def with_new_song(text: str, title: str, times_s: tuple[float, float], take: str | None = None) -> tuple[str, int]:
    """A recipe's text with one song more, in the order of time, and the song's place in it.

    `take` names the take where a rehearsal has several.
    """
    start_s, end_s = times_s
    if end_s - start_s < SHORTEST_S:
        raise UsageError("A song must be at least one second long.")
    toml = parse(text, "recipe.toml")
    songs = checked_file(toml).song
    lines = _lines(free_title(title, [each.title for each in songs]), start_s, end_s, take)
    later = next((at for at, song in enumerate(songs) if song.take == take and song.start > start_s), None)
    if later is None:
        return with_lines(text, len(text), "", lines), len(songs)
    place = above(text, toml.places["song", later].start)
    return with_lines(text, place, "", [*lines[1:], ""]), later


def _lines(title: str, start_s: float, end_s: float, take: str | None) -> list[str]:
    lines = ["", "[[song]]", f"title = {quoted(title)}"]
    if take is not None:
        lines.append(f"take = {quoted(take)}")
    return [*lines, f'start = "{clock(start_s)}"', f'end = "{clock(end_s)}"']


def _read(text: str, song: int) -> tuple[Toml, list[SongTable]]:
    toml = parse(text, "recipe.toml")
    songs = checked_file(toml).song
    if song >= len(songs):
        raise UsageError("The recipe no longer lists that song. Look again.")
    return toml, songs


def _of_take(songs: list[SongTable], song: int, take_names: Collection[str]) -> Iterator[int]:
    """The other songs of a song's take."""
    take = songs[song].take
    for at, other in enumerate(songs):
        same = other.take == take or (take and other.take and means(other.take, take, take_names))
        if at != song and same:
            yield at
